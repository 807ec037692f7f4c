"""The checks of `harness.conformance` on drivers of a user's own: sound ones pass, and each fault is named."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from harness.conformance import HARMLESS_V, tried, wrong
from harness.errors import InstrumentError
from harness.fakes import FakeDriver
from harness.link.link import Link
from harness.link.port import MemoryPort
from harness.models import Calibrator, Generator
from harness.steps import NoSignal
from sequences.known import harmless
from tests.helpers.link_double import Double, Refusal, WaitingClock

SI = {"si": True}


class Plain(Double):
    """A source of its own words, which remembers the levels that stood at its output."""

    def __init__(self, **options: Any) -> None:
        self.level, self.on, self.stood = 0.0, False, list[float]()
        super().__init__({"LEVel": self._level, "OPERate": self._operate, "STBY": self._standby}, **options)

    def _level(self, value: str) -> None:
        if abs(float(value)) > 100:
            raise Refusal('-222,"Data out of range"')
        self.level = float(value)
        self._stands()

    def _operate(self) -> None:
        self.on = True
        self._stands()

    def _standby(self) -> None:
        self.on = False

    def _stands(self) -> None:
        self.stood += [self.level] if self.on else []


class Own:
    """A driver for it, as a user writes one."""

    def __init__(self, link: Link) -> None:
        self.link = link

    def identify(self) -> str:
        return self.link.identity

    def apply(self, stimulus: Any) -> None:
        if isinstance(stimulus, NoSignal):
            self.off()
            return
        self.link.set(f"STBY;:LEV {stimulus.level:.6f}")
        self.link.check()
        self.link.set("OPER")

    def off(self) -> None:
        self.link.discard_errors()
        self.link.set("STBY")

    def check(self) -> None:
        self.link.check()

    def close(self) -> None:
        self.link.close()


def link_to(double: Double) -> Link:
    link = Link(MemoryPort(double.handle), "calibrator", clock=WaitingClock())
    link.connect()
    return link


@pytest.mark.parametrize("goes_on", [True, False])
def test_a_sound_driver_of_ones_own_is_found_sound_and_leaves_its_output_off(goes_on: bool) -> None:
    source = Plain(goes_on=goes_on)
    link = link_to(source)
    found = list(tried("calibrator", Own(link), link=link))
    assert wrong(found) == []
    assert {each.check for each in found} >= {
        "identity",
        "error queue",
        "refusal",
        "loss",
        "output off",
        "settings: dc",
    }
    assert not source.on
    assert source.stood
    assert max(map(abs, source.stood)) <= HARMLESS_V


class Deaf(Own):
    def check(self) -> None:
        """Closes no point."""


class Nameless(Own):
    def identify(self) -> str:
        return ""


class Partial(Own):
    def apply(self, stimulus: Any) -> None:
        if stimulus.command == "square":
            raise ValueError("no square wave")
        super().apply(stimulus)


class StaysOn(Own):
    def off(self) -> None:
        self.link.set("STANDBYE")
        self.link.check()


class Refuses(Own):
    """Takes a link that had to get back in step for an instrument that says no."""

    def __init__(self, link: Link) -> None:
        super().__init__(link)
        self.began = link.epoch

    def check(self) -> None:
        self.link.check()
        if self.link.epoch != self.began:
            raise InstrumentError("calibrator", "no")


@pytest.mark.parametrize(
    ("driver", "sentence"),
    [
        (Deaf, "loss: goes on after a lost reply as if nothing had been"),
        (Nameless, "identity: says '' of itself; expected text"),
        (Partial, "settings: square: raises ValueError: no square wave"),
        (StaysOn, "output off: reports -113"),
        (Refuses, "loss: takes a reply that came too late for a no"),
    ],
)
def test_each_fault_of_a_driver_is_named(driver: Callable[[Link], Own], sentence: str) -> None:
    link = link_to(Plain())
    assert any(said.startswith(sentence) for said in wrong(tried("calibrator", driver(link), link=link)))


class Mute(Plain):
    """Refuses nothing: what it does not know is passed over without a word."""

    def handle(self, message: bytes) -> bytes | None:
        reply = super().handle(message)
        self.errors.clear()
        self.esr &= 128
        return reply


def test_an_instrument_that_refuses_in_silence_is_told() -> None:
    link = link_to(Mute())
    assert any(
        said == "refusal: takes 'NOSUCHTHING' without a word: what it refuses would go unseen"
        for said in wrong(tried("calibrator", Own(link), link=link))
    )


def test_without_a_link_nothing_is_refused_or_lost_on_purpose() -> None:
    found = list(tried("calibrator", FakeDriver()))
    assert wrong(found) == []
    assert [each.check for each in found if each.word == "not tried"] == ["refusal and loss"]


def test_whoever_stops_looking_leaves_no_output_on() -> None:
    source = Plain()
    link = link_to(source)
    for each in (checks := tried("calibrator", Own(link), link=link)):
        if source.on or each.check.startswith("settings"):
            break
    assert source.stood
    checks.close()  # type: ignore[attr-defined]
    assert not source.on


class Room(FakeDriver):
    def read_room(self) -> tuple[float, float | None]:
        return math.nan, None


class Counter(FakeDriver):
    def read_frequency_hz(self, expected_hz: float) -> float:
        return math.inf


def test_what_is_no_number_is_told() -> None:
    assert "the room: measures nan °C" in wrong(tried("meter", Room()))[0]
    assert "counts: counts inf; expected a number" in wrong(tried("counter", Counter()))[0]


def test_a_display_and_a_switch_of_ones_own() -> None:
    assert wrong(tried("unit", FakeDriver())) == []
    assert wrong(tried("switch", FakeDriver(), routes=("(@101)",))) == [
        "route (@101): raises AttributeError: 'FakeDriver' object has no attribute 'route'"
    ]


@pytest.mark.parametrize(
    "keys",
    [
        {}, {"levels": "decade"}, {"levels": "1-2-5", "level_high": 0.3}, {"levels": (0.5, 50.0)}, {"level_low": 0.9},
        {"mark_level": 0.2, "periods": (1e-6, 1e-3)}, {"negative": False, "level_digits": 2}, {"edge_rise_time": 1e-9},
    ],
)  # fmt: skip
def test_no_signal_is_above_a_harmless_level(keys: dict[str, Any]) -> None:
    signals, left_out = harmless(Calibrator.model_validate(keys, context=SI))
    assert signals
    assert left_out == ()
    for pair in signals.values():
        assert all(0 < abs(each.level) <= HARMLESS_V for each in pair)


def test_what_gives_no_harmless_level_is_not_tried() -> None:
    signals, left_out = harmless(Calibrator.model_validate({"level_low": 5.0, "mark_level": 5.0}, context=SI))
    assert (signals, len(left_out)) == ({}, 3)
    assert harmless(Generator.model_validate({"level_low": 2.0}, context=SI)) == (
        {}, ("The sine: it has no level up to 1 V.",),
    )  # fmt: skip
