"""The response to a fast edge. Here what its maker rates; the rest is imported by whoever measures."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from pydantic import Field

from harness.quantities import show
from harness.values import Ratings, Ratio

if TYPE_CHECKING:
    from harness.models import Unit

# Rise time times bandwidth is 0.35 for a single pole (ln 9 / 2π = 0.3497, from the exponential) and 0.33 to 0.5 for
# the responses of oscilloscopes: common practice.
_PRODUCT: Final = (0.3, 0.55)


class Rated(Ratings):
    """Of a fast edge; its rise time stands beside the bandwidth."""

    overshoot: Ratio | None = Field(None, gt=0, description="largest overshoot of a fast edge")
    top_aberration: Ratio | None = Field(None, gt=0, description="largest departure of the top after it has settled")

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
