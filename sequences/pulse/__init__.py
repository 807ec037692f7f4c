"""The response to a fast edge. Here what its maker rates; the rest is imported by whoever measures."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from pydantic import Field, field_validator

from harness.quantities import show
from harness.values import Hertz, Ratings, Ratio, Seconds

if TYPE_CHECKING:
    from harness.models import Unit

# Rise time times bandwidth is 0.35 for a single pole (ln 9 / 2π = 0.3497, from the exponential) and 0.33 to 0.5 for
# the responses of oscilloscopes: common practice.
_PRODUCT: Final = (0.3, 0.55)
BANDS: Final = (0.005, 0.01, 0.02, 0.05)  # within which a top can be tried to settle


class Rated(Ratings):
    """Of a fast edge; its rise time stands beside the bandwidth."""

    overshoot: Ratio | None = Field(None, gt=0, description="largest overshoot of a fast edge")
    top_aberration: Ratio | None = Field(None, gt=0, description="largest departure of the top after it has settled")
    settling_time: Seconds | None = Field(
        None, gt=0, description="longest time from the middle of an edge until the top stays within the settling band"
    )
    settling_band: Ratio | None = Field(
        None, description="± around where the top ends: 0.5 %, 1 %, 2 % or 5 %; left out: 1 %"
    )
    sag: Ratio | None = Field(None, gt=0, description="largest slope of a square wave's top, from its begin to its end")
    sag_frequency: Hertz | None = Field(
        None, gt=0, description="of the square wave that shows the sag; left out: 50 Hz"
    )

    @property
    def band(self) -> float:
        """Within which a top has settled."""
        return self.settling_band or 0.01

    @property
    def sag_hz(self) -> float:
        """At which a sag is rated."""
        return self.sag_frequency or 50.0

    @field_validator("settling_band")
    @classmethod
    def _known(cls, band: float | None) -> float | None:
        if band is not None and not any(math.isclose(band, known) for known in BANDS):
            raise ValueError(f"a band of {show(band, '%')} is none that is tried; expected 0.5 %, 1 %, 2 % or 5 %")
        return band

    def doubts(self, unit: Unit) -> Iterator[tuple[tuple[str, ...], str]]:
        """A rise time and a bandwidth that no response has together."""
        yield from super().doubts(unit)
        low, high = _PRODUCT
        product = (unit.rise_time or 0.0) * unit.bandwidth
        if product and not low <= product <= high:
            likely = show(0.35 / unit.bandwidth, "s", 2)
            yield (
                ("rise_time",),
                f"does not go with the bandwidth: their product is {product:.2g}; about {likely} would",
            )
