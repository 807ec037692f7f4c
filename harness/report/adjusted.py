"""A unit as found and as left: two runs in one report, point beside point.   [pure]"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import zip_longest
from typing import TYPE_CHECKING, Final, TypeVar

from harness.analysis.deflection import channel_match
from harness.analysis.estimate import state
from harness.assess.sources import source_line_names
from harness.errors import HalfpowerError
from harness.quantities import counted
from harness.report import shown
from harness.report.model import Adjustment, Change, Point, PointPair, Report, Response, ResponsePair
from harness.words.clean import shortened

if TYPE_CHECKING:
    from harness.models import Setup
    from harness.report.model import Standard

_T = TypeVar("_T", Point, Response)
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
    points = tuple(_point_pairs(found, left))
    responses = tuple(_response_pairs(found, left))
    words: list[Change] = [pair.word for pair in points] + [pair.word for pair in responses]
    both = [word for word in words if word != "one state only"]
    return Adjustment(
        number=found.number,
        id=found.id,
        journal_sha256=found.journal_sha256,
        started=found.started,
        ended=found.ended,
        overall=found.overall,
        sentence=f"As found (run {found.number}): {found.sentence}",
        summary=_summary(both, len(words) - len(both)),
        points=points,
        responses=responses,
    )


def _summary(both: Sequence[Change], single: int) -> str:
    changed = both.count("changed")
    said = f"{changed} of {counted(len(both), 'result')} changed by more than the uncertainty of the change"
    return f"{said}; {single} {'was' if single == 1 else 'were'} read in one state only." if single else f"{said}."


def _gathered(some: Iterable[_T], key: Callable[[_T], tuple[object, ...]]) -> dict[tuple[object, ...], list[_T]]:
    found: dict[tuple[object, ...], list[_T]] = {}
    for one in some:
        found.setdefault(key(one), []).append(one)
    return found


def _paired(
    found: Iterable[_T], left: Iterable[_T], key: Callable[[_T], tuple[object, ...]]
) -> Iterator[tuple[_T | None, _T | None]]:
    """Those of one key beside each other in their order, whichever part of the run they are in."""
    before: dict[tuple[object, ...], list[_T]] = _gathered(found, key)
    after: dict[tuple[object, ...], list[_T]] = _gathered(left, key)
    for each in dict.fromkeys((*after, *before)):
        yield from zip_longest(before.get(each, ()), after.get(each, ()))


def _points(report: Report) -> Iterator[Point]:
    return (point for part in report.parts for point in part.points)


def _place(point: Point) -> tuple[object, ...]:
    """The range that is tried, and with what kind of signal."""
    return point.quantity, point.channel, point.path, point.setting, type(point.stimulus).__name__


def _paired_points(found: Report, left: Report) -> Iterator[tuple[Point | None, Point | None]]:
    """Points of one place with the same signal; of the others, where one run has as many as the other, by their size.

    A level may have been lowered in one run; but two levels of one range that are not each other's are no pair.
    """
    before = _gathered(_points(found), _place)
    after = _gathered(_points(left), _place)
    for place in dict.fromkeys((*after, *before)):
        same = list(_paired(before.get(place, ()), after.get(place, ()), lambda point: (point.applied,)))
        alone = [one for one, other in same if one and not other], [other for one, other in same if other and not one]
        if len(alone[0]) == len(alone[1]):
            by_size = (sorted(some, key=lambda point: point.applied_value) for some in alone)
            same = [pair for pair in same if all(pair)] + list(zip(*by_size, strict=True))
        yield from same


def _point_pairs(found: Report, left: Report) -> Iterator[PointPair]:
    shared = _shared_lines(found.setup, left.setup)
    for one, other in _paired_points(found, left):
        if one is None or other is None or one.budget is None or other.budget is None:
            yield PointPair(found=one, left=other, change=None, word="one state only")
            continue
        less = channel_match(
            replace(other.budget, quantity="as left"), replace(one.budget, quantity="as found"), shared=shared
        )
        change = state(replace(less, unit=other.budget.unit))
        yield PointPair(found=one, left=other, change=change, word=_CHANGED[abs(change.estimate) > change.expanded])


def _shared_lines(found: Setup, left: Setup) -> Sequence[str]:
    """The lines of the budgets that are one and the same error in both runs: those of one calibrator, unchanged."""
    before, after = found.bench.calibrator, left.bench.calibrator
    if before is None or after is None or before.certificate != after.certificate or before.label != after.label:
        return ()
    return source_line_names(after)


def _response_pairs(found: Report, left: Report) -> Iterator[ResponsePair]:
    """Half-power frequencies; what the two runs share is not taken off, so U of the change is rather too large."""

    def responses(report: Report) -> Iterator[Response]:
        return (response for part in report.parts for response in part.responses)

    def place(response: Response) -> tuple[object, ...]:
        return response.channel, response.path, response.setting, response.result.drop_db

    for one, other in _paired(responses(found), responses(left), place):
        before = None if one is None else shown.expanded_hz(one.result)
        after = None if other is None else shown.expanded_hz(other.result)
        if one is None or other is None or before is None or after is None:
            yield ResponsePair(found=one, left=other, change_hz=None, expanded_hz=None, word="one state only")
            continue
        change_hz = (other.result.frequency_hz or 0.0) - (one.result.frequency_hz or 0.0)
        expanded_hz = math.hypot(before, after)
        yield ResponsePair(
            found=one, left=other, change_hz=change_hz, expanded_hz=expanded_hz,
            word=_CHANGED[abs(change_hz) > expanded_hz],
        )  # fmt: skip


def both_standards(found: Report, used: Sequence[Standard]) -> tuple[Standard, ...]:
    """The standards of this run, and those of the run as found that are others."""
    key = {(s.role, s.label, s.certificate, s.due) for s in used}
    return (*used, *(s for s in found.standards if (s.role, s.label, s.certificate, s.due) not in key))


def both_lists(found: Sequence[str], left: Sequence[str]) -> tuple[str, ...]:
    """What was said of either run, once."""
    return (*left, *(f"As found: {text}" for text in found if text not in left))
