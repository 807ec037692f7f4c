"""What was entered once and is offered again: units of a model, customers, who does the work."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final, TypeGuard

import platformdirs

from harness.errors import HalfpowerError
from harness.journal.atomic import write_text
from harness.start.interview import PEOPLE, QUESTIONS, UNIT, understood

MOST: Final = 20  # of a kind, the last entered first
# Offered at the first key; the others follow from choosing it.
KINDS: Final = (
    tuple(each.key for each in QUESTIONS if each.about == UNIT),
    *((each.key,) for each in QUESTIONS if each.about == PEOPLE),
)


def the_file() -> Path:
    """Where it is kept."""
    return Path(platformdirs.user_data_dir("halfpower")) / "entered.json"


def offered(path: Path) -> dict[str, list[Mapping[str, str]]]:
    """What there is to choose from, by the question; what cannot be read is as if never entered."""
    entered: object = {}
    with suppress(OSError, ValueError, RecursionError):
        entered = json.loads(path.read_text("utf-8"))
    of = entered if isinstance(entered, dict) else {}
    return {kind[0]: [one for one in _list(of.get(kind[0])) if _is_sound(one, kind)] for kind in KINDS}


def keep(path: Path, answers: Mapping[str, str]) -> None:
    """Add what was entered now, before the rest; a folder that cannot be written costs nobody their files."""
    known = offered(path)
    for kind in KINDS:
        new = {key: answers[key] for key in kind if key in answers}
        same = _name(kind[0], new)
        others = [one for one in known[kind[0]] if _name(kind[0], one) != same]
        if _is_sound(new, kind):
            known[kind[0]] = [new, *others][:MOST]
    with suppress(HalfpowerError, OSError):
        write_text(path, json.dumps(known, ensure_ascii=False, indent=1))


def _name(key: str, one: Mapping[str, str]) -> str:
    """What it is called: of a unit the model, for each has a serial number of its own."""
    value = one.get(key, "")
    return (value.rsplit(",", 1)[0] if key == KINDS[0][0] else value).casefold()


def _list(value: object) -> Sequence[object]:
    return value[:MOST] if isinstance(value, list) else []


def _is_sound(one: object, kind: Sequence[str]) -> TypeGuard[Mapping[str, str]]:
    if not isinstance(one, dict) or one.keys() != set(kind) or not all(isinstance(each, str) for each in one.values()):
        return False
    try:
        return any(str(value) not in ("", "none", "nobody named") for value in understood(one).values())
    except ValueError:
        return False
