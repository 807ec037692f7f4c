"""How many examples are drawn: a few in the default group; where HALFPOWER_THOROUGH is set, as .ci/run does, all."""

from __future__ import annotations

import os
from typing import Final

THOROUGH: Final = bool(os.environ.get("HALFPOWER_THOROUGH"))


def examples(all_of_them: int) -> int:
    """So many for a test that needs more than others; a tenth of them in the default group."""
    return all_of_them if THOROUGH else max(25, all_of_them // 10)
