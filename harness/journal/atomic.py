"""Files that are written whole or not at all, that are on the disk when it is said, and that only their owner reads."""

from __future__ import annotations

import errno
import os
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Final

from harness.errors import HalfpowerError

if sys.platform == "win32":
    F_FULLFSYNC: int | None = None
else:
    import fcntl

    F_FULLFSYNC = getattr(fcntl, "F_FULLFSYNC", None)  # macOS has it, and no other

OWNERS: Final = 0o600
"""A file of a run, and its folder below: asked for at the creation, from which a user's mask only takes away."""
OWNERS_FOLDER: Final = 0o700
TRIES: Final = 100 if os.name == "nt" else 1  # Windows replaces no file while somebody reads it
BETWEEN_TRIES_S: Final = 0.01
_NO_SYNC: Final = (errno.EINVAL, errno.ENOTSUP, errno.EACCES)  # a file system that syncs no folder, or not for us


def write_text(path: Path, text: str, *, passing: bool = False) -> None:
    """Write a text file whole or not at all; `passing` as in `write_bytes`."""
    write_bytes(path, text.encode("utf-8"), passing=passing)


def write_bytes(path: Path, content: bytes, *, passing: bool = False) -> None:
    """Write a file whole or not at all, and both it and its name to the disk.

    One that is `passing`, soon to be written anew, waits for no disk, and makes no folder that has gone away.
    """
    beside = path.with_name(f"{path.name}.part")
    try:
        if path.exists() and not path.is_file():
            raise HalfpowerError(f"{path}: is no ordinary file. Name a file to write.")
        if not passing:
            path.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("wb") as file:
            file.write(content)
            file.flush()
            if not passing:
                sync(file.fileno())
        _put(beside, path)
        if not passing:
            sync_folder(path.parent)
    except OSError as error:
        with suppress(OSError):
            beside.unlink()
        raise HalfpowerError(f"{path}: cannot be written: {error.strerror}. Name another file.") from None


def _put(beside: Path, path: Path) -> None:
    for tried in range(1, TRIES + 1):
        try:
            beside.replace(path)
        except PermissionError:
            if tried == TRIES:
                raise
            time.sleep(BETWEEN_TRIES_S)
        else:
            return


def make_folder(path: Path) -> None:
    """Make a folder that its owner alone may look into, or leave one as it is; those above it as everybody's."""
    path.mkdir(mode=OWNERS_FOLDER, parents=True, exist_ok=True)


def make_file(path: Path) -> None:
    """Make an empty file that its owner alone reads, for who writes into it later, or leave one as it is."""
    os.close(os.open(path, os.O_WRONLY | os.O_CREAT, OWNERS))


def sync(file: int) -> None:
    """Wait until a file is on its disk. On macOS `fsync` only hands it to the drive, which may still lose it."""
    if sys.platform != "win32" and F_FULLFSYNC is not None:
        with suppress(OSError):  # not every file system has it; those of a network, say
            fcntl.fcntl(file, F_FULLFSYNC)
            return
    os.fsync(file)


def sync_folder(folder: Path) -> None:
    """Wait until the names in a folder are on its disk: a file is there only when its name is, too."""
    if os.name != "posix":
        return  # Windows cannot open a folder, and needs no such sync
    try:
        handle = os.open(folder, os.O_RDONLY)
        try:
            sync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        if error.errno not in _NO_SYNC:
            raise
