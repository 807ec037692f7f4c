"""What direct voltages about one centre say together: gain, offset, departure from a straight line.   [pure]"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from harness.analysis.estimate import Budget, state
from harness.analysis.joint import difference
from harness.analysis.rounding import format_value_u
from harness.assess import origin_of, rated_limits
from harness.errors import AnalysisError
from harness.measurement import Rating
from harness.models import Setup, Unit, rated
from harness.quantities import show
from harness.report import shown
from harness.report.checklist import count, heading
from harness.report.model import Evaluated, Finding, Heading, PartResult, Result
from harness.report.points import not_read, rated_apart, remarks_of
from harness.report.readings import Taken, missing, setting_of
from harness.steps import Measure, Reading, View
from harness.words.language import tr, tr_count, tr_later
from sequences.dc_accuracy import Rated
from sequences.dc_accuracy.budgets import Level, departure, gain, level, offset
from sequences.dc_accuracy.steps import BETWEEN, GAIN, LINEARITY, LOWER, OFFSET, UPPER

_ABOUT: Final = tr_later(" about ")
_BY_RATING: Final = {GAIN.name: UPPER, OFFSET.name: LOWER, LINEARITY.name: BETWEEN}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """All voltages about one centre, rising, each with its readings."""

    taken: tuple[tuple[Measure, tuple[Reading, ...]], ...]

    @property
    def view(self) -> View:
        """The setting, with the input open to the signal."""
        return replace(self.taken[0][0].view, coupling="dc")

    @property
    def centre_v(self) -> float:
        """The voltage at the screen's centre."""
        return -self.view.ground_line_div * self.view.volts_per_div + 0.0


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """Gain, offset and linearity of every setting that was read."""
    groups = _grouped(taken)
    order: list[Callable[[Setup, _Group], Result | None]] = [_gain, _offset, _linearity]
    results = [result for make in order for group in groups if (result := make(setup, group)) is not None]
    made = Evaluated(
        results=tuple(results),
        findings=tuple(_offset_scale(setup, results)),
        missing=tuple(missing(entry, ((r.channel, r.path, r.quantity, _range_of(r)) for r in results))),
    )
    return rated_apart(made)


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    if stated.dc_gain:
        yield tr("gain for direct voltage ±{dc_gain}", dc_gain=shown.percent(stated.dc_gain))
    of_offset, div, volts = stated.dc_offset_of_offset, stated.dc_offset_div, stated.dc_offset_volts
    said = [tr("{of_offset} of the voltage at the centre", of_offset=shown.percent(of_offset))] if of_offset else []
    said += [shown.number(div, "div")] if div else []
    said += [shown.quantity(volts, "V")] if volts else []
    if said:
        yield tr("offset ±({said})", said=" + ".join(said))
    if stated.dc_linearity:
        yield tr(
            "departure from a straight line ±{dc_linearity}", dc_linearity=shown.number(stated.dc_linearity, "div")
        )


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What belongs to the vertical deflection beside its factor."""
    read = count(parts, GAIN.name, OFFSET.name, LINEARITY.name)
    yield heading(
        tr("Vertical gain, offset and linearity by direct voltage of both polarities"), read > 0,
        tr_count(read, "result"), tr("sequence dc_accuracy"),
    )  # fmt: skip


# --- results ------------------------------------------------------------------------------------------------------


def _grouped(taken: Sequence[Taken]) -> list[_Group]:
    places: dict[tuple[object, ...], dict[float, list[Taken]]] = defaultdict(lambda: defaultdict(list))
    for step, reading in taken:
        view = step.view
        place = step.path, view.channel, view.volts_per_div, view.ground_line_div
        places[place][step.stimulus.level].append((step, reading))
    return [
        _Group(taken=tuple((of[0][0], tuple(reading for _, reading in of)) for _, of in sorted(levels.items())))
        for _, levels in sorted(places.items(), key=lambda item: item[0][:3])
    ]


def _gain(setup: Setup, group: _Group) -> Result:
    def made(read: _Group) -> tuple[Budget, Level, Level]:
        low, high = _outer(setup, read)
        return gain(setup, low, high), low, high

    return _result(setup, group, GAIN, made)


def _offset(setup: Setup, group: _Group) -> Result | None:
    """None by eye, where the zero line was set on its line."""
    if setup.unit.read == "eye":
        return None

    def made(read: _Group) -> tuple[Budget, Level, Level]:
        low, high = _outer(setup, read)
        return offset(setup, low, high), low, high

    return _result(setup, group, OFFSET, made)


def _linearity(setup: Setup, group: _Group) -> Result | None:
    """None where two voltages are all there are."""
    if len(group.taken) < 3:
        return None

    def made(read: _Group) -> tuple[Budget, Level, Level]:
        levels = [level(setup, step, readings) for step, readings in read.taken]
        budget, at = departure(setup, levels)
        return budget, at, at

    return _result(setup, group, LINEARITY, made)


def _outer(setup: Setup, group: _Group) -> tuple[Level, Level]:
    """The lowest and the highest voltage that were read."""
    low, high = (level(setup, step, readings) for step, readings in (group.taken[0], group.taken[-1]))
    return low, high


def _has_value(readings: Sequence[Reading]) -> bool:
    return any(reading.status == "read" and reading.value is not None for reading in readings)


def _result(
    setup: Setup, group: _Group, rating: Rating, make: Callable[[_Group], tuple[Budget, Level, Level]]
) -> Result:
    step = replace(group.taken[0][0], quantity=_BY_RATING[rating.name].name)  # what is read for this rating
    read = _Group(taken=tuple(each for each in group.taken if _has_value(each[1])))
    remarks = list(remarks_of([reading for _, readings in read.taken for reading in readings]))
    remarks += [
        tr("at {applied}: {reason}", applied=_said(step), reason=not_read(of))
        for step, of in group.taken
        if not _has_value(of)
    ]
    common: dict[str, Any] = {
        "quantity": rating.name, "is_error": True, "channel": group.view.channel, "path": step.path,
        "setting": setting_of(step) + (f"{tr(_ABOUT)}{shown.quantity(group.centre_v, 'V')}" if group.centre_v else ""),
        "setting_value": group.view.volts_per_div, "setting_unit": "V/div",
        "applied": _applied(read if read.taken else group), "applied_value": group.centre_v, "applied_unit": "V",
        "unit": "div",
    }  # fmt: skip
    result_unit = "div" if rating.absolute else "%"
    if len(read.taken) < (3 if rating is LINEARITY else 2):
        return _unread(common, result_unit, remarks)
    limits = rated_limits(setup, step)
    try:
        budget, low, high = make(read)
        statement = state(budget, setup.job.coverage)
    except AnalysisError as error:
        return replace(_unread(common, result_unit, [*remarks, str(error)]), word="undecided")
    expected, reading = _in_divisions(rating, low, high)
    made = Result(
        **common, expected=expected, reading=reading, readings=(low.shown.value_div, high.shown.value_div),
        statement=statement, budget=budget, result_unit=result_unit, limits=limits, verdict=None, word="undecided",
        remarks=tuple(dict.fromkeys(remarks)),
    )  # fmt: skip
    return made.decided(setup.job.rule)


def _range_of(result: Result) -> str:
    """The setting as a planned point is known by."""
    return result.setting.partition(tr(_ABOUT))[0]


def _unread(common: Mapping[str, Any], result_unit: str, remarks: Sequence[str]) -> Result:
    return Result(
        **common, statement=None, budget=None, result_unit=result_unit, limits=None, verdict=None,
        word="not measured", remarks=tuple(dict.fromkeys(remarks)),
    )  # fmt: skip


def _in_divisions(rating: Rating, low: Level, high: Level) -> tuple[float, float]:
    """What an ideal unit shows, and what was read: a difference, a middle, or one place."""
    per_div = low.step.view.volts_per_div
    if rating is GAIN:
        return (high.applied_v - low.applied_v) / per_div, high.shown.value_div - low.shown.value_div
    return (high.applied_v + low.applied_v) / 2 / per_div, (high.shown.value_div + low.shown.value_div) / 2


def _applied(group: _Group) -> str:
    """The outermost voltages: "±300 mV DC"."""
    low, high = (shown.minus(_said(step)) for step, _ in (group.taken[0], group.taken[-1]))
    return f"±{high} DC" if low == f"−{high}" else tr("{low} to {high} DC", low=low, high=high)


def _said(step: Measure) -> str:
    return show(step.stimulus.level, "V")


# --- offsets of one range together --------------------------------------------------------------------------------


def _offset_scale(setup: Setup, results: Sequence[Result]) -> Iterator[Finding]:
    """How the offset grows with the voltage at the centre, where a range was tried about several: equation (7)."""
    places: dict[tuple[int, str, str], list[Result]] = defaultdict(list)
    for result in results:
        if result.quantity == OFFSET.name and result.budget is not None:
            places[result.channel, result.path, _range_of(result)].append(result)
    for (channel, path, setting), some in places.items():
        low, high = (pick(some, key=lambda r: r.applied_value or 0.0) for pick in (min, max))
        apart_v = (high.applied_value or 0.0) - (low.applied_value or 0.0)
        if not apart_v or low.budget is None or high.budget is None:
            continue
        source = setup.bench.calibrator
        shared = () if source is None else (origin_of(source),)
        moved = difference(replace(high.budget, quantity="high"), replace(low.budget, quantity="low"), shared=shared)
        percent = 100.0 * high.setting_value / apart_v
        stated = state(moved, setup.job.coverage)
        value, u = stated.estimate * percent, stated.expanded * percent
        yield Finding(
            name="offset over its range",
            channel=channel,
            path=path,
            value=value,
            u=u,
            k=stated.k,
            unit="%",
            sentence=tr(
                "channel {channel}, {setting}: from {show} to {show_2} at the centre the offset changes "
                "by {error} of that.",
                channel=channel,
                setting=setting,
                show=show(low.applied_value or 0.0, "V"),
                show_2=show(high.applied_value or 0.0, "V"),
                error=format_value_u(value, u, "%", signed=True),
            ),
        )
