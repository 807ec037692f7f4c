"""From what a person turned, read and counted to levels and deflections: the level is what the reference shows.  [pure]

At each frequency the level is turned until the reference shows whole divisions, and the unit is read at that level: no
table of levels, and nothing is asked of the generator but that it holds still. Equations: docs/measurement.md, 1.8.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from harness.analysis.curve import LevelPoint
from harness.analysis.estimate import Contribution, normal
from harness.errors import AnalysisError
from harness.models import Setup
from harness.quantities import DB_PER_NEPER, db
from harness.steps import Measure, Reading
from harness.words.language import tr
from sequences.bandwidth.levelled import Levelled, plan_of, true_hz
from sequences.bandwidth.lines import U_ON_LINE_DIV, on_lines
from sequences.bandwidth.response_model import ResponsePlan, ResponseReading
from sequences.bandwidth.wanted import Wanted
from sequences.levelling.sine import Taken, assumed_of, held_at, known_of, sine_level

_BEYOND_LN: Final = 0.12  # with the slope of two readings or more, a roll-off goes on as it went


_KNOWN: Final = ResponseReading(frequency_hz=0.0, deflection_div=0.0, purpose="reference", on_line=True)
"""The deflection at low frequency where it was not read: nothing is rounded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LowDeflection:
    """What the unit shows of what is applied, as its vertical deflection was tried."""

    ratio: float  # shown over true
    u: float  # standard, relative; the reference's own vertical error, which then enters, included


def own_accuracy(setup: Setup) -> float | None:
    """The relative standard uncertainty of the reference's own deflection factor; None where its file states none."""
    reference = setup.bench.reference
    line = next((line for line in reference.accuracy if line.db is None), None) if reference is not None else None
    if line is None:
        return None
    return line.of_value / (math.sqrt(3) if line.stated_as == "limits" else 2.0)


@dataclass(slots=True, kw_only=True)
class Visit:
    """One frequency: the level as it was turned on the reference, and what was read at that level."""

    step: Measure
    reading: Reading
    shown: list[Taken] = field(default_factory=list)

    @property
    def set_hz(self) -> float:
        """The frequency that the dial was set to."""
        return sine_level(self.step)[0]

    def volts(self, setup: Setup) -> float:
        """The level at the source, as the reference shows it."""
        divides_by = setup.bench.path(self.step.path).divides_by
        return (self.reading.value or 0.0) * self.step.view.volts_per_div * divides_by

    def hertz(self, setup: Setup) -> float | None:
        """The frequency as it was counted while the level stood, else as set; None where a counter was not read."""
        counted = next((reading.frequency_hz for _, reading in self.shown if reading.frequency_hz), None)
        return None if counted is None and setup.bench.counter else true_hz(setup, counted, self.set_hz)

    def lines(self, setup: Setup) -> Iterator[Contribution]:
        """How well the level is known on the reference, in dB."""
        reference, name = setup.bench.reference, tr("reference at {set_hz:g} MHz", set_hz=self.set_hz / 1e6)
        if reference is None or not self.reading.value:
            return
        per_div = DB_PER_NEPER / self.reading.value
        if self.reading.value == self.step.tune_to_div:
            yield replace(on_lines(tr("{name}, set to its lines", name=name)), sensitivity=per_div)
            return
        read_div = math.hypot(reference.scatter_div, reference.step_div / math.sqrt(12), U_ON_LINE_DIV)
        yield normal(tr("{name}, read", name=name), u=read_div, sensitivity=per_div, unit="div")


def visits(taken: Sequence[Taken]) -> list[Visit]:
    """The frequencies in their order; a level that was not turned leaves out what follows it."""
    found: list[Visit] = []
    for step, reading in taken:
        if step.display == "reference":
            found.append(Visit(step=step, reading=reading))
        elif found:
            found[-1].shown.append((step, reading))
    return [visit for visit in found if visit.reading.status == "read" and visit.reading.value]


def hand_levelled(
    setup: Setup, wanted: Wanted, taken: Sequence[Taken], channel: int, low: LowDeflection | None = None
) -> Levelled:
    """
    Give each deflection of one channel the level that it had at the unit's input.

    Parameters
    ----------
    setup, wanted
        Bench, unit and job; the options.
    taken
        Steps and readings of the part, in order.
    channel
        The channel.
    low
        Its deflection at low frequency as the vertical deflection was tried, where it was not read here.
    """
    there = [visit for visit in visits(taken) if visit.hertz(setup) or visit.set_hz == wanted.reference_hz]
    read = [
        (visit, step, reading)
        for visit in there
        for step, reading in visit.shown
        if step.view.channel == channel and reading.status == "read" and reading.value is not None
    ]
    base = next((visit for visit, *_ in read if visit.set_hz == wanted.reference_hz), None)
    if base is None and (low is None or not read):
        raise AnalysisError(
            f"The deflection of channel {channel} at low frequency is not known: read it there, or on its range in the "
            "vertical deflection of the same run."
        )
    first = base or read[0][0]
    lines = [_lines(setup, wanted, visit, base) for visit, *_ in read]
    readings = [
        _reading(setup, wanted, visit, reading, first=first, lines=its)
        for (visit, _, reading), its in zip(read, lines, strict=True)
    ]
    if base is None and low is not None:
        shown_div = low.ratio * first.volts(setup) / _per_div(setup, read[0][1])
        readings.insert(0, replace(_KNOWN, frequency_hz=wanted.reference_hz, deflection_div=shown_div))
        lines.insert(0, ())
    u_low_db = DB_PER_NEPER * low.u if base is None and low is not None else 0.0
    return Levelled(
        readings=tuple(readings),
        numbers=(),
        plan=_plan(setup, wanted, readings[0].deflection_div, u_low_db),
        level=tuple(_level_points(setup, there, first)),
        method=tr("level turned by hand to whole divisions of {setup}", setup=known_of(setup))
        + ("" if wanted.watched else assumed_of(setup)),
        level_lines=tuple(lines),
    )


def _plan(setup: Setup, wanted: Wanted, low_div: float, u_low_db: float) -> ResponsePlan:
    """What the few readings of a person are judged by: a height is read at one edge, with the other on its line."""
    plan = plan_of(setup, wanted, None)
    return replace(
        plan,
        deflection_div=low_div,
        reader=replace(plan.reader, scatter_div=math.hypot(plan.reader.scatter_div, U_ON_LINE_DIV)),
        typed=True,
        dither=False,
        least_at_top=1,
        beyond_ln=_BEYOND_LN,
        u_reference_meter_db=u_low_db,
    )


def _per_div(setup: Setup, step: Measure) -> float:
    """Volts at the source for a division on the unit."""
    return step.view.volts_per_div * setup.bench.path(step.path).divides_by


def _reading(
    setup: Setup, wanted: Wanted, visit: Visit, reading: Reading, *, first: Visit, lines: Sequence[Contribution]
) -> ResponseReading:
    low = visit.set_hz == wanted.reference_hz
    held_hz = wanted.reference_hz if low else visit.hertz(setup) or visit.set_hz
    turned_db = db(visit.volts(setup) / first.volts(setup))
    return ResponseReading(
        frequency_hz=held_hz,
        deflection_div=reading.value or 0.0,
        level_db=turned_db + held_at(setup, wanted, held_hz).correction_db,
        purpose="reference" if low else "refine",
        set_hz=visit.set_hz,
        set_level_db=turned_db,
        u_level_db=math.hypot(*(line.contribution for line in lines)),
    )


def _lines(setup: Setup, wanted: Wanted, visit: Visit, base: Visit | None) -> tuple[Contribution, ...]:
    """Every line of a level against that at low frequency, in dB."""
    held = held_at(setup, wanted, visit.hertz(setup) or visit.set_hz).contributions
    return (*held, *visit.lines(setup), *(base.lines(setup) if base is not None and base is not visit else ()))


def _level_points(setup: Setup, there: Sequence[Visit], first: Visit) -> Iterator[LevelPoint]:
    """The level at each frequency, in rising order."""
    for visit in sorted(there, key=lambda each: each.set_hz):
        u_db = math.hypot(*(line.contribution for line in visit.lines(setup)))
        yield LevelPoint(
            frequency_hz=visit.hertz(setup) or visit.set_hz,
            level_db=db(visit.volts(setup) / first.volts(setup)),
            u_db=u_db,
        )
