"""One run a bench: a lock for each instrument, freed by the system when its holder dies."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import socket
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import filelock
import platformdirs

from harness.errors import BusyError


@contextmanager
def hold(names: tuple[str, ...], folder: Path | None = None) -> Iterator[None]:
    """Hold every name, or say who holds one; a holder that was killed holds nothing."""
    folder = folder or Path(platformdirs.user_state_dir("halfpower", ensure_exists=True))
    with ExitStack() as stack:
        for name in sorted(names):
            stem = folder / hashlib.sha256(name.encode()).hexdigest()[:16]
            lock = filelock.FileLock(stem.with_suffix(".lock"))
            try:
                stack.enter_context(lock.acquire(timeout=0))
            except filelock.Timeout:
                raise BusyError(
                    f"{name} is in use by {_holder(stem.with_suffix('.json'))}; wait for it to end."
                ) from None
            about = {
                "pid": os.getpid(),
                "host": socket.gethostname(),
                "since": dt.datetime.now(dt.UTC).isoformat("T", "seconds"),
            }
            stem.with_suffix(".json").write_text(json.dumps(about), "utf-8")
        yield


def _holder(path: Path) -> str:
    try:
        about = json.loads(path.read_text("utf-8"))
        return f"process {about['pid']} on {about['host']}, since {about['since']}"
    except (OSError, ValueError, KeyError):
        return "another process"
