"""The outputs that may still be on: each is said until its own bench has confirmed that all are off."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from harness.errors import HalfpowerError
from harness.journal import journal
from harness.journal.journal import Contents
from harness.night.log import LogContents

UNSEEN: Final = "it was cut off, or is still under way, and nothing says that its outputs are off."
_SAID: Final = ("off", "outputs", "guardian")  # events after which it is known how the outputs are


def may_be_on(folder: Path, contents: LogContents) -> tuple[str, ...]:
    """The outputs that may still be on, a sentence each; what another bench does takes nothing back.

    A try that did not reach its bench confirms nothing. Of one that was cut off, the run's own journal tells what its
    guardian could do.
    """
    standing: dict[str, tuple[str, ...]] = {}
    for each in contents.tries:
        name, ending, before = contents.jobs[each.job].name, each.ending, standing.get(each.bench, ())
        if ending is None:
            standing[each.bench] = (*before, *(f"{name}: {text}" for text in _cut_off(folder, each.folder)))
        elif ending.off is not None:
            standing[each.bench] = () if ending.off else tuple(f"{name}: {text}" for text in ending.outputs)
    return tuple(dict.fromkeys(text for said in standing.values() for text in said))


def _cut_off(folder: Path, run: str) -> tuple[str, ...]:
    """What a try that was cut off has left on, as far as its run's journal knows; without one nothing was applied."""
    if not run:
        return ()
    try:
        record = journal.read(folder.parent / Path(run).name)
    except HalfpowerError:
        return (UNSEEN,)  # moved, removed or damaged
    if told := record.may_be_on:
        return tuple(event.text for event in told)
    return () if _known(record) else (UNSEEN,)


def _known(record: Contents) -> bool:
    """Whether the journal's last word is of the outputs, and no reading or new beginning came after it."""
    said = max((event.line for event in record.events if event.what in _SAID), default=0)
    begun = max((event.line for event in record.events if event.what == "resumed"), default=0)
    return said >= max(begun, max((each.line for each in record.records), default=0))
