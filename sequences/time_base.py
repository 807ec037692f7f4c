"""Every time factor over the centre eight divisions, and the magnifier, against time marks."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from pydantic import Field

from harness import steps
from harness.errors import AnalysisError
from harness.models import Calibrator, Model, Seconds, Setup, SignalPath
from harness.quantities import round_to, show
from harness.steps import Measure, Role, TimeMarks, View, measure
from sequences import Plan, Planned, one_two_five, reconnect

TITLE: Final = "Time base"
CENTRE_DIV: Final = 8.0  # the outer division at either side is left out: common practice
_BELIEVED_WITHIN: Final = 0.15


class Options(Model):
    """What a job may choose."""

    channel: int = Field(1, ge=1, description="channel that shows the marks")
    path: str = "lead"
    ranges: tuple[Seconds, ...] = Field((), description="time factors; all if left out")
    magnified: bool = Field(True, description="try the magnifier too, where the unit has one")
    magnified_ranges: tuple[Seconds, ...] = Field((), description="time factors for the magnifier; all if left out")
    repeats: int = Field(1, ge=1, le=20)


def needs(_options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return ("calibrator",)


def plan(setup: Setup, options: Options) -> Plan:
    """Rising time factors, the magnified ones after them, so that each knob turns one way."""
    points, left_out = [], []
    for magnifier, ranges in _settings(setup, options):
        for s_per_div in ranges:
            period_s = _period(_calibrator(setup), s_per_div / magnifier)
            said = f"{show(s_per_div, 's')}/div" + (f" ×{magnifier:g}" if magnifier != 1 else "")
            if period_s is None:
                left_out.append(f"{said}: the calibrator has no time marks that fall on its divisions.")
            else:
                step = _step(setup, options, s_per_div, magnifier, period_s)
                points.append(Planned(step=step, repeats=options.repeats))
    return Plan(points=tuple(points), left_out=tuple(left_out))


def _settings(setup: Setup, options: Options) -> list[tuple[float, tuple[float, ...]]]:
    plain = tuple(sorted(options.ranges or setup.unit.s_per_div))
    if setup.unit.magnifier == 1 or not options.magnified:
        return [(1.0, plain)]
    magnified = tuple(sorted(options.magnified_ranges or plain, reverse=True))
    return [(1.0, plain), (setup.unit.magnifier, magnified)]


def _period(calibrator: Calibrator, s_per_div: float) -> float | None:
    """The longest period of which a whole number falls on the eight divisions, at best one a division."""
    match calibrator.periods:
        case "continuous":
            wanted = round_to(s_per_div, calibrator.level_digits)
            return wanted if calibrator.period_low <= wanted <= calibrator.period_high else None
        case "decade":
            available = [p for p in one_two_five(calibrator.period_low, calibrator.period_high) if f"{p:e}"[0] == "1"]
        case "1-2-5":
            available = list(one_two_five(calibrator.period_low, calibrator.period_high))
        case listed:
            available = sorted(listed)
    span_s = CENTRE_DIV * s_per_div
    fitting = [p for p in available if p <= span_s * (1 + 1e-9) and _is_whole(span_s / p) and span_s / p <= 40]
    at_best = [p for p in fitting if p <= s_per_div * (1 + 1e-9)]
    return max(at_best) if at_best else min(fitting, default=None)


def _is_whole(number: float) -> bool:
    return abs(number - round(number)) < 1e-9 * number


def _step(setup: Setup, options: Options, s_per_div: float, magnifier: float, period_s: float) -> Measure:
    calibrator, unit = _calibrator(setup), setup.unit
    at_input_v = calibrator.mark_level / setup.bench.paths.get(options.path, SignalPath()).divides_by
    inside = [v for v in sorted(unit.volts_per_div) if at_input_v / v <= unit.vertical_div - 2]
    return Measure(
        purpose="time factor",
        path=options.path,
        source="calibrator",
        stimulus=TimeMarks(period_s=period_s, level_vpp=calibrator.mark_level),
        display="unit",
        view=View(
            channel=options.channel,
            volts_per_div=inside[0] if inside else max(unit.volts_per_div),
            s_per_div=s_per_div,
            ground_line_div=1 - unit.vertical_div / 2,
            magnifier=magnifier,
        ),
        quantity="span",
        expected=CENTRE_DIV,
        expected_low=CENTRE_DIV * (1 - _BELIEVED_WITHIN),
        expected_high=CENTRE_DIV * (1 + _BELIEVED_WITHIN),
    )


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Read every time factor."""
    before: Measure | None = None
    for planned in plan(setup, options).points:
        yield from reconnect(before, planned.step)
        for repeat in range(planned.repeats):
            yield from measure(replace(planned.step, repeat=repeat))
        before = planned.step


def _calibrator(setup: Setup) -> Calibrator:
    if setup.bench.calibrator is None:
        raise AnalysisError(f"bench {setup.bench.name!r} has no calibrator, which this sequence needs.")
    return setup.bench.calibrator
