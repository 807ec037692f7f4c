"""The unattended night: run a list of jobs, and watch from another process that it does not stand still."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import rich_click as click

from harness.commands.helping import PlainHelpCommand, not_both, once_told
from harness.commands.records import store_option
from harness.commands.run import PATH, a_console, shown, shown_options, told_how_to_go_on
from harness.errors import Alarm, HalfpowerError, QueueError, shell_word
from harness.quantities import counted

if TYPE_CHECKING:
    import datetime as dt

    from rich.status import Status

    from harness.night.notices import Channel
    from harness.night.plan import CheckedJob, NightPlan
    from harness.night.runner import Keep, Settings
    from harness.person.live import Silent
    from harness.report.night import Night

GO_ON: Final = "halfpower queue --go-on"
NOTIFY = click.option(
    "--notify", multiple=True, metavar="ADDRESS",
    help="A channel to tell; safer in the queue file or in HALFPOWER_NOTIFY, which no list of processes shows.",
)  # fmt: skip


@click.command(cls=PlainHelpCommand)
@click.argument("jobs", nargs=-1, type=PATH)
@click.option("--at", metavar="TIME", help="When to start: 18:00, or 2026-12-01T18:00, local time.")
@click.option("--again", type=click.IntRange(0, 9), help="How often a job that lost its instrument is tried again.")
@click.option("--leave-out", is_flag=True, help="Leave refused jobs out and run the others.")
@click.option("--go-on", type=PATH, metavar="FOLDER", help="Go on with a queue that was stopped, or has jobs left.")
@click.option("--page", type=PATH, metavar="FOLDER", help="Make the page of a queue again from its log, and show it.")
@click.option("--runs", type=PATH, default=Path("runs"), show_default=True, help="Where the folders are made.")
@NOTIFY
@click.option("--awake/--no-awake", default=None, help="Keep the machine from going to sleep, or let it.")
@click.option("--rehearse", is_flag=True, help="Say what would be run and what is refused, and start nothing.")
@click.option("--unasked", is_flag=True, help="Ask no instrument beforehand who it is and whether it is well.")
@shown_options
@store_option
def queue(
    jobs: tuple[Path, ...], go_on: Path | None, page: Path | None, runs: Path, notify: tuple[str, ...], **options: Any
) -> None:
    """Run jobs one after another with nobody there; in the morning a page says what happened.

    Name job files, or one queue file. Every job is loaded and rehearsed first; one that needs a person, applies
    hazardous voltage without permission or exceeds a rating is refused before anything starts. So is one of whose
    instruments one does not answer, or is another: all are asked who they are while somebody is there to hear it.

    \b
    Examples:
      halfpower queue a.toml b.toml --at 18:00
      halfpower queue queue.toml
      halfpower queue a.toml b.toml --leave-out --rehearse
      halfpower queue --go-on runs/night-2026-11-25-01
      halfpower queue --page runs/night-2026-11-25-01
    """
    showing = _Shown(quiet=options["quiet"], as_json=options["as_json"])
    folder = go_on or page
    if folder is not None and (jobs or (go_on and page)):
        raise click.UsageError("Use --go-on or --page alone: the jobs stand in the queue's own log.")
    if folder is not None:
        _refuse_beside(options, page=page is not None)
    if page is not None:
        _finish(page, showing)
    elif go_on is not None:
        _go_on(go_on, notify, options, showing=showing)
    elif jobs:
        _begin(jobs, runs, notify, options, showing)
    else:
        raise click.UsageError("Nothing to run: name job files, or a queue file. 'halfpower new queue' writes one.")


def _refuse_beside(options: Mapping[str, Any], *, page: bool) -> None:
    """What would be ignored beside --go-on or --page is refused."""
    ignored = ("again", "awake", "rehearse", *(("at", "unasked") if page else ()))
    flags = ("rehearse", "unasked")
    if named := [name for name in ignored if options[name] is not None and (name not in flags or options[name])]:
        raise click.UsageError(f"--{named[0]} changes nothing here: leave it out.")


def _begin(
    jobs: tuple[Path, ...], runs: Path, notify: tuple[str, ...], options: Mapping[str, Any], showing: _Shown
) -> None:
    from harness.night import evening, notices, plan, runner
    from harness.night.start import start_of
    from harness.words.clock import RealClock

    clock = RealClock()
    paths, at, settings, addresses, leave_out = _asked(jobs, notify, options)
    start = start_of(at, clock)  # once: after the check the next such time may be tomorrow's
    planned = plan.look_through(paths, start or clock.utc(), once_told())
    if not options["unasked"]:
        planned = evening.asked(planned, showing.tell)
    for line in _plan_lines(planned, start, together=settings.together):
        showing.tell(line)
    if planned.refused and not (leave_out and planned.checked):
        raise plan.refusal(planned)
    for problem in (problem for refused in planned.refused for problem in refused.problems):
        showing.tell(f"left out: {problem}")
    channels = notices.channels(addresses)
    if options["rehearse"]:
        return
    with told_how_to_go_on(GO_ON) as began:
        folder = runner.begin(
            planned,
            settings,
            runs,
            clock=clock,
            start=start,
            channels=channels,
            showing=showing,
            keep=_keeper(options["store"]),
            store=options["store"],
            on_folder=began,
        )
    _finish(folder, showing)


def _asked(
    jobs: tuple[Path, ...], notify: tuple[str, ...], options: Mapping[str, Any]
) -> tuple[list[Path], str, Settings, tuple[str, ...], bool]:
    """The jobs, when and how to run them, whom to tell, whether to leave refused ones out: the file's, then options."""
    from harness.files import files
    from harness.night import notices
    from harness.night.runner import Settings

    given = {name: options[name] for name in ("again", "awake") if options[name] is not None}
    _check_at(options["at"])
    queued = [path for path in jobs if _is_queue(path)]
    if not queued:
        return list(jobs), options["at"] or "", Settings(**given), notices.addresses(notify), options["leave_out"]
    if len(jobs) > 1:
        raise click.UsageError(f"{queued[0]} is a queue file, which is run alone; add the other jobs to it.")
    path = queued[0]
    wanted = files.read_queue(path).value
    settings = {
        "title": wanted.title,
        "again": wanted.again,
        "awake": wanted.awake,
        "together": wanted.together,
        **given,
    }
    addresses = notices.addresses(notify, (address.get_secret_value() for address in wanted.notify))
    paths = [path.parent / name for name in wanted.jobs]
    made = Settings(**settings, queue_file=str(path.resolve()))
    at = wanted.at if options["at"] is None else options["at"]
    return paths, at, made, addresses, options["leave_out"] or wanted.leave_out


def _check_at(at: str | None) -> None:
    from harness.words.moments import parse

    try:
        parse(at or "00:00")
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--at") from None


def _is_queue(path: Path) -> bool:
    from harness.files.files import kind_of

    try:
        return kind_of(path) == "queue"
    except HalfpowerError:
        return False  # what is wrong with it is said with all other jobs


def _keeper(store: str | None) -> Keep:
    """What becomes of each run: its page, and its place among the records."""
    from harness.night.runner import write_report
    from harness.years.records.push import remember

    return lambda folder: (*write_report(folder), *remember(folder, store))


def _go_on(folder: Path, notify: tuple[str, ...], options: Mapping[str, Any], *, showing: _Shown) -> None:
    from harness.files import files
    from harness.night import evening, log, notices, runner
    from harness.night.start import start_of
    from harness.words.clock import RealClock

    _check_at(options["at"])
    clock = RealClock()
    contents = log.read(folder)
    start: str | None = None
    if options["at"] is not None:
        moment = start_of(options["at"], clock)
        start = moment.isoformat() if moment else ""
    folder = folder if folder.is_dir() else folder.parent
    named = Path(str(contents.header["queue_file"]))
    from_file: list[str] = []
    if named.is_file():
        with suppress(HalfpowerError):  # the log has the jobs; the file is asked for its channels alone
            from_file = [address.get_secret_value() for address in files.read_queue(named).value.notify]
    channels: tuple[Channel, ...] = ()
    try:
        channels = notices.channels(notices.addresses(notify, from_file))
    except QueueError as error:
        showing.tell(str(error))
    with told_how_to_go_on(GO_ON, folder):
        runner.go_on(
            folder,
            leave_out=options["leave_out"],
            start=start,
            clock=clock,
            channels=channels,
            showing=showing,
            keep=_keeper(options["store"]),
            store=options["store"],
            before=once_told(),
            ask=(lambda _planned: ()) if options["unasked"] else evening.troubles,
        )
    _finish(folder, showing)


def _finish(folder: Path, showing: _Shown) -> None:
    """Write the page, show it, and end with what it says."""
    from harness.journal.atomic import write_text
    from harness.night.account import account
    from harness.night.runner import PAGE
    from harness.report.night import page

    night = account(folder)
    folder = folder if folder.is_dir() else folder.parent
    write_text(folder / PAGE, page(night))
    showing.night(night, folder / PAGE)
    if undone := [run.job for run in night.runs if run.outcome in ("not done", "not tried")]:
        raise QueueError(
            f"Not done: {', '.join(undone)}. {folder / PAGE} says why; go on with: {GO_ON} {shell_word(folder)}"
        )


def _plan_lines(planned: NightPlan, start: dt.datetime | None, *, together: bool) -> Iterator[str]:
    from harness.night.plan import in_groups
    from harness.quantities import duration

    for number, checked in enumerate(planned.checked, 1):
        points = sum(part.points for part in checked.job.parts)
        more = " and those found on the way" if any(not part.points for part in checked.job.parts) else ""
        warm_up_s = checked.rehearsal.warm_up_s
        warm = f", after up to {duration(warm_up_s)} of warming up" if warm_up_s else ""
        yield (
            f"{number} {checked.job.name}: {checked.job.unit} no. {checked.job.serial}, "
            f"{counted(points, 'point')}{more}, "
            f"about {duration(checked.job.estimated_s)}{warm}"
        )
    for group in in_groups(dict(enumerate(planned.checked, 1)), together=together):
        if len(group) > 1:
            yield f"{' and '.join(map(str, group))} together, each at its position of one bench"
    for warning in planned.warnings:
        yield f"warning: {warning}"
    if planned.checked:
        begin = f"start at {start:%Y-%m-%d %H:%M}" if start else "start now"
        counts = f"{len(planned.checked)} to run, {len(planned.refused)} refused"
        yield f"{counts}; {begin}, about {duration(planned.estimated_s)}."


class _Shown:
    """The night at a terminal, as JSON lines, or not at all."""

    def __init__(self, *, quiet: bool, as_json: bool) -> None:
        not_both(quiet, as_json, "Use --quiet or --json")
        self._quiet, self._as_json = quiet, as_json
        self._console = a_console(stderr=as_json)
        self._status: Status | None = None
        self._waited = False
        self._live: Silent | None = None  # the run that is shown

    def tell(self, text: str) -> None:
        """Say something about the night."""
        from rich.text import Text

        from harness.person.live import JsonLines
        from harness.words.clean import clean

        self._end_waiting()
        if self._as_json:
            JsonLines(sys.stdout).write(event="queue", text=text)
        elif not self._quiet:
            with self._live.aside() if self._live else nullcontext():
                self._console.print(Text(clean(text)), soft_wrap=True)

    def waiting(self, text: str) -> None:
        """The start is so far away: one line that changes, or one line once where nothing can be redrawn."""
        if self._as_json or self._quiet or not self._console.is_terminal:
            if not self._waited:
                self.tell(text)
        elif self._status is None:
            self._status = self._console.status(text)
            self._status.start()
        else:
            self._status.update(text)
        self._waited = True

    @contextmanager
    def run(self, checked: CheckedJob, recorded: Mapping[str, int]) -> Iterator[Silent]:
        """Show one run as 'halfpower run' does; of several at once the first."""
        self._end_waiting()
        quiet = self._quiet or (self._live is not None and not self._as_json)
        with shown(quiet, self._as_json, lambda: checked.rehearsal, dict(recorded)) as (live, _):
            first = self._live is None
            self._live = live if first else self._live
            try:
                yield live
            finally:
                self._live = None if first else self._live

    def night(self, night: Night, page: Path) -> None:
        """The end of the night."""
        from harness.person.live import JsonLines
        from harness.report.night import blocks, marks
        from harness.report.terminal_page import on_terminal

        if self._as_json:
            JsonLines(sys.stdout).write(event="end", folder=str(page.parent), sentence=night.sentence, page=str(page))
            return
        a_console().print(
            on_terminal(blocks(night), marks(night)), crop=False
        )  # a command that is suggested stays one line
        click.echo(f"Page: {page}")

    def _end_waiting(self) -> None:
        if self._status is not None:
            self._status.stop()
            self._status = None


# --- watching ----------------------------------------------------------------------------------------------------


@click.command(cls=PlainHelpCommand)
@click.argument("heartbeat", type=PATH, metavar="FOLDER_OR_FILE")
@click.option("--once", is_flag=True, help="Look once and end: for cron and other schedulers.")
@NOTIFY
@click.option("--quiet", is_flag=True, help="Speak only in alarm.")
def watch(heartbeat: Path, once: bool, notify: tuple[str, ...], quiet: bool) -> None:
    """Watch a queue from another process, and raise the alarm when it gives no sign of life.

    Ends with 0 when the queue has ended, with 12 and a bell when its next sign of life is overdue or its process is
    gone. The channels named here and in HALFPOWER_NOTIFY are told.

    \b
    Examples:
      halfpower watch runs/night-2026-11-25-01
      halfpower watch runs/night-2026-11-25-01 --once --quiet || logger alarm
    """
    from harness.night import notices, watching
    from harness.words.clock import RealClock

    channels = notices.channels(notices.addresses(notify))

    verdict = watching.watch(heartbeat, clock=RealClock(), once=once, tell=_Shown(quiet=quiet, as_json=False).tell)
    if verdict.kind == "alarm":
        click.echo("\a", err=True, nl=False)
        to = notices.Notices(channels, trouble=lambda text: click.echo(text, err=True))
        waiting = "It was waiting, with nothing switched on."
        look = waiting if verdict.waiting else "Look at the bench: an output may be on."
        to.send(
            "Halfpower: no sign of life", f"{heartbeat}: {verdict.sentence}{f' {look}' if verdict.waiting else ''}",
            kind="failure", may_be_on=() if verdict.waiting else (look,),
        )  # fmt: skip
        raise Alarm(f"{heartbeat}: {verdict.sentence} {look}")
