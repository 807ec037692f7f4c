"""What a source that is not matched makes of what its line ends in: U-shaped, at the unit and where the level was read.

A termination beside an input's capacitance reflects more the higher the frequency, whatever its standing-wave ratio
near zero: 50 Ω beside 20 pF have a reflection of 0.35 at 118 MHz. How much of the source's wave comes back in phase
depends on the length of the line, which nobody knows to a degree. Equations are numbered as in docs/waveforms.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.analysis.estimate import arcsine, reflection_of
from harness.quantities import DB_PER_NEPER

if TYPE_CHECKING:
    from harness.analysis.estimate import Contribution
    from sequences.levelling.corrections import Termination


@dataclass(frozen=True, slots=True, kw_only=True)
class End:
    """What a line ends in: its reflection as far as it is known, and the size of what is not, of unknown phase.

    `moved` is the size of what is moved with the line, such as its termination; `own` that of the input itself.
    """

    known: complex = 0.0
    moved: float = 0.0
    own: float = 0.0

    @property
    def size(self) -> float:
        """Root mean square of |Γ|."""
        return math.hypot(abs(self.known), self.moved, self.own)


def end_of(termination: Termination | None, frequency_hz: float, vswr: float) -> End:
    """What stands at the end of a line; without a termination or high-impedance input, all of it is the input's own."""
    if termination is None:
        return End(own=reflection_of(vswr))
    by_ohm, by_farad = termination.u_reflection(frequency_hz)
    moved = math.hypot(by_ohm, reflection_of(vswr))
    return End(known=termination.reflection(frequency_hz), moved=moved, own=by_farad)


def mismatch(source_vswr: float, end: End, *, name: str = "mismatch") -> Contribution:
    """Return the line of one end, eq. (27): ±|Γs||Γl|, to first order in dB."""
    return _line(name, source_vswr, end.size)


def mismatch_through_one_line(
    source_vswr: float, unit: End, reference: End, *, alike: bool = True, name: str = "mismatch"
) -> Contribution:
    """Return the line of two ends that were put on one and the same line in turn, eq. (35).

    The phase is unknown and the same for both, so only what differs between the ends is left; `alike`: what is moved
    with the line is the same at both.
    """
    moved = () if alike else (unit.moved, reference.moved)
    return _line(name, source_vswr, math.hypot(abs(unit.known - reference.known), unit.own, reference.own, *moved))


def _line(name: str, source_vswr: float, size: float) -> Contribution:
    return arcsine(name, half_width=DB_PER_NEPER * reflection_of(source_vswr) * size, unit="dB")
