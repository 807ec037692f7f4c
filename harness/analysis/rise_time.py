"""The unit's own rise time: read by eye, freed of its source's, and what it suggests of the bandwidth.

Equations are numbered as in docs/waveforms.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from harness.analysis import estimate
from harness.errors import AnalysisError
from harness.quantities import show

if TYPE_CHECKING:
    from harness.analysis.estimate import Contribution


@dataclass(frozen=True, slots=True, kw_only=True)
class RiseTime:
    """A rise time and the lines of its budget; ``u_model_s`` is the part that unknown shapes make."""

    rise_time_s: float
    contributions: tuple[Contribution, ...]
    u_model_s: float = 0.0

    @property
    def u_s(self) -> float:
        """Standard uncertainty of the lines together."""
        return math.hypot(*(line.contribution for line in self.contributions))


@dataclass(frozen=True, slots=True, kw_only=True)
class BandwidthCrossCheck:
    """What a rise time suggests of the bandwidth. A cross-check: it proves no half-power frequency.

    ``low_hz`` and ``high_hz`` hold for the responses from Gaussian to a four-pole one with 11 % overshoot.
    """

    bandwidth_hz: float
    low_hz: float
    high_hz: float


def remove_source(
    rise_time_s: float,
    source_rise_time_s: float,
    *,
    u_rise_time_s: float = 0.0,
    u_source_rise_time_s: float = 0.0,
    shapes: Literal["unknown", "gaussian"] = "unknown",
) -> RiseTime:
    """Return the rise time of the unit alone, √(tm² − ts²).

    Parameters
    ----------
    rise_time_s, u_rise_time_s
        The rise time measured, and its standard uncertainty.
    source_rise_time_s, u_source_rise_time_s
        That of the source alone, and its standard uncertainty.
    shapes
        The formula is exact for two Gaussians. "unknown" carries the largest error found between responses from one
        pole to four-pole with 11 % overshoot, and sources that overshoot by 1 % at most.

    Raises
    ------
    AnalysisError
        A measured rise time no longer than the source's, or a source so slow that the limits reach zero.

    References
    ----------
    docs/waveforms.md eq. (18) and (19).
    """
    if not source_rise_time_s >= 0.0 or not math.isfinite(source_rise_time_s):
        raise AnalysisError(f"The rise time of the source must be zero or more, not {source_rise_time_s:g} s.")
    if not rise_time_s > source_rise_time_s:
        raise AnalysisError(
            f"The rise time of {show(rise_time_s, 's', 3)} is no longer than its source's "
            f"{show(source_rise_time_s, 's', 3)}: the unit's own cannot be told. Use a faster source."
        )
    unit_s = math.sqrt(rise_time_s**2 - source_rise_time_s**2)
    model_s = 0.0 if shapes == "gaussian" else unit_s * removal_error(source_rise_time_s / unit_s)
    if model_s >= unit_s:
        raise AnalysisError(
            f"The source's rise time of {show(source_rise_time_s, 's', 3)} hides the unit's: "
            f"of {show(rise_time_s, 's', 3)} measured, no more can be said than an upper limit. Use a faster source."
        )
    model = estimate.rectangular("removing the source by squares", half_width=model_s, unit="s")
    return RiseTime(
        rise_time_s=unit_s,
        u_model_s=model.u,
        contributions=(
            estimate.normal("rise time measured", u=u_rise_time_s, sensitivity=rise_time_s / unit_s, unit="s"),
            estimate.normal(
                "rise time of the source", u=u_source_rise_time_s, sensitivity=-source_rise_time_s / unit_s, unit="s"
            ),
            model,
        ),
    )


def removal_error(ratio: float) -> float:
    """Return the limits of the relative error of √(tm² − ts²) at source/unit = ``ratio``, eq. (19).

    An envelope, not a law: tests/test_rise_time.py holds it over the pairs of shapes that :func:`remove_source` names.
    """
    return 0.02 * ratio + 0.4 * max(ratio**2, ratio**4)


def rise_time_from_graticule(
    crossing_10_div: float,
    crossing_90_div: float,
    *,
    time_per_div_s: float,
    resolution_div: float,
    scatter_div: float = 0.0,
    u_time_factor: float = 0.0,
) -> RiseTime:
    """Rise time from where a person saw the edge cross the 10 and the 90 % line, in divisions from the left.

    Parameters
    ----------
    crossing_10_div, crossing_90_div
        The two answers.
    time_per_div_s
        The time factor.
    resolution_div, scatter_div
        To what the person reads, and the standard deviation of one reading beyond that.
    u_time_factor
        Relative standard uncertainty of the time factor.

    Raises
    ------
    AnalysisError
        The 90 % crossing does not lie right of the 10 % crossing, or the time factor is not above zero.

    References
    ----------
    docs/waveforms.md eq. (20). Two roundings of equal width make a triangular difference.
    """
    if not time_per_div_s > 0.0:
        raise AnalysisError(f"The time factor must be above zero, not {time_per_div_s:g} s/div.")
    divisions = crossing_90_div - crossing_10_div
    if not divisions > 0.0:
        raise AnalysisError(
            f"The 90 % crossing at {crossing_90_div:g} div must lie right of the 10 % crossing "
            f"at {crossing_10_div:g} div: read both again."
        )
    rise_s = divisions * time_per_div_s
    return RiseTime(
        rise_time_s=rise_s,
        contributions=(
            estimate.triangular(
                "reading of the two crossings", half_width=resolution_div, sensitivity=time_per_div_s, unit="div"
            ),
            estimate.normal(
                "scatter of reading", u=math.sqrt(2.0) * scatter_div, sensitivity=time_per_div_s, unit="div"
            ),
            estimate.normal("time factor", u=u_time_factor, sensitivity=rise_s),
        ),
    )


def bandwidth_cross_check(rise_time_s: float) -> BandwidthCrossCheck:
    """Return 0.35/tr, and the span 0.34/tr to 0.39/tr of the usual responses, eq. (21)."""
    if not rise_time_s > 0.0:
        raise AnalysisError(f"A rise time must be above zero, not {rise_time_s:g} s.")
    return BandwidthCrossCheck(
        bandwidth_hz=0.35 / rise_time_s, low_hz=0.3396 / rise_time_s, high_hz=0.3872 / rise_time_s
    )
