"""Noise of every range with nothing at the input, and how the line drifts over minutes or a warm-up."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from pydantic import Field

from harness import steps
from harness.analysis.amplitude import mean_level
from harness.measurement import Quantity, Rating
from harness.models import Setup, rated
from harness.quantities import duration
from harness.steps import Measure, NoSignal, Reading, Role, View, measure
from harness.values import Model, Seconds, Volts
from harness.words.language import tr
from sequences import Judges, Plan, Planned, channels_of, reconnect, repeated, sweep_near
from sequences.noise import Rated
from sequences.noise.budgets import CODES, DOF, ON_TWO, QUANTUM, SAMPLES, drift, peak_to_peak, rms
from sequences.noise.statistics import degrees_of_freedom, on_two_codes
from sequences.reading import in_div

if TYPE_CHECKING:
    from harness.measurement import Samples, Screenful

TITLE: Final = "Noise and drift of the line"
_LONGEST_S: Final = 86400.0


class Options(Model):
    """What a job may choose."""

    channels: tuple[int, ...] = Field((), description="channels; all if left out")
    path: str = Field("terminated", description="what ends the input: a path whose source is off")
    source: Literal["calibrator", "generator"] = Field("generator", description="the source on that path, which is off")
    coupling: Literal["dc", "ground"] = Field(
        "dc", description="'ground': the input's own switch, nothing at the input"
    )
    ranges: tuple[Volts, ...] = Field((), description="deflection factors; all if left out")
    s_per_div: Seconds = Field(1e-3, gt=0, description="sweep of the records")
    limited: bool = Field(False, description="with the bandwidth limiter on")
    repeats: int = Field(1, ge=1, le=100, description="records of each range")
    drift_over: Seconds = Field(
        0.0, ge=0, le=_LONGEST_S, description="time over which the line is watched; 0: not at all"
    )
    drift_readings: int = Field(5, ge=2, le=200, description="readings of the line in that time")


# --- what is read and stated --------------------------------------------------------------------------------------


def _spread(_step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    """The standard deviation as it is; what of it is the converter's is taken off where it is stated."""
    of_samples = float(volts.std(ddof=1))
    return replace(in_div(of_samples, None, screen), more=_facts(volts, screen, lsb))


def _height(_step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    return replace(in_div(float(np.ptp(volts)), None, screen), more=_facts(volts, screen, lsb))


def _facts(volts: Samples, screen: Screenful, lsb: float | None) -> dict[str, float]:
    """The converter's step, and how much the record knows; one that stands on a code or two shows no step."""
    few = np.unique(volts).size <= 2
    step_v = lsb or ((screen.high_v - screen.low_v) / CODES if few else 0.0)
    dof = degrees_of_freedom(volts)
    return {
        QUANTUM: step_v / screen.volts_per_div,
        DOF: round(dof, 3),
        SAMPLES: float(volts.size),
        ON_TWO: on_two_codes(volts),
    }


def _line(_step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    level = mean_level(volts, lsb=lsb)
    return in_div(level.value - (screen.low_v + screen.high_v) / 2, level.u, screen)


RMS: Final = Quantity(
    name="noise_rms",
    unit="div",
    axis="level",
    question="how large is the noise, rms?",
    from_record=_spread,
    own=lambda step: ("ac_rms", step.view.volts_per_div),
    rating=Rating(
        name="noise, rms",
        is_error=False,
        axis="level",
        tolerance=lambda unit, step: rated(unit, Rated).rms_div(step.view),
        budget=rms,
        remedy="more records",
    ),
)
HEIGHT: Final = Quantity(
    name="noise_height",
    unit="div",
    axis="level",
    question="how high is the band of noise, edge to edge?",
    from_record=_height,
    own=lambda step: ("peak_to_peak", step.view.volts_per_div),
    rating=Rating(
        name="noise, peak to peak",
        is_error=False,
        axis="level",
        tolerance=lambda unit, step: rated(unit, Rated).peak_to_peak_div(step.view),
        budget=peak_to_peak,
        remedy="more records",
    ),
)
LINE: Final = Quantity(
    name="line_position",
    unit="div",
    axis="level",
    question="how far is the line from the centre, down negative?",
    from_record=_line,
    own=lambda step: ("mean", step.view.volts_per_div),
    signed=True,
    rating=Rating(
        name="line drift",
        is_error=True,
        absolute=True,
        axis="level",
        tolerance=lambda unit, _step: rated(unit, Rated).line_drift,
        budget=drift,
    ),
)
QUANTITIES: Final = (RMS, HEIGHT, LINE)
JUDGES: Final[Judges] = {"unit": tuple(quantity.name for quantity in QUANTITIES)}


def needs(options: Options) -> tuple[Role, ...]:
    """The role whose output is off."""
    return (options.source,)


# --- the steps ----------------------------------------------------------------------------------------------------


def _step(setup: Setup, options: Options, channel: int, volts_per_div: float, quantity: Quantity) -> Measure:
    step = Measure(
        purpose="noise" if quantity is not LINE else "line",
        path=options.path,
        source=options.source,
        stimulus=NoSignal(),
        display="unit",
        view=View(
            channel=channel,
            volts_per_div=volts_per_div,
            s_per_div=sweep_near(setup.unit, options.s_per_div),
            coupling=options.coupling,
            limited=options.limited,
        ),
        quantity=quantity.name,
        expected=0.0,
    )
    limit = quantity.rating.tolerance(setup.unit, step) if quantity.rating and quantity.rating.tolerance else None
    return step if quantity is LINE else replace(step, expected=None if limit is None else round(limit / 3, 9))


def _noise(setup: Setup, options: Options) -> Iterator[Measure]:
    """Every range of every channel; by eye the height alone."""
    for channel in channels_of(setup, options.channels):
        for volts_per_div in sorted(options.ranges or setup.unit.volts_per_div):
            for quantity in (HEIGHT,) if setup.unit.read == "eye" else (RMS, HEIGHT):
                yield _step(setup, options, channel, volts_per_div, quantity)


def _lines(setup: Setup, options: Options) -> Iterator[Measure]:
    """The line of every channel on the most sensitive range, where it is asked for."""
    if options.drift_over:
        most_sensitive = min(options.ranges or setup.unit.volts_per_div)
        for channel in channels_of(setup, options.channels):
            yield _step(setup, options, channel, most_sensitive, LINE)


def plan(setup: Setup, options: Options) -> Plan:
    """Every range that is rated, and the line of every channel."""
    noise, lines = list(_noise(setup, options)), list(_lines(setup, options))
    judged = [step for step in noise if step.expected is not None]
    stated = rated(setup.unit, Rated)
    left_out = []
    if len(judged) < len(noise):
        left_out.append("A verdict on noise that the unit file does not rate (tolerance.noise_…).")
    if lines and stated.line_drift is None:
        left_out.append("A verdict on the drift of the line: the unit file states no rating (tolerance.line_drift).")
    if setup.unit.read == "eye":
        left_out.append(tr("Noise, rms: an eye sees the height of the band alone, the width of its trace in it."))
    points = [Planned(step=step, repeats=options.repeats) for step in judged]
    points += [Planned(step=step) for step in lines if stated.line_drift is not None]
    return Plan(points=tuple(points), left_out=tuple(left_out))


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """The drift of every line first, while the unit warms up, then the noise range by range."""
    before: Measure | None = None
    for step in _lines(setup, options):
        yield from reconnect(before, step)
        before = step
        apart_s = round(options.drift_over / (options.drift_readings - 1), 3)
        for repeat in range(options.drift_readings):
            why = tr("{time} after the first reading of the line", time=duration(repeat * apart_s))
            later = replace(step, wait_s=apart_s, because=why) if repeat else step
            yield from measure(replace(later, repeat=repeat))
    for step in _noise(setup, options):
        yield from reconnect(before, step)
        before = step
        yield from repeated(step, options.repeats)
