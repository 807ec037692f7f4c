"""The response below the bandwidth, limiter, AC coupling. Here what its maker rates; the rest comes later."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from pydantic import Field

from harness.quantities import show
from harness.values import Decibels, Hertz, Ratings, Ratio

if TYPE_CHECKING:
    from harness.models import Unit


CUSTOMARY_WITHIN: Final = 0.2  # of a limiter; common practice


class Rated(Ratings):
    """Of the response below the bandwidth."""

    passband: Decibels | None = Field(
        None, gt=0, le=3, description="largest departure of the response below the bandwidth, such as '0.5 dB'"
    )
    passband_to: Hertz | None = Field(None, gt=0, description="highest frequency that 'passband' holds to")
    limiter: Hertz | None = Field(None, gt=0, description="half-power frequency with the bandwidth limiter on")
    limiter_within: Ratio | None = Field(
        None, gt=0, lt=1, description="of the limiter's half-power frequency; left out: 20 %"
    )
    ac_corner: Hertz | None = Field(None, gt=0, description="highest lower corner of AC coupling, such as '10 Hz'")

    @property
    def limiter_tolerance(self) -> float:
        """How far the limiter's half power may lie from its figure: as stated, or what is customary."""
        return self.limiter_within or CUSTOMARY_WITHIN

    def doubts(self, unit: Unit) -> Iterator[tuple[tuple[str, ...], str]]:
        """Half of a rating, and a limiter above the bandwidth."""
        yield from super().doubts(unit)
        for key, other in (("passband", "passband_to"), ("passband_to", "passband")):
            if getattr(self, key) is not None and getattr(self, other) is None:
                yield ("tolerance", key), f"is of no use without '{other}'"
        if self.limiter is not None and self.limiter >= unit.bandwidth:
            yield ("tolerance", "limiter"), f"is not below the bandwidth of {show(unit.bandwidth, 'Hz')}"
