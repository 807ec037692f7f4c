"""What stands at the unit's input, and how well it is known: source accuracy, path ratio, termination.   [pure]"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import assert_never

from harness.analysis import estimate
from harness.analysis.estimate import Contribution
from harness.errors import AnalysisError
from harness.models import Accuracy, Function, Instrument, KnownError, Setup, SignalPath
from harness.quantities import show
from harness.steps import Dc, FastEdge, Measure, NoSignal, Sine, Square, Stimulus, TimeMarks


def instrument_for(setup: Setup, step: Measure) -> Instrument:
    """The instrument in the step's source role; AnalysisError if the bench has none."""
    instrument = getattr(setup.bench, step.source)
    if not isinstance(instrument, Instrument):
        raise AnalysisError(f"bench {setup.bench.name!r} has no {step.source}, but the run used one.")
    return instrument


def path_of(setup: Setup, step: Measure) -> SignalPath:
    """The path of a step; one that the bench does not describe divides by nothing."""
    return setup.bench.paths.get(step.path, SignalPath())


def level_of(stimulus: Stimulus) -> float:
    """What the source puts out: V for a direct voltage, peak to peak for the rest; 0 for no signal."""
    match stimulus:
        case NoSignal():
            return 0.0
        case Dc(level_v=level_v):
            return level_v
        case Square(level_vpp=level) | Sine(level_vpp=level) | TimeMarks(level_vpp=level) | FastEdge(level_vpp=level):
            return level
        case _:
            assert_never(stimulus)


def source_contributions(instrument: Instrument, stimulus: Stimulus) -> tuple[Contribution, ...]:
    """
    Return the accuracy of a source at a stimulus: the first line of its limits and of its certificate that hold there.

    The lines are in V at the source for a level, relative for time marks. A maker's limits are rectangular, a
    certificate's U has k = 2.

    Raises
    ------
    AnalysisError
        If no line of the bench file covers the stimulus.
    """
    function, level, frequency_hz, said = _point(stimulus)
    holding = [
        line
        for line in instrument.accuracy
        if line.function in function and line.db is None and line.covers(level=level, frequency_hz=frequency_hz)
    ]
    first = {line.stated_as: line for line in reversed(holding)}
    if not first:
        raise AnalysisError(
            f"{instrument.label}: no accuracy is stated for {said}. Add an accuracy line with "
            f"function = {function[0]!r} that covers it to the bench file."
        )
    value = 1.0 if isinstance(stimulus, TimeMarks) else abs(level or 0.0)
    unit = "" if isinstance(stimulus, TimeMarks) else "V"
    return tuple(
        _line(instrument, first[kind], value=value, unit=unit) for kind in ("limits", "expanded") if kind in first
    )


def origin_of(instrument: Instrument) -> str:
    """What the errors of a standard come from: it, with the certificate that states them."""
    return f"{instrument.label}, {instrument.certificate or ''}"


def true_level(setup: Setup, step: Measure) -> float:
    """What the source put out by all that is known of it: the level it was set to, and its known error there."""
    level = level_of(step.stimulus)
    if not level or isinstance(step.stimulus, TimeMarks):
        return level
    error = _known_error(getattr(setup.bench, step.source), step.stimulus)
    return level if error is None else level * (1.0 + error.of_value) + math.copysign(error.floor or 0.0, level)


def true_period_ratio(setup: Setup, step: Measure) -> float:
    """The period of time marks over what was set, by the known error of the source; 1 for any other stimulus."""
    if not isinstance(step.stimulus, TimeMarks):
        return 1.0
    error = _known_error(getattr(setup.bench, step.source), step.stimulus)
    if error is None:
        return 1.0
    return 1.0 + error.of_value if error.function == "period" else 1.0 / (1.0 + error.of_value)


def _known_error(instrument: Instrument | None, stimulus: Stimulus) -> KnownError | None:
    """The first line that holds there; a line of the limits holds by what was set, so this one does too."""
    if instrument is None or not instrument.known_error:
        return None
    functions, level, frequency_hz, _ = _point(stimulus)
    holding = (
        line
        for function in functions
        for line in instrument.known_error
        if line.function == function and line.covers(level=level, frequency_hz=frequency_hz)
    )
    return next(holding, None)


def applied_at_input(setup: Setup, step: Measure) -> float:
    """Voltage at the unit's input (V, or peak to peak): what the source gave, divided by its path, loaded."""
    return true_level(setup, step) * _transfer(setup, path_of(setup, step))


def applied_lines(setup: Setup, step: Measure) -> tuple[Contribution, ...]:
    """Budget lines of the applied voltage, with sensitivities to V at the unit's input."""
    path = path_of(setup, step)
    transfer = _transfer(setup, path)
    source = source_contributions(instrument_for(setup, step), step.stimulus)
    at_input = true_level(setup, step) * transfer
    return (
        *(replace(line, sensitivity=transfer) for line in source),
        *(replace(line, sensitivity=line.sensitivity * at_input) for line in _path_lines(step.path, path)),
    )


def period_lines(setup: Setup, step: Measure) -> tuple[Contribution, ...]:
    """Relative lines of the period of time marks."""
    if not isinstance(step.stimulus, TimeMarks):
        raise AnalysisError(f"a span is judged by time marks, not by {type(step.stimulus).__name__}.")
    return source_contributions(instrument_for(setup, step), step.stimulus)


def _transfer(setup: Setup, path: SignalPath) -> float:
    """1/ratio; a feed-through termination R also has the input in parallel: 2·Rin/(2·Rin + R) of a matched level."""
    if path.termination is None:
        return 1.0 / path.divides_by
    resistance = setup.unit.input.resistance
    return 2.0 * resistance / (2.0 * resistance + path.termination) / path.divides_by


def _path_lines(name: str, path: SignalPath) -> Iterator[Contribution]:
    label = path.label or name
    if path.tolerance:
        line = estimate.rectangular(f"division ratio of {label}", half_width=path.tolerance)
        yield replace(line, origin=label)
    if path.termination is not None and path.termination_tolerance:
        # A matched source on R(1 + t): 2(1 + t)/(2 + t) = 1 + t/2 to first order.
        line = estimate.rectangular(
            f"termination of {label}", half_width=path.termination_tolerance, value=path.termination, sensitivity=0.5
        )
        yield replace(line, origin=label)


def _point(stimulus: Stimulus) -> tuple[tuple[Function, ...], float | None, float | None, str]:
    """Functions whose accuracy serves, best first; level and frequency to look them up by; the words for a person."""
    match stimulus:
        case Dc(level_v=level):
            return ("dc",), abs(level), None, f"{show(level, 'V')} DC"
        case Square(level_vpp=level, frequency_hz=f) | FastEdge(level_vpp=level, frequency_hz=f):
            return ("square",), level, f, f"a square wave of {show(level, 'Vpp')} at {show(f, 'Hz')}"
        case Sine(level_vpp=level, frequency_hz=f):
            return ("sine",), level, f, f"a sine of {show(level, 'Vpp')} at {show(f, 'Hz')}"
        case TimeMarks(period_s=period):
            return ("period", "frequency"), None, 1.0 / period, f"time marks of {show(period, 's')}"
        case NoSignal():
            raise AnalysisError("no signal was applied, so there is no error to state.")
        case _:
            assert_never(stimulus)


def _line(instrument: Instrument, accuracy: Accuracy, *, value: float, unit: str) -> Contribution:
    width = accuracy.of_value * value + (accuracy.floor or 0.0)
    if accuracy.stated_as == "limits":
        line = estimate.rectangular(f"limits of {instrument.label}", half_width=width, value=value, unit=unit)
    else:
        line = estimate.expanded(f"certificate of {instrument.label}", expanded=width, value=value, unit=unit)
    return replace(line, origin=origin_of(instrument))
