"""From a job file to a run: rehearses, runs and resumes. The entry for scripts and notebooks."""

from __future__ import annotations

import datetime as dt
import sys
import uuid
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from functools import partial
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from harness.bench.perform import LiveBench
from harness.errors import ConfigError, SafetyError
from harness.files.own_files import OWN_CODE
from harness.journal.events import Events, OnEvent
from harness.journal.journal import Contents, Journal
from harness.journal.journal import read as read_journal
from harness.measurement import knowing
from harness.person.guide import Guide
from harness.person.operator import Operator
from harness.person.people import tell_who_reads
from harness.report.model import Report
from harness.run.beforehand import rehearse, simulated_bench, warnings
from harness.run.days import day_of, day_on
from harness.run.guiding import guide_of, guided_watch
from harness.run.jobs import LoadedJob, load
from harness.run.loop import Ended, Part, Watch, run_parts
from harness.run.new_folder import new_folder
from harness.run.opening import opened
from harness.run.own_code import keep_traceback
from harness.run.refusals import is_the_unit, load_again, overdue, refuse_others
from harness.run.trying import try_out
from harness.steps import Reading, Reply, Role, Step
from harness.words.clean import clean
from harness.words.clock import OnLife, Stamps, no_sign
from harness.words.language import speaking
from harness.words.version import program_version
from harness.years.issuing import report_of

if TYPE_CHECKING:
    import pandas as pd

    from harness.analysis.verdict import ErrorDefinition, Rule
    from harness.link.trace import Trace
    from harness.run.adjusting import Present, Show
    from harness.run.faulted import Faults
    from harness.run.rehearsal import Rehearsal
    from harness.run.together import Seat
    from harness.sim.bench import SimulatedBench

__all__ = [
    "LoadedJob", "RunResult", "adjust", "load", "load_again", "opened", "readings", "rehearse", "report", "resume",
    "simulated_bench", "start", "try_out", "warnings",
]  # fmt: skip

OnFolder = Callable[[Path], None]
LINE: Final = 72  # characters of a line that is written over


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class RunResult:
    """A run that ended: its folder, its report, and the sentences of parts that ended early."""

    folder: Path
    report: Report
    ended_early: tuple[str, ...]
    exit_code: int = 0  # of the first of them
    faults: tuple[str, ...] = ()  # of a run under faults on purpose: how many there were, what was done about them

    def __repr__(self) -> str:
        return "\n".join((f"<RunResult {self.folder}: {self.report.sentence}>", *self.ended_early))

    def _repr_html_(self) -> str:
        told = "".join(f"<p>{escape(clean(sentence))}</p>" for sentence in self.ended_early)
        return f"{told}{self.report._repr_html_()}"


# --- running -----------------------------------------------------------------------------------------------------


def start(
    job_path: str | Path,
    runs: str | Path = "runs",
    *,
    operator: Operator | None = None,
    on_event: OnEvent = lambda *_: None,
    watch: Watch = lambda *_: None,
    by_hand: bool = False,
    warm: bool = False,
    on_life: OnLife = no_sign,
    on_folder: OnFolder = lambda _folder: None,
    faults: Faults | None = None,
    store: str | None = None,
    seat: Seat | None = None,
    trace: Trace | None = None,
    step_by_step: Operator | None = None,
    progress: bool = False,
) -> RunResult:
    """Run a job into a new folder below `runs`; outputs are off at every exit. `faults`: simulated benches only.

    `on_folder` is told the run's folder once its journal is on disk, before anything is measured. No number is given
    that stands in the `store` already; None is the one that is set up. `seat` is a place on a bench that several
    runs share. `trace` is told every exchange with every instrument; `step_by_step` is asked before every step.
    `progress` writes a line that says how far it is.
    """
    events = Events(on_event)
    loaded = load(job_path, before=lambda own: events(OWN_CODE, str(own)))
    simulated = simulated_bench(loaded)
    if past := overdue(loaded.setup, day_of(simulated)):
        raise ConfigError(past)
    rehearsed = rehearse(loaded)
    if rehearsed.refused:
        raise SafetyError(f"Not begun. {'; '.join(rehearsed.refused[:5])}. Change the level, the range or the path.")

    given = _given(store) if simulated is None or store is not None else ()

    def begin(bench: LiveBench) -> tuple[Journal, Contents | None]:
        identities = bench.identify()
        is_the_unit(loaded, identities.get("unit", ""), bench.on_event)
        bench.try_settings(rehearsed.views)
        tell_who_reads(bench.on_event, (), operator, by_hand=by_hand and simulated is not None)
        started = bench.clock.utc()
        folder = new_folder(Path(runs), loaded.setup, started, given)
        header = _header(loaded, folder.name, started.isoformat(timespec="seconds"), identities)
        journal = Journal.create(folder, header, stamp=Stamps(bench.clock, bench.on_event))
        on_folder(folder)
        return journal, None

    bench = partial(
        opened, loaded, operator=operator, by_hand=by_hand, warm=warm, on_life=on_life, seat=seat, trace=trace
    )
    with _told(watch, rehearsed if progress else None) as told:
        return _run(
            loaded, simulated, bench, begin, events=events, watch=told, faults=faults, guided=operator is not None,
            step_by_step=step_by_step,
        )  # fmt: skip


def resume(
    run_folder: str | Path,
    *,
    operator: Operator | None = None,
    on_event: OnEvent = lambda *_: None,
    watch: Watch = lambda *_: None,
    by_hand: bool = False,
    warm: bool = False,
    job_path: str | Path | None = None,
    on_life: OnLife = no_sign,
    faults: Faults | None = None,
    corrected: bool = False,
    seat: Seat | None = None,
    trace: Trace | None = None,
    step_by_step: Operator | None = None,
    progress: bool = False,
) -> RunResult:
    """Go on with a run that stopped; refused where job, bench, unit, program or the user's own Python have changed.

    `corrected` says that the user's own Python was changed on purpose: the run goes on with it as it is now.
    """
    folder = Path(run_folder)
    contents = read_journal(folder)
    events = Events(on_event)
    loaded = load_again(contents, tell=partial(events, OWN_CODE), job_path=job_path, corrected=corrected)
    if contents.closed_at is not None:
        return RunResult(folder=folder, report=report(folder), ended_early=())
    simulated = simulated_bench(loaded)

    def go_on(bench: LiveBench) -> tuple[Journal, Contents | None]:
        refuse_others(bench.identify(), contents)
        before = [event.what for event in contents.events]
        tell_who_reads(bench.on_event, before, operator, by_hand=by_hand and simulated is not None)
        last = contents.last_at if simulated is None else ""  # a simulated bench may have a day of its own
        return Journal.reopen(folder, Stamps(bench.clock, bench.on_event, last), contents)

    bench = partial(
        opened, loaded, operator=operator, by_hand=by_hand, warm=warm, on_life=on_life, seat=seat, trace=trace
    )
    with _told(watch, rehearse(loaded) if progress else None, contents.steps) as told:
        return _run(
            loaded, simulated, bench, go_on, events=events, watch=told, faults=faults, guided=operator is not None,
            step_by_step=step_by_step,
        )  # fmt: skip


def adjust(
    run_folder: str | Path,
    wanted: str,
    *,
    operator: Present,
    show: Show,
    on_event: OnEvent = lambda *_: None,
    warm: bool = False,
) -> None:
    """Read a point of a run again and again while somebody turns a trimmer; its journal is told before and after."""
    from harness.run.adjusting import Adjusting, Turning, named, points_of

    folder = Path(run_folder)
    contents = read_journal(folder)
    events = Events(on_event)
    loaded = _attended(load_again(contents, tell=partial(events, OWN_CODE)))
    simulated, turning = simulated_bench(loaded), Turning(operator)
    with events, knowing(quantity for use in loaded.uses for quantity in use.quantities):
        points = points_of(loaded.setup, contents)
        point = named(wanted, points, tuple(loaded.setup.bench.paths))
        opening = opened(
            loaded, operator=turning, on_event=events, by_hand=True, warm=warm, simulated=simulated, guide=Guide()
        )
        with opening as bench:
            refuse_others(bench.identify(), contents)
            last = contents.last_at if simulated is None else ""
            journal, _ = Journal.reopen(folder, stamp=Stamps(bench.clock, bench.on_event, last))
            bench.guardian.records_into(folder)
            events.into(journal)
            adjusting = Adjusting(
                bench=bench, setup=loaded.setup, person=operator, turning=turning, show=show, on_event=bench.on_event,
                taken=sum(isinstance(record.reply, Reading) for record in contents.records),
            )  # fmt: skip
            with speaking(loaded.setup.job.language):
                adjusting.run(point, points)


def _attended(loaded: LoadedJob) -> LoadedJob:
    """A job whose hazards are confirmed: a person with a trimmer in hand touches what its run could leave alone."""
    job = loaded.setup.job.model_copy(update={"allow_hazardous_voltage": False})
    return replace(loaded, setup=replace(loaded.setup, job=job))


def report(
    run_folder: str | Path,
    *,
    rule: Rule | None = None,
    error: ErrorDefinition | None = None,
    tolerance: Mapping[str, Any] | None = None,
) -> Report:
    """The report of a run folder that is in force, from its journal and what was approved or amended of it.

    With another rule, definition of error or tolerances, `{"deflection": "2 %"}` as the unit file writes them, it is
    what the report would be: marked as re-analysed, written nowhere.
    """
    if rule is None and error is None and tolerance is None:
        return report_of(Path(run_folder))
    from harness.years.reanalysis import Changes, otherwise

    return otherwise(Path(run_folder), Changes(rule=rule, error=error, tolerance=tolerance))


def readings(run_folder: str | Path) -> pd.DataFrame:
    """Every reading of a run in its order, one a row: `harness.report.frame.readings_frame`."""
    from harness.report.frame import readings_frame

    return readings_frame(read_journal(Path(run_folder)))


@contextmanager
def _told(watch: Watch, rehearsed: Rehearsal | None, recorded: Mapping[str, int] | None = None) -> Iterator[Watch]:
    """Who is told every step: `watch`, and a line for how far it is where there is a rehearsal to count by."""
    if rehearsed is None:
        yield watch
        return
    from harness.person.progress import Progress

    progress = Progress(planned={part.name: len(part.steps) for part in rehearsed.parts})
    progress.begin(recorded or {})

    def both(part: str, n: int, step: Step, reply: Reply) -> None:
        watch(part, n, step, reply)
        progress.step(part, n)
        sys.stdout.write(f"\r{progress.line(part):<{LINE}}")
        sys.stdout.flush()

    try:
        yield both
    finally:
        sys.stdout.write("\n")


def _run(
    loaded: LoadedJob,
    simulated: SimulatedBench | None,
    open_bench: Callable[..., AbstractContextManager[LiveBench]],
    begin: Callable[[LiveBench], tuple[Journal, Contents | None]],
    *,
    events: Events,
    watch: Watch,
    faults: Faults | None,
    guided: bool,
    step_by_step: Operator | None,
) -> RunResult:
    from harness.run.faulted import account_of
    from harness.run.judging import judging
    from harness.run.stepping import performing

    ended: list[Ended] = []
    account: tuple[str, ...] = ()
    guide = guide_of(loaded) if guided else Guide()
    with events, knowing(quantity for use in loaded.uses for quantity in use.quantities):
        faulted = faults.bench_of(loaded.bench_path, simulated, events) if faults else None
        try:
            with open_bench(on_event=events, simulated=simulated, guide=guide) as bench:
                journal, contents = begin(bench)
                folder = journal.path.parent
                bench.guardian.records_into(folder)
                events.into(journal)
                if contents is not None:
                    journal.event("", "resumed", f"after {len(contents.records)} entries")
                told = guided_watch(guide, contents, bench.tell, watch)
                with judging(loaded, journal, bench.make_safe) as judge:
                    ended = run_parts(
                        _parts(loaded), performing(bench, loaded, step_by_step), journal, contents=contents,
                        watch=told, tell=bench.tell, make_safe=bench.make_safe, judge=judge,
                    )  # fmt: skip
        finally:
            account = account_of(faulted, events, len(ended)) if faulted is not None else ()
    return RunResult(
        folder=folder,
        report=report(folder),
        ended_early=tuple(f"{part}{keep_traceback(part.error, folder)}" for part in ended),
        exit_code=ended[0].error.exit_code if ended else 0,
        faults=account,
    )


def _parts(loaded: LoadedJob) -> list[Part]:
    return [
        Part(name=use.name, start=partial(use.script, loaded.setup), own=use.own, judged=use.judged)
        for use in loaded.uses
    ]


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
        "own": loaded.own.digests,
        "identities": dict(identities),
        "setup": loaded.setup.to_header(),
        "parts": [use.entry(loaded.setup) for use in loaded.uses],
    }


def _given(store: str | None) -> Collection[str]:
    from harness.years.records.push import numbers_given

    return numbers_given(store)


def today(loaded: LoadedJob) -> dt.date:
    """The day by the bench's own clock: a simulated bench may have its own."""
    return day_on(loaded.setup.bench, loaded.bench_path)
