"""A response over frequency as a result carries it: readings, fit, band, level, and what they give away.   [pure]"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePoint:
    """One reading of a response as the fit saw it: its uncertainty, the fitted value and the studentised residual."""

    frequency_hz: float
    response_db: float
    u_db: float
    purpose: str
    used: bool
    fitted_db: float | None = None
    residual: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelPoint:
    """The level at one frequency as the reference showed it."""

    frequency_hz: float
    level_db: float
    u_db: float
    dof: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """The fitted response with its 95 % band, for a plot; a None where the readings say nothing."""

    frequency_hz: tuple[float, ...] = ()
    response_db: tuple[float | None, ...] = ()
    low_db: tuple[float | None, ...] = ()
    high_db: tuple[float | None, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """A finding about the readings: a stable code, and a sentence for the report or the operator."""

    code: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A response over frequency, and where it falls by `drop_db`: what a result rests on that is no single reading.

    Where no such frequency is looked for, the result is in dB itself, and its limits are levels of the response.
    """

    status: str  # "found", or in a word why there is no value
    reference_hz: float
    drop_db: float | None = None
    limits_db: tuple[float, ...] = ()
    reference_div: float | None = None  # the deflection at the reference frequency
    slope_db_per_ln: float | None = None  # at the crossing
    recovers_hz: float | None = None  # where it comes back above
    lowest: bool = False  # read from the reference frequency on, closely enough to have seen a lower crossing
    points: tuple[CurvePoint, ...] = ()
    readings_used: int = 0
    band: Band = Band()
    level: tuple[LevelPoint, ...] = ()
    level_method: str = ""  # how the level was known, in words
    flags: tuple[Flag, ...] = ()
