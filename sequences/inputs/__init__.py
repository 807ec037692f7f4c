"""The resistance and capacitance of an input. Here what its maker rates; the rest is imported by whoever measures."""

from __future__ import annotations

from pydantic import Field

from harness.values import Farads, Ratings, Ratio


class Rated(Ratings):
    """Of the values that stand under [input]."""

    input_resistance: Ratio | None = Field(None, gt=0, description="of the input resistance that stands under [input]")
    input_capacitance: Farads | None = Field(
        None, gt=0, description="of the input capacitance that stands under [input], ±"
    )
