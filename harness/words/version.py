"""Which version of this program runs: it stands in every journal and beside everything worked out from one."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def program_version() -> str:
    """The version of this program."""
    try:
        return version("halfpower")
    except PackageNotFoundError:
        return "uninstalled"
