"""ΔV, Δt and 1/Δt as the unit's own cursors or measurements say them, against known voltages and time marks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pydantic import Field

from harness import steps
from harness.errors import AnalysisError
from harness.measurement import Quantity, Rating
from harness.models import Function, Setup, rated
from harness.quantities import round_to, show
from harness.steps import Measure, Reading, Role, Square, View
from harness.values import Model, Seconds, Volts
from harness.words.language import tr
from sequences import Judges, Plan, Planned, calibrator_of, channels_of, read_all, signal_range, sweep_near
from sequences.cursors import Rated
from sequences.cursors.budgets import read_out
from sequences.time_base.marks import Options as Marks
from sequences.time_base.marks import periods_of, wave
from sequences.vertical.levels import choose_level

if TYPE_CHECKING:
    from harness.measurement import Samples, Screenful

TITLE: Final = "Read-outs: ΔV, Δt, 1/Δt"
_BELIEVED_WITHIN: Final = 0.15
_USUAL_S: Final = 1e-4  # a sweep that every oscilloscope has nearly
_MOST_DIV: Final = 5.0  # from mark to mark, so that two stand on the screen
_LEAST_DIV: Final = 1.0


class Options(Model):
    """What a job may choose."""

    channels: tuple[int, ...] = Field((), description="channels for ΔV; all if left out")
    path: str = "lead"
    ranges: tuple[Volts, ...] = Field(
        (), description="deflection factors for ΔV; the one nearest to 100 mV if left out"
    )
    times: tuple[Seconds, ...] = Field((), description="time factors for Δt; the one nearest to 100 us if left out")
    repeats: int = Field(1, ge=1, le=20)


# --- what is read and stated --------------------------------------------------------------------------------------


def _no_record(_step: Measure, _volts: Samples, _screen: Screenful, _lsb: float | None) -> Reading:
    raise AnalysisError("a read-out is what the instrument says, and nothing that its record could tell.")


VOLTS: Final = Quantity(
    name="cursor_volts",
    unit="V",
    axis="level",
    question="cursors on top and bottom: what does ΔV say?",
    from_record=_no_record,
    own=lambda _step: ("amplitude", 1.0),
    read_out=True,
    rating=Rating(
        name="ΔV read-out",
        is_error=True,
        axis="level",
        tolerance=lambda unit, _step: rated(unit, Rated).cursor_volts,
        budget=read_out,
    ),
)
TIME: Final = Quantity(
    name="cursor_time",
    unit="s",
    axis="time",
    question="cursors on two neighbouring marks: what does Δt say?",
    from_record=_no_record,
    own=lambda _step: ("period", 1.0),
    read_out=True,
    rating=Rating(
        name="Δt read-out",
        is_error=True,
        axis="time",
        tolerance=lambda unit, _step: rated(unit, Rated).cursor_time,
        budget=read_out,
    ),
)
RATE: Final = Quantity(
    name="cursor_rate",
    unit="Hz",
    axis="time",
    question="cursors on two neighbouring marks: what does 1/Δt say?",
    from_record=_no_record,
    own=lambda _step: ("rate", 1.0),
    read_out=True,
    rating=Rating(
        name="1/Δt read-out",
        is_error=True,
        axis="time",
        tolerance=lambda unit, _step: rated(unit, Rated).cursor_rate or rated(unit, Rated).cursor_time,
        budget=read_out,
    ),
)
QUANTITIES: Final = (VOLTS, TIME, RATE)
JUDGES: Final[Judges] = {"unit": tuple(quantity.name for quantity in QUANTITIES)}


def needs(_options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return ("calibrator",)


def accuracies(_options: Options) -> tuple[tuple[Role, Function], ...]:
    """What its verdicts rest on, in the bench file."""
    return (("calibrator", "square"), ("calibrator", "period"))


# --- the steps ----------------------------------------------------------------------------------------------------


def _voltages(setup: Setup, options: Options) -> Iterator[Measure | str]:
    """ΔV of a square wave on every range that is asked for, or why not."""
    calibrator, unit, path = calibrator_of(setup), setup.unit, setup.bench.path(options.path)
    if "square" not in calibrator.functions:
        yield tr("ΔV: the calibrator gives no square wave.")
        return
    rate_hz = calibrator.square_frequency
    times = unit.s_per_div or (0.5 / rate_hz,)
    for channel in channels_of(setup, options.channels):
        for volts_per_div in sorted(options.ranges or (signal_range(unit, None),)):
            best = choose_level(calibrator, unit, path, volts_per_div=volts_per_div, stimulus="square")
            if best is None:
                yield tr(
                    "ΔV, channel {channel}, {volts_per_div}/div: the calibrator has no level that fits.",
                    channel=channel,
                    volts_per_div=show(volts_per_div, "V"),
                )
                continue
            view = View(
                channel=channel,
                volts_per_div=volts_per_div,
                s_per_div=min(times, key=lambda s_per_div: abs(s_per_div * rate_hz - 0.5)),
                ground_line_div=1 - unit.vertical_div / 2,
            )
            stimulus = Square(level_vpp=best.level_v, frequency_hz=rate_hz)
            yield _step(options, VOLTS, stimulus, view, best.at_input_v)


def _times(setup: Setup, options: Options) -> Iterator[Measure | str]:
    """Δt and 1/Δt between neighbouring marks on every sweep that is asked for, or why not."""
    if "time_marks" not in calibrator_of(setup).functions:
        yield tr("Δt and 1/Δt: the calibrator gives no time marks.")
        return
    marks = Marks(path=options.path, channel=channels_of(setup, options.channels)[0])
    for s_per_div in sorted(options.times or (sweep_near(setup.unit, _USUAL_S),)):
        there = periods_of(setup, marks, s_per_div)
        fitting = [
            period_s for period_s in there if _LEAST_DIV <= period_s / s_per_div * (1 + 1e-9) <= _MOST_DIV + 1e-6
        ]
        if not fitting:
            yield tr(
                "Δt at {s_per_div}/div: the calibrator gives no marks one to five divisions apart.",
                s_per_div=show(s_per_div, "s"),
            )
            continue
        stimulus, view = wave(setup, marks, max(fitting))
        view = replace(view, s_per_div=s_per_div)
        yield _step(options, TIME, stimulus, view, max(fitting))
        yield _step(options, RATE, stimulus, view, 1 / max(fitting))


def _step(options: Options, quantity: Quantity, stimulus: steps.Stimulus, view: View, expected: float) -> Measure:
    return Measure(
        purpose="read-out",
        path=options.path,
        source="calibrator",
        stimulus=stimulus,
        display="unit",
        view=view,
        quantity=quantity.name,
        expected=round_to(expected, 9),
        expected_low=round_to(expected * (1 - _BELIEVED_WITHIN), 4),
        expected_high=round_to(expected * (1 + _BELIEVED_WITHIN), 4),
    )


def _lacking(setup: Setup, quantity: Quantity, step: Measure) -> str:
    """Why a unit that is read over its interface has no such read-out; empty where it may have one."""
    link = setup.bench.unit
    if setup.unit.read == "eye" or link is None or quantity.own is None:
        return ""
    key, _ = quantity.own(step)
    return (
        tr("commands.{key} of [unit] is empty: it does not measure it", key=key) if link.commands.get(key) == "" else ""
    )


def _all(setup: Setup, options: Options) -> Plan:
    """What is read, and why the rest is not."""
    by_name = {quantity.name: quantity for quantity in QUANTITIES}
    points, left_out = [], []
    for step in (*_voltages(setup, options), *_times(setup, options)):
        if isinstance(step, str):
            left_out.append(step)
        elif why := _lacking(setup, by_name[step.quantity], step):
            left_out.append(f"{step.quantity.replace('_', ' ').capitalize()}: {why}.")
        else:
            points.append(Planned(step=step, repeats=options.repeats))
    return Plan(points=tuple(points), left_out=tuple(dict.fromkeys(left_out)))


def plan(setup: Setup, options: Options) -> Plan:
    """Every read-out that is rated; the others are read and not judged."""
    every, ratings = _all(setup, options), rated(setup.unit, Rated)
    stated = {
        VOLTS.name: ratings.cursor_volts,
        TIME.name: ratings.cursor_time,
        RATE.name: ratings.cursor_rate or ratings.cursor_time,
    }
    unrated = [name for name, limit in stated.items() if limit is None]
    points = tuple(each for each in every.points if each.step.quantity not in unrated)
    said = (
        [tr("A verdict on {unrated}: the unit file states no rating (tolerance.cursor_…).", unrated=", ".join(unrated))]
        if unrated
        else []
    )
    return Plan(points=points, left_out=(*every.left_out, *said))


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Read every read-out of every channel."""
    yield from read_all(_all(setup, options))
