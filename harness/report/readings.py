"""From readings in their order to points: which belong together, with which ground line; which are missing.   [pure]"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

from harness.journal.journal import Contents
from harness.measurement import is_error, quantity_of
from harness.quantities import show
from harness.steps import GROUND, RETURN, Measure, Reading, from_plain

Taken: TypeAlias = tuple[Measure, Reading]


def taken_of(contents: Contents, part: str) -> list[Taken]:
    """What was read in a part, in its order."""
    return [
        (record.step, record.reply)
        for record in contents.replies(part)
        if isinstance(record.step, Measure) and isinstance(record.reply, Reading)
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """The repeats of one point in one pass over its range, and the ground line that was read in that pass."""

    step: Measure
    readings: tuple[Reading, ...]
    ground: Reading | None = None

    @property
    def read(self) -> bool:
        """Whether any of them has a value."""
        return any(reading.status == "read" for reading in self.readings)


@dataclass(frozen=True, slots=True, kw_only=True)
class Return:
    """A point as it was read first, and once more at the end of its pass."""

    first: Group
    again: Group


def grouped(taken: Sequence[Taken]) -> tuple[list[Group], list[Return]]:
    """Gather repeats; a ground line belongs to what is read on its range after it, until the next one."""
    passes: Counter[tuple[object, ...]] = Counter()
    grounds: dict[tuple[object, ...], Reading] = {}
    gathered: dict[tuple[object, ...], Group] = {}
    returned: list[Return] = []
    for step, reading in taken:
        place = place_of(step)
        same = (step.path, step.source, step.view, step.stimulus, step.quantity, step.second)
        alone = Group(step=step, readings=(reading,), ground=grounds.get(place))
        if step.purpose == GROUND:
            grounds[place] = reading
            passes[place] += 1
        elif step.purpose == RETURN:
            first = next((g for key, g in reversed(gathered.items()) if key[:-1] == same), None)
            returned += [Return(first=first, again=alone)] if first else []
        else:
            before = gathered.get((*same, passes[place]), Group(step=step, readings=()))
            readings = (*before.readings, reading)
            gathered[*same, passes[place]] = Group(step=before.step, readings=readings, ground=alone.ground)
    return list(gathered.values()), returned


def name_of(step: Measure) -> str:
    """What is stated of a reading, as a report calls it; "" for what is read for another's sake."""
    rating = quantity_of(step).rating
    return rating.name if rating is not None else ""


def place_of(step: Measure) -> tuple[object, ...]:
    """The range of a channel behind a path: what a ground line is read for."""
    view = step.view
    return step.path, view.channel, view.volts_per_div, view.s_per_div, view.magnifier


def setting_value(step: Measure) -> float:
    """V/div or s/div, whichever is tried."""
    return step.view.volts_per_div if quantity_of(step).axis == "level" else step.view.s_per_div


def setting_of(step: Measure) -> str:
    """The range that is tried, in words."""
    if quantity_of(step).axis == "level":
        return f"{show(step.view.volts_per_div, 'V')}/div"
    magnified = f" ×{step.view.magnifier:g}" if step.view.magnifier != 1 else ""
    return f"{show(step.view.s_per_div, 's')}/div{magnified}"


# --- what is missing ---------------------------------------------------------------------------------------------


Place: TypeAlias = tuple[int, str, str, str]
"""Channel, path, what is stated, and the setting: what a planned point is known by."""


def planned_place(step: Measure) -> Place:
    """Where a planned point belongs."""
    return step.view.channel, step.path, name_of(step), setting_of(step)


def missing(entry: Mapping[str, Any], there: Iterable[Place]) -> Iterator[str]:
    """What a part was to read and has not, by channel and path: "channel 2: 5 mV/div, 10 mV/div"."""
    have = Counter(there)
    lacking: dict[tuple[int, str], list[str]] = {}
    for step in (from_plain(plain) for plain in entry.get("points", ())):
        key = planned_place(step)
        have[key] -= 1
        if have[key] < 0:
            name = key[3] if is_error(key[2]) else key[2] or key[3]
            lacking.setdefault(key[:2], []).append(name)
    several = len({path for _, path in lacking}) > 1
    for (channel, path), names in lacking.items():
        yield f"channel {channel}{f', {path}' if several else ''}: {', '.join(dict.fromkeys(names))}"
