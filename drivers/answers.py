"""A driver of the user's own, whose answers are plain values of the right kind before anything rests on them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from drivers import longest_s
from harness.errors import OwnCodeError
from harness.files.own_values import Unfit, a_reading, number, text


class Answering:
    """Stands before such a driver; a wrong answer is one sentence with the driver's file and class."""

    def __init__(self, driver: object, named: str) -> None:
        self._driver, self._named = driver, named
        self.longest_s = longest_s(driver)  # as theirs: this stands in a module of ours

    def __getattr__(self, name: str) -> Any:
        method = getattr(self._driver, name)
        check = _ANSWERS.get(name)
        if check is None:
            return method

        def asked(*given: object) -> object:
            try:
                return check(method(*given))
            except Unfit as wrong:
                file, _, kind = self._named.rpartition(":")
                wrongly = str(wrong) if wrong.path or wrong.said.startswith("it ") else f"it {wrong.said}"
                raise OwnCodeError(f"{file}: {kind}.{name} answers wrongly: {wrongly}") from None

        return asked


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
