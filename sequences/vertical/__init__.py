"""Every deflection factor of every channel. Here what its maker rates; the rest is imported by whoever measures."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from pydantic import Field

from harness.quantities import show
from harness.values import Divisions, Model, Ratings, Ratio, Volts, Whole

if TYPE_CHECKING:
    from harness.models import Unit


class DeflectionLine(Model):
    """What is rated of some ranges and channels: the sum of its parts."""

    volts_per_div: tuple[Volts, ...] = Field((), description="the deflection factors; all if left out")
    channels: tuple[Whole, ...] = Field((), description="the channels; all if left out")
    of_reading: Ratio = Field(0.0, ge=0, description="part of what is shown")
    of_full_scale: Ratio = Field(0.0, ge=0, description="part of the whole height of the screen")
    divisions: Divisions = Field(0.0, ge=0, description="a fixed part, in divisions")
    volts: Volts = Field(0.0, ge=0, description="a fixed part, in volts at the input")

    def covers(self, channel: int, volts_per_div: float) -> bool:
        """Whether it is said of a range of a channel."""
        return channel in (self.channels or (channel,)) and any(
            math.isclose(volts_per_div, at, rel_tol=1e-9) for at in self.volts_per_div or (volts_per_div,)
        )

    def ratio(self, shown_div: float, volts_per_div: float, height_div: float) -> float:
        """The tolerance of so many divisions, as a ratio of them."""
        fixed_div = self.of_full_scale * height_div + self.divisions + self.volts / volts_per_div
        return self.of_reading + (fixed_div / abs(shown_div) if shown_div else 0.0)

    def in_words(self) -> str:
        """As a maker writes it: "±(2 % of reading + 0.1 div) on 5 mV/div"."""
        parts = [
            f"{100 * self.of_reading:g} % of reading" if self.of_reading else "",
            f"{100 * self.of_full_scale:g} % of full scale" if self.of_full_scale else "",
            f"{self.divisions:g} div" if self.divisions else "",
            show(self.volts, "V") if self.volts else "",
        ]
        ranges = ", ".join(f"{show(at, 'V')}/div" for at in self.volts_per_div)
        channels = f"channel{'s' if len(self.channels) > 1 else ''} {', '.join(map(str, self.channels))}"
        where = " of ".join(text for text in (ranges, channels if self.channels else "") if text)
        return f"±({' + '.join(part for part in parts if part)}){f' on {where}' if where else ''}"


class Rated(Ratings):
    """Of the deflection factors."""

    deflection: Ratio = Field(0.03, gt=0, description="of the deflection factors")
    deflection_by: tuple[DeflectionLine, ...] = Field(
        (),
        description="where a range, a channel or a part of it is rated by itself; the first that covers a point holds",
    )
    deflection_per_kelvin: Ratio = Field(
        0.0, ge=0, description="more for each kelvin that the room lies outside 'rated_from' to 'rated_to'"
    )

    def deflection_at(self, unit: Unit, channel: int, volts_per_div: float, shown_div: float) -> float:
        """The tolerance of so many divisions on a range of a channel, as a ratio of them."""
        for line in self.deflection_by:
            if line.covers(channel, volts_per_div):
                return line.ratio(shown_div, volts_per_div, unit.vertical_div)
        return self.deflection

    def doubts(self, unit: Unit) -> Iterator[tuple[tuple[str, ...], str]]:
        """A line of nothing, of a range or of a channel that the unit has not."""
        yield from super().doubts(unit)
        for index, line in enumerate(self.deflection_by):
            at = ("tolerance", "deflection_by", str(index))
            if not any((line.of_reading, line.of_full_scale, line.divisions, line.volts)):
                yield at, "allows nothing: state of_reading, of_full_scale, divisions or volts"
            for wanted in line.volts_per_div:
                if not any(math.isclose(wanted, one, rel_tol=1e-9) for one in unit.volts_per_div):
                    yield (*at, "volts_per_div"), f"names {show(wanted, 'V')}/div, which 'volts_per_div' has not"
            if line.channels and max(line.channels) > unit.channels:
                yield (*at, "channels"), f"names channel {max(line.channels)} of {unit.channels}"
