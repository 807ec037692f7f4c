"""From a job file to a run: opens the bench, runs and resumes. The entry for scripts and notebooks."""

from __future__ import annotations

import datetime as dt
import hashlib
import math
import re
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from harness.bench import ALL_OFF, SOURCES, LiveBench
from harness.clock import BETWEEN_SIGNS_S, SLICE_S, BeatingClock, Clock, OnLife, RealClock, no_sign
from harness.errors import ConfigError, HalfpowerError, JournalError, SafetyError
from harness.events import Events, OnEvent
from harness.jobs import LoadedJob, load, needs_of
from harness.journal import Contents, Journal
from harness.journal import read as read_journal
from harness.lock import hold
from harness.models import Setup
from harness.operator import Nobody, Operator, Prompt
from harness.refusals import overdue, refuse_changed, refuse_others
from harness.report.model import Report
from harness.report.summary import summarise
from harness.run import Part, Watch, run_parts
from harness.steps import Display, Measure, Role
from harness.version import program_version

if TYPE_CHECKING:
    from harness.faulted import Faults
    from harness.rehearsal import Rehearsal
    from harness.sim.bench import SimulatedBench

__all__ = ["LoadedJob", "RunResult", "load", "opened", "rehearse", "report", "resume", "simulated_bench", "start"]

OnFolder = Callable[[Path], None]
_ACROSS: Final = 10  # divisions of a drawn graticule
_WIDEST_DIVISION: Final = 6  # characters
_PICTURE_ROWS: Final = 17  # two a division, and the last line


@dataclass(frozen=True, slots=True, kw_only=True)
class RunResult:
    """A run that ended: its folder, its report, and the sentences of parts that ended early."""

    folder: Path
    report: Report
    ended_early: tuple[str, ...]
    faults: tuple[str, ...] = ()  # of a run under faults on purpose: how many there were, what was done about them


def rehearse(loaded: LoadedJob) -> Rehearsal:
    """The steps, hazards, hands and time of a job, and what it cannot decide; nothing is opened."""
    from harness.rehearsal import rehearse as rehearsed

    return rehearsed(loaded.setup, loaded.uses)


# --- opening -----------------------------------------------------------------------------------------------------


@contextmanager
def opened(
    loaded: LoadedJob,
    *,
    operator: Operator | None = None,
    on_event: OnEvent = lambda *_: None,
    by_hand: bool = False,
    on_life: OnLife = no_sign,
    simulated: SimulatedBench | None = None,
) -> Iterator[LiveBench]:
    """Open the bench of a job, hold it against others, and leave it with every output off.

    `simulated` is the job's simulated bench where the caller has it already. `on_life` is told before every step,
    exchange, wait and question by when the next sign of life comes.
    """
    simulated = simulated or simulated_bench(loaded)
    clock = _beating(simulated, on_life)
    person = operator or Nobody()
    if simulated and not by_hand:
        person = simulated.operator
    elif simulated:
        person = _Mirrored(person, simulated, loaded.setup)
    person = _Awaited(person, on_life)
    with hold(lock_names(loaded)):
        drivers = _drivers(loaded, simulated, clock, person, on_event=on_event, on_life=on_life)
        bench = LiveBench(
            loaded.setup,
            drivers,
            operator=person,
            clock=clock,
            on_event=on_event,
            before=simulated.begin if simulated else lambda _step: None,
            on_life=on_life,
        )
        with bench.guarded():
            yield bench


def _beating(simulated: SimulatedBench | None, on_life: OnLife) -> Clock:
    if simulated is not None:
        return BeatingClock(simulated.clock, on_life, slice_s=math.inf)
    return BeatingClock(RealClock(), on_life, slice_s=SLICE_S)


def simulated_bench(loaded: LoadedJob) -> SimulatedBench | None:
    """The simulated bench that the bench file names, if any."""
    name = loaded.setup.bench.simulation
    if name is None:
        return None
    from harness.sim.bench import SimulatedBench

    return SimulatedBench.load(loaded.bench_path.parent / name)


def lock_names(loaded: LoadedJob) -> tuple[str, ...]:
    """What a run of this job holds against others: every instrument's address, or the simulated bench."""
    if loaded.setup.bench.simulation is not None:
        return (str(loaded.bench_path.resolve()),)
    addresses = [i.address for _, i in loaded.setup.bench.instruments() if i.address]
    return tuple(addresses) or (str(loaded.bench_path.resolve()),)


def used_roles(loaded: LoadedJob) -> tuple[Role, ...]:
    """The roles that the job's sequences use, and those that go with them."""
    roles: list[Role] = [role for use in loaded.uses for role in needs_of(use.definition)(use.options)]
    bench = loaded.setup.bench
    if "generator" in roles:
        roles += [role for role in ("counter", "reference") if getattr(bench, role) is not None]
    roles += ["switch"] if bench.switch is not None else []
    return tuple(dict.fromkeys((*roles, "unit")))


def _drivers(
    loaded: LoadedJob,
    simulated: SimulatedBench | None,
    clock: Clock,
    person: Operator,
    *,
    on_event: OnEvent,
    on_life: OnLife,
) -> Mapping[Role, Any]:
    from drivers.loading import make_driver
    from harness.visa import open_link, resource_manager

    factory = simulated.resource_manager if simulated else resource_manager()
    connect = partial(open_link, resource_manager_factory=factory, clock=clock, on_event=on_event, on_life=on_life)
    made: dict[Role, Any] = {}
    try:
        for role in used_roles(loaded):
            on_life(BETWEEN_SIGNS_S)
            made[role] = make_driver(
                role,
                loaded.setup,
                folder=loaded.bench_path.parent,
                open_link=connect,
                operator=person,
                on_event=on_event,
            )
    except BaseException:
        for role, driver in made.items():
            if role in SOURCES and getattr(loaded.setup.bench, role).driver != "manual":
                _quietly(driver.off)  # what an earlier run may have left on
            _quietly(driver.close)
        raise
    return made


def _quietly(action: Callable[[], None]) -> None:
    try:
        action()
    except HalfpowerError:
        return  # the first failure is the one to report


class _Awaited:
    """A person who is waited for: that may take for ever, and is no sign that anything hangs."""

    def __init__(self, operator: Operator, on_life: OnLife) -> None:
        self._operator, self._on_life = operator, on_life

    def ask(self, prompt: Prompt) -> str:
        self._on_life(math.inf)
        try:
            return self._operator.ask(prompt)
        finally:
            self._on_life(BETWEEN_SIGNS_S)

    def tell(self, text: str) -> None:
        self._operator.tell(text)


class _Mirrored:
    """A person answers, while the simulated bench follows what they are asked to do, and shows them its screen."""

    def __init__(self, operator: Operator, simulated: SimulatedBench, setup: Setup) -> None:
        self._operator, self._simulated, self._setup = operator, simulated, setup

    def ask(self, prompt: Any) -> str:
        if prompt.kind == "do":
            self._simulated.operator.ask(prompt)
        elif prompt.kind == "read" and isinstance(prompt.step, Measure):
            display, view = prompt.step.display, prompt.step.view
            self._simulated.set_by_hand(display, view)
            prompt = replace(prompt, screen=partial(self._screen, display, view.channel))
        return self._operator.ask(prompt)

    def _screen(self, display: Display, channel: int, room: int) -> list[str]:
        """The simulated screen as wide as there is room for, its graticule lines on whole characters."""
        across = max(1, min(_WIDEST_DIVISION, (room - 1) // _ACROSS))
        return self._simulated.picture(_ACROSS * across + 1, _PICTURE_ROWS, display, channel)

    def tell(self, text: str) -> None:
        self._operator.tell(text)


# --- running -----------------------------------------------------------------------------------------------------


def start(
    job_path: str | Path,
    runs: str | Path = "runs",
    *,
    operator: Operator | None = None,
    on_event: OnEvent = lambda *_: None,
    watch: Watch = lambda *_: None,
    by_hand: bool = False,
    on_life: OnLife = no_sign,
    on_folder: OnFolder = lambda _folder: None,
    faults: Faults | None = None,
) -> RunResult:
    """Run a job into a new folder below `runs`; outputs are off at every exit. `faults`: simulated benches only.

    `on_folder` is told the run's folder once its journal is on disk, before anything is measured.
    """
    loaded = load(job_path)
    if past := overdue(loaded.setup, today(loaded)):
        raise ConfigError(past)
    if refused := rehearse(loaded).refused:
        raise SafetyError(f"Not begun. {'; '.join(refused[:5])}. Change the level, the range or the path.")
    journal_events = Events(on_event)
    simulated = faults.bench_of(loaded.bench_path, simulated_bench(loaded), journal_events) if faults else None
    with opened(
        loaded, operator=operator, on_event=journal_events, by_hand=by_hand, on_life=on_life, simulated=simulated
    ) as bench:
        started = bench.clock.utc()
        folder = _new_folder(Path(runs), started, loaded.setup.job.serial)
        header = _header(loaded, folder.name, started.isoformat(timespec="seconds"), bench.identify())
        journal = Journal.create(folder, header, stamp=partial(_stamp, bench.clock))
        on_folder(folder)
        journal_events.into(journal)
        return _run(loaded, bench, journal, None, watch=watch, events=journal_events, simulated=simulated)


def resume(
    run_folder: str | Path,
    *,
    operator: Operator | None = None,
    on_event: OnEvent = lambda *_: None,
    watch: Watch = lambda *_: None,
    by_hand: bool = False,
    job_path: str | Path | None = None,
    on_life: OnLife = no_sign,
    faults: Faults | None = None,
) -> RunResult:
    """Go on with a run that stopped; refused where job, bench, unit or program have changed since."""
    folder = Path(run_folder)
    contents = read_journal(folder)
    loaded = load(job_path or contents.header["files"]["job"])
    refuse_changed(loaded, contents)
    if contents.closed_at is not None:
        return RunResult(folder=folder, report=summarise(contents), ended_early=())
    journal_events = Events(on_event)
    simulated = faults.bench_of(loaded.bench_path, simulated_bench(loaded), journal_events) if faults else None
    with opened(
        loaded, operator=operator, on_event=journal_events, by_hand=by_hand, on_life=on_life, simulated=simulated
    ) as bench:
        refuse_others(bench.identify(), contents)
        journal, contents = Journal.reopen(folder, stamp=partial(_stamp, bench.clock))
        journal_events.into(journal)
        journal.event("", "resumed", f"after {len(contents.records)} entries")
        return _run(loaded, bench, journal, contents, watch=watch, events=journal_events, simulated=simulated)


def report(run_folder: str | Path) -> Report:
    """The report of a run folder, from its journal alone."""
    return summarise(read_journal(Path(run_folder)))


def _run(
    loaded: LoadedJob,
    bench: LiveBench,
    journal: Journal,
    contents: Contents | None,
    *,
    watch: Watch,
    events: Events,
    simulated: SimulatedBench | None,
) -> RunResult:
    from harness.faulted import account_of

    parts = [
        Part(name=use.name, start=partial(use.definition.script, loaded.setup, use.options)) for use in loaded.uses
    ]
    recorded = contents.replies if contents else lambda _name: ()
    finished = (lambda name: contents.parts.get(name) == "finished") if contents else (lambda _name: False)
    ended_early: list[str] = []
    account: tuple[str, ...] = ()
    try:
        ended_early = run_parts(parts, bench.perform, journal, recorded=recorded, finished=finished, watch=watch)
    finally:
        problems = bench.outputs_off()
        for problem in problems:
            events("outputs", problem)
        account = account_of(simulated, events, len(ended_early)) if simulated is not None else ()
        events.journal_ends("" if problems else ALL_OFF)
        journal.close()
    return RunResult(
        folder=journal.path.parent, report=report(journal.path), ended_early=tuple(ended_early), faults=account
    )


def _stamp(clock: Clock) -> str:
    return clock.utc().isoformat(timespec="milliseconds")


def _header(loaded: LoadedJob, run: str, started: str, identities: Mapping[Role, str]) -> dict[str, Any]:
    return {
        "run": run,
        "id": uuid.uuid4().hex,
        "program": program_version(),
        "started": started,
        "files": {
            "job": str(loaded.job_path.resolve()),
            "bench": str(loaded.bench_path.resolve()),
            "unit": str(loaded.unit_path.resolve()),
        },
        "identities": dict(identities),
        "setup": loaded.setup.to_header(),
        "parts": [use.entry(loaded.setup) for use in loaded.uses],
    }


def _new_folder(runs: Path, started: dt.datetime, serial: str) -> Path:
    safe = re.sub(r"[^A-Za-z0-9._-]+", "-", serial).strip("-.")[:40] or hashlib.sha256(serial.encode()).hexdigest()[:8]
    for number in range(1, 1000):
        folder = runs / f"{started:%Y-%m-%d}-{safe}-{number:02d}"
        if not folder.exists():
            return folder
    raise JournalError(f"{runs}: a thousand runs of this unit today; name another folder with --runs.")


def today(loaded: LoadedJob) -> dt.date:
    """The day by the bench's own clock: a simulated bench may have its own."""
    simulated = simulated_bench(loaded)
    return (simulated.clock if simulated else RealClock()).utc().date()
