"""What is asked of a store, as SQL; the same text for both databases."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any, Final

import sqlalchemy as sa

from harness.errors import RecordsError
from harness.years.records.rows import (
    BY_RESULT,
    BY_RUN,
    BY_STANDARD,
    RESULT_REPEATS,
    STANDARD_REPEATS,
    Selection,
    storable,
)
from harness.years.records.schema import issued as issued_
from harness.years.records.schema import journals, outbox
from harness.years.records.schema import reports as reports_
from harness.years.records.schema import results as results_
from harness.years.records.schema import runs as runs_
from harness.years.records.schema import standards as standards_

_MOST_IDS: Final = 10_000  # SQLite takes 32 766 values in one statement, PostgreSQL 65 535

Conditions = list[sa.ColumnElement[bool]]


def values(where: Selection) -> dict[str, Any]:
    """What a statement is given for a selection, by the names of its parameters."""
    given = {name: value for name in Selection.__slots__ if (value := getattr(where, name)) is not None}
    if where.since is not None:
        given["since"] = dt.datetime.combine(where.since, dt.time.min, dt.UTC)
    if where.until is not None:
        given["until"] = dt.datetime.combine(where.until, dt.time.max, dt.UTC)
    for n, run_id in enumerate(given.pop("run_ids", ())):
        given[f"run_{n}"] = run_id
    return {name: storable(value) if isinstance(value, str) else value for name, value in given.items()}


def shape(where: Selection) -> tuple[Any, ...]:
    """What two selections have in common whose statements differ by their values alone."""
    asked = (name for name in Selection.__slots__ if getattr(where, name) is not None)
    return (*asked, None if where.run_ids is None else len(where.run_ids))


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
        conditions.append(_is_the_standard())
    return _standards().where(*conditions).order_by(runs_.c.started, runs_.c.id, standards_.c.role)


def certificates(where: Selection) -> sa.Select[Any]:
    """Each certificate of each standard once, as the last run with it had it, by the moment that run began."""
    one = [standards_.c[name] for name in ("maker", "model", "serial", "label", "certificate", "certified", "due")]
    age = sa.func.row_number().over(partition_by=one, order_by=(runs_.c.started.desc(), runs_.c.id.desc()))
    kind = _equal(runs_, ("simulated",), where)
    key = (standards_.c.run_id, standards_.c.role)
    each = sa.select(*key, age.label("age")).join_from(runs_, standards_).where(*kind).subquery()
    newest = sa.and_(each.c.run_id == standards_.c.run_id, each.c.role == standards_.c.role, each.c.age == 1)
    return _standards().join(each, newest).order_by(runs_.c.started, runs_.c.id, standards_.c.role)


def journal(run_id: str) -> sa.Select[Any]:
    """The journal of a run, packed, and what it should be."""
    return (
        sa.select(runs_.c.number, runs_.c.journal_sha256, journals.c.packed)
        .join_from(runs_, journals, isouter=True)
        .where(runs_.c.id == storable(run_id))
    )


NUMBERS: Final = sa.union(
    sa.select(runs_.c.number, runs_.c.id), sa.select(reports_.c.number, reports_.c.run_id.label("id"))
)


def same_number(number: str, run_id: str) -> sa.Select[Any]:
    """The other runs with a number."""
    columns = runs_.c.id, runs_.c.started, runs_.c.bench, runs_.c.folder
    of_reports = sa.select(reports_.c.run_id).where(reports_.c.number == storable(number))
    has_it = sa.or_(runs_.c.number == storable(number), runs_.c.id.in_(of_reports))
    return sa.select(*columns).where(has_it, runs_.c.id != run_id).order_by(runs_.c.started)


def reports(run_id: str | None) -> sa.Select[Any]:
    """What became of the reports of a run, or of all."""
    chosen = sa.select(reports_).order_by(reports_.c.run_id, reports_.c.position)
    return chosen if run_id is None else chosen.where(reports_.c.run_id == storable(run_id))


def issued(run_id: str) -> sa.Select[Any]:
    """The file that says so, packed, and what it should be."""
    return sa.select(issued_.c.sha256, issued_.c.packed).where(issued_.c.run_id == storable(run_id))


def waiting(server: str) -> sa.Select[Any]:
    """The runs that wait for a server, those that waited longest first."""
    return sa.select(outbox.c.run_id).where(outbox.c.server == server).order_by(outbox.c.since, outbox.c.run_id)


def _standards() -> sa.Select[Any]:
    of_the_run = (runs_.c[name] for name in STANDARD_REPEATS)
    return sa.select(*standards_.c, *of_the_run).join_from(runs_, standards_)


def _of_the_run(where: Selection) -> Conditions:
    conditions = list(_equal(runs_, BY_RUN, where))
    if where.since is not None:
        conditions.append(runs_.c.started >= _given("since", runs_.c.started))
    if where.until is not None:
        conditions.append(runs_.c.started <= _given("until", runs_.c.started))
    if where.run_ids is not None:
        if len(where.run_ids) > _MOST_IDS:
            raise RecordsError(
                f"{len(where.run_ids)} runs are asked for by name, and {_MOST_IDS} is the most; ask by date or unit."
            )
        named = [_given(f"run_{n}", runs_.c.id) for n in range(len(where.run_ids))]
        conditions.append(runs_.c.id.in_(named) if named else sa.false())
    if where.standard is not None:
        used = sa.select(standards_.c.run_id).where(_is_the_standard(), standards_.c.used.is_(True))
        conditions.append(runs_.c.id.in_(used))
    return conditions


def _with_such_a_result(where: Selection) -> Conditions:
    asked = list(_equal(results_, BY_RESULT, where))
    return [runs_.c.id.in_(sa.select(results_.c.run_id).where(*asked))] if asked else []


def _equal(table: sa.Table, names: tuple[str, ...], where: Selection) -> Iterator[sa.ColumnElement[bool]]:
    for name in names:
        if getattr(where, name) is not None:
            yield table.c[name] == _given(name, table.c[name])


def _is_the_standard() -> sa.ColumnElement[bool]:
    return sa.or_(*(column == _given("standard", column) for column in (standards_.c[name] for name in BY_STANDARD)))


def _given(name: str, column: sa.Column[Any]) -> sa.BindParameter[Any]:
    return sa.bindparam(name, type_=column.type)
