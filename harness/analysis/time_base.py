"""Time base and magnifier: the error of a time factor from the span of time marks.

Equation numbers refer to docs/deflection.md.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from harness.analysis.deflection import length_error
from harness.analysis.graticule import Reader, mean_length
from harness.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.analysis.estimate import Budget, Contribution
    from harness.analysis.verdict import ErrorDefinition


def time_base_error(
    spans_div: Sequence[float],
    *,
    expected_div: float,
    period: Sequence[Contribution],
    reader: Reader,
    definition: ErrorDefinition,
    repeats: int | None = None,
    record_u_div: float = 0.0,
    both_read: bool = False,
    quantity: str = "time factor error",
) -> Budget:
    """
    Return the error of a time factor (magnified or not) as a budget in percent.

    Parameters
    ----------
    spans_div
        Repeated readings of the span between two marks, div.
    expected_div
        Span that an ideal unit would show: the marks' true distance over the time factor set, magnifier included.
    period
        Relative lines of the marks' period (0.001 for 0.1 %).
    reader
        How divisions are read along the time axis.
    definition
        "indication": (shown − true)/true, positive where the span is too long. "deflection factor": of the time factor
        itself, positive where the span is too short.
    repeats
        Number of repeats planned, where `spans_div` holds the one span expected.
    record_u_div
        Standard uncertainty of one span as its record shows it, div.
    both_read
        Both marks are read; False where the first is set on a graticule line and the last is read.

    Raises
    ------
    AnalysisError
        Without a span, or with one that is not above zero.

    References
    ----------
    Equation (16).
    """
    if not expected_div > 0.0:
        raise AnalysisError(f"{quantity}: the expected span is above zero, not {expected_div:g} div.")
    span = mean_length(
        spans_div,
        reader,
        edges="both read" if both_read else "set and read",
        repeats=repeats,
        record_u_div=record_u_div,
    )
    scaled = [replace(line, sensitivity=line.sensitivity * expected_div) for line in period]
    return length_error(
        span, per_div=1.0, applied_value=expected_div, applied=scaled, definition=definition, quantity=quantity
    )
