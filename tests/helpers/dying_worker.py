"""Work at which a worker process dies, in a module of its own so that the processes start quickly."""

from __future__ import annotations

import os
import signal
from pathlib import Path


def square_or_die(fatal: int, marker: Path | None, number: int) -> int:
    """Return the square, but die over the fatal number: always, or with a marker the first time only."""
    if number == fatal and not (marker and marker.exists()):
        if marker:
            marker.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number * number
