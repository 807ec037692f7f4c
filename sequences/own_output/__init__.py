"""The unit's own calibration output. Here what its maker rates; the rest is imported by whoever measures."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from pydantic import Field

from harness.values import Hertz, Level, Ratings, Ratio, Seconds

if TYPE_CHECKING:
    from harness.models import Unit


class Rated(Ratings):
    """Of the square wave at the unit's front panel, from which a probe is compensated."""

    output_level: Level | None = Field(None, gt=0, description="calibration output: from 0 V to this, into 1 Mohm")
    output_level_within: Ratio | None = Field(None, gt=0, description="of that level")
    output_frequency: Hertz | None = Field(None, gt=0, description="calibration output: its frequency")
    output_frequency_within: Ratio | None = Field(None, gt=0, description="of that frequency")
    output_rise_time: Seconds | None = Field(None, gt=0, description="calibration output: longest rise time")

    def doubts(self, unit: Unit) -> Iterator[tuple[tuple[str, ...], str]]:
        """A tolerance of nothing."""
        yield from super().doubts(unit)
        for key in ("output_level", "output_frequency"):
            if getattr(self, f"{key}_within") is not None and getattr(self, key) is None:
                yield ("tolerance", f"{key}_within"), f"is of no use without '{key}'"
        if self.output_level is None and (self.output_frequency or self.output_rise_time):
            yield ("tolerance", "output_level"), "is missing: without it the calibration output is not tried"
