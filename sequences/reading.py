"""What all readings from a record have in common: the times of its samples, divisions, the words of a fit's flags."""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING

import numpy as np

from harness.measurement import Screenful
from harness.steps import Reading

if TYPE_CHECKING:
    from harness.measurement import Samples


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


def words(flags: frozenset[Enum]) -> tuple[str, ...]:
    """The flags of a fit as a reading carries them."""
    return tuple(sorted(flag.name.lower().replace("_", " ") for flag in flags))
