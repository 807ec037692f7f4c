"""Lengths read on a graticule: rounding, scatter, and what repeating a reading gains.

A reading is a position with a random scatter σ, rounded to a step q. Equation numbers refer to docs/deflection.md.

References
----------
Rounding of a noisy value: the characteristic function of the noise damps the harmonics of the rounding error
(B. Widrow, "Statistical analysis of amplitude-quantized sampled-data systems", 1961; from memory). JCGM 100:2008,
F.2.2.1 (resolution), 4.2.4 (pooled variance), G.4.2 (degrees of freedom of an estimated uncertainty).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeAlias

from harness.analysis import estimate
from harness.errors import AnalysisError
from harness.words.language import tr

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.analysis.estimate import Contribution

# A scatter taken from experience is known to a quarter of itself: ν = ½·(25 %)⁻² (JCGM 100:2008, G.4.2).
ASSUMED_DOF = 8.0
ASSUMED = "scatter assumed of the reader"

Edges: TypeAlias = Literal["one", "set and read", "both read"]

_HARDLY_DAMPED = 1e-3  # below, the series converges slowly and its expansion in the damping is exact to 1e-12
_NEGLIGIBLE = 40.0  # exp(−40) = 4e-18


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """How divisions are read.

    `scatter_div` is the standard deviation of one reading before it is rounded, known with `scatter_dof` degrees of
    freedom; None leaves it to the repeats alone. `rounding_averages` is False where repeats are the same rounding made
    again, because the reader remembers the answer: then only the scatter gets less.
    """

    resolution_div: float
    scatter_div: float | None = None
    scatter_dof: float = ASSUMED_DOF
    rounding_averages: bool = True

    def __post_init__(self) -> None:
        if not (math.isfinite(self.resolution_div) and self.resolution_div >= 0.0):
            raise AnalysisError(f"A resolution must be zero or more divisions, not {self.resolution_div}.")
        if self.scatter_div is not None and not (math.isfinite(self.scatter_div) and self.scatter_div >= 0.0):
            raise AnalysisError(f"A scatter must be zero or more divisions, not {self.scatter_div}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Length:
    """A mean length in div, and its scatter and rounding as budget lines in div."""

    value_div: float
    contributions: tuple[Contribution, ...]


ON_LINE_DIV = 0.03
"""Within what a trace is brought onto a graticule line: half of its width, common practice."""


def length_on_lines(settings_div: Sequence[float], *, step_div: float = 0.0) -> Length:
    """
    Return a length whose two edges were brought onto two lines of the graticule, by turning what is applied.

    Parameters
    ----------
    settings_div
        What the lines are apart, or, of several settings, what that is worth at the mean of what was applied.
    step_div
        The last digit to which the source says what it applied, as a length.

    References
    ----------
    docs/deflection.md, equation (23).
    """
    if not settings_div:
        raise AnalysisError("A length needs at least one setting onto its lines.")
    n = len(settings_div)
    edges = (tr("one edge on its line"), tr("the other edge on its line"))
    lines = [estimate.rectangular(name, half_width=ON_LINE_DIV, unit="div") for name in edges]
    if step_div:
        lines.append(estimate.rectangular(tr("last digit of the source"), half_width=0.5 * step_div, unit="div"))
    if n > 1:
        lines.append(estimate.repeated(tr("scatter of the mean of {n} settings", n=n), settings_div, unit="div"))
    return Length(value_div=math.fsum(settings_div) / n, contributions=tuple(lines))


def rounding_floor(scatter: float, step: float) -> float:
    """
    Return the rms error that rounding leaves in the mean of ever so many readings of one position.

    Parameters
    ----------
    scatter
        Standard deviation σ of a reading before it is rounded.
    step
        Step q of the rounding, in the same unit.

    Notes
    -----
    Over all places between two steps: floor² = q²/(2π²) Σ exp(−4π²k²σ²/q²)/k². Without scatter it is q/√12; from
    σ = q/4 on the first term, q/(√2·π)·exp(−2π²σ²/q²), is all of it.

    References
    ----------
    Equation (3).
    """
    if step <= 0.0:
        return 0.0
    damping = (2.0 * math.pi * scatter / step) ** 2
    if damping < _HARDLY_DAMPED:  # Σ exp(−ak²)/k² = π²/6 − √(πa) + a/2 but for terms in exp(−π²/a)
        series = math.pi**2 / 6.0 - math.sqrt(math.pi * damping) + damping / 2.0
    else:
        terms = 2 + math.ceil(math.sqrt(_NEGLIGIBLE / damping))
        series = math.fsum(math.exp(-damping * k * k) / (k * k) for k in range(1, terms))
    return step / (math.sqrt(2.0) * math.pi) * math.sqrt(series)


def scatter_of_rounded(scatter: float, step: float) -> float:
    """Return the standard deviation that repeats show once rounded: √(σ² + q²/12 − floor²), equation (4)."""
    return math.sqrt(max(scatter**2 + step**2 / 12.0 - rounding_floor(scatter, step) ** 2, 0.0))


def scatter_before_rounding(observed: float, step: float) -> float:
    """Return the σ whose rounded repeats would show the standard deviation `observed`: the inverse of equation (4)."""
    low, high = 0.0, observed  # rounding only adds to what repeats show, so σ ≤ observed
    for _ in range(60):
        middle = 0.5 * (low + high)
        if scatter_of_rounded(middle, step) < observed:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def mean_length(
    readings_div: Sequence[float],
    reader: Reader,
    *,
    edges: Edges = "set and read",
    repeats: int | None = None,
    record_u_div: float = 0.0,
) -> Length:
    """
    Average repeated readings of one length.

    Parameters
    ----------
    readings_div
        The repeats.
    reader
        How they were read.
    edges
        What bounds the length: "one" edge read from a known zero; a zero "set" on its line once "and" the other edge
        "read" each time; "both read" each time. Each edge is known to ± half the resolution.
    repeats
        Number of repeats *planned*, where `readings_div` holds the one nominal reading.
    record_u_div
        Standard uncertainty of one reading that its own record shows, where that is more than its scatter.

    Raises
    ------
    AnalysisError
        Without a reading, with one reading and no assumed scatter, or with readings that are not finite.

    References
    ----------
    Equations (2) to (6).
    """
    n = len(readings_div) if repeats is None else repeats
    if not readings_div or n < 1:
        raise AnalysisError("A length needs at least one reading.")
    if not all(math.isfinite(x) for x in readings_div):
        raise AnalysisError("A reading must be a finite number of divisions.")
    observed, dof = _pooled_scatter(readings_div if repeats is None else (), reader, n)
    by_record = record_u_div > observed
    scatter = estimate.normal(
        tr("scatter of one reading") if n == 1 else tr("scatter of the mean of {n} readings", n=n),
        u=(record_u_div if by_record else observed) / math.sqrt(n),
        dof=math.inf if by_record else dof,
        unit="div",
    )
    if reader.scatter_div and not by_record:  # every length that one reader reads rests on it
        scatter = replace(scatter, known_from=ASSUMED)
    still = math.sqrt(3.0) * _rounding(observed, reader, n)
    whole = 0.5 * reader.resolution_div
    names_widths: dict[Edges, tuple[tuple[str, float], ...]] = {
        "one": ((tr("reading to the resolution"), still),),
        "set and read": ((tr("zero line set on its graticule line"), whole), (tr("reading of the trace"), still)),
        "both read": ((tr("reading of one edge"), still), (tr("reading of the other edge"), still)),
    }
    lines = [estimate.rectangular(name, half_width=width, unit="div") for name, width in names_widths[edges]]
    return Length(value_div=math.fsum(readings_div) / len(readings_div), contributions=(*lines, scatter))


def _pooled_scatter(readings_div: Sequence[float], reader: Reader, n: int) -> tuple[float, float]:
    """Standard deviation of one reading, and its degrees of freedom, equation (5): experience pooled with repeats."""
    nu_seen = max(len(readings_div) - 1, 0)
    mean = math.fsum(readings_div) / len(readings_div) if readings_div else 0.0
    squares = math.fsum((x - mean) ** 2 for x in readings_div)
    if reader.scatter_div is None:
        if nu_seen == 0:
            raise AnalysisError("One reading shows no scatter: state the scatter of a reading, or read again.")
        return math.sqrt(squares / nu_seen), nu_seen
    assumed = reader.scatter_div
    if n > 1 and reader.rounding_averages:
        assumed = scatter_of_rounded(assumed, reader.resolution_div)
    if nu_seen == 0:
        return assumed, reader.scatter_dof
    if math.isinf(reader.scatter_dof):
        return assumed, math.inf
    nu = reader.scatter_dof + nu_seen
    return math.sqrt((reader.scatter_dof * assumed**2 + squares) / nu), nu


def _rounding(observed: float, reader: Reader, n: int) -> float:
    """Standard uncertainty that rounding leaves in one edge, equations (2) and (3)."""
    if n == 1 or not reader.rounding_averages:
        return reader.resolution_div / math.sqrt(12.0)
    return rounding_floor(scatter_before_rounding(observed, reader.resolution_div), reader.resolution_div)
