"""How little a channel shows of another's signal. Here what its maker rates; the rest is imported when measuring."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from pydantic import Field

from harness.values import Decibels, Hertz, Ratings

if TYPE_CHECKING:
    from harness.models import Unit


class Rated(Ratings):
    """Of a channel against the others."""

    isolation: Decibels | None = Field(
        None, gt=0, le=120, description="least isolation of a channel from the others, such as '34 dB'"
    )
    isolation_to: Hertz | None = Field(
        None, gt=0, description="highest frequency the isolation holds to; left out: the bandwidth"
    )

    def doubts(self, unit: Unit) -> Iterator[tuple[tuple[str, ...], str]]:
        """A frequency without an isolation, and an isolation of a single channel."""
        yield from super().doubts(unit)
        if self.isolation_to is not None and self.isolation is None:
            yield ("tolerance", "isolation_to"), "is of no use without 'isolation'"
        if self.isolation is not None and unit.channels == 1:
            yield ("tolerance", "isolation"), "is of no use for a unit of one channel"
