"""Every deflection factor of every channel, straight and through a divider probe: DC, or a 1 kHz square wave."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import groupby
from typing import Annotated, Final, Literal

from pydantic import Field

from harness import steps
from harness.analysis.planning import repeats_to_decide
from harness.assess import limits_for
from harness.errors import AnalysisError
from harness.models import Function, Setup
from harness.quantities import show
from harness.steps import GROUND, Dc, Measure, NoSignal, Reading, Role, Square, View, measure
from harness.values import Model, Volts
from harness.words.language import tr
from sequences import Judges, Plan, Planned, calibrator_of, channels_of, once_more, reconnect, require_a_hand
from sequences.deflection import DEFLECTION, PEAK_TO_PEAK, deflection_budget
from sequences.vertical.levels import LevelChoice, available_levels, choose_level, levels_for_linearity, lower_level
from sequences.vertical.ordering import WorkCosts, WorkPoint, arrange

TITLE: Final = "Vertical deflection"
QUANTITIES: Final = (DEFLECTION, PEAK_TO_PEAK)
JUDGES: Final[Judges] = {"unit": (DEFLECTION.name, PEAK_TO_PEAK.name)}
_TRIES_OFF_SCREEN: Final = 4
_BELIEVED_WITHIN: Final = 0.15  # of the expected deflection; what lies beyond is asked once more


class Options(Model):
    """What a job may choose."""

    channels: tuple[int, ...] = Field((), description="channels; all if left out")
    paths: tuple[str, ...] = Field(("lead",), min_length=1, description="paths, such as ['lead', 'probe']")
    ranges: tuple[Volts, ...] = Field((), description="deflection factors; all if left out")
    signal: Literal["dc", "square"] = Field("dc", description="DC from the ground line, or a square wave")
    levels: int = Field(1, ge=1, le=9, description="levels per range; 3 or more show linearity")
    repeats: Annotated[int, Field(ge=1, le=100)] | Literal["auto"] = Field(
        1, description="readings of each point; 'auto': as many as would decide it"
    )
    to_line: bool = Field(
        False, description="a person turns the level until the trace is on lines, and types what the source says"
    )
    zero: Literal["ground", "0 V"] = Field(
        "ground", description="what a DC deflection counts from: the ground line, or a reading with 0 V applied"
    )
    return_to_first: bool = Field(
        False, description="take each channel's first point once more at its end: drift over the run"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    path: str
    channel: int
    volts_per_div: float
    choice: LevelChoice


def needs(_options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return ("calibrator",)


def gives(options: Options) -> tuple[str, ...]:
    """What the calibrator must be able to give."""
    return (options.signal,)


def accuracies(options: Options) -> tuple[tuple[Role, Function], ...]:
    """What its verdicts rest on, in the bench file."""
    return (("calibrator", options.signal),)


def plan(setup: Setup, options: Options) -> Plan:
    """Choose levels, then the order of work with the fewest range clicks, level clicks and cable moves."""
    if options.to_line:
        require_a_hand(setup, calibrator_of(setup).levels, "level")
    if options.zero == "0 V" and (options.to_line or options.signal != "dc"):
        raise AnalysisError(
            "zero = '0 V' is a reading that DC deflections count from; a square wave is read from bottom to top, and "
            "to_line from line to line: leave the option out."
        )
    candidates, left_out = _candidates(setup, options)
    levels = sorted({c.choice.level_v for c in candidates})
    places = list(dict.fromkeys((c.path, c.channel) for c in candidates))
    ranges = sorted(setup.unit.volts_per_div)
    work = tuple(
        WorkPoint(
            group=places.index((c.path, c.channel)),
            range_index=ranges.index(c.volts_per_div),
            level_index=levels.index(c.choice.level_v),
            knob=c.channel,
        )
        for c in candidates
    )
    planned = [_planned(setup, options, candidates[i]) for i in _order(work, _costs(setup))]
    return Plan(points=tuple(planned), left_out=tuple(left_out))


@lru_cache(maxsize=8)  # a run asks four times for the same work
def _order(work: tuple[WorkPoint, ...], costs: WorkCosts) -> tuple[int, ...]:
    return arrange(work, costs).order


def _costs(setup: Setup) -> WorkCosts:
    """A keyed level costs one entry, a knob one cost a click, a remote range next to nothing."""
    stepped = available_levels(calibrator_of(setup)) is not None
    return WorkCosts(
        range_click=1.0 if setup.unit.read == "eye" else 0.01,
        level_click=1.0 if stepped else 0.0,
        level_entry=0.0 if stepped else 1.0,
    )


def _candidates(setup: Setup, options: Options) -> tuple[list[_Candidate], list[str]]:
    calibrator, found, left_out = calibrator_of(setup), [], []
    for name in options.paths:
        path = setup.bench.path(name)
        for channel in channels_of(setup, options.channels):
            for volts_per_div in options.ranges or setup.unit.volts_per_div:
                best = choose_level(calibrator, setup.unit, path, volts_per_div=volts_per_div, stimulus=options.signal)
                if best is None:
                    left_out.append(
                        tr(
                            "Channel {channel}, {volts_per_div}/div, {name}: the calibrator has no level that fits "
                            "the screen and the ratings.",
                            channel=channel,
                            volts_per_div=show(volts_per_div, "V"),
                            name=name,
                        )
                    )
                    continue
                choices = levels_for_linearity(best, calibrator, path, volts_per_div=volts_per_div, n=options.levels)
                found += [
                    _Candidate(path=name, channel=channel, volts_per_div=volts_per_div, choice=choice)
                    for choice in choices
                ]
    return found, left_out


def _planned(setup: Setup, options: Options, candidate: _Candidate) -> Planned:
    step = _step(setup, options, candidate)
    ground = (Reading(value=0.0),) if options.zero == "0 V" else ()
    if options.repeats != "auto":
        return Planned(step=step, repeats=options.repeats, ground=ground)
    repeats = repeats_to_decide(
        lambda n: deflection_budget(setup, step, ground=ground, repeats=n), limits_for(setup, step), setup.job.rule
    )
    return Planned(step=step, repeats=repeats or 1, ground=ground)


def _step(setup: Setup, options: Options, candidate: _Candidate) -> Measure:
    choice, unit = candidate.choice, setup.unit
    calibrator = calibrator_of(setup)
    stimulus: Dc | Square
    if options.signal == "dc":
        stimulus, s_per_div = Dc(level_v=choice.level_v), 1e-3
    else:
        frequency_hz = calibrator.square_frequency
        stimulus = Square(level_vpp=choice.level_v, frequency_hz=frequency_hz)
        s_per_div = min(unit.s_per_div or (0.5 / frequency_hz,), key=lambda s: abs(s * frequency_hz - 0.5))
    step = Measure(
        purpose="deflection",
        path=candidate.path,
        source="calibrator",
        stimulus=stimulus,
        display="unit",
        view=View(
            channel=candidate.channel,
            volts_per_div=candidate.volts_per_div,
            s_per_div=s_per_div,
            ground_line_div=1 - unit.vertical_div / 2,
        ),
        quantity=(DEFLECTION if options.signal == "dc" else PEAK_TO_PEAK).name,
        tune="level" if options.to_line else "frequency",
    )
    return _expecting(step, choice.deflection_div)


def _expecting(step: Measure, deflection_div: float) -> Measure:
    on_lines = step.tune == "level" and round(deflection_div) >= 1 and math.isclose(deflection_div % 1.0, 0.0)
    return replace(
        step,
        tune_to_div=deflection_div if on_lines else None,
        expected=deflection_div,
        expected_low=round(deflection_div * (1 - _BELIEVED_WITHIN), 4),
        expected_high=round(deflection_div * (1 + _BELIEVED_WITHIN), 4),
    )


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Read every point of the plan; first what its deflection counts from, where that is measured and subtracted."""
    for _, points in groupby(plan(setup, options).points, key=lambda p: (p.step.path, p.step.view.channel)):
        yield from _pass(setup, options, list(points))


def _pass(setup: Setup, options: Options, points: list[Planned]) -> steps.Sequence[None]:
    """Read the points of one channel behind one path, and the first of them once more where that is asked for."""
    before: Measure | None = None
    first: Measure | None = None
    for planned in points:
        step = planned.step
        yield from reconnect(before, step)
        yield from _zero(setup, options, step, before)
        step, reading = yield from _until_on_screen(setup, step)
        before = planned.step
        first = first or (step if reading.status == "read" else None)
        for repeat in range(1, planned.repeats):
            if reading.status == "read":
                reading = yield from measure(replace(step, repeat=repeat))
    if options.return_to_first and first is not None:
        yield from _zero(setup, options, first, None)
        yield from measure(once_more(first))


def _zero(setup: Setup, options: Options, step: Measure, before: Measure | None) -> steps.Sequence[None]:
    """Read what a deflection counts from, unless it was read for this range just now; by eye it is set on a line."""
    same_range = before is not None and (before.path, before.view) == (step.path, step.view)
    if step.quantity != DEFLECTION.name or same_range:
        return
    if options.zero == "0 V":
        yield from measure(_zero_step(setup, step))
    elif setup.unit.read == "remote":
        yield from measure(ground_step(step))


def _zero_step(setup: Setup, step: Measure) -> Measure:
    """The reading with 0 V applied, by a source of steps with its output off: coupling and eye add the same to it."""
    given = available_levels(calibrator_of(setup)) is None
    return replace(ground_step(step), stimulus=Dc(level_v=0.0) if given else NoSignal(), view=step.view)


def ground_step(step: Measure) -> Measure:
    """The reading of the ground line that belongs to a DC deflection."""
    return Measure(
        purpose=GROUND,
        path=step.path,
        source=step.source,
        stimulus=NoSignal(),
        display=step.display,
        view=replace(step.view, coupling="ground"),
        quantity=DEFLECTION.name,
        expected=0.0,
    )


def _until_on_screen(setup: Setup, step: Measure) -> steps.Sequence[tuple[Measure, Reading]]:
    reading = yield from measure(step)
    for _ in range(_TRIES_OFF_SCREEN):
        lower = _lowered(setup, step) if reading.status == "off_screen" else None
        if lower is None:
            break
        step = lower
        reading = yield from measure(step)
    return step, reading


def _lowered(setup: Setup, step: Measure) -> Measure | None:
    path = setup.bench.path(step.path)
    level_v = step.stimulus.level
    standing = LevelChoice(level_v=level_v, at_input_v=level_v / path.divides_by, deflection_div=step.expected or 0.0)
    choice = lower_level(standing, calibrator_of(setup), path, volts_per_div=step.view.volts_per_div)
    if choice is None:
        return None
    stimulus = (
        replace(step.stimulus, level_vpp=choice.level_v)
        if isinstance(step.stimulus, Square)
        else Dc(level_v=choice.level_v)
    )
    lowered = replace(step, stimulus=stimulus, because="The trace left the screen; the level is lowered.")
    return _expecting(lowered, choice.deflection_div)
