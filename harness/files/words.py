"""What is wrong with a value, in our own words: from a validation error to one sentence a problem.

Every sentence has two halves, what is wrong and what is expected; what is expected comes from the models
themselves (their units, bounds and descriptions), so it cannot go stale.
"""

from __future__ import annotations

import collections.abc
import datetime as dt
import difflib
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, get_args, get_origin

from pydantic import BaseModel, SecretStr, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from harness import quantities
from harness.files.toml_lines import KeyPath
from harness.files.toml_text import Problem, Text, printable
from harness.values import Unit_

MOST: Final = 50  # problems shown of one file; who made more has made one mistake many times

_KINDS: Final = {
    "string_type": "text in quotation marks",
    "int_type": "a whole number without quotation marks",
    "int_from_float": "a whole number",
    "int_parsing": "a whole number",
    "int_parsing_size": "a whole number",
    "float_type": "a number without quotation marks",
    "float_parsing": "a number",
    "bool_type": "true or false without quotation marks",
    "tuple_type": "a list in [ ]",
    "model_type": "a table",
    "mapping_type": "a table",
    "dict_type": "a table",
    "date_type": "a date such as 2027-04-30",
    "date_parsing": "a date such as 2027-04-30",
    "date_from_datetime_parsing": "a date such as 2027-04-30",
    "date_from_datetime_inexact": "a date such as 2027-04-30",
    "finite_number": "a finite number",
    "string_too_long": "at most 2000 characters",
    "string_too_short": "some text",
}
_BOUNDS: Final = {
    "greater_than": ("gt", "too small", "more than"),
    "greater_than_equal": ("ge", "too small", "at least"),
    "less_than": ("lt", "too large", "less than"),
    "less_than_equal": ("le", "too large", "at most"),
}


def validation_problems(
    text: Text, model: type[BaseModel], error: ValidationError, base: KeyPath = ()
) -> list[Problem]:
    """Turn every error of one validation into a problem at its line; `base` is where the model's table stands."""
    data = _at(text.data, base)
    details = error.errors(include_url=False)
    details = [detail for detail in details if not _branch(detail, data).missed] or details
    details = [detail for detail in details if not _emptied(detail, data)] or details
    problems: dict[KeyPath, Problem] = {}
    for detail in details:
        if len(problems) == MOST:
            problem = Problem(file=text.file, text=f"{len(details) - MOST} further problems are not listed")
            return [*in_order(problems.values()), problem]
        branch = _branch(detail, data)
        if branch.path not in problems:
            sentence = _sentence(detail, model, branch.path, base, _at(data, branch.path))
            also = ", or a list in [ ]" if branch.words else ""
            problems[branch.path] = text.problem((*base, *branch.path), sentence + also)
    return in_order(problems.values())


def in_order(problems: Iterable[Problem]) -> list[Problem]:
    """By line and column; what concerns the file as a whole comes last."""
    return sorted(problems, key=lambda problem: (problem.line or sys.maxsize, problem.column))


def _emptied(detail: ErrorDetails, data: Any) -> bool:
    """Whether a list is called too short only because its elements are wrong, which is said of each of them."""
    held = _at(data, _branch(detail, data).path)
    return detail["type"] == "too_short" and isinstance(held, list) and len(held) >= detail["ctx"]["min_length"]


def nearest(name: str, known: Iterable[str]) -> str:
    """The known name that was probably meant, or an empty string."""
    by_fold = {candidate.casefold(): candidate for candidate in known}
    close = difflib.get_close_matches(name[:80].casefold(), by_fold, n=1)
    return by_fold[close[0]] if close else ""


def hint(name: str, known: Iterable[str]) -> str:
    """What a sentence ends in where a known name was probably meant; else nothing."""
    near = nearest(name, known)
    return f" (did you mean {shown(near)}?)" if near else ""


def one_of(names: Iterable[str]) -> str:
    """'a', 'b' or 'c'."""
    *most, last = [f"'{printable(name, 60)}'" for name in names] or ["nothing"]
    return f"{', '.join(most)} or {last}" if most else last


def shown(value: object) -> str:
    """A value of a file as a message shows it: short, and safe for a terminal."""
    match value:
        case bool():
            return str(value).lower()
        case str():
            return f"'{printable(value, 60)}'"
        case dt.date() | dt.time():
            return value.isoformat()
        case int() if abs(value) >= 10**24:
            return "an integer of that size"
        case int() | float():
            return str(value)
        case list():
            return "a list"
        case Mapping():
            return "a table"
        case _:
            return "this"


def _at(data: Any, path: KeyPath) -> Any:
    for part in path:
        if isinstance(data, Mapping):
            data = data.get(part)
        elif isinstance(data, list) and isinstance(part, int) and part < len(data):
            data = data[part]
        else:
            return None
    return data


@dataclass(frozen=True, slots=True, kw_only=True)
class _Branch:
    """Where in the file an error is, and by which branch of "a word, or a list" it was found."""

    path: KeyPath
    words: bool = False
    missed: bool = False  # the value is a list, and the branch wants a word; or the other way round


def _branch(detail: ErrorDetails, data: Any) -> _Branch:
    """Leave out of a location what is no key of the file."""
    path: list[str | int] = []
    words = missed = False
    for part in detail["loc"]:
        held = part in data if isinstance(data, Mapping) else isinstance(data, list) and isinstance(part, int)
        if held or detail["type"] == "missing":
            path.append(part)
            data = _at(data, (part,))
        else:
            words = str(part).startswith("literal[")
            missed = missed or words == isinstance(data, list)
    return _Branch(path=tuple(path), words=words, missed=missed)


def _sentence(detail: ErrorDetails, model: type[BaseModel], path: KeyPath, base: KeyPath, value: object) -> str:
    kind, context = detail["type"], detail.get("ctx", {})
    field = _field(model, path)
    if field is not None and SecretStr in (field.annotation, *get_args(field.annotation)):
        value = None  # what holds a secret is never shown
    if kind == "missing":
        return f"missing; expected {_meaning(field)}"
    if kind == "extra_forbidden" or _is_unknown(model, path):
        return _unknown_key(model, path, base)
    if kind == "value_error":
        return printable(str(context["error"]), 400)
    if kind == "literal_error":
        return _no_such_word(field, value)
    if kind in _BOUNDS:
        name, wrong, than = _BOUNDS[kind]
        units = units_of(field)
        bound = quantities.show(float(context[name]), units[0]) if units else f"{context[name]:g}"
        return f"{shown(value)} is {wrong}; expected {than} {bound}"
    if kind == "too_short":
        return f"an empty list; expected {_meaning(field)}"
    if kind in ("string_too_short", "string_too_long"):
        return f"{shown(value)} is too {kind.rsplit('_', 1)[1]}; expected {_KINDS[kind]}"
    return f"{shown(value)} is not allowed here; expected {_KINDS.get(kind) or _meaning(field)}"


def _no_such_word(field: FieldInfo | None, value: object) -> str:
    known = list(dict.fromkeys(_words(field.annotation if field else None)))
    words = [word for word in known if isinstance(word, str)]
    if not words and known:
        return f"{shown(value)} is not known here; expected {' or '.join(str(number) for number in known)}"
    likely = hint(value, words) if isinstance(value, str) else ""
    return f"{shown(value)} is not known here; expected {one_of(words)}{likely}"


def _is_unknown(model: type[BaseModel], path: KeyPath) -> bool:
    """Whether it is none of its table's keys, which takes further tables alone."""
    holder = _holder(model, path[:-1]) if path and isinstance(path[-1], str) else None
    return holder is not None and path[-1] not in holder.model_fields


def _unknown_key(model: type[BaseModel], path: KeyPath, base: KeyPath) -> str:
    *parents, key = path
    name = str(key)
    holder = _holder(model, tuple(parents))
    known = list(holder.model_fields) if holder else []
    near = nearest(name, known)
    if near:
        return f"unknown key; did you mean '{near}'?"
    if parents and not base and name in model.model_fields:
        return "does not belong to this table; expected above the first [table] of the file"
    return f"unknown key; expected {one_of(known)}"


def _meaning(field: FieldInfo | None) -> str:
    """What a field wants: its description, and an example where it has a unit."""
    if field is None:
        return "another value"
    examples = " or ".join(quantities.example(unit) for unit in units_of(field))
    described = field.description or ""
    if get_origin(field.annotation) is tuple and examples:
        return described or f"a list, each {examples}"
    return ": ".join(part for part in (described, examples) if part) or "a value"


def units_of(field: FieldInfo | None) -> tuple[str, ...]:
    """The units in which a field's quantity may be written; none for what is no quantity."""
    if field is None:
        return ()
    for mark in (*field.metadata, *_marks(field.annotation)):
        if isinstance(mark, Unit_):
            return mark.units
    return ()


def _marks(annotation: Any) -> Sequence[Any]:
    marks = list(getattr(annotation, "__metadata__", ()))
    for argument in get_args(annotation):
        marks += _marks(argument)
    return marks


def _words(annotation: Any) -> list[str | int]:
    """The words, or numbers, of the Literals within an annotation."""
    words: list[str | int] = []
    for argument in get_args(annotation):
        words += [argument] if isinstance(argument, str | int) else _words(argument)
    return words


def _holder(model: type[BaseModel], path: KeyPath) -> type[BaseModel] | None:
    """The model whose table stands at a path."""
    annotation: Any = model
    for part in path:
        annotation = _into(annotation, part)
    return _model_in(annotation)


def _field(model: type[BaseModel], path: KeyPath) -> FieldInfo | None:
    names = [part for part in path if isinstance(part, str)]
    if not names:
        return None
    place = max(at for at, part in enumerate(path) if isinstance(part, str))
    holder = _holder(model, path[:place])
    return holder.model_fields.get(names[-1]) if holder else None


def _into(annotation: Any, part: str | int) -> Any:
    if isinstance(part, int):
        return annotation
    if get_origin(annotation) is collections.abc.Mapping:
        return get_args(annotation)[1]
    holder = _model_in(annotation)
    field = holder.model_fields.get(part) if holder else None
    return field.annotation if field else None


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) is collections.abc.Mapping:
        return None
    return next((model for argument in get_args(annotation) if (model := _model_in(argument))), None)
