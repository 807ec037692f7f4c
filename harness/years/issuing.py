"""Approve a report, or amend it: what is refused, and what is kept in the file beside the journal."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from harness.errors import HalfpowerError
from harness.journal import issues, journal
from harness.journal.issues import Approval, Issue
from harness.journal.journal import Contents
from harness.models import Job
from harness.report.model import Report
from harness.report.results import results
from harness.report.summary import summarise
from harness.words.json_text import json_text

ADMINISTRATIVE: Final = (
    "title", "laboratory", "laboratory_address", "customer", "customer_contact", "customer_reference",
    "item_condition", "received", "method", "rule_agreed", "operator_function", "next_due",
)  # fmt: skip
"""What an amended report may say otherwise: keys of the job of which no result depends."""
_SIGNED: Final = (
    "id", "title", "overall", "sentence", "unit", "job", "standards", "parts", "deviations", "notes",
)  # fmt: skip
"""What the digest of a report's results is of, as its JSON has it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Who:
    """Who issues a report, where, on what day, and under what number if not its own."""

    by: str
    function: str = ""
    place: str = ""
    issued: dt.date
    number: str = ""


def report_of(
    folder: Path, number: str = "", *, issued: dt.date | None = None, found: Contents | None = None
) -> Report:
    """The report of a run that is in force, or one of its reports by number; the rest as `summarise` has it."""
    contents = journal.read(folder)
    issue = chosen(issues.read(folder, contents), number)
    if issued is not None and issue.approval is not None:
        raise HalfpowerError(
            f"Report {issue.number} was issued on {issue.approval.issued}, as its approval says. Leave --issued out."
        )
    return summarise(contents, issued=issued, found=found, issue=issue)


def chosen(some: tuple[Issue, ...], number: str = "") -> Issue:
    """The report with a number, else the last."""
    for issue in some[::-1]:
        if number in ("", issue.number):
            return issue
    raise HalfpowerError(f"This run has no report {number!r}; it has {', '.join(issue.number for issue in some)}.")


def approve(
    folder: Path, who: Who, now: dt.datetime, signed: Callable[[bytes], tuple[str, str]] | None = None
) -> Issue:
    """Approve the last report of a run; `signed` gives the key and the signature of what is approved."""
    contents = journal.read(folder)
    last = issues.read(folder, contents)[-1]
    _may_approve(contents, last, who)
    number = who.number or last.number
    approval = Approval(
        by=who.by, function=who.function, place=who.place, issued=who.issued.isoformat(),
        at=now.isoformat(timespec="seconds"), journal_sha256=contents.digest, results_sha256="",
    )  # fmt: skip
    made = replace(last, number=number, state="approved", approval=approval)
    report = summarise(contents, issue=made)  # refuses a day before the end of the run
    approval = replace(approval, results_sha256=results_digest(results(report)))
    if signed is not None:
        key, signature = signed(replace(made, approval=approval).signed)
        approval = replace(approval, key=key, signature=signature)
    issues.append(folder, contents, {"kind": "approval", "number": number, **asdict(approval)}, approval.at)
    return replace(made, approval=approval)


def _may_approve(contents: Contents, last: Issue, who: Who) -> None:
    operator = str(contents.header["setup"]["job"].get("operator", ""))
    number = last.number
    if contents.closed_at is None:
        raise HalfpowerError(f"Run {number} has not reached its end; resume it first. Nothing was approved.")
    if last.approval is not None:
        raise HalfpowerError(
            f"Report {number} was approved by {last.approval.by} on {last.approval.issued}; what is to change needs an "
            "amended report: halfpower amend."
        )
    if not _same(who.by):
        raise HalfpowerError("Nobody is named who approves. Say who: --by NAME.")
    if not _same(operator):
        raise HalfpowerError(
            f"The job of run {number} names no operator, so nobody can be told from them. Nothing was approved; name "
            "'operator' in the job, and run it again."
        )
    if _same(who.by) == _same(operator):
        raise HalfpowerError(f"{who.by} did the work of run {number}; somebody else approves it. Nothing was approved.")


def _same(name: str) -> str:
    """A name as it is compared: its words, however they are ordered, spaced, pointed, and in capitals or not."""
    return "".join(sorted(re.findall(r"\w+", name.casefold())))


def amend(folder: Path, why: str, changes: Mapping[str, str], now: dt.datetime) -> Issue:
    """Begin a report that replaces the last one of a run; a draft that nobody has had is corrected as it is."""
    contents = journal.read(folder)
    some = issues.read(folder, contents)
    last = some[-1]
    if not why.strip():
        raise HalfpowerError("An amended report says why it replaces another: --why TEXT. Nothing was amended.")
    if contents.closed_at is None:
        raise HalfpowerError(f"Run {last.number} has not reached its end; there is nothing to amend yet.")
    _check(changes)
    is_draft = last.state == "draft"
    number = last.number if is_draft else f"{some[0].number}-A{len(some)}"
    entry = {
        "kind": "amendment", "number": number, "replaces": "" if is_draft else last.number, "why": why.strip(),
        "changes": dict(changes),
    }  # fmt: skip
    after = replace(last, number=number, changes={**last.changes, **changes}, approval=None)
    _check_job(contents, after)
    if summarise(contents, issue=after).parts != summarise(contents, issue=last).parts:
        raise HalfpowerError("With this change a result would be another; nothing was amended.")
    issues.append(folder, contents, entry, now.isoformat(timespec="seconds"))
    return issues.read(folder, contents)[-1]


def _check(changes: Mapping[str, str]) -> None:
    for key in changes:
        if key in ADMINISTRATIVE:
            continue
        if key in Job.model_fields:
            raise HalfpowerError(
                f"{key!r} is no administrative particular: results, and what they rest on, are never amended "
                f"(7.8.8); measure again. What may change: {', '.join(ADMINISTRATIVE)}. Nothing was amended."
            )
        raise HalfpowerError(
            f"{key!r} is no key of a job. What may change: {', '.join(ADMINISTRATIVE)}. Nothing was amended."
        )


def _check_job(contents: Contents, issue: Issue) -> None:
    try:
        Job.model_validate(issues.changed(contents, issue).header["setup"]["job"], context={"si": True})
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(map(str, first["loc"]))
        raise HalfpowerError(f"{key} = {first['input']!r} cannot be: {first['msg']}. Nothing was amended.") from None


def results_digest(plain: Mapping[str, Any]) -> str:
    """The SHA-256 of what a signature covers of a report's JSON."""
    return hashlib.sha256(json_text({key: plain[key] for key in _SIGNED}).encode()).hexdigest()
