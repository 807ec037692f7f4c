"""The live bench: roles to drivers, and `perform(step)`: what a step means in the world.

Everything here is the same for remote, manual and simulated instruments; the drivers differ. Over 400 lines because
what makes a bench safe and what is done on it must be read together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from typing import Any, Final, TypeAlias, TypeVar, assert_never

from drivers import Driver, Meter, Router, Screen, Source, longest_s
from drivers.manual import Manual
from drivers.standing import STANDING
from harness.bench import limits, settling
from harness.bench.guarding import Guardian, NoGuardian
from harness.bench.outputs import Outputs, why
from harness.bench.room import Room
from harness.bench.warm_up import WarmUp
from harness.errors import AnalysisError, InstrumentError, LinkError, OperatorStop, SafetyError, StepRefused
from harness.link.link import NotAsSet, NotTaken, OnEvent, repeat_point
from harness.models import Setup, Switch
from harness.person.errands import Errands
from harness.person.operator import (
    SEEN,
    STOPPED_OFF,
    Operator,
    Prompt,
    ask_choice,
    ask_done,
    ask_seen,
    describe_connection,
)
from harness.quantities import duration
from harness.steps import (
    CONTROLS,
    CONTROLS_STAND,
    SOURCES,
    Connect,
    Display,
    Done,
    Look,
    Measure,
    NoSignal,
    Reading,
    Reply,
    Role,
    Seen,
    Step,
    Stimulus,
    View,
)
from harness.words.clock import AT_WORK_S, Clock, OnLife, no_sign
from harness.words.language import speaking, tr, tr_kept, tr_look

TRIES: Final = 3  # of a setting that is refused, before it is believed that a display has it not
MOST_LOOKS: Final = 20  # of a person at one connection
Ending: TypeAlias = BaseException | None
ALL_OFF: Final = "Every output was switched off."
T = TypeVar("T")
D = TypeVar("D", bound=Driver)


class LiveBench:
    """Drivers by role, an operator, a clock; performs steps and keeps outputs off when hands are on cables."""

    def __init__(
        self,
        setup: Setup,
        drivers: Mapping[Role, Driver],
        *,
        operator: Operator,
        clock: Clock,
        on_event: OnEvent = lambda _what, _text: None,
        before: Callable[[Step], None] = lambda _step: None,
        on_life: OnLife = no_sign,
        warm_up: WarmUp | None = None,
        guardian: Guardian | NoGuardian | None = None,
        idle: Mapping[Role, Driver] | None = None,
        unreachable: Mapping[Role, str] | None = None,
        outputs: Outputs | None = None,
        room: Room | None = None,
    ) -> None:
        self.setup = setup
        self.clock = clock
        self.drivers = drivers
        self.idle = dict(idle or {})  # sources that the job does not use: an earlier user may have left them on
        self.unreachable = dict(unreachable or {})  # and those that do not answer, with the reason
        self.guardian = guardian or NoGuardian()
        self._operator = operator
        self.on_event = on_event
        self._before = before  # a simulated bench ties its noise to the step
        self._on_life, self._warm_up = on_life, warm_up
        self._confirmed_v = math.inf if setup.job.allow_hazardous_voltage else 0.0
        self._cautioned = self._controls_asked = False
        self._standing: tuple[Role, Stimulus, str, View] | None = None
        self.room = room or Room(None, clock=clock, on_event=on_event)
        self.outputs = outputs or Outputs(  # those of all who share the bench
            setup.bench,
            {role: driver for role, driver in self._all().items() if role in SOURCES},
            alive=self._alive,
            tell=operator.tell,
            on_event=on_event,
        )
        self._route: str | None = None  # what the switch closed for the connection in force: no hand is near a cable
        self._route_in_doubt = False
        self.settled: Role | None = None  # a source that has settled at what the next reading asks it for
        self._connected: Connect | None = None
        self._counter_moved = False  # a tee has it at another source than it usually counts
        self._errands = Errands()
        self._to_plug: Connect | None = None  # a cable that the next question of a person asks for
        for driver in self._all().values():
            if isinstance(driver, Manual):
                driver.errands = self._errands

    def perform(self, step: Step) -> Reply:
        """Do what a step says and answer it; whoever is asked is asked in the job's language."""
        with speaking(self.setup.job.language):
            return self._perform(step)

    def _perform(self, step: Step) -> Reply:
        self.guardian.check()
        self._on_life(AT_WORK_S)
        if why := limits.refusal(step, self._connected, self.setup):
            raise StepRefused(why)
        reply: Reply
        try:
            match step:
                case Connect():
                    reply = self._connect(step)
                case Measure():
                    reply = self.room.beside(self._measure(step))
                case Look():
                    reply = self._look(step)
                case _:
                    assert_never(step)
        finally:
            self._errands.drop()  # what no answer has confirmed
        self._on_life(AT_WORK_S)  # the reply goes to disk, and the sequence thinks
        return reply

    def tell(self, text: str) -> None:
        """Say something to the person at the bench, in the language of the job."""
        with speaking(self.setup.job.language):
            self._operator.tell(tr_kept(text))

    # --- at the opening ----------------------------------------------------------------------------------------

    def prepare(self) -> None:
        """Bring every remote instrument to a known state, every output off and confirmed, before anything is done."""
        for role, reason in self.unreachable.items():
            self._operator.tell(self._not_known(role, reason))
            self.on_event("outputs", self._not_known(role, reason))
        if problems := self.outputs.off(but=self.outputs.by_hand()):
            raise SafetyError(f"Not begun. {' '.join(problems)}")
        for role, driver in self._all().items():
            preset = getattr(driver, "preset", None)
            if preset is not None:
                self._alive(driver)
                repeat_point(preset, on_event=self.on_event)
                trusted: tuple[str, ...] = getattr(driver, "on_trust", tuple)()
                if trusted:
                    self.on_event("on trust", f"{driver.identify()}: nothing asks back {', '.join(trusted)}.")
            elif self._is_remote(role):
                own = getattr(self.setup.bench, role).driver
                self.on_event("on trust", f"{role}: its driver {own} brings it to no known state and is believed.")

        self._calibrated_by_itself()

    def _calibrated_by_itself(self) -> None:
        """A unit whose file asks for it calibrates itself: outputs are off, and nothing has been read."""
        unit = self.setup.unit
        if not unit.self_calibration or "unit" not in self.drivers or not self._is_remote("unit"):
            return
        calibrate = getattr(self.drivers["unit"], "calibrate_itself", None)
        if calibrate is None:
            raise InstrumentError("unit", "its driver has no 'calibrate_itself', which the unit file asks for")
        self._on_life(AT_WORK_S + unit.self_calibration_by)
        self.on_event("self-calibration", calibrate(unit.self_calibration_by))

    def try_settings(self, views: Iterable[tuple[Display, View]]) -> None:
        """Set remote displays to every view once, outputs off: what one cannot be set to is known before the run.

        A line that is too poor for it is not what is tried here: the points will tell.
        """
        for display, view in views:
            driver = self.drivers.get(display)
            if driver is not None and self._is_remote(display):
                self._alive(driver)
                try:
                    self._set_once(driver, view)
                except LinkError:
                    return

    def _set_once(self, driver: Driver, view: View) -> None:
        """Set a display; one refusal may be a slip of the line, the same three times is the instrument's own."""
        for left in reversed(range(TRIES)):
            try:
                self._tried(partial(self._shown, driver, view))
            except LinkError:
                raise
            except InstrumentError as error:
                if not left or (isinstance(error, NotTaken) and error.key):  # that was three times alike already
                    raise
            else:
                return

    @staticmethod
    def _shown(driver: Any, view: View) -> None:
        driver.show(view)
        driver.check()

    def _is_remote(self, role: Role) -> bool:
        instrument = getattr(self.setup.bench, role)
        read = self.setup.unit.read if role == "unit" else getattr(instrument, "read", "remote")
        return instrument is not None and instrument.driver != "manual" and read != "eye"

    def _all(self) -> dict[Role, Driver]:
        return {**self.drivers, **self.idle}

    def _not_known(self, role: Role, reason: str) -> str:
        label = getattr(self.setup.bench, role).label
        return f"The output of the {role} ({label}), which this job does not use, may be ON: {reason.rstrip('.')}."

    # --- connections -------------------------------------------------------------------------------------------

    def _connect(self, step: Connect) -> Done:
        self._before(step)
        self._connected = self._to_plug = None
        before, self._route = self._route, self.setup.leads(step)
        if self._route is None:
            self._standing, self._route_in_doubt = None, False  # no path of the switch's is in use any more
            if not self._is_remote(step.source):  # the same hands, in one question
                self._to_plug = step
            else:
                self.outputs.for_hands()
                self._by_hand(step)
            opens = getattr(self.drivers.get("switch"), "open", None)
            if before is not None and opens is not None:  # what it had closed still loads the source
                self._tried(opens)
        else:
            if step.replugged:
                self.outputs.for_hands()
                self._by_hand(step)
            self._dark_for_switching(step.source)
            self._tried(self._by_switch)
        self._connected = step
        return Done()

    def _dark_for_switching(self, source: Role) -> None:
        self.make_safe()
        if source in self.outputs.unsure:
            raise self.outputs.lost(source)  # the others of a bench that switches by itself can do without it

    def _by_switch(self) -> None:
        assert self._route is not None
        switch: Router = self._role("switch")
        self._alive(switch).route(self._route)
        switch.check()
        self.clock.sleep((self.setup.bench.switch or Switch()).settle)
        self._route_in_doubt = False

    def _hold_route(self) -> None:
        """A switch that was off for a moment has let go of the path: what was read then was read of nothing."""
        if self._route is None:
            return
        switch: Router = self._role("switch")
        self._alive(switch)
        try:
            switch.check()
        except LinkError:
            self._route_in_doubt = True
            raise

    def _plug(self, step: Measure) -> Callable[[], None]:
        """Have a cable moved with the next question; what may be hazardous goes off first, by a question of its own.

        A source that cannot be switched off goes down before the cable leads it elsewhere, and up after that: returns
        what is to be called once it is set.
        """
        wanted = self._to_plug
        if wanted is None:
            return _nothing
        self._ask_for_unreachable(wanted)
        stay = self.outputs.for_hands(with_question=True)
        self._confirm_again()  # hands are at the cables
        prompt = self._cable(wanted, tr("Connect {connection}", connection=describe_connection(wanted)))
        add = partial(self._errands.add, prompt, done=self._plugged)
        if step.source in stay and limits.stress(step.stimulus).peak_v < self.outputs.driven.get(step.source, 0.0):
            return add
        add()
        return _nothing

    def _plugged(self) -> None:
        self._to_plug = None

    def _ask_now(self) -> None:
        """Have done what waits for a question, where none comes."""
        if self._errands.waiting:
            ask_done(self._operator, self._errands.alone(), self.on_event)
            self._errands.settled()

    def _by_hand(self, step: Connect) -> None:
        self._ask_for_unreachable(step)
        prompt = self._cable(step, tr("Outputs are off. Connect {connection}", connection=describe_connection(step)))
        ask_done(self._operator, prompt, self.on_event)
        self._confirm_again()  # hands were at the cables

    def _cable(self, step: Connect, title: str) -> Prompt:
        path = self.setup.bench.path(step.path)
        lines = [path.label] if path.label else []
        if path.termination is not None:
            lines.append(tr("its {ohm:g} Ω feed-through termination at the input", ohm=path.termination))
        if step.counted:
            lines.append(tr("a tee at the source, and from it a lead to the frequency counter"))
        elif self._counter_moved:
            lines.append(tr("the frequency counter back to where it was"))
        self._counter_moved = step.counted
        by_hand = [r for r in SOURCES if getattr(self.setup.bench, r) is not None and r not in self._all()]
        lines += [tr("the {role}, which this job does not use, must be off too", role=tr(role)) for role in by_hand]
        return Prompt(kind="do", title=title, lines=tuple(lines), step=step)

    def _ask_for_unreachable(self, step: Connect) -> None:
        """No hand is sent to a cable before a person says that a source which does not answer is off."""
        for role, reason in self.unreachable.items():
            prompt = Prompt(
                kind="choose",
                title=tr("{reason} Look at it before you touch a cable.", reason=self._not_known(role, reason)),
                step=step,
                choices=("it is off", "stop"),
                hazard=True,
            )
            if ask_choice(self._operator, prompt) != "it is off":
                raise OperatorStop(f"Stopped: the {role} may be on. Switch it off, then resume.")
            self.on_event("outputs", f"A person says that the output of the {role} is off.")
        self.unreachable.clear()

    # --- readings ----------------------------------------------------------------------------------------------

    def _measure(self, step: Measure) -> Reading:
        hazards = self._hazards(step)
        self._ask_for_controls(step)
        self.guardian.ready()
        reading = self._tried(lambda: self._point(step, hazards))
        for _ in range(MOST_LOOKS):
            if not self._is_remote(step.display) or self._is_near(step, reading):
                return reading
            self._forget()
            self._route_in_doubt = self._route is not None
            reading = self._tried(lambda: self._point(step, hazards))
            if self._is_near(step, reading):
                return reading
            match self._in_question(step, reading):
                case settling.NO_SIGNAL:
                    break
                case "it counts":
                    return replace(reading, flags=(*reading.flags, settling.QUESTIONED))
                case "stop":
                    raise OperatorStop(STOPPED_OFF)
        return settling.no_signal(reading)

    def _ask_for_controls(self, step: Measure) -> None:
        """What would falsify what eyes read is looked at before the first reading of a session."""
        if self._is_remote(step.display) or step.display != "unit" or self._controls_asked:
            return
        prompt = Prompt(
            kind="do",
            title=tr("Before the first reading, look at the unit's controls"),
            lines=tuple(map(tr, CONTROLS_STAND)),
        )
        ask_done(self._operator, prompt, self.on_event)
        self._controls_asked = True
        self.on_event("note", f"Said before the first reading: {'; '.join(CONTROLS_STAND)}.")

    def _look(self, step: Look) -> Seen:
        """Apply what is to be looked at, as for a reading, and ask a person what they see."""
        if not isinstance(step.stimulus, NoSignal):
            at = Measure(
                purpose=step.what, path=step.path, source=step.source, stimulus=step.stimulus, display=step.display,
                view=step.view, quantity="",
            )  # fmt: skip
            hazards = self._hazards(at)
            self.guardian.ready()
            self._tried(lambda: self._stand(at, hazards))
        prompt = Prompt(
            kind="read",
            title=tr("Look at the {display}: {question}", display=tr(step.display), question=tr_look(step.question)),
            lines=tuple(map(tr, step.lines)),
            step=step,
            choices=SEEN,
            in_words=True,
            hint=tr("yes, no, or what you see"),
        )
        seen = ask_seen(self._operator, self._errands.with_question(prompt), self.on_event)
        if seen.answer != "skipped":
            self._errands.settled()
            self._controls_asked |= step.what == CONTROLS and seen.answer == "yes"  # else asked for before a reading
        return seen

    def _is_near(self, step: Measure, reading: Reading) -> bool:
        return settling.is_near(step, reading, self._divides_by(step))

    def _divides_by(self, step: Measure) -> float:
        return self.setup.divides_by(step.path)

    def _in_question(self, step: Measure, reading: Reading) -> str:
        """Twice far from what was applied: a person may look at the connection; nobody there, nothing is judged."""
        sentence = settling.far_sentence(step, reading, self._divides_by(step))
        self.on_event(settling.NO_SIGNAL, sentence)
        self._standing = None
        if self._route is not None:
            self.make_safe()
            self._route_in_doubt = True
            return settling.NO_SIGNAL
        self.outputs.for_hands()
        where = describe_connection(limits.connection_of(step))
        prompt = Prompt(
            kind="choose",
            title=tr("{sentence} Outputs are off. Look at the connection {where}", sentence=sentence, where=where),
            step=step,
            choices=(settling.NO_SIGNAL, "read again", "it counts", "stop"),
        )
        answer = ask_choice(self._operator, prompt)
        self._confirm_again()  # whatever they say: hands may have been at the cables
        return answer

    def _forget(self) -> None:
        """Set everything anew for the next point; a path that is closed goes on being asked about."""
        self._standing = None
        for role, driver in self.drivers.items():
            if role != "switch" and (forget := getattr(driver, "forget", None)) is not None:
                forget()

    def _tried(self, action: Callable[[], T]) -> T:
        """Do a whole point or connection, again after trouble on the way; nothing counts as set then.

        Any trouble leaves a state that nobody asked for, on whichever instrument it was: outputs off before anything.
        """

        def whole() -> T:
            try:
                return action()
            except InstrumentError as error:
                self._forget()  # a doubt about one: what another has become meanwhile was not asked
                self._dark_after(error)
                raise

        return repeat_point(whole, on_event=self.on_event)

    def _dark_after(self, error: InstrumentError) -> None:
        """Outputs off; trouble on a line alone sends no person to a source that is worked by hand."""
        self._errands.drop()
        trouble_of_a_line = isinstance(error, LinkError) and not isinstance(error, NotAsSet)
        self.outputs.make_safe(but=self.outputs.by_hand() if trouble_of_a_line else None)

    def _stand(self, step: Measure, hazards: list[limits.Hazard]) -> tuple[Source, Screen]:
        """Have everything stand as a step asks, up to the reading."""
        self._before(step)
        self._errands.drop()
        if self._route_in_doubt:
            self._dark_for_switching(step.source)
            self._by_switch()
        if self._warm_up is not None:
            self._warm_up.wait(self._off_or_refuse)
        source: Source = STANDING if step.source == "unit" else self._role(step.source)
        screen: Screen = self._role(step.display)
        late = self._plug(step)
        self.outputs.others_off(step.source, by_switch=self._route is not None)
        if hazards:
            self._ask_now()
        self._allow(step, hazards)  # after every wait: who said "go on" is still there when the voltage comes
        self._set(step, source, screen, hazardous=bool(hazards) or limits.unloaded(step).hazardous)
        late()
        if self._is_remote(step.display):
            self._ask_now()
        self._settle(step)
        return source, screen

    def _point(self, step: Measure, hazards: list[limits.Hazard]) -> Reading:
        source, screen = self._stand(step, hazards)
        self._wait(step)
        by_person = step.tune_to_div is not None
        if by_person and hasattr(source, "release"):
            source.release()
        turned = by_person and step.tune == "level"
        if turned:
            self.outputs.turned(step.source, hazardous=bool(hazards))  # until somebody says how far
        if by_person and hasattr(source, "is_turned") and not getattr(step.stimulus, "turned", False):
            source.is_turned(step.tune)
        try:
            reading = self._read(step, screen)
        except (AnalysisError, InstrumentError) as error:
            if not isinstance(error, LinkError):
                self._close(source, screen)  # a record of other settings is a doubt, and no fault of who sent it
            raise
        if turned and reading.value == step.tune_to_div:
            said_v = reading.more.get("level_v", limits.stress(step.stimulus).peak_v)
            self.outputs.turned(step.source, said_v, hazardous=bool(hazards) or limits.unloaded(step).hazardous)
        if step.with_counter and reading.status == "read" and not isinstance(step.stimulus, NoSignal):
            counter: Meter = self._role("counter")
            self._alive(counter)
            expected_hz = getattr(step.stimulus, "frequency_hz", 0.0)
            reading = replace(reading, frequency_hz=counter.read_frequency_hz(expected_hz))
            counter.check()
        self._close(source, screen)
        numbers = (reading.value, reading.scatter, reading.frequency_hz)
        if not all(number is None or math.isfinite(number) for number in numbers):
            what = step.quantity.replace("_", " ")
            raise InstrumentError(step.display, f"gave a {what} that is no number: {numbers}; look at its driver")
        return reading

    def _close(self, source: Source, screen: Screen) -> None:
        """Ask whether everything still stands as it was set."""
        self._alive(source).check()
        self._alive(screen).check()
        self._hold_route()

    def _set(self, step: Measure, source: Source, screen: Screen, *, hazardous: bool) -> None:
        """Set source and display so that the display is never driven harder than it was or will be."""
        outputs, wanted_v = self.outputs, limits.stress(step.stimulus).peak_v
        driven_v = outputs.driven.get(step.source, 0.0)
        rising = wanted_v >= driven_v
        if rising:
            self._show(step, screen)
            self._turned_first(step, screen, wanted_v)
        if self.settled and not self._gives(source, step):
            self.settled = None
        doubt = outputs.in_doubt(step.source)
        outputs.driven[step.source] = max(driven_v, wanted_v)  # until it is done, either may stand
        outputs.hazardous |= {step.source} if hazardous else set()
        self._alive(source)
        if not isinstance(step.stimulus, NoSignal):
            outputs.dark.discard(step.source)
            source.apply(step.stimulus)
        elif step.source in outputs.hazardous or not self._down(step, source, doubt):
            source.off()
        self._errands.or_else(doubt)
        outputs.driven[step.source] = wanted_v
        if not hazardous:
            outputs.hazardous.discard(step.source)
        if not rising:
            if self._is_remote(step.display):
                self._ask_now()  # it is set at once, and must not be ahead of a person who turns the level down
            self._show(step, screen)

    def _gives(self, source: Source, step: Measure) -> bool:
        """Whether a source stands already at what a step asks for; a driver that cannot tell is believed not to."""
        if isinstance(step.stimulus, NoSignal):
            return step.source in self.outputs.dark
        gives = getattr(source, "gives", None)
        return step.source not in self.outputs.dark and gives is not None and bool(gives(step.stimulus))

    def _show(self, step: Measure, screen: Screen) -> None:
        for view in step.views:
            self._alive(screen).show(view)

    def _down(self, step: Measure, source: Source, doubt: Callable[[], None]) -> bool:
        """Whether a source that a person works goes down with the question that asks them to read, or need not."""
        soon = getattr(source, "off_soon", None)
        return soon is not None and (soon(doubt) or step.view.coupling == "ground")

    def _turned_first(self, step: Measure, screen: Screen, wanted_v: float) -> None:
        """A person turns the range with the reading; before a level far beyond the one that stands, they do it first.

        Where they set the source as well, the same question has both, in this order.
        """
        needed = getattr(screen, "is_to_turn_first", None)
        if self._is_remote(step.source) and needed and needed(step.view, wanted_v / self._divides_by(step)):
            self._ask_now()

    def _settle(self, step: Measure) -> None:
        standing = (step.source, step.stimulus, step.display, step.view)
        if standing != self._standing:
            self.clock.sleep(settling.wait_s(self.setup, step, but=self.settled))
            self._standing = standing
        self.settled = None

    def _wait(self, step: Measure) -> None:
        """Let what moves with time move, once everything stands; a person hears of it and has nothing to do."""
        if step.wait_s:
            self._ask_now()
            self._operator.tell(tr("Waiting {time} before the next reading.", time=duration(step.wait_s)))
            self.clock.sleep(step.wait_s)

    def _read(self, step: Measure, screen: Screen) -> Reading:
        """Read; where it is asked for, until two readings in a row agree; each time: so a resumed run reads alike."""
        reading = self._alive(screen).read(step)
        wanted = settling.criterion(self.setup, step)
        if wanted is None:
            return reading
        began, before, count = self.clock.now(), reading, 1
        while count < settling.MOST_READINGS and (count == 1 or self.clock.now() - began < wanted.by_s):
            self.clock.sleep(wanted.apart_s)
            before, reading, count = reading, self._alive(screen).read(step), count + 1
            if settling.agree(before, reading, wanted):
                return reading
        self.on_event(settling.EVENT, settling.sentence(step, (before, reading), wanted, count))
        return settling.unsettled(before, reading)

    def _alive(self, driver: D) -> D:
        """Say how long the next call of a driver may take before it is heard of again; gives the driver."""
        self._on_life(longest_s(driver))
        return driver

    def _role(self, role: Role) -> Any:
        try:
            return self.drivers[role]
        except KeyError:
            raise InstrumentError(role, f"this bench has no {role}; add [{role}] to the bench file") from None

    def _hazards(self, step: Measure) -> list[limits.Hazard]:
        """What a person must confirm; what would break a rating is refused."""
        hazards = limits.hazards(step, self.setup)
        for hazard in hazards:
            if hazard.kind == "rating":
                raise SafetyError(f"Not applied: {hazard.sentence}. Change the level, the range or the path.")
        return hazards

    def _allow(self, step: Measure, hazards: list[limits.Hazard]) -> None:
        for hazard in hazards:
            if hazard.peak_v > self._confirmed_v:
                self._confirm(step, hazard)

    def _confirm_again(self) -> None:
        """What was hazardous before is asked again."""
        if not self.setup.job.allow_hazardous_voltage:
            self._confirmed_v = 0.0

    def _confirm(self, step: Measure, hazard: limits.Hazard) -> None:
        lines = () if self._cautioned else tuple(tr(limits.CAUTIONS).splitlines())
        self._cautioned = True
        prompt = Prompt(
            kind="choose",
            title=tr(
                "The next setting of the {source} is hazardous: {hazard}.",
                source=tr(step.source),
                hazard=hazard.sentence,
            ),
            lines=lines,
            step=step,
            choices=("go on", "stop"),
            hazard=True,
        )
        if ask_choice(self._operator, prompt) != "go on":
            raise OperatorStop("Stopped before a hazardous voltage was applied; the outputs are off.")
        self._confirmed_v = hazard.peak_v

    # --- safety ------------------------------------------------------------------------------------------------

    def outputs_off(self) -> list[str]:
        """Switch every source off; a sentence for each that would not."""
        self._standing = None
        return self.outputs.off()

    def make_safe(self) -> None:
        """Switch every source off, and say loudly which would not go."""
        self._standing = None
        self.outputs.make_safe()

    def _off_or_refuse(self) -> None:
        self._confirm_again()  # a wait may be long, and the bench looked safe meanwhile
        if problems := self.outputs_off():
            raise SafetyError(f"Nothing is waited for with an output on: {' '.join(problems)}")

    def identify(self) -> dict[Role, str]:
        """Who answers in each role."""
        answers: dict[Role, str] = {}
        for role, driver in self.drivers.items():
            answers[role] = self._alive(driver).identify()
        self._on_life(AT_WORK_S)  # the journal begins
        return answers

    def close(self) -> None:
        """Let go of every instrument."""
        self.let_go()

    def let_go(self, of: Role | None = None) -> None:
        """Let go of one instrument, or of all."""
        if of is None:
            self.room.close()
        for role, driver in self._all().items():
            if of not in (None, role):
                continue
            try:
                self._alive(driver).close()
            except Exception as error:  # noqa: BLE001 - whatever a driver of the user's own raises, the others are open
                self.on_event("close", str(error) or type(error).__name__)

    @contextmanager
    def guarded(self) -> Iterator[LiveBench]:
        """Outputs off and everything closed at the end, however it comes.

        An output that may still be on is an event, and the last word: SafetyError, or a note to what ended the run.
        """
        try:
            yield self
        except BaseException as error:
            last = self._end(error)
            if last is None or last is error:
                raise
            raise last from error
        if (last := self._end(None)) is not None:
            raise last

    def _end(self, ended: Ending) -> Ending:
        """Make everything safe, whatever ended the run; what to raise now."""
        stopped: KeyboardInterrupt | None = None
        try:
            self.outputs_off()
        except KeyboardInterrupt as asked:
            stopped = asked
        problems = []
        try:
            if self._warm_up is not None:
                self._on_life(AT_WORK_S)
                self._warm_up.keep()
            self.close()  # before the guardian has its try: an instrument may serve one connection only
        finally:
            still = self.guardian.dismiss(tuple(self.outputs.unsure))
            for role, error in self.outputs.unsure.items():
                if role in still:
                    problems.append(self.outputs.may_be_on(role, error))
                    self.outputs.warn(problems[-1])
                else:
                    by_whom = "was switched off by the guardian, because the run could not"
                    self.on_event("guardian", f"The output of the {role} {by_whom}: {why(error)}")
        if not problems and not self.unreachable:  # nobody has said of such a one that it is off
            self.on_event("off", ALL_OFF)
        return _last_word(ended, stopped, problems)


def _nothing() -> None:
    """Nothing is left to do."""


def _last_word(ended: Ending, stopped: KeyboardInterrupt | None, problems: list[str]) -> Ending:
    """A signal that came while outputs went off goes before what ended the run: nothing is begun after it."""
    last = stopped or ended
    if last is None:
        return SafetyError(" ".join(problems)) if problems else None
    for note in (*problems, *([str(ended)] if stopped and ended and str(ended) else [])):
        if note not in str(last):
            last.add_note(note)
    return last
