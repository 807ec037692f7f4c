"""From a measured point to its budget and its limits; without readings, the budget to expect beforehand.   [pure]"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from harness.analysis import estimate
from harness.analysis.deflection import Zero, deflection_error
from harness.analysis.estimate import Budget
from harness.analysis.graticule import Reader, mean_length
from harness.analysis.rise_time import remove_source
from harness.analysis.time_base import time_base_error
from harness.analysis.verdict import Limits
from harness.assess.sources import (
    applied_at_input,
    applied_lines,
    instrument_for,
    level_of,
    path_of,
    period_lines,
    true_level,
    true_period_ratio,
)
from harness.errors import AnalysisError
from harness.models import Calibrator, Generator, Setup
from harness.quantities import show
from harness.steps import Measure, Quantity, Reading

# A rise time stated without uncertainty is a rated figure: it is taken to hold within a fifth either way.
RATED_RISE_TIME_SPREAD = 0.2


_NS_PER_S = 1e9  # rise times are stated in ns, as errors are in percent


def deflection_budget(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    ground: Sequence[Reading] = (),
    *,
    repeats: int = 1,
) -> Budget:
    """
    Return the error of a deflection point in percent, by the job's definition of error.

    Parameters
    ----------
    setup
        Bench, unit and job.
    step
        A `Measure` of "deflection" or "peak_to_peak".
    readings
        Its reading and repeats; what was skipped or off the screen is passed over. Without any, the budget is the one
        to expect of a unit without error.
    ground
        Readings of the ground line of a remote unit, "deflection" with no signal.
    repeats
        Number of readings planned, where there are none yet.

    Raises
    ------
    AnalysisError
        No reading among the readings, no accuracy for the stimulus, or a remote unit's ground line not read.
    """
    applied_v = applied_at_input(setup, step)
    values = _values(readings)
    nominal = not readings
    zero: Zero = "both edges"
    if step.quantity == "deflection":
        zero = "read" if setup.unit.read == "remote" else "set"
    elif step.quantity != "peak_to_peak":
        raise AnalysisError(f"a {step.quantity} is no deflection.")
    return deflection_error(
        values if values else [applied_v / step.view.volts_per_div],
        volts_per_div=step.view.volts_per_div,
        applied_v=applied_v,
        applied=applied_lines(setup, step),
        reader=Reader(resolution_div=setup.unit.resolution, scatter_div=setup.unit.scatter),
        definition=setup.job.error,
        zero=zero,
        ground_div=_values(ground) if ground or not nominal else [0.0],
        repeats=repeats if nominal else None,
        record_u_div=_record_u(readings),
        quantity=f"deflection error of {_place(step)}",
    )


def time_base_budget(setup: Setup, step: Measure, readings: Sequence[Reading] = (), *, repeats: int = 1) -> Budget:
    """Return the error of a time factor in percent; the parameters are those of `deflection_budget`."""
    if step.expected is None:
        raise AnalysisError("a span without the span expected cannot be judged.")
    values = _values(readings)
    expected_div = ideal(setup, step)
    return time_base_error(
        values if values else [expected_div],
        expected_div=expected_div,
        period=period_lines(setup, step),
        reader=Reader(resolution_div=setup.unit.time_resolution, scatter_div=setup.unit.scatter),
        definition=setup.job.error,
        repeats=None if readings else repeats,
        record_u_div=_record_u(readings),
        both_read=setup.unit.read == "remote",
        quantity=f"time factor error of {show(step.view.s_per_div, 's')}/div"
        + (f" ×{step.view.magnifier:g}" if step.view.magnifier != 1.0 else ""),
    )


def pulse_budget(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    *,
    repeats: int = 1,
    u_time_factor: float | None = None,
) -> Budget:
    """
    Return a pulse parameter: the unit's own rise time in ns, or overshoot or aberration of the top in percent.

    Parameters
    ----------
    setup, step, readings, repeats
        As for `deflection_budget`; the quantity says which parameter.
    u_time_factor
        Relative standard uncertainty of the time factor in use, where it has been measured; else the unit's tolerance
        of it counts, as limits.
    """
    match step.quantity:
        case "rise_time":
            return _rise_time(setup, step, readings, u_time_factor, repeats=repeats)
        case "overshoot" | "top_aberration":
            return _aberration(setup, step, readings, repeats=repeats)
        case _:
            raise AnalysisError(f"a {step.quantity} is no pulse parameter.")


def budget_for(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    ground: Sequence[Reading] = (),
    *,
    repeats: int = 1,
) -> Budget:
    """Return the budget of any point by its quantity; the parameters are those of `deflection_budget`."""
    match step.quantity:
        case "span":
            return time_base_budget(setup, step, readings, repeats=repeats)
        case "deflection" | "peak_to_peak":
            return deflection_budget(setup, step, readings, ground, repeats=repeats)
        case _:
            return pulse_budget(setup, step, readings, repeats=repeats)


def ideal(setup: Setup, step: Measure) -> float:
    """Return what an ideal unit shows: as the sequence expected it, moved by the known error of the source."""
    match step.quantity:
        case "span":
            return (step.expected or 0.0) * true_period_ratio(setup, step)
        case "deflection" | "peak_to_peak" if level_of(step.stimulus):
            return (step.expected or 0.0) * (true_level(setup, step) / level_of(step.stimulus))
        case _:
            return step.expected or 0.0


def limits_for(setup: Setup, step: Measure) -> Limits:
    """Return the tolerance of a point in the unit of its budget (`limits_unit`); AnalysisError if none is rated."""
    rated = setup.unit.tolerance
    match step.quantity:
        case "deflection" | "peak_to_peak":
            return Limits.symmetric(100.0 * rated.deflection)
        case "span":
            return Limits.symmetric(100.0 * _time_tolerance(setup, step))
        case "rise_time":
            limit = None if setup.unit.rise_time is None else setup.unit.rise_time * _NS_PER_S
        case "overshoot":
            limit = None if rated.overshoot is None else 100.0 * rated.overshoot
        case "top_aberration":
            limit = None if rated.top_aberration is None else 100.0 * rated.top_aberration
        case _:
            limit = None
    if limit is None:
        wanted = step.quantity.replace("_", " ")
        raise AnalysisError(f"{setup.unit.model}: the unit file rates no {wanted}, so there is no verdict on it.")
    return Limits(high=limit)


def limits_unit(quantity: Quantity) -> str:
    """The unit of a quantity's budget and limits."""
    return "ns" if quantity == "rise_time" else "%"


def _rise_time(
    setup: Setup, step: Measure, readings: Sequence[Reading], u_time_factor: float | None, *, repeats: int
) -> Budget:
    source_s, u_source_s = _source_rise_time(setup, step)
    values = _values(readings)
    s_per_div = step.view.s_per_div / step.view.magnifier
    nominal_s = step.expected or math.hypot(_rated_rise_time(setup), source_s)
    length = mean_length(
        [value / s_per_div for value in values] if values else [nominal_s / s_per_div],
        Reader(resolution_div=setup.unit.time_resolution, scatter_div=math.sqrt(2.0) * setup.unit.scatter),
        edges="both read",
        repeats=None if readings else repeats,
        record_u_div=_record_u(readings) / s_per_div,
    )
    measured_s = length.value_div * s_per_div
    unit = remove_source(measured_s, source_s, u_source_rise_time_s=u_source_s)
    gain = measured_s / unit.rise_time_s
    time_factor = (
        estimate.rectangular("time factor within its tolerance", half_width=_time_tolerance(setup, step))
        if u_time_factor is None
        else estimate.normal("time factor as measured", u=u_time_factor)
    )
    in_s = (
        *(replace(line, sensitivity=line.sensitivity * s_per_div * gain) for line in length.contributions),
        replace(time_factor, sensitivity=measured_s * gain),
        *(line for line in unit.contributions if line.name != "rise time measured"),
    )
    return Budget(
        quantity=f"rise time of channel {step.view.channel}",
        unit="ns",
        estimate=unit.rise_time_s * _NS_PER_S,
        contributions=tuple(replace(line, sensitivity=line.sensitivity * _NS_PER_S) for line in in_s),
    )


def _aberration(setup: Setup, step: Measure, readings: Sequence[Reading], *, repeats: int) -> Budget:
    amplitude_div = applied_at_input(setup, step) / step.view.volts_per_div
    if not amplitude_div > 0.0:
        raise AnalysisError(f"the {step.quantity.replace('_', ' ')} of a step without amplitude is not defined.")
    values = _values(readings)
    length = mean_length(
        [value * amplitude_div for value in values] if values else [(step.expected or 0.0) * amplitude_div],
        Reader(resolution_div=setup.unit.resolution, scatter_div=setup.unit.scatter),
        edges="both read",
        repeats=None if readings else repeats,
        record_u_div=_record_u(readings) * amplitude_div,
    )
    per_div = 100.0 / amplitude_div
    return Budget(
        quantity=f"{step.quantity.replace('_', ' ')} of channel {step.view.channel}",
        unit="%",
        estimate=length.value_div * per_div,
        contributions=tuple(replace(line, sensitivity=line.sensitivity * per_div) for line in length.contributions),
    )


def _source_rise_time(setup: Setup, step: Measure) -> tuple[float, float]:
    """Rise time of source and path together, and its standard uncertainty."""
    instrument = instrument_for(setup, step)
    if not isinstance(instrument, Calibrator | Generator) or instrument.edge_rise_time is None:
        raise AnalysisError(
            f"{instrument.label}: the rise time of its edge is not stated, so the unit's own cannot be told from it. "
            "Add edge_rise_time to the bench file."
        )
    edge_s = instrument.edge_rise_time
    u_edge_s = instrument.edge_rise_time_u
    if u_edge_s is None:
        u_edge_s = RATED_RISE_TIME_SPREAD * edge_s / math.sqrt(3.0)
    whole_s = math.hypot(edge_s, path_of(setup, step).rise_time)
    return whole_s, u_edge_s * edge_s / whole_s


def _rated_rise_time(setup: Setup) -> float:
    return setup.unit.rise_time or 0.35 / setup.unit.bandwidth


def _time_tolerance(setup: Setup, step: Measure) -> float:
    rated = setup.unit.tolerance
    return rated.time_magnified if step.view.magnifier != 1.0 and rated.time_magnified is not None else rated.time


def _values(readings: Sequence[Reading]) -> list[float]:
    values = [r.value for r in readings if r.status == "read" and r.value is not None]
    if readings and not values:
        raise AnalysisError("none of the readings of this point has a value: they were skipped or off the screen.")
    return values


def _record_u(readings: Sequence[Reading]) -> float:
    return max((r.scatter or 0.0 for r in readings if r.status == "read"), default=0.0)


def _place(step: Measure) -> str:
    return f"channel {step.view.channel}, {show(step.view.volts_per_div, 'V')}/div"
