"""The response at the rated frequency alone, against half power: what one reading there can decide.   [pure]"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from harness.analysis.estimate import Budget, Contribution, normal, rectangular
from harness.measurement import Rating
from harness.words.language import tr
from sequences.bandwidth.levelled import Levelled
from sequences.bandwidth.response_budget import LEVEL, METER, READINGS, REFERENCE
from sequences.bandwidth.response_reduce import reduce

AT_RATED: Final = Rating(
    name="response at the rated frequency",
    is_error=False,
    axis="none",
    remedy="a reference that is faster or better known, or more divisions",
)
_BESIDE_LN: Final = 0.05  # a dial is set to the rating within that; farther off it is another frequency
_STEEPEST_DB: Final = 8.7  # per ln f at half power, of all but sharp filters; flat is the other end


def response_at_rated(known: Levelled) -> Budget | None:
    """
    Return the response at the rated frequency, relative to that at the reference frequency, as a budget in dB.

    None where it was not read there. A frequency beside the rating is taken there by half of the steepest slope, give
    or take all of that half.

    References
    ----------
    docs/measurement.md, equation (21).
    """
    plan, reduced = known.plan, reduce(known.readings, known.plan)
    log_rated = math.log(plan.rated_hz)
    there = [] if reduced is None else [o for o in reduced.observations if abs(o.log_f - log_rated) <= _BESIDE_LN]
    if reduced is None or not there:
        return None
    weight = math.fsum(o.s_db**-2 for o in there)
    mean_db = math.fsum(o.y_db / o.s_db**2 for o in there) / weight
    beside_db = math.fsum((o.log_f - log_rated) / o.s_db**2 for o in there) / weight * _STEEPEST_DB / 2.0
    last = there[-1]
    lines = (
        normal(READINGS, u=weight**-0.5, unit="dB"),
        normal(REFERENCE, u=reduced.reference.s_db, unit="dB"),
        *_level_lines(known, last.members[-1], last.u_level_db),
        normal(METER, u=plan.u_reference_meter_db, unit="dB"),
        rectangular(tr("frequency beside the rated one"), half_width=abs(beside_db), value=beside_db, unit="dB"),
        normal("frequency", u=plan.u_frequency_rel * _STEEPEST_DB, unit="dB"),
    )
    return Budget(
        quantity=AT_RATED.name,
        unit="dB",
        estimate=mean_db + beside_db,
        contributions=tuple(line for line in lines if line.contribution),
    )


def _level_lines(known: Levelled, index: int, u_db: float) -> tuple[Contribution, ...]:
    """The level's lines, each by itself where they are known."""
    lines = known.level_lines[index] if known.level_lines else ()
    return lines or (normal(LEVEL, u=u_db, unit="dB"),)


def level_apart(budget: Budget, known: Levelled, frequency_hz: float) -> Budget:
    """The budget of a half-power frequency with the lines of the level in place of their sum, where they are known."""
    apart = [i for i, each in enumerate(known.level_lines) if each]
    near = min(apart, key=lambda i: abs(math.log(known.readings[i].frequency_hz / frequency_hz)), default=None)
    lines = () if near is None else known.level_lines[near]
    whole = math.hypot(*(line.contribution for line in lines))
    if not whole:
        return budget
    level = next(line for line in budget.contributions if line.name == LEVEL)
    per_db = abs(level.contribution) / whole
    own = [
        replace(line, sensitivity=line.sensitivity * per_db, origin=level.origin) for line in lines if line.contribution
    ]
    others = [line for line in budget.contributions if line.name != LEVEL and line.u]
    return replace(budget, contributions=(*others, *own))
