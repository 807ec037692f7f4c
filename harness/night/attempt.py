"""One try of one job of a queue: run or resumed, and how it went in words; it raises nothing that is one job's own."""

from __future__ import annotations

import traceback
from collections.abc import Mapping
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from harness import runs as opening
from harness.errors import BusyError, ChangedSince, HalfpowerError, InstrumentError, OperatorStop
from harness.files.own_files import OwnFile
from harness.journal import journal
from harness.journal.lock import PATIENCE_S
from harness.night import plan
from harness.night.heartbeat import Heart
from harness.night.log import How, Log
from harness.night.notices import Kind
from harness.night.plan import CheckedJob
from harness.person.operator import Nobody
from harness.run.together import Seat
from harness.steps import Reply, Step
from harness.words.clock import AT_WORK_S


class RunShown(Protocol):
    """What shows one run."""

    def event(self, what: str, text: str) -> None:
        """Something happened."""

    def step(self, part: str, n: int, step: Step, reply: Reply) -> None:
        """A step was answered, and is on disk."""


class Showing(Protocol):
    """What shows the night; nobody need look at it."""

    def tell(self, text: str) -> None:
        """Say something about the night."""

    def waiting(self, text: str) -> None:
        """The start is so far away: called again and again."""

    def run(self, checked: CheckedJob, recorded: Mapping[str, int]) -> AbstractContextManager[RunShown]:
        """Show one run; `recorded` are the steps that a resumed one finds done."""


@dataclass(slots=True)
class Outcome:
    """How a try went; `again` says whether another could go better."""

    how: How
    text: str
    again: bool = False
    off: bool | None = None
    outputs: list[str] = field(default_factory=list)
    meets: bool = False

    @property
    def kind(self) -> Kind:
        """How loud a notice of it is."""
        if self.how != "done":
            return "failure"
        return "success" if self.meets else "warning"


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """What a try of a job needs; `folder` is its run, if it was begun."""

    number: int
    checked: CheckedJob
    folder: Path | None
    log: Log
    heart: Heart
    showing: Showing
    seat: Seat | None = None  # where the bench is shared with other jobs
    store: str | None = None  # whose report numbers are not given again

    def run(self, outcome: Outcome) -> None:
        """Run or resume the job and say how it went; only what is no `Exception` comes through."""
        try:
            result = self._measure(outcome)
        except OperatorStop as error:
            outcome.how, outcome.text = "needs hands", str(error)
        except (InstrumentError, BusyError) as error:
            outcome.how, outcome.text, outcome.again = "failed", str(error), True
        except _ChangedError as error:
            outcome.how, outcome.text = "changed", str(error)
        except HalfpowerError as error:
            outcome.how, outcome.text = "failed", str(error)
        except Exception as error:  # noqa: BLE001 - a fault in one job, or in a user's own driver, must not cost the others
            outcome.how, outcome.text = "fault", f"A fault of the program: {type(error).__name__}: {error}"
            self.log.event("fault", traceback.format_exc())
        else:
            early = "; ".join(result.ended_early)
            outcome.how = "ended early" if early else "done"
            outcome.text = early or result.report.sentence
            outcome.again = result.exit_code == InstrumentError.exit_code
            outcome.meets = result.report.overall == "meets"

    def _measure(self, outcome: Outcome) -> opening.RunResult:
        checked, heart = self.checked, self.heart
        _refuse_changed(checked)
        planned = {part.name: len(part.steps) for part in checked.rehearsal.parts}
        with self.showing.run(checked, _recorded(self.folder)) as shown:

            def on_event(what: str, text: str) -> None:
                if what in ("off", "outputs"):
                    outcome.off = what == "off"
                    outcome.outputs += [text] if what == "outputs" and text not in outcome.outputs else []
                shown.event(what, text)

            def watch(part: str, n: int, step: Step, reply: Reply) -> None:
                steps = max(n + 1, planned.get(part, 0))
                heart.step(part, n + 1, steps, job=checked.job.name, number=self.number + 1)
                shown.step(part, n, step, reply)

            # Nobody is there, on a simulated bench as well: `by_hand` keeps its simulated hands and eyes out of it.
            common: dict[str, Any] = {
                "operator": Nobody(), "by_hand": True, "on_event": on_event, "watch": watch, "on_life": heart.sign,
                "seat": self.seat,
            }  # fmt: skip
            heart.sign(PATIENCE_S + 2 * AT_WORK_S)  # loaded and rehearsed; a guardian may be waited for
            if self.folder is not None:
                try:
                    return opening.resume(self.folder, job_path=checked.job.path, **common)
                except ChangedSince as error:
                    self.log.event("begun anew", _anew(checked, self.folder, error))
            return opening.start(
                checked.job.path,
                self.log.folder.parent,
                on_folder=lambda made: self.log.run_folder(self.number, f"../{made.name}"),
                store=self.store,
                **common,
            )


def _anew(checked: CheckedJob, folder: Path, error: ChangedSince) -> str:
    why = str(error).partition(";")[0].rstrip(".")
    return f"{checked.job.name} is begun anew; run {folder.name} stays as it is, and is not gone on with: {why}."


class _ChangedError(HalfpowerError):
    """A job is no longer what was checked."""


def _refuse_changed(checked: CheckedJob) -> None:
    changed = _ChangedError(
        f"{checked.job.path}: the job, its bench, its unit or a Python file of theirs was changed after it was "
        "checked; check it and queue it again."
    )

    def before(own: OwnFile) -> None:
        if checked.loaded.own.digests[own.beside].get(own.path.name) != own.digest:
            raise changed  # and is not run

    if plan.digest(opening.load(checked.job.path, before=before)) != checked.job.digest:
        raise changed


def _recorded(folder: Path | None) -> dict[str, int]:
    """How many steps of each part a run has behind it."""
    if folder is not None:
        with suppress(HalfpowerError):  # resuming says what is wrong with it
            return journal.read(folder).steps
    return {}
