"""Which delays are tried, by which marks, on which sweep."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from harness.models import Setup, rated
from harness.quantities import round_to, show
from harness.steps import Measure
from harness.words.language import tr
from sequences import Plan, Planned, calibrator_of
from sequences.reading import gives_records
from sequences.time_base import Rated
from sequences.time_base.delay import MARK_AT_ZERO, MARK_SHIFT
from sequences.time_base.marks import Options, available_periods, wave

_USUAL_S: Final = {"eye": 10e-3, "remote": 0.1}
_TOLERANCE_DIV: Final = 2.0  # what the tolerance should be on the screen at the least
_ONE_MARK_DIV: Final = 10.0  # between two marks: which one it is, is beyond doubt
_WELL_APART: Final = 2.0  # times that; farther apart a mark is wide on the screen


def delays(setup: Setup, options: Options) -> Plan:
    """A point for each delay, with the sentence of why not."""
    unit, stated = setup.unit, rated(setup.unit, Rated)
    asked = stated.delay is not None if options.delay is None else options.delay
    if not asked or not unit.s_per_div:
        return Plan()
    points, left_out = [], []
    for delay_s in options.delays or (_USUAL_S[unit.read],):
        found = _why_not(setup, options) or _step(setup, options, delay_s, stated.delay or stated.time)
        if isinstance(found, str):
            left_out.append(tr("Delay of {delay_s}: {found}.", delay_s=show(delay_s, "s"), found=found))
        else:
            points.append(Planned(step=found, repeats=options.repeats))
    return Plan(points=tuple(points), left_out=tuple(left_out))


def without_delay(plan: Plan) -> Iterator[Planned]:
    """Each point after the same view without delay, which is read once for all on one sweep."""
    before: Measure | None = None
    for planned in plan.points:
        view = replace(planned.step.view, delay_s=0.0)
        zero = replace(planned.step, view=view, quantity=MARK_AT_ZERO.name, purpose="without delay")
        if zero != before:
            yield Planned(step=zero)
        before = zero
        yield planned


def _why_not(setup: Setup, options: Options) -> str:
    remote = setup.bench.unit
    if options.source != "calibrator":
        return tr("it takes time marks, and so the calibrator")
    if setup.unit.read == "remote" and remote is not None and remote.commands.get("delay") == "":
        return tr("the bench file says that the unit has no command for a delay")
    if not gives_records(setup):
        return tr("the bench file says that the unit gives no record")
    return ""


def _step(setup: Setup, options: Options, delay_s: float, tolerance: float) -> Measure | str:
    needed_s = tolerance * delay_s / _TOLERANCE_DIV
    fitting = [s for s in sorted(setup.unit.s_per_div) if s >= needed_s * (1 - 1e-9)]
    for s_per_div in fitting[:3]:
        period_s = _period(setup, delay_s, s_per_div)
        if period_s is not None:
            stimulus, view = wave(setup, options, period_s)
            return Measure(
                purpose="delay", path=options.path, source=options.source, stimulus=stimulus, display="unit",
                view=replace(view, s_per_div=s_per_div, delay_s=delay_s), quantity=MARK_SHIFT.name, expected=0.0,
            )  # fmt: skip
    return tr("the calibrator has no marks that fit it and that one sweep of the unit shows singly")


def _period(setup: Setup, delay_s: float, s_per_div: float) -> float | None:
    """Marks so far apart that one is on the screen, of which a whole number goes into the delay."""
    calibrator = calibrator_of(setup)
    wanted_s, least_s = _WELL_APART * _ONE_MARK_DIV * s_per_div, _ONE_MARK_DIV * s_per_div
    available = available_periods(calibrator)
    if available is None:
        counts = (*range(1, 9), max(1, round(delay_s / wanted_s)))
        available = tuple(round_to(delay_s / count, 9) for count in counts)
    fitting = [
        p for p in available
        if calibrator.period_low <= p <= calibrator.period_high and least_s * (1 - 1e-9) <= p <= delay_s * (1 + 1e-9)
        and math.isclose(delay_s / p, round(delay_s / p), rel_tol=1e-9)
    ]  # fmt: skip
    return min(fitting, key=lambda p: abs(math.log(p / wanted_s)), default=None)
