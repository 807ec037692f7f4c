"""The outputs that may still be on: each is said until its own bench has confirmed that all are off."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness.errors import HalfpowerError
from harness.journal import journal
from harness.journal.journal import Contents
from harness.night.log import LogContents, run_folder

UNSEEN: Final = "it was cut off, or is still under way, and nothing says that its outputs are off."
_SAID: Final = ("off", "outputs", "guardian")  # events after which it is known how the outputs are
_ON: Final = " may still be ON"  # in the sentence of an output, behind its name


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a try or a run said of the outputs of its bench; no sentence: all of them are off."""

    bench: str
    at: str
    sentences: tuple[str, ...]
    adds: bool = False  # it does not know how things were before


def may_be_on(folder: Path, contents: LogContents) -> tuple[str, ...]:
    """The outputs that may still be on, a sentence each; what another bench does takes nothing back."""
    return standing(said(folder, contents))


def standing(each_said: Iterable[Said]) -> tuple[str, ...]:
    """What stands of all that was said, in the order in which it was said; of one output the last sentence."""
    benches: dict[str, tuple[str, ...]] = {}
    for each in each_said:
        before = benches.get(each.bench, ()) if each.adds else ()
        benches[each.bench] = (*before, *each.sentences)
    last = {text.partition(_ON)[0]: text for sentences in benches.values() for text in sentences}
    return tuple(last.values())


def left_in(run: Path) -> tuple[str, ...]:
    """What the run of a folder has left on; its journal is read for this."""
    try:
        return left_on(journal.read(run))
    except HalfpowerError:
        return (UNSEEN,)  # moved, removed or damaged


def said(folder: Path, contents: LogContents, by_run: Callable[[Path], tuple[str, ...]] = left_in) -> Iterator[Said]:
    """What the tries of a queue said, in the order in which they ended; what was cut off ended last.

    A try that did not reach its bench confirms nothing. Of one that was cut off, the run's own journal tells what its
    guardian could do, and without one nothing was applied; `by_run` is for who knows that journal already.
    """
    ended_at: list[str] = []
    for each in contents.tries:
        name, ending = contents.jobs[each.job].name, each.ending
        if ending is None:
            left = by_run(run_folder(folder, each.folder)) if each.folder else ()
            at = max((each.at, *ended_at), key=dt.datetime.fromisoformat)
            yield Said(bench=each.bench, at=at, sentences=tuple(f"{name}: {text}" for text in left), adds=True)
            continue
        ended_at.append(ending.at)
        if ending.off is not None:
            left = () if ending.off else tuple(f"{name}: {text}" for text in ending.outputs)
            yield Said(bench=each.bench, at=ending.at, sentences=left)


def left_on(record: Contents) -> tuple[str, ...]:
    """What a run has left on, as far as its own journal knows."""
    if told := record.may_be_on:
        return tuple(event.text for event in told)
    return () if _known(record) else (UNSEEN,)


def _known(record: Contents) -> bool:
    """Whether the journal's last word is of the outputs, and no reading or new beginning came after it."""
    said = max((event.line for event in record.events if event.what in _SAID), default=0)
    begun = max((event.line for event in record.events if event.what == "resumed"), default=0)
    return said >= max(begun, max((each.line for each in record.records), default=0))
