"""How one reader reads a deflection, and what a mean of such readings is worth."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from harness.analysis.estimate import Contribution, normal
from harness.quantities import DB_PER_NEPER

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.models import Unit

THIN_DIV: Final = 0.1
"""The width of a trace that is sharp (common practice): its limit where nobody said what it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingModel:
    """How one reader reads: to a resolution, with a scatter (one standard deviation) and a relative part of it."""

    resolution_div: float
    scatter_div: float
    relative: float = 0.0

    def random_div(self, deflection_div: float) -> float:
        """Return the standard deviation of a reading before it is rounded."""
        return math.hypot(self.scatter_div, self.relative * deflection_div)

    def standard_div(self, deflection_div: float) -> float:
        """Return the standard uncertainty of one rounded reading."""
        return math.hypot(self.random_div(deflection_div), self.resolution_div / math.sqrt(12.0))

    def mean_div(self, deflection_div: float, readings: int) -> float:
        """Return the standard uncertainty of a mean of so many readings of one deflection."""
        single = [self.standard_div(deflection_div)] * readings
        return math.sqrt(mean_variance(single, self.floor_div(deflection_div)))

    def floor_div(self, deflection_div: float) -> float:
        """Return what remains of the rounding, rms, however often one and the same deflection is read."""
        if self.resolution_div <= 0.0:
            return 0.0
        ratio = self.random_div(deflection_div) / self.resolution_div
        first_harmonic = self.resolution_div / (math.sqrt(2.0) * math.pi) * math.exp(-2.0 * (math.pi * ratio) ** 2)
        return min(self.resolution_div / math.sqrt(12.0), first_harmonic)


def reader_of(unit: Unit) -> ReadingModel:
    """How a deflection of the unit is read."""
    return ReadingModel(resolution_div=unit.resolution, scatter_div=unit.scatter)


def mean_variance(s_db: Sequence[float], floor_db: float) -> float:
    """Return the variance of a mean of equal settings: only what lies above the floor averages, equation (12)."""
    count = len(s_db)
    single = sum(s * s for s in s_db) / count
    floor = min(floor_db**2, single)
    return floor + (single - floor) / count


def reading_line(name: str, deflection_div: float, readings: int, reader: ReadingModel) -> Contribution:
    """The line of a mean of so many readings of one deflection, in dB."""
    return normal(name, u=DB_PER_NEPER * reader.mean_div(deflection_div, readings) / deflection_div, unit="dB")
