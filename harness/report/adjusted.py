"""A unit as found and as left: two runs in one report, point beside point.   [pure]"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import zip_longest
from typing import TYPE_CHECKING, Final

from harness.analysis.estimate import state
from harness.analysis.joint import difference
from harness.assess import origin_of
from harness.errors import HalfpowerError
from harness.report.model import Adjustment, Change, Pair, Report, Result
from harness.words.clean import shortened
from harness.words.language import tr, tr_count

if TYPE_CHECKING:
    from harness.report.model import Standard

_CHANGED: Final[Mapping[bool, Change]] = {True: "changed", False: "no change shown"}


def check_pair(found: Report, left: Report) -> None:
    """Refuse two runs that are not one unit before and after; HalfpowerError with what to give instead."""
    for name, of_found, of_left in (
        ("maker", found.setup.unit.maker, left.setup.unit.maker),
        ("model", found.setup.unit.model, left.setup.unit.model),
        ("serial number", found.setup.job.serial, left.setup.job.serial),
    ):
        if of_found != of_left:
            raise HalfpowerError(
                f"The two runs are not of one unit: the {name} is {shortened(of_found, 60)!r} in "
                f"{found.number} and {shortened(of_left, 60)!r} in {left.number}. Name two runs of the same unit."
            )
    for run, condition in ((found, "as found"), (left, "as left")):
        if run.setup.job.condition != condition:
            raise HalfpowerError(
                f"Run {run.number} says condition = '{run.setup.job.condition}' in its job, where the run {condition} "
                "is asked for. Give the run as found first, then --as-left and the run after the adjustment."
            )
    if found.setup.job.error != left.setup.job.error:
        raise HalfpowerError(
            f"Run {found.number} states errors as {found.setup.job.error}, and run {left.number} as "
            f"{left.setup.job.error}: beside each other they would seem to have changed. Report each run by itself."
        )
    if dt.datetime.fromisoformat(found.ended) > dt.datetime.fromisoformat(left.started):
        raise HalfpowerError(
            f"Run {left.number}, as left, began before run {found.number}, as found, had ended. Check which is which."
        )


def adjustment(found: Report, left: Report) -> Adjustment:
    """The earlier run beside this one."""
    pairs = tuple(_pairs(found, left))
    words = [pair.word for pair in pairs]
    both = [word for word in words if word != "one state only"]
    return Adjustment(
        number=found.number,
        id=found.id,
        journal_sha256=found.journal_sha256,
        started=found.started,
        ended=found.ended,
        overall=found.overall,
        sentence=tr("As found (run {number}): {sentence}", number=found.number, sentence=found.sentence),
        summary=_summary(both, len(words) - len(both)),
        pairs=pairs,
    )


def _summary(both: Sequence[Change], single: int) -> str:
    changed = both.count("changed")
    said = tr(
        "{changed} of {results} changed by more than the uncertainty of the change",
        changed=changed,
        results=tr_count(len(both), "result"),
    )
    return (
        tr(
            "{said}; {single} {more} read in one state only.",
            said=said,
            single=single,
            more=tr("was") if single == 1 else tr("were"),
        )
        if single
        else f"{said}."
    )


def _gathered(
    results: Iterable[Result], key: Callable[[Result], tuple[object, ...]]
) -> dict[tuple[object, ...], list[Result]]:
    gathered: dict[tuple[object, ...], list[Result]] = {}
    for result in results:
        gathered.setdefault(key(result), []).append(result)
    return gathered


def _beside(
    found: Iterable[Result], left: Iterable[Result], key: Callable[[Result], tuple[object, ...]]
) -> Iterator[tuple[Result | None, Result | None]]:
    """Those of one key beside each other in their order, whichever part of the run they are in."""
    before, after = _gathered(found, key), _gathered(left, key)
    for place in dict.fromkeys((*after, *before)):
        yield from zip_longest(before.get(place, ()), after.get(place, ()))


def _place(result: Result) -> tuple[object, ...]:
    """The range that is tried, with what kind of signal, and by which drop of a response."""
    drop_db = None if result.curve is None else result.curve.drop_db
    return result.quantity, result.channel, result.path, result.setting, type(result.stimulus).__name__, drop_db


def _paired(found: Report, left: Report) -> Iterator[tuple[Result | None, Result | None]]:
    """Results of one place with the same signal; of the others, where one run has as many as the other, by their size.

    A level may have been lowered in one run; but two levels of one range that are not each other's are no pair.
    """
    before, after = (_gathered((r for part in run.parts for r in part.results), _place) for run in (found, left))
    for place in dict.fromkeys((*after, *before)):
        same = list(_beside(before.get(place, ()), after.get(place, ()), lambda result: (result.applied,)))
        alone = [one for one, other in same if one and not other], [other for one, other in same if other and not one]
        if len(alone[0]) == len(alone[1]):
            by_size = (sorted(results, key=lambda result: result.applied_value or 0.0) for results in alone)
            same = [pair for pair in same if all(pair)] + list(zip(*by_size, strict=True))
        yield from same


def _pairs(found: Report, left: Report) -> Iterator[Pair]:
    """Every result with its counterpart. What both rest on of the reference is not taken off: U is rather too large."""
    before, after = found.setup.bench.calibrator, left.setup.bench.calibrator
    shared = () if before is None or after is None or origin_of(before) != origin_of(after) else (origin_of(after),)
    for one, other in _paired(found, left):
        if one is None or other is None or one.budget is None or other.budget is None:
            yield Pair(found=one, left=other, change=None, word="one state only")
            continue
        change = state(
            difference(
                replace(other.budget, quantity="as left"), replace(one.budget, quantity="as found"), shared=shared
            ),
            left.setup.job.coverage,
        )
        yield Pair(found=one, left=other, change=change, word=_CHANGED[abs(change.estimate) > change.expanded])


def both_standards(found: Report, used: Sequence[Standard]) -> tuple[Standard, ...]:
    """The standards of this run, and those of the run as found that are others."""
    key = {(s.role, s.label, s.certificate, s.due) for s in used}
    return (*used, *(s for s in found.standards if (s.role, s.label, s.certificate, s.due) not in key))


def both_lists(found: Sequence[str], left: Sequence[str]) -> tuple[str, ...]:
    """What was said of either run, once."""
    return (*left, *(tr("As found: {text}", text=text) for text in found if text not in left))
