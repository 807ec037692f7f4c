"""What the unit's own read-outs say of known signals. Here what its maker rates of them."""

from __future__ import annotations

from pydantic import Field

from harness.values import Ratings, Ratio


class Rated(Ratings):
    """Of the read-outs, cursors or the instrument's own measurements."""

    cursor_volts: Ratio | None = Field(None, gt=0, description="of the ΔV read-out")
    cursor_time: Ratio | None = Field(None, gt=0, description="of the Δt read-out")
    cursor_rate: Ratio | None = Field(None, gt=0, description="of the 1/Δt read-out; left out: that of Δt")
