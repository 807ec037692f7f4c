"""A table of levels (or of anything in dB) against frequency: read once, interpolated in ln f afterwards.

Equations are numbered as in docs/waveforms.md.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.analysis import estimate
from harness.analysis.curve import LevelPoint
from harness.errors import AnalysisError
from harness.words.language import tr

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.analysis.estimate import Contribution


@dataclass(frozen=True, slots=True, kw_only=True)
class Interpolated:
    """A value between two points, how far a curve may bend off the straight line there, and the points' weights."""

    value: float
    bend: float
    left: int
    part: float


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
class LevelTable:
    """Levels at rising frequencies, at least two, relative to that at `base_hz`, which is one of them."""

    points: tuple[LevelPoint, ...]
    base_hz: float

    def __post_init__(self) -> None:
        require_rising([point.frequency_hz for point in self.points], table=tr("level table"))

    def level(self, frequency_hz: float) -> LevelCorrection:
        """Level between two points less that of the base, eq. (31): the scatter of all three, and of the bend (32).

        Raises
        ------
        AnalysisError
            A frequency outside the table: nothing is extrapolated.
        """
        frequencies = [point.frequency_hz for point in self.points]
        here = interpolate(
            frequencies, [point.level_db for point in self.points], frequency_hz, table=tr("level table")
        )
        left, right = self.points[here.left], self.points[here.left + 1]
        base = next(point for point in self.points if point.frequency_hz == self.base_hz)
        # A point that is itself the base stands in the difference once, with what is left of its weight.
        read = [
            estimate.normal(
                tr("level table, readings {where}", where=where),
                u=point.u_db,
                dof=point.dof,
                sensitivity=weight,
                unit="dB",
            )
            for where, point, weight in (
                (tr("below"), left, 1.0 - here.part - (left is base)),
                (tr("above"), right, here.part - (right is base)),
                (tr("at the reference frequency"), base, 0.0 if base in (left, right) else -1.0),
            )
        ]
        bend = estimate.rectangular(tr("level table, interpolation"), half_width=here.bend, unit="dB")
        return LevelCorrection(correction_db=here.value, contributions=(*read, bend))


def interpolate(
    frequencies_hz: Sequence[float], values: Sequence[float], frequency_hz: float, *, table: str
) -> Interpolated:
    """Interpolate linearly in ln f; the bend is that of the sharpest parabola through three points near, eq. (32).

    To its curvature comes the change of curvature among the parabolas near.

    Raises
    ------
    AnalysisError
        A frequency outside the table.
    """
    if not frequencies_hz[0] <= frequency_hz <= frequencies_hz[-1]:
        raise AnalysisError(
            f"The {table} reaches from {frequencies_hz[0]:g} Hz to {frequencies_hz[-1]:g} Hz; "
            f"{frequency_hz:g} Hz lies outside: extend the table."
        )
    x = [math.log(f) for f in frequencies_hz]
    left = min(bisect_right(frequencies_hz, frequency_hz), len(x) - 1) - 1
    at = math.log(frequency_hz)
    part = min(max((at - x[left]) / (x[left + 1] - x[left]), 0.0), 1.0)
    near = range(max(left - 2, 0), min(left + 2, len(x) - 2))
    curvatures = [_second_difference(x, values, i) for i in near] or [0.0]
    # At a table's ends, and where the curve turns, the change from one parabola to the next goes on.
    curvature = max(map(abs, curvatures)) + max(curvatures) - min(curvatures)
    return Interpolated(
        value=(1.0 - part) * values[left] + part * values[left + 1],
        bend=curvature * abs((at - x[left]) * (x[left + 1] - at)),
        left=left,
        part=part,
    )


def require_rising(frequencies_hz: Sequence[float], *, table: str) -> None:
    """Refuse a table of fewer than two points, or whose frequencies do not rise from above zero."""
    if len(frequencies_hz) < 2:
        raise AnalysisError(f"The {table} needs at least two frequencies.")
    pairs = zip((0.0, *frequencies_hz), frequencies_hz, strict=False)
    if any(not low < high for low, high in pairs):
        raise AnalysisError(f"The frequencies of the {table} must rise from line to line, and be above zero.")


def _second_difference(x: Sequence[float], y: Sequence[float], i: int) -> float:
    """Second divided difference of three points: half the curvature of the parabola through them."""
    first = (y[i + 1] - y[i]) / (x[i + 1] - x[i])
    second = (y[i + 2] - y[i + 1]) / (x[i + 2] - x[i + 1])
    return (second - first) / (x[i + 2] - x[i])
