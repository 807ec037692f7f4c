"""Checks by looking: what a person sees before and beside the numbers, answered yes, no or with a remark.

Common practice (from memory): the controls first, then what needs no signal, then each channel with a square wave.
"""

from __future__ import annotations

from typing import Final, Literal, cast, get_args

from pydantic import Field

from harness import steps
from harness.errors import AnalysisError
from harness.models import Setup
from harness.steps import CONTROLS, CONTROLS_STAND, Look, NoSignal, Role, Square, Stimulus, View, connect, look
from harness.values import Model
from sequences import Judges, Plan, calibrator_of, channels_of
from sequences.vertical.levels import choose_level

TITLE: Final = "Checks by looking"
QUANTITIES: Final = ()
JUDGES: Final[Judges] = {}

Check = Literal[
    "controls", "focus and intensity", "trace rotation", "position", "variable controls", "switches",
    "trigger", "square wave", "probe compensation",
]  # fmt: skip

_PROBE: Final = "probe compensation"
_TOUCHED_V: Final = 30.0  # hands are at the probe's trimmer

_PLAIN: Final[dict[str, tuple[str, tuple[str, ...]]]] = {
    CONTROLS: (
        "do the controls that falsify readings stand as they should?",
        CONTROLS_STAND,
    ),
    "focus and intensity": (
        "does the trace become sharp and thin, and can it be made dim?",
        ("no signal; turn focus and intensity through their range, then leave a thin trace of moderate brightness",),
    ),
    "trace rotation": (
        "is the trace parallel to the horizontal lines over the whole width?",
        ("no signal; set the trace on the centre line",),
    ),
    "position": (
        "do the position controls move the trace over the whole screen, without jumps?",
        ("each channel up and down, and the sweep left and right; then back to the centre",),
    ),
    "variable controls": (
        "do the variable controls reduce smoothly, and click back into CAL?",
        ("each channel's V/div, and s/div; leave them in CAL",),
    ),
    "switches": (
        "do all switches turn without noise, gaps or jumps of the trace?",
        ("each through all its positions, more than once",),
    ),
}
_ON_CHANNEL: Final[dict[str, tuple[str, tuple[str, ...]]]] = {
    "trigger": (
        "does the trigger hold the trace steady, on the rising and on the falling slope?",
        ("trigger on this channel; turn the level through its range on each slope",),
    ),
    "square wave": (
        "are the tops flat and the corners clean, without tilt, ringing or hum, on every range?",
        ("turn V/div through its ranges, and the level with it, as far as both go",),
    ),
    _PROBE: (
        "is the probe compensated: corners square, as the one in the middle?",
        (
            "   under            right            over",
            "     ___            _____           |\\__",
            "   /    |          |     |          |   |",
            "  |     |          |     |          |   |",
            "__|     |__      __|     |__      __|   |__",
            "turn the trimmer of the probe until it is, then answer yes",
        ),
    ),
}


class Options(Model):
    """What a job may choose."""

    checks: tuple[Check, ...] = Field((), description="what is looked at; all that this bench can show if left out")
    channels: tuple[int, ...] = Field((), description="channels; all if left out")
    path: str = Field("lead", description="path of the square wave")
    probes: tuple[str, ...] = Field((), description="paths that are probes to be compensated; all dividers if left out")


def needs(_options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return ("calibrator",)


def plan(_setup: Setup, _options: Options) -> Plan:
    """No point is judged."""
    return Plan()


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Look at everything that was chosen: without a signal first, then channel by channel."""
    chosen = options.checks or get_args(Check)
    channels = channels_of(setup, options.channels)
    for what in _PLAIN:
        if what in chosen:
            yield from look(_look(setup, options.path, channels[0], what))
    probes = options.probes or tuple(name for name, path in setup.bench.paths.items() if path.divides_by != 1)
    for channel in channels:
        for path in (options.path, *(probes if _PROBE in chosen else ())):
            asked = [what for what in _ON_CHANNEL if what in chosen and (what == _PROBE) == (path in probes)]
            if asked:
                yield from connect(path=path, source="calibrator", display="unit", channel=channel)
            for what in asked:
                yield from look(_look(setup, path, channel, what))


def _square(setup: Setup, path: str) -> tuple[float, Stimulus]:
    """The square wave that shows most divisions without a hazard, and the range that shows it."""
    calibrator = calibrator_of(setup)
    found = [
        (choice.deflection_div, volts_per_div, choice.level_v)
        for volts_per_div in sorted(setup.unit.volts_per_div)
        if (choice := choose_level(
            calibrator, setup.unit, setup.bench.path(path), volts_per_div=volts_per_div, stimulus="square"
        )) and choice.level_v <= _TOUCHED_V
    ]  # fmt: skip
    if not found:
        raise AnalysisError(f"the calibrator has no square wave that path {path!r} and the unit's ranges can show.")
    _, volts_per_div, level_v = max(found)
    return volts_per_div, Square(level_vpp=level_v, frequency_hz=calibrator.square_frequency)


def _look(setup: Setup, path: str, channel: int, what: str) -> Look:
    question, lines = (_PLAIN | _ON_CHANNEL)[what]
    volts_per_div, stimulus = max(setup.unit.volts_per_div), cast(Stimulus, NoSignal())
    if what in _ON_CHANNEL:
        volts_per_div, stimulus = _square(setup, path)
        question, what = f"channel {channel}: {question}", f"{what}, channel {channel}{f', {path}' * (what == _PROBE)}"
    period_s = 1 / calibrator_of(setup).square_frequency
    times = setup.unit.s_per_div or (period_s / 2,)
    return Look(
        what=what, question=question, lines=lines, path=path, source="calibrator", stimulus=stimulus,
        view=View(
            channel=channel, volts_per_div=volts_per_div,
            s_per_div=min(times, key=lambda s_per_div: abs(s_per_div / period_s - 0.5)),
        ),
    )  # fmt: skip
