"""What all readings from a record have in common: the times of its samples, divisions, the words of a fit's flags."""

from __future__ import annotations

from dataclasses import replace
from enum import Enum
from typing import TYPE_CHECKING, Final

import numpy as np

from harness.analysis.pulse import PulseFlag
from harness.measurement import Quantity, Screenful
from harness.steps import Measure, Reading

if TYPE_CHECKING:
    from harness.measurement import Samples
    from harness.models import Setup


_NOISE: Final = PulseFlag.NOISE.name.lower()


def gives_records(setup: Setup) -> bool:
    """Whether an eye or a record can say what no measurement of the unit's own does."""
    link = setup.bench.unit
    return setup.unit.read == "eye" or link is None or link.commands.get("record") != ""


def times(volts: Samples, screen: Screenful) -> Samples:
    """When each sample was taken, from the first."""
    return np.arange(volts.size, dtype=np.float64) * screen.interval_s


def in_div(value_v: float, u_v: float | None, screen: Screenful, flags: tuple[str, ...] = (), **more: float) -> Reading:
    """A voltage as a reading in divisions."""
    return Reading(
        value=value_v / screen.volts_per_div,
        scatter=None if u_v is None else u_v / screen.volts_per_div,
        flags=flags,
        more=more,
    )


def edge_alone(quantity: Quantity) -> Quantity:
    """The same of an edge, of which the overshoot is nobody's question: no record is too noisy for that."""

    def read(step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
        reading = quantity.from_record(step, volts, screen, lsb)
        return replace(reading, flags=tuple(flag for flag in reading.flags if flag != _NOISE))

    return replace(quantity, from_record=read)


def words(flags: frozenset[Enum]) -> tuple[str, ...]:
    """The flags of a fit as a reading carries them."""
    return tuple(sorted(flag.name.lower().replace("_", " ") for flag in flags))
