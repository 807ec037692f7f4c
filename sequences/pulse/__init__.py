"""The response to a fast edge. Here what its maker rates; the rest is imported by whoever measures."""

from __future__ import annotations

from pydantic import Field

from harness.values import Ratings, Ratio


class Rated(Ratings):
    """Of a fast edge; its rise time stands beside the bandwidth."""

    overshoot: Ratio | None = Field(None, gt=0, description="largest overshoot of a fast edge")
    top_aberration: Ratio | None = Field(None, gt=0, description="largest departure of the top after it has settled")
