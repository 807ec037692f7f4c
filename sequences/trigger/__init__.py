"""Sensitivity and bandwidth of the trigger, and its level. Here what its maker rates.

A maker's line "0.35 div to 10 MHz, 1 div at 100 MHz; external 50 mVpp to 10 MHz, 150 mVpp at 100 MHz" is
`trigger_sensitivity`, `trigger_sensitivity_to`, `trigger_at_bandwidth`, `trigger_bandwidth`, and the two of the
external trigger.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from pydantic import Field

from harness.values import Divisions, Hertz, Ratings, Ratio, VoltsPp

if TYPE_CHECKING:
    from harness.models import Unit

_SLACK = 1 + 1e-9


class Rated(Ratings):
    """Of the trigger."""

    trigger_sensitivity: Divisions | None = Field(
        None, gt=0, description="deflection, peak to peak, that triggers at low frequency"
    )
    trigger_sensitivity_to: Hertz | None = Field(
        None, gt=0, description="highest frequency of that; left out: a hundredth of the trigger's bandwidth"
    )
    trigger_at_bandwidth: Divisions | None = Field(None, gt=0, description="deflection that triggers at its bandwidth")
    trigger_bandwidth: Hertz | None = Field(
        None, gt=0, description="bandwidth of the trigger; left out: that of the unit"
    )
    trigger_external: VoltsPp | None = Field(
        None, gt=0, description="voltage at the external input that triggers at low frequency"
    )
    trigger_external_at_bandwidth: VoltsPp | None = Field(
        None, gt=0, description="voltage at the external input that triggers at its bandwidth"
    )
    trigger_level: Divisions | None = Field(None, gt=0, description="trigger level: fixed part of its limits")
    trigger_level_of_value: Ratio | None = Field(None, gt=0, description="trigger level: part of what is set")

    def doubts(self, unit: Unit) -> Iterator[tuple[tuple[str, ...], str]]:
        """A trigger that would be faster than sensitive, or a bandwidth below the low frequency."""
        yield from super().doubts(unit)
        low, high = self.trigger_sensitivity_to, self.bandwidth_hz(unit)
        if low is not None and low >= high:
            yield ("tolerance", "trigger_sensitivity_to"), "is not below the bandwidth of the trigger"
        least, most = self.trigger_sensitivity, self.trigger_at_bandwidth
        if least is not None and most is not None and most < least:
            yield ("tolerance", "trigger_at_bandwidth"), "is below 'trigger_sensitivity': no trigger needs less there"

    def bandwidth_hz(self, unit: Unit) -> float:
        """Up to where it is rated."""
        return self.trigger_bandwidth or unit.bandwidth

    def needs(self, unit: Unit, frequency_hz: float, *, external: bool) -> float | None:
        """What triggers at a frequency, peak to peak: div of a channel, V at the external input; None if not rated."""
        low = self.trigger_external if external else self.trigger_sensitivity
        high = self.trigger_external_at_bandwidth if external else self.trigger_at_bandwidth
        if self.trigger_sensitivity_to is not None and frequency_hz <= self.trigger_sensitivity_to * _SLACK:
            return low
        if frequency_hz <= self.bandwidth_hz(unit) / 100:  # where nobody says how far "low frequency" goes
            return low
        return high if frequency_hz <= self.bandwidth_hz(unit) * _SLACK else None

    def level_within_div(self, level_div: float) -> float | None:
        """The limits of a level that is set, docs/trigger.md, equation (5)."""
        if self.trigger_level is None and self.trigger_level_of_value is None:
            return None
        return (self.trigger_level or 0.0) + (self.trigger_level_of_value or 0.0) * abs(level_div)
