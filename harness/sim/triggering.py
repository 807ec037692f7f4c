"""Whether a screen's trigger fires, and where in the signal's cycle it does.   [pure]

A comparator with hysteresis behind a path of its own: the signal must pass the level by half the hysteresis on either
side. Couplings are a high pass for AC and low-frequency reject, a pole for high-frequency reject (common practice:
10 Hz, and 50 kHz for both).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from harness.sim.response import HighPass, Pole, transfer
from harness.sim.truth import TriggerTruth
from harness.sim.waves import Seen, SeenSine
from harness.steps import Trigger, View

_AC_HZ: Final = 10.0
_REJECT_HZ: Final = 50e3


@dataclass(slots=True, kw_only=True)
class TriggerKnobs:
    """How a screen's trigger is set."""

    source: str = "1"  # a channel, or "external"
    slope: str = "rising"
    coupling: str = "dc"
    low_reject: bool = False
    high_reject: bool = False
    free_runs: bool = True  # sweeps without a trigger as well
    middle: bool = True  # finds its level by itself
    level_v: float = 0.0

    @property
    def chosen(self) -> bool:
        """Whether somebody has set where it fires; else it stands anywhere on a sine, as it always has here."""
        return not (self.free_runs and self.middle and self.slope == "rising")


def by_hand(view: View) -> TriggerKnobs:
    """As a person sets it."""
    asked = view.trigger or Trigger()
    return TriggerKnobs(
        source=str(view.channel) if asked.source == "channel" else asked.source,
        slope=asked.slope,
        coupling="ac" if asked.coupling == "ac" else "dc",
        low_reject=asked.coupling == "low_reject",
        high_reject=asked.coupling == "high_reject",
        free_runs=not asked.normal,
        middle=asked.level_v is None,
        level_v=asked.level_v or 0.0,
    )


def fires(knobs: TriggerKnobs, true: TriggerTruth, seen: Seen, volts_per_div: float, noise: float) -> float | None:
    """Where in its cycle a signal starts the sweep, None where it does not; `noise` in standard deviations.

    A sine crosses 0 at its begin; a square and marks begin with their edge, whatever the level.
    """
    outside = knobs.source == "external"
    needed_v = true.external if outside else true.sensitivity * volts_per_div
    error_v = true.external_level if outside else true.level * volts_per_div
    low_v, high_v = seen.extremes()
    passes = _passes(knobs, true, 1 / seen.period_s)
    half_v = (high_v - low_v) / 2 * passes
    around_v = 0.0 if knobs.coupling == "ac" or knobs.low_reject else (low_v + high_v) / 2
    level_v = around_v if knobs.middle else knobs.level_v * (1 + true.level_gain) + error_v
    above_v = level_v + noise * true.noise * needed_v - around_v
    if knobs.slope == true.dead_slope or half_v - abs(above_v) <= needed_v / 2:
        return None
    rising = knobs.slope == "rising"
    if not isinstance(seen, SeenSine):
        return 0.0 if rising else 0.5
    phase = math.asin(above_v / half_v) / (2 * math.pi)
    return phase if rising else 0.5 - phase


def _passes(knobs: TriggerKnobs, true: TriggerTruth, frequency_hz: float) -> float:
    """How much of a signal's height arrives at the comparator."""
    chain = list(true.response.chain)
    if knobs.coupling == "ac" and not knobs.low_reject:
        chain.append(HighPass(_AC_HZ))
    if knobs.low_reject:
        chain.append(HighPass(_REJECT_HZ))
    if knobs.high_reject:
        chain.append(Pole(_REJECT_HZ))
    return abs(complex(transfer(tuple(chain), frequency_hz)))
