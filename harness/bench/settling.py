"""When a reading counts: how long a new setting is waited for, and whether what is read stands still.   [pure]

What it does to the uncertainty is in docs/uncertainty.md, section 10.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from harness.measurement import quantity_of
from harness.models import Instrument, ScreenSettling, Setup, SourceSettling
from harness.quantities import show
from harness.steps import AMPLITUDE, NOT_SETTLED, Measure, NoSignal, Reading, Role

EVENT: Final = NOT_SETTLED  # of the journal; the reading's flag is called the same
NO_SIGNAL: Final = "no signal"
QUESTIONED: Final = "connection questioned"
FAR: Final = 2.0
"""A reading below half of the least, or above twice the most, that was sure to come is not believed at once. What is
believed is within 15 % where the level is known; a range that is wrong by a factor of two is a rare fault, and a cable
that hangs in the air a common one."""
NOTHING: Final = 0.1  # of what was expected, where no bounds are stated
MOST_READINGS: Final = 100  # of one point, however quickly they come


def wait_s(setup: Setup, step: Measure, *, but: Role | None = None) -> float:
    """The longest wait of the instruments that take part in a point, `but` one that has settled already."""
    taking_part = (instrument for role, instrument in setup.bench.instruments() if role in step.roles - {but})
    return max((_of(instrument, step) for instrument in taking_part), default=0.0)


def _of(instrument: Instrument, step: Measure) -> float:
    holding = [line.wait for line in getattr(instrument, "settling", ()) if _holds(line, step)]
    return max(holding, default=instrument.settle)


def _holds(line: SourceSettling | ScreenSettling, step: Measure) -> bool:
    if isinstance(line, ScreenSettling):
        return line.covers(step.view.volts_per_div)
    off = isinstance(step.stimulus, NoSignal)  # it has no level, and so one of every range
    return line.covers(level=None if off else abs(step.stimulus.level), frequency_hz=step.stimulus.rate_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """Two readings in a row, `apart_s` apart, agree within `within` (in the quantity's unit), or `by_s` is over."""

    within: float
    by_s: float
    apart_s: float


def criterion(setup: Setup, step: Measure) -> Criterion | None:
    """What is asked of a reading before it counts; None where it counts at once, or a person reads it."""
    at_unit = step.display == "unit"
    read = setup.unit if at_unit else setup.bench.reference
    link = setup.bench.unit if at_unit else setup.bench.reference
    if read is None or read.settled_within is None or read.read == "eye" or link is None or link.driver == "manual":
        return None
    within, unit = read.settled_within, quantity_of(step).unit
    if unit == "s":
        within *= step.view.s_per_div / step.view.magnifier
    elif unit != "div":
        return None  # within one record: what is still moving moves all of its parts
    return Criterion(within=within, by_s=read.settled_by, apart_s=wait_s(setup, step))


def agree(before: Reading, after: Reading, wanted: Criterion) -> bool:
    """Whether nothing moved between two readings; what has no value has nothing to wait for."""
    if before.value is None or after.value is None:
        return after.value is None
    return abs(after.value - before.value) <= wanted.within * (1 + 1e-9)


def unsettled(before: Reading, after: Reading) -> Reading:
    """The last reading of one that never stood still, marked; how far it still went counts as its scatter."""
    moved = abs((after.value or 0.0) - (before.value or 0.0))
    return replace(after, flags=(*after.flags, NOT_SETTLED), scatter=math.hypot(after.scatter or 0.0, moved))


def sentence(step: Measure, last: tuple[Reading, Reading], wanted: Criterion, readings: int) -> str:
    """What the journal keeps of a reading that never stood still."""
    unit = quantity_of(step).unit
    values = " and ".join(_spoken(reading.value, unit) for reading in last)
    return (
        f"{step.display}, channel {step.view.channel}, {show(step.view.volts_per_div, 'V')}/div: {readings} readings "
        f"in {show(wanted.by_s, 's')} never agreed within {show(wanted.within, unit, 3)} (the last two: {values}); "
        "the last one counts, marked."
    )


def _spoken(value: float | None, unit: str) -> str:
    return "none" if value is None else show(value, unit, 4)


def is_near(step: Measure, reading: Reading, divides_by: float = 1.0) -> bool:
    """Whether a reading may be of the signal that was applied: not far outside what was sure to come.

    A ratio within a record says nothing of its signal; the record's amplitude, where there is one, does.
    """
    if (
        quantity_of(step).sweeps
        or reading.status != "read"
        or reading.value is None
        or isinstance(step.stimulus, NoSignal)
    ):
        return True
    if reading.more.get(AMPLITUDE, math.inf) < _applied_div(step, divides_by) / FAR:
        return False
    if not step.expected:
        return True
    sign = math.copysign(1.0, step.expected)
    bounds = sorted(sign * bound for bound in (step.expected_low, step.expected_high) if bound is not None)
    low = bounds[0] / FAR if len(bounds) == 2 else NOTHING * abs(step.expected)
    high = bounds[-1] * FAR if len(bounds) == 2 else math.inf
    return low <= sign * reading.value <= high


def _applied_div(step: Measure, divides_by: float) -> float:
    return float(getattr(step.stimulus, "level_vpp", 0.0)) / divides_by / step.view.volts_per_div


def no_signal(reading: Reading) -> Reading:
    """The reading as one of another signal than was applied: kept, and never judged."""
    return replace(reading, status="no_signal")


def far_sentence(step: Measure, reading: Reading, divides_by: float = 1.0) -> str:
    """What is said of a reading that was taken twice and is far from what was applied."""
    unit: str = quantity_of(step).unit
    got, applied = reading.value, step.expected or 0.0
    if AMPLITUDE in reading.more:
        unit, got, applied = "div", reading.more[AMPLITUDE], _applied_div(step, divides_by)
    return (
        f"{step.display}, channel {step.view.channel}, {show(step.view.volts_per_div, 'V')}/div: read "
        f"{_spoken(got, unit)} twice where about {show(applied, unit, 3)} was applied: is the {step.source} connected?"
    )


def planned_s(setup: Setup, step: Measure) -> float:
    """The time that settling takes of a point where nothing is amiss: two waits where two readings must agree."""
    wanted = criterion(setup, step)
    return wait_s(setup, step) + (wanted.apart_s if wanted else 0.0)
