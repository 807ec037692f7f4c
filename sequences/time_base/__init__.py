"""Every time factor, the magnifier, the sweep's ends and evenness, the delay, and a sampling unit's clock.

Here what its maker rates; the rest is imported by whoever measures.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from pydantic import Field

from harness.values import Ratings, Ratio

if TYPE_CHECKING:
    from harness.models import Unit


class Rated(Ratings):
    """Of the time factors."""

    time: Ratio = Field(0.03, gt=0, description="of the time factors")
    time_magnified: Ratio | None = Field(
        None, gt=0, description="of the time factors with the magnifier, if it differs"
    )
    time_linearity: Ratio | None = Field(
        None, gt=0, description="how far a mark may stand from its place, of the centre eight divisions"
    )
    time_delay: Ratio | None = Field(None, gt=0, description="of the delay from the trigger")
    time_clock: Ratio | None = Field(None, gt=0, description="of the clock of a unit that samples, such as '25 ppm'")

    time_per_kelvin: Ratio = Field(
        0.0, ge=0, description="more for each kelvin that the room lies outside 'rated_from' to 'rated_to'"
    )

    def at(self, magnifier: float) -> float:
        """The tolerance of the time factor in use."""
        return self.time_magnified if magnifier != 1.0 and self.time_magnified is not None else self.time

    @property
    def delay(self) -> float | None:
        """The tolerance of a delay: a unit that samples counts it with its clock."""
        return self.time_delay if self.time_delay is not None else self.time_clock

    def doubts(self, unit: Unit) -> Iterator[tuple[tuple[str, ...], str]]:
        """A rating of what the unit has not, or that cannot be tried."""
        yield from super().doubts(unit)
        if self.time_magnified is not None and unit.magnifier == 1:
            yield ("tolerance", "time_magnified"), "is of no use without 'magnifier'"
        if self.time_clock is not None and unit.read != "remote":
            yield ("tolerance", "time_clock"), "is tried from records only; no eye can"
        elif self.time_clock is not None and unit.sample_rate is None:
            yield ("tolerance", "time_clock"), "is not tried without 'sample_rate', which says whether samples are real"
