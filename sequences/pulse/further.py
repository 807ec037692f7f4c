"""The falling edge, the time until the top has settled, and its sag: how they are read, and what is stated of them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from harness.analysis import estimate
from harness.analysis.estimate import Budget
from harness.analysis.pulse import crossings_s, measure_pulse
from harness.errors import AnalysisError
from harness.measurement import Quantity, Rating, Screenful
from harness.models import Setup, Unit, rated
from harness.quantities import show
from harness.steps import AMPLITUDE, Measure, Reading
from harness.words.language import tr
from sequences.pulse import BANDS, Rated
from sequences.pulse.parameters import (
    NS_PER_S,
    OVERSHOOT,
    RISE_TIME,
    aberration_budget,
    pulse_reading,
    read_overshoot,
    read_rise,
    read_time,
)
from sequences.reading import times
from sequences.time_base.span import TIME_FACTOR, time_tolerance

if TYPE_CHECKING:
    from harness.measurement import Samples

_END: Final = 0.15  # of the top: its last part is where it ends
_EDGES_AWAY: Final = 0.05  # of a half period at either end: what the edge itself does there is no sag


# --- the falling edge ---------------------------------------------------------------------------------------------


assert RISE_TIME.rating is not None
assert OVERSHOOT.rating is not None
FALL_TIME: Final = replace(
    RISE_TIME,
    name="fall_time",
    question="what is the fall time, 90 % to 10 %?",
    from_record=partial(read_rise, edge="falling"),
    own=None,
    rating=replace(RISE_TIME.rating, name="fall time"),
)
UNDERSHOOT: Final = replace(
    OVERSHOOT,
    name="undershoot",
    question="how far below its base, in % of the amplitude?",
    from_record=partial(read_overshoot, edge="falling"),
    own=None,
    rating=replace(OVERSHOOT.rating, name="overshoot of the falling edge"),
)


# --- settling -----------------------------------------------------------------------------------------------------


def settling_budget(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    _ground: Sequence[Reading] = (),
    repeats: int = 1,
) -> Budget:
    """
    Return the settling time in ns, of the unit with its source; the parameters are those of `deflection_budget`.

    References
    ----------
    docs/waveforms.md, equations (38) and (39).
    """
    unit, s_per_div = setup.unit, step.view.s_per_div / step.view.magnifier
    nominal_s = (rated(unit, Rated).settling_time or s_per_div) / 2
    length = read_time(setup, readings, planned_s=nominal_s, repeats=repeats, s_per_div=s_per_div)
    factor = estimate.rectangular(TIME_FACTOR, half_width=time_tolerance(unit, step) * length.value_div, unit="div")
    to_ns = s_per_div * NS_PER_S
    return Budget(
        quantity=tr("{quantity} of channel {channel}", quantity=tr("settling time"), channel=step.view.channel),
        unit="ns",
        estimate=length.value_div * to_ns,
        contributions=tuple(replace(line, sensitivity=to_ns) for line in (*length.contributions, factor)),
    )


def _settled(band: float) -> Callable[[Measure, Samples, Screenful, float | None], Reading]:
    def read(_step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
        at = times(volts, screen)
        pulse = measure_pulse(at, volts, edge="rising", lsb=lsb)
        since, top = _top(at - pulse.t50_s, (volts - pulse.base) / pulse.amplitude)
        smooth = max(1, int(pulse.rise_time_s / 2 / screen.interval_s))
        even = np.convolve(top, np.ones(smooth) / smooth, mode="valid")
        since = since[(smooth - 1) // 2 :][: even.size]
        ends = even[-max(4, int(_END * even.size)) :]
        away = np.abs(even - ends.mean())
        u_level = float(ends.std(ddof=1)) + pulse.noise / pulse.amplitude / math.sqrt(smooth)
        found = [_last(since, away, width) for width in (band - u_level, band, band + u_level)]
        scatter = max((found[0] - found[2]) / 2, screen.interval_s / math.sqrt(12.0))
        return pulse_reading(pulse, found[1], scatter, screen)

    return read


def _top(since: Samples, fraction: Samples) -> tuple[Samples, Samples]:
    """The top from the middle of its edge to where it ends."""
    after = np.flatnonzero(since >= 0.0)
    down = after[(fraction[after] < 0.4) & (since[after] > 0.0)]
    stop = down[0] - 1 if down.size else fraction.size
    if stop - after[0] < 16:
        raise AnalysisError("the record ends before the top has settled: use a slower sweep")
    return since[after[0] : stop], fraction[after[0] : stop]


def _last(since: Samples, away: Samples, width: float) -> float:
    """When it is outside for the last time."""
    outside = np.flatnonzero(away > max(width, 0.0))
    return float(since[outside[-1]]) if outside.size else 0.0


SETTLING_RATING: Final = Rating(
    name="settling time",
    is_error=False,
    axis="time",
    tolerance=lambda unit, _step: rated(unit, Rated).settling_time,
    budget=settling_budget,
    remedy="a finer reading",
)

SETTLING: Final = tuple(
    Quantity(
        name=f"settling_to_{round(1e4 * band)}",
        unit="s",
        axis="time",
        question=f"how long from mid-edge to within ±{100 * band:g} % for good?",
        from_record=_settled(band),
        rating=SETTLING_RATING,
    )
    for band in BANDS
)


def settling_of(unit: Unit) -> Quantity:
    """The settling within the band that the unit file has."""
    band = rated(unit, Rated).band
    return next(quantity for quantity, known in zip(SETTLING, BANDS, strict=True) if math.isclose(known, band))


# --- sag ----------------------------------------------------------------------------------------------------------


def _sag(step: Measure, volts: Samples, screen: Screenful, _lsb: float | None) -> Reading:
    """The slope of the top over a half period, of the amplitude in the middle; equation (40)."""
    at = times(volts, screen)
    middle = (float(volts.min()) + float(volts.max())) / 2
    edges, half_s = crossings_s(at, volts, middle), 0.5 / (step.stimulus.rate_hz or 1.0)
    rises = [edge for edge in edges if np.interp(edge + half_s / 2, at, volts) > middle and edge + half_s <= at[-1]]
    falls = [edge for edge in edges if np.interp(edge + half_s / 2, at, volts) < middle and edge + half_s <= at[-1]]
    if not rises or not falls:
        raise AnalysisError(
            f"the record holds no whole period of the square wave of {show(0.5 / half_s, 'Hz')}: use a slower sweep"
        )
    (top, slope, u_slope), (base, *_) = (_line(at, volts, each[0], half_s) for each in (rises, falls))
    amplitude = top - base
    return Reading(
        value=abs(slope) / amplitude,
        scatter=u_slope / amplitude,
        more={AMPLITUDE: amplitude / screen.volts_per_div},
    )


def _line(at: Samples, volts: Samples, start_s: float, half_s: float) -> tuple[float, float, float]:
    """A straight line through a state: its middle, what it rises over the half period, and the u of that."""
    inside = (at >= start_s + _EDGES_AWAY * half_s) & (at <= start_s + (1 - _EDGES_AWAY) * half_s)
    x = (at[inside] - start_s) / half_s - 0.5
    if x.size < 8:
        raise AnalysisError("the top of the square wave has too few samples: use a slower sweep")
    rise, level = np.polyfit(x, volts[inside], 1)
    rest = volts[inside] - level - rise * x
    u = math.sqrt(float(rest @ rest) / (x.size - 2) / float(x @ x))
    return float(level), float(rise), u


SAG: Final = Quantity(
    name="sag",
    unit="ratio",
    axis="none",
    question="how far does the top slope, in % of the amplitude?",
    from_record=_sag,
    rating=Rating(
        name="sag",
        is_error=False,
        axis="time",
        tolerance=lambda unit, _step: rated(unit, Rated).sag,
        budget=aberration_budget,
        remedy="a finer reading",
    ),
)
