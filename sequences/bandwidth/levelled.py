"""From levels and deflections as they were read to the half-power frequency: the level at the unit, corrected.   [pure]

The sequence asks this after every reading, the report once from the journal: one way of reckoning for both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import get_args

from harness.analysis.curve import LevelPoint
from harness.analysis.estimate import Contribution
from harness.errors import AnalysisError
from harness.measurement import quantity_of
from harness.models import Setup
from harness.quantities import db
from harness.steps import Reading
from sequences.bandwidth.response_model import (
    Purpose,
    ResponsePlan,
    ResponseReading,
)
from sequences.bandwidth.wanted import Wanted
from sequences.levelling.reading import reader_of
from sequences.levelling.sine import (
    Known,
    Taken,
    level_at,
    level_drift,
    level_table,
    method_of,
    sine_level,
)
from sequences.levelling.steps import most_vpp
from sequences.levelling.table import LevelTable
from sequences.levelling.width import trace_width, width_lines


@dataclass(frozen=True, slots=True, kw_only=True)
class Levelled:
    """Readings with the level that each had, the plan they are judged by, and how the level was known.

    `numbers` are those of the steps that the readings answer, one each.
    """

    readings: tuple[ResponseReading, ...]
    numbers: tuple[int, ...]
    plan: ResponsePlan
    level: tuple[LevelPoint, ...]
    method: str
    level_lines: tuple[tuple[Contribution, ...], ...] = ()  # in dB, of each reading


@dataclass(slots=True, kw_only=True)
class Searched:
    """What earlier calls of one search found, whose readings only grow: it asks after every one of them."""

    beside: Known = field(default_factory=dict)  # the table of levels
    table: LevelTable | None = None
    width: Contribution | None = None
    drift: tuple[Contribution, ...] = ()
    base_vpp: float | None = None
    reference_div: float = 0.0
    readings: list[ResponseReading] = field(default_factory=list)
    lines: list[tuple[Contribution, ...]] = field(default_factory=list)

    def begin(
        self, wanted: Wanted, table: LevelTable | None, width: Contribution, drift: tuple[Contribution, ...],
        base_vpp: float | None,
    ) -> None:  # fmt: skip
        """Keep what was found where it rests on the same."""
        if (self.table, self.width, self.drift, self.base_vpp) != (table, width, drift, base_vpp):
            self.table, self.width, self.drift, self.base_vpp = table, width, drift, base_vpp
            self.reference_div = wanted.deflection_div
            self.readings.clear()
            self.lines.clear()

    def take(self, setup: Setup, wanted: Wanted, taken: Sequence[Taken]) -> None:
        """Give the next reading the level that it had."""
        assert self.width is not None
        step, reading = taken[len(self.readings)]
        set_hz, vpp = sine_level(step)
        counted_hz = true_hz(setup, reading.frequency_hz, set_hz)
        on_line = step.tune_to_div is not None and reading.value == step.tune_to_div
        here = level_at(setup, wanted, self.table, counted_hz if on_line else set_hz, known=self.beside)
        shown_div = _shown_div(reading, self.width, setup.unit.vertical_div)
        set_level_db = db(vpp / (self.base_vpp or vpp))
        if set_hz == wanted.reference_hz and reading.status == "read":
            self.reference_div = shown_div
        lines = (*here.contributions, *self.drift, *width_lines(self.width, shown_div, self.reference_div))
        self.lines.append(lines)
        self.readings.append(
            ResponseReading(
                frequency_hz=counted_hz,
                deflection_div=shown_div,
                level_db=set_level_db + here.correction_db,
                purpose=_purpose(step.purpose),
                on_line=on_line,
                set_hz=set_hz,
                set_level_db=set_level_db,
                u_level_db=math.hypot(*(line.contribution for line in lines)),
                replaces=_replaced(len(self.readings), taken),
            )
        )


def levelled(
    setup: Setup, wanted: Wanted, level: Sequence[Taken], shown: Sequence[Taken], *, known: Searched | None = None
) -> Levelled:
    """
    Give each deflection of one channel the level that it had at the unit's input.

    Parameters
    ----------
    setup, wanted
        Bench, unit and job; the options.
    level
        Steps and readings of the reference, purposes `LEVEL` and `LEVEL_CHECK`; empty where the generator's own
        flatness is relied on.
    shown
        Steps and readings of the unit, in order.
    known
        What earlier calls of one search found.
    """
    table = level_table(setup, wanted, level)
    sines = [(step, reading) for step, reading in shown if quantity_of(step).amplitude]
    base_vpp = next((sine_level(step)[1] for step, _ in sines), None)
    taken = [(step, reading) for step, reading in sines if _is_taken(reading)]
    found = known or Searched()
    found.begin(wanted, table, trace_width(setup, shown), level_drift(wanted, table, level), base_vpp)
    while len(found.readings) < len(taken):
        found.take(setup, wanted, taken)
    return Levelled(
        readings=tuple(found.readings),
        numbers=tuple(step.repeat for step, _ in taken),
        plan=plan_of(setup, wanted, base_vpp),
        level=table.points if table else (),
        method=method_of(setup, table),
        level_lines=tuple(found.lines),
    )


def _is_taken(reading: Reading) -> bool:
    """Whether a reading says anything of a deflection: off the screen it says that there is too much of it."""
    return reading.status == "off_screen" or (reading.status == "read" and reading.value is not None)


def _replaced(index: int, taken: Sequence[Taken]) -> int | None:
    """The index of the reading that one stands for; in journals that do not name it, the last one set to its hertz."""
    step = taken[index][0]
    if step.replaces is None and step.purpose != "re-ask":
        return None
    for earlier in range(index - 1, -1, -1):
        other = taken[earlier][0]
        if other.repeat == step.replaces or (step.replaces is None and sine_level(other)[0] == sine_level(step)[0]):
            return earlier
    return None


def true_hz(setup: Setup, counted_hz: float | None, set_hz: float) -> float:
    """The frequency of the sine: as counted, else as set; without the known error of the one that says so."""
    instrument = setup.bench.counter if counted_hz else setup.bench.generator
    said_hz = counted_hz or set_hz
    lines = instrument.known_error if instrument else ()
    error = next((e for e in lines if e.function == "frequency" and e.covers(frequency_hz=said_hz)), None)
    return said_hz if error is None else said_hz * (1.0 + error.of_value)


def _purpose(text: str) -> Purpose:
    return text if text in get_args(Purpose) else "refine"  # type: ignore[return-value]  # it was just looked up


def plan_of(setup: Setup, wanted: Wanted, base_vpp: float | None) -> ResponsePlan:
    """What the readings are judged by."""
    unit, generator = setup.unit, setup.bench.generator
    low_hz = max(wanted.reference_hz, generator.frequency_low if generator else 0.0)
    return ResponsePlan(
        rated_hz=unit.bandwidth,
        reference_hz=wanted.reference_hz,
        min_hz=low_hz,
        max_hz=wanted.max_hz,
        deflection_div=wanted.deflection_div,
        screen_div=unit.vertical_div,
        reader=reader_of(unit),
        drop_db=wanted.drop_db,
        u_frequency_rel=_u_frequency(setup),
        target_rel=wanted.target,
        headroom_db=_headroom_db(setup, wanted, base_vpp) if wanted.equal_deflection and base_vpp else 0.0,
        typed=unit.read == "eye",
        scan=wanted.scan,
        line="frequency" if wanted.tuned else "none",
    )


def _headroom_db(setup: Setup, wanted: Wanted, base_vpp: float) -> float:
    """How far the level may be raised, by what the generator gives and what path, termination and input may take."""
    # Down to what a level is set to, so that no rounding exceeds it.
    return max(0.0, math.floor(100 * db(most_vpp(setup, wanted.path) / base_vpp)) / 100)


def _u_frequency(setup: Setup) -> float:
    """Relative standard uncertainty of the frequency: of the counter, where there is one, else of the generator."""
    instrument = setup.bench.counter or setup.bench.generator
    for line in instrument.accuracy if instrument else ():
        if line.function == "frequency" and line.covers(frequency_hz=setup.unit.bandwidth):
            return line.of_value / (math.sqrt(3) if line.stated_as == "limits" else 2.0)
    raise AnalysisError(
        "The frequency of the sine has no stated uncertainty: add an accuracy line with function = 'frequency' to the "
        "counter or the generator in the bench file."
    )


def _shown_div(reading: Reading, width: Contribution, screen_div: float) -> float:
    """The deflection without the width of the trace; nothing but the width is no deflection, not no reading."""
    if reading.status == "off_screen":
        return screen_div
    return max((reading.value or 0.0) - width.value, 0.0)
