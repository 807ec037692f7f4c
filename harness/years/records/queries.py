"""What is asked of a store, as SQL; the same text for both databases."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any, Final

import sqlalchemy as sa

from harness.errors import RecordsError
from harness.years.records.derive import storable
from harness.years.records.rows import BY_RESULT, BY_RUN, BY_STANDARD, RESULT_REPEATS, STANDARD_REPEATS, Selection
from harness.years.records.schema import journals, outbox
from harness.years.records.schema import results as results_
from harness.years.records.schema import runs as runs_
from harness.years.records.schema import standards as standards_

_MOST_IDS: Final = 10_000  # SQLite takes 32 766 values in one statement, PostgreSQL 65 535

Conditions = list[sa.ColumnElement[bool]]


def runs(where: Selection) -> sa.Select[Any]:
    """The runs that fit, by the moment they began."""
    conditions = [*_of_the_run(where), *_with_such_a_result(where)]
    return sa.select(runs_).where(*conditions).order_by(runs_.c.started, runs_.c.id)


def results(where: Selection) -> sa.Select[Any]:
    """The results that fit, with what their run says."""
    conditions = [*_of_the_run(where), *_equal(results_, BY_RESULT, where)]
    columns = [*results_.c, *(runs_.c[name] for name in RESULT_REPEATS)]
    return (
        sa.select(*columns)
        .join_from(runs_, results_)
        .where(*conditions)
        .order_by(runs_.c.started, runs_.c.id, results_.c.position)
    )


def standards(where: Selection) -> sa.Select[Any]:
    """The standards that fit, of the runs that fit; all on their benches where none is named."""
    conditions = [*_of_the_run(where), *_with_such_a_result(where)]
    if where.standard is not None:
        conditions.append(_is(where.standard))
    return _standards().where(*conditions).order_by(runs_.c.started, runs_.c.id, standards_.c.role)


def certificates(simulated: bool | None) -> sa.Select[Any]:
    """Each certificate of each standard once, as the last run with it had it, by the moment that run began."""
    one = [standards_.c[name] for name in ("maker", "model", "serial", "label", "certificate", "certified", "due")]
    age = sa.func.row_number().over(partition_by=one, order_by=(runs_.c.started.desc(), runs_.c.id.desc()))
    kind = () if simulated is None else (runs_.c.simulated.is_(simulated),)
    each = _standards().add_columns(age.label("age")).where(*kind).subquery()
    columns = [column for column in each.c if column.name != "age"]
    return sa.select(*columns).where(each.c.age == 1).order_by(each.c.started, each.c.run_id, each.c.role)


def journal(run_id: str) -> sa.Select[Any]:
    """The journal of a run, packed, and what it should be."""
    return (
        sa.select(runs_.c.number, runs_.c.journal_sha256, journals.c.packed)
        .join_from(runs_, journals, isouter=True)
        .where(runs_.c.id == storable(run_id))
    )


NUMBERS: Final = sa.select(runs_.c.number)


def same_number(number: str, run_id: str) -> sa.Select[Any]:
    """The other runs with a number."""
    columns = runs_.c.id, runs_.c.started, runs_.c.bench, runs_.c.folder
    return sa.select(*columns).where(runs_.c.number == storable(number), runs_.c.id != run_id).order_by(runs_.c.started)


def waiting(server: str) -> sa.Select[Any]:
    """The runs that wait for a server, those that waited longest first."""
    return sa.select(outbox.c.run_id).where(outbox.c.server == server).order_by(outbox.c.since, outbox.c.run_id)


def _standards() -> sa.Select[Any]:
    of_the_run = (runs_.c[name] for name in STANDARD_REPEATS)
    return sa.select(*standards_.c, *of_the_run).join_from(runs_, standards_)


def _of_the_run(where: Selection) -> Conditions:
    conditions = list(_equal(runs_, BY_RUN, where))
    if where.since is not None:
        conditions.append(runs_.c.started >= dt.datetime.combine(where.since, dt.time.min, dt.UTC))
    if where.until is not None:
        conditions.append(runs_.c.started <= dt.datetime.combine(where.until, dt.time.max, dt.UTC))
    if where.run_ids is not None:
        if len(where.run_ids) > _MOST_IDS:
            raise RecordsError(
                f"{len(where.run_ids)} runs are asked for by name, and {_MOST_IDS} is the most; ask by date or unit."
            )
        conditions.append(runs_.c.id.in_([storable(run_id) for run_id in where.run_ids]))
    if where.standard is not None:
        used = sa.select(standards_.c.run_id).where(_is(where.standard), standards_.c.used.is_(True))
        conditions.append(runs_.c.id.in_(used))
    return conditions


def _with_such_a_result(where: Selection) -> Conditions:
    asked = list(_equal(results_, BY_RESULT, where))
    return [runs_.c.id.in_(sa.select(results_.c.run_id).where(*asked))] if asked else []


def _equal(table: sa.Table, names: tuple[str, ...], where: Selection) -> Iterator[sa.ColumnElement[bool]]:
    for name in names:
        value = getattr(where, name)
        if value is not None:
            yield table.c[name] == (storable(value) if isinstance(value, str) else value)


def _is(name: str) -> sa.ColumnElement[bool]:
    return sa.or_(*(standards_.c[column] == storable(name) for column in BY_STANDARD))
