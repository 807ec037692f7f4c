"""When, where and by whom a report was issued, and what it replaces.   [pure]"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from harness.report import shown
from harness.report.model import Fact
from harness.words.language import day, tr

if TYPE_CHECKING:
    from harness.journal.issues import Issue


def day_of_issue(issued: str, *, stated: bool) -> str:
    """The day of issue; where none is stated, it is the one on which the run ended."""
    said = day(issued)
    return said if stated else tr("{issued}, the day (UTC) on which the run ended", issued=said)


def facts(issue: Issue | None, issued: str) -> Iterator[Fact]:
    """What became of a report; of most only the day. Clauses are those of ISO/IEC 17025:2017, from memory."""
    if issue is None:
        yield Fact(name="Issued", text=issued, clause="7.8.2.1 j")
        return
    replaces = tr("report {replaces}, because: {why}", replaces=issue.replaces, why=issue.why) if issue.replaces else ""
    yield Fact(name="Replaces", text=replaces, clause="7.8.8")
    changed = ", ".join(key.replace("_", " ") for key in issue.changes)
    yield Fact(name="Changed", text=tr("{changed}; no result", changed=changed) if changed else "", clause="7.8.8")
    yield Fact(
        name="Replaced by",
        text=tr("report {replaced_by}", replaced_by=issue.replaced_by) if issue.replaced_by else "",
        clause="7.8.8",
    )
    approval = issue.approval
    if approval is None:
        not_yet = tr("not yet: this is a draft")
        yield Fact(name="Issued", text=not_yet if issue.state == "draft" else issued, clause="7.8.2.1 j")
        return
    place = f", {approval.place}" if approval.place else ""
    yield Fact(name="Issued", text=f"{issued}{place}", clause="7.8.2.1 j")
    who = ", ".join(filter(None, (approval.by, approval.function, shown.moment(approval.at))))
    yield Fact(name="Approved", text=who, clause="7.8.2.1 o")
    yield Fact(
        name="Signed", text=tr("Ed25519, key {key}", key=digest(approval.key)) if approval.signature else "", clause=""
    )


def digest(sha256: str) -> str:
    """A digest in groups that an eye can compare and a line can break between."""
    return f"SHA-256 {' '.join(re.findall('.{8}', sha256))}" if sha256 else ""
