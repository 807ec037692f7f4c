"""One run a bench: a lock for each instrument on this machine, whoever runs; freed by the system when its holder dies.

The files are all users' own: whoever can open one to read can lock it, so that nobody's left-over file is in the way.
"""

from __future__ import annotations

import datetime as dt
import getpass
import json
import os
import socket
import stat
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

import platformdirs

from harness.errors import BusyError
from harness.words.addresses import same_for_all

PATIENCE_S: Final = 30.0  # the guardian of a killed run is done within half of it
SAYS_SO_S: Final = 0.1  # not refused at once: a guardian may be just about to say that it is one
LOOK_S: Final = 0.02
VARIABLE: Final = "HALFPOWER_LOCKS"
LARGEST: Final = 4096  # bytes that are read of what a file of another user says
_OF_ALL: Final = stat.S_ISVTX | 0o777


@contextmanager
def hold(names: tuple[str, ...], folder: Path | None = None, *, guardian: bool = False) -> Iterator[tuple[str, ...]]:
    """Hold every name, or say who holds one; gives what they come to. A holder that was killed holds nothing.

    A guardian that is switching off what a killed run left on is waited for; every other holder is not.
    """
    folder = folder or _home()
    about = {
        "pid": os.getpid(), "user": _user(), "guardian": guardian, "host": socket.gethostname(),
        "since": dt.datetime.now(dt.UTC).isoformat("T", "seconds"),
    }  # fmt: skip
    wanted = {same: name for name in names for same in same_for_all(name)}
    with ExitStack() as stack:
        for same, name in sorted(wanted.items()):
            stem = _stem(same, folder)
            file = _open(stem.with_suffix(".lock"), name)
            stack.callback(os.close, file)  # which frees it
            if not _locked(file, stem):
                raise BusyError(f"{name} is in use by {_in_words(_about(stem))}; wait for it to end.")
            _tell(stem.with_suffix(".json"), json.dumps(about))
        yield tuple(wanted)


def holder(name: str) -> int | None:
    """The process that holds a name, or the last that did."""
    pid = _about(_stem(same_for_all(name)[0], _home())).get("pid")
    return pid if isinstance(pid, int) else None


def _home() -> Path:
    """The machine's folder of locks: one for all its users, or the one that HALFPOWER_LOCKS names."""
    named = os.environ.get(VARIABLE)
    if not named and sys.platform != "win32":
        lock = Path("/var/lock")  # of all users on some systems; where it is not, every system has the other
        return _made_for_all((lock if lock.exists() and _is_of_all(lock.stat()) else Path("/tmp")) / "halfpower")
    folder = Path(named or Path(platformdirs.site_data_dir("halfpower", appauthor=False)) / "locks")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BusyError(
            f"Not begun: the folder of locks cannot be made ({folder}: {error.strerror}). Make it, or name another in "
            f"{VARIABLE}, the same for all users of this machine."
        ) from None
    return folder


def _made_for_all(folder: Path) -> Path:
    with suppress(OSError):  # whoever else makes it at this moment makes the same
        if not folder.exists():
            made = Path(tempfile.mkdtemp(prefix="halfpower-", dir=folder.parent))
            made.chmod(_OF_ALL)  # before anybody can look at it by its name, and whatever the umask
            made.rename(folder)
    if not (folder.exists() and _is_of_all(folder.lstat())):  # a link could lead anywhere
        raise BusyError(
            f"Not begun: {folder} should be a folder that all users of this machine can write, as /tmp is, for runs "
            f"to hold their instruments there. Correct it (chmod 1777), or name another folder for all in {VARIABLE}."
        )
    return folder


def _is_of_all(status: os.stat_result) -> bool:
    """A folder where everybody may add, and nobody take away another's."""
    return stat.S_ISDIR(status.st_mode) and status.st_mode & _OF_ALL == _OF_ALL


def _stem(name: str, folder: Path) -> Path:
    return folder / sha256(name.encode()).hexdigest()[:16]


def _open(path: Path, name: str) -> int:
    """A lock's file, made if there is none; reading is enough to lock it, and asks for no right on another's file."""
    to_read = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        try:
            file = os.open(path, to_read | os.O_CREAT | os.O_EXCL, 0o644)
        except FileExistsError:
            return os.open(path, to_read)
        if os.name == "posix":
            os.fchmod(file, 0o644)  # whatever the umask
        return file
    except OSError as error:
        raise BusyError(
            f"{name} cannot be held against other runs: {path} cannot be opened ({error.strerror}). Have its owner "
            "or an administrator delete it once nobody uses the bench."
        ) from None


def _locked(file: int, stem: Path) -> bool:
    """Lock it; a guardian at work is waited for, everybody else only so long as it takes to say who they are."""
    began = time.monotonic()
    while not _lock(file):
        waited_s = time.monotonic() - began
        if waited_s > (PATIENCE_S if _about(stem).get("guardian") else SAYS_SO_S):
            return False
        time.sleep(LOOK_S)
    return True


def _lock(file: int) -> bool:
    """Lock an open file, unless somebody has; the system lets go of it when the file is closed."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _tell(path: Path, about: str) -> None:
    """Say who holds it, in a file that the next user can write over; without it "another process" does."""
    with suppress(OSError):
        try:
            file = os.open(path, os.O_WRONLY | os.O_TRUNC | getattr(os, "O_NOFOLLOW", 0))
        except FileNotFoundError:  # only then made: systems refuse to "make" another user's file in a folder of all
            file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
            if os.name == "posix":
                os.fchmod(file, 0o666)
        try:
            os.write(file, about.encode())
        finally:
            os.close(file)


def _about(stem: Path) -> dict[str, Any]:
    path = stem.with_suffix(".json")
    try:
        if not path.is_file():  # reading a pipe would never end
            return {}
        with path.open(encoding="utf-8") as file:
            about = json.loads(file.read(LARGEST))
    except (OSError, ValueError, RecursionError):
        return {}
    return about if isinstance(about, dict) else {}


def _in_words(about: dict[str, Any]) -> str:
    try:
        user = f", user {about['user']}" if about.get("user") else ""
        return f"process {about['pid']} on {about['host']}{user}, since {about['since']}"
    except KeyError:
        return "another process"


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # a user without an entry, as in some containers
        return ""
