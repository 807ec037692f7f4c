"""Faults on demand: what can go wrong between an instrument and whoever asks it, at a stated rate and seed.

`Endpoint` stands between a device and its I/O, in process and on TCP alike: it hands a message to the device
and says what becomes of the reply, and when. A damaged byte keeps no valid character (bit 7 set), as a
parity error would show: a digit that turns into another digit is beyond any protocol without check sums.
"""

from __future__ import annotations

import random
import re
import threading
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias, get_args

from pydantic import Field

from harness.sim.device import Device
from harness.sim.meddling import Meddler
from harness.values import Model, Ratio, Seconds

Fault: TypeAlias = Literal[
    "late",  # the whole reply comes after the time-out
    "cut",  # a first part in time, the tail late
    "doubled",  # the reply comes twice
    "lost",  # no reply
    "prefixed",  # bytes of noise before the reply
    "damaged",  # one byte arrives as none that a reply can hold
    "closed",  # the connection is closed instead of a reply
    "reset",  # the connection is reset instead of a reply
    "power cycle",  # off and on: settings lost, event register bit 7, connection closed
    "refused",  # one setting of a message is refused with an error; what follows it depends on the parser
    "overload",  # a number is answered with the mark for too large
    "obeyed late",  # the next settings are not answered, and obeyed some messages later
    "rounded",  # the next number that can be is rounded, without an error
    "off ignored",  # the next "output off" is not obeyed, without an error
    "panel reset",  # settings as after *RST, from the front panel: no event bit tells of it
    "second controller",  # another computer changes one setting
]
FAULTS: Final[tuple[Fault, ...]] = get_args(Fault)
Ending: TypeAlias = Literal["", "closed", "reset"]

_NUMBER: Final = re.compile(rb"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)")
_NOISE: Final = b"\x80\xff#~"


class FaultPlan(Model):
    """Which faults, how often, and the faults that stay."""

    rate: Ratio = Field(0.0, ge=0, le=1, description="probability of a fault at each query")
    kinds: tuple[Fault, ...] = FAULTS
    seed: int = 1
    late: Seconds = Field(3.0, gt=0, le=3600, description="how much later a late reply comes")
    roles: tuple[str, ...] = Field((), description="which instruments; all where none is named")
    held: int = Field(12, ge=1, le=1000, description="most messages after which settings that are late are obeyed")
    scrambled: tuple[str, ...] = Field((), description="instruments whose settings are anything at the start")
    coarse: tuple[str, ...] = Field((), description="instruments that round every number to one digit")
    deaf: tuple[str, ...] = Field((), description="sources that ignore 'output off', and say that they are on")
    stuck: tuple[str, ...] = Field((), description="sources whose output stays on, and that say it is off")
    slow: Mapping[str, Seconds] = Field(default_factory=dict, description="how much longer an instrument takes")
    drift_per_hour: Mapping[str, Ratio] = Field(default_factory=dict, description="sources whose level walks away")


@dataclass(frozen=True, slots=True)
class Delivery:
    """What arrives: how long the device is busy, then bytes and how much later, and how the connection ends."""

    pieces: tuple[tuple[float, bytes], ...] = ()
    ending: Ending = ""
    busy_s: float = 0.0  # on the bench's clock; the delays of the pieces are the line's


class FaultInjector:
    """Draws faults for one instrument; the same seed and queries give the same faults."""

    def __init__(self, plan: FaultPlan, role: str) -> None:
        self._plan = plan
        self._on = plan.rate > 0 and bool(plan.kinds) and (not plan.roles or role in plan.roles)
        self._random = random.Random(f"{plan.seed}/{role}")
        self.slow_s = plan.slow.get(role, 0.0)
        self.asked = 0
        self.counts: dict[str, int] = {}

    def draw(self, line: bytes) -> Fault | None:
        """The fault of this message, if any; only queries have one."""
        if b"?" not in line:
            return None
        self.asked += 1
        if not self._on or self._random.random() >= self._plan.rate:
            return None
        fault = self._random.choice(self._plan.kinds)
        self.counts[fault] = self.counts.get(fault, 0) + 1
        return fault

    def deliver(self, fault: Fault | None, reply: bytes) -> Delivery:
        """What becomes of a reply, its newline included."""
        late_s = self._plan.late
        match fault:
            case "late":
                return Delivery(((late_s, reply),))
            case "cut":
                at = self._random.randrange(0, len(reply))
                return Delivery(((0.0, reply[:at]), (late_s, reply[at:])))
            case "doubled":
                return Delivery(((0.0, reply * 2),))
            case "lost":
                return Delivery()
            case "prefixed":
                noise = bytes(self._random.choice(_NOISE) for _ in range(self._random.randint(1, 6)))
                return Delivery(((0.0, noise + reply),))
            case "damaged":
                at = self._random.randrange(0, max(1, len(reply) - 1))
                return Delivery(((0.0, reply[:at] + bytes([reply[at] | 0x80]) + reply[at + 1 :]),))
            case "closed" | "reset":
                return Delivery(ending=fault)
            case "overload":
                marked = reply if reply.startswith(b"#") else _NUMBER.sub(b"9.9E37", reply)
                if marked == reply:
                    self.counts["overload"] -= 1  # a word, a whole number or a block: nothing to mark
                return Delivery(((0.0, marked),))
            case _:
                return Delivery(((0.0, reply),))


class Endpoint:
    """One device as its I/O sees it; the lock is the bench's, since the physics is shared."""

    def __init__(self, device: Device, lock: threading.RLock, role: str = "", plan: FaultPlan | None = None) -> None:
        self.device, self.lock, self._role = device, lock, role
        self.inject(plan or FaultPlan())

    def inject(self, plan: FaultPlan) -> FaultInjector:
        """Faults from now on, those of the start at once."""
        role = self._role
        self.injector = FaultInjector(plan, role)
        self.meddler = Meddler(
            self.device, f"{plan.seed}/{role}", longest_held=plan.held, deaf=role in plan.deaf,
            coarse=role in plan.coarse,
        )  # fmt: skip
        if role in plan.scrambled:
            self.meddler.scramble()
        return self.injector

    def message(self, line: bytes) -> Delivery:
        """Obey one message; when its reply comes, and in what state."""
        device, injector, meddler = self.device, self.injector, self.meddler
        with self.lock:
            fault = injector.draw(line)
            if fault and not meddler.can(fault):
                injector.counts[fault] -= 1
                fault = None
            if fault == "power cycle":
                meddler.forget()
                device.power_cycle()
                return Delivery(ending="closed")
            if meddler.before(fault, line):
                return Delivery()
            reply = device.handle(line)
            if reply is None:
                return Delivery()
            busy_s = max(0.0, device.ready_at - device.clock.now())
        delivery = injector.deliver(fault, reply + device.answers_end_with)
        if injector.slow_s:
            pieces = tuple((injector.slow_s + delay_s, piece) for delay_s, piece in delivery.pieces)
            delivery = replace(delivery, pieces=pieces)
        return replace(delivery, busy_s=busy_s) if busy_s else delivery
