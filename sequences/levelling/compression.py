"""What a gain that changes with the deflection makes of a ratio of two deflections.

Equations are numbered as in docs/levels.md.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from harness.analysis.estimate import rectangular
from harness.quantities import DB_PER_NEPER

if TYPE_CHECKING:
    from harness.analysis.estimate import Contribution
    from harness.models import Unit

NAME: Final = "compression between the deflections"


def compression(unit: Unit, ratio: float, *, sensitivity: float = 1.0) -> Contribution:
    """Return the line of a ratio of deflections in dB, eq. (10): the gain bends with the square of the deflection.

    What is stated is the change of gain down to half power, 0.71 of the deflection; between equal ones there is none.
    """
    half_width = DB_PER_NEPER * unit.gain_change * abs(1.0 - ratio**2) / 0.5
    return rectangular(NAME, half_width=half_width, unit="dB", sensitivity=sensitivity)
