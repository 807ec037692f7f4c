"""A driver of the user's own: its answers are plain values of the right kind before anything rests on them, and what
it raises is said with its line.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from drivers import longest_s
from harness.errors import HalfpowerError, OwnCodeError
from harness.files.own_files import place_in
from harness.files.own_values import Unfit, a_reading, number, text


class Answering:
    """Stands before such a driver; a wrong answer, or a fault of its own, is one sentence with the driver's file."""

    def __init__(self, driver: object, named: str) -> None:
        self._driver = driver
        self._file, _, self._class = named.rpartition(":")
        self.longest_s = longest_s(driver)  # as theirs: this stands in a module of ours

    def __getattr__(self, name: str) -> Any:
        method = getattr(self._driver, name)
        if not callable(method):
            return method
        check = _ANSWERS.get(name, _anything)

        def asked(*given: object, **named: object) -> object:
            try:
                return check(method(*given, **named))
            except HalfpowerError as error:
                if not isinstance(error, Unfit):
                    raise
                wrongly = str(error) if error.path or error.said.startswith("it ") else f"it {error.said}"
                raise OwnCodeError(f"{self._file}: {self._class}.{name} answers wrongly: {wrongly}") from None
            except Exception as error:
                if (fault := self._fault(name, method, error)) is None:
                    raise  # none of theirs
                raise OwnCodeError(fault) from error

        return asked

    def _fault(self, name: str, method: Any, error: Exception) -> str | None:
        """What is wrong in their file, at which line; None where the error came by none of it."""
        code = getattr(method, "__code__", None)
        module = sys.modules.get(type(self._driver).__module__)
        line, source = place_in(Path(str(getattr(module, "__file__", ""))), error)
        said = f"{self._class}.{name} fails: {type(error).__name__}: {error}"
        if line:
            return f"{self._file}:{line}: {said}, at: {source}"
        not_taken = error.__traceback__ is not None and error.__traceback__.tb_next is None  # what it was called with
        return f"{self._file}:{code.co_firstlineno}: {said}" if not_taken and code is not None else None


def _anything(answer: object) -> object:
    return answer


def _room(answer: object) -> tuple[float, float | None]:
    if not isinstance(answer, tuple | list) or len(answer) != 2:
        raise Unfit("it is no pair; expected the temperature in °C and the humidity in percent, or None")
    warm, humid = answer
    return number(warm), None if humid is None else number(humid)


_ANSWERS: Final[Mapping[str, Callable[[object], object]]] = {
    "read": a_reading,
    "read_frequency_hz": number,
    "read_room": _room,
    "identify": text,
}
