"""What only the journals know of results over time, the errors that they share and the standards each rests on; and
what to say where no run fits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

from harness.errors import HalfpowerError
from harness.files.words import nearest
from harness.journal import journal
from harness.journal.journal import Contents
from harness.measurement import axis_of, is_error, rating_names
from harness.models import Job, Setup
from harness.quantities import counted
from harness.report.summary import parts_of
from harness.years.records.folder import is_standard
from harness.years.records.rows import ResultRow, Selection

if TYPE_CHECKING:
    from harness.report.model import PartResult
    from harness.years.records.folder import Records

Shared: TypeAlias = tuple[tuple[str, float], ...]
"""Names of errors, and the standard uncertainty that each has in one result."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """What only the journal of a run knows."""

    shared: Mapping[int, Shared] = field(default_factory=dict)  # by position of the result
    u: Mapping[int, float] = field(default_factory=dict)
    roles: Mapping[str, frozenset[str]] = field(default_factory=dict)  # by part


class JournalFacts:
    """The journals, each worked out when it is first asked for."""

    def __init__(self, records: Records) -> None:
        self._records, self._known = records, dict[str, RunFacts]()
        self.problems: list[str] = list(getattr(records, "problems", ()))

    def of(self, run_id: str) -> RunFacts:
        """What the journal of a run knows; nothing where it cannot be read, which is then a problem."""
        if run_id not in self._known:
            self._known[run_id] = self._read(run_id, _facts) or RunFacts()
        return self._known[run_id]

    def job(self, run_id: str) -> Job | None:
        """The job of a run, from the first line alone; None where its journal cannot be read, as in `of`."""
        return self._read(run_id, lambda contents: Setup.from_header(contents.header["setup"]).job, lines=1)

    def _read(self, run_id: str, take: Callable[[Contents], T], lines: int | None = None) -> T | None:
        try:
            data = b"".join(self._records.journal(run_id).splitlines(keepends=True)[:lines])
            return take(journal.parse(data, Path(journal.NAME)))
        except HalfpowerError as error:
            problem = f"{error} Its results are taken for independent of all others."
            if problem not in self.problems:
                self.problems.append(problem)
            return None


def _facts(contents: Contents) -> RunFacts:
    shared, u = {}, {}
    for position, (part_shared, part_u) in enumerate(_each(parts_of(contents))):
        shared[position], u[position] = part_shared, part_u
    return RunFacts(shared=shared, u=u, roles={part: used for part in contents.steps if (used := contents.roles(part))})


def _each(parts: Iterable[PartResult]) -> Iterator[tuple[Shared, float]]:
    """The shared lines and the whole u of every result, in the order of `point_rows`."""
    for part in parts:
        for result in part.results:
            lines = () if result.budget is None else result.budget.contributions
            shared = ((f"{line.name}, {line.origin}", abs(line.contribution)) for line in lines if line.origin)
            u = 0.0 if result.statement is None else result.statement.u
            yield tuple((name, share) for name, share in shared if share > 0.0), u
        yield from (((), 0.0) for _ in (*part.findings, *part.plain))


# --- which results are of one point ----------------------------------------------------------------------------------


def point_of(row: ResultRow) -> tuple[Any, ...]:
    """The place of a result: a quantity of one unit, channel, path and setting."""
    return row.maker, row.model, row.serial, row.quantity, row.channel, row.path, row.setting


def is_error_of(row: ResultRow) -> bool:
    """Whether a result is an error of what was applied; one that a user's own measurement stated is one in percent."""
    if row.quantity in rating_names():
        return is_error(row.quantity)
    return row.result_unit == "%" and row.limit_low is not None and row.limit_low < 0.0


def tried_by(rows: Iterable[ResultRow]) -> dict[tuple[str, int], tuple[str, int]]:
    """How each result's setting was tried: by which signal, and which of its levels it is, from the largest down.

    Levels differ a little from year to year, and a run may have fewer of them; the largest is there in each.
    """
    places: dict[tuple[Any, ...], list[ResultRow]] = {}
    for row in rows:
        signal = row.applied.split(" ", 2)[-1].split(",")[0] if axis_of(row.quantity) == "level" else ""  # "DC"
        places.setdefault((row.run_id, *point_of(row), signal), []).append(row)
    return {
        (row.run_id, row.position): (str(place[-1]), n)
        for place, results in places.items()
        for n, row in enumerate(sorted(results, key=lambda result: -abs(result.applied_value or 0.0)))
    }


# --- where nothing fits -----------------------------------------------------------------------------------------------


def nothing_found(records: Records, where: Selection) -> str:
    """Why no run fits: the other kind, a name that is near, or nothing there at all."""
    every = records.runs(Selection(simulated=None, finished=None))
    if not every and (problems := getattr(records, "problems", ())):
        return f"{records.name}: no journal here can be read. The first: {problems[0]}"
    if not every:
        return (
            f"{records.name}: holds no run yet. 'halfpower records add RUN_FOLDER' adds one, with --simulated also "
            "one on a simulated bench."
        )
    for name in ("serial", "model", "maker", "bench", "customer"):
        wanted = getattr(where, name)
        known = sorted({str(getattr(run, name)) for run in every})
        if wanted is not None and wanted not in known:
            near = nearest(wanted, known)
            meant = f"did you mean {near!r}?" if near else f"it holds {', '.join(map(repr, known[:5]))}."
            return f"{records.name}: holds no run with the {name} {wanted!r}; {meant}"
    if where.standard is not None:
        rows = [row for row in records.standards(Selection(simulated=None, finished=None)) if row.used]
        known = sorted({name for row in rows for name in (row.serial, row.certificate) if name})
        if not any(is_standard(row, where.standard) for row in rows):
            near = nearest(where.standard, known)
            meant = f"did you mean {near!r}?" if near else f"it knows {', '.join(map(repr, known[:5])) or 'none'}."
            return f"{records.name}: no run was made with the standard {where.standard!r}; {meant}"
    others = len([run for run in every if run.simulated is not where.simulated])
    kind = "real" if where.simulated else "simulated"
    also = f" It holds {counted(others, f'{kind} run')}" if others else ""
    also += ", shown by --simulated." if others and not where.simulated else "." if others else ""
    return f"{records.name}: no run fits all that was asked.{also}"
