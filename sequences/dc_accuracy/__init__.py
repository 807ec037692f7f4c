"""Gain, offset and linearity by direct voltages of both polarities. Here what its maker rates.

A maker's line "±(1.5 % of reading + 1 % of offset + 0.1 div + 2 mV)" is `dc_gain` and the three parts of the offset.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field

from harness.values import Divisions, Ratings, Ratio, Volts

if TYPE_CHECKING:
    from harness.steps import View


class Rated(Ratings):
    """Of direct voltages, the offset as a sum of its parts."""

    dc_gain: Ratio | None = Field(
        None, gt=0, description="of a difference of direct voltages; left out: that of the factor"
    )
    dc_offset_of_offset: Ratio | None = Field(None, gt=0, description="offset: part of the voltage at the centre")
    dc_offset_div: Divisions | None = Field(None, gt=0, description="offset: part in divisions")
    dc_offset_volts: Volts | None = Field(None, gt=0, description="offset: fixed part")
    dc_linearity: Divisions | None = Field(None, gt=0, description="largest departure from a straight line")

    def dc_offset_within_div(self, view: View) -> float | None:
        """The limit of the offset at a setting; None where no part of it is rated. Equation (6) of its document."""
        parts = (self.dc_offset_of_offset, self.dc_offset_div, self.dc_offset_volts)
        if all(part is None for part in parts):
            return None
        of_offset, div, volts = (part or 0.0 for part in parts)
        return of_offset * abs(view.ground_line_div) + div + volts / view.volts_per_div
