"""The link over HiSLIP, which marks the end of a message and knows a device clear."""

from __future__ import annotations

import pytest

from harness.errors import LinkError
from harness.link.link import Link, repeat_point
from harness.link.visa import open_link, resource_manager
from harness.models import Generator
from harness.words.clock import RealClock
from tests.helpers.hislip_double import HislipDouble
from tests.helpers.link_double import Double, Trouble

BLOCK = bytes(range(256)) * 4


@pytest.fixture
def instrument():
    made: list[HislipDouble] = []

    def make(**options) -> tuple[Link, HislipDouble]:
        held = {"level": "0"}
        double = Double(
            {
                "SOURce:VOLTage": lambda value: held.update(level=value),
                "MEASure:VOLTage?": lambda *_: f"{float(held['level']):.6E}",
                "TRACe?": lambda *_: b"#41024" + BLOCK,
                "TRACe:ALL?": lambda *_: b"#0" + BLOCK,
                "TRACe:SHORt?": lambda *_: b"#41024" + BLOCK[:500],
                "LINE?": lambda: "1." + "0" * 253,  # with its newline exactly one chunk of 256 bytes
            }
        )
        made.append(HislipDouble(double, **options))
        model = Generator.model_validate({"address": made[-1].address, "timeout": 0.06}, context={"si": True})
        return open_link(model, "generator", resource_manager("@py"), RealClock()), made[-1]

    yield make
    for server in made:
        server.close()


def test_a_point_over_hislip(instrument):
    link, _ = instrument()
    link.set(":SOUR:VOLT 1.25")
    assert link.query_float(":MEAS:VOLT?") == 1.25
    assert link.query_block(":TRAC?") == BLOCK
    assert link.query_block(":TRAC:ALL?") == BLOCK  # no length in it: the message's end is its end
    assert link.query_float(":LINE?") == 1.0
    link.check()
    link.close()


def test_a_block_that_ends_too_soon_is_no_endless_wait(instrument):
    link, _ = instrument()
    with pytest.raises(LinkError, match=r"only 50[0-4] of 1024 bytes"):
        link.query_block(":TRAC:SHOR?")
    assert link.query_float(":MEAS:VOLT?") == 0.0
    link.close()


def test_a_lost_reply_is_cleared_away_without_a_new_session(instrument):
    troubled = iter([False] * 5 + [True] + [False] * 100)
    link, server = instrument(damage=lambda reply: (b"", b"") if next(troubled) else (reply, b""))
    with pytest.raises(LinkError):
        link.query_float(":MEAS:VOLT?")
    assert link.query_float(":MEAS:VOLT?") == 0.0
    assert (server.clears, server.sessions) == (1, 1)
    link.close()


def test_no_value_is_silently_wrong_over_hislip(instrument):
    trouble = Trouble(0.03, seed=2)
    link, _ = instrument(damage=trouble)
    wrong = failed = 0
    for number in range(60):
        level = 1 + (number * 0.618034) % 1

        def point(level=level) -> float:
            link.set(f":SOUR:VOLT {level:.6f}")
            value = link.query_float(":MEAS:VOLT?")
            link.check()
            return value

        try:
            wrong += abs(repeat_point(point) - level) > 1e-5
        except LinkError:
            failed += 1
    link.close()
    assert trouble.tampered > 3
    assert wrong == 0
    assert failed <= 1
