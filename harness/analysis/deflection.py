"""The error of a deflection, and of any length on the screen that stands for what was applied.

Errors are in percent, by the definition that the job chose. Equation numbers refer to docs/deflection.md.

References
----------
JCGM 100:2008, clauses 4 and 5. Two edges, each read to a resolution q, give a triangular ±q (JCGM 100:2008, 4.3.9).
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from harness.analysis.estimate import Budget, Contribution
from harness.analysis.graticule import Edges, Length, Reader, mean_length
from harness.analysis.verdict import ErrorDefinition, relative_error
from harness.errors import AnalysisError
from harness.words.language import tr

if TYPE_CHECKING:
    from collections.abc import Sequence

Zero: TypeAlias = Literal["set", "read", "both edges"]
_EDGES: Final[dict[Zero, Edges]] = {"set": "set and read", "read": "one", "both edges": "both read"}


def deflection_error(
    readings_div: Sequence[float],
    *,
    volts_per_div: float,
    applied_v: float,
    applied: Sequence[Contribution],
    reader: Reader,
    definition: ErrorDefinition,
    zero: Zero = "set",
    ground_div: Sequence[float] = (),
    repeats: int | None = None,
    record_u_div: float = 0.0,
    ground_u_div: float = 0.0,
    further: Sequence[Contribution] = (),
    quantity: str = "deflection error",
) -> Budget:
    """
    Return the error of one deflection point as a budget in percent.

    Parameters
    ----------
    readings_div
        Repeated readings, div; negative where the applied voltage is.
    volts_per_div
        The range under test, V/div.
    applied_v
        Voltage at the unit's input, V.
    applied
        Lines of the applied voltage: sensitivities take them to V at the unit's input.
    reader
        How divisions are read.
    definition
        Error as indication, or of the deflection factor.
    zero
        "set": the ground line was set on its line (a second edge, once); "read": `ground_div` was read and is
        subtracted; "both edges": a peak-to-peak reading.
    ground_div
        Readings of where the ground line stands, div from its place.
    repeats
        Number of repeats planned, where `readings_div` holds the one reading expected.
    record_u_div, ground_u_div
        Standard uncertainty of one reading, and of one of the ground line, as its record shows it, div.
    further
        More lines, with sensitivities to percent.

    Raises
    ------
    AnalysisError
        Without a reading, without an applied voltage, or with a deflection of zero or of the wrong sign.

    References
    ----------
    Equations (1), (7) and (8).
    """
    if not volts_per_div > 0.0:
        raise AnalysisError(f"{quantity}: a deflection factor is above zero, not {volts_per_div:g} V/div.")
    length = mean_length(
        readings_div,
        reader,
        edges=_EDGES[zero],
        repeats=repeats,
        record_u_div=record_u_div,
    )
    if zero == "read":
        length = _less_ground(length, ground_div, reader, ground_u_div)
    return length_error(
        length,
        per_div=volts_per_div,
        applied_value=applied_v,
        applied=applied,
        definition=definition,
        further=further,
        quantity=quantity,
    )


def length_error(
    length: Length,
    *,
    per_div: float,
    applied_value: float,
    applied: Sequence[Contribution],
    definition: ErrorDefinition,
    further: Sequence[Contribution] = (),
    quantity: str,
) -> Budget:
    """
    Return the relative error of a length times its factor against what was applied, in percent.

    Serves deflection (V/div, V) and time base (s/div, s) alike; `applied` holds lines with sensitivities to the applied
    value. Raises AnalysisError where length and applied value do not agree in sign.

    References
    ----------
    Equations (1), (7) and (8).
    """
    indicated = length.value_div * per_div
    if not (math.isfinite(applied_value) and applied_value != 0.0):
        raise AnalysisError(f"{quantity}: an error needs an applied value other than zero, not {applied_value:g}.")
    if not indicated / applied_value > 0.0:
        raise AnalysisError(
            f"{quantity}: a reading of {length.value_div:.4g} div does not go with the {applied_value:.4g} applied: "
            "check polarity, coupling and ground line."
        )
    # By either definition the error is a ratio less one, and a ratio changes by itself times the relative change.
    ratio = 1.0 + relative_error(indicated, applied_value, definition)
    sign = 1.0 if definition == "indication" else -1.0
    per_division = 100.0 * sign * ratio / length.value_div
    per_applied = -100.0 * sign * ratio / applied_value
    return Budget(
        quantity=quantity,
        unit="%",
        estimate=100.0 * relative_error(indicated, applied_value, definition),
        contributions=(
            *(replace(line, sensitivity=line.sensitivity * per_applied) for line in applied),
            *(replace(line, sensitivity=line.sensitivity * per_division) for line in length.contributions),
            *further,
        ),
    )


def _less_ground(length: Length, ground_div: Sequence[float], reader: Reader, record_u_div: float) -> Length:
    """The difference of two readings, each with its rounding and a scatter of its own: equation (24)."""
    if not ground_div:
        raise AnalysisError(
            "The ground line was not read, so it cannot be subtracted: read it with the input grounded."
        )
    ground = mean_length(ground_div, reader, edges="one", record_u_div=record_u_div)
    lines = tuple(
        replace(line, name=tr("ground line: {line}", line=line.name), sensitivity=-1.0) for line in ground.contributions
    )
    return Length(value_div=length.value_div - ground.value_div, contributions=(*length.contributions, *lines))
