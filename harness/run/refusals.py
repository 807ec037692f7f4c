"""Why a run is not begun, or not gone on with: a standard that is overdue, another instrument, a changed file."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from harness.errors import ChangedSince, ConfigError, JournalError
from harness.files.own_files import BeforeImport, Beside, OwnFile
from harness.files.register import NEARLY_OUT
from harness.journal.journal import Contents
from harness.link.replies import folded, is_model, model_of, serial_of, short
from harness.models import Bench, Setup
from harness.quantities import counted
from harness.run.jobs import LoadedJob, load
from harness.steps import Role
from harness.words.version import program_version


def past_due(bench: Bench, day: dt.date) -> tuple[str, ...]:
    """The standards whose certificates have run out on a day."""
    return tuple(
        f"the {role} ({instrument.label}) was due on {instrument.due}"
        for role, instrument in bench.instruments()
        if role not in ("unit", "switch") and instrument.due is not None and instrument.due < day
    )


def from_the_future(bench: Bench, day: dt.date) -> tuple[str, ...]:
    """The standards whose certificates are dated after a day: a slip of the pen, or a bench file of another time."""
    return tuple(
        f"the certificate of the {role} ({instrument.label}) is dated {instrument.certified}, after today, {day}"
        for role, instrument in bench.instruments()
        if role not in ("unit", "switch") and instrument.certified is not None and instrument.certified > day
    )


def nearly_out(bench: Bench, day: dt.date) -> tuple[str, ...]:
    """The standards whose certificates run out on a day, or within 30 days of it."""
    return tuple(
        f"the certificate of the {role} ({instrument.label}) runs out on {instrument.due}, "
        + _within(instrument.due - day)
        for role, instrument in bench.instruments()
        if role not in ("unit", "switch") and instrument.due is not None and day <= instrument.due <= day + NEARLY_OUT
    )


def _within(left: dt.timedelta) -> str:
    return "today" if left.days == 0 else f"in {counted(left.days, 'day')}"


def overdue(setup: Setup, day: dt.date) -> str:
    """The standards past their due date on a day, in a sentence; empty where there are none or the job allows it."""
    past = past_due(setup.bench, day)
    if not past or setup.job.allow_overdue:
        return ""
    return (
        f"Past the due date: {'; '.join(past)}. Renew the certificate in the bench file or the register, or set "
        "allow_overdue = true in the job: every page is then marked."
    )


def other_unit(setup: Setup, identity: str) -> str:
    """Why the unit that answers over its interface is not the job's, by its serial number; empty where it may be."""
    answered = serial_of(identity)
    stated = setup.job.answers_as or setup.job.serial
    if setup.unit.read == "eye" or not answered or folded(stated) in folded(identity):
        return ""
    key = "answers_as" if setup.job.answers_as else "serial"
    return (
        f"{key}: {stated!r}, but the unit that answers is {short(identity)}, whose serial number is {short(answered)}; "
        f"correct {key}, connect the right unit, or, where its label has another number than it gives itself, state "
        f"answers_as = {json.dumps(answered, ensure_ascii=False)} in the job"
    )


def other_model(setup: Setup, identity: str) -> str:
    """That the unit answers as another model than its file is for, in a sentence; empty where it may be that one."""
    answered = model_of(identity)
    if setup.unit.read == "eye" or not answered or is_model(answered, setup.unit.model):
        return ""
    return f"The unit answers as {short(identity)}; the unit file is for {setup.unit.maker} {setup.unit.model}."


def is_the_unit(loaded: LoadedJob, identity: str, on_event: Callable[[str, str], None]) -> None:
    """Refuse another unit than the job's; another model than the unit file's is told."""
    if refused := other_unit(loaded.setup, identity):
        raise ConfigError(f"{loaded.job_path}: {refused}")
    if told := other_model(loaded.setup, identity):
        on_event("another model", told)


def refuse_others(answering: Mapping[Role, str], contents: Contents) -> None:
    """The instruments that answer must be those that the run was begun with."""
    begun: Mapping[str, str] = contents.header["identities"]
    for role, identity in answering.items():
        if begun.get(role, identity) != identity:
            raise JournalError(
                f"The {role} that answers is {identity!r}, and the run was begun with {begun[role]!r}; "
                "connect that one again, or start a new run."
            )


def _refuse_other_program(contents: Contents) -> None:
    """The program must be the one that the run was begun with."""
    if (begun := contents.header["program"]) != program_version():
        raise ChangedSince(
            f"This run was begun with version {begun} and this is {program_version()}; "
            "go on with that version, or start a new run."
        )


def _unchanged(contents: Contents, tell: Callable[[str], None], *, corrected: bool) -> BeforeImport:
    """Before a file of the user's own is imported again: refuse one that the run was not begun with, and tell of it."""
    kept = contents.header.get("own")  # a journal of an older layout has none
    named = _own_names(contents.header["setup"]) if kept is None else kept

    def check(own: OwnFile) -> None:
        name = own.path.name
        if name not in named[own.beside]:
            raise ChangedSince(
                f"{own.path}: is named by the {own.beside} file, which has changed since the run was begun; "
                "put it back as it was, or start a new run."
            )
        if kept is None:
            tell(f"{own}. The journal does not hold its digest: whether it has changed since is not known.")
        elif kept[own.beside][name] == own.digest:
            tell(str(own))
        elif corrected:
            tell(f"{own}. It was changed after the run was begun; its SHA-256 is now {own.digest}.")
        else:
            raise ChangedSince(
                f"{own.path}: has changed since the run was begun; put it back as it was, start a new run, "
                "or, where it was corrected on purpose, resume with --corrected."
            )

    return check


def _own_names(setup: Mapping[str, Any]) -> dict[Beside, set[str]]:
    """The files of the user's own that a journal's job and bench name."""
    bench = setup["bench"]
    tables = [*bench.values(), *bench.get("positions", {}).values()]
    drivers = [str(table.get("driver", "")) for table in tables if isinstance(table, Mapping)]
    return {
        "job": {str(table["use"]) for table in setup["job"]["sequence"]},
        "bench": {driver.rpartition(":")[0] for driver in drivers},
    }


def _refuse_changed(loaded: LoadedJob, contents: Contents) -> None:
    """Job, bench and unit must be those that the run was begun with."""
    header = contents.header
    begun = Setup.from_header(header["setup"]).to_header()  # with the keys that did not exist when it was begun
    now = loaded.setup.to_header()
    for name in ("job", "bench", "unit"):
        if begun[name] != now[name]:
            raise ChangedSince(
                f"{getattr(loaded, f'{name}_path')}: the {name} file has changed since the run was begun; "
                "put it back as it was, or start a new run."
            )


def load_again(
    contents: Contents, *, tell: Callable[[str], None], job_path: str | Path | None = None, corrected: bool = False
) -> LoadedJob:
    """Load the job that a run was begun with; refused where it, its files or the program have changed since.

    `tell` hears of every file of the user's own before it is imported.
    """
    _refuse_other_program(contents)
    before = _unchanged(contents, tell, corrected=corrected)
    began = dt.date.fromisoformat(contents.header["started"][:10])
    loaded = load(job_path or contents.header["files"]["job"], before=before, day=began)
    _refuse_changed(loaded, contents)
    return loaded
