"""One run a bench: a lock for each instrument, freed by the system when its holder dies."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import re
import socket
from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path
from typing import Any, Final

import filelock
import platformdirs

from harness.errors import BusyError

PATIENCE_S: Final = 30.0  # the guardian of a killed run is done within half of it
_VISA: Final = re.compile(r"(gpib|tcpip|usb|asrl)(?=::)")  # board 0 need not be said


@contextmanager
def hold(names: tuple[str, ...], folder: Path | None = None, *, guardian: bool = False) -> Iterator[None]:
    """Hold every name, or say who holds one; a holder that was killed holds nothing.

    A guardian that is switching off what a killed run left on is waited for; every other holder is not.
    """
    folder = folder or _home()
    with ExitStack() as stack:
        for stem, name in sorted({_stem(name, folder): name for name in names}.items()):
            lock = filelock.FileLock(stem.with_suffix(".lock"))
            try:
                stack.enter_context(_acquired(lock, stem))
            except filelock.Timeout:
                raise BusyError(f"{name} is in use by {_in_words(_about(stem))}; wait for it to end.") from None
            about = {
                "pid": os.getpid(),
                "guardian": guardian,
                "host": socket.gethostname(),
                "since": dt.datetime.now(dt.UTC).isoformat("T", "seconds"),
            }
            stem.with_suffix(".json").write_text(json.dumps(about), "utf-8")
        yield


def holder(name: str) -> int | None:
    """The process that holds a name, or the last that did."""
    pid = _about(_stem(name, _home())).get("pid")
    return pid if isinstance(pid, int) else None


def _home() -> Path:
    return Path(platformdirs.user_state_dir("halfpower", ensure_exists=True))


def _stem(name: str, folder: Path) -> Path:
    return folder / hashlib.sha256(_full(name).encode()).hexdigest()[:16]


def _full(name: str) -> str:
    """One name for what a VISA address may be written as; any other name as it is."""
    folded = name.strip().casefold()
    if not folded.startswith(("gpib", "tcpip", "usb", "asrl")):
        return name
    whole = _VISA.sub(r"\g<1>0", folded, count=1)
    return whole.removesuffix("::instr").removesuffix("::inst0")


def _acquired(lock: filelock.BaseFileLock, stem: Path) -> AbstractContextManager[object]:
    try:
        return lock.acquire(timeout=0.1, poll_interval=0.02)  # not at once: a guardian may be just about to say so
    except filelock.Timeout:
        if not _about(stem).get("guardian"):
            raise
        return lock.acquire(timeout=PATIENCE_S)


def _about(stem: Path) -> dict[str, Any]:
    try:
        about = json.loads(stem.with_suffix(".json").read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return about if isinstance(about, dict) else {}


def _in_words(about: dict[str, Any]) -> str:
    try:
        return f"process {about['pid']} on {about['host']}, since {about['since']}"
    except KeyError:
        return "another process"
