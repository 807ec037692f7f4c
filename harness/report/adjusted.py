"""A unit as found and as left: two runs in one report, point beside point.   [pure]"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final, TypeVar

from harness.analysis.deflection import channel_match
from harness.analysis.estimate import state
from harness.assess.sources import source_line_names
from harness.errors import HalfpowerError
from harness.report import shown
from harness.report.model import Adjustment, Change, Point, PointPair, Report, Response, ResponsePair

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
                f"The two runs are not of one unit: the {name} is {shown.shortened(of_found, 60)!r} in "
                f"{found.number} and {shown.shortened(of_left, 60)!r} in {left.number}. Name two runs of the same unit."
            )
    for run, condition in ((found, "as found"), (left, "as left")):
        if run.setup.job.condition != condition:
            raise HalfpowerError(
                f"Run {run.number} says condition = '{run.setup.job.condition}' in its job, where the run {condition} "
                "is asked for. Give the run as found first, then --as-left and the run after the adjustment."
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
    said = f"{changed} of {len(both)} results changed by more than the uncertainty of the change"
    return f"{said}; {single} were read in one state only." if single else f"{said}."


def _paired(
    found: Mapping[tuple[object, ...], _T], left: Mapping[tuple[object, ...], _T]
) -> Iterator[tuple[_T | None, _T | None]]:
    for key in dict.fromkeys((*left, *found)):
        yield found.get(key), left.get(key)


def _by_place(report: Report) -> dict[tuple[object, ...], Point]:
    """The points by their place; levels of one range by their order, for a level may have been lowered in one run."""
    places: dict[tuple[object, ...], Point] = {}
    for part in report.parts:
        counts: dict[tuple[object, ...], int] = {}
        for point in part.points:
            place = (point.quantity, point.channel, point.path, point.setting)
            places[*place, counts.get(place, 0)] = point
            counts[place] = counts.get(place, 0) + 1
    return places


def _point_pairs(found: Report, left: Report) -> Iterator[PointPair]:
    shared = _shared_lines(found.setup, left.setup)
    for one, other in _paired(_by_place(found), _by_place(left)):
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

    def by_place(report: Report) -> dict[tuple[object, ...], Response]:
        return {(r.channel, r.path, r.setting): r for part in report.parts for r in part.responses}

    for one, other in _paired(by_place(found), by_place(left)):
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
