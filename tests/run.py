"""Pass the tests: `python3 tests/run.py [PYTEST ARGUMENTS]`. Makes its own environment at the first call."""

from __future__ import annotations

import os
import sys

from environment import run

if __name__ == "__main__":
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # else every process that a test starts compiles everything anew
    sys.exit(run("-m", "pytest", "-n", "2", "--dist", "worksteal", *sys.argv[1:], groups=("test",)))
