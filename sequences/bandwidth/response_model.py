"""What goes into and comes out of a half-power frequency: readings, the plan they were taken by, the result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from harness.analysis.curve import CurvePoint, Flag
from harness.analysis.estimate import Budget
from harness.measurement import Rating
from harness.quantities import DB_PER_NEPER, HALF_POWER_DB, show
from harness.words.language import tr
from sequences.levelling.reading import ReadingModel

__all__ = [
    "DB_PER_NEPER",
    "HALF_POWER",
    "HALF_POWER_DB",
    "CurvePoint",
    "Flag",
    "HalfPower",
    "Purpose",
    "ReadingModel",
    "ResponsePlan",
    "ResponseReading",
    "Status",
    "Tuning",
    "hertz",
    "of_drop",
]


HALF_POWER: Final = Rating(name="half-power frequency", is_error=False, axis="none")

Purpose = Literal["reference", "scan", "bracket", "refine", "confirm", "re-ask"]
Status = Literal["found", "above_generator", "several_crossings", "not_bracketed", "failed"]
Tuning = Literal["none", "frequency", "level"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseReading:
    """One displayed deflection, peak to peak, with the level applied relative to that at the reference frequency.

    `frequency_hz` and `level_db` are true: as counted, and with every correction; `u_level_db` is the level's
    standard uncertainty, common to neighbours. `set_hz` and `set_level_db` are what the generator was set to, where
    that differs: by them a setting is known again. `on_line` marks a trace brought onto a graticule line by turning
    the frequency or the level: nothing is rounded. `replaces` is the index of the one reading that this one stands for.
    """

    frequency_hz: float
    deflection_div: float
    level_db: float = 0.0
    purpose: Purpose = "refine"
    on_line: bool = False
    set_hz: float | None = None
    set_level_db: float | None = None
    u_level_db: float = 0.0
    replaces: int | None = None

    @property
    def setting(self) -> tuple[float, float]:
        """Frequency and level that the generator was set to."""
        hz, level_db = self.set_hz, self.set_level_db
        return (self.frequency_hz if hz is None else hz, self.level_db if level_db is None else level_db)


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponsePlan:
    """The unit's rating, what generator and reader can do, and what is wanted.

    `u_level_db` is the part of the level's standard uncertainty that the readings do not state themselves.
    `headroom_db` is how far the generator can be set above the reference level, and is never exceeded: above zero,
    readings are taken at equal deflection. `line` says what a person turns to bring the trace onto a graticule line,
    if anything. `dither` says that small known level steps can be set, which lets rounded reference readings average.
    """

    rated_hz: float
    reference_hz: float
    min_hz: float
    max_hz: float
    deflection_div: float
    reader: ReadingModel
    screen_div: float = 8.0
    drop_db: float = HALF_POWER_DB
    u_level_db: float = 0.0
    u_reference_meter_db: float = 0.0
    u_frequency_rel: float = 0.0
    target_rel: float = 0.01
    headroom_db: float = 0.0
    typed: bool = False
    scan: bool = False
    line: Tuning = "none"
    dither: bool = True
    max_readings: int = 80
    least_at_top: int = 4  # readings at the generator's highest frequency before a claim rests on them
    beyond_ln: float = 0.0  # how far beyond the outermost of several readings a crossing is stated, in ln f


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfPower:
    """The half-power frequency, or why there is none.

    `u_readings_rel` is the part of `u_rel` that more readings make smaller (readings and reference).
    `bound_hz` is the frequency below which the response is known not to cross, when the generator tops out.
    """

    status: Status
    frequency_hz: float | None = None
    u_rel: float | None = None
    interval_hz: tuple[float, float] | None = None
    k: float = 2.0
    slope_db_per_ln: float | None = None
    u_readings_rel: float | None = None
    reference_hz: float
    drop_db: float
    readings_used: int = 0
    flags: tuple[Flag, ...] = ()
    budget: Budget | None = None  # of the frequency, in Hz
    bound_hz: float | None = None
    recovers_hz: float | None = None
    lowest: bool = False  # readings from the reference on would have seen a lower one, unless it is narrow
    reference_div: float | None = None
    points: tuple[CurvePoint, ...] = ()


def of_drop(drop_db: float) -> str:
    """What a frequency is called at which the response has dropped by so much: "half-power", "−6 dB"."""
    return tr("half-power") if abs(drop_db - HALF_POWER_DB) < 1e-3 else f"−{drop_db:.4g} dB"


def hertz(frequency_hz: float) -> str:
    """Write a frequency for a sentence."""
    return show(frequency_hz, "Hz")
