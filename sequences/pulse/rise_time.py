"""The unit's own rise time, freed of its source's.

Equations are numbered as in docs/waveforms.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from harness.analysis import estimate
from harness.errors import AnalysisError
from harness.quantities import show
from harness.words.language import tr

if TYPE_CHECKING:
    from harness.analysis.estimate import Contribution

SOURCE: Final = "rise time of the source"  # the line of the standard's own error


@dataclass(frozen=True, slots=True, kw_only=True)
class RiseTime:
    """A rise time and the lines that removing its source adds, the last of them what unknown shapes make."""

    rise_time_s: float
    contributions: tuple[Contribution, ...]


def remove_source(rise_time_s: float, source_rise_time_s: float, *, u_source_rise_time_s: float = 0.0) -> RiseTime:
    """Return the rise time of the unit alone, √(tm² − ts²), of one measured and the source's own.

    The formula is exact for two Gaussians. The limits hold the largest error found between responses from one pole to
    four-pole with 11 % overshoot, and sources that overshoot by 1 % at most.

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
    model_s = unit_s * removal_error(source_rise_time_s / unit_s)
    if model_s >= unit_s:
        raise AnalysisError(
            f"The source's rise time of {show(source_rise_time_s, 's', 3)} hides the unit's: "
            f"of {show(rise_time_s, 's', 3)} measured, no more can be said than an upper limit. Use a faster source."
        )
    model = estimate.rectangular(tr("removing the source by squares"), half_width=model_s, unit="s")
    return RiseTime(
        rise_time_s=unit_s,
        contributions=(
            estimate.normal(SOURCE, u=u_source_rise_time_s, sensitivity=-source_rise_time_s / unit_s, unit="s"),
            model,
        ),
    )


def removal_error(ratio: float) -> float:
    """Return the limits of the relative error of √(tm² − ts²) at source/unit = ``ratio``, eq. (19).

    An envelope, not a law: tests/test_rise_time.py holds it over the pairs of shapes that :func:`remove_source` names.
    """
    return 0.02 * ratio + 0.4 * max(ratio**2, ratio**4)
