"""What may be applied to which path: ratings of input, probe and termination, and hazardous voltage.   [pure]

A magnitude is judged, whatever its sign. A generator's levels are stated into 50 Ω; into a load R they are
2·R/(R + 50 Ω) times that, and so up to twice on an open path.

References
----------
IEC 61010-1 with its 2016 amendment: 30 V rms, 42.4 V peak, 60 V dc in normal condition (values from memory);
AC with DC is judged by its peak. Heat in a termination, or in an input that ends the line: V²/R.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final, Literal, assert_never

from harness.measurement import quantity_of
from harness.models import LOW_OHM, Setup, SignalPath
from harness.quantities import VPP_PER_VRMS_SINE, duration, show, unphysical
from harness.steps import (
    EXTERNAL,
    Connect,
    Dc,
    FastEdge,
    Look,
    Measure,
    NoSignal,
    Sine,
    Square,
    Step,
    Stimulus,
    TimeMarks,
    Trigger,
    View,
    field_names,
)

HAZARDOUS_RMS_V: Final = 30.0
HAZARDOUS_PEAK_V: Final = 42.4
HAZARDOUS_DC_V: Final = 60.0
GENERATOR_OHM: Final = 50.0  # what a generator's levels are stated into, and its own output resistance
_SLACK: Final = 1 + 1e-9  # a level exactly on a rating is within it, whatever its binary form

CAUTIONS: Final = """\
Hazardous voltage: above 30 V rms, 42.4 V peak or 60 V dc a touch can injure or kill.
- The input ground of an oscilloscope is protective earth. Never cut an earth wire, never float the scope, never clip \
the ground lead to a live point.
- Use leads and probes rated for the voltage; keep one hand away; keep the covers on: a cathode-ray tube holds \
kilovolts after switch-off, and nothing here needs a cover removed.
- Local rules and your own safety instructions come first; where they ask for a qualified person, it is theirs to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stress:
    """What a stimulus does to what it meets: mean, rms of the whole and of its AC part, and peak, in V."""

    dc_v: float
    rms_v: float
    ac_rms_v: float
    peak_v: float

    def divided(self, by: float) -> Stress:
        """The stress behind a divider."""
        return Stress(dc_v=self.dc_v / by, rms_v=self.rms_v / by, ac_rms_v=self.ac_rms_v / by, peak_v=self.peak_v / by)

    @property
    def hazardous(self) -> bool:
        """Above the limits of normal condition; at a limit is still below."""
        return (
            self.ac_rms_v > HAZARDOUS_RMS_V * _SLACK
            or (self.ac_rms_v > 0 and self.peak_v > HAZARDOUS_PEAK_V * _SLACK)
            or abs(self.dc_v) > HAZARDOUS_DC_V * _SLACK
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Hazard:
    """A reason not to apply a step: a rating exceeded (never applied), or a voltage a person must confirm."""

    kind: Literal["rating", "voltage"]
    sentence: str
    of_the_source: bool = False  # the source cannot give it; nothing would be damaged
    peak_v: float = 0.0  # of a voltage: what a person confirms


# --- steps that cannot be meant ----------------------------------------------------------------------------------

_UNITS: Final = {
    "level_v": "V", "level_vpp": "Vpp", "frequency_hz": "Hz", "period_s": "s", "volts_per_div": "V", "s_per_div": "s",
    "ground_line_div": "div", "magnifier": "ratio", "tune_to_div": "div", "input_ohm": "ohm", "delay_s": "s",
    "wait_s": "s",
    "expected": "ratio", "expected_low": "ratio", "expected_high": "ratio",  # in the unit of what is read
}  # fmt: skip
_SMALL: Final = ("div", "s", "ratio", "V", "dB", "F", "deg")  # what is never a great number
_ABOVE_ZERO: Final = ("frequency_hz", "period_s", "volts_per_div", "s_per_div", "magnifier", "input_ohm")


def refusal(step: Step, connected: Connect | None, setup: Setup) -> str:
    """Why nothing is done for a step, in a sentence without its subject; empty if there is no reason.

    Its numbers must be such as a bench can have, its path one of the bench, and a reading is taken where the
    connection in force leads.
    """
    if step.path not in setup.bench.paths:
        known = ", ".join(map(repr, setup.bench.paths)) or "none"
        return (
            f"names the path {step.path!r}, which the bench file has not ({known}); describe it there, with its ratings"
        )
    if isinstance(step, Connect):
        return ""
    parts = (step.stimulus, step.view, step.view.trigger or Trigger(), step)
    for wrong in (wrong for part in parts for wrong in _unphysical(part)):
        return wrong
    if lacking := setup.lacks(step.display, step.view):
        return f"asks the {step.display} for {lacking}; correct the command, or leave the measurement out"
    for wrong in (*_undriven(step, setup), *_together(step, setup)):
        return wrong
    if isinstance(step, Look) and isinstance(step.stimulus, NoSignal):
        return ""
    if isinstance(step, Measure) and step.wait_s and unloaded(step).hazardous:
        return f"waits {duration(step.wait_s)} with a hazardous voltage on; wait with less, or with none"
    if connected is None:
        return "measures before anything is connected; yield a Connect first"
    wanted = connection_of(step)
    if not _leads(connected, wanted) and not (connected.watched and _on_the_tee(wanted, connected)):
        return f"measures {_where(wanted)}, but what is connected is {_where(connected)}; yield a Connect first"
    return ""


def connection_of(step: Measure | Look) -> Connect:
    """The connection that a reading needs: to the channel that is read, or to the one that has the signal instead."""
    driven = step.driven if isinstance(step, Measure) else None
    channel = step.view.channel if driven is None else driven
    second = step.second if isinstance(step, Measure) else None
    also = () if second is None else (second,)
    return Connect(path=step.path, source=step.source, display=step.display, channel=channel, also=also)


def _leads(made: Connect, wanted: Connect) -> bool:
    """Whether a connection leads to every channel that is wanted; of those on one tee any may be read."""
    there = {made.channel, *made.also}
    return (made.path, made.source, made.display) == (wanted.path, wanted.source, wanted.display) and (
        {wanted.channel, *wanted.also} <= there
    )


def _together(step: Measure | Look, setup: Setup) -> Iterator[str]:
    """What is wrong with a reading of two channels."""
    second = step.second if isinstance(step, Measure) else None
    if second is None and step.view.together:
        yield f"asks for {step.view.together} of one channel; say which is the second"
    elif second is not None and (step.display != "unit" or not 1 <= second <= setup.unit.channels):
        yield f"reads channel {second} of the {step.display} besides, which has no such channel to compare"
    elif second == step.view.channel:
        yield f"compares channel {second} with itself"
    elif step.view.together and setup.unit.read != "eye":
        yield f"asks for {step.view.together} on a display that is read over its interface, which gives records instead"


def _undriven(step: Measure | Look, setup: Setup) -> Iterator[str]:
    """What is wrong with a reading beside the channel that has the signal."""
    driven = step.driven if isinstance(step, Measure) else None
    if driven is None:
        return
    if driven == EXTERNAL and step.view.trigger is not None and step.view.trigger.source == "external":
        return
    if step.display != "unit" or not 1 <= driven <= setup.unit.channels:
        yield f"drives channel {driven} of the {step.display}; only a channel of the unit can be driven beside another"
    elif driven == step.view.channel:
        yield f"reads channel {driven} as one that has no signal, and drives it; read another, or leave `driven` out"


def _on_the_tee(wanted: Connect, made: Connect) -> bool:
    """Whether it is the reference that is to be read, and on the signal that is connected."""
    return wanted.display == "reference" and (wanted.path, wanted.source) == (made.path, made.source)


def _where(made: Connect) -> str:
    return f"{made.source} → {made.path} → channel {made.channel} of the {made.display}"


def _unphysical(of: Stimulus | View | Trigger | Measure | Look) -> Iterator[str]:
    kind: type = type(of)
    for name in field_names(kind):
        if (unit := _UNITS.get(name)) is None:
            continue
        value = getattr(of, name)
        if value is None and (isinstance(of, Measure | Trigger) or name == "input_ohm"):  # what need not be stated
            continue
        size = abs(value) if name == "delay_s" and isinstance(value, float) else value  # before the trigger as well
        great = name.startswith("expected") and isinstance(of, Measure) and quantity_of(of).unit not in _SMALL
        wrong = unphysical(size, "" if great else unit) or (
            "is not above zero" if value <= 0 and name in _ABOVE_ZERO else ""
        )
        if wrong:
            yield f"asks for {type(of).__name__}({name}={value!r}), which {wrong}"


# --- what is applied ---------------------------------------------------------------------------------------------


def stress(stimulus: Stimulus) -> Stress:
    """The stress of a stimulus at the source."""
    match stimulus:
        case NoSignal():
            return Stress(dc_v=0.0, rms_v=0.0, ac_rms_v=0.0, peak_v=0.0)
        case Dc(level_v=level_v):
            return Stress(dc_v=level_v, rms_v=abs(level_v), ac_rms_v=0.0, peak_v=abs(level_v))
        case Sine(level_vpp=level_vpp):
            peak_v = abs(level_vpp) / 2
            rms_v = abs(level_vpp) / VPP_PER_VRMS_SINE
            return Stress(dc_v=0.0, rms_v=rms_v, ac_rms_v=rms_v, peak_v=peak_v)
        case Square(level_vpp=level_vpp) | FastEdge(level_vpp=level_vpp) | TimeMarks(level_vpp=level_vpp):
            # From 0 V to the top at half duty; marks are shorter, so this is their upper bound.
            top = abs(level_vpp)
            return Stress(dc_v=top / 2, rms_v=top / math.sqrt(2), ac_rms_v=top / 2, peak_v=top)
        case _:
            assert_never(stimulus)


def unloaded(step: Measure | Look) -> Stress:
    """The stress once hands have pulled a lead from what loads it: all that a generator's stage gives."""
    return stress(step.stimulus).divided(0.5 if step.source == "generator" else 1.0)


def applied(step: Measure | Look, setup: Setup) -> Stress:
    """What a step puts on its path, by the load that the path is."""
    return stress(step.stimulus).divided(1 / _raised(step, setup))


def hazards(step: Measure | Look, setup: Setup) -> list[Hazard]:
    """Everything that speaks against applying a step; an empty list means it may be applied."""
    put = applied(step, setup)
    reasons = [Hazard(kind="rating", sentence=sentence) for sentence in _over_rating(step, setup, put)]
    reasons += [Hazard(kind="rating", sentence=text, of_the_source=True) for text in _beyond_source(step, setup)]
    if put.hazardous:
        reasons.append(
            Hazard(kind="voltage", sentence=f"{_say(put)}{_why(step, setup)} is hazardous", peak_v=put.peak_v)
        )
    return reasons


@dataclass(frozen=True, slots=True, kw_only=True)
class _Input:
    """What stands at the end of a path, what it may take, and the key that would say its rms voltage."""

    display: str
    ohm: float
    peak_v: float | None
    rms_v: float | None
    key: str

    @property
    def name(self) -> str:
        return f"the {show(self.ohm, 'Ω')} input of the {self.display}"


def _input(step: Measure | Look, setup: Setup) -> _Input:
    rated, reference = setup.unit.input, setup.bench.reference
    peak_v: float | None
    if step.display == "unit":
        ohm, peak_v, rms_v, key = rated.resistance, rated.maximum, rated.maximum_rms, "input.maximum_rms in the unit"
    elif reference is not None:
        ohm, peak_v, rms_v = reference.input_ohm, reference.maximum, reference.maximum_rms
        key = "reference.maximum_rms in the bench"
    else:
        ohm, peak_v, rms_v, key = math.inf, None, None, ""
    ohm = step.view.input_ohm or ohm
    return _Input(display=step.display, ohm=ohm, peak_v=peak_v, rms_v=rms_v, key=f"{key} file")


def _raised(step: Measure | Look, setup: Setup) -> float:
    """How far above its stated level a generator's signal is, by what ends its path; a divider's input is open."""
    if step.source != "generator":
        return 1.0
    path = setup.bench.path(step.path)
    ohm = math.inf if path.divides_by != 1 else _input(step, setup).ohm
    conductance = 1 / ohm + (1 / path.termination if path.termination else 0.0)
    return max(1.0, 2 / (1 + GENERATOR_OHM * conductance))


def _say(put: Stress) -> str:
    if put.ac_rms_v == 0:
        return f"{show(put.dc_v, 'V')} DC"
    return f"{show(put.peak_v, 'V')} peak, {show(put.rms_v, 'V')} rms"


def _why(step: Measure | Look, setup: Setup) -> str:
    """Where a voltage above what is set comes from; below a thousandth no reader would ask."""
    raised = _raised(step, setup)
    return f", {raised:.3g} times the level that is set for 50 Ω," if raised > 1.001 else ""


def _over_rating(step: Measure | Look, setup: Setup, put: Stress) -> Iterator[str]:
    path, why = setup.bench.path(step.path), _why(step, setup)
    if path.maximum is not None and put.peak_v > path.maximum * _SLACK:
        yield f"{_say(put)}{why} is above the {show(path.maximum, 'V')} that path {step.path!r} may take"
    behind = put.divided(path.divides_by)
    end = _input(step, setup)

    def stressed() -> str:  # for what is refused alone
        return f"{_say(behind)}{why}"

    if end.peak_v is not None and behind.peak_v > end.peak_v * _SLACK:
        yield f"{stressed()} is above the {show(end.peak_v, 'V')} that the {step.display}'s input may take"
    if end.rms_v is not None and behind.rms_v > end.rms_v * _SLACK:
        yield f"{stressed()} is above the {show(end.rms_v, 'Vrms')} that {end.name} may take"
    if end.ohm < LOW_OHM and end.rms_v is None and behind.rms_v:
        yield f"nothing says what {end.name} bears; write {end.key}"
    if isinstance(step, Measure) and step.driven == EXTERNAL:
        yield from _over_external(setup, behind, stressed)
    if isinstance(step, Measure) and step.second is not None and end.ohm < LOW_OHM:
        yield f"path {step.path!r} ends twice: in {end.name} on channel {step.view.channel} and on {step.second}"
    if path.termination is not None:
        yield from _over_termination(step, path, behind, stressed)
        if end.ohm < LOW_OHM:
            yield f"path {step.path!r} ends twice: in its {show(path.termination, 'Ω')} termination and in {end.name}"


def _over_external(setup: Setup, behind: Stress, stressed: Callable[[], str]) -> Iterator[str]:
    most_v = setup.unit.input.external_maximum
    if most_v is None and behind.peak_v:
        yield ("nothing says what the external trigger's input may take; write input.external_maximum in the unit file")
    elif most_v is not None and behind.peak_v > most_v * _SLACK:
        yield f"{stressed()} is above the {show(most_v, 'V')} that the external trigger's input may take"


def _over_termination(
    step: Measure | Look, path: SignalPath, behind: Stress, stressed: Callable[[], str]
) -> Iterator[str]:
    ohm, bears_w = path.termination or math.inf, path.termination_power
    heat_w, where = behind.rms_v**2 / ohm, f"the {show(ohm, 'Ω')} termination of path {step.path!r}"
    if bears_w is None and heat_w:
        yield f"nothing says what {where} bears; write paths.{step.path}.termination_power in the bench file"
    elif bears_w is not None and heat_w > bears_w * _SLACK:
        yield f"{stressed()} makes {show(heat_w, 'W', 3)} in {where}, which may take {show(bears_w, 'W')}"


def _beyond_source(step: Measure | Look, setup: Setup) -> list[str]:
    generator, calibrator = setup.bench.generator, setup.bench.calibrator
    match step.stimulus:
        case Sine(level_vpp=level, frequency_hz=frequency_hz) if step.source == "generator" and generator:
            beyond = _outside("generator", level, generator.level_low, generator.level_high, "Vpp")
            return beyond + _outside("generator", frequency_hz, generator.frequency_low, generator.frequency_high, "Hz")
        case Dc(level_v=level) | Square(level_vpp=level) if step.source == "calibrator" and calibrator and level:
            return _outside("calibrator", abs(level), calibrator.level_low, calibrator.level_high, "V")
        case TimeMarks(period_s=period_s) if step.source == "calibrator" and calibrator:
            return _outside("calibrator", period_s, calibrator.period_low, calibrator.period_high, "s")
        case _:
            return []


def _outside(who: str, value: float, low: float, high: float, unit: str) -> list[str]:
    if low / _SLACK <= value <= high * _SLACK:
        return []
    return [f"{show(value, unit)} is outside what the {who} gives, {show(low, unit)} to {show(high, unit)}"]
