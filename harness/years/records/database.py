"""The database behind a store: its address, its connections, and each of its failures in one sentence.

Importing this imports SQLAlchemy; the commands do so when a store is opened.
"""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import platformdirs
import sqlalchemy as sa
from sqlalchemy import exc

from harness.errors import RecordsError
from harness.words.clean import shortened

VARIABLE: Final = "HALFPOWER_STORE"
NONE: Final = "none"  # no store at all
BUSY_S: Final = 15.0  # how long a writer waits for another one
CONNECT_S: Final = 5  # how long a server may take to answer at all
_POSTGRES: Final = ("postgresql", "postgres", "postgresql+psycopg")
_KIND: Final = re.compile(r"[A-Za-z][A-Za-z0-9+.-]{0,39}")
_DATABASE: Final = re.compile(r"[\w.$-]{1,63}")
_LIKE_A_SERVER: Final = re.compile(
    r"(?i)^\s*(?:postgres\w*|sqlite)\s*(?:[:;]|[/\\]{2})|^(?!/[^/]|~|[a-z]:[/\\]).*:.*@|^//.*@|password\s*="
)
_LONGEST: Final = 300  # characters of a database's own words


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """Where a store is; `name` is what may be shown of it."""

    url: sa.URL = field(repr=False)  # SQLAlchemy would show a password among its options
    name: str

    @property
    def file(self) -> Path | None:
        """The file of an SQLite store."""
        return Path(str(self.url.database)) if self.url.get_backend_name() == "sqlite" else None


def local_url() -> str:
    """The store on this computer: the file that is set up, or the one in the user's own data folder."""
    return str(address().file or _own())


def _own() -> Path:
    return Path(platformdirs.user_data_dir("halfpower")) / "records.sqlite"


def address(url: str | None = None) -> Address:
    """Read an address: a file, `sqlite:///FILE` or `postgresql://USER@HOST/DATABASE`; None asks the environment."""
    text = url or os.environ.get(VARIABLE) or str(_own())
    if text == NONE:
        raise RecordsError(f"No store is set up: {VARIABLE} or --store says 'none'. Name a file or a server.")
    if "://" not in text:
        if _LIKE_A_SERVER.search(text):  # it may hold a password, and a file's name is shown
            raise RecordsError(
                "The store's address, which is not shown here, is no file's name and no server's address; write "
                "postgresql://USER@HOST/DATABASE, or a file of that name with its whole path."
            )
        return _file(Path(text))
    return _of_url(text)


def _of_url(text: str) -> Address:
    kind, _, rest = text.partition("://")
    if kind not in ("sqlite", *_POSTGRES):
        raise RecordsError(
            f"{kind if _KIND.fullmatch(kind) else '…'}://: no such store is known; name a file, or a server as "
            "postgresql://USER@HOST/DATABASE."
        )
    if rest.count("@") > 1:  # what comes before the last would be taken for the host, and be shown
        raise RecordsError(
            f"{kind}://…: the address has more than one '@'; inside a user name or password write it as %40."
        )
    try:
        parsed = sa.make_url(text)
    except (exc.ArgumentError, ValueError):
        raise RecordsError(
            f"{kind}://…: this is no address of a store; write postgresql://USER@HOST/DATABASE."
        ) from None
    if kind == "sqlite":
        if not parsed.database or parsed.database == ":memory:":
            raise RecordsError("sqlite://: names no file; write sqlite:///FOLDER/records.sqlite, or the file alone.")
        return _file(Path(parsed.database))
    if not parsed.database:
        raise RecordsError(f"{kind}://…: names no database; write postgresql://USER@HOST/DATABASE.")
    beyond = "@" in rest and parsed.username is None
    if beyond or not _DATABASE.fullmatch(parsed.database):  # a part of a password, say, and it would be shown
        raise RecordsError(
            f"{kind}://…: the address is not understood beyond the host; inside a user name or password write / as "
            "%2F, : as %3A and ? as %3F, and name a database of letters, digits, '_', '-', '.' and '$'."
        )
    return Address(url=parsed.set(drivername="postgresql+psycopg"), name=_server_name(parsed))


def _file(path: Path) -> Address:
    path = path.expanduser().absolute()
    return Address(url=sa.URL.create("sqlite", database=str(path)), name=str(path))


def _server_name(url: sa.URL) -> str:
    """A server without user, password and options: the name under which runs wait for it, and all that is shown."""
    port = f":{url.port}" if url.port else ""
    return f"postgresql://{url.host or 'localhost'}{port}/{url.database or ''}"


def connect(place: Address) -> sa.Engine:
    """Make the engine; nothing is opened yet."""
    if place.file is not None:
        engine = sa.create_engine(place.url, connect_args={"timeout": BUSY_S})
        sa.event.listen(engine, "connect", _prepare_sqlite)
        sa.event.listen(engine, "begin", _begin_sqlite)
        return engine
    # A server that vanishes without a word must not hold a bench up: half a minute without an answer is enough.
    waits = {"connect_timeout": CONNECT_S, "tcp_user_timeout": 30_000, "keepalives_idle": 15, "keepalives_interval": 5,
             "keepalives_count": 3}  # fmt: skip
    given = {key: value for key, value in waits.items() if key not in place.url.query}
    try:
        return sa.create_engine(place.url, connect_args={"application_name": "halfpower", **given})
    except ModuleNotFoundError:
        raise RecordsError(
            f"{place.name}: the package for PostgreSQL is not installed; install Halfpower with its extra 'postgresql'."
        ) from None


def _prepare_sqlite(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None  # transactions are begun below, so that a change of the layout is one of them
    with suppress(sqlite3.OperationalError):  # busy or read-only: it stays as it is, and the next one may succeed
        connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")


def _begin_sqlite(connection: sa.Connection) -> None:
    if connection.get_execution_options().get("reading", False):
        connection.connection.cursor().execute("BEGIN")  # as quickly as can be: it waits for nobody
    else:
        connection.exec_driver_sql("BEGIN IMMEDIATE")


# --- failures ----------------------------------------------------------------------------------------------------


@contextmanager
def told(place: Address) -> Iterator[None]:
    """Turn what a person can do something about into one sentence; a mistake of ours keeps its traceback."""
    try:
        yield
    except exc.DBAPIError as error:
        sentence = _sentence(error.orig, place)
        if sentence is None:
            raise
        raise RecordsError(f"{place.name}: {sentence}") from None
    except UnicodeDecodeError:  # a name of a table or a column; no value, for those are asked for by their kind
        raise RecordsError(f"{place.name}: {_SQLITE['SQLITE_CORRUPT']}") from None
    except Exception as error:  # a driver's own, where SQLAlchemy does not stand between
        sentence = _sentence(error, place) if isinstance(error, sqlite3.Error) or hasattr(error, "sqlstate") else None
        if sentence is None:
            raise
        raise RecordsError(f"{place.name}: {sentence}") from None


def _sentence(error: Any, place: Address) -> str | None:
    return _of_sqlite(error, place) if isinstance(error, sqlite3.Error) else _of_server(error)


def _of_sqlite(error: sqlite3.Error, place: Address) -> str:
    code = getattr(error, "sqlite_errorname", "")
    kind = next((known for known in _SQLITE if code.startswith(known)), None)
    if kind is None and re.match(r"no such|malformed|near \"|unrecognized token", str(error)):
        kind = "SQLITE_CORRUPT"  # what it says of its own tables is not what this program made
    if kind is None:
        if isinstance(error, sqlite3.OperationalError) and not code.startswith("SQLITE_ERROR"):
            return f"the database says: {error}."
        raise error
    sentence = _SQLITE[kind]
    if kind == "SQLITE_CANTOPEN" and place.file is not None and place.file.is_dir():
        sentence = "is a folder; name a file."
    return sentence


_SQLITE: Final = {
    "SQLITE_FULL": "the disk is full; nothing was changed. Make room, then do it again.",
    "SQLITE_BUSY": "another program holds the store and did not let go; do it again when that has ended.",
    "SQLITE_LOCKED": "another program holds the store; do it again when that has ended.",
    "SQLITE_READONLY": "may not be written; allow it for the file and its folder, or name another store.",
    "SQLITE_CANTOPEN": "cannot be opened; its folder must exist and allow writing, for reading too. "
    "Name another store.",
    "SQLITE_NOTADB": "is no database; name another file, and look what this one is.",
    "SQLITE_CORRUPT": "the file is damaged; put it aside, restore a copy, or make a new store from the runs with "
    "'halfpower records rebuild FOLDER'.",
    "SQLITE_CONSTRAINT": "rows of the file contradict each other, so it is damaged; put it aside, restore a copy, or "
    "make a new store from the runs with 'halfpower records rebuild FOLDER'.",
    "SQLITE_IOERR": "the disk failed to read or write; nothing was changed. Check it, then do it again.",
    "SQLITE_PERM": "may not be opened; allow it, or name another store.",
}

_SERVER: Final = {
    "28": "the server does not let this user in; check user and password (a password may stand in ~/.pgpass).",
    "3D": "the server has no such database; create it, see docs/records.md.",
    "42501": "this user may not do that here; the role needs its rights on the database, see docs/records.md.",
    "53": "the server is out of room or connections; nothing was changed. Do it again later.",
    "55P03": "another program holds the store; do it again when that has ended.",
    "40": "another program wrote at the same moment; do it again.",
    "57": "the server is starting or shutting down; do it again later.",
    "25006": "the server takes no writes (a standby, say); name the one that does.",
    "08": "the connection to the server was lost; nothing was half done. Do it again later.",
}


def _of_server(error: Any) -> str | None:
    state = getattr(error, "sqlstate", None)
    if state:
        return next((sentence for prefix, sentence in _SERVER.items() if state.startswith(prefix)), None)
    if type(error).__name__ == "InterfaceError":  # asked on a connection that is gone
        return _SERVER["08"]
    if "connection option" in str(error):
        return f"the address has an option that is none: {shortened(str(error), _LONGEST).rstrip('. ')}."
    if type(error).__name__ != "OperationalError":
        return None
    # While a connection is made, or is lost, there is no code, only words; they name host and user, never a password.
    lines = str(error).removeprefix("connection failed: ").splitlines()
    words = f"It says: {shortened(lines[0] if lines else 'nothing', _LONGEST).rstrip('. ')}."
    if "password authentication" in words or "no pg_hba" in words or 'role "' in words:
        return f"{_SERVER['28']} {words}"
    if "does not exist" in words:
        return f"{_SERVER['3D']} {words}"
    return f"the server does not answer; check the address and the network, or do it again later. {words}"
