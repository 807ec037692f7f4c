"""From a step and its readings to the lines of a budget and its limits: what was applied, and how well.   [pure]

What is particular to a quantity stands with its rating, in `sequences/`, and in a user's own file; both build on this.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from harness.analysis import estimate
from harness.analysis.estimate import Budget, Contribution, Statement
from harness.analysis.graticule import Edges, Length, Reader, length_on_lines, mean_length
from harness.analysis.verdict import Limits, Verdict, decide_statement
from harness.errors import AnalysisError
from harness.measurement import Axis, quantity_of
from harness.models import Accuracy, Instrument, KnownError, Setup, SignalPath, Unit
from harness.quantities import show
from harness.steps import Measure, NoSignal, Reading, Stimulus, TimeMarks
from harness.words.language import tr
from harness.words.signals import describe

PER_RATIO: Final = {"%": 100.0, "ppm": 1e6}  # of an error


def budget_for(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    ground: Sequence[Reading] = (),
    *,
    repeats: int = 1,
) -> Budget:
    """
    Return the budget of any point by its quantity.

    Parameters
    ----------
    setup
        Bench, unit and job.
    step
        What was asked.
    readings
        Its reading and repeats; what was skipped or off the screen is passed over. Without any, the budget is the one
        to expect of a unit without error.
    ground
        Readings of the ground line, where one was read.
    repeats
        Number of readings planned, where there are none yet.

    Raises
    ------
    AnalysisError
        No reading among the readings, no accuracy for the stimulus, or a quantity that is not judged.
    """
    rating = quantity_of(step).rating
    if rating is None or rating.budget is None:
        raise AnalysisError(f"the {step.quantity.replace('_', ' ')} is read for other results, and not judged.")
    return rating.budget(setup, step, readings, ground, repeats)


def ideal(setup: Setup, step: Measure) -> float:
    """Return what an ideal unit shows: as the sequence expected it, moved by the known error of the source."""
    rating, level, expected = quantity_of(step).rating, step.stimulus.level, step.expected or 0.0
    if rating is None or not rating.is_error or not level:
        return expected
    return expected * true_period_ratio(setup, step) * (true_level(setup, step) / level)


def limits_for(setup: Setup, step: Measure) -> Limits:
    """Return the tolerance of a point in the unit of its budget; AnalysisError if none is rated."""
    quantity = quantity_of(step)
    rating = quantity.rating
    if rating is not None and rating.limits is not None and (own := rating.limits(setup.unit, step)) is not None:
        return own
    tolerance = None if rating is None or rating.tolerance is None else rating.tolerance(setup.unit, step)
    if rating is None or tolerance is None:
        wanted = step.quantity.replace("_", " ")
        raise AnalysisError(f"{setup.unit.model}: the unit file rates no {wanted}, so there is no verdict on it.")
    if rating.per_kelvin is not None:
        tolerance += rating.per_kelvin(setup.unit) * setup.unit.kelvin_outside(setup.job.environment.temperature)
    scale = PER_RATIO[rating.error_in] if rating.is_error and not rating.absolute else quantity.shown_in[0]
    return Limits.symmetric(scale * tolerance) if rating.is_error else Limits(high=scale * tolerance)


def rated_limits(setup: Setup, step: Measure) -> Limits | None:
    """The same; None where none is rated: the point is read and reported, and not judged."""
    try:
        return limits_for(setup, step)
    except AnalysisError:
        return None


def judge(
    setup: Setup, step: Measure, readings: Sequence[Reading], ground: Sequence[Reading] = ()
) -> tuple[Statement, Verdict]:
    """What readings of a point state by themselves, and the word on it; AnalysisError where they cannot be judged."""
    limits = limits_for(setup, step)
    budget = budget_for(setup, step, readings, ground)
    statement = estimate.state(budget, setup.job.coverage)
    return statement, decide_statement(statement, limits, setup.job.rule, budget=budget)


def values_of(readings: Sequence[Reading]) -> list[float]:
    """The values of what was read; AnalysisError where there are readings, and none of them has one."""
    values = [r.value for r in readings if r.status == "read" and r.value is not None]
    if readings and not values:
        raise AnalysisError("none of the readings of this point has a value: they were skipped or off the screen.")
    return values


def record_u(readings: Sequence[Reading]) -> float:
    """The largest standard uncertainty that the records themselves show."""
    return max((r.scatter or 0.0 for r in readings if r.status == "read"), default=0.0)


def reader_along(unit: Unit, axis: Axis = "level") -> Reader:
    """How divisions of the unit are read."""
    return Reader(resolution_div=unit.time_resolution if axis == "time" else unit.resolution, scatter_div=unit.scatter)


def read_length(
    reader: Reader,
    readings: Sequence[Reading],
    *,
    planned: float,
    repeats: int,
    edges: Edges = "both read",
    in_one_div: float = 1.0,
) -> Length:
    """The mean of what was read, or of what is planned where nothing is read yet, in div; of one, `in_one_div`.

    Raises
    ------
    AnalysisError
        Readings of which none has a value.
    """
    return mean_length(
        [value / in_one_div for value in values_of(readings) or [planned]],
        reader,
        edges=edges,
        repeats=None if readings else repeats,
        record_u_div=record_u(readings) / in_one_div,
    )


# --- what a person turned until the trace was on its lines ---------------------------------------------------------


def said_by(step: Measure, readings: Sequence[Reading]) -> list[float]:
    """What the source said at each reading that was brought onto its lines."""
    says = step.said_when_tuned
    return [] if says is None else [r.more[says[0]] for r in readings if r.status == "read" and says[0] in r.more]


def as_applied(step: Measure, readings: Sequence[Reading]) -> Measure:
    """The step with what is known after its readings in place of what was set: what the source said when it had been
    turned, and what the counter said of a wave that serves as time marks; of several readings the mean."""
    stimulus, rating = step.stimulus, quantity_of(step).rating
    serves_as_marks = step.source != "unit"  # what its own output gives is in question, and not known
    of_time = serves_as_marks and rating is not None and rating.is_error and rating.axis == "time"
    if of_time and stimulus.rate_hz and not isinstance(stimulus, TimeMarks):
        counted = [reading.frequency_hz for reading in readings if reading.frequency_hz]
        known_hz = math.fsum(counted) / len(counted) if counted else stimulus.rate_hz
        return replace(
            step,
            source="counter" if step.with_counter else step.source,
            stimulus=TimeMarks(period_s=1.0 / known_hz, level_vpp=stimulus.level),
            expected=None if step.expected is None else step.expected * stimulus.rate_hz / known_hz,
        )
    if not (said := said_by(step, readings)):
        return step
    mean = math.fsum(said) / len(said)
    name = next(each for each in ("period_s", "level_v", "level_vpp") if hasattr(stimulus, each))
    expected = None if step.expected is None else step.expected * mean / step.said_nominally
    turned: Stimulus = replace(stimulus, **{name: mean})  # type: ignore[arg-type]  # one of its own, by name
    return replace(step, stimulus=turned, expected=expected)


def on_lines(setup: Setup, step: Measure, readings: Sequence[Reading]) -> Length | None:
    """The length of a step that is met by turning its source; None where it is read instead.

    Of several settings each counts by what the source said then, against the mean that `as_applied` has.
    """
    said = said_by(step, readings)
    if step.said_when_tuned is None or (readings and not said):
        return None
    target_div = abs(step.tune_to_div or 0.0)
    applied = said or [step.said_nominally]
    mean = math.fsum(applied) / len(applied)
    digits = getattr(instrument_for(setup, step), "level_digits", 9)
    last = 10.0 ** (math.floor(math.log10(abs(mean))) - digits + 1)
    return length_on_lines([target_div * mean / each for each in applied], step_div=target_div * last / abs(mean))


# --- what was applied ------------------------------------------------------------------------------------------------


def instrument_for(setup: Setup, step: Measure) -> Instrument:
    """The instrument in the step's source role; AnalysisError if the bench has none."""
    instrument = getattr(setup.bench, step.source)
    if not isinstance(instrument, Instrument):
        raise AnalysisError(f"bench {setup.bench.name!r} has no {step.source}, but the run used one.")
    return instrument


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
    value, unit = (1.0, "") if isinstance(stimulus, TimeMarks) else (abs(stimulus.level), "V")
    return tuple(_line(instrument, each, value=value, unit=unit) for each in _holding(instrument, stimulus))


def _holding(instrument: Instrument, stimulus: Stimulus) -> list[Accuracy]:
    """The first line of the limits, and of the certificate, that hold for a signal; AnalysisError if none does."""
    if isinstance(stimulus, NoSignal):
        raise AnalysisError("no signal was applied, so there is no error to state.")
    first = {
        line.stated_as: line for line in reversed(instrument.accuracy) if line.db is None and _holds(line, stimulus)
    }
    if not first:
        raise AnalysisError(
            f"{instrument.label}: no accuracy is stated for {describe(stimulus)}. Add an accuracy line with "
            f"function = {stimulus.accuracies[0]!r} that covers it to the bench file."
        )
    return [first[kind] for kind in ("limits", "expanded") if kind in first]


def _holds(line: Accuracy | KnownError, stimulus: Stimulus) -> bool:
    """Whether a line is of this signal; the level of time marks is nobody's concern."""
    level = None if isinstance(stimulus, TimeMarks) else abs(stimulus.level)
    return line.function in stimulus.accuracies and line.covers(level=level, frequency_hz=stimulus.rate_hz)


def origin_of(instrument: Instrument) -> str:
    """What the errors of a standard come from: it, with the certificate that states them."""
    return f"{instrument.label}, {instrument.certificate or ''}"


def true_level(setup: Setup, step: Measure) -> float:
    """What the source put out by all that is known of it: the level it was set to, and its known error there."""
    level = step.stimulus.level
    if not level or isinstance(step.stimulus, TimeMarks):
        return level
    error = _known_error(setup, step)
    return level if error is None else level * (1.0 + error.of_value) + math.copysign(1.0, level) * (error.floor or 0.0)


def true_period_ratio(setup: Setup, step: Measure) -> float:
    """The period of time marks over what was set, by the known error of the source; 1 for any other stimulus."""
    if not isinstance(step.stimulus, TimeMarks):
        return 1.0
    error = _known_error(setup, step)
    if error is None:
        return 1.0
    return 1.0 + error.of_value if error.function == "period" else 1.0 / (1.0 + error.of_value)


def _known_error(setup: Setup, step: Measure) -> KnownError | None:
    """The first line that holds there; a line of the limits holds by what was set, so this one does too."""
    instrument, functions = getattr(setup.bench, step.source), step.stimulus.accuracies
    holding = [line for line in instrument.known_error if _holds(line, step.stimulus)] if instrument else []
    return min(holding, key=lambda line: functions.index(line.function), default=None)


def applied_at_input(setup: Setup, step: Measure) -> float:
    """Voltage at the unit's input (V, or peak to peak): what the source gave, divided by its path, loaded."""
    return true_level(setup, step) * _transfer(setup, step.path)


def applied_lines(setup: Setup, step: Measure) -> tuple[Contribution, ...]:
    """Budget lines of the applied voltage, with sensitivities to V at the unit's input."""
    path = setup.bench.path(step.path)
    transfer = _transfer(setup, step.path)
    source = source_contributions(instrument_for(setup, step), step.stimulus)
    at_input = true_level(setup, step) * transfer
    return (
        *(replace(line, sensitivity=transfer) for line in source),
        *(replace(line, sensitivity=line.sensitivity * at_input) for line in _path_lines(step.path, path)),
    )


def applied_sum_lines(setup: Setup, weighted: Sequence[tuple[Measure, float]]) -> tuple[Contribution, ...]:
    """Budget lines of a weighted sum of applied voltages, with sensitivities to V at the unit's input.

    What a line of the specification gives in proportion to the value is one error of all levels that it holds for, and
    so is the path's; its fixed part is each level's own. What is read with the input grounded has no error.
    """
    common: dict[tuple[str, Accuracy], float] = {}
    paths: dict[str, float] = {}
    lines = []
    for step, weight in weighted:
        if isinstance(step.stimulus, NoSignal):
            continue
        instrument, at_input = instrument_for(setup, step), applied_at_input(setup, step)
        transfer = _transfer(setup, step.path)
        for each in _holding(instrument, step.stimulus):
            common[step.source, each] = common.get((step.source, each), 0.0) + weight * at_input
            fixed = _line(instrument, each, value=0.0, unit="V")
            name = tr(
                "{fixed_name}, fixed part at {level}", fixed_name=fixed.name, level=show(step.stimulus.level, "V")
            )
            lines += [replace(fixed, name=name, sensitivity=weight * transfer)] if fixed.u else []
        paths[step.path] = paths.get(step.path, 0.0) + weight * at_input
    for (source, each), factor in common.items():
        proportional = Accuracy.model_validate({**each.model_dump(), "floor": None}, context={"si": True})
        line = _line(getattr(setup.bench, source), proportional, value=1.0, unit="")
        lines += [replace(line, name=tr("{line}, in proportion", line=line.name), sensitivity=factor)] if line.u else []
    for name, factor in paths.items():
        lines += [
            replace(line, sensitivity=line.sensitivity * factor) for line in _path_lines(name, setup.bench.path(name))
        ]
    return tuple(lines)


def period_lines(setup: Setup, step: Measure) -> tuple[Contribution, ...]:
    """Relative lines of the period of time marks."""
    if not isinstance(step.stimulus, TimeMarks):
        raise AnalysisError(f"a span is judged by time marks, not by {type(step.stimulus).__name__}.")
    return source_contributions(instrument_for(setup, step), step.stimulus)


def _transfer(setup: Setup, name: str) -> float:
    """1/ratio; a feed-through termination R also has the input in parallel: 2·Rin/(2·Rin + R) of a matched level."""
    path, resistance = setup.bench.path(name), setup.unit.input.resistance
    ended = 1.0 if path.termination is None else 2.0 * resistance / (2.0 * resistance + path.termination)
    return ended / setup.divides_by(name)


def _path_lines(name: str, path: SignalPath) -> Iterator[Contribution]:
    label = path.label or name
    if path.tolerance:
        line = estimate.rectangular(tr("division ratio of {label}", label=label), half_width=path.tolerance)
        yield replace(line, origin=label)
    if path.termination is not None and path.termination_tolerance:
        # A matched source on R(1 + t): 2(1 + t)/(2 + t) = 1 + t/2 to first order.
        line = estimate.rectangular(
            tr("termination of {label}", label=label),
            half_width=path.termination_tolerance,
            value=path.termination,
            sensitivity=0.5,
        )
        yield replace(line, origin=label)


def _line(instrument: Instrument, accuracy: Accuracy, *, value: float, unit: str) -> Contribution:
    width = accuracy.of_value * value + (accuracy.floor or 0.0)
    if accuracy.stated_as == "limits":
        line = estimate.rectangular(
            tr("limits of {label}", label=instrument.label), half_width=width, value=value, unit=unit
        )
    else:
        line = estimate.expanded(
            tr("certificate of {label}", label=instrument.label), expanded=width, value=value, unit=unit
        )
    return replace(line, origin=origin_of(instrument))
