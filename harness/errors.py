"""One base error; branches by whose move it is; an exit code each.

`HalfpowerError` and its children carry one sentence for a person: what is wrong, where, and what to do next.
Anything else that escapes is a bug and keeps its traceback.
"""

from __future__ import annotations

import os
import shlex


def shell_word(text: object) -> str:
    """A path as one word of a command that a sentence suggests, quoted for the shells of this system."""
    if os.name == "nt":
        from subprocess import list2cmdline

        return list2cmdline([str(text)])
    return shlex.quote(str(text))


def kept(command: str, folder: object) -> str:
    """What is said at an early end: nothing that was measured is lost, and this command goes on with it."""
    return f"What was measured is kept; go on with: {command} {shell_word(folder)}"


class HalfpowerError(Exception):
    """Base of every error that a person can do something about."""

    exit_code = 1


class ConfigError(HalfpowerError):
    """A file is wrong; carries every problem found, one `file:line: key: …` line each."""

    exit_code = 3

    def __init__(self, *problems: str) -> None:
        self.problems = problems
        super().__init__("\n".join(problems))


class OwnCodeError(HalfpowerError):
    """A user's own sequence raised; the sentence names its file and line, the cause has the traceback."""

    exit_code = 3


class InstrumentError(HalfpowerError):
    """An instrument refused, or answered what it must not; never retried."""

    exit_code = 4

    def __init__(self, instrument: str, message: str, *, command: str = "", remedy: str = "") -> None:
        self.instrument, self.command, self.what = instrument, command, f"{instrument}: {message}"
        super().__init__(f"{self.what}: {remedy}" if remedy else self.what)


class LinkError(InstrumentError):
    """An instrument does not answer, or answers out of step; a bounded number of repeats has been made."""


class JournalError(HalfpowerError):
    """A journal is damaged, belongs to another job, or cannot be written."""

    exit_code = 5


class ChangedSince(JournalError):  # noqa: N818 - nothing is wrong with the journal
    """A run cannot be gone on with: its files, or the program, are not those that it was begun with."""


class SafetyError(HalfpowerError):
    """A rating would be exceeded, an output may still be on, or nobody would switch it off."""

    exit_code = 6


class StepRefused(SafetyError):  # noqa: N818 - the bench is well
    """A step that cannot be meant: nothing was set for it. `why` has no subject, for whoever knows whose step it is."""

    def __init__(self, why: str) -> None:
        self.why = why
        super().__init__(f"The step {why}.")


class AnalysisError(HalfpowerError):
    """The readings do not allow the estimate that was asked for."""

    exit_code = 7


class BusyError(HalfpowerError):
    """Another run holds this bench."""

    exit_code = 8


class OperatorStop(HalfpowerError):  # noqa: N818 - not a failure: the person chose to stop
    """The operator stopped the run; it can be resumed."""

    exit_code = 9


class RecordsError(HalfpowerError):
    """The store of finished runs cannot be used: it is away, locked, full, damaged, or of another version."""

    exit_code = 10


class RunRefused(RecordsError):  # noqa: N818 - the store is well
    """One run cannot be kept in a store; others can."""


class QueueError(HalfpowerError):
    """A queue was refused, or a job of it was not done."""

    exit_code = 11


class Alarm(HalfpowerError):  # noqa: N818 - a warning about another process, not a failure of this one
    """Something that is watched gives no sign of life."""

    exit_code = 12
