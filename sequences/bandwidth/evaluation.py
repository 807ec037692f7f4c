"""A channel's half-power frequency against its rating, from the readings of one part.   [pure]

Over 400 lines because every hole of a sentence that a language fills is named on a line.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from harness.analysis.curve import Band, Curve
from harness.analysis.estimate import Budget, Statement, state
from harness.analysis.verdict import Limits, decide_statement
from harness.assess import origin_of
from harness.errors import AnalysisError
from harness.models import Setup, Unit
from harness.quantities import HALF_POWER_DB, is_half_power, ratio_of_db, show
from harness.report import shown
from harness.report.checklist import heading, outside
from harness.report.model import Evaluated, Heading, PartResult, Result, Word
from harness.report.readings import Taken
from harness.report.words import NO_SIGNAL
from harness.steps import NOT_SETTLED, Measure, Sine
from harness.words.language import tr
from harness.words.signals import describe
from sequences.bandwidth.at_rated import AT_RATED, level_apart, response_at_rated
from sequences.bandwidth.hand_levelled import LowDeflection, hand_levelled, own_accuracy
from sequences.bandwidth.levelled import Levelled, levelled
from sequences.bandwidth.response import half_power, response_band
from sequences.bandwidth.response_budget import FREQUENCY, LEVEL, METER, NOTHING_KNOWN
from sequences.bandwidth.response_flags import too_near
from sequences.bandwidth.response_model import HALF_POWER, HalfPower, of_drop
from sequences.bandwidth.wanted import Wanted, on_range
from sequences.deflection import RATING as DEFLECTION
from sequences.levelling.compression import compression

_BY_THE_OTHER: Final = "Decided by the response at the rated frequency, which says more than the bound."
_BESIDE: Final = 0.05
_BAND_POINTS: Final = 121
_FIFTY_OHM: Final = (45.0, 55.0)
_BEYOND_LEVEL: Final = 1.01  # of the highest frequency of the level table


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """The half-power frequency of every channel, or the response at the rated frequency."""
    options = entry.get("options", {})
    results = tuple(_results(setup, options, taken, earlier))
    there = {result.channel for result in results}
    wanted = options.get("channels") or range(1, setup.unit.channels + 1)
    name = AT_RATED.name if options.get("at") == "rated" else HALF_POWER.name
    missing = tuple(
        tr("channel {channel}: {name}", channel=channel, name=name) for channel in wanted if channel not in there
    )
    return Evaluated(results=results, missing=missing)


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    of = tr("level at the input") if unit.bandwidth_plane == "input" else tr("level of a terminated source of 25 Ω")
    yield tr("half-power frequency at least {bandwidth} ({of})", bandwidth=shown.hertz(unit.bandwidth), of=of)
    for line in unit.bandwidth_by_range:
        ranges = ", ".join(f"{show(at, 'V')}/div" for at in line.volts_per_div)
        yield tr("on {ranges} at least {bandwidth}", ranges=ranges, bandwidth=shown.hertz(line.bandwidth))


def headings(setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What the calibration guide asks of the frequency response."""
    low, high = _FIFTY_OHM
    fifty = low <= setup.unit.input.resistance <= high
    results = [result for part in parts for result in part.results]
    read = [r.curve for r in results if r.quantity == HALF_POWER.name and r.curve is not None and r.curve.points]
    found = len(read)
    at_rated = sum(r.quantity == AT_RATED.name and r.reading is not None for r in results)
    count = found + at_rated
    by = (
        tr("{found} half-power frequencies", found=found)
        if found
        else tr("{at_rated} responses at the rated frequency", at_rated=at_rated)
    )
    yield heading(
        tr("Bandwidth, high-impedance input"), count > 0 and not fifty, by,
        tr("sequence bandwidth, with a feed-through termination"),
    )  # fmt: skip
    yield heading(
        tr("Bandwidth, 50 Ω input"), count > 0 and fifty, by,
        tr("sequence bandwidth, in a job whose unit file states an input resistance of 50 ohm"),
    )  # fmt: skip
    yield outside(tr("Harmonic distortion of the source"), tr("a property of the generator: its certificate's"))


def followed(parts: Sequence[PartResult]) -> int:
    """How many responses were read from the reference frequency on, up to their half power."""
    results = (result for part in parts for result in part.results if result.quantity == HALF_POWER.name)
    return sum(r.curve is not None and bool(r.curve.points) and r.curve.lowest for r in results)


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """What a half-power frequency is held against where it is not the rated bandwidth: its name, and the limits."""

    quantity: str
    limits: Limits
    rated: str  # in words


def half_powers(setup: Setup, options: Mapping[str, Any], taken: Sequence[Taken], against: Against) -> Iterator[Result]:
    """Every channel's half-power frequency against other limits than the bandwidth's."""
    for result in _results(setup, options, taken, (), against):
        if result.quantity == against.quantity:
            yield result


def _results(
    setup: Setup, options: Mapping[str, Any], taken: Sequence[Taken], earlier: Sequence[PartResult],
    against: Against | None = None,
) -> Iterator[Result]:  # fmt: skip
    """Every channel that was tried against the rated bandwidth."""
    setup = on_range(setup, options.get("volts_per_div"))
    wanted = Wanted.from_options(options, setup)
    level = [(step, reading) for step, reading in taken if step.display == "reference"]
    channels = dict.fromkeys(step.view.channel for step, _ in taken if step.display == "unit")
    for channel in channels:
        at_unit = [(step, r) for step, r in taken if step.display == "unit" and step.view.channel == channel]
        known, reason = None, ""
        try:
            if options.get("levelling") == "by hand":
                known = hand_levelled(setup, wanted, taken, channel, _low(setup, at_unit[0][0], earlier))
            else:
                known = levelled(setup, wanted, [each for each in level if each[1].status == "read"], at_unit)
        except AnalysisError as error:
            reason = str(error)
        remarks = (*_moving([*level, *at_unit]), *_without_signal([*level, *at_unit]))
        if all(reading.status == "skipped" for _, reading in at_unit):
            left_out = _result(setup, wanted, at_unit[0][0], None, against=against)
            yield replace(left_out, word="not measured", sentence="", remarks=("left out by the operator",))
            continue
        at_rated = _at_rated(setup, at_unit, known, reason=reason or _too_near(wanted, setup.unit.bandwidth))
        if options.get("at") == "rated":
            yield replace(at_rated, remarks=(*at_rated.remarks, *remarks))
            continue
        result = _result(setup, wanted, at_unit[0][0], known, reason=reason, against=against)
        decided = result.statement is None and result.word == "undecided" and at_rated.word in ("pass", "fail")
        if decided and against is None and is_half_power(wanted.drop_db):
            result = replace(result, word=at_rated.word, remarks=(*result.remarks, _BY_THE_OTHER))
        yield replace(result, remarks=(*result.remarks, *remarks))
        if decided and against is None:
            yield at_rated


def _low(setup: Setup, step: Measure, earlier: Sequence[PartResult]) -> LowDeflection | None:
    """The deflection on a range as the vertical deflection of the same run found it, straight."""
    own = own_accuracy(setup)
    found = [
        result
        for part in earlier for result in part.results
        if result.quantity == DEFLECTION.name and result.channel == step.view.channel
        and math.isclose(result.setting_value, step.view.volts_per_div, rel_tol=1e-9)
        and setup.bench.path(result.path).divides_by == 1.0
    ]  # fmt: skip
    best = max(found, key=lambda result: abs(result.expected or 0.0), default=None)
    if own is None or best is None or best.statement is None:
        return None
    error, u = best.statement.estimate / 100.0, best.statement.u / 100.0
    ratio = 1.0 + error if setup.job.error == "indication" else 1.0 / (1.0 + error)
    return LowDeflection(ratio=ratio, u=math.hypot(u * ratio, own))


def _at_rated(setup: Setup, at_unit: Sequence[Taken], known: Levelled | None, *, reason: str) -> Result:
    """A channel's response at the rated frequency against half power."""
    first, rated_hz, limits = at_unit[0][0], setup.unit.bandwidth, Limits(low=-HALF_POWER_DB)
    budget = None if known is None else response_at_rated(known)
    if budget is not None:
        bend = compression(setup.unit, ratio_of_db(budget.estimate))
        budget = replace(budget, contributions=(*budget.contributions, *([bend] if bend.u else [])))
    if budget is None and not reason:
        reason = tr("Nothing was read at {rated_hz}.", rated_hz=show(rated_hz, "Hz"))
    statement = None if budget is None else state(budget, setup.job.coverage)
    judged = None if reason else statement
    verdict = None if judged is None else decide_statement(judged, limits, setup.job.rule, budget=budget)
    word: Word = "undecided" if verdict is None else verdict.word
    said = tr("was not read") if statement is None else tr("stands at {statement}", statement=shown.with_u(statement))
    there = [(step, reading.value) for step, reading in at_unit if reading.value and _is_near(step, rated_hz)]
    values = tuple(value for _, value in there)
    applied = there[0][0].stimulus if there else None
    return Result(
        quantity=AT_RATED.name,
        channel=first.view.channel,
        path=first.path,
        setting=f"{show(first.view.volts_per_div, 'V')}/div",
        setting_value=first.view.volts_per_div,
        setting_unit="V/div",
        applied="" if applied is None else describe(applied),
        readings=values,
        reading=math.fsum(values) / len(values) if values else None,
        unit="div",
        statement=statement,
        budget=budget,
        result_unit="dB",
        limits=limits,
        verdict=verdict,
        word=word,
        sentence=tr(
            "Channel {channel}: at {rated_hz} the response {said}. Half power is at {minus}: {word}.",
            channel=first.view.channel,
            rated_hz=shown.hertz(rated_hz),
            said=said,
            minus=shown.minus(f"{-HALF_POWER_DB:.4f} dB"),
            word=word,
        ),
        remarks=(reason,) if reason else (),
        stimulus=applied,
        view=first.view,
    )


def _is_near(step: Measure, frequency_hz: float) -> bool:
    return isinstance(step.stimulus, Sine) and math.isclose(step.stimulus.frequency_hz, frequency_hz, rel_tol=_BESIDE)


def _without_signal(taken: Sequence[Taken]) -> Iterator[str]:
    count = sum(reading.status == "no_signal" for _, reading in taken)
    if count:
        yield tr(
            "{no_signal}, at {count} of its readings, the level's among them.", no_signal=tr(NO_SIGNAL), count=count
        )


def _moving(taken: Sequence[Taken]) -> Iterator[str]:
    count = sum(NOT_SETTLED in reading.flags for _, reading in taken)
    if count:
        yield tr("{count} of its readings, the level's among them, never stood still as asked.", count=count)


def _result(
    setup: Setup, wanted: Wanted, first: Measure, known: Levelled | None, *, reason: str = "",
    against: Against | None = None,
) -> Result:  # fmt: skip
    """A channel against its rating; one that cannot be reckoned stays in the report, with the reason."""
    rated_hz, channel = setup.unit.bandwidth, first.view.channel
    held = against or Against(
        quantity=HALF_POWER.name,
        limits=Limits(low=rated_hz),
        rated=tr("Rated {rated_hz}", rated_hz=shown.hertz(rated_hz)),
    )
    half = HalfPower(status="failed", reference_hz=wanted.reference_hz, drop_db=wanted.drop_db)
    if known is not None:
        half = half_power(known.readings, known.plan)
        reason = _not_judged(setup, wanted, known, half)
    limits, verdict = held.limits, None
    budget = None if half.budget is None else _with_origins(setup, _with_compression(setup, wanted, half.budget))
    if budget is not None and known is not None and half.frequency_hz is not None:
        budget = level_apart(budget, known, half.frequency_hz)
    statement = None if budget is None else _stated(budget, setup.job.coverage)
    word: Word = "undecided"
    if not reason and statement is not None and half.status == "found":
        verdict = decide_statement(statement, limits, setup.job.rule, budget=budget)
        word = verdict.word
    elif not reason and statement is None and half.bound_hz is not None:
        word = _by_bound(half.bound_hz, limits)
    only_this = "" if half.lowest or word != "pass" else tr(", as far as it was read")
    return Result(
        quantity=held.quantity,
        channel=channel,
        path=first.path,
        setting=f"{show(first.view.volts_per_div, 'V')}/div",
        setting_value=first.view.volts_per_div,
        setting_unit="V/div",
        unit="Hz",
        statement=statement,
        budget=budget,
        at_least=half.bound_hz if statement is None else None,
        result_unit="Hz",
        limits=limits,
        verdict=verdict,
        word=word,
        sentence=tr(
            "Channel {channel}: {half} {rated}: {word}{only_this}.",
            channel=channel,
            half=_in_words(half, statement),
            rated=held.rated,
            word=word,
            only_this=only_this,
        ),
        remarks=(reason,) if reason else (),
        curve=_curve(half, known),
    )


def _by_bound(bound_hz: float, limits: Limits) -> Word:
    """What is said of a half power that lies above a frequency."""
    if limits.high is not None:
        return "fail" if bound_hz > limits.high else "undecided"
    return "pass" if limits.low is not None and bound_hz >= limits.low * (1 - 1e-9) else "undecided"


def _stated(budget: Budget, probability: float) -> Statement:
    """The statement of the budget by k·u; its interval is even in the logarithm of the frequency, as the fit is.

    Not by convolution, which supposes that the frequency is linear in the level: where standing waves bend the response
    they change its slope as well, and the shorter interval held in 87 of 100 runs.
    """
    statement, k = state(budget, probability), budget.coverage_factor(probability)
    factor = math.exp(min(k * statement.u / statement.estimate, NOTHING_KNOWN))
    low, high = statement.estimate / factor, statement.estimate * factor
    return replace(statement, k=k, expanded=k * statement.u, method="gum", low=low, high=high)


def _with_compression(setup: Setup, wanted: Wanted, budget: Budget) -> Budget:
    """The two deflections of the ratio differ, but where the level was raised to make them equal."""
    level = next(line for line in budget.contributions if line.name == LEVEL)
    bend = compression(setup.unit, ratio_of_db(-wanted.drop_db), sensitivity=level.sensitivity)
    if wanted.equal_deflection or not bend.u:
        return budget
    return replace(budget, contributions=(*budget.contributions, bend))


def _with_origins(setup: Setup, budget: Budget) -> Budget:
    """The level's own lines rest on the reference, or on the generator; the frequency's on the counter."""
    bench = setup.bench
    level, frequency = bench.reference or bench.generator, bench.counter or bench.generator
    rests_on = {LEVEL: level, METER: level, FREQUENCY: frequency}
    return replace(
        budget,
        contributions=tuple(
            line if (instrument := rests_on.get(line.name)) is None else replace(line, origin=origin_of(instrument))
            for line in budget.contributions
        ),
    )


def _curve(half: HalfPower, known: Levelled | None) -> Curve:
    return Curve(
        status=half.status,
        reference_hz=half.reference_hz,
        drop_db=half.drop_db,
        reference_div=half.reference_div,
        slope_db_per_ln=half.slope_db_per_ln,
        recovers_hz=half.recovers_hz,
        lowest=half.lowest,
        points=half.points,
        readings_used=half.readings_used,
        band=Band() if known is None else _band(known, whole=half.lowest),
        level=known.level if known else (),
        level_method=known.method if known else "",
        flags=half.flags,
    )


def _not_judged(setup: Setup, wanted: Wanted, found: Levelled, half: HalfPower) -> str:
    """Why a frequency is stated but not held against the rating, if it is not."""
    if not is_half_power(wanted.drop_db):
        return tr(
            "The rating is of half power; a drop of {drop_db:.4g} dB is reported, not judged.", drop_db=wanted.drop_db
        )
    if near := _too_near(wanted, half.frequency_hz or setup.unit.bandwidth):
        return near
    if setup.bench.reference is None:
        return ""
    if not found.level:
        return tr("The level was not read on the reference, so the sine is not known well enough to judge by.")
    known_to_hz = found.level[-1].frequency_hz
    if half.frequency_hz is not None and half.frequency_hz > _BEYOND_LEVEL * known_to_hz:
        return tr("The level was read on the reference up to {known_to_hz} only.", known_to_hz=show(known_to_hz, "Hz"))
    return ""


def _too_near(wanted: Wanted, frequency_hz: float) -> str:
    """Why nothing is judged that was read relative to a frequency where the response may have dropped already."""
    if not too_near(wanted.reference_hz, frequency_hz):
        return ""
    reference, there = show(wanted.reference_hz, "Hz"), shown.hertz(frequency_hz)
    return tr(
        "The reference frequency of {reference} is above a tenth of {there}: reported relative to it, not judged.",
        reference=reference,
        there=there,
    )


def _in_words(half: HalfPower, statement: Statement | None) -> str:
    """The frequency as the tables round it, or what is known instead."""
    drop = tr("half power") if abs(half.drop_db - HALF_POWER_DB) < 1e-3 else f"−{half.drop_db:.4g} dB"
    which = tr("the lowest") if half.lowest else tr("a")
    known = shown.known_text(statement, half.bound_hz, "Hz")
    match half.status:
        case "found" if statement is not None:
            return tr(
                "{which} {drop_db} frequency is {known}, k = {k:.2f}.",
                which=which,
                drop_db=of_drop(half.drop_db),
                known=known,
                k=statement.k,
            )
        case "above_generator" if half.bound_hz is not None:
            return tr("{drop} lies {known} (95 %), the highest frequency that could be used.", drop=drop, known=known)
        case "not_bracketed" if half.bound_hz is not None:
            return tr("{drop} was not found; it lies {known} (95 %).", drop=drop, known=known)
        case "several_crossings" if statement is not None:
            return tr(
                "falls to {drop} more than once, {more} at {known}.",
                drop=drop,
                more=tr("first") if half.lowest else tr("among others"),
                known=known,
            )
        case _:
            return tr("{drop} was not found.", drop=drop)


def _band(known: Levelled, *, whole: bool) -> Band:
    """The response for a plot: from the reference frequency on where it was followed, else as far as it was read."""
    frequencies = [reading.frequency_hz for reading in known.readings if reading.purpose != "reference"]
    if len(set(frequencies)) < 2:
        return Band()
    low_hz, high_hz = min(frequencies), max(frequencies)
    grid = np.geomspace(low_hz, high_hz, _BAND_POINTS)
    if whole and known.plan.reference_hz < low_hz:
        below = np.geomspace(known.plan.reference_hz, low_hz, _BAND_POINTS // 10, endpoint=False)
        grid = np.concatenate([below, grid])
    value, u_db = response_band(known.readings, known.plan, grid)

    def plain(values: Any) -> tuple[float | None, ...]:
        return tuple(float(v) if np.isfinite(v) else None for v in values)

    return Band(
        frequency_hz=tuple(float(f) for f in grid),
        response_db=plain(value),
        low_db=plain(value - 2 * u_db),
        high_db=plain(value + 2 * u_db),
    )
