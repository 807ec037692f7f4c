"""Pass the tests: `python3 tests/run.py [PYTEST ARGUMENTS]`. Makes its own environment at the first call."""

from __future__ import annotations

import sys

from environment import run

if __name__ == "__main__":
    sys.exit(run("-m", "pytest", "-n", "2", *sys.argv[1:], groups=("test",)))
