"""What a user's own Python hands over, field by field: plain Python values of the right kind, or which field is wrong.

The built-in sequences and drivers are held by types and tests and need not pay for this. Numbers of other libraries
become plain ones here: what is sent to an instrument or written to a journal is text, and theirs reads otherwise.
"""

from __future__ import annotations

import math
import operator
import reprlib
from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from functools import cache, partial
from numbers import Integral, Real
from types import NoneType, UnionType
from typing import Annotated, Any, Final, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from harness.errors import HalfpowerError
from harness.files.words import hint, one_of
from harness.steps import Reading

T = TypeVar("T")
Check = Callable[[Any], Any]


class Unfit(HalfpowerError):  # noqa: N818 - whoever hears of it says whose value it is
    """A value that is not what it must be: "view.channel is 'one'; expected a whole number"."""

    def __init__(self, said: str, *path: str) -> None:
        self.said, self.path = said, path
        super().__init__(f"{'.'.join(path)} {said}" if path else said)


def fitted(value: T) -> T:
    """A step or reply with every field as its class says; raises Unfit for one that is not."""
    changed = {}
    kind: type = type(value)
    for name, check in _checks(kind):
        old = getattr(value, name)
        try:
            new = check(old)
        except Unfit as wrong:
            raise Unfit(wrong.said, name, *wrong.path) from None
        if new is not old:
            changed[name] = new
    return replace(value, **changed) if changed else value  # type: ignore[type-var]  # it has fields


def number(value: Any) -> float:
    """A finite number as plain Python."""
    if type(value) is float and math.isfinite(value):
        return value
    if _is(value, Real):
        try:
            plain = float(value)
        except OverflowError:
            plain = math.inf
        if math.isfinite(plain):
            return int(value) if type(value) is int else plain
    raise _unfit(value, "a finite number")


def text(value: Any) -> str:
    """Text."""
    if isinstance(value, str):
        return value if type(value) is str else str(value)
    raise _unfit(value, "text")


def a_reading(answer: object) -> Reading:
    """A reading of plain values; one that was read has its number."""
    if not isinstance(answer, Reading):
        raise Unfit(f"it is {reprlib.repr(answer)}; expected a Reading")
    if answer.status == "read" and answer.value is None:
        raise Unfit("is None; expected a finite number, or another status than 'read'", "value")
    return fitted(answer)


def _unfit(value: object, expected: str) -> Unfit:
    return Unfit(f"is {reprlib.repr(value)}; expected {expected}")


def _whole(value: Any) -> int:
    if _is(value, Integral):
        return int(value)
    raise _unfit(value, "a whole number")


def _is(value: object, kind: type) -> bool:
    return isinstance(value, kind) and not isinstance(value, bool)


def _flag(value: object) -> bool:
    if isinstance(value, bool):
        return value
    raise _unfit(value, "True or False")


_MAY_BE_INFINITE: Final = ("dof", "dof_eff")  # degrees of freedom of what is known
_MANY: Final = 12  # words, of which a sentence names none where it knows which was meant
_PLAIN: Final[Mapping[Any, Check]] = {float: number, int: _whole, bool: _flag, str: text}


@cache
def _checks(kind: type) -> tuple[tuple[str, Check], ...]:
    hints = get_type_hints(kind, include_extras=True)
    checks = ((each.name, _check_of(hints[each.name])) for each in fields(kind))
    return tuple((name, partial(_or_infinite, check) if name in _MAY_BE_INFINITE else check) for name, check in checks)


def _check_of(hint: Any) -> Check:
    """What a field's annotation asks; the classes of steps and results use no more forms than these."""
    kind, inner = get_origin(hint), get_args(hint)
    if kind is Annotated:  # a name out of a table
        return lambda value: _one_of(tuple(hint.__metadata__[0]()), value)
    if kind is Literal:
        return partial(_one_of, inner)
    if kind in (Union, UnionType):
        several = tuple(each for each in inner if each is not NoneType)
        check = partial(_a, several) if len(several) > 1 else _check_of(several[0])
        return check if len(several) == len(inner) else partial(_optional, check)
    if kind is tuple and inner[-1] is not Ellipsis:
        return partial(_each, tuple(map(_check_of, inner)))
    if kind is tuple:
        return partial(_several, _check_of(inner[0]))
    if kind is Mapping:
        return partial(_mapping, _check_of(inner[1]))
    plain = _PLAIN.get(hint)
    return partial(_a, (hint,)) if plain is None else plain


def _one_of(words: tuple[str, ...], value: object) -> str:
    for word in words:
        if isinstance(value, str) and value == word:
            return word
    likely = hint(value, words) if isinstance(value, str) else ""
    if likely and len(words) > _MANY:
        raise _unfit(value, f"one of {len(words)} words{likely}")
    raise _unfit(value, f"{one_of(words)}{likely}")


def _a(kinds: tuple[type, ...], value: Any) -> Any:
    if type(value) in kinds:
        return fitted(value)
    raise _unfit(value, f"a {' or '.join(', '.join(kind.__name__ for kind in kinds).rsplit(', ', 1))}")


def _optional(check: Check, value: object) -> Any:
    return None if value is None else check(value)


def _several(check: Check, value: object) -> tuple[Any, ...]:
    if not isinstance(value, tuple | list):
        raise _unfit(value, "a tuple")
    found = []
    for place, item in enumerate(value):
        try:
            found.append(check(item))
        except Unfit as wrong:
            raise Unfit(wrong.said, str(place), *wrong.path) from None
    if isinstance(value, tuple) and all(map(operator.is_, found, value)):
        return value
    return tuple(found)


def _each(checks: tuple[Check, ...], value: object) -> tuple[Any, ...]:
    if not isinstance(value, tuple | list) or len(value) != len(checks):
        raise _unfit(value, f"a tuple of {len(checks)}")
    return tuple(check(item) for check, item in zip(checks, value, strict=True))


def _or_infinite(check: Check, value: Any) -> Any:
    return value if isinstance(value, float) and value == math.inf else check(value)


def _mapping(check: Check, value: object) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise _unfit(value, "a mapping of names to numbers")
    return {text(key): check(item) for key, item in value.items()}
