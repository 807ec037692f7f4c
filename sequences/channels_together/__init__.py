"""Two channels on one signal. Here what its maker rates; the rest is imported by whoever measures."""

from __future__ import annotations

from pydantic import Field

from harness.values import Decibels, Degrees, Hertz, Ratings, Ratio, Seconds


class Rated(Ratings):
    """Of two channels against each other."""

    phase: Degrees | None = Field(None, gt=0, lt=90, description="between channels, X-Y or in their records")
    phase_at: Hertz = Field(50e3, gt=0, description="up to this frequency, at which it is tried")
    channel_delay: Seconds | None = Field(None, gt=0, description="largest delay between channels")
    common_mode: Decibels | None = Field(None, gt=0, description="rejection of a common signal, in difference mode")
    common_mode_at: Hertz = Field(1e3, gt=0, description="at this frequency")
    sum: Ratio | None = Field(None, gt=0, description="of both channels added, on a screen")
