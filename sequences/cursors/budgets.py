"""The error of a read-out against what was applied, in percent.   [pure]

Equations are numbered as in docs/cursors.md.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from harness.analysis import estimate
from harness.analysis.estimate import Budget, Contribution
from harness.analysis.graticule import ON_LINE_DIV, Reader, mean_length
from harness.analysis.verdict import relative_error
from harness.assess import applied_at_input, applied_lines, period_lines, record_u, values_of
from harness.errors import AnalysisError
from harness.measurement import quantity_of
from harness.models import Setup
from harness.quantities import parse, show
from harness.steps import Measure, Reading, TimeMarks
from harness.words.language import tr

_NUMBER: Final = re.compile(r"[+-]?[0-9]*(?:[.,]([0-9]*))?")


def read_out(
    setup: Setup, step: Measure, readings: Sequence[Reading] = (), _ground: Sequence[Reading] = (), repeats: int = 1
) -> Budget:
    """Equations (1) to (3): what was said of a voltage, a time or a rate, over what was applied."""
    applied, lines = _applied(setup, step)
    values = values_of(readings) or [applied]
    value = math.fsum(values) / len(values)
    if not value > 0.0:
        raise AnalysisError(f"a read-out of {show(value, quantity_of(step).unit)} does not go with what was applied.")
    error = relative_error(value, applied, setup.job.error)
    sign = 100.0 * (1 + error) * (1.0 if setup.job.error == "indication" else -1.0)
    read = _by_hand(step, readings, repeats) if setup.unit.read == "eye" else _by_itself(setup, step, readings, repeats)
    per_div = _share_of_a_division(step, value)
    return Budget(
        quantity=tr(
            "{quantity} of channel {channel}",
            quantity=tr(quantity_of(step).name.replace("_", " ")),
            channel=step.view.channel,
        ),
        unit="%",
        estimate=100.0 * error,
        contributions=(
            *(replace(line, sensitivity=-line.sensitivity * sign) for line in lines),
            *(replace(line, sensitivity=line.sensitivity * sign * per_div) for line in read if line.unit == "div"),
            *(replace(line, sensitivity=line.sensitivity * sign / value) for line in read if line.unit != "div"),
        ),
    )


def _applied(setup: Setup, step: Measure) -> tuple[float, tuple[Contribution, ...]]:
    """What was applied, in the unit of the read-out, with relative lines."""
    if not isinstance(step.stimulus, TimeMarks):
        applied_v = applied_at_input(setup, step)
        lines = applied_lines(setup, step)
        return applied_v, tuple(replace(line, sensitivity=line.sensitivity / applied_v) for line in lines)
    period_s, lines = step.stimulus.period_s, period_lines(setup, step)
    if quantity_of(step).unit == "s":
        return period_s, lines
    return 1.0 / period_s, tuple(replace(line, sensitivity=-line.sensitivity) for line in lines)


def _share_of_a_division(step: Measure, value: float) -> float:
    """A division on the screen as a share of what is read; of a rate it is that of its time, the other way."""
    match quantity_of(step).unit:
        case "V":
            return step.view.volts_per_div / value
        case "s":
            return step.view.s_per_div / value
        case _:
            return -step.view.s_per_div * value


def _by_hand(step: Measure, readings: Sequence[Reading], repeats: int) -> tuple[Contribution, ...]:
    """Two cursors, each anywhere within ± half a trace of its edge, the last digit that is shown, and the repeats."""
    n = len([each for each in readings if each.status == "read"]) or repeats
    edges = (tr("one cursor on its edge"), tr("the other cursor on its edge"))
    lines = [estimate.rectangular(name, half_width=ON_LINE_DIV / math.sqrt(n), unit="div") for name in edges]
    digit = max((_last_digit(each.said, quantity_of(step).unit) for each in readings), default=0.0)
    if digit:
        lines.append(estimate.rectangular(tr("last digit of the read-out"), half_width=0.5 * digit))
    return tuple(lines)


def _last_digit(said: str, unit: str) -> float:
    """What one step of the last digit is worth: 0.01 V of "0.60 V"; 0 where it is not known."""
    typed = said.rpartition("again: ")[2].strip()
    found = _NUMBER.match(typed)
    if found is None or not found[0].strip("+-.,"):
        return 0.0
    rest = typed[found.end() :].strip()
    step = f"1e-{len(found[1] or '')}"
    try:
        return parse(f"{step} {rest}".replace(",", "."), unit)
    except ValueError:
        return 0.0  # in divisions, or without its unit


def _by_itself(setup: Setup, step: Measure, readings: Sequence[Reading], repeats: int) -> tuple[Contribution, ...]:
    """The reader of the unit file for both edges: the instrument finds them itself, and nobody sees how."""
    volts = quantity_of(step).unit == "V"
    resolution = setup.unit.resolution if volts else setup.unit.time_resolution
    in_div = [1.0 / _share_of_a_division(step, value) for value in values_of(readings)] or [1.0]
    length = mean_length(
        [abs(each) for each in in_div],
        Reader(resolution_div=resolution, scatter_div=math.sqrt(2.0) * setup.unit.scatter),
        edges="both read",
        repeats=None if readings else repeats,
        record_u_div=record_u(readings),
    )
    return length.contributions
