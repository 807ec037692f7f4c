"""The record of a re-analysis: a folder of its own beside the runs, never over them.

A re-analysis is a decision of its own: taken later, for a reason, by a version of the program, about many runs. It is
kept as one folder that says all of that and holds every number, so that it can be read, filed and sent without the
store, and a store stays what its journals say: `record.json`, `corrections.toml` (verbatim), `results.csv`,
`changes.csv`, `concerned.csv` (whom to tell), and a page for every run with another verdict.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from functools import cached_property
from pathlib import Path
from typing import Any, Final

from harness.errors import RecordsError
from harness.journal.atomic import make_folder, sync, sync_folder
from harness.report.tables import csv_text
from harness.words.json_text import json_text
from harness.words.version import program_version
from harness.years import reanalysis
from harness.years.corrections import CorrectionsFile
from harness.years.outcomes import Outcomes
from harness.years.reanalysis import Changes, Concerned, Move, Outcome, Totals, VerdictChange
from harness.years.records.rows import ResultRow, RunRow

FORMAT: Final = 1
RECORD: Final = "record.json"


@dataclass(frozen=True, kw_only=True)
class Reanalysis:
    """A re-analysis that is done, and what is said of it; many outcomes are gone over once for each of its sums."""

    made: str  # ISO
    reason: str
    by: str
    source: str  # the folder, or the store
    changes: Changes
    corrections: CorrectionsFile | None
    outcomes: Outcomes | tuple[Outcome, ...]

    @property
    def remark(self) -> str:
        """The sentence that stands on every page."""
        by = f" by {self.by}" if self.by else ""
        return f"Re-analysed on {self.made[:10]}{by} with version {program_version()}: {self.reason}"

    @cached_property
    def totals(self) -> Totals:
        """All of it in numbers."""
        return reanalysis.totals(self.outcomes)

    @cached_property
    def concerned(self) -> tuple[Concerned, ...]:
        """The customers who are to be told."""
        return reanalysis.concerned(self.outcomes)

    @cached_property
    def digest(self) -> str:
        """The checksum of every number."""
        return reanalysis.digest(self.outcomes)


def free_folder(folder: Path) -> Path:
    """Refuse a folder in which something stands: a record is never written over another."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise RecordsError(f"{folder}: something stands there already, and a record is never written over it. "
                           "Name a new folder.")  # fmt: skip
    return folder


def write(done: Reanalysis, folder: Path, pages: Iterable[tuple[RunRow, str]]) -> None:
    """Write the record, whole or not at all; `pages` are the reports of the runs that changed."""
    beside = folder.with_name(f"{folder.name}.part")
    try:
        shutil.rmtree(beside, ignore_errors=True)
        make_folder(beside)
        for run, text in pages:
            _write(beside / "reports" / page_name(run), [text])
        _write(beside / "results.csv", results_csv(done.outcomes))
        _write(beside / "changes.csv", changes_csv(done.outcomes))
        _write(beside / "concerned.csv", concerned_csv(done.outcomes))
        if done.corrections is not None:
            _write(beside / "corrections.toml", [done.corrections.text])
        _write(beside / RECORD, record_json(done))
        if folder.exists():
            folder.rmdir()  # it is empty: `free_folder` has looked
        sync_folder(beside)
        beside.replace(folder)
        sync_folder(folder.parent)
    except OSError as error:
        shutil.rmtree(beside, ignore_errors=True)
        raise RecordsError(f"{folder}: cannot be written: {error.strerror}. Name another folder.") from None


def _write(path: Path, pieces: Iterable[str]) -> None:
    path.parent.mkdir(exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as file:
        file.writelines(pieces)
        file.flush()
        sync(file.fileno())


def page_name(run: RunRow) -> str:
    """A file for a run's page: its number, and enough of its identity to tell runs of two benches apart."""
    safe = re.sub(r"[^A-Za-z0-9._-]+", "-", run.number).strip("-.")[:80] or "run"
    return f"{safe}-{run.id[:8]}.html"


def as_plain(done: Reanalysis) -> dict[str, Any]:
    """What the record says, for JSON."""
    counted = done.totals
    selected = {name: value for name, value in asdict(done.changes.where).items() if value is not None}
    return {
        "format": FORMAT,
        "what": "re-analysis of finished runs from their journals; the original reports stand",
        "made": done.made,
        "reason": done.reason,
        "by": done.by,
        "program": program_version(),
        "source": done.source,
        "selection": {name: str(value) if name in ("since", "until") else value for name, value in selected.items()},
        "rule": done.changes.rule or "as each run had it",
        "error": done.changes.error or "as each run had it",
        "corrections": None if done.corrections is None else "corrections.toml",
        "digest_sha256": done.digest,
        "runs": counted.runs,
        "unreadable": counted.unreadable,
        "runs_with_another_verdict": counted.changed_runs,
        "runs_with_another_overall_verdict": counted.changed_overall,
        "results_with_another_number": counted.moved_results,
        "verdicts": _counts(counted.verdicts),
        "overall": _counts(counted.overall),
        "told_above_share_of_u": done.changes.share,
        "concerned": [asdict(each) for each in done.concerned],
        "problems": [outcome.problem for outcome in done.outcomes if outcome.problem],
        "each": [],
    }


def record_json(done: Reanalysis) -> Iterator[str]:
    """The record, a run after the other, since there may be many."""
    before, after = json_text(as_plain(done), indent=2).rsplit('"each": []', 1)
    yield f'{before}"each": ['
    between = "\n"
    for outcome in done.outcomes:
        if outcome.run is not None:
            yield f"{between}    {json_text(_run(outcome, outcome.run))}"
            between = ",\n"
    yield f"\n  ]{after}\n"


def _counts(counted: Mapping[tuple[str, str], int]) -> list[dict[str, Any]]:
    return [{"before": before, "after": after, "times": n} for (before, after), n in sorted(counted.items())]


def _run(outcome: Outcome, run: RunRow) -> dict[str, Any]:
    return {
        "run": run.number, "id": run.id, "started": run.started.isoformat(), "serial": run.serial,
        "simulated": run.simulated, "program": run.program, "journal_sha256": run.journal_sha256,
        "overall_before": outcome.overall_before, "overall_after": outcome.overall_after,
        "corrections": [index + 1 for index in outcome.touched],
        "changes": [asdict(change) for change in outcome.changes],
        "page": f"reports/{page_name(run)}" if outcome.changes else None,
    }  # fmt: skip


def results_csv(outcomes: Iterable[Outcome]) -> Iterator[str]:
    """Every result as it is now, one row a result, the run's columns with it."""
    names = [f.name for f in fields(ResultRow)]
    return _csv(names, ([[getattr(row, name) for name in names] for row in outcome.results] for outcome in outcomes))


_OF_RUN: Final = ("number", "id", "started", "serial")


def changes_csv(outcomes: Iterable[Outcome]) -> Iterator[str]:
    """Every verdict that is another one, one row each."""
    return _of_runs(outcomes, _OF_RUN, VerdictChange, lambda outcome: outcome.changes)


def concerned_csv(outcomes: Outcomes | tuple[Outcome, ...]) -> Iterator[str]:
    """Every result whose customer is to be told, one row each, customer by customer."""
    of_run = ("customer", "customer_reference", *_OF_RUN, "maker", "model", "condition")
    places = sorted((each.run.customer, n) for n, each in enumerate(outcomes) if each.run is not None and each.moves)
    return _of_runs((outcomes[n] for _, n in places), of_run, Move, lambda outcome: outcome.moves)


def _of_runs(
    outcomes: Iterable[Outcome], of_run: Sequence[str], kind: type, rows: Callable[[Outcome], Sequence[Any]]
) -> Iterator[str]:
    names = [f.name for f in fields(kind)]
    blocks = (
        [[*(getattr(outcome.run, n) for n in of_run), *(getattr(row, n) for n in names)] for row in rows(outcome)]
        for outcome in outcomes
    )
    return _csv([*(name if name.startswith("customer") else f"run_{name}" for name in of_run), *names], blocks)


def _csv(names: Sequence[str], blocks: Iterable[Sequence[Sequence[Any]]]) -> Iterator[str]:
    """A table a block of rows after the other, since there may be many."""
    head = csv_text(names, ())
    yield head
    yield from (csv_text(names, rows).removeprefix(head) for rows in blocks)
