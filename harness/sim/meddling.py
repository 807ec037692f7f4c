"""Behind the back of whoever asks: old settings, late obedience, rounding, deafness, other hands on the instrument.

None of it is on the line, so no protocol sees it: only asking again what is set does. What is armed is done at the next
setting that it can spoil.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from typing import Any, Final

from harness import quantities
from harness.errors import ConfigError
from harness.sim.device import Boolean, Choice, Device, Holds, Numeric, TableLine, Value
from harness.sim.instruments import SwitchModel
from harness.sim.scpi import Parameter, ScpiError

_UNBOUNDED: Final = 1e12
_SI: Final = {"V": "V", "HZ": "Hz", "S": "s", "OHM": "Ω", "": "ratio"}


class Meddler:
    """What one device is made to do, or to leave undone."""

    def __init__(self, device: Device, key: str, *, longest_held: int, deaf: bool, coarse: bool) -> None:
        self.device = device
        self.acts = 0  # how often it has meddled so far
        self._random = random.Random(f"{key}/meddling")
        self._longest_held, self._deaf, self._coarse = longest_held, deaf, coarse
        self._armed: set[str] = set()
        self._skip = 0  # settings to obey before one is refused
        self._held: list[tuple[int, bytes]] = []  # messages still to come, and what is obeyed before the last of them
        device.taken = self._taken

    def can(self, fault: str) -> bool:
        """Whether this instrument has anything that such a fault could touch."""
        names = {command.name for command in self.device.settings}
        match fault:
            case "off ignored":
                return "output" in names
            case "rounded":
                return any(isinstance(command.holds, Numeric) for command in self.device.settings)
            case "second controller" | "panel reset":
                return bool(names) or isinstance(self.device.model, SwitchModel)
            case _:
                return True

    def before(self, fault: str | None, line: bytes) -> bool:
        """What happens before a message is obeyed; True where it is held back, and so not answered."""
        self._obey_what_is_due()
        match fault:
            case "panel reset":
                self.device.model.reset()
                self.acts += 1
            case "second controller":
                self._as_another()
            case "refused":
                self._armed.add("refused")
                self._skip = self._random.randrange(max(1, self.device.count_settings(line)))
            case "rounded" | "off ignored" | "obeyed late":
                self._armed.add(fault)
        if "obeyed late" in self._armed and self.device.count_settings(line):
            self._armed.discard("obeyed late")
            self._held.append((self._random.randint(1, self._longest_held), line))
            return True
        return False

    def forget(self) -> None:
        """Switched off and on: nothing is held back any more."""
        self._held.clear()
        self._armed.clear()
        self.acts += 1

    def scramble(self) -> None:
        """Leave every setting somewhere, as another user may have."""
        for command in self.device.settings:
            for number in range(1, command.channels + 1):
                self.device.model.put(command.name, number, _anything(command.holds, self._random))
        if isinstance(self.device.model, SwitchModel):
            self._as_another()
        self.device.ready_at = 0.0

    def _obey_what_is_due(self) -> None:
        due = [line for left, line in self._held if left == 1]
        self._held = [(left - 1, line) for left, line in self._held if left > 1]
        for line in due:
            self.device.handle(line)  # nobody is there any more to be answered
            self.acts += 1

    def _as_another(self) -> None:
        """One setting is changed, within what the instrument takes; a switch lets go or closes another path."""
        self.acts += 1
        model = self.device.model
        if isinstance(model, SwitchModel):
            model.do("open_all", ())
            model.do("close", ((self._random.choice(sorted(model.world.routes)),),))
            return
        command = self._random.choice(self.device.settings)
        model.put(command.name, self._random.randint(1, command.channels), _anything(command.holds, self._random))

    def _taken(self, command: TableLine, value: Value | None) -> Value | None:
        """What becomes of a setting, or of an action (None): itself, another value, None for nothing, or a refusal."""
        if "refused" in self._armed:
            self._skip -= 1
            if self._skip < 0:
                self._armed.discard("refused")
                raise ScpiError(-221)
        if command.name == "output" and value is False:
            if self._deaf or "off ignored" in self._armed:
                self._armed.discard("off ignored")
                self.acts += 1
                return None
        elif isinstance(command.holds, Numeric) and isinstance(value, float | int):
            return self._rounded(float(value), command.holds)
        return value

    def _rounded(self, value: float, holds: Numeric) -> float:
        if not (self._coarse or "rounded" in self._armed) or not value:
            return value
        digits = 0 if self._coarse else self._random.choice((0, 1, 2))
        coarser = min(max(float(f"{value:.{digits}e}"), holds.low), holds.high)
        if coarser != value:
            self._armed.discard("rounded")
            self.acts += 1
        return round(coarser) if holds.whole else coarser


def leave(device: Device, left_over: Mapping[str, Any], where: str) -> None:
    """Put settings in before the first command, as the last user left them; raises ConfigError with file and key."""
    known = {command.name: command for command in device.settings}
    for name, value in left_over.items():
        try:
            if name == "closed" and isinstance(device.model, SwitchModel):
                device.model.do("close", (tuple(int(channel) for channel in value),))
                continue
            if name not in known:
                raise ValueError(f"it has no such setting; it has {', '.join(known) or 'none'}")
            command = known[name]
            for number in range(1, command.channels + 1):
                device.model.put(name, number, _held(command.holds, value))
        except (ScpiError, TypeError, ValueError) as error:
            raise ConfigError(f"{where}.{name}: {error}") from None
    device.ready_at = 0.0


def _held(holds: Holds | None, value: object) -> Value:
    """A value of a file as a setting holds it; raises ValueError or ScpiError for what it cannot hold."""
    match holds:
        case Numeric():
            number = quantities.parse(value if isinstance(value, str) else float(str(value)), _SI[holds.unit])
            return holds.read(Parameter("number", value=number))
        case Choice():
            meanings = [meaning for _, meaning in holds.words]
            if value not in meanings:
                raise ValueError(f"{value!r} is none of {', '.join(meanings)}")
            return str(value)
        case _:
            if not isinstance(value, bool):
                raise ValueError(f"{value!r} is neither true nor false")
            return value


def _anything(holds: Holds | None, chance: random.Random) -> Value:
    """Any value that a setting may have."""
    match holds:
        case Numeric(steps=steps) if steps:
            return chance.choice(steps)
        case Numeric(low=low, high=high) if max(abs(low), abs(high)) < _UNBOUNDED:
            value = math.exp(chance.uniform(math.log(low), math.log(high))) if low > 0 else chance.uniform(low, high)
            return round(value) if holds.whole else value
        case Numeric():
            return holds.default
        case Choice():
            return chance.choice(holds.words)[1]
        case Boolean() | None:
            return chance.random() < 0.5
