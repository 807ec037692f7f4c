"""The level at the unit's input, as held or tabulated through a reference instrument that has a response of its own.

Every correction is in dB and is *added* to the level that the reference (or the table made with it) states, to give
the level at the unit's input; it comes with the lines of its uncertainty, in dB. A reference that rolls off makes the
operator turn the level up: its correction is above zero, and leaving it out flatters the unit. The correction goes
onto each reading's level before the response is fitted. Equations are numbered as in docs/waveforms.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, assert_never

from harness.analysis import estimate
from harness.errors import AnalysisError
from harness.quantities import DB_PER_NEPER, HALF_POWER_DB
from sequences.bandwidth.level_table import interpolate, require_rising

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.analysis.estimate import Contribution
    from sequences.bandwidth.level_table import Interpolated


Shape = Literal["single_pole", "gaussian", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelCorrection:
    """A correction to the stated level, and its lines."""

    correction_db: float
    contributions: tuple[Contribution, ...]

    @property
    def u_db(self) -> float:
        """Standard uncertainty of the lines together."""
        return math.hypot(*(line.contribution for line in self.contributions))


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatnessPoint:
    """What a reference indicates less what is applied, from its certificate; ``k`` belongs to ``expanded_db``."""

    frequency_hz: float
    indication_db: float
    expanded_db: float
    k: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredFlatness:
    """A reference whose response was measured: the best case."""

    points: tuple[FlatnessPoint, ...]

    def __post_init__(self) -> None:
        require_rising([point.frequency_hz for point in self.points], table="flatness table")


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedBandwidth:
    """A reference of which the half-power frequency is known, to ± ``tolerance`` of it, and perhaps the shape."""

    bandwidth_hz: float
    shape: Shape = "unknown"
    tolerance: float = 0.0

    def __post_init__(self) -> None:
        _require_bandwidth(self.bandwidth_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class AtLeastBandwidth:
    """A reference that reaches at least this half-power frequency: it may as well be flat."""

    bandwidth_hz: float

    def __post_init__(self) -> None:
        _require_bandwidth(self.bandwidth_hz)


Response = MeasuredFlatness | StatedBandwidth | AtLeastBandwidth


def droop_db(ratio: float, shape: Literal["single_pole", "gaussian"]) -> float:
    """Fall of a response at ``ratio`` of its half-power frequency, in dB above zero, eq. (22) and (23)."""
    return 10.0 * math.log10(1.0 + ratio**2) if shape == "single_pole" else HALF_POWER_DB * ratio**2


def droop_slope_db(ratio: float, shape: Literal["single_pole", "gaussian"]) -> float:
    """Slope of :func:`droop_db` in dB per unit of ln f."""
    return DB_PER_NEPER * ratio**2 / (1.0 + ratio**2) if shape == "single_pole" else 2.0 * HALF_POWER_DB * ratio**2


def response_correction(
    response: Response, frequency_hz: float, *, reference_frequency_hz: float | None = None
) -> LevelCorrection:
    """Correct for the roll-off of the instrument that levels.

    Parameters
    ----------
    response
        What is known of the reference instrument.
    frequency_hz
        Where the level was held.
    reference_frequency_hz
        Where the readings are referred to; what the reference does there is taken off. None: its response is
        flat there.

    Raises
    ------
    AnalysisError
        A frequency outside the flatness table, or at or above a bandwidth whose shape is not known.

    References
    ----------
    docs/waveforms.md eq. (22)–(26).
    """
    base_hz = reference_frequency_hz
    match response:
        case MeasuredFlatness():
            return _by_flatness(response, frequency_hz, base_hz)
        case StatedBandwidth():
            return _by_bandwidth(
                response, frequency_hz / response.bandwidth_hz, (base_hz or 0.0) / response.bandwidth_hz
            )
        case AtLeastBandwidth():
            return _by_least(frequency_hz / response.bandwidth_hz, (base_hz or 0.0) / response.bandwidth_hz)
        case _:
            assert_never(response)


def mismatch(source_vswr: float, load_vswr: float, *, name: str = "mismatch") -> LevelCorrection:
    """Return the line for two imperfect ends of unknown phase, eq. (27): ±|Γs||Γl|, U-shaped, to first order in dB.

    A level carried from a reference to a unit meets two of them: source to reference, and source to unit.
    """
    product = estimate.reflection_of(source_vswr) * estimate.reflection_of(load_vswr)
    return LevelCorrection(
        correction_db=0.0, contributions=(estimate.arcsine(name, half_width=DB_PER_NEPER * product, unit="dB"),)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Termination:
    """What a source meets at a high-impedance input; a missing feed-through termination is ``math.inf`` ohms."""

    termination_ohm: float = 50.0
    termination_tolerance_ohm: float = 0.0
    input_ohm: float = 1e6
    input_capacitance_f: float = 20e-12
    capacitance_tolerance_f: float = 0.0
    source_ohm: float = 50.0

    @property
    def load_ohm(self) -> float:
        """Termination in parallel with the input's resistance."""
        return 1.0 / (1.0 / self.termination_ohm + 1.0 / self.input_ohm)

    @property
    def conductance_s(self) -> float:
        """What the input's capacitance sees: source, termination and input in parallel."""
        return 1.0 / self.source_ohm + 1.0 / self.load_ohm


def termination_correction(termination: Termination, frequency_hz: float) -> LevelCorrection:
    """Return the level at the input, relative to the level into a load equal to the source's resistance, eq. (29).

    Both tolerances are limits (rectangular).
    """
    g, b = termination.conductance_s, 2.0 * math.pi * frequency_hz * termination.input_capacitance_f
    correction_db = 20.0 * math.log10(2.0 / termination.source_ohm) - 10.0 * math.log10(g**2 + b**2)
    per_ohm = DB_PER_NEPER * g / (g**2 + b**2) / termination.termination_ohm**2
    per_farad = -DB_PER_NEPER * b * 2.0 * math.pi * frequency_hz / (g**2 + b**2)
    return LevelCorrection(
        correction_db=correction_db,
        contributions=(
            estimate.rectangular(
                "termination", half_width=termination.termination_tolerance_ohm, sensitivity=per_ohm, unit="Ω"
            ),
            estimate.rectangular(
                "input capacitance", half_width=termination.capacitance_tolerance_f, sensitivity=per_farad, unit="F"
            ),
        ),
    )


def drift_correction(changes_db: Sequence[float]) -> LevelCorrection:
    """Carry how far the level had gone at the end, at one frequency or several: anything from no change to the largest.

    ``changes_db`` holds the level after less the level before; the middle is applied, eq. (30).
    """
    if not changes_db:
        raise AnalysisError("The drift of the level needs at least one check after the readings.")
    low, high = min(0.0, *changes_db), max(0.0, *changes_db)
    middle = (low + high) / 2.0
    line = estimate.rectangular("drift of the level", half_width=(high - low) / 2.0, value=middle, unit="dB")
    return LevelCorrection(correction_db=middle, contributions=(line,))


def combine(*corrections: LevelCorrection) -> LevelCorrection:
    """Add independent corrections; their lines stay apart for the budget."""
    return LevelCorrection(
        correction_db=math.fsum(part.correction_db for part in corrections),
        contributions=tuple(line for part in corrections for line in part.contributions),
    )


def _by_flatness(response: MeasuredFlatness, frequency_hz: float, base_hz: float | None) -> LevelCorrection:
    """Interpolate in ln f; the certificate's uncertainty is common to neighbours: interpolated, not averaged."""
    frequencies = [point.frequency_hz for point in response.points]

    def at(values: list[float], f: float) -> Interpolated:
        return interpolate(frequencies, values, f, table="flatness table")

    indications = [point.indication_db for point in response.points]
    here = at(indications, frequency_hz)
    u_db = at([point.expanded_db / point.k for point in response.points], frequency_hz).value
    base_db = 0.0 if base_hz is None else at(indications, base_hz).value
    correction_db = base_db - here.value
    return LevelCorrection(
        correction_db=correction_db,
        contributions=(
            estimate.normal("flatness of the reference, certificate", u=u_db, value=correction_db, unit="dB"),
            estimate.rectangular("flatness of the reference, interpolation", half_width=here.bend, unit="dB"),
        ),
    )


def _by_bandwidth(response: StatedBandwidth, ratio: float, base: float) -> LevelCorrection:
    shape = response.shape
    if shape == "unknown":
        _require_below(ratio)
        single, gaussian = (droop_db(ratio, s) - droop_db(base, s) for s in ("single_pole", "gaussian"))
        correction_db, spread_db = (single + gaussian) / 2.0, abs(single - gaussian) / 2.0
        slope_db = max(droop_slope_db(ratio, s) - droop_slope_db(base, s) for s in ("single_pole", "gaussian"))
    else:
        correction_db, spread_db = droop_db(ratio, shape) - droop_db(base, shape), 0.0
        slope_db = droop_slope_db(ratio, shape) - droop_slope_db(base, shape)
    return LevelCorrection(
        correction_db=correction_db,
        contributions=(
            estimate.rectangular("shape of the reference", half_width=spread_db, value=correction_db, unit="dB"),
            estimate.rectangular(
                "bandwidth of the reference, relative", half_width=response.tolerance, sensitivity=-slope_db
            ),
        ),
    )


def _by_least(ratio: float, base: float) -> LevelCorrection:
    _require_below(ratio)
    middle_db = (droop_db(ratio, "single_pole") - droop_db(base, "single_pole")) / 2.0
    line = estimate.rectangular(
        "response of the reference, bandwidth at least", half_width=abs(middle_db), value=middle_db, unit="dB"
    )
    return LevelCorrection(correction_db=middle_db, contributions=(line,))


def _require_below(ratio: float) -> None:
    if ratio >= 1.0:
        raise AnalysisError(
            f"The reference is used at {ratio:.3g} times its bandwidth, where its shape decides: "
            "give its measured flatness, or level with a faster instrument."
        )


def _require_bandwidth(bandwidth_hz: float) -> None:
    if not (math.isfinite(bandwidth_hz) and bandwidth_hz > 0.0):
        raise AnalysisError(f"The bandwidth of the reference must be above zero, not {bandwidth_hz:g} Hz.")
