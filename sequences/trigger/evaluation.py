"""What the tries say: what triggers at each frequency, and where the trigger fires.   [pure]"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from harness.analysis.estimate import Budget, state
from harness.analysis.verdict import Limits
from harness.assess import rated_limits
from harness.errors import AnalysisError
from harness.measurement import Rating, quantity_of
from harness.models import Setup, Unit, rated
from harness.quantities import show
from harness.report import shown
from harness.report.checklist import count, heading, outside
from harness.report.model import Evaluated, Heading, PartResult, Result, Word
from harness.report.points import remarks_of
from harness.report.readings import Taken, missing, setting_of
from harness.steps import Measure, Reading
from harness.words.language import tr, tr_count
from sequences.levelling.sine import LEVEL, LevelPlan, level_at, level_table
from sequences.levelling.table import LevelCorrection
from sequences.trigger import Rated
from sequences.trigger.budgets import LEVELS, PROPORTION, fired_at, height, needed, stated_proportion
from sequences.trigger.stated import (
    DEFLECTION,
    EXTERNALLY,
    FIRES_AT,
    SENSITIVITY,
    SWEEPS,
    frequency_of,
    is_external,
)

_REFERENCE_HZ: Final = 50e3
_NEVER: Final = "no sweep was ever started: does the unit say when one is? See 'commands.arm' and 'commands.waits_is'"
_ASSUMED: Final = (
    f"{100 * PROPORTION:g} % assumed of the proportion of the generator's levels: the bench file states none"
)
_FAR: Final = 1.5  # of the rating: no uncertainty of a deflection reaches that
_SAYS: Final = {"ac": ", AC", "low_reject": ", LF reject", "high_reject": ", HF reject", "dc": ""}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Search:
    """All tries at one frequency, edge and coupling, and the deflections on the same connection."""

    tries: tuple[Taken, ...]
    deflections: tuple[Taken, ...]

    @property
    def first(self) -> Measure:
        """The step that it began with."""
        return self.tries[0][0]

    @property
    def rating(self) -> Rating:
        """What it is held against."""
        rating = quantity_of(self.first).rating
        assert rating is not None
        return rating

    @property
    def passed_vpp(self) -> float | None:
        """The smallest level that started every sweep, above the largest that did not."""
        failed_vpp = self.failed_vpp or 0.0
        return min((v for v, good in self._levels() if good and v > failed_vpp), default=None)

    @property
    def failed_vpp(self) -> float | None:
        """The largest level that did not start every sweep."""
        return max((v for v, good in self._levels() if not good), default=None)

    def _levels(self) -> Iterator[tuple[float, bool]]:
        for step, reading in self.tries:
            if reading.status == "read" and reading.value is not None:
                yield step.stimulus.level, reading.value >= 1.0


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """Every sensitivity that was searched for, and every trigger level."""
    options = entry.get("options", {})
    wanted = LevelPlan(
        path=options.get("path", "terminated"),
        level_path=options.get("level_path") or options.get("path", "terminated"),
        reference_hz=options.get("reference_frequency", _REFERENCE_HZ),
    )
    level = [(step, reading) for step, reading in taken if step.display == "reference" and step.purpose == LEVEL]
    ever = setup.unit.read == "eye" or any(quantity_of(step).sweeps and reading.value for step, reading in taken)
    results = [_sensitivity(setup, wanted, level, search, ever=ever) for search in _searches(taken)]
    results += [_level(setup, step, readings) for step, readings in _fired(taken)]
    there = ((r.channel, r.path, r.quantity, _range_of(r)) for r in results)
    return Evaluated(results=tuple(results), missing=tuple(missing(entry, there)))


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    high = shown.hertz(stated.bandwidth_hz(unit))
    up_to = (
        tr(" to {trigger_sensitivity_to}", trigger_sensitivity_to=shown.hertz(stated.trigger_sensitivity_to))
        if stated.trigger_sensitivity_to
        else ""
    )
    for low, at_bandwidth, unit_of, where in (
        (stated.trigger_sensitivity, stated.trigger_at_bandwidth, "div", "trigger"),
        (stated.trigger_external, stated.trigger_external_at_bandwidth, "Vpp", tr("external trigger")),
    ):
        said = [tr("at most {low}{up_to}", low=_said(low, unit_of), up_to=up_to)] if low else []
        said += (
            [tr("at most {at_bandwidth} at {high}", at_bandwidth=_said(at_bandwidth, unit_of), high=high)]
            if at_bandwidth
            else []
        )
        if said:
            yield tr("{where} sensitivity {said}", where=where, said=", ".join(said))
    if (within := stated.level_within_div(0.0)) is not None:
        part = f" + {shown.percent(stated.trigger_level_of_value)}" if stated.trigger_level_of_value else ""
        yield tr("trigger level ±({within}{part})", within=shown.number(within, "div"), part=part)


def headings(setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What the calibration guide asks of the trigger."""
    results = [result for part in parts for result in part.results if result.quantity == SENSITIVITY.name]
    frequencies = {result.stimulus.rate_hz for result in results if result.stimulus and result.reading is not None}
    read = count(parts, SENSITIVITY.name, EXTERNALLY.name)
    fast = read if len(frequencies) > 1 else 0
    by = tr_count(read, "result")
    yield heading(
        tr("Trigger bandwidth"), fast > 0, tr("{by}, at its bandwidth among them", by=by), tr("sequence trigger")
    )
    yield heading(tr("Trigger sensitivity"), read > 0, by, tr("sequence trigger"))
    fired = count(parts, FIRES_AT.name)
    if setup.unit.read == "eye":
        yield outside(tr("Trigger level"), tr("a knob has no number that the level could be held against"))
    else:
        yield heading(tr("Trigger level"), fired > 0, tr_count(fired, "level"), tr("sequence trigger"))


# --- sensitivity --------------------------------------------------------------------------------------------------


def _searches(taken: Sequence[Taken]) -> list[_Search]:
    tries: dict[tuple[object, ...], list[Taken]] = {}
    deflections: dict[tuple[object, ...], list[Taken]] = {}
    for step, reading in taken:
        if quantity_of(step).sweeps:
            tries.setdefault((_place(step), step.view.trigger, frequency_of(step)), []).append((step, reading))
        elif step.purpose == DEFLECTION and reading.status == "read" and reading.value:
            deflections.setdefault(_place(step), []).append((step, reading))
    return [_Search(tries=tuple(of), deflections=tuple(deflections.get(_place(of[0][0]), ()))) for of in tries.values()]


def _place(step: Measure) -> tuple[object, ...]:
    return step.path, step.view.channel, step.view.volts_per_div


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """What a search came to; without a budget the word that it has all the same."""

    budget: Budget | None = None
    word: Word = "not measured"
    at_least_div: float | None = None
    reason: str = ""


def _sensitivity(setup: Setup, wanted: LevelPlan, level: Sequence[Taken], search: _Search, *, ever: bool) -> Result:
    """One result; `ever`: whether a sweep was started at all, so that the unit can say when one is."""
    step, trigger = search.first, search.first.view.trigger
    assert trigger is not None
    how = f"{tr(trigger.slope)}{tr(_SAYS[trigger.coupling])}"
    limits, unit = rated_limits(setup, step), "Vpp" if is_external(step) else "div"
    unheard = not ever and search.failed_vpp is not None
    found = _Found(reason=_NEVER) if unheard else _found(setup, wanted, level, search, limits)
    remarks = (*remarks_of([reading for _, reading in search.tries]), *([found.reason] if found.reason else []))
    made = Result(
        quantity=search.rating.name,
        channel=step.view.channel,
        path=step.path,
        setting=f"{show(frequency_of(step), 'Hz')}, {how}, {setting_of(step)}",
        setting_value=step.view.volts_per_div,
        setting_unit="V/div",
        applied=tr("sine, {sweeps} sweeps", sweeps=SWEEPS),
        unit=unit,
        reading=None if found.budget is None else found.budget.estimate,
        statement=None if found.budget is None else state(found.budget, setup.job.coverage),
        budget=found.budget,
        at_least=found.at_least_div,
        result_unit=unit,
        limits=limits,
        verdict=None,
        word="undecided" if found.budget else found.word,
        remarks=tuple(dict.fromkeys(remarks)),
        stimulus=step.stimulus,
        view=step.view,
    )
    return made.decided(setup.job.rule)


def _found(setup: Setup, wanted: LevelPlan, level: Sequence[Taken], search: _Search, limits: Limits | None) -> _Found:
    by = _nearest(search)
    try:
        budget = _needed(setup, wanted, level, search, by)
    except AnalysisError as error:
        return _Found(word="undecided", reason=str(error))
    if budget is not None and by is not None:
        assumed = stated_proportion(setup, by[0]) is None and any(line.name == LEVELS for line in budget.contributions)
        return _Found(budget=budget, reason=_ASSUMED if assumed else "")
    if by is None or is_external(search.first) or search.passed_vpp is not None or search.failed_vpp is None:
        return _Found(reason=_why_not(search))
    return _beyond(setup, search, by, limits)


def _needed(
    setup: Setup, wanted: LevelPlan, level: Sequence[Taken], search: _Search, by: Taken | None
) -> Budget | None:
    """None where the search has not ended between a level that fails and one that passes."""
    passed_vpp, failed_vpp = search.passed_vpp, search.failed_vpp
    if by is None or passed_vpp is None or failed_vpp is None:
        return None
    return needed(
        setup,
        height(setup, [by[1]], nominal_div=0.0),
        by[0],
        passed_vpp=passed_vpp,
        failed_vpp=failed_vpp,
        level=_level_there(setup, wanted, level, frequency_of(search.first)),
        external=is_external(search.first),
        quantity=search.rating.name,
    )


def _level_there(setup: Setup, wanted: LevelPlan, level: Sequence[Taken], frequency_hz: float) -> LevelCorrection:
    """The level at a frequency against that at the reference frequency, where the deflection was read."""
    if math.isclose(frequency_hz, wanted.reference_hz, rel_tol=1e-9):
        return LevelCorrection(correction_db=0.0, contributions=())
    return level_at(setup, wanted, level_table(setup, wanted, level), frequency_hz)


def _nearest(search: _Search) -> Taken | None:
    """The deflection whose level is nearest to the one that passed: least is asked of the generator's proportions."""
    at_vpp = search.passed_vpp or search.first.stimulus.level
    return min(search.deflections, key=lambda each: abs(math.log(each[0].stimulus.level / at_vpp)), default=None)


def _why_not(search: _Search) -> str:
    if search.passed_vpp is None and search.failed_vpp is None:
        return tr("left out by the operator")
    if search.passed_vpp is None:
        most = show(max(step.stimulus.level for step, _ in search.tries), "Vpp")
        where = tr(": is the signal at the external input?") if is_external(search.first) else ""
        return tr("no level up to {most} starts every sweep{where}", most=most, where=where)
    if search.failed_vpp is None:
        least = show(search.passed_vpp, "Vpp")
        return tr("every sweep is started down to {least}, the smallest level that the generator gives", least=least)
    return tr("the deflection of the signal was not read")


def _beyond(setup: Setup, search: _Search, by: Taken, limits: Limits | None) -> _Found:
    """A trigger that nothing starts, with the signal on the screen: what it needs is above all that was tried."""
    most_vpp = max(step.stimulus.level for step, _ in search.tries)
    most_div = height(setup, [by[1]], nominal_div=0.0).value_div * most_vpp / by[0].stimulus.level
    fails = limits is not None and limits.high is not None and most_div > _FAR * limits.high
    return _Found(word="fail" if fails else "undecided", at_least_div=most_div, reason=_why_not(search))


# --- trigger level ------------------------------------------------------------------------------------------------


def _fired(taken: Sequence[Taken]) -> list[tuple[Measure, list[Reading]]]:
    found: dict[tuple[object, ...], tuple[Measure, list[Reading]]] = {}
    for step, reading in taken:
        if quantity_of(step).rating is FIRES_AT:
            found.setdefault((step.path, step.view), (step, []))[1].append(reading)
    return list(found.values())


def _level(setup: Setup, step: Measure, readings: Sequence[Reading]) -> Result:
    trigger, limits = step.view.trigger, rated_limits(setup, step)
    assert trigger is not None
    values = tuple(r.value for r in readings if r.status == "read" and r.value is not None)
    remarks, budget = list(remarks_of(readings)), None
    if values:
        budget = fired_at(setup, step, [r for r in readings if r.status == "read"])
    else:
        remarks.append(tr("no sweep was started: the trigger does not fire at this level"))
    made = Result(
        quantity=FIRES_AT.name,
        is_error=True,
        channel=step.view.channel,
        path=step.path,
        setting=tr(
            "{minus} div, {slope}, {step}",
            minus=shown.minus(f"{step.expected or 0.0:g}"),
            slope=tr(trigger.slope),
            step=setting_of(step),
        ),
        setting_value=step.view.volts_per_div,
        setting_unit="V/div",
        applied=tr("level {show}", show=show(trigger.level_v or 0.0, "V")),
        applied_value=trigger.level_v,
        applied_unit="V",
        expected=step.expected,
        readings=values,
        reading=math.fsum(values) / len(values) if values else None,
        unit="div",
        statement=None if budget is None else state(budget, setup.job.coverage),
        budget=budget,
        result_unit="div",
        limits=limits,
        verdict=None,
        word="not measured" if budget is None else "undecided",
        remarks=tuple(dict.fromkeys(remarks)),
        stimulus=step.stimulus,
        view=step.view,
    )
    return made.decided(setup.job.rule)


def _range_of(result: Result) -> str:
    """The setting as a planned point is known by."""
    return result.setting.rpartition(", ")[2]


def _said(value: float, unit: str) -> str:
    return shown.number(value, "div") if unit == "div" else show(value, unit)
