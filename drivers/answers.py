"""A driver of the user's own, whose answers are plain values of the right kind before anything rests on them."""

from __future__ import annotations

import reprlib
from collections.abc import Callable, Mapping
from typing import Any, Final

from harness.errors import OwnCodeError
from harness.files.own_values import Unfit, fitted, number, text
from harness.steps import Reading


class Answering:
    """Stands before such a driver; a wrong answer is one sentence with the driver's file and class."""

    def __init__(self, driver: object, named: str) -> None:
        self._driver, self._named = driver, named

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._driver, name)
        check = _ANSWERS.get(name)
        if check is None:
            return found

        def asked(*given: object) -> object:
            try:
                return check(found(*given))
            except Unfit as wrong:
                file, _, kind = self._named.rpartition(":")
                said = str(wrong) if wrong.path else f"it {wrong.said}"
                raise OwnCodeError(f"{file}: {kind}.{name} answers wrongly: {said}") from None

        return asked


def _reading(answer: object) -> Reading:
    if not isinstance(answer, Reading):
        raise Unfit(f"is {reprlib.repr(answer)}; expected a Reading")
    if answer.status == "read" and answer.value is None:
        raise Unfit("is None; expected a finite number, or another status than 'read'", "value")
    return fitted(answer)


_ANSWERS: Final[Mapping[str, Callable[[object], object]]] = {
    "read": _reading,
    "read_frequency_hz": number,
    "identify": text,
}
