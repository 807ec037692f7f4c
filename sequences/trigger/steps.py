"""Sensitivity of the trigger at low frequency and at its bandwidth, and its level: by a levelled sine."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final, Literal

from pydantic import Field

from harness import steps
from harness.errors import AnalysisError
from harness.models import Setup, rated
from harness.quantities import db, ratio_of_db, round_to, show
from harness.steps import EXTERNAL, Connect, Measure, Role, Sine, Trigger, View, connect, measure
from harness.values import Decibels, Hertz, Model, Volts
from harness.words.language import tr
from sequences import Judges, Plan, Planned, channels_of, generator_of, signal_range, sweep_near
from sequences.deflection import PEAK_TO_PEAK
from sequences.levelling.sine import LEVEL, Taken
from sequences.levelling.steps import level_step, read_levels, sweep
from sequences.trigger import Rated
from sequences.trigger.search import next_number
from sequences.trigger.stated import (
    ABOVE_RATING,
    EXTERNAL_TRIGGERS,
    IDEAL,
    TRIGGER_AT,
    TRIGGERS,
    deflection_step,
    usual_step_db,
)

TITLE: Final = "Trigger"
_UNRATED_DIV: Final = 2.0
_UNRATED_V: Final = 0.2
_COARSE_DB: Final = 6.0
_DIGITS: Final = 4
_LEVEL_DIV: Final = 6.0  # of the sine on which a level is tried
_WITHIN_SINE: Final = 0.8  # of its peak: above, its crossing is too flat to tell

Source = Literal["channel", "external"]
Slope = Literal["rising", "falling"]
Coupling = Literal["dc", "ac", "low_reject", "high_reject"]


class Options(Model):
    """What a job may choose."""

    channels: tuple[int, ...] = Field((), description="channels; all if left out")
    path: str = Field("terminated", description="the path of the levelled sine")
    level_path: str | None = Field(None, description="the path to the reference, where it is another")
    volts_per_div: Volts | None = Field(None, description="range; the unit file's, or the nearest to 100 mV/div")
    reference_frequency: Hertz = Field(50e3, gt=0, description="where the deflection is read")
    frequencies: tuple[Hertz, ...] = Field(
        (), description="low, where the low-frequency rating ends, and the bandwidth of the trigger, if left out"
    )
    slopes: tuple[Slope, ...] = Field(("rising", "falling"), min_length=1, description="edges that trigger")
    couplings: tuple[Coupling, ...] = Field(("dc",), min_length=1, description="couplings of the trigger")
    external: bool = Field(False, description="the external trigger too; a person moves the cable to it")
    levels: tuple[float, ...] = Field(
        (-2.0, 0.0, 2.0), description="trigger levels that are tried, in divisions; remote units only"
    )
    step: Decibels | None = Field(None, gt=0, le=6, description="step of the level: 0.5 dB, by eye 1 dB")


QUANTITIES: Final = (TRIGGERS, EXTERNAL_TRIGGERS, TRIGGER_AT)
JUDGES: Final[Judges] = {
    "unit": (TRIGGERS.name, EXTERNAL_TRIGGERS.name, TRIGGER_AT.name, PEAK_TO_PEAK.name),
    "reference": (PEAK_TO_PEAK.name,),
}


# --- what is tried ------------------------------------------------------------------------------------------------


def needs(_options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return ("generator",)


def plan(setup: Setup, options: Options) -> Plan:
    """Every sensitivity by the first level of its search, and every trigger level."""
    cases, left_out = _cases(setup, options)
    levels, without = _levels(setup, options)
    return Plan(
        points=tuple(Planned(step=step) for step in (*(_try(setup, options, case, 0) for case in cases), *levels)),
        left_out=(*left_out, *without),
    )


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """The level at every frequency on the reference; then channel by channel, the external trigger last."""
    cases, _ = _cases(setup, options)
    levels, _ = _levels(setup, options)
    yield from _read_reference(setup, options, [case.frequency_hz for case in cases])
    for (source, channel), group in groupby(cases, key=lambda case: (case.source, case.channel)):
        yield from connect(path=options.path, source="generator", display="unit", channel=channel)
        yield from _place(setup, options, list(group))
        if source == "channel":
            for step in (each for each in levels if each.view.channel == channel):
                yield from measure(step)


def _place(setup: Setup, options: Options, cases: list[_Case]) -> steps.Sequence[None]:
    """What one input triggers on. The deflection is read at the level that was found; by eye, and before the cable
    goes to the external input, where it is tall."""
    external = cases[0].source == "external"
    if external or setup.unit.read == "eye":
        tall = _try(setup, options, cases[0], 0)
        level_vpp = _at_most(setup, options)
        yield from measure(deflection_step(setup, tall, level_vpp, options.reference_frequency))
    if external:
        yield from connect(path=options.path, source="generator", display="unit", channel=EXTERNAL)
    for case in cases:
        last = yield from _search(setup, options, case)
        if last is not None and not external and setup.unit.read == "remote":
            yield from measure(deflection_step(setup, last, last.stimulus.level, options.reference_frequency))
    channel = cases[0].channel
    by_hand = setup.route(options.path, "unit", EXTERNAL) is None
    if external and by_hand and setup.route(options.path, "unit", channel) is not None:  # the switch's own lead
        yield Connect(path=options.path, source="generator", display="unit", channel=channel, replugged=True)


def _search(setup: Setup, options: Options, case: _Case) -> steps.Sequence[Measure | None]:
    """Lower the level until the trigger fails, raise it until every sweep is started; the last step that did."""
    coarse = max(1, round(_COARSE_DB / _step_db(setup, options)))
    lowest, highest = _reach(setup, options, case)
    passed: dict[int, bool] = {}
    number: int | None = 0
    while number is not None:
        reading = yield from measure(_try(setup, options, case, number))
        if reading.status != "read" or reading.value is None:
            return None
        passed[number] = reading.value >= 1.0
        number = next_number(passed, coarse=coarse, lowest=lowest, highest=highest)
    sound = [number for number, good in passed.items() if good]
    return _try(setup, options, case, max(sound)) if sound else None


def _read_reference(setup: Setup, options: Options, frequencies: Sequence[float]) -> steps.Sequence[None]:
    asked = dict.fromkeys((options.reference_frequency, *sorted(frequencies)))
    if setup.bench.reference is None or len(asked) < 2:
        return
    path = options.level_path or options.path
    vpp = round_to(_LEVEL_DIV * _range(setup, options) * setup.bench.path(path).divides_by, _DIGITS)
    vpp = min(vpp, generator_of(setup).level_high)
    taken: list[Taken] = []
    yield from read_levels(
        setup, [level_step(setup, path, level_vpp=vpp, frequency_hz=f, purpose=LEVEL) for f in asked], taken
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """One sensitivity that is searched for, beginning at this level of the generator."""

    source: Source
    channel: int
    slope: Slope
    coupling: Coupling
    frequency_hz: float
    start_vpp: float


def _cases(setup: Setup, options: Options) -> tuple[list[_Case], list[str]]:
    found: list[_Case] = []
    left_out: list[str] = []
    channels = channels_of(setup, options.channels)
    sources: list[tuple[Source, int]] = [("channel", channel) for channel in channels]
    sources += [("external", channels[0])] if options.external else []
    for source, channel in sources:
        for frequency_hz in _frequencies(setup, options):
            start_vpp, why = _start(setup, options, source, channel, frequency_hz)
            if why:
                left_out.append(f"{_called(source, channel)}, {show(frequency_hz, 'Hz')}: {why}")
                continue
            found += [
                _Case(
                    source=source, channel=channel, slope=slope, coupling=coupling, frequency_hz=frequency_hz,
                    start_vpp=start_vpp,
                )
                for coupling in options.couplings for slope in options.slopes
            ]  # fmt: skip
    return found, list(dict.fromkeys(left_out))


def _called(source: Source, channel: int) -> str:
    return tr("External trigger") if source == "external" else tr("Channel {channel}", channel=channel)


def _frequencies(setup: Setup, options: Options) -> list[float]:
    stated = rated(setup.unit, Rated)
    if options.frequencies:
        return sorted(set(options.frequencies))
    at_bandwidth = stated.trigger_at_bandwidth or stated.trigger_external_at_bandwidth
    asked = (options.reference_frequency, stated.trigger_sensitivity_to,
             stated.bandwidth_hz(setup.unit) if at_bandwidth else None)  # fmt: skip
    return sorted({frequency_hz for frequency_hz in asked if frequency_hz is not None})


def _start(setup: Setup, options: Options, source: Source, channel: int, frequency_hz: float) -> tuple[float, str]:
    """The generator's level that every sound trigger is started by, or why it cannot be tried."""
    generator, external = generator_of(setup), source == "external"
    if frequency_hz > generator.frequency_high:
        return 0.0, tr("the generator reaches {frequency_high}.", frequency_high=show(generator.frequency_high, "Hz"))
    view = _view(setup, options, _Case(
        source=source, channel=channel, slope=options.slopes[-1], coupling=options.couplings[-1],
        frequency_hz=frequency_hz, start_vpp=0.0,
    ))  # fmt: skip
    if lacking := setup.lacks("unit", view):
        return 0.0, tr("the unit is asked for {lacking}.", lacking=lacking)
    per_unit = setup.bench.path(options.path).divides_by * (1.0 if external else view.volts_per_div)
    needed_by_rating = rated(setup.unit, Rated).needs(setup.unit, frequency_hz, external=external)
    if needed_by_rating is not None and needed_by_rating * per_unit < generator.level_low:
        return 0.0, (
            tr(
                "the generator's smallest level of {level_low} is more than the rating; a less sensitive "
                "range, or an attenuator, would let it be tried.",
                level_low=show(generator.level_low, "Vpp"),
            )
        )
    start = ABOVE_RATING * needed_by_rating if needed_by_rating else _UNRATED_V if external else _UNRATED_DIV
    start_vpp = round_to(min(start * per_unit, generator.level_high), _DIGITS)
    most_v = setup.unit.input.external_maximum
    if external and most_v is None:
        return 0.0, "the unit file does not say what its input may take; write input.external_maximum there."
    if external and most_v is not None and start_vpp > most_v:  # a level into 50 ohm may be twice that, unloaded
        return 0.0, tr(
            "its input may take {most_v}, less than the signal that it would be tried with.", most_v=show(most_v, "V")
        )
    return start_vpp, ""


def _range(setup: Setup, options: Options) -> float:
    return signal_range(setup.unit, options.volts_per_div)


def _step_db(setup: Setup, options: Options) -> float:
    return options.step or usual_step_db(setup)


def _at_most(setup: Setup, options: Options) -> float:
    """The largest level that the screen holds and the generator gives."""
    per_div = _range(setup, options) * setup.bench.path(options.path).divides_by
    return round_to(min(setup.unit.usable_div * per_div, generator_of(setup).level_high), _DIGITS)


def _reach(setup: Setup, options: Options, case: _Case) -> tuple[int, int]:
    """The numbers of the largest and the smallest level that can be tried."""
    step, generator = _step_db(setup, options), generator_of(setup)
    highest_db = db(max(_at_most(setup, options) / case.start_vpp, 1.0))
    lowest_db = db(case.start_vpp / generator.level_low)
    return -int(highest_db / step), int(lowest_db / step)


def _view(setup: Setup, options: Options, case: _Case) -> View:
    remote = setup.unit.read == "remote"
    return View(
        channel=case.channel,
        volts_per_div=_range(setup, options),
        s_per_div=sweep(case.frequency_hz, setup.unit.s_per_div, remote=remote),
        trigger=Trigger(source=case.source, slope=case.slope, coupling=case.coupling, normal=True),
    )


def _try(setup: Setup, options: Options, case: _Case, number: int) -> Measure:
    """One level: so many steps below the first."""
    step_db = _step_db(setup, options)
    on_a_dial = generator_of(setup).driver == "manual" and step_db >= 1.0  # two digits tell such levels apart
    level_vpp = round_to(case.start_vpp * ratio_of_db(-number * step_db), 2 if on_a_dial else _DIGITS)
    least_vpp = case.start_vpp * IDEAL / ABOVE_RATING
    return Measure(
        purpose="trigger",
        path=options.path,
        source="generator",
        stimulus=Sine(level_vpp=level_vpp, frequency_hz=case.frequency_hz),
        display="unit",
        view=_view(setup, options, case),
        quantity=(EXTERNAL_TRIGGERS if case.source == "external" else TRIGGERS).name,
        driven=EXTERNAL if case.source == "external" else None,
        expected=1.0 if level_vpp >= least_vpp else 0.0,
    )


def _levels(setup: Setup, options: Options) -> tuple[list[Measure], list[str]]:
    """Every level of every channel and slope; an eye finds no number on a level knob."""
    found = list(_level_steps(setup, options))
    if not found:
        return [], []
    if setup.unit.read == "eye":
        return [], [tr("Trigger level: a level that is set by hand has no number to hold it against.")]
    for step in found:
        if lacking := setup.lacks("unit", step.view):
            return [], [tr("Trigger level: the unit is asked for {lacking}.", lacking=lacking)]
    return found, []


def _level_steps(setup: Setup, options: Options) -> Iterator[Measure]:
    per_div, frequency_hz = _range(setup, options), options.reference_frequency
    to_unit = setup.bench.path(options.path).divides_by
    level_vpp = round_to(min(_LEVEL_DIV * per_div * to_unit, generator_of(setup).level_high), _DIGITS)
    peak_div = level_vpp / to_unit / per_div / 2
    s_per_div = sweep_near(setup.unit, 0.2 / frequency_hz)  # two periods on ten divisions
    for channel in channels_of(setup, options.channels):
        for slope in options.slopes:
            for level_div in options.levels:
                if abs(level_div) > _WITHIN_SINE * peak_div:
                    raise AnalysisError(
                        f"a trigger level of {level_div:g} div is too near to the peak of a sine of "
                        f"±{peak_div:g} div; choose 'levels' within {_WITHIN_SINE * peak_div:.3g} div."
                    )
                trigger = Trigger(slope=slope, level_v=round_to(level_div * per_div, _DIGITS), normal=True)
                yield Measure(
                    purpose="trigger level",
                    path=options.path,
                    source="generator",
                    stimulus=Sine(level_vpp=level_vpp, frequency_hz=frequency_hz),
                    display="unit",
                    view=View(channel=channel, volts_per_div=per_div, s_per_div=s_per_div, trigger=trigger),
                    quantity=TRIGGER_AT.name,
                    expected=level_div,
                )
