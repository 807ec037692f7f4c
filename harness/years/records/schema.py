"""The tables, as this version of the program uses them; the layouts before it stand in `migrations/versions`.

Text is compared byte by byte on both databases, times are UTC, units stand in a column's name or in the column beside
it. A finite number or NULL: SQLite keeps no NaN, and PostgreSQL would.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import fields
from typing import Any, Final

import sqlalchemy as sa

from harness.years.records.rows import (
    BY_STANDARD,
    RESULT_REPEATS,
    STANDARD_REPEATS,
    ReportRow,
    ResultRow,
    RunRow,
    StandardRow,
)

LAYOUT: Final = "3"  # the newest of migrations/versions
VERSION_TABLE: Final = "halfpower_layout"


class Moment(sa.types.TypeDecorator[dt.datetime]):
    """A moment in UTC, to the microsecond: text of fixed width in SQLite, which has no such type."""

    impl = sa.String
    cache_ok = True

    def load_dialect_impl(self, dialect: sa.Dialect) -> sa.types.TypeEngine[Any]:
        """Choose the column's type."""
        if dialect.name == "postgresql":
            return dialect.type_descriptor(sa.TIMESTAMP(timezone=True))
        return dialect.type_descriptor(sa.String())

    def process_bind_param(self, value: dt.datetime | None, dialect: sa.Dialect) -> Any:
        """Write it."""
        if value is None:
            return None
        value = value.astimezone(dt.UTC)
        return value if dialect.name == "postgresql" else value.isoformat(timespec="microseconds")

    def result_processor(self, dialect: sa.Dialect, coltype: object) -> Callable[[Any], Any]:  # noqa: ARG002 - SQLAlchemy's
        """Read it; a store has many, so nothing stands between the column and this."""
        return _in_utc if dialect.name == "postgresql" else _of_text


def _of_text(value: str | None) -> dt.datetime | None:
    if value is None:
        return None
    at = dt.datetime.fromisoformat(value)
    return at if at.tzinfo is dt.UTC else at.astimezone(dt.UTC)


def _in_utc(value: dt.datetime | None) -> dt.datetime | None:
    return None if value is None else value.astimezone(dt.UTC)


def text() -> sa.types.TypeEngine[str]:
    """Text whose order is that of its bytes, whatever language a server speaks."""
    return sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


METADATA: Final = sa.MetaData()


def _column(name: str, annotation: str) -> sa.Column[Any]:
    """A column for a field of a row, by its type."""
    kind, _, optional = annotation.partition(" | ")
    types: dict[str, Any] = {
        "str": text(), "float": sa.Double(), "int": sa.Integer(), "bool": sa.Boolean(), "dt.datetime": Moment(),
        "dt.date": sa.Date(),
    }  # fmt: skip
    return sa.Column(name, types[kind], nullable=bool(optional))


def _columns(row: type, *, but: tuple[str, ...]) -> list[sa.Column[Any]]:
    return [_column(f.name, str(f.type)) for f in fields(row) if f.name not in but]


def _run_id(**options: Any) -> sa.Column[Any]:
    return sa.Column("run_id", text(), sa.ForeignKey("runs.id", ondelete="CASCADE"), nullable=False, **options)


runs: Final = sa.Table(
    "runs",
    METADATA,
    sa.Column("id", text(), primary_key=True),
    *_columns(RunRow, but=("id",)),
    sa.Index("runs_by_serial", "serial", "started", "id"),  # in the order in which they are asked for
    sa.Index("runs_by_start", "started", "id"),
)
results: Final = sa.Table(
    "results",
    METADATA,
    _run_id(primary_key=True),
    sa.Column("position", sa.Integer(), primary_key=True, autoincrement=False),
    *_columns(ResultRow, but=("run_id", "position", *RESULT_REPEATS)),
)
standards: Final = sa.Table(
    "standards",
    METADATA,
    _run_id(primary_key=True),
    sa.Column("role", text(), primary_key=True),
    *_columns(StandardRow, but=("run_id", "role", *STANDARD_REPEATS)),
    *(sa.Index(f"standards_by_{name}", name) for name in BY_STANDARD),
)
journals: Final = sa.Table(
    "journals",
    METADATA,
    _run_id(primary_key=True),
    sa.Column("packed", sa.LargeBinary(), nullable=False),  # see `packing`
)
reports: Final = sa.Table(
    "reports",
    METADATA,
    _run_id(primary_key=True),
    sa.Column("position", sa.Integer(), primary_key=True, autoincrement=False),
    *_columns(ReportRow, but=("run_id", "position")),
    sa.Index("reports_by_number", "number"),
)
issued: Final = sa.Table(
    "issued",
    METADATA,
    _run_id(primary_key=True),
    sa.Column("sha256", text(), nullable=False),
    sa.Column("packed", sa.LargeBinary(), nullable=False),  # as a journal
)
outbox: Final = sa.Table(
    "outbox",
    METADATA,
    sa.Column("server", text(), primary_key=True),  # without user and password
    _run_id(primary_key=True),
    sa.Column("since", Moment(), nullable=False),
)
