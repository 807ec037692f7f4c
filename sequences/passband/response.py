"""The response at one frequency, relative to the reference frequency, as a budget in dB; and that of AC coupling.

Equations are numbered as in docs/levels.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from harness.analysis.estimate import Budget, Contribution, normal
from harness.analysis.verdict import Limits
from harness.assess import origin_of
from harness.errors import AnalysisError
from harness.measurement import Quantity, Rating
from harness.models import Setup, Unit, rated
from harness.quantities import DB_PER_NEPER, db
from harness.steps import Measure, Reading, Sine
from harness.words.language import tr
from sequences.deflection import PEAK_TO_PEAK
from sequences.levelling.compression import compression
from sequences.levelling.reading import reader_of, reading_line
from sequences.levelling.sine import (
    LEVEL,
    LevelPlan,
    Taken,
    is_at_input,
    level_at,
    level_drift,
    level_table,
)
from sequences.levelling.steps import REPEATS, level_step
from sequences.levelling.width import trace_width, width_lines, without_width
from sequences.passband import Rated

REFERENCE_HZ: Final = 50e3
_CORNER_DB: Final = DB_PER_NEPER / 2  # slope of a single pole at its corner, per ln f
_RATED_FREQUENCY_U: Final = 1e-3  # of a frequency whose own uncertainty nobody has stated: far below any reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What the unit showed at one frequency, peak to peak: its readings, all of one step."""

    step: Measure
    values: tuple[float, ...]

    @property
    def frequency_hz(self) -> float:
        """Of the sine."""
        return self.step.stimulus.rate_hz or 0.0


def chosen(setup: Setup, input_ohm: float | None) -> Setup:
    """The setup with the input resistance that is chosen in place of the usual one."""
    if input_ohm is None:
        return setup
    told = setup.unit.input.model_copy(update={"resistance": input_ohm})
    return replace(setup, unit=setup.unit.model_copy(update={"input": told}))


def response(
    setup: Setup,
    plan: LevelPlan,
    level: Sequence[Taken],
    *,
    reference: Shown,
    at: Shown,
    width: Sequence[Taken] = (),
) -> Budget:
    """
    Return the response in dB relative to the reference frequency, eq. (1) to (4).

    Parameters
    ----------
    setup, plan
        Bench, unit and job; where the sine goes and where its level is read.
    level
        Steps and readings of the reference, all of one level; checks among them.
    reference, at
        What the unit showed at the reference frequency and at this one.
    width
        Readings of the width of the trace.
    """
    table = level_table(setup, plan, level)
    if setup.bench.reference is not None and table is None:
        raise AnalysisError("the level was not read on the reference")
    thick = trace_width(setup, width)
    here_div, base_div = (without_width(shown.values, thick) for shown in (at, reference))
    if not (here_div > 0.0 and base_div > 0.0):
        raise AnalysisError("no deflection was read but the trace's own width")
    known, reader = level_at(setup, plan, table, at.frequency_hz), reader_of(setup.unit)
    rests_on = setup.bench.reference or setup.bench.generator
    origin = "" if rests_on is None else origin_of(rests_on)
    lines = (
        reading_line(tr("readings"), here_div, len(at.values), reader),
        reading_line(tr("readings at the reference frequency"), base_div, len(reference.values), reader),
        *(replace(line, origin=origin) for line in (*known.contributions, *level_drift(plan, table, level))),
        *width_lines(thick, here_div, base_div),
        compression(setup.unit, here_div / base_div),
    )
    levels = db(at.step.stimulus.level / reference.step.stimulus.level)
    return Budget(
        quantity=tr("response of channel {channel}", channel=at.step.view.channel),
        unit="dB",
        estimate=db(here_div / base_div) - levels - known.correction_db,
        contributions=tuple(line for line in lines if line.contribution),
    )


def coupled(setup: Setup, direct: Shown, coupled: Shown, width: Sequence[Taken] = ()) -> Budget:
    """Return what AC coupling leaves of a sine that DC coupling shows in full, in dB, eq. (8): the level drops out."""
    thick = trace_width(setup, width)
    ac_div, dc_div = (without_width(shown.values, thick) for shown in (coupled, direct))
    if not (ac_div > 0.0 and dc_div > 0.0):
        raise AnalysisError("no deflection was read but the trace's own width")
    reader = reader_of(setup.unit)
    lines: tuple[Contribution, ...] = (
        reading_line(tr("readings, AC"), ac_div, len(coupled.values), reader),
        reading_line(tr("readings, DC"), dc_div, len(direct.values), reader),
        normal(tr("frequency"), u=_RATED_FREQUENCY_U * _CORNER_DB, unit="dB"),
        *width_lines(thick, ac_div, dc_div),
        compression(setup.unit, ac_div / dc_div),
    )
    return Budget(
        quantity=tr("AC coupling of channel {channel}", channel=coupled.step.view.channel),
        unit="dB",
        estimate=db(ac_div / dc_div),
        contributions=tuple(line for line in lines if line.contribution),
    )


def corner_hz(frequency_hz: float, response_db: float) -> float | None:
    """The corner of a single pole that leaves so much at a frequency, eq. (9); None where nothing is lost."""
    lost = 10.0 ** (-response_db / 10.0) - 1.0
    return frequency_hz * math.sqrt(lost) if lost > 0.0 else None


def limits_of(unit: Unit, step: Measure) -> Limits | None:
    """The maker's largest departure, as far up as it holds."""
    stated = rated(unit, Rated)
    if stated.passband is None or stated.passband_to is None:
        return None
    if (step.stimulus.rate_hz or 0.0) > stated.passband_to * (1 + 1e-9):
        return None
    return Limits.symmetric(stated.passband)


def plan_of(setup: Setup, path: str, level_path: str | None, reference_hz: float, termination: str | None) -> LevelPlan:
    """Where the sine goes, and where its level is read."""
    at_input = is_at_input(setup, termination)
    return LevelPlan(
        path=path, level_path=level_path or path, reference_hz=reference_hz, termination_corrected=at_input
    )


def planned_budget(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    _ground: Sequence[Reading] = (),
    repeats: int = 1,
) -> Budget:
    """The budget to expect of a flat unit; a reading is judged with that at the reference frequency."""
    if readings or not isinstance(step.stimulus, Sine):
        raise AnalysisError("a response is judged with what was read at the reference frequency, in the report.")
    setup = chosen(setup, step.view.input_ohm)
    plan = plan_of(setup, step.path, None, min(REFERENCE_HZ, step.stimulus.frequency_hz), None)
    base = replace(step, stimulus=replace(step.stimulus, frequency_hz=plan.reference_hz))
    vpp, level = step.stimulus.level_vpp, []
    if setup.bench.reference is not None:
        for hz in (plan.reference_hz, step.stimulus.frequency_hz):
            one = level_step(setup, step.path, level_vpp=vpp, frequency_hz=hz, purpose=LEVEL)
            level += [(one, Reading(value=one.expected))] * REPEATS
    expected = (step.expected or 1.0,) * repeats
    at = Shown(step=step, values=expected)
    return response(setup, plan, level, reference=Shown(step=base, values=expected * 2), at=at)


PASSBAND: Final = Rating(
    name="passband",
    is_error=False,
    axis="level",
    limits=limits_of,
    budget=planned_budget,
    remedy="a reference that is faster or better known, or more readings",
)
LIMITER: Final = Rating(name="half power with the limiter", is_error=False, axis="none")
AC_COUPLED: Final = Rating(name="AC coupling at its rated corner", is_error=False, axis="none")
RESPONSE: Final[Quantity] = replace(PEAK_TO_PEAK, name="levelled_height", rating=PASSBAND)
