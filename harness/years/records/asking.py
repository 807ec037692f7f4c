"""Questions at nearly the cost of the database's own driver: each is put into SQL once, and its rows are read at once.

SQLAlchemy words a question anew every time, and a frozen row costs a call for every field; over ten years of runs that
is most of the time. What differs between two questions of one shape is their values alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Generic, TypeAlias, TypeVar

import sqlalchemy as sa

from harness.years.records.queries import shape, values
from harness.years.records.rows import ResultRow, RunRow, Selection, StandardRow

Row = TypeVar("Row", RunRow, ResultRow, StandardRow)
Wording: TypeAlias = Callable[[Selection], sa.Select[Any]]
Process: TypeAlias = Callable[[Any], Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Question(Generic[Row]):
    """A question of one shape, ready to be asked."""

    text: str
    order: tuple[str, ...] | None  # of the values, where the driver takes them by place
    fixed: Mapping[str, Any]  # what stands in the question itself
    write: Mapping[str, Process]  # how a value is written to the driver, where it is not as it stands
    rows: Callable[[Iterable[Sequence[Any]]], list[Row]]  # what the driver gives, as rows

    def ask(self, connection: sa.Connection, where: Selection) -> tuple[Row, ...]:
        """Ask it, with the values of a selection of its shape."""
        given = {**self.fixed, **values(where)}
        for name, write in self.write.items():
            given[name] = write(given[name])
        bound: Any = given if self.order is None else tuple(given[name] for name in self.order)
        cursor: Any = connection.connection.cursor()
        try:
            cursor.execute(self.text, bound)
            return tuple(self.rows(cursor))
        finally:
            cursor.close()


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
        return Question(
            text=compiled.string,
            order=tuple(compiled.positiontup) if compiled.positional else None,
            fixed=dict(compiled.params),
            write={name: process for name, process in write.items() if process is not None},
            rows=_reader(row, {column.name: self._read(column) for column in statement.selected_columns}),
        )

    def _read(self, column: sa.ColumnElement[Any]) -> Process | None:
        """How the values of a column are read, where they are not taken as they stand."""
        kind = column.type.dialect_impl(self._dialect)
        # A number stands as it is: both drivers give floats, and PostgreSQL's would ask for the column's code.
        return None if isinstance(kind, sa.Numeric | sa.Float) else kind.result_processor(self._dialect, None)


def _reader(row: type[Row], read: Mapping[str, Process | None]) -> Callable[[Iterable[Sequence[Any]]], list[Row]]:
    """A function that makes rows of a driver's, written out field by field, as `dataclasses` writes its own.

    A row is filled while it is of a class that is not frozen yet; that is ten times quicker than to go round it.
    """

    class Open(row):  # type: ignore[valid-type, misc]  # known when it runs
        __slots__ = ()
        __setattr__ = object.__setattr__
        __delattr__ = object.__delattr__

    lines = (
        "def rows(found):",
        "    made = []",
        f"    for {', '.join(f'c{n}' for n in range(len(read)))} in found:",
        "        row = new(Open)",
        *(f"        row.{name} = " + (f"read{n}(c{n})" if read[name] else f"c{n}") for n, name in enumerate(read)),
        "        row.__class__ = Row",
        "        made.append(row)",
        "    return made",
    )
    known: dict[str, Any] = {"Open": Open, "Row": row, "new": object.__new__}
    known |= {f"read{n}": process for n, process in enumerate(read.values())}
    exec("\n".join(lines), known)  # of the names of fields alone
    rows: Callable[[Iterable[Sequence[Any]]], list[Row]] = known["rows"]
    return rows
