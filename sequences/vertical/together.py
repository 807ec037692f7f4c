"""What several deflections say together: a straight line through them, and a divider's ratio.   [pure]

Equation numbers refer to docs/deflection.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.analysis.estimate import Budget, Contribution, coverage_factor
from harness.analysis.graticule import Length
from harness.analysis.joint import combined
from harness.analysis.line_fit import straight_line
from harness.errors import AnalysisError
from harness.words.language import tr

_FITS = 0.9973  # Φ(3) − Φ(−3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """The largest departure of a level from the straight line through all of one range."""

    at_v: float
    div: float
    u_div: float
    dof: float = math.inf

    @property
    def fits(self) -> bool:
        """Whether it is no more than three of its standard uncertainties, or Student's factor of that probability."""
        return abs(self.div) <= coverage_factor(_FITS, self.dof) * self.u_div


def linearity(
    applied_v: Sequence[float],
    readings_div: Sequence[float],
    *,
    volts_per_div: float,
    u_reading_div: float,
    dof: float = math.inf,
) -> Departure:
    """
    Fit a straight line to three or more levels of one range, and find the largest departure: equations (9) to (12).

    `u_reading_div` is the standard uncertainty of one reading, known with `dof` degrees of freedom, its error
    independent from level to level. Raises AnalysisError for too few levels, levels all alike, or readings without
    uncertainty.
    """
    if not u_reading_div > 0.0:
        raise AnalysisError("Linearity needs the standard uncertainty of a reading: it must be above zero.")
    d = np.asarray(applied_v, dtype=np.float64) / volts_per_div
    r = np.asarray(readings_div, dtype=np.float64)
    if d.ndim != 1 or d.shape != r.shape:
        raise AnalysisError(f"Linearity needs as many levels as readings, got {d.size} and {r.size}.")
    if d.size < 3:
        raise AnalysisError("Linearity without a known ground line needs at least three levels.")
    fit = straight_line(d, r, u_reading_div, scale_u=False)
    leverage = 1.0 / d.size + (d - d.mean()) ** 2 / float(((d - d.mean()) ** 2).sum())
    residual = r - fit.intercept - fit.slope * d
    spread = u_reading_div * np.sqrt(np.maximum(1.0 - leverage, 0.0))
    # A level that fixes the line has no departure of its own to show: only the others are compared.
    free = np.flatnonzero(spread > 1e-6 * u_reading_div)
    at = int(free[np.argmax(np.abs(residual[free]))])
    return Departure(at_v=float(applied_v[at]), div=float(residual[at]), u_div=float(spread[at]), dof=dof)


def probe_ratio(
    straight: Length,
    divided: Length,
    *,
    straight_v: float,
    divided_v: float,
    level_ratio: Sequence[Contribution] = (),
    quantity: str = "divider ratio",
) -> Budget:
    """
    Return the ratio of a divider probe from a straight and a divided reading on one range, equation (14).

    On one range the unit's own gain drops out. `level_ratio` holds the lines of the ratio of the two levels, relative;
    an accuracy common to both has none. Raises AnalysisError for a level or length of zero, or signs that disagree.
    """
    if not (straight_v and divided_v and straight.value_div / straight_v > 0.0 and divided.value_div / divided_v > 0.0):
        raise AnalysisError(f"{quantity}: both readings must go with levels other than zero, of the same polarity.")
    ratio = (divided_v / straight_v) * (straight.value_div / divided.value_div)
    readings = ((tr("straight"), straight, ratio), (tr("divided"), divided, -ratio))
    return Budget(
        quantity=quantity,
        unit="",
        estimate=ratio,
        contributions=(
            *(
                replace(line, name=f"{name}: {line.name}", sensitivity=line.sensitivity * by / length.value_div)
                for name, length, by in readings
                for line in length.contributions
            ),
            *(replace(line, sensitivity=line.sensitivity * ratio) for line in level_ratio),
        ),
    )


def mean_ratio(ratios: Sequence[Budget], *, quantity: str = "divider ratio") -> Budget:
    """Return the mean of ratios from several pairs, equation (15): their lines independent, each with its share."""
    if not ratios:
        raise AnalysisError(f"{quantity}: a mean needs at least one pair of readings.")
    share = 1.0 / len(ratios)
    pairs = [(share, replace(ratio, quantity=tr("pair {i}", i=i))) for i, ratio in enumerate(ratios, start=1)]
    return combined(pairs, quantity=quantity, unit=ratios[0].unit)
