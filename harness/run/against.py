"""An instrument tried against another of its bench: one reading, what is left when it is off, how soon it stands still.

It is no verdict: a reading agrees here where it could not be mistaken for another kind of level.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from drivers import longest_s
from harness.bench import limits, settling
from harness.conformance import MOST_CALLS, said_by
from harness.errors import AnalysisError, HalfpowerError, InstrumentError, LinkError, OperatorStop, SafetyError
from harness.link.link import repeat_point
from harness.person.operator import Prompt, ask_done
from harness.quantities import show, stepped
from harness.steps import SOURCES, Reading
from harness.words.found import Found, Line
from harness.words.signals import describe
from sequences.known import AGREES_WITHIN, Together, signal_of, together

if TYPE_CHECKING:
    from harness.bench.perform import LiveBench
    from harness.models import Setup
    from harness.run.opening import Opening
    from harness.steps import Display, Measure, Role, Stimulus
    from harness.words.found import Word

OFF_WITHIN: Final = 0.1  # of what was read with the output on, noise included, is off
STILL_DIV: Final = 0.03
WATCHED_S: Final = 2.0
FEWEST_READINGS: Final = 5  # however long each takes
MOST_READINGS: Final = 25
COUNTS_WITHIN: Final = 1e-3
_LAST: Final = 3  # readings that say where it stands at last
_AGAINST: Final = "a reading against another instrument"
_PARTNERS: Final[dict[Role, tuple[tuple[Role, Display], ...]]] = {
    "calibrator": (("calibrator", "unit"), ("calibrator", "reference")),
    "generator": (("generator", "reference"), ("generator", "unit")),
    "reference": (("generator", "reference"), ("calibrator", "reference")),
    "unit": (("calibrator", "unit"), ("generator", "unit")),
    "switch": (("calibrator", "unit"), ("generator", "reference"), ("generator", "unit"), ("calibrator", "reference")),
}
"""By whose signal on whose screen an instrument is tried, the first that the bench has over its interfaces."""


@dataclass(slots=True, kw_only=True)
class Against:
    """The trial of a role on a bench whose outputs are off; what is found is added to `found`."""

    role: Role
    bench: LiveBench
    opening: Opening
    found: list[Found]

    @property
    def setup(self) -> Setup:
        """As the lines that were found so far have it."""
        return self.bench.setup

    def all(self) -> None:
        """Everything that the bench allows."""
        if self.role == "counter":
            source = next((role for role in reversed(SOURCES) if role in self.bench.drivers), None)
            signal = None if source is None else signal_of(getattr(self.setup.bench, source))
            if source is None or signal is None or not signal.rate_hz:
                self._tell(_AGAINST, "not tried", "no source of this bench gives it a frequency")
            else:
                self._checked(_AGAINST, partial(self._counted, source, signal, signal.rate_hz))
            return
        plan = self._plan()
        if isinstance(plan, str):
            self._tell(_AGAINST, "not tried", plan)
        elif self._checked(_AGAINST, partial(_read, self.bench, plan)):
            if self.role in SOURCES:
                self._checked("output off, as it is seen", partial(_seen_off, self.bench, plan.step))
            if self.role != "switch":
                self._settling(plan.step)
        self.bench.make_safe()

    def _plan(self) -> Together | str:
        """What is read, its instruments at hand; or why nothing is."""
        for source, display in _PARTNERS.get(self.role, ()):
            if not all(self._remote(each) for each in (source, display)):
                continue
            plan = together(self.setup, source, display)
            if plan is None or (self.role == "switch" and self.setup.leads(plan.connect) is None):
                continue
            needed = (source, display, *(("switch",) if self.setup.leads(plan.connect) else ()))
            missing: tuple[Role, ...] = tuple(each for each in needed if each not in self.bench.drivers)
            try:
                self.bench.drivers = {**self.bench.drivers, **self.opening.drivers(missing)}
            except HalfpowerError as error:
                return f"{error}"
            return plan
        return "this bench has no other instrument with an interface by which it could be tried"

    def _remote(self, role: Role) -> bool:
        return getattr(self.setup.bench, role) is not None and not self.setup.by_hand(role)

    def _counted(self, source: Role, signal: Stimulus, applied_hz: float) -> str:
        """A counter against the frequency of a source."""
        bench, gives = self.bench, f"the {source} is set to {show(applied_hz, 'Hz', 9)}"
        bench.outputs.for_hands()
        prompt = Prompt(kind="do", title=f"Outputs are off. Connect the frequency counter to the {source}.")
        ask_done(self.opening.person, prompt, bench.on_event)
        driven: Any = bench.drivers[source]
        counter: Any = bench.drivers["counter"]
        try:
            repeat_point(partial(driven.apply, signal))
            bench.clock.sleep(getattr(self.setup.bench, source).settle)
            counted_hz = repeat_point(partial(counter.read_frequency_hz, applied_hz))
        finally:
            bench.make_safe()
        if not math.isclose(counted_hz, applied_hz, rel_tol=COUNTS_WITHIN):
            raise InstrumentError("counter", f"counts {show(counted_hz, 'Hz', 9)} where {gives}: is it connected?")
        return f"counts {show(counted_hz, 'Hz', 9)} where {gives}"

    def _settling(self, step: Measure) -> None:
        """How long it takes to stand still after a new setting, and whether the bench file waits for so long."""
        source: Any = self.bench.drivers[step.source]
        screen: Any = self.bench.drivers[step.display]
        self._alive()
        try:
            if self.role in SOURCES:
                for level in (0.5, 1.0):
                    repeat_point(partial(source.apply, _scaled(step.stimulus, level)))
            else:
                repeat_point(partial(source.apply, step.stimulus))
                self.bench.clock.sleep(settling.wait_s(self.setup, step))
                repeat_point(partial(screen.show, replace(step.view, volts_per_div=self._other_range(step))))
                repeat_point(partial(screen.show, step.view))
            readings = _watched(self.bench, partial(self._one, screen, step))
        except HalfpowerError as error:
            self._tell("settling", "not tried", str(error))
            return
        finally:
            self.bench.make_safe()
        after_s, waits_s = settled_after(readings), settling.wait_s(self.setup, step)
        if after_s is None:
            self._tell("settling", "fail", f"did not stand still in {len(readings)} readings")
            return
        said = f"stands still {show(after_s, 's', 2)} after a new setting" if after_s else "stands still at once"
        said += f"; the bench file waits {show(waits_s, 's', 2)}"
        if after_s <= waits_s:
            self._tell("settling", "pass", said)
            return
        wait_s = next(step_s for step_s in stepped(after_s, 100 * after_s) if step_s >= 1.2 * after_s)
        self._tell("settling", "conditional pass", said, Line("settle", show(wait_s, "s"), "until it stands still"))

    def _one(self, screen: Any, step: Measure) -> Reading:
        self._alive()
        reading: Reading = screen.read(step)
        return reading

    def _alive(self) -> None:
        """Say how long the next few calls of drivers may take, whoever wrote them."""
        self.opening.on_life(MOST_CALLS * max(map(longest_s, self.bench.drivers.values())))

    def _other_range(self, step: Measure) -> float:
        """The next coarser range of the display, or the finest."""
        reference = self.setup.bench.reference
        ranges = self.setup.unit.volts_per_div if step.display == "unit" or not reference else reference.volts_per_div
        return min((each for each in ranges if each > step.view.volts_per_div), default=min(ranges))

    # What was found.

    def _checked(self, check: str, action: Callable[[], str]) -> bool:
        """Do one check; whether it went well. Who stops, or what is not safe, ends the trial."""
        self._alive()
        try:
            self._tell(check, "pass", action())
        except OperatorStop:
            raise
        except SafetyError as error:
            self._tell(check, "fail", str(error))
            raise
        except HalfpowerError as error:
            other = str(getattr(error, "instrument", self.role)).split()[0]
            if other in (self.role, "bench"):
                self._tell(check, "fail", said_by(error))
            else:
                self._tell(
                    check, "not tried", f"the {other} does not do its part, try that out first: {said_by(error)}"
                )
            return False
        return True

    def _tell(self, check: str, word: Word, said: str, *lines: Line) -> None:
        self.found.append(Found(check=check, word=word, said=said, lines=lines))


def _read(bench: LiveBench, plan: Together) -> str:
    """One reading, and whether it is of what was applied."""
    step = plan.step
    bench.perform(plan.connect)
    reading = bench.perform(step)
    assert isinstance(reading, Reading)
    ratio = limits.applied(step, bench.setup).peak_v / limits.stress(step.stimulus).peak_v
    wanted_v = step.stimulus.level * ratio / bench.setup.divides_by(step.path)
    if reading.value is None:
        what = reading.status.replace("_", " ")
        why = f"the {step.display} reads nothing ({what}) of {describe(step.stimulus)} from the {step.source}"
        raise InstrumentError("bench", why)
    read_v = reading.value * step.view.volts_per_div
    gives = f"the {step.source} gives {show(wanted_v, 'V', 4)} ({describe(step.stimulus)})"
    said = f"the {step.display} reads {show(read_v, 'V', 4)} where {gives}"
    if not math.isclose(read_v, wanted_v, rel_tol=AGREES_WITHIN):
        why = "do they mean the same by a level (peak to peak, rms, into 50 Ω), and is it connected?"
        raise InstrumentError("bench", f"{said}: {why}")
    return said


def _seen_off(bench: LiveBench, step: Measure) -> str:
    """Whether nothing is left on the screen of an output that says that it is off."""
    source: Any = bench.drivers[step.source]
    screen: Any = bench.drivers[step.display]
    source.off()
    bench.clock.sleep(settling.wait_s(bench.setup, step))
    try:
        reading = repeat_point(partial(screen.read, step))
    except LinkError:
        raise
    except (AnalysisError, InstrumentError):
        return f"nothing that could be read is left on the {step.display}"
    left_div = abs(reading.value or 0.0)
    applied_div = step.stimulus.level / bench.setup.divides_by(step.path) / step.view.volts_per_div
    if left_div > OFF_WITHIN * abs(applied_div):
        raise SafetyError(
            f"The output of the {step.source} says that it is off, and the {step.display} still shows "
            f"{show(left_div * step.view.volts_per_div, 'V', 3)}: it may still be ON. Switch it off by hand."
        )
    return f"{show(left_div * step.view.volts_per_div, 'V', 2)} are left on the {step.display}"


def _scaled(stimulus: Stimulus, by: float) -> Stimulus:
    name = "level_v" if hasattr(stimulus, "level_v") else "level_vpp"
    return replace(stimulus, **{name: by * stimulus.level})  # type: ignore[arg-type]


def _watched(bench: LiveBench, read: Callable[[], Reading]) -> list[tuple[float, float]]:
    """Readings one after another, each with the time since the first was begun."""
    began = bench.clock.now()
    readings: list[tuple[float, float]] = []
    while len(readings) < FEWEST_READINGS or (len(readings) < MOST_READINGS and bench.clock.now() - began < WATCHED_S):
        at_s = bench.clock.now() - began
        readings.append((at_s, repeat_point(read).value or 0.0))
    return readings


def settled_after(readings: Sequence[tuple[float, float]]) -> float | None:
    """When the first reading was begun from which on all agree with the last ones; None where too few do."""
    if len(readings) < _LAST:
        return None
    last = [value for _, value in readings[-_LAST:]]
    middle = sum(last) / _LAST
    within = max(STILL_DIV, max(last) - min(last))
    moving = [place for place, (_, value) in enumerate(readings) if abs(value - middle) > within]
    first = moving[-1] + 1 if moving else 0
    if len(readings) - first < _LAST:
        return None
    return readings[first][0] if first else 0.0
