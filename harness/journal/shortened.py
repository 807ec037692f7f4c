"""A step as a line of the journal has it: without what an earlier line says already.   [pure]

A step that reads as one before it, but for a few settings, is kept as those settings and the number of that line:
`{"as": 3, "stimulus": {"level_v": 12.0}}`. The line that is named has its step whole, so that nobody follows a chain,
and stands before it in the same file, which is only ever added to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import is_dataclass
from typing import Any

from harness.errors import AnalysisError
from harness.measurement import quantity_of
from harness.steps import Measure, Step, field_names, from_plain, to_plain


class Shortener:
    """The last step that was written whole, of each part and purpose."""

    def __init__(self) -> None:
        self._whole: dict[tuple[str, str], tuple[int, Step]] = {}

    def plain(self, part: str, step: Step) -> dict[str, Any]:
        """The step as a line may have it."""
        number, before = self._whole.get(_key(part, step), (0, None))
        if type(before) is type(step):
            return {"as": number, **_changes(before, step)}
        plain: dict[str, Any] = to_plain(step)
        return plain

    def wrote(self, part: str, step: Step, line: int) -> None:
        """A line has it whole."""
        self._whole[_key(part, step)] = line, step


def _key(part: str, step: Step) -> tuple[str, str]:
    return part, getattr(step, "purpose", "")


def restored(like: Step, said: Mapping[str, Any]) -> Step:
    """The step of a line that says what differs from another; ValueError, KeyError or TypeError for what is none."""
    try:
        step: Step = _changed(like, {name: item for name, item in said.items() if name != "as"})
        if isinstance(step, Measure) and "quantity" in said:
            quantity_of(step)  # one that nobody knows is refused, as where it is whole
    except AnalysisError as error:
        raise ValueError(str(error).rstrip(".")) from None
    return step


def _changes(before: Any, now: Any) -> dict[str, Any]:
    """The fields of a value that are not as before; of a value within it that is of the same kind, its fields."""
    kind: type = type(now)
    changes = {}
    for name in field_names(kind):
        was, item = getattr(before, name), getattr(now, name)
        if was is item:
            continue
        if type(was) is not type(item):
            changes[name] = to_plain(item)
        elif is_dataclass(item):
            if inner := _changes(was, item):
                changes[name] = inner
        elif repr(was) != repr(item):  # to which -0.0 is another than 0.0
            changes[name] = to_plain(item)
    return changes


def _changed(before: Any, changes: Mapping[str, Any]) -> Any:
    """The inverse of `_changes`: what stands whole says what it "is"."""
    kind: type = type(before)
    made = {name: getattr(before, name) for name in field_names(kind)}
    for name, item in changes.items():
        of_the_same = isinstance(item, dict) and "is" not in item
        made[name] = _changed(made[name], item) if of_the_same else from_plain(item)
    return kind(**made)
