"""Bring a store to the layout of this version: once, whole or not at all, with a copy of the file before.

Both databases change a layout inside a transaction; whoever opens the store meanwhile waits and finds it done.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import sqlalchemy as sa

from harness.errors import RecordsError
from harness.journal.atomic import make_file, sync, sync_folder
from harness.words.clock import Clock
from harness.years.records.database import Address, told
from harness.years.records.schema import LAYOUT, METADATA, VERSION_TABLE

_HERE: Final = Path(__file__).parent / "migrations"
_LOCK: Final = 0x68616C66706F7772  # "halfpowr": of PostgreSQL's advisory locks the one for the layout


@dataclass(frozen=True, slots=True, kw_only=True)
class Layouts:
    """The layouts that a program knows: the newest, and where the steps to it stand."""

    newest: str = LAYOUT
    folders: tuple[Path, ...] = (_HERE / "versions",)


def settle(
    engine: sa.Engine, place: Address, *, clock: Clock, tell: Callable[[str], None], layouts: Layouts | None = None
) -> None:
    """Bring the store to the newest layout; raises RecordsError for a layout that this program does not know."""
    layouts = layouts or Layouts()
    with told(place):
        with engine.execution_options(reading=True).connect() as connection:
            if _layout(connection) == layouts.newest:
                return  # the usual case, without alembic
        with engine.begin() as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))
            layout = _layout(connection)
            if layout == layouts.newest:
                return  # another program was quicker
            _check(connection, layout, place, layouts)
            if layout is not None and place.file is not None:
                copy = _copy(place.file, layout, clock)
                tell(f"{place.name}: brought from layout {layout} to {layouts.newest}; a copy as it was: {copy}")
            _upgrade(connection, layouts)


def _layout(connection: sa.Connection) -> str | None:
    if not sa.inspect(connection).has_table(VERSION_TABLE):
        return None
    return connection.execute(sa.text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()


def _check(connection: sa.Connection, layout: str | None, place: Address, layouts: Layouts) -> None:
    if layout is None:
        names = set(sa.inspect(connection).get_table_names())
        others = names if place.file is not None else names & set(METADATA.tables)
        if others:
            raise RecordsError(f"{place.name}: is another program's database; name another store.")
    elif layout not in _known(layouts):
        raise RecordsError(
            f"{place.name}: has layout {layout}, of a newer version of this program; this one knows layouts up to "
            f"{layouts.newest}. Use the newer version; nothing was changed."
        )


def _copy(file: Path, layout: str, clock: Clock) -> Path:
    """Copy the file as it was, synced to disk. The caller's transaction keeps every other writer out meanwhile."""
    stamp = clock.utc().strftime("%Y-%m-%dT%H%M%S")
    copy = file.with_name(f"{file.stem}-layout-{layout}-{stamp}{file.suffix}")
    part = copy.with_name(f"{copy.name}.part")
    try:
        make_file(part)
        with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(part)) as target:
            source.backup(target)
        with part.open("rb+") as written:
            sync(written.fileno())
        part.replace(copy)
        sync_folder(copy.parent)
    except OSError as error:
        raise RecordsError(f"{copy}: cannot be written: {error.strerror}. Nothing was changed.") from None
    finally:
        part.unlink(missing_ok=True)
    return copy


def _known(layouts: Layouts) -> set[str]:
    from alembic.script import ScriptDirectory

    return {script.revision for script in ScriptDirectory.from_config(_config(layouts)).walk_revisions()}


def _upgrade(connection: sa.Connection, layouts: Layouts) -> None:
    from alembic import command

    config = _config(layouts)
    config.attributes["connection"] = connection
    command.upgrade(config, layouts.newest)


def _config(layouts: Layouts):  # type: ignore[no-untyped-def]  # alembic's, which is imported only here
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", _escaped(_HERE))
    config.set_main_option("path_separator", "newline")
    config.set_main_option("version_locations", "\n".join(_escaped(folder) for folder in layouts.folders))
    return config


def _escaped(path: Path) -> str:
    return str(path).replace("%", "%%")
