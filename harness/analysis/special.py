"""The functions of `scipy.special` that are used here, loaded at the first value that is asked of one.

They take a fifth of a second to load, and whoever checks files or says what would be done asks none.   [pure]
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any


def _later(name: str) -> Callable[..., Any]:
    def function(*values: Any) -> Any:
        import scipy.special

        return getattr(scipy.special, name)(*values)

    return function


chdtri, j0, ndtr, ndtri = _later("chdtri"), _later("j0"), _later("ndtr"), _later("ndtri")
roots_legendre, stdtrit = _later("roots_legendre"), _later("stdtrit")
