"""Keep the machine from going to sleep while a queue runs; where that cannot be, say so once and go on."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Final

MISSING: Final = (
    "The machine may go to sleep: the package wakepy is not installed (pip install 'halfpower[awake]'). "
    "Switch sleep off in its settings."
)
REFUSED: Final = "The machine may go to sleep: it cannot be asked not to. Switch sleep off in its settings."


@contextmanager
def awake(wanted: bool, trouble: Callable[[str], None]) -> Iterator[None]:
    """Hold the machine awake within the block, if it can be."""
    with ExitStack() as stack:
        if wanted and (problem := _hold(stack)):
            trouble(problem)
        yield


def _hold(stack: ExitStack) -> str:
    try:
        from wakepy import keep
    except ImportError:
        return MISSING
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it is said in one sentence, below
            mode = stack.enter_context(keep.running(on_fail="pass"))
    except Exception:  # noqa: BLE001 - a desktop's own service may answer anything
        return REFUSED
    return "" if mode.active else REFUSED
