"""When, where and by whom a report was issued, and what it replaces.   [pure]"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from harness.report import shown
from harness.report.model import Fact

if TYPE_CHECKING:
    from harness.journal.issues import Issue


def day(issued: str, *, stated: bool) -> str:
    """The day of issue; where none is stated, it is the one on which the run ended."""
    return issued if stated else f"{issued}, the day (UTC) on which the run ended"


def facts(issue: Issue | None, issued: str) -> Iterator[Fact]:
    """What became of a report; of most only the day. Clauses are those of ISO/IEC 17025:2017, from memory."""
    if issue is None:
        yield Fact(name="Issued", text=issued, clause="7.8.2.1 j")
        return
    replaces = f"report {issue.replaces}, because: {issue.why}" if issue.replaces else ""
    yield Fact(name="Replaces", text=replaces, clause="7.8.8")
    changed = ", ".join(key.replace("_", " ") for key in issue.changes)
    yield Fact(name="Changed", text=f"{changed}; no result" if changed else "", clause="7.8.8")
    yield Fact(name="Replaced by", text=f"report {issue.replaced_by}" if issue.replaced_by else "", clause="7.8.8")
    approval = issue.approval
    if approval is None:
        not_yet = "not yet: this is a draft"
        yield Fact(name="Issued", text=not_yet if issue.state == "draft" else issued, clause="7.8.2.1 j")
        return
    place = f", {approval.place}" if approval.place else ""
    yield Fact(name="Issued", text=f"{issued}{place}", clause="7.8.2.1 j")
    who = ", ".join(filter(None, (approval.by, approval.function, shown.moment(approval.at))))
    yield Fact(name="Approved", text=who, clause="7.8.2.1 o")
    yield Fact(name="Signed", text=f"Ed25519, key {digest(approval.key)}" if approval.signature else "", clause="")


def digest(sha256: str) -> str:
    """A digest in groups that an eye can compare and a line can break between."""
    return f"SHA-256 {' '.join(re.findall('.{8}', sha256))}" if sha256 else ""
