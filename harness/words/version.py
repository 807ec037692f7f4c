"""Which version of this program runs: it stands in every journal and beside everything worked out from one."""

from __future__ import annotations

from functools import cache
from importlib.metadata import PackageNotFoundError, version


@cache  # a file is read for it
def program_version() -> str:
    """The version of this program."""
    try:
        return version("halfpower")
    except PackageNotFoundError:
        return "uninstalled"
