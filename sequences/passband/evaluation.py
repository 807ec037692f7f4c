"""The response of every channel below its bandwidth, its limiter, its AC coupling, against the maker's.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from harness.analysis.verdict import Limits
from harness.errors import AnalysisError
from harness.models import Setup, Unit, rated
from harness.quantities import HALF_POWER_DB, round_to, show
from harness.report import shown
from harness.report.checklist import count, heading
from harness.report.model import Evaluated, Heading, PartResult, Result
from harness.report.readings import Taken
from harness.words.language import tr, tr_count
from harness.words.signals import describe
from sequences.bandwidth.evaluation import Against, followed, half_powers
from sequences.levelling.evaluation import Level, judge, not_read, result
from sequences.levelling.sine import LevelPlan, level_table, method_of
from sequences.levelling.width import TRACE_WIDTH
from sequences.passband import Rated
from sequences.passband.response import (
    AC_COUPLED,
    LIMITER,
    PASSBAND,
    RESPONSE,
    Shown,
    chosen,
    corner_hz,
    coupled,
    limits_of,
    plan_of,
    response,
)
from sequences.passband.steps import AC, AT_REFERENCE, WITH_LIMITER, Options, limiter_options, limiter_setup


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """Every range of every channel, then the limiter and AC coupling."""
    options = Options.model_validate(entry.get("options", {}), context={"si": True})
    setup = chosen(setup, options.input)
    own = [(step, r) for step, r in taken if not step.purpose.startswith(WITH_LIMITER)]
    results = (*_passbands(setup, options, own), *_limiters(setup, options, taken), *_couplings(setup, own))
    return Evaluated(results=results, missing=tuple(_missing(entry, results)))


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    if stated.passband is not None and stated.passband_to is not None:
        yield tr(
            "response within ±{passband:g} dB up to {passband_to}",
            passband=stated.passband,
            passband_to=shown.hertz(stated.passband_to),
        )
    if stated.limiter is not None:
        within = shown.percent(stated.limiter_tolerance)
        yield tr(
            "half power with the limiter at {limiter} ± {within}", limiter=shown.hertz(stated.limiter), within=within
        )
    if stated.ac_corner is not None:
        yield tr("lower corner of AC coupling at most {ac_corner}", ac_corner=shown.hertz(stated.ac_corner))


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What the calibration guide asks of the response below the bandwidth."""
    judged, read = count(parts, PASSBAND.name), followed(parts)
    by = tr(
        "{responses} read from the reference frequency on; reported, not judged", responses=tr_count(read, "response")
    )
    by = tr_count(judged, "response") if judged else by
    could = tr("sequence passband, or sequence bandwidth with scan = true")
    yield heading(tr("Flatness below the bandwidth"), judged + read > 0, by, could)


def _missing(entry: Mapping[str, Any], results: Sequence[Result]) -> Iterator[str]:
    """The ranges that were to be read and have no result, by channel."""
    views = (point["view"] for point in entry.get("points", ()))
    planned = dict.fromkeys((view["channel"], view["volts_per_div"]) for view in views)
    there = {(r.channel, r.setting_value) for r in results if r.quantity == PASSBAND.name}
    for channel, volts_per_div in planned:
        if (channel, volts_per_div) not in there:
            yield tr(
                "channel {channel}: {PASSBAND_name}, {volts_per_div}/div",
                channel=channel,
                PASSBAND_name=PASSBAND.name,
                volts_per_div=show(volts_per_div, "V"),
            )


def _setting(step: Any) -> str:
    ohm = step.view.input_ohm
    return f"{show(step.view.volts_per_div, 'V')}/div" + (
        "" if ohm is None else tr(", {ohm} input", ohm=show(ohm, "Ω"))
    )


# --- passband -----------------------------------------------------------------------------------------------------


def _passbands(setup: Setup, options: Options, taken: Sequence[Taken]) -> Iterator[Result]:
    at_unit = [(step, r) for step, r in taken if step.quantity == RESPONSE.name]
    plan = plan_of(setup, options.path, options.level_path, options.reference_frequency, options.termination)
    for channel, volts_per_div in dict.fromkeys((s.view.channel, s.view.volts_per_div) for s, _ in at_unit):
        these = [(s, r) for s, r in at_unit if (s.view.channel, s.view.volts_per_div) == (channel, volts_per_div)]
        width = [(s, r) for s, r in taken if s.quantity == TRACE_WIDTH.name and s.view.channel == channel]
        if (one := _passband(setup, plan, taken, these, width)) is not None:
            yield one


def _passband(
    setup: Setup, plan: LevelPlan, taken: Sequence[Taken], these: Sequence[Taken], width: Sequence[Taken]
) -> Result | None:
    """One range of one channel; None where nothing but the reference frequency was asked for."""
    vpp = these[0][0].stimulus.level
    level = [(s, r) for s, r in taken if s.display == "reference" and s.stimulus.level == vpp and r.status == "read"]
    base = _shown([(s, r) for s, r in these if s.purpose == AT_REFERENCE])
    levels = []
    for hz in sorted({s.stimulus.rate_hz or 0.0 for s, _ in these if s.purpose != AT_REFERENCE}):
        at = [(s, r) for s, r in these if s.stimulus.rate_hz == hz and s.purpose != AT_REFERENCE]
        if limits_of(setup.unit, at[0][0]) is not None:
            levels.append(_level(setup, plan, level, at, base=base, width=width))
    if not levels:
        return None
    limits = limits_of(setup.unit, levels[0].step)
    assert limits is not None
    table = level_table(setup, plan, level)
    return result(
        setup,
        levels,
        limits,
        quantity=PASSBAND.name,
        setting=_setting(levels[0].step),
        says=tr(
            "relative to {reference_hz} the response departs most, by", reference_hz=shown.hertz(plan.reference_hz)
        ),
        reference_hz=plan.reference_hz,
        reference_div=None if base is None else sum(base.values) / len(base.values),
        level=table.points if table else (),
        method=method_of(setup, table),
    )


def _level(
    setup: Setup, plan: LevelPlan, level: Sequence[Taken], at: Sequence[Taken], *, base: Shown | None,
    width: Sequence[Taken],
) -> Level:  # fmt: skip
    """The response at one frequency, or why there is none."""
    here, step = _shown(at), at[0][0]
    hz = step.stimulus.rate_hz or 0.0
    if here is None:
        return Level(step=step, frequency_hz=hz, remark=not_read([r.status for _, r in at]))
    if base is None:
        return Level(step=step, frequency_hz=hz, remark=tr("the reference frequency was not read"))
    try:
        budget = response(setup, plan, level, reference=base, at=here, width=width)
    except AnalysisError as error:
        return Level(step=step, frequency_hz=hz, remark=str(error))
    return Level(step=step, frequency_hz=hz, budget=budget, readings=here.values)


def _shown(taken: Sequence[Taken]) -> Shown | None:
    values = tuple(r.value for _, r in taken if r.status == "read" and r.value is not None)
    return Shown(step=taken[0][0], values=values) if values else None


# --- limiter and coupling -----------------------------------------------------------------------------------------


def _limiters(setup: Setup, options: Options, taken: Sequence[Taken]) -> Iterator[Result]:
    """The half power of each channel with its limiter on, as the bandwidth is found."""
    as_rated = limiter_setup(setup, options)
    these = [(replace(s, purpose=s.purpose.removeprefix(WITH_LIMITER)), r) for s, r in taken
             if s.purpose.startswith(WITH_LIMITER)]  # fmt: skip
    if as_rated is None or not these:
        return
    stated = rated(setup.unit, Rated)
    nominal, within = as_rated.unit.bandwidth, stated.limiter_tolerance
    against = Against(
        quantity=LIMITER.name,
        limits=Limits(low=nominal * (1 - within), high=nominal * (1 + within)),
        rated=tr("Rated {nominal} ± {within}", nominal=shown.hertz(nominal), within=shown.percent(within)),
    )
    asked = limiter_options(options, options.channels).model_dump(mode="json", exclude_none=True)
    for one in half_powers(as_rated, asked, these, against):
        plain = tr("Channel {channel}: ", channel=one.channel)
        said = one.sentence.replace(plain, tr("Channel {channel}, limiter on: ", channel=one.channel), 1)
        yield replace(one, setting=tr("{setting}, limiter on", setting=one.setting), sentence=said)


def _couplings(setup: Setup, taken: Sequence[Taken]) -> Iterator[Result]:
    """What AC coupling leaves at the rated corner; half power or more, and the corner lies no higher."""
    these = [(s, r) for s, r in taken if s.purpose == AC]
    for channel in dict.fromkeys(s.view.channel for s, _ in these):
        direct, blocked = (
            [(s, r) for s, r in these if (s.view.channel, s.view.coupling) == (channel, coupling)]
            for coupling in ("dc", "ac")
        )
        width = [(s, r) for s, r in taken if s.quantity == TRACE_WIDTH.name and s.view.channel == channel]
        if direct:
            yield _coupling(setup, direct, blocked, width)


def _coupling(setup: Setup, direct: Sequence[Taken], blocked: Sequence[Taken], width: Sequence[Taken]) -> Result:
    step, dc, ac = direct[0][0], _shown(direct), _shown(blocked)
    hz, limits = step.stimulus.rate_hz or 0.0, Limits(low=-HALF_POWER_DB)
    level = Level(step=step, frequency_hz=hz, remark=not_read([r.status for _, r in (*direct, *blocked)]))
    if dc is not None and ac is not None:
        try:
            level = Level(step=step, frequency_hz=hz, budget=coupled(setup, dc, ac, width), readings=ac.values)
        except AnalysisError as error:
            level = Level(step=step, frequency_hz=hz, remark=str(error))
    one = judge(setup, level, limits)
    known = (
        tr("was not read") if one.statement is None else tr("leaves {statement}", statement=shown.with_u(one.statement))
    )
    corner = None if one.statement is None else corner_hz(hz, one.statement.estimate)
    pole = "" if corner is None else tr(", as a single pole at {corner} does", corner=shown.hertz(round_to(corner, 2)))
    half = shown.minus(f"{-HALF_POWER_DB:.2f} dB")
    return Result(
        quantity=AC_COUPLED.name,
        channel=step.view.channel,
        path=step.path,
        setting=f"{_setting(step)}, AC",
        setting_value=step.view.volts_per_div,
        setting_unit="V/div",
        applied=describe(step.stimulus),
        readings=level.readings,
        reading=sum(level.readings) / len(level.readings) if level.readings else None,
        unit="div",
        statement=one.statement,
        budget=level.budget,
        result_unit="dB",
        limits=limits,
        verdict=one.verdict,
        word=one.word,
        remarks=(level.remark,) if level.remark else (),
        sentence=tr(
            "Channel {channel}: at {hz} AC coupling {known}{pole}. At least {half} is left where the "
            "corner is no higher: {word}.",
            channel=step.view.channel,
            hz=shown.hertz(hz),
            known=known,
            pole=pole,
            half=half,
            word=one.word,
        ),
        stimulus=step.stimulus,
        view=step.view,
    )
