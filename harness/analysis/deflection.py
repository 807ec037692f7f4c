"""Vertical deflection: the error of a point, gain and linearity, channel match, divider-probe ratio.

Errors are in percent, by the definition that the job chose. Equation numbers refer to docs/deflection.md.

References
----------
JCGM 100:2008, clauses 4 and 5. Two edges, each read to a resolution q, give a triangular ±q (JCGM 100:2008, 4.3.9).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

import numpy as np

from harness.analysis import estimate
from harness.analysis.estimate import Budget, Contribution
from harness.analysis.graticule import Edges, Length, Reader, mean_length
from harness.analysis.line_fit import straight_line
from harness.analysis.verdict import ErrorDefinition, relative_error
from harness.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Sequence

Zero: TypeAlias = Literal["set", "read", "both edges"]
_EDGES: Final[dict[Zero, Edges]] = {"set": "set and read", "read": "one", "both edges": "both read"}


def deflection_error(
    readings_div: Sequence[float],
    *,
    volts_per_div: float,
    applied_v: float,
    applied: Sequence[Contribution],
    reader: Reader,
    definition: ErrorDefinition,
    zero: Zero = "set",
    ground_div: Sequence[float] = (),
    repeats: int | None = None,
    record_u_div: float = 0.0,
    further: Sequence[Contribution] = (),
    quantity: str = "deflection error",
) -> Budget:
    """
    Return the error of one deflection point as a budget in percent.

    Parameters
    ----------
    readings_div
        Repeated readings, div; negative where the applied voltage is.
    volts_per_div
        The range under test, V/div.
    applied_v
        Voltage at the unit's input, V.
    applied
        Lines of the applied voltage: sensitivities take them to V at the unit's input.
    reader
        How divisions are read.
    definition
        Error as indication, or of the deflection factor.
    zero
        "set": the ground line was set on its line (a second edge, once); "read": `ground_div` was read and is
        subtracted; "both edges": a peak-to-peak reading.
    ground_div
        Readings of where the ground line stands, div from its place.
    repeats
        Number of repeats planned, where `readings_div` holds the one reading expected.
    record_u_div
        Standard uncertainty of one reading as its record shows it, div.
    further
        More lines, with sensitivities to percent.

    Raises
    ------
    AnalysisError
        Without a reading, without an applied voltage, or with a deflection of zero or of the wrong sign.

    References
    ----------
    Equations (1), (7) and (8).
    """
    if not volts_per_div > 0.0:
        raise AnalysisError(f"{quantity}: a deflection factor is above zero, not {volts_per_div:g} V/div.")
    length = mean_length(
        readings_div,
        reader,
        edges=_EDGES[zero],
        repeats=repeats,
        record_u_div=record_u_div,
    )
    if zero == "read":
        length = _less_ground(length, ground_div, reader)
    return length_error(
        length,
        per_div=volts_per_div,
        applied_value=applied_v,
        applied=applied,
        definition=definition,
        further=further,
        quantity=quantity,
    )


def length_error(
    length: Length,
    *,
    per_div: float,
    applied_value: float,
    applied: Sequence[Contribution],
    definition: ErrorDefinition,
    further: Sequence[Contribution] = (),
    quantity: str,
) -> Budget:
    """
    Return the relative error of a length times its factor against what was applied, in percent.

    Serves deflection (V/div, V) and time base (s/div, s) alike; `applied` holds lines with sensitivities to the applied
    value. Raises AnalysisError where length and applied value do not agree in sign.

    References
    ----------
    Equations (1), (7) and (8).
    """
    indicated = length.value_div * per_div
    if not (math.isfinite(applied_value) and applied_value != 0.0):
        raise AnalysisError(f"{quantity}: an error needs an applied value other than zero, not {applied_value:g}.")
    if not indicated / applied_value > 0.0:
        raise AnalysisError(
            f"{quantity}: a reading of {length.value_div:.4g} div does not go with the {applied_value:.4g} applied: "
            "check polarity, coupling and ground line."
        )
    # By either definition the error is a ratio less one, and a ratio changes by itself times the relative change.
    ratio = 1.0 + relative_error(indicated, applied_value, definition)
    sign = 1.0 if definition == "indication" else -1.0
    per_division = 100.0 * sign * ratio / length.value_div
    per_applied = -100.0 * sign * ratio / applied_value
    return Budget(
        quantity=quantity,
        unit="%",
        estimate=100.0 * relative_error(indicated, applied_value, definition),
        contributions=(
            *(replace(line, sensitivity=line.sensitivity * per_applied) for line in applied),
            *(replace(line, sensitivity=line.sensitivity * per_division) for line in length.contributions),
            *further,
        ),
    )


def _less_ground(length: Length, ground_div: Sequence[float], reader: Reader) -> Length:
    if not ground_div:
        raise AnalysisError(
            "The ground line was not read, so it cannot be subtracted: read it with the input grounded."
        )
    ground = mean_length(ground_div, reader, edges="one")
    lines = tuple(replace(line, name=f"ground line: {line.name}", sensitivity=-1.0) for line in ground.contributions)
    return Length(value_div=length.value_div - ground.value_div, contributions=(*length.contributions, *lines))


@dataclass(frozen=True, slots=True, kw_only=True)
class Linearity:
    """A straight line through several levels of one range.

    `gain_error` (percent, as the definition says) and `ground_line_div` are those of the line; `departure_div` is the
    largest departure of a level from it, at `departure_at_v`, with its standard uncertainty.
    """

    gain_error: float
    ground_line_div: float
    departure_div: float
    departure_at_v: float
    u_departure_div: float
    fits: bool


def linearity(
    applied_v: Sequence[float],
    readings_div: Sequence[float],
    *,
    volts_per_div: float,
    u_reading_div: float,
    definition: ErrorDefinition,
    through_ground: bool = False,
) -> Linearity:
    """
    Fit gain and ground line to several levels of one range, and find the largest departure.

    Parameters
    ----------
    applied_v, readings_div
        Levels at the unit's input and readings, shape (n,), n of 3 or more (2 with `through_ground`).
    volts_per_div
        The range, V/div.
    u_reading_div
        Standard uncertainty of one reading, independent from level to level, div.
    definition
        Definition of error for the gain.
    through_ground
        The ground line is known: the line goes through it.

    Returns
    -------
    The line; `fits` is False where the largest departure is more than 3 of its standard uncertainties.

    Raises
    ------
    AnalysisError
        Too few levels, all alike, or a reading without uncertainty.

    References
    ----------
    Equations (9), (11) and (12).
    """
    if not u_reading_div > 0.0:
        raise AnalysisError("Linearity needs the standard uncertainty of a reading: it must be above zero.")
    d = np.asarray(applied_v, dtype=np.float64) / volts_per_div
    r = np.asarray(readings_div, dtype=np.float64)
    if d.ndim != 1 or d.shape != r.shape:
        raise AnalysisError(f"Linearity needs as many levels as readings, got {d.size} and {r.size}.")
    if through_ground:
        if d.size < 2 or not np.any(d):
            raise AnalysisError("Linearity through the ground line needs at least two levels other than zero.")
        s_dd = float(d @ d)
        slope, offset = float(d @ r) / s_dd, 0.0
        leverage = d**2 / s_dd
    else:
        if d.size < 3:
            raise AnalysisError("Linearity without a known ground line needs at least three levels.")
        fit = straight_line(d, r, u_reading_div, scale_u=False)
        slope, offset = fit.slope, fit.intercept
        leverage = 1.0 / d.size + (d - d.mean()) ** 2 / float(((d - d.mean()) ** 2).sum())
    residual = r - offset - slope * d
    spread = u_reading_div * np.sqrt(np.maximum(1.0 - leverage, 0.0))
    # A level that fixes the line has no departure of its own to show: only the others are compared.
    free = np.flatnonzero(spread > 1e-6 * u_reading_div)
    at = int(free[np.argmax(np.abs(residual[free]))])
    return Linearity(
        gain_error=100.0 * relative_error(slope, 1.0, definition),
        ground_line_div=offset,
        departure_div=float(residual[at]),
        departure_at_v=float(applied_v[at]),
        u_departure_div=float(spread[at]),
        fits=bool(abs(residual[at]) <= 3.0 * spread[at]),
    )


def probe_ratio(
    straight: Length,
    divided: Length,
    *,
    straight_v: float,
    divided_v: float,
    straight_volts_per_div: float,
    divided_volts_per_div: float,
    level_ratio: Sequence[Contribution] = (),
    u_range_ratio: float = 0.0,
    quantity: str = "divider ratio",
) -> Budget:
    """
    Return the ratio of a divider probe from a straight and a divided reading.

    Parameters
    ----------
    straight, divided
        The two lengths, div.
    straight_v, divided_v
        The source's levels for them, V.
    straight_volts_per_div, divided_volts_per_div
        Ranges. On the same range the unit's own gain drops out; on corresponding ranges it drops out to within
        `u_range_ratio`.
    level_ratio
        Lines of the ratio of the two levels, relative (an accuracy common to both levels has none).
    u_range_ratio
        Relative standard uncertainty of the ratio of the two ranges' true factors; 0 on the same range.

    Returns
    -------
    A budget of the ratio, unit "".

    Raises
    ------
    AnalysisError
        A level or a length of zero, or of signs that do not agree.

    References
    ----------
    Equation (14).
    """
    shown_straight = straight.value_div * straight_volts_per_div
    shown_divided = divided.value_div * divided_volts_per_div
    if not (straight_v and divided_v and shown_straight / straight_v > 0.0 and shown_divided / divided_v > 0.0):
        raise AnalysisError(f"{quantity}: both readings must go with levels other than zero, of the same polarity.")
    ratio = (divided_v / straight_v) * (shown_straight / shown_divided)
    if straight_volts_per_div != divided_volts_per_div and not u_range_ratio > 0.0:
        raise AnalysisError(f"{quantity}: on two ranges the uncertainty of their ratio must be given.")
    lines = [
        *(
            replace(line, name=f"straight: {line.name}", sensitivity=line.sensitivity * ratio / straight.value_div)
            for line in straight.contributions
        ),
        *(
            replace(line, name=f"divided: {line.name}", sensitivity=-line.sensitivity * ratio / divided.value_div)
            for line in divided.contributions
        ),
        *(replace(line, sensitivity=line.sensitivity * ratio) for line in level_ratio),
    ]
    if u_range_ratio:
        lines.append(estimate.normal("ratio of the two ranges", u=u_range_ratio, sensitivity=ratio))
    return Budget(quantity=quantity, unit="", estimate=ratio, contributions=tuple(lines))


def mean_ratio(ratios: Sequence[Budget], *, quantity: str = "divider ratio") -> Budget:
    """Return the mean of ratios from several pairs, equation (15): their lines independent, each with its share."""
    if not ratios:
        raise AnalysisError(f"{quantity}: a mean needs at least one pair of readings.")
    n = len(ratios)
    return Budget(
        quantity=quantity,
        unit=ratios[0].unit,
        estimate=math.fsum(b.estimate for b in ratios) / n,
        contributions=tuple(
            replace(line, name=f"pair {i}: {line.name}", sensitivity=line.sensitivity / n)
            for i, budget in enumerate(ratios, start=1)
            for line in budget.contributions
        ),
    )
