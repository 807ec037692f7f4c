"""From a measured point to its budget and its limits; without readings, the budget to expect beforehand.   [pure]

What is particular to a quantity stands with its rating, in `sequences/`.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.analysis.estimate import Budget
from harness.analysis.verdict import Limits
from harness.assess.sources import true_level, true_period_ratio
from harness.errors import AnalysisError
from harness.measurement import quantity_of
from harness.models import Setup
from harness.steps import Measure, Reading


def budget_for(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    ground: Sequence[Reading] = (),
    *,
    repeats: int = 1,
) -> Budget:
    """
    Return the budget of any point by its quantity.

    Parameters
    ----------
    setup
        Bench, unit and job.
    step
        What was asked.
    readings
        Its reading and repeats; what was skipped or off the screen is passed over. Without any, the budget is the one
        to expect of a unit without error.
    ground
        Readings of the ground line, where one was read.
    repeats
        Number of readings planned, where there are none yet.

    Raises
    ------
    AnalysisError
        No reading among the readings, no accuracy for the stimulus, or a quantity that is not judged.
    """
    rating = quantity_of(step).rating
    if rating is None or rating.budget is None:
        raise AnalysisError(f"the {step.quantity.replace('_', ' ')} is read for other results, and not judged.")
    return rating.budget(setup, step, readings, ground, repeats)


def ideal(setup: Setup, step: Measure) -> float:
    """Return what an ideal unit shows: as the sequence expected it, moved by the known error of the source."""
    rating, level, expected = quantity_of(step).rating, step.stimulus.level, step.expected or 0.0
    if rating is None or not rating.is_error or not level:
        return expected
    return expected * true_period_ratio(setup, step) * (true_level(setup, step) / level)


def limits_for(setup: Setup, step: Measure) -> Limits:
    """Return the tolerance of a point in the unit of its budget; AnalysisError if none is rated."""
    quantity = quantity_of(step)
    rating = quantity.rating
    tolerance = None if rating is None or rating.tolerance is None else rating.tolerance(setup.unit, step)
    if rating is None or tolerance is None:
        wanted = step.quantity.replace("_", " ")
        raise AnalysisError(f"{setup.unit.model}: the unit file rates no {wanted}, so there is no verdict on it.")
    return Limits.symmetric(100.0 * tolerance) if rating.is_error else Limits(high=quantity.shown_in[0] * tolerance)


def values_of(readings: Sequence[Reading]) -> list[float]:
    """The values of what was read; AnalysisError where there are readings, and none of them has one."""
    values = [r.value for r in readings if r.status == "read" and r.value is not None]
    if readings and not values:
        raise AnalysisError("none of the readings of this point has a value: they were skipped or off the screen.")
    return values


def record_u(readings: Sequence[Reading]) -> float:
    """The largest standard uncertainty that the records themselves show."""
    return max((r.scatter or 0.0 for r in readings if r.status == "read"), default=0.0)
