"""What may be applied to which path: ratings of input, probe and termination, and hazardous voltage.   [pure]

References
----------
IEC 61010-1 with its 2016 amendment: 30 V rms, 42.4 V peak, 60 V dc in normal condition (values from memory);
AC with DC is judged by its peak. Heat in a termination: V²/R.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal, assert_never

from harness.models import Setup, SignalPath
from harness.quantities import VPP_PER_VRMS_SINE, show
from harness.steps import Dc, FastEdge, Measure, NoSignal, Sine, Square, Stimulus, TimeMarks

HAZARDOUS_RMS_V: Final = 30.0
HAZARDOUS_PEAK_V: Final = 42.4
HAZARDOUS_DC_V: Final = 60.0
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


def stress(stimulus: Stimulus) -> Stress:
    """The stress of a stimulus at the source."""
    match stimulus:
        case NoSignal():
            return Stress(dc_v=0.0, rms_v=0.0, ac_rms_v=0.0, peak_v=0.0)
        case Dc(level_v=level_v):
            return Stress(dc_v=level_v, rms_v=abs(level_v), ac_rms_v=0.0, peak_v=abs(level_v))
        case Sine(level_vpp=level_vpp):
            rms_v = level_vpp / VPP_PER_VRMS_SINE
            return Stress(dc_v=0.0, rms_v=rms_v, ac_rms_v=rms_v, peak_v=level_vpp / 2)
        case Square(level_vpp=top) | FastEdge(level_vpp=top) | TimeMarks(level_vpp=top):
            # From 0 V to the top at half duty; marks are shorter, so this is their upper bound.
            return Stress(dc_v=top / 2, rms_v=top / math.sqrt(2), ac_rms_v=top / 2, peak_v=top)
        case _:
            assert_never(stimulus)


def hazards(step: Measure, setup: Setup) -> list[Hazard]:
    """Everything that speaks against applying a step; an empty list means it may be applied."""
    applied = stress(step.stimulus)
    path = setup.bench.paths.get(step.path, SignalPath())
    found = [Hazard(kind="rating", sentence=sentence) for sentence in _over_rating(step, setup, path, applied)]
    found += [Hazard(kind="rating", sentence=text, of_the_source=True) for text in _beyond_source(step, setup)]
    if applied.hazardous:
        found.append(Hazard(kind="voltage", sentence=f"{_say(applied)} is hazardous"))
    return found


def _say(applied: Stress) -> str:
    if applied.ac_rms_v == 0:
        return f"{show(applied.dc_v, 'V')} DC"
    return f"{show(applied.peak_v, 'V')} peak, {show(applied.rms_v, 'V')} rms"


def _over_rating(step: Measure, setup: Setup, path: SignalPath, applied: Stress) -> list[str]:
    found = []
    if path.maximum is not None and applied.peak_v > path.maximum * _SLACK:
        found.append(f"{_say(applied)} is above the {show(path.maximum, 'V')} that path {step.path!r} may take")
    behind = applied.divided(path.divides_by)
    if step.display == "unit" and behind.peak_v > setup.unit.input.maximum * _SLACK:
        found.append(
            f"{_say(behind)} is above the {show(setup.unit.input.maximum, 'V')} that the unit's input may take"
        )
    if path.termination is not None and path.termination_power is not None:
        heat_w = behind.rms_v**2 / path.termination
        if heat_w > path.termination_power * _SLACK:
            found.append(
                f"{_say(behind)} makes {show(heat_w, 'W', 3)} in the {show(path.termination, 'Ω')} termination of path "
                f"{step.path!r}, which may take {show(path.termination_power, 'W')}"
            )
    return found


def _beyond_source(step: Measure, setup: Setup) -> list[str]:
    generator, calibrator = setup.bench.generator, setup.bench.calibrator
    match step.stimulus:
        case Sine(level_vpp=level, frequency_hz=frequency_hz) if step.source == "generator" and generator:
            found = _outside("generator", level, generator.level_low, generator.level_high, "Vpp")
            return found + _outside("generator", frequency_hz, generator.frequency_low, generator.frequency_high, "Hz")
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
