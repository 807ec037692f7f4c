"""An instrument of a bench tried out: its role's protocol on the wire, and a reading against another instrument.

Every source of the bench is off first and last, nothing is put out above a harmless level, and a guardian stands by.
What the instrument does wrong is what was found; what is wrong with the files, or with the bench, is raised.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from harness.bench.guarding import charges_of, guarding, unguarded
from harness.bench.perform import LiveBench
from harness.conformance import HARMLESS_V, Found, Subject, any_unit, in_time, of_commands, said_by
from harness.errors import (
    ConfigError,
    HalfpowerError,
    InstrumentError,
    LinkError,
    OperatorStop,
    SafetyError,
)
from harness.files import files
from harness.files.own_files import BeforeImport, OwnCode
from harness.journal.lock import hold
from harness.link.link import LinkDown, repeat_point
from harness.link.replies import ERROR_ENTRY
from harness.models import Job, SequenceUse, Setup
from harness.person.operator import Nobody, Operator, Prompt, ask_choice
from harness.person.people import Awaited
from harness.run.against import Against
from harness.run.beforehand import simulated_bench
from harness.run.days import day_on
from harness.run.jobs import LoadedJob, lock_names
from harness.run.opening import Opening
from harness.steps import SOURCES
from harness.words.clock import AT_WORK_S, no_sign
from harness.words.found import Line, TriedOut

if TYPE_CHECKING:
    from harness.link.trace import Trace
    from harness.steps import Role
    from harness.words.found import Word

_LINE: Final = "the line"
PATIENCE_S: Final = 30.0  # for an instrument that answers nothing within its time-out


@dataclass(frozen=True, slots=True, kw_only=True)
class _OfATrial(LoadedJob):
    """The bench of a trial, as a job of no sequence that uses these instruments."""

    chosen: tuple[Role, ...]

    @property
    def roles(self) -> tuple[Role, ...]:
        """The one that is tried, and those that take part."""
        return self.chosen


def try_out(
    role: Role,
    bench_path: str | Path,
    *,
    unit_path: str | Path | None = None,
    position: str | None = None,
    operator: Operator | None = None,
    before: BeforeImport = lambda _own: None,
    trace: Trace | None = None,
) -> TriedOut:
    """
    Try out the instrument of a role, real or simulated; raises where a file is wrong or the bench is not free.

    A real bench asks `operator` before anything is sent. Without a unit file, a unit is tried on ranges that every
    oscilloscope has. `before` is told of every file of the user's own before it is imported, `trace` of every exchange.
    """
    from drivers.loading import longest_of

    loaded = _loaded(role, Path(bench_path), unit_path, position, OwnCode(before))
    simulated = simulated_bench(loaded)
    person: Operator = Nobody() if operator is None else operator
    if simulated is not None:
        person = simulated.operator
    else:
        _ask(person, role, loaded)
    charges = charges_of(loaded.setup, (*loaded.roles, *SOURCES), loaded.bench_path.parent, loaded.own)
    if alone := unguarded(charges, loaded.roles):
        person.tell(" ".join(alone))
    silent_s = longest_of(loaded.roles, loaded.setup, loaded.bench_path.parent, loaded.own, unsaid_s=0.0)
    with hold(lock_names(loaded)) as held, guarding(charges, held, silent_s=silent_s) as guardian:
        opening = Opening(
            loaded=loaded, simulated=simulated, person=Awaited(person, guardian.alive), on_event=lambda *_: None,
            on_life=guardian.alive if simulated is None else no_sign, work_s=AT_WORK_S, trace=trace,
        )  # fmt: skip
        return _Trying(role=role, opening=opening, guardian=guardian).all()


def _loaded(role: Role, path: Path, unit_path: str | Path | None, position: str | None, own: OwnCode) -> _OfATrial:
    from drivers.commands import check_overrides
    from drivers.loading import problem_of

    bench = files.read_bench(
        path, check_overrides=check_overrides, check_driver=partial(problem_of, own=own), day_of=day_on
    ).value
    if position is not None and position not in bench.positions:
        raise ConfigError(f"{path}: positions.{position}: missing; it has {', '.join(bench.positions) or 'none'}")
    unit = any_unit() if unit_path is None else files.read_unit(unit_path).value
    job = Job(unit="", bench=path.name, serial="any", position=position, sequence=(SequenceUse(use="try-out"),))
    setup = Setup(bench=bench.at(position), unit=unit.model_copy(update={"read": "remote"}), job=job)
    if getattr(setup.bench, role) is None:
        has = ", ".join(name for name, _ in bench.instruments()) or "none"
        raise ConfigError(f"{path}: {role}: missing; its instruments are: {has}")
    if setup.by_hand(role):
        raise ConfigError(f"{path}: {role}: is worked by hand, so that there is nothing to try out")
    chosen: tuple[Role, ...] = (role, *(("switch",) if role != "switch" and bench.switch is not None else ()))
    return _OfATrial(
        setup=setup, job_path=path, bench_path=path, unit_path=Path(unit_path or path), options=(), warnings=(),
        uses=(), own=own, chosen=chosen,
    )  # fmt: skip


def _ask(person: Operator, role: Role, loaded: LoadedJob) -> None:
    """Nothing is sent to a real instrument before somebody has agreed to what will be done."""
    label = getattr(loaded.setup.bench, role).label
    lines = [
        f"The {role} is brought to its known state and set several times: what is set on it now is lost.",
        "Every output of this bench goes off first, and is off at the end.",
    ]
    if role in SOURCES:
        lines.append(f"Its output is switched on for moments, {HARMLESS_V:g} V peak at most.")
    else:
        lines.append(f"A source of this bench may be switched on for a reading, {HARMLESS_V:g} V peak at most.")
    prompt = Prompt(
        kind="choose", title=f"Try out the {role} ({label})?", lines=tuple(lines), choices=("go on", "stop")
    )
    if ask_choice(person, prompt) != "go on":
        raise OperatorStop("Stopped before anything was sent.")


@dataclass(slots=True, kw_only=True)
class _Trying:
    """One trial: what is found is kept as it is found, so that whatever ends it leaves all before it."""

    role: Role
    opening: Opening
    guardian: Any
    found: list[Found] = field(default_factory=list)
    commands: list[tuple[str, str, str]] = field(default_factory=list)
    at: str = ""
    may_be_on: str = ""
    timeout_s: float = 0.0  # as the bench file has it, before anything was found
    first_commands: Mapping[str, str] = field(default_factory=dict)

    @property
    def setup(self) -> Setup:
        """As the lines that were found so far have it."""
        return self.opening.loaded.setup

    @property
    def instrument(self) -> Any:
        """The bench file's section."""
        return getattr(self.setup.bench, self.role)

    def all(self) -> TriedOut:
        """Everything, in order; an output that may be on at the end is told."""
        self.at = self.opening.clock.utc().isoformat(timespec="seconds")
        self.timeout_s, self.first_commands = self.instrument.timeout, self.instrument.commands
        try:
            if (driver := self._opened()) is not None:
                self._with(driver)
        except LinkError as error:
            self._tell(_LINE, "fail", said_by(error))
            self.may_be_on = " ".join(getattr(error, "__notes__", ()))  # of outputs that could not be switched off
        except SafetyError as error:
            self.may_be_on = " ".join((str(error), *getattr(error, "__notes__", ())))
        finally:
            for opened in self.opening.links.values():
                opened.close()
        position, instrument, link = self.setup.job.position, self.instrument, self.opening.links.get(self.role)
        return TriedOut(
            role=self.role, table=f"positions.{position}" if position and self.role == "unit" else self.role,
            label=link.identity if link is not None and instrument.label == instrument.address else instrument.label,
            address=instrument.address or "", bench=self.opening.loaded.bench_path.name,
            at=self.at, simulated=self.opening.simulated is not None, found=tuple(self.found),
            put_out=f"{HARMLESS_V:g} V peak" if self.role in SOURCES else "", commands=tuple(self.commands),
            may_be_on=self.may_be_on,
        )  # fmt: skip

    # Who answers.

    def _opened(self) -> Any:
        """The driver, connected; None where nothing helps. What answers late is waited for, and told."""
        try:
            return self._connected()
        except InstrumentError as error:
            late = isinstance(error, LinkDown)
            self._change([Line("timeout", PATIENCE_S) if late else Line("commands.next_error", "")])
            try:
                driver = self._connected()
            except HalfpowerError:
                self._tell("identity", "fail", said_by(error))
                return None
            self._late(said_by(error)) if late else self._without_queue(said_by(error))
        return driver

    def _late(self, said: str) -> None:
        """It answers when it is waited for: how long that takes."""
        clock, link = self.opening.clock, self.opening.links[self.role]
        began = clock.now()
        repeat_point(link.check)
        line = in_time(clock.now() - began)
        if clock.now() - began < self.timeout_s:
            self._tell(_LINE, "fail", f"{said}; now it answers in time")
        else:
            self._tell("answers in time", "conditional pass", f"answers nothing within its time-out; {line.why}", line)

    def _without_queue(self, said: str) -> None:
        """It answers where nobody asks for its error queue: whether that has none."""
        from drivers.commands import SOURCE

        asks = self.first_commands.get("next_error", SOURCE["next_error"].template)
        try:
            repeat_point(partial(self.opening.links[self.role].query, asks, ERROR_ENTRY))
        except InstrumentError:
            line = Line("commands.next_error", "", "the error bits of its event status are looked at instead")
            self._tell("error queue", "conditional pass", "has no error queue that answers", line)
        else:
            self._tell(_LINE, "fail", f"{said}; now its error queue answers")

    def _connected(self) -> Any:
        return self.opening.drivers((self.role,))[self.role]

    def _change(self, lines: Iterable[Line]) -> None:
        """Go on as if these lines stood in the bench file."""
        update: dict[str, Any] = {}
        for key, value, _, unfinished in lines:
            if unfinished:
                continue
            within, _, name = key.rpartition(".")
            if within:
                update.setdefault(within, dict(getattr(self.instrument, within)))[name] = value
            elif key in ("level_digits", "functions"):
                update[key] = tuple(value) if isinstance(value, list) else value
            elif isinstance(value, float):
                update[key] = value
        bench = self.setup.bench.model_copy(update={self.role: self.instrument.model_copy(update=update)})
        self.opening.loaded = replace(self.opening.loaded, setup=replace(self.setup, bench=bench))

    # What is tried.

    def _with(self, driver: Any) -> None:
        """Try a driver that is connected; whatever ends it, every output is switched off and everything closed."""
        from harness.link.visa import library_of

        opening, simulated = self.opening, self.opening.simulated
        self.guardian.listens()
        self.guardian.prepare(lambda: library_of(opening.factory))
        idle, unreachable = opening.idle_sources()
        bench = LiveBench(
            self.setup, {self.role: driver, **idle}, operator=opening.person, clock=opening.clock,
            before=simulated.begin if simulated else lambda _step: None, on_life=opening.on_life,
            guardian=self.guardian, unreachable=unreachable,
        )  # fmt: skip
        with bench.guarded():
            if problems := bench.outputs.off(but={self.role}):
                raise SafetyError(f"Not begun. {' '.join(problems)}")
            subject = self._subject(driver)
            self.found += subject.basics()
            if self.role in SOURCES and not self._off(driver):
                return
            self.guardian.ready()
            self._renewed(bench, self._commanded(subject))
            self.found += self._subject(bench.drivers[self.role]).protocol()
            if self.role not in SOURCES or not any(f.check == "output off" and f.word == "fail" for f in self.found):
                Against(role=self.role, bench=bench, opening=self.opening, found=self.found).all()

    def _off(self, driver: Any) -> bool:
        """Whether its output goes off before anything is put out."""
        try:
            driver.off()
        except HalfpowerError as error:
            self._tell("output off at the start", "fail", said_by(error))
            return False
        return True

    def _subject(self, driver: Any) -> Subject:
        routes = dict.fromkeys(route for path in self.setup.bench.paths.values() for route in path.routes.values())
        return Subject(
            role=self.role, driver=driver, link=self.opening.links.get(self.role), model=self.instrument,
            unit=self.setup.unit, routes=tuple(routes), on_life=self.opening.on_life,
        )  # fmt: skip

    def _commanded(self, subject: Subject) -> Any:
        """Try the commands of a generic driver; a driver for what the bench file should say after that."""
        from drivers.loading import make_driver
        from drivers.remote import Remote

        if not isinstance(subject.driver, Remote):
            return subject.driver
        trial = subject.commands()
        self.commands += trial.rows
        self.found += of_commands(trial, self.timeout_s)
        self._change(line for each in trial.found for line in each.lines)
        link: Any = subject.link
        return make_driver(
            self.role, self.setup, folder=self.opening.loaded.bench_path.parent, open_link=lambda *_: link,
            operator=self.opening.person, own=self.opening.loaded.own,
        )  # fmt: skip

    def _renewed(self, bench: LiveBench, driver: Any) -> None:
        """Have the bench use this driver, as the lines that were found have it."""
        bench.setup, bench.drivers = self.setup, {**bench.drivers, self.role: driver}
        if self.role in SOURCES:
            bench.outputs.sources[self.role] = driver

    # What was found.

    def _tell(self, check: str, word: Word, said: str, *lines: Line) -> None:
        self.found.append(Found(check=check, word=word, said=said, lines=lines))
