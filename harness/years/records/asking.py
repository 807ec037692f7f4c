"""Questions at nearly the cost of the database's own driver: each is put into SQL once, and read a column at a time.

SQLAlchemy words a question anew every time, and a frozen row costs a call for every field; over ten years of runs that
is most of the time. What differs between two questions of one shape is their values alone.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, Generic, TypeAlias, TypeVar

import sqlalchemy as sa

from harness.years.records.queries import shape, values
from harness.years.records.rows import ResultRow, RunRow, Selection, StandardRow

Row = TypeVar("Row", RunRow, ResultRow, StandardRow)
Wording: TypeAlias = Callable[[Selection], sa.Select[Any]]
Process: TypeAlias = Callable[[Any], Any]

_AT_ONCE: Final = 256  # rows, as many as stay in a processor's cache while their columns are gone through


@dataclass(frozen=True, slots=True, kw_only=True)
class Question(Generic[Row]):
    """A question of one shape, ready to be asked."""

    text: str
    order: tuple[str, ...] | None  # of the values, where the driver takes them by place
    fixed: Mapping[str, Any]  # what stands in the question itself
    write: Mapping[str, Process]  # how a value is written to the driver, where it is not as it stands
    row: type[Row]
    names: tuple[str, ...]
    read: tuple[Process | None, ...]  # how the values of each column are read

    def ask(self, connection: sa.Connection, where: Selection) -> tuple[Row, ...]:
        """Ask it, with the values of a selection of its shape."""
        given = {**self.fixed, **values(where)}
        for name, write in self.write.items():
            given[name] = write(given[name])
        bound: Any = given if self.order is None else tuple(given[name] for name in self.order)
        cursor = connection.connection.cursor()
        try:
            cursor.execute(self.text, bound)
            return tuple(row for found in iter(partial(cursor.fetchmany, _AT_ONCE), []) for row in self._rows(found))
        finally:
            cursor.close()

    def _rows(self, found: Sequence[Any]) -> list[Row]:
        rows = [self.row.__new__(self.row) for _ in found]
        for name, read, column in zip(self.names, self.read, zip(*found, strict=True), strict=False):
            into: Any = getattr(self.row, name).__set__  # a slot's own: the row is frozen for all others
            deque(map(into, rows, column if read is None else map(read, column)), maxlen=0)
        return rows


class Questions:
    """The questions that were put into SQL so far, for one database."""

    def __init__(self, dialect: sa.Dialect) -> None:
        self._dialect: Final = dialect
        self._known: dict[Any, Question[Any]] = {}

    def of(self, row: type[Row], wording: Wording, where: Selection) -> Question[Row]:
        """Return the question of this shape."""
        key = wording, shape(where)
        if key not in self._known:
            made = self._made(row, wording(where))
            if where.run_ids is not None and len(where.run_ids) > 1:
                return made  # its text names them all
            self._known[key] = made
        return self._known[key]

    def _made(self, row: type[Row], statement: sa.Select[Any]) -> Question[Row]:
        compiled: Any = statement.compile(dialect=self._dialect)
        kinds = {name: bind.type.dialect_impl(self._dialect) for name, bind in compiled.binds.items()}
        write = {name: kind.bind_processor(self._dialect) for name, kind in kinds.items()}
        columns = [(c.name, c.type.dialect_impl(self._dialect)) for c in statement.selected_columns]
        return Question(
            text=compiled.string,
            order=tuple(compiled.positiontup) if compiled.positional else None,
            fixed=dict(compiled.params),
            write={name: process for name, process in write.items() if process is not None},
            row=row,
            names=tuple(name for name, _ in columns),
            # A number is read as it stands: both drivers give floats, and PostgreSQL's would ask for the column's code.
            read=tuple(
                None if isinstance(kind, sa.Numeric | sa.Float) else kind.result_processor(self._dialect, None)
                for _, kind in columns
            ),
        )
