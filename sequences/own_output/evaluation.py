"""What the readings of the output and of the calibrator beside it say together.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from typing import Any

from harness.models import Setup, Unit, rated
from harness.report import shown
from harness.report.checklist import count, heading
from harness.report.model import Evaluated, Heading, PartResult, Result
from harness.report.points import result_of
from harness.report.readings import Group, Taken, grouped, missing
from harness.words.language import tr, tr_count
from sequences.comparing import Known
from sequences.own_output import Rated
from sequences.own_output.output import FREQUENCY, HEIGHT, LEVEL, PERIODS, RISE, frequency_budget, level_budget

_COMPARED = {HEIGHT.name: level_budget, PERIODS.name: frequency_budget}


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """Level and frequency against what is known, and the rise time."""
    groups, _ = grouped(taken)
    own = [group for group in groups if group.step.source == "unit"]
    known = {g.step.quantity: g for g in groups if g.step.source != "unit" and g.read}
    results = tuple(_result(setup, group, known.get(group.step.quantity)) for group in own)
    there = ((r.channel, r.path, r.quantity, r.setting) for r in results)
    return Evaluated(results=results, missing=tuple(missing(entry, there)))


def _result(setup: Setup, group: Group, beside: Group | None) -> Result:
    budget = _COMPARED.get(group.step.quantity)
    if budget is None:
        return result_of(setup, group)
    known = None if beside is None else Known(step=beside.step, readings=beside.readings)
    return result_of(setup, group, partial(budget, setup, group.step, group.readings, known=known))


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    for value, within, unit_of in (
        (stated.output_level, stated.output_level_within, "V"),
        (stated.output_frequency, stated.output_frequency_within, "Hz"),
    ):
        if value and within:
            yield tr(
                "calibration output {quantity} ±{within}",
                quantity=shown.quantity(value, unit_of),
                within=shown.percent(within),
            )
    if stated.output_rise_time:
        yield tr(
            "rise time of the calibration output at most {output_rise_time}",
            output_rise_time=shown.quantity(stated.output_rise_time, "s"),
        )


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What the calibration guide asks of the unit's own signals."""
    read = count(parts, LEVEL.name, FREQUENCY.name, RISE.name)
    yield heading(
        tr("Internal calibration signals"),
        read > 0,
        tr("{results} of the calibration output", results=tr_count(read, "result")),
        tr("sequence own_output, where the unit file states its output_level"),
    )
