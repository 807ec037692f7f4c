"""Every time factor, and the magnifier. Here what its maker rates; the rest is imported by whoever measures."""

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

    time_per_kelvin: Ratio = Field(
        0.0, ge=0, description="more for each kelvin that the room lies outside 'rated_from' to 'rated_to'"
    )

    def at(self, magnifier: float) -> float:
        """The tolerance of the time factor in use."""
        return self.time_magnified if magnifier != 1.0 and self.time_magnified is not None else self.time

    def doubts(self, unit: Unit) -> Iterator[tuple[tuple[str, ...], str]]:
        """A magnified time factor of a unit without magnifier."""
        yield from super().doubts(unit)
        if self.time_magnified is not None and unit.magnifier == 1:
            yield ("tolerance", "time_magnified"), "is of no use without 'magnifier'"
