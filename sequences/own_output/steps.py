"""Level, frequency and rise time of the unit's own calibration output, compared with the calibrator."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final, Literal

from pydantic import Field

from harness import steps
from harness.errors import AnalysisError
from harness.measurement import Quantity
from harness.models import Setup, rated
from harness.quantities import round_to, show
from harness.steps import Connect, Measure, Role, Square, View
from harness.values import Model
from harness.words.language import tr
from sequences import Judges, Plan, Planned, repeated
from sequences.own_output import Rated
from sequences.own_output.known import MOST_PERIODS, known_step, shown_whole
from sequences.own_output.output import EDGE, HEIGHT, PERIODS, QUANTITIES

__all__ = ["JUDGES", "QUANTITIES", "TITLE", "Options", "needs", "plan", "script"]

TITLE: Final = "Calibration output"
JUDGES: Final[Judges] = {"unit": tuple(quantity.name for quantity in QUANTITIES)}
_HAZARDOUS_V: Final = 30.0  # nobody switches this output off while a lead is moved
_BELIEVED_WITHIN: Final = 0.2
_USUAL_HZ: Final = 1e3
_CENTRE_DIV: Final = 8.0


class Options(Model):
    """What a job may choose."""

    display: Literal["unit", "reference"] = Field(
        "unit", description="where it is read: on a channel of the unit itself, or on the reference scope"
    )
    channel: int = Field(1, ge=1, description="channel of the unit that shows it")
    path: str = Field("lead", description="the lead or probe, the same for the output and for the calibrator")
    counter: bool = Field(False, description="the frequency by the counter, which a tee brings to the output")
    repeats: int = Field(1, ge=1, le=20)


def needs(options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return ("calibrator", *(("counter",) if options.counter else ()), *_display(options))


def _display(options: Options) -> tuple[Role, ...]:
    return ("reference",) if options.display == "reference" else ()


def _channel_and_sweeps(setup: Setup, options: Options) -> tuple[int, Sequence[float]]:
    """Where the output is shown."""
    unit, reference = setup.unit, setup.bench.reference
    if options.display == "unit":
        return options.channel, unit.s_per_div
    if reference is None or reference.kind != "scope":
        raise AnalysisError(f"bench {setup.bench.name!r} has no reference scope; leave display out to use the unit.")
    return reference.channel, reference.s_per_div or unit.s_per_div


def plan(setup: Setup, options: Options) -> Plan:
    """The output's readings; those of the calibrator beside them follow from each."""
    stated = rated(setup.unit, Rated)
    if stated.output_level is None:
        return Plan(left_out=("Calibration output: the unit file states no output_level under [tolerance].",))
    if stated.output_level > _HAZARDOUS_V:
        said = show(stated.output_level, "V")
        return Plan(
            left_out=(tr("Calibration output: {said} stand at an output that nobody switches off.", said=said),)
        )
    if setup.bench.path(options.path).termination is not None:
        return Plan(
            left_out=(tr("Calibration output: path {path!r} would load it with its termination.", path=options.path),)
        )
    points, left_out = [], []
    for quantity, step in _wanted(setup, options, stated.output_level):
        if isinstance(step, str):
            left_out.append(f"{quantity.name.replace('_', ' ').capitalize()}: {step}.")
        else:
            points.append(Planned(step=step, repeats=options.repeats))
    return Plan(points=tuple(points), left_out=tuple(left_out))


def _wanted(setup: Setup, options: Options, level_vpp: float) -> Iterator[tuple[Quantity, Measure | str]]:
    """Each reading, or why there is none."""
    stated, (channel, sweeps) = rated(setup.unit, Rated), _channel_and_sweeps(setup, options)
    wave = Square(level_vpp=level_vpp, frequency_hz=stated.output_frequency or _USUAL_HZ)
    sweep_s = min(sweeps, key=lambda s: abs(s * wave.frequency_hz - 0.25), default=0.25 / wave.frequency_hz)
    step = Measure(
        purpose="output", path=options.path, source="unit", stimulus=wave, display=options.display,
        view=View(channel=channel, volts_per_div=1.0, s_per_div=sweep_s), quantity=HEIGHT.name,
    )  # fmt: skip
    view = shown_whole(setup, step, level_vpp)
    if view is None:
        yield HEIGHT, tr("no range of the display shows it from top to bottom")
        return
    step = replace(step, view=view)
    height_div = level_vpp / setup.bench.path(options.path).divides_by / view.volts_per_div
    yield HEIGHT, _comparable(setup, _expecting(step, height_div))
    if stated.output_frequency is None:
        yield PERIODS, "the unit file states no output_frequency"
    else:
        yield PERIODS, _frequency(setup, options, step, sweeps)
    if stated.output_rise_time is not None:
        yield EDGE, _edge(options, step, sweeps, stated.output_rise_time)


def _expecting(step: Measure, length_div: float) -> Measure:
    return replace(
        step,
        expected=round_to(length_div, 9),
        expected_low=round(length_div * (1 - _BELIEVED_WITHIN), 4),
        expected_high=round(length_div * (1 + _BELIEVED_WITHIN), 4),
    )


def _comparable(setup: Setup, step: Measure) -> Measure | str:
    found = step.with_counter or known_step(setup, step) is not None
    return step if found else tr("the calibrator gives nothing near enough to compare it with")


def _frequency(setup: Setup, options: Options, step: Measure, sweeps: Sequence[float]) -> Measure | str:
    """At the time factor at which a countable number of periods spans most of the centre eight divisions."""
    period_s = 1.0 / (step.stimulus.rate_hz or _USUAL_HZ)

    def span_div(s_per_div: float) -> float:
        return min(MOST_PERIODS, int(_CENTRE_DIV * s_per_div / period_s * (1 + 1e-9))) * period_s / s_per_div

    best = max(sweeps, key=lambda s: (round(span_div(s), 6), -s), default=period_s)
    if span_div(best) <= 0.0:
        return tr("no time factor of the display shows a whole period")
    timed = replace(
        step,
        view=replace(step.view, s_per_div=best),
        quantity=PERIODS.name,
        with_counter=options.counter,
    )
    return _comparable(setup, _expecting(timed, span_div(best)))


def _edge(options: Options, step: Measure, sweeps: Sequence[float], rated_s: float) -> Measure | str:
    if options.display == "reference":
        return tr("the bench file states no accuracy of the reference's time factors")
    sweep_s = min(sweeps, key=lambda s: abs(s / rated_s - 1.0), default=rated_s)
    return replace(step, view=replace(step.view, s_per_div=sweep_s), quantity=EDGE.name, expected=rated_s)


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """The output first, then the calibrator over the same path: two connections."""
    own = plan(setup, options).points
    known = [
        replace(planned, step=step)
        for planned in own
        if planned.step.quantity != EDGE.name and not planned.step.with_counter
        and (step := known_step(setup, planned.step)) is not None
    ]  # fmt: skip
    if not own:
        return
    first = own[0].step
    yield Connect(
        path=first.path, source="unit", display=first.display, channel=first.view.channel,
        counted=any(planned.step.with_counter for planned in own),
    )  # fmt: skip
    for planned in own:
        yield from repeated(planned.step, planned.repeats)
    back = Connect(path=first.path, source="calibrator", display=first.display, channel=first.view.channel)
    yield replace(back, replugged=setup.leads(back) is not None)
    for planned in known:
        yield from repeated(planned.step, planned.repeats)
