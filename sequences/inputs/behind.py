"""What stands behind a known resistor: how it is read, and what is stated of it.

Equations are numbered as in docs/inputs.md.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from harness.analysis import estimate
from harness.analysis.estimate import Budget, Contribution
from harness.assess import applied_at_input, applied_sum_lines, true_level
from harness.errors import AnalysisError
from harness.measurement import Quantity, Rating
from harness.models import Setup, SignalPath, Unit, rated
from harness.quantities import round_to, show
from harness.steps import Measure, Square
from harness.words.language import tr
from sequences.comparing import Known, Readings, compared, length_of, scaled, unequal
from sequences.deflection import PEAK_TO_PEAK
from sequences.inputs import Rated
from sequences.pulse.parameters import RISE_TIME
from sequences.reading import edge_alone
from sequences.time_base.span import time_factor_line
from sequences.vertical import Rated as RatedDeflection

STRAIGHT: Final = ""  # the path of what is expected without the resistor: it divides by nothing
RISE_OF_TIME_CONSTANT: Final = math.log(9.0)
"""From 10 % to 90 % of an exponential, in time constants."""


def resistance_budget(
    setup: Setup,
    step: Measure,
    readings: Readings = (),
    _ground: Readings = (),
    repeats: int = 1,
    *,
    straight: Known | None = None,
) -> Budget:
    """Return how far the input's resistance is from its nominal, in percent: (17) and (18)."""
    straight = straight or _planned(setup, step, readings)
    path, nominal_ohm = setup.bench.path(step.path), setup.unit.input.resistance
    ratio, lines = _divided(setup, step, readings, straight, repeats)
    ohm = known_ohm(path) * ratio / (1.0 - ratio)
    per_unit = 100.0 * ohm / nominal_ohm
    return Budget(
        quantity=tr("{quantity} of channel {channel}", quantity=tr("input resistance"), channel=step.view.channel),
        unit="%",
        estimate=per_unit - 100.0,
        contributions=(
            *scaled(lines, per_unit / (1.0 - ratio)),
            *scaled(_resistor(step, path), per_unit),
        ),
    )


def capacitance_budget(
    setup: Setup,
    step: Measure,
    readings: Readings = (),
    _ground: Readings = (),
    repeats: int = 1,
    *,
    heights: tuple[Known, Known] | None = None,
) -> Budget:
    """Return how far the input's capacitance is from its nominal, in percent: (19) and (20).

    `heights` are those behind the resistor and straight; without them the input's resistance is its nominal one.
    """
    path, unit = setup.bench.path(step.path), setup.unit
    s_per_div = step.view.s_per_div / step.view.magnifier
    if readings and heights is None:
        raise AnalysisError("the heights with and without the resistor were not read: the time constant is of both.")
    ratio = unit.input.resistance / (unit.input.resistance + known_ohm(path))
    lines: tuple[Contribution, ...] = ()
    if heights is not None:
        behind, straight = heights
        ratio, lines = _divided(setup, behind.step, behind.readings, straight, repeats)
    length = length_of(setup, step, readings, repeats, in_one_div=s_per_div)
    rise_s = length.value_div * s_per_div
    whole_farad = rise_s / (RISE_OF_TIME_CONSTANT * known_ohm(path) * ratio)
    relative = (
        *scaled(length.contributions, 1.0 / length.value_div),
        time_factor_line(unit, step),
        *scaled((*lines, *_resistor(step, path)), -1.0),
    )
    per_unit = 100.0 / unit.input.capacitance
    holder = estimate.rectangular(
        tr("capacitance of the resistor's holder"), half_width=path.series_capacitance_within, unit="F"
    )
    return Budget(
        quantity=tr("{quantity} of channel {channel}", quantity=tr("input capacitance"), channel=step.view.channel),
        unit="%",
        estimate=per_unit * (whole_farad - path.series_capacitance) - 100.0,
        contributions=(*scaled(relative, per_unit * whole_farad), *scaled((holder,), per_unit)),
    )


def _planned(setup: Setup, step: Measure, readings: Readings) -> Known:
    """What is to be expected without the resistor, where there are no readings yet: the same height."""
    if readings:
        raise AnalysisError("the height without the resistor was not read.")
    path = setup.bench.path(step.path)
    factor = setup.unit.input.resistance / (setup.unit.input.resistance + known_ohm(path))
    frequency_hz = step.stimulus.rate_hz or 1e3
    wave = Square(level_vpp=round_to(step.stimulus.level * factor, 6), frequency_hz=frequency_hz)
    return Known(step=replace(step, path=STRAIGHT, stimulus=wave, purpose="straight"))


def _divided(
    setup: Setup, step: Measure, readings: Readings, straight: Known, repeats: int
) -> tuple[float, tuple[Contribution, ...]]:
    """How the resistor divides, of what was applied, and the lines of that, relative."""
    heights, lines = compared(setup, step, readings, straight, repeats)
    to_straight = setup.bench.path(straight.step.path).divides_by
    ratio = heights * true_level(setup, straight.step) / true_level(setup, step) / to_straight
    if not ratio < 1.0:
        raise AnalysisError("the resistor makes the trace no smaller: is it in the line?")
    at_input = [(step, applied_at_input(setup, step)), (straight.step, applied_at_input(setup, straight.step))]
    weights = [(each, sign / volts) for (each, volts), sign in zip(at_input, (-1.0, 1.0), strict=True)]
    source = applied_sum_lines(setup, weights)
    not_equal = unequal(heights, rated(setup.unit, RatedDeflection).deflection, tr("deflections"))
    return ratio, (*lines, *source, *not_equal)


def known_ohm(path: SignalPath) -> float:
    """The resistor in a path's line."""
    if path.series_resistance is None:
        raise AnalysisError(f"path {path.label!r} has no series_resistance in the bench file.")
    return path.series_resistance


def _resistor(step: Measure, path: SignalPath) -> tuple[Contribution, ...]:
    line = estimate.rectangular(
        tr("resistor of {path}", path=show(known_ohm(path), "Ω")),
        half_width=path.series_tolerance,
        value=known_ohm(path),
    )
    return (replace(line, origin=path.label or step.path),)


def resistance_within(unit: Unit) -> float | None:
    """What is rated of the input's resistance, as a ratio."""
    return rated(unit, Rated).input_resistance


def capacitance_within(unit: Unit) -> float | None:
    """What is rated of the input's capacitance, as a ratio of it."""
    within = rated(unit, Rated).input_capacitance
    return None if within is None else within / unit.input.capacitance


RESISTANCE: Final = Rating(
    name="resistance of the input",
    is_error=True,
    axis="none",
    tolerance=lambda unit, _step: resistance_within(unit),
    budget=resistance_budget,
    remedy="a better resistor (series_tolerance), or more repeats",
)


CAPACITANCE: Final = Rating(
    name="capacitance of the input",
    is_error=True,
    axis="none",
    tolerance=lambda unit, _step: capacitance_within(unit),
    budget=capacitance_budget,
    remedy="a holder that is better known (series_capacitance_within), or more repeats",
)

HEIGHT: Final[Quantity] = replace(PEAK_TO_PEAK, name="input_height", rating=RESISTANCE)
RISE: Final[Quantity] = replace(
    edge_alone(RISE_TIME),
    name="input_rise",
    question="what is the rise time of the rounded edge, 10 % to 90 %?",
    rating=CAPACITANCE,
)
QUANTITIES: Final = (HEIGHT, RISE)
