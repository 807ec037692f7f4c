"""Make a site of the documents: `python3 docs/build.py FOLDER`. A warning, such as a broken link, fails it."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from environment import run

if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("Name the folder for the site: python3 docs/build.py FOLDER")
    folder = str(Path(sys.argv[1]).resolve())
    sys.exit(run("-m", "sphinx", "--fail-on-warning", "--keep-going", "-q", "docs", folder, groups=("site",)))
