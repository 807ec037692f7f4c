"""What two channels say of each other: phase, delay, difference, sum.   [pure]"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from harness.analysis.estimate import Budget
from harness.measurement import quantity_of
from harness.models import Setup, Unit, rated
from harness.report import shown
from harness.report.checklist import count, heading
from harness.report.model import Evaluated, Heading, PartResult, Result
from harness.report.points import result_of
from harness.report.readings import Group, Taken, grouped, missing
from harness.steps import Reading
from harness.words.language import tr, tr_count
from sequences.channels_together import Rated
from sequences.channels_together.between import (
    BETWEEN_DELAY,
    BETWEEN_PHASE,
    DIFFERENCE_HEIGHT,
    FIGURE,
    LEFT,
    OPENING,
    SINGLE,
    SUM,
    SUM_HEIGHT,
    difference_budget,
    phase_budget,
    sum_budget,
)


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """Every reading that is judged, with the heights that it is a part of."""
    groups, _ = grouped(taken)
    judged = [group for group in groups if quantity_of(group.step).rating is not None]
    results = tuple(_with_rejection(result_of(setup, group, _budget(setup, group, groups))) for group in judged)
    there = ((r.channel, r.path, r.quantity, r.setting) for r in results)
    return Evaluated(results=results, missing=tuple(missing(entry, there)))


def _budget(setup: Setup, group: Group, groups: Sequence[Group]) -> Callable[[], Budget] | None:
    step, readings = group.step, group.readings

    def beside(name: str, channel: int | None = None) -> Sequence[Reading]:
        found = (
            g.readings for g in groups
            if (g.step.quantity, g.step.stimulus, g.step.view.channel) == (name, step.stimulus, channel) and g.read
        )  # fmt: skip
        return next(found, ())

    channel, second = step.view.channel, step.second
    match step.quantity:
        case OPENING.name:
            return partial(phase_budget, setup, step, readings, beside=beside(FIGURE.name, channel))
        case DIFFERENCE_HEIGHT.name:
            return partial(difference_budget, setup, step, readings, beside=beside(SINGLE.name, channel))
        case SUM_HEIGHT.name:
            one, other = beside(SINGLE.name, channel), beside(SINGLE.name, second)
            return partial(sum_budget, setup, step, readings, parts=(one, other) if one and other else None)
        case _:
            return None


def _with_rejection(result: Result) -> Result:
    """What is left of a common signal as makers state it, in dB."""
    if result.quantity != LEFT.name or result.statement is None or not result.statement.estimate > 0:
        return result
    rejection_db = -20 * math.log10(result.statement.estimate / 100)
    return replace(result, remarks=(*result.remarks, tr("rejection {rejection_db:.1f} dB", rejection_db=rejection_db)))


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    if stated.phase is not None:
        yield tr(
            "phase between channels ±{phase:g}° at {phase_at}",
            phase=stated.phase,
            phase_at=shown.quantity(stated.phase_at, "Hz"),
        )
    if stated.channel_delay is not None:
        yield tr("delay between channels ±{channel_delay}", channel_delay=shown.quantity(stated.channel_delay, "s"))
    if stated.common_mode is not None:
        at = shown.quantity(stated.common_mode_at, "Hz")
        yield tr(
            "rejection in difference mode at least {common_mode:g} dB at {at}", common_mode=stated.common_mode, at=at
        )
    if stated.sum is not None:
        yield tr("sum of channels ±{sum}", sum=shown.percent(stated.sum))


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What the calibration guide asks of two channels."""
    read = count(parts, BETWEEN_PHASE.name, BETWEEN_DELAY.name, LEFT.name, SUM.name)
    yield heading(
        tr("Channels against each other"), read > 0, tr_count(read, "result"),
        tr("sequence channels_together, where the unit file rates phase, channel_delay, common_mode or sum"),
    )  # fmt: skip
