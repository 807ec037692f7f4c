"""What became of the report of a run: draft, approved, amended, in a sealed file beside the journal.

The journal never changes. A line is an approval, or an amendment of administrative particulars: a report of its own,
with its number, what it replaces and why (ISO/IEC 17025:2017, 7.8.8, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Final, Literal, TypeAlias

from harness.errors import JournalError
from harness.journal import sealed
from harness.journal.journal import Contents
from harness.journal.lock import hold
from harness.journal.sealed import SealedFile, Style, lines, whole
from harness.words.json_text import json_text

NAME: Final = "issues.jsonl"
STYLE: Final = Style(
    kind="issues",
    format=1,
    name=NAME,
    what="a file of a report's approvals",
    place="a run folder",
    taken="there is one already.",
    remedy="Nothing was approved or amended; make room, then do it again.",
    gone="Put the folder back, then do it again.",
)
State: TypeAlias = Literal["draft", "approved", "amended", "replaced", "unreviewed"]
"""'unreviewed': the laboratory has not asked for approval, and nobody has approved; 'amended': such a one, amended."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Approval:
    """Who issued a report, where and when; with whose key it is signed, if it is."""

    by: str
    function: str = ""
    place: str = ""
    issued: str  # the day, ISO
    at: str  # the moment, UTC, ISO
    journal_sha256: str
    results_sha256: str
    key: str = ""  # SHA-256 of the public key
    signature: str = ""  # Ed25519 of `Issue.signed`, base64


@dataclass(frozen=True, slots=True, kw_only=True)
class Issue:
    """One report of a run: the first, or one that replaces another."""

    run_id: str
    number: str
    state: State
    replaces: str = ""
    why: str = ""
    changes: Mapping[str, str] = field(default_factory=dict)  # keys of the job, as its header has them
    approval: Approval | None = None
    replaced_by: str = ""

    @property
    def signed(self) -> bytes:
        """What a signature is of: all that makes this report, in one order."""
        assert self.approval is not None
        said = {key: value for key, value in asdict(self.approval).items() if key not in ("key", "signature")}
        own = {"run_id": self.run_id, "number": self.number, "replaces": self.replaces, "why": self.why}
        text = json_text(dict(sorted((own | said | {"changes": dict(sorted(self.changes.items()))}).items())))
        return text.encode()


def unissued(contents: Contents) -> Issue:
    """The report of a run of which nothing was approved or amended yet."""
    asked = contents.header["setup"]["bench"].get("approval") == "required"
    return Issue(run_id=contents.id, number=str(contents.header["run"]), state="draft" if asked else "unreviewed")


def read(folder: Path, contents: Contents) -> tuple[Issue, ...]:
    """Every report of a run, the last of which is in force; `folder` holds its journal, `contents`."""
    folder = folder if folder.is_dir() else folder.parent
    path = folder / NAME
    return parse(whole(path, STYLE), path, contents) if path.exists() else (unissued(contents),)


def sound(folder: Path) -> bytes:
    """The bytes of a folder's file up to its last whole line, every line checked; none where there is no file."""
    path = folder / NAME
    return sealed.sound(path, STYLE) if path.exists() else b""


def parse(data: bytes, path: Path, contents: Contents) -> tuple[Issue, ...]:
    """Read the same from the file's bytes."""
    first = unissued(contents)
    issues = [first]
    for line in lines(path, STYLE, data):
        try:
            _take(line.entry, issues, first)
        except (KeyError, TypeError, ValueError) as error:
            raise JournalError(f"{path}:{line.number}: this line is no approval and no amendment ({error}).") from None
    for issue in issues:
        if issue.approval is not None and issue.approval.journal_sha256 != contents.digest:
            raise JournalError(
                f"{path}: report {issue.number} was approved of another journal than the one that stands beside it. "
                "Restore the journal from a copy."
            )
    return tuple(issues)


def _take(entry: Mapping[str, Any], issues: list[Issue], first: Issue) -> None:
    last = issues[-1]
    match entry["kind"]:
        case "issues":
            if entry["run_id"] != first.run_id:
                raise ValueError("it belongs to another run")
        case "approval":
            made = Approval(**{key: str(value) for key, value in entry.items() if key not in ("kind", "number")})
            issues[-1] = replace(last, number=str(entry["number"]), state="approved", approval=made)
            _replace_before(issues)
        case "amendment":
            changes = {str(key): str(value) for key, value in entry["changes"].items()}
            new = replace(last, number=str(entry["number"]), changes={**last.changes, **changes}, approval=None)
            if not entry["replaces"]:  # a draft, corrected before anybody had it, and with it why it replaces another
                issues[-1] = replace(new, why=str(entry["why"])) if last.replaces else new
                return
            asked = first.state == "draft" or any(issue.approval for issue in issues)
            state: State = "draft" if asked else "amended"
            issues.append(replace(new, state=state, replaces=str(entry["replaces"]), why=str(entry["why"])))
            if not asked:
                _replace_before(issues)
        case unknown:
            raise ValueError(f"unknown kind {unknown!r}")


def _replace_before(issues: list[Issue]) -> None:
    """The last report stands; those before it are replaced by it."""
    for place, issue in enumerate(issues[:-1]):
        if not issue.replaced_by:
            issues[place] = replace(issue, state="replaced", replaced_by=issues[-1].number)


def append(folder: Path, contents: Contents, entry: Mapping[str, Any], at: str) -> None:
    """Add an approval or an amendment; it is on disk when this returns."""
    path = folder / NAME
    with hold((str(path.resolve()),)):
        if path.exists():
            file = SealedFile.reopen(path, STYLE, lambda: at)
        else:
            file = SealedFile.create(path, STYLE, lambda: at, {"run_id": contents.id})
        try:
            file.append(entry)
        finally:
            file.close()


def changed(contents: Contents, issue: Issue) -> Contents:
    """The journal as a report tells it: with the administrative particulars as amended, and all else as it is."""
    header = dict(contents.header)
    setup = header["setup"]
    header |= {"run": issue.number, "id": contents.id, "setup": {**setup, "job": {**setup["job"], **issue.changes}}}
    return replace(contents, header=header)
