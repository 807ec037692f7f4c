"""Rise time, overshoot and departure of the top: how they are read, and what is stated of them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from harness.analysis import estimate
from harness.analysis.estimate import Budget, Contribution
from harness.analysis.graticule import Length, mean_length
from harness.analysis.pulse import Pulse, measure_pulse
from harness.assess import (
    applied_at_input,
    instrument_for,
    origin_of,
    read_length,
    reader_along,
    record_u,
    values_of,
)
from harness.errors import AnalysisError
from harness.measurement import Quantity, Rating, Screenful
from harness.models import Calibrator, Generator, Setup, rated
from harness.steps import AMPLITUDE, Measure, Reading
from harness.words.language import tr
from sequences.pulse import Rated
from sequences.pulse.rise_time import SOURCE, remove_source
from sequences.reading import times, words
from sequences.time_base.span import time_factor_line

if TYPE_CHECKING:
    from harness.analysis.pulse import Edge
    from harness.measurement import Samples

# A rise time stated without uncertainty is a rated figure: it is taken to hold within a fifth either way.
RATED_RISE_TIME_SPREAD: Final = 0.2
NS_PER_S: Final = 1e9  # rise times are stated in ns, as errors are in percent


def rise_time_budget(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    _ground: Sequence[Reading] = (),
    repeats: int = 1,
) -> Budget:
    """Return the unit's own rise time in ns; the parameters are those of `deflection_budget`."""
    (edge_s, u_edge_s), (path_s, u_path_s) = _edge_rise_time(setup, step), _path_rise_time(setup, step)
    source_s = math.hypot(edge_s, path_s)
    label = setup.bench.path(step.path).label or step.path
    origin = origin_of(instrument_for(setup, step))
    s_per_div = step.view.s_per_div / step.view.magnifier
    nominal_s = step.expected or math.hypot(setup.unit.own_rise_time, source_s)
    length = read_time(setup, readings, planned_s=nominal_s, repeats=repeats, s_per_div=s_per_div)
    measured_s = length.value_div * s_per_div
    unit = remove_source(measured_s, source_s, u_source_rise_time_s=u_edge_s * edge_s / source_s)
    gain = measured_s / unit.rise_time_s
    path = estimate.normal(
        tr("rise time of {label}", label=label), u=u_path_s, sensitivity=-path_s / unit.rise_time_s, unit="s"
    )
    in_s = (
        *(replace(line, sensitivity=line.sensitivity * s_per_div * gain) for line in length.contributions),
        time_factor_line(setup.unit, step, sensitivity=measured_s * gain),
        *([replace(path, origin=label)] if path_s else []),
        *(replace(line, origin=origin) if line.name == SOURCE else line for line in unit.contributions),
    )
    return Budget(
        quantity=tr(
            "{quantity} of channel {channel}", quantity=tr(step.quantity.replace("_", " ")), channel=step.view.channel
        ),
        unit="ns",
        estimate=unit.rise_time_s * NS_PER_S,
        contributions=tuple(replace(line, sensitivity=line.sensitivity * NS_PER_S) for line in in_s),
    )


def read_time(setup: Setup, readings: Sequence[Reading], *, planned_s: float, repeats: int, s_per_div: float) -> Length:
    """A time between two places of a trace, each read with the reader's scatter, in div."""
    once = reader_along(setup.unit, "time")
    reader = replace(once, scatter_div=math.sqrt(2.0) * setup.unit.scatter)
    return read_length(reader, readings, planned=planned_s, repeats=repeats, in_one_div=s_per_div)


def aberration_budget(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    _ground: Sequence[Reading] = (),
    repeats: int = 1,
) -> Budget:
    """Return overshoot or departure of the top in percent; the parameters are those of `deflection_budget`."""
    amplitude_div = applied_at_input(setup, step) / step.view.volts_per_div
    if not amplitude_div > 0.0:
        raise AnalysisError(f"the {step.quantity.replace('_', ' ')} of a step without amplitude is not defined.")
    values = values_of(readings)
    length = mean_length(
        [value * amplitude_div for value in values] if values else [(step.expected or 0.0) * amplitude_div],
        reader_along(setup.unit),
        edges="both read",
        repeats=None if readings else repeats,
        record_u_div=record_u(readings) * amplitude_div,
    )
    per_div = 100.0 / amplitude_div
    return Budget(
        quantity=tr(
            "{quantity} of channel {channel}", quantity=tr(step.quantity.replace("_", " ")), channel=step.view.channel
        ),
        unit="%",
        estimate=length.value_div * per_div,
        contributions=(
            *(replace(line, sensitivity=line.sensitivity * per_div) for line in length.contributions),
            *_of_the_source(setup, step),
        ),
    )


def _of_the_source(setup: Setup, step: Measure) -> Iterator[Contribution]:
    """What the edge itself departs from a step by, which the unit's response may show whole."""
    source = instrument_for(setup, step)
    if isinstance(source, Calibrator | Generator) and source.edge_aberration:
        line = estimate.rectangular(tr("aberration of the edge"), half_width=source.edge_aberration, sensitivity=100.0)
        yield replace(line, origin=origin_of(source))


def _edge_rise_time(setup: Setup, step: Measure) -> tuple[float, float]:
    """Rise time of the source's edge, and its standard uncertainty."""
    instrument = instrument_for(setup, step)
    if not isinstance(instrument, Calibrator | Generator) or instrument.edge_rise_time is None:
        raise AnalysisError(
            f"{instrument.label}: the rise time of its edge is not stated, so the unit's own cannot be told from it. "
            "Add edge_rise_time to the bench file."
        )
    return _known(instrument.edge_rise_time, instrument.edge_rise_time_u)


def _path_rise_time(setup: Setup, step: Measure) -> tuple[float, float]:
    path = setup.bench.path(step.path)
    return _known(path.rise_time, path.rise_time_u)


def _known(rise_time_s: float, u_s: float | None) -> tuple[float, float]:
    return rise_time_s, RATED_RISE_TIME_SPREAD * rise_time_s / math.sqrt(3.0) if u_s is None else u_s


# --- from a record ------------------------------------------------------------------------------------------------


def read_rise(
    _step: Measure, volts: Samples, screen: Screenful, lsb: float | None, *, edge: Edge = "rising"
) -> Reading:
    """The time of an edge from 10 % to 90 %, or back."""
    pulse = measure_pulse(times(volts, screen), volts, edge=edge, lsb=lsb)
    return pulse_reading(pulse, pulse.rise_time_s, pulse.u_rise_time_s, screen)


def read_overshoot(
    _step: Measure, volts: Samples, screen: Screenful, lsb: float | None, *, edge: Edge = "rising"
) -> Reading:
    """How far an edge goes beyond where it ends."""
    pulse = measure_pulse(times(volts, screen), volts, edge=edge, lsb=lsb)
    return pulse_reading(pulse, pulse.overshoot, pulse.noise / pulse.amplitude, screen)


def _top(_step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    at = times(volts, screen)
    pulse = measure_pulse(at, volts, edge="rising", lsb=lsb)
    return pulse_reading(pulse, _departure(at, volts, pulse), pulse.noise / pulse.amplitude, screen)


def pulse_reading(pulse: Pulse, value: float, scatter: float | None, screen: Screenful) -> Reading:
    """What is read of an edge, with the edge's height and flags."""
    more = {AMPLITUDE: pulse.amplitude / screen.volts_per_div}
    return Reading(value=value, scatter=scatter, flags=words(pulse.flags), more=more)


def _departure(at: Samples, volts: Samples, pulse: Pulse) -> float:
    """Largest departure of the top from its level, from five rise times after the edge to where the top ends."""
    fraction = (volts - pulse.base) / pulse.amplitude
    settled = at >= pulse.t50_s + 5 * pulse.rise_time_s
    ends = np.flatnonzero(settled & (fraction < 0.9))
    top = fraction[: ends[0] if ends.size else None][settled[: ends[0] if ends.size else None]]
    if top.size < 4:
        raise AnalysisError("the record ends before the top has settled: use a slower sweep")
    return float(np.abs(top - 1).max())


RISE_TIME: Final = Quantity(
    name="rise_time",
    unit="s",
    axis="time",
    question="what is the rise time, 10 % to 90 %?",
    from_record=read_rise,
    own=lambda _step: ("rise_time", 1.0),
    rating=Rating(
        name="rise time",
        is_error=False,
        axis="time",
        tolerance=lambda unit, _step: unit.rise_time,
        budget=rise_time_budget,
        remedy="a faster source, or a finer reading",
    ),
)

OVERSHOOT: Final = Quantity(
    name="overshoot",
    unit="ratio",
    axis="none",
    question="how large is the overshoot, in % of the amplitude?",
    from_record=read_overshoot,
    own=lambda _step: ("overshoot", 100.0),
    rating=Rating(
        name="overshoot",
        is_error=False,
        axis="time",
        tolerance=lambda unit, _step: rated(unit, Rated).overshoot,
        budget=aberration_budget,
    ),
)

TOP_ABERRATION: Final = Quantity(
    name="top_aberration",
    unit="ratio",
    axis="none",
    question="how far does the top depart from flat, in % of the amplitude?",
    from_record=_top,
    signed=True,
    rating=Rating(
        name="top aberration",
        is_error=False,
        axis="time",
        tolerance=lambda unit, _step: rated(unit, Rated).top_aberration,
        budget=aberration_budget,
    ),
)
