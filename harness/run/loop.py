"""The one loop: feed recorded replies, then perform, record, send.

`perform` is all that differs between remote instruments, a person, a simulated bench and a rehearsal.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, TypeAlias

from harness import steps
from harness.errors import AnalysisError, HalfpowerError, InstrumentError, JournalError, OwnCodeError, StepRefused
from harness.journal.journal import Contents, Journal, Record
from harness.person.operator import MOST_MISSES, GoBack, LeaveOut, Redo, no_person
from harness.run import again
from harness.run.again import MOST_LEFT_OUT, Left
from harness.run.own_code import Blaming, Judged, a_step, refused
from harness.steps import Connect, Done, Reading, Reply, Step
from harness.words.language import tr

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
        except LeaveOut as left:
            attempt.leave_out(str(left))
        except Redo as wanted:
            attempt.redo(str(wanted))
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
    turned: Step | None = None  # the last reading whose source was set anew
    standing: Step | None = None  # that is being performed
    left: list[Left] = field(default_factory=list)
    at_the_start: int = 0  # how often somebody wanted to go back from there

    def run(self) -> None:
        self.left += [left for record in self.records if (left := Left.of_record(record)) and left not in self.left]
        with Blaming(self.part.own):
            script = self.part.start()
        step, wanted = _replay(self.part, script, self.records)
        in_a_row = 0
        while step is not None:
            left = next((left for left in self.left if left.covers(step)), None)
            in_a_row = in_a_row + 1 if left is not None else 0
            if in_a_row > MOST_LEFT_OUT:
                raise AnalysisError(f"the part was left out, and still asks after {MOST_LEFT_OUT} steps; it ends here.")
            if left is not None:
                reply = left.reply(step)
            else:
                if not isinstance(step, Connect):
                    self._ready(step, wanted, script)
                reply = self._perform(step, script)
            wanted = step if isinstance(step, Connect) else wanted
            number = len(self.records)
            self.journal.reply(self.part.name, number, step, reply)
            self.records.append(Record(part=self.part.name, n=number, step=step, reply=reply, at=""))
            self.watch(self.part.name, number, step, reply)
            step = _send(self.part, script, reply)

    def _ready(self, step: Step, connection: Connect | None, script: object) -> None:
        """The journal knows what was said, not what is plugged in now, nor whether a level stands that was turned."""
        index = again.turned(self.records, step)
        if index is not None and self.records[index].step != self.turned:
            level = self.records[index]
            behind = again.connection(self.records, index)
            if behind != self.made:
                self._perform(behind, script)
            for _ in range(MOST_MISSES):
                reply = self._perform(level.step, script)
                if isinstance(reply, Reading) and isinstance(level.reply, Reading) and reply.value == level.reply.value:
                    break
                self.tell(tr("What was read at this level stands: turn it as it was, or type back."))
            else:
                raise no_person()
        if connection != self.made:
            self._perform(connection, script)

    def _perform(self, step: Step | None, script: object) -> Reply:
        if step is None:
            return Done()
        self.standing = step
        if isinstance(step, Connect):
            self.made = None  # until it is; a person who goes back here may have moved a cable
        try:
            reply = self.perform(step)
        except StepRefused as error:
            raise refused(self.part.own, error.why, script) from None
        if isinstance(step, Connect):
            self.made = step
        elif step.display == "reference" or not getattr(step.stimulus, "turned", False):
            self.turned = step  # its level stands from here on
        return reply

    def go_back(self) -> None:
        """Withdraw the previous reading, and the connections after it: they may stand in one question with the next."""
        answered = (i for i, record in enumerate(self.records) if not isinstance(record.step, Connect))
        index = max(answered, default=None)
        if index is None:
            self.at_the_start += 1
            if self.at_the_start >= MOST_MISSES:
                raise no_person()
            self.tell(tr("There is nothing before this to go back to in {part!r}.", part=self.part.name))
            return
        self._withdraw_to(index)

    def _withdraw_to(self, index: int) -> None:
        while len(self.records) > index:
            self.journal.withdraw(self.part.name)
            self.records.pop()

    def leave_out(self, what: str) -> None:
        """Leave out what is left of a channel, a path or the part, from the step that stands."""
        left = None if self.standing is None else Left.named(what, self.standing)
        if left is None:
            here = "" if self.standing is None else tr(" (this one is {path})", path=self.standing.path)
            self.tell(
                tr(
                    "'skip {what}' means nothing at this question; type skip channel, skip part, or skip path{here}.",
                    what=what,
                    here=here,
                )
            )
        else:
            self.left.append(left)
            self.tell(tr("Left out from here: {what}.", what=left.in_words))

    def redo(self, wanted: str) -> None:
        """Take the readings of a setting again; each stands until the one that replaces it is there."""
        chosen = again.chosen(wanted, self.records, self.standing)
        if not chosen:
            known = again.known(self.records)
            self.tell(tr("Nothing was read at {wanted} in this part; so far: {known}.", wanted=wanted, known=known))
        for index in chosen:
            if index >= len(self.records):
                return  # what it answered has changed, and is no longer asked
            step, connection = self.records[index].step, again.connection(self.records, index)
            reply: Reply = Done()
            with suppress(GoBack, LeaveOut, Redo):
                self._ready(step, connection, self.part)
                reply = self._perform(step, self.part)
            if isinstance(reply, Reading) and reply.status != "skipped":
                self._replace(index, Record(part=self.part.name, n=index, step=step, reply=reply, at=""))
            else:
                self.tell(tr("The earlier reading stands."))

    def _replace(self, index: int, record: Record) -> None:
        """Put a reading in the place of an earlier one; what the sequence asks otherwise now is withdrawn."""
        records = [*self.records[:index], record, *self.records[index + 1 :]]
        with Blaming(self.part.own):
            script = self.part.start()
        self._withdraw_to(max(index + 1, _agreeing(self.part, script, records)))
        self.journal.again(self.part.name, index, record.step, record.reply)
        self.records[index] = record
        self.watch(self.part.name, index, record.step, record.reply)


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


def _agreeing(part: Part, script: steps.Sequence[Any], records: Sequence[Record]) -> int:
    """How many of the records answer what the script asks."""
    step = _send(part, script, None)
    for number, record in enumerate(records):
        if step != record.step:
            return number
        step = _send(part, script, record.reply)
    return len(records)


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
