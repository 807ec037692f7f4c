"""The options of a bandwidth measurement as the reckoning takes them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from harness.models import Setup
from harness.quantities import HALF_POWER_DB
from sequences import signal_range
from sequences.levelling.sine import LevelPlan, is_at_input, reach_hz

_NAME_OF: Final = {
    "reference_frequency": "reference_hz",
    "deflection": "deflection_div",
    "drop": "drop_db",
    **{name: name for name in ("target", "scan", "tuned", "equal_deflection", "watched")},
}  # what `Wanted` calls an option of the sequence that it has a default for


def on_range(setup: Setup, volts_per_div: float | None) -> Setup:
    """The setup with the bandwidth that the unit is rated for on the range that is tried."""
    return replace(setup, unit=setup.unit.on_range(signal_range(setup.unit, volts_per_div)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted(LevelPlan):
    """The options of a bandwidth measurement, as the journal's header holds them."""

    max_hz: float
    deflection_div: float = 6.0
    drop_db: float = HALF_POWER_DB
    target: float = 0.01
    scan: bool = False
    tuned: bool = False
    equal_deflection: bool = False

    @classmethod
    def from_options(cls, options: Mapping[str, Any], setup: Setup) -> Wanted:
        """Take the SI options of the sequence."""
        generator = setup.bench.generator
        highest = [2.5 * setup.unit.bandwidth, generator.frequency_high if generator else math.inf, reach_hz(setup)]
        chosen = {name: options[key] for key, name in _NAME_OF.items() if options.get(key) is not None}
        return cls(
            path=options.get("path", ""),
            level_path=options.get("level_path") or options.get("path", ""),
            max_hz=options.get("max_frequency") or min(highest),
            termination_corrected=is_at_input(setup, options.get("termination")),
            **{"scan": _costs_seconds(setup), **chosen},
        )


def _costs_seconds(setup: Setup) -> bool:
    """Whether no person sets the generator or reads the unit, so that a scan costs nobody's time."""
    generator = setup.bench.generator
    return setup.unit.read == "remote" and generator is not None and generator.driver != "manual"
