"""The one loop: feed recorded replies, then perform, record, send.

`perform` is all that differs between remote instruments, a person, a simulated bench and a rehearsal.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, TypeAlias

from harness import steps
from harness.errors import AnalysisError, HalfpowerError, InstrumentError, JournalError, OwnCodeError, StepRefused
from harness.journal.journal import Contents, Journal, Record
from harness.person.operator import MOST_MISSES, GoBack, no_person
from harness.run.own_code import Blaming, Judged, a_step, refused
from harness.steps import Connect, Done, Measure, Reply, Step

Perform: TypeAlias = Callable[[Step], Reply]
Watch: TypeAlias = Callable[[str, int, Step, Reply], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One sequence of a job, under the name its records carry; `start` makes the generator afresh.

    `own` is the file of a user's own sequence, `judged` as what its readings are judged.
    """

    name: str
    start: Callable[[], steps.Sequence[Any]]
    own: Path | None = None
    judged: Judged | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """A part that ended early, and why."""

    part: str
    error: HalfpowerError

    def __str__(self) -> str:
        return f"{self.part}: {self.error}"


def run_part(
    part: Part,
    perform: Perform,
    journal: Journal,
    recorded: Sequence[Record] = (),
    watch: Watch = lambda *_: None,
    *,
    tell: Callable[[str], None] = lambda _text: None,
) -> None:
    """Run a part to its end, recording every reply before the sequence sees it; `tell` is for the person who waits."""
    attempt = _Attempt(part=part, perform=perform, journal=journal, watch=watch, records=list(recorded), tell=tell)
    while True:
        try:
            attempt.run()
        except GoBack:
            attempt.go_back()
        else:
            return


@dataclass(slots=True, kw_only=True)
class _Attempt:
    """A part on its way: what stands in the journal, and the connection that was really made."""

    part: Part
    perform: Perform
    journal: Journal
    watch: Watch
    records: list[Record]
    tell: Callable[[str], None] = lambda _text: None
    made: Connect | None = None
    at_the_start: int = 0  # how often somebody wanted to go back from there

    def run(self) -> None:
        with Blaming(self.part.own):
            script = self.part.start()
        step, wanted = _replay(self.part, script, self.records)
        if step is not None and wanted != self.made and not isinstance(step, Connect):
            self._perform(wanted, script)  # the journal knows what was said, not what is plugged in now
        while step is not None:
            reply = self._perform(step, script)
            number = len(self.records)
            self.journal.reply(self.part.name, number, step, reply)
            self.records.append(Record(part=self.part.name, n=number, step=step, reply=reply, at=""))
            self.watch(self.part.name, number, step, reply)
            step = _send(self.part, script, reply)

    def _perform(self, step: Step | None, script: object) -> Reply:
        if step is None:
            return Done()
        if isinstance(step, Connect):
            self.made = None  # until it is; a person who goes back here may have moved a cable
        try:
            reply = self.perform(step)
        except StepRefused as error:
            raise refused(self.part.own, error.why, script) from None
        if isinstance(step, Connect):
            self.made = step
        return reply

    def go_back(self) -> None:
        """Withdraw the previous reading, and the connections after it: they may stand in one question with the next."""
        index = next((i for i in reversed(range(len(self.records))) if isinstance(self.records[i].step, Measure)), None)
        if index is None:
            self.at_the_start += 1
            if self.at_the_start >= MOST_MISSES:
                raise no_person()
            self.tell(f"There is nothing before this to go back to in {self.part.name!r}.")
            return
        while len(self.records) > index:
            self.journal.withdraw(self.part.name)
            self.records.pop()


def _replay(part: Part, script: steps.Sequence[Any], replies: Sequence[Record]) -> tuple[Step | None, Connect | None]:
    """Feed what is recorded; return the first step still open, and the last connection made."""
    connection = None
    step = _send(part, script, None)
    for record in replies:
        if step != record.step:
            raise JournalError(
                f"{part.name}: the journal's reading {record.n + 1} answers another step than this job asks. "
                "The job, bench or unit file, or the program, has changed since; start a new run."
            )
        if isinstance(step, Connect):
            connection = step
        step = _send(part, script, record.reply)
    return step, connection


def _send(part: Part, script: steps.Sequence[Any], reply: Reply | None) -> Step | None:
    # StopIteration is caught here alone: around the loop it would also swallow one that leaks from a driver.
    try:
        with Blaming(part.own):
            step = next(script) if reply is None else script.send(reply)
            return a_step(part.own, step, script, part.judged)
    except StopIteration:
        return None


def run_parts(
    parts: Sequence[Part],
    perform: Perform,
    journal: Journal,
    *,
    contents: Contents | None = None,
    watch: Watch = lambda *_: None,
    tell: Callable[[str], None] = lambda _text: None,
    make_safe: Callable[[], None] = lambda: None,
    judge: Callable[[str], None] = lambda _: None,
) -> list[Ended]:
    """Run the parts in order; one that has lost its instrument or its estimate ends early, and the others go on.

    `contents` is what the journal of a run that goes on holds already. A part that ends early is made safe before the
    next begins; `judge` is told of every part that has ended. Returns those that ended early or could not be judged,
    with the reasons.
    """
    ended_early: list[Ended] = []

    def tried(part: Part, what: str, do: Callable[[], None]) -> bool:
        try:
            do()
        except (InstrumentError, AnalysisError, OwnCodeError) as error:
            make_safe()
            journal.event(part.name, what, str(error))
            ended_early.append(Ended(part=part.name, error=error))
            return False
        return True

    for part in parts:
        recorded = contents.replies(part.name) if contents is not None else ()
        run = partial(run_part, part, perform, journal, recorded, watch, tell=tell)
        finished = contents is not None and contents.parts.get(part.name) == "finished"
        if not finished and tried(part, "ended early", run):
            journal.part(part.name, "finished")
        tried(part, "not judged", partial(judge, part.name))
    if not ended_early:
        journal.end()
    return ended_early
