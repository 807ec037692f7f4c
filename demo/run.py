"""Run the demo: `python3 demo/run.py [OPTIONS OF 'halfpower demo']`. Makes its own environment at the first call."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from environment import run

if __name__ == "__main__":
    sys.exit(run("-m", "harness.cli", "demo", *sys.argv[1:]))
