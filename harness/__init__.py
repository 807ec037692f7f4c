"""Halfpower: verifies oscilloscopes, attended or unattended.

The packages beside this one have plain names, which a folder of the user's may have as well. Whoever imports this one
gets its own neighbours, wherever Python was started.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib.machinery import ModuleSpec, PathFinder
from pathlib import Path
from types import ModuleType

_HOME = Path(__file__).resolve().parent.parent
_BESIDE = frozenset(("drivers", "sequences", "sim_profiles", "demo"))


class _Neighbours:
    """Finds the packages beside this one before any others of their names."""

    @staticmethod
    def find_spec(
        name: str, _path: Sequence[str] | None = None, _target: ModuleType | None = None
    ) -> ModuleSpec | None:
        """The package beside this one, for such a name."""
        return PathFinder.find_spec(name, [str(_HOME)]) if name in _BESIDE else None


for _name in _BESIDE & set(sys.modules):
    _theirs = Path(getattr(sys.modules[_name], "__file__", None) or "a folder")
    if _theirs.resolve().parent.parent != _HOME:
        raise ImportError(
            f"{_theirs}: a package {_name!r} of yours was imported before Halfpower, which has one of that name. "
            "Import harness first, or call yours otherwise."
        )
sys.meta_path.insert(0, _Neighbours)
