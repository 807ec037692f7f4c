"""Every deflection factor of every channel. Here what its maker rates; the rest is imported by whoever measures."""

from __future__ import annotations

from pydantic import Field

from harness.values import Ratings, Ratio


class Rated(Ratings):
    """Of the deflection factors."""

    deflection: Ratio = Field(0.03, gt=0, description="of the deflection factors")
