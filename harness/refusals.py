"""Why a run is not begun, or not gone on with: a standard that is overdue, another instrument, a changed file."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

from harness.errors import JournalError
from harness.jobs import LoadedJob
from harness.journal import Contents
from harness.models import Setup
from harness.steps import Role
from harness.version import program_version


def overdue(setup: Setup, day: dt.date) -> str:
    """The standards past their due date on a day, in a sentence; empty where there are none or the job allows it."""
    past = [
        f"the {role} ({instrument.label}) was due on {instrument.due}"
        for role, instrument in setup.bench.instruments()
        if role not in ("unit", "switch") and instrument.due is not None and instrument.due < day
    ]
    if not past or setup.job.allow_overdue:
        return ""
    return (
        f"Past the due date: {'; '.join(past)}. Renew the certificate in the bench file, or set "
        "allow_overdue = true in the job: every page is then marked."
    )


def refuse_others(answering: Mapping[Role, str], contents: Contents) -> None:
    """The instruments that answer must be those that the run was begun with."""
    begun: Mapping[str, str] = contents.header["identities"]
    for role, identity in answering.items():
        if begun.get(role, identity) != identity:
            raise JournalError(
                f"The {role} that answers is {identity!r}, and the run was begun with {begun[role]!r}; "
                "connect that one again, or start a new run."
            )


def refuse_changed(loaded: LoadedJob, contents: Contents) -> None:
    """Job, bench, unit and program must be those that the run was begun with."""
    header = contents.header
    if header["program"] != program_version():
        raise JournalError(
            f"This run was begun with version {header['program']} and this is {program_version()}; "
            "go on with that version, or start a new run."
        )
    now = loaded.setup.to_header()
    for name in ("job", "bench", "unit"):
        if header["setup"][name] != now[name]:
            raise JournalError(
                f"{getattr(loaded, f'{name}_path')}: the {name} file has changed since the run was begun; "
                "put it back as it was, or start a new run."
            )
