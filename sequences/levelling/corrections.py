"""The level at the unit's input, as held or tabulated through a reference instrument that has a response of its own.

Every correction is in dB and is *added* to the level that the reference (or the table made with it) states, to give
the level at the unit's input; it comes with the lines of its uncertainty, in dB. A reference that rolls off makes the
operator turn the level up: its correction is above zero, and leaving it out flatters the unit. The correction goes
onto each reading's level before the response is fitted. Equations are numbered as in docs/waveforms.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from harness.analysis import estimate
from harness.errors import AnalysisError
from harness.quantities import DB_PER_NEPER, HALF_POWER_DB
from harness.words.language import tr
from sequences.levelling.table import LevelCorrection, interpolate, require_rising

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.models import Reference
    from sequences.levelling.table import Interpolated


KNOWN_TO: Final = 0.1  # of a reference's bandwidth that is stated as a single figure: limits
_SHAPES: Final = ("single_pole", "gaussian")


def droop_db(ratio: float, shape: str) -> float:
    """Fall of a response at ``ratio`` of its half-power frequency, in dB above zero, eq. (22) and (23)."""
    return 10.0 * math.log10(1.0 + ratio**2) if shape == "single_pole" else HALF_POWER_DB * ratio**2


def droop_slope_db(ratio: float, shape: str) -> float:
    """Slope of :func:`droop_db` in dB per unit of ln f."""
    return DB_PER_NEPER * ratio**2 / (1.0 + ratio**2) if shape == "single_pole" else 2.0 * HALF_POWER_DB * ratio**2


def response_correction(
    reference: Reference, frequency_hz: float, *, reference_frequency_hz: float = 0.0
) -> LevelCorrection:
    """Correct for the roll-off of the instrument that levels: measured, or as its bandwidth lets expect.

    Parameters
    ----------
    reference
        What the bench file says of it.
    frequency_hz
        Where the level was held.
    reference_frequency_hz
        Where the readings are referred to; what the reference does there is taken off. 0: its response is flat there.

    Raises
    ------
    AnalysisError
        A frequency outside the flatness table, or at or above a bandwidth whose shape is not known.

    References
    ----------
    docs/waveforms.md eq. (22)–(26).
    """
    if reference.flatness:
        return _by_flatness(reference, frequency_hz, reference_frequency_hz)
    bandwidth_hz = reference.bandwidth or math.inf
    ratio, base = frequency_hz / bandwidth_hz, reference_frequency_hz / bandwidth_hz
    return (_by_bandwidth if reference.bandwidth_is == "stated" else _by_least)(reference, ratio, base)


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

    def reflection(self, frequency_hz: float) -> complex:
        """Reflection Γ of what the line of the source's resistance ends in, eq. (33)."""
        y, y_line = complex(1.0 / self.load_ohm, self._susceptance_s(frequency_hz)), 1.0 / self.source_ohm
        return (y_line - y) / (y_line + y)

    def u_reflection(self, frequency_hz: float) -> tuple[float, float]:
        """Standard uncertainty of |Γ| by the tolerance of the termination, and by that of the capacitance, eq. (34)."""
        g, b = self.conductance_s, self._susceptance_s(frequency_hz)
        per_siemens = 2.0 / self.source_ohm / (g**2 + b**2)
        by_farad = 2.0 * math.pi * frequency_hz * self.capacitance_tolerance_f
        by_ohm = self.termination_tolerance_ohm / self.termination_ohm**2
        return per_siemens * by_ohm / math.sqrt(3.0), per_siemens * by_farad / math.sqrt(3.0)

    def _susceptance_s(self, frequency_hz: float) -> float:
        return 2.0 * math.pi * frequency_hz * self.input_capacitance_f


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
                tr("termination"), half_width=termination.termination_tolerance_ohm, sensitivity=per_ohm, unit="Ω"
            ),
            estimate.rectangular(
                tr("input capacitance"), half_width=termination.capacitance_tolerance_f, sensitivity=per_farad, unit="F"
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
    line = estimate.rectangular(tr("drift of the level"), half_width=(high - low) / 2.0, value=middle, unit="dB")
    return LevelCorrection(correction_db=middle, contributions=(line,))


def combine(*corrections: LevelCorrection) -> LevelCorrection:
    """Add independent corrections; their lines stay apart for the budget."""
    return LevelCorrection(
        correction_db=math.fsum(part.correction_db for part in corrections),
        contributions=tuple(line for part in corrections for line in part.contributions),
    )


def _by_flatness(reference: Reference, frequency_hz: float, base_hz: float) -> LevelCorrection:
    """Interpolate in ln f; the certificate's uncertainty is common to neighbours: interpolated, not averaged."""
    frequencies = [point.frequency for point in reference.flatness]
    require_rising(frequencies, table=tr("flatness table"))

    def at(values: list[float], f: float) -> Interpolated:
        return interpolate(frequencies, values, f, table=tr("flatness table"))

    indications = [point.db for point in reference.flatness]
    here = at(indications, frequency_hz)
    u_db = at([point.u / 2.0 for point in reference.flatness], frequency_hz).value
    correction_db = (at(indications, base_hz).value if base_hz else 0.0) - here.value
    return LevelCorrection(
        correction_db=correction_db,
        contributions=(
            estimate.normal(tr("flatness of the reference, certificate"), u=u_db, value=correction_db, unit="dB"),
            estimate.rectangular(tr("flatness of the reference, interpolation"), half_width=here.bend, unit="dB"),
        ),
    )


def _by_bandwidth(reference: Reference, ratio: float, base: float) -> LevelCorrection:
    """By the middle of the shapes that it may have; half of what lies between them may be wrong."""
    if reference.shape == "unknown":
        _require_below(ratio)
    shapes = _SHAPES if reference.shape == "unknown" else (reference.shape,)
    droops_db = [droop_db(ratio, shape) - droop_db(base, shape) for shape in shapes]
    slope_db = max(droop_slope_db(ratio, shape) - droop_slope_db(base, shape) for shape in shapes)
    correction_db, spread_db = (max(droops_db) + min(droops_db)) / 2.0, (max(droops_db) - min(droops_db)) / 2.0
    return LevelCorrection(
        correction_db=correction_db,
        contributions=(
            estimate.rectangular(tr("shape of the reference"), half_width=spread_db, value=correction_db, unit="dB"),
            estimate.rectangular(
                tr("bandwidth of the reference, relative"), half_width=KNOWN_TO, sensitivity=-slope_db
            ),
        ),
    )


def rise_db(ratio: float, peak_db: float) -> float:
    """Rise of a second-order response that peaks by ``peak_db``, at ``ratio`` of its half-power frequency, eq. (41).

    From its peak on the peak itself: where a response has its peak nobody knows.
    """
    if peak_db <= 0.0:
        return 0.0
    most = 10.0 ** (peak_db / 10.0)
    q2 = (most + math.sqrt(most**2 - most)) / 2.0
    bend = 2.0 - 1.0 / q2
    x2 = min(ratio**2 * (bend + math.sqrt(bend**2 + 4.0)) / 2.0, bend / 2.0)
    return -10.0 * math.log10((1.0 - x2) ** 2 + x2 / q2)


def _by_least(reference: Reference, ratio: float, base: float) -> LevelCorrection:
    """It may as well be flat: half of a single pole's droop; or peak, as responses do that are not of one pole."""
    _require_below(ratio)
    rises_db = rise_db(ratio, reference.rise_db) - rise_db(base, reference.rise_db)
    middle_db = (droop_db(ratio, "single_pole") - droop_db(base, "single_pole")) / 2.0
    line = estimate.rectangular(
        tr("response of the reference, bandwidth at least"), half_width=abs(middle_db), value=middle_db, unit="dB"
    )
    peak = estimate.rectangular(tr("peaking of the reference"), half_width=abs(rises_db), unit="dB")
    return LevelCorrection(correction_db=middle_db, contributions=(line, peak) if peak.u else (line,))


def _require_below(ratio: float) -> None:
    if ratio >= 1.0:
        raise AnalysisError(
            f"The reference is used at {ratio:.3g} times its bandwidth, where its shape decides: "
            "give its measured flatness, or level with a faster instrument."
        )
