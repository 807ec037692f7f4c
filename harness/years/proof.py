"""Whether reports are as they were signed: of a run's folder, or of a report as JSON that somebody hands over."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.errors import HalfpowerError
from harness.journal import issues, journal
from harness.journal.issues import Approval, Issue
from harness.journal.journal import Contents
from harness.report.results import FORMAT, results
from harness.report.summary import summarise
from harness.words.version import program_version
from harness.years.issuing import results_digest
from harness.years.signing import is_signed

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    from harness.years.records.store import Store

_LARGEST_BYTES = 64 << 20


def of(path: Path, key: Ed25519PublicKey) -> Iterable[str]:
    """What was verified, a sentence a report; raises HalfpowerError where one is not as it was signed."""
    if path.is_dir():
        contents = journal.read(path)
        return of_run(contents, issues.read(path, contents), key)
    plain = _report(path)
    issue = _issue(plain, path)
    _check(issue, key)
    if plain["adjustment"] is not None:
        raise HalfpowerError("This report is of two runs; verify the folder of each.")
    if issue.approval is None or (plain["number"], plain["journal_sha256"], results_digest(plain)) != (
        issue.number, issue.approval.journal_sha256, issue.approval.results_sha256,
    ):  # fmt: skip
        raise HalfpowerError(f"Report {issue.number} was changed after it was signed. Ask its laboratory for it anew.")
    return (_said(issue),)


def of_run(contents: Contents, some: tuple[Issue, ...], key: Ed25519PublicKey) -> Iterator[str]:
    """The same of every approved report of a run."""
    approved = [issue for issue in some if issue.approval is not None]
    if not approved:
        raise HalfpowerError("No report of this run was approved, so none is signed.")
    wrong = []
    for issue in approved:
        try:
            _check(issue, key)
        except HalfpowerError as error:
            wrong.append(str(error))
            continue
        assert issue.approval is not None
        # What is said of it later, that it was replaced say, is no part of what was signed.
        same = results_digest(results(summarise(contents, issue=issue))) == issue.approval.results_sha256
        other = f"; version {program_version()} words or works it out otherwise than the one that signed"
        yield f"{_said(issue)}{'' if same else other}"
    if wrong:
        raise HalfpowerError(" ".join(wrong))


def unsigned(store: Store, key: Ed25519PublicKey) -> Iterator[str]:
    """The approved reports of a store that are not as a key has signed them, a sentence each."""
    for run_id in store.issued_digests():
        try:
            data, where = store.journal(run_id), Path(store.name)
            contents = journal.parse(data, where)
            tuple(of_run(contents, issues.parse(store.issued(run_id), where, contents), key))
        except HalfpowerError as error:
            yield f"{store.name}: {error}"


def _check(issue: Issue, key: Ed25519PublicKey) -> None:
    if issue.approval is None or not issue.approval.signature:
        raise HalfpowerError(f"Report {issue.number} is not signed.")
    if not is_signed(key, issue.signed, issue.approval.signature):
        raise HalfpowerError(f"Report {issue.number} was changed after it was signed, or another key has signed it.")


def _said(issue: Issue) -> str:
    assert issue.approval is not None
    return f"report {issue.number} is as {issue.approval.by} signed it, {issue.approval.at}"


def _report(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            plain = json.loads(file.read(_LARGEST_BYTES))
        if plain["format"] != FORMAT:
            raise ValueError
    except OSError as error:
        raise HalfpowerError(f"cannot be read: {error.strerror}. Name a run folder or a report as JSON.") from None
    except (ValueError, KeyError, TypeError, RecursionError):
        raise HalfpowerError("is no report as JSON. Name a run folder, or what 'report --json' has written.") from None
    return dict(plain)


def _issue(plain: Mapping[str, Any], path: Path) -> Issue:
    told = plain.get("issue")
    if told is None:
        raise HalfpowerError("This report was not approved, so it is not signed.")
    try:
        approval = told["approval"]
        return Issue(**{**told, "approval": None if approval is None else Approval(**approval)})
    except (TypeError, KeyError):
        raise HalfpowerError(f"{path.name}: what it says of its approval cannot be read; it was changed.") from None
