"""One run a bench, by whatever name it calls an instrument."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import BusyError
from harness.lock import hold


def test_one_instrument_in_two_roles_does_not_lock_itself_out(tmp_path: Path) -> None:
    with hold(("GPIB0::9::INSTR", "GPIB0::10::INSTR", "GPIB0::9::INSTR"), tmp_path):
        assert len(list(tmp_path.glob("*.lock"))) == 2


# VPP-4.3, section 4.3.1.1 (address strings; from memory): the case does not matter, board 0 and INSTR may be left out.
@pytest.mark.parametrize(("one", "other"), [
    ("GPIB0::9::INSTR", "gpib::9"),
    ("TCPIP0::192.0.2.11::inst0::INSTR", "TCPIP::192.0.2.11::INSTR"),
    ("TCPIP0::192.0.2.11::5025::SOCKET", "tcpip::192.0.2.11::5025::socket"),
    ("USB0::0x1234::0x5678::SN1::INSTR", "USB::0x1234::0x5678::SN1"),
    ("ASRL/dev/ttyUSB0::INSTR", "ASRL/dev/ttyUSB0"),
])  # fmt: skip
def test_an_instrument_is_held_however_its_address_is_written(tmp_path: Path, one: str, other: str) -> None:
    with hold((one,), tmp_path), pytest.raises(BusyError, match=r"is in use by process \d+"), hold((other,), tmp_path):
        pass


@pytest.mark.parametrize(("one", "other"), [
    ("GPIB0::9::INSTR", "GPIB1::9::INSTR"),
    ("TCPIP0::192.0.2.11::5025::SOCKET", "TCPIP0::192.0.2.11::INSTR"),
    ("ASRL1::INSTR", "ASRL2::INSTR"),
    ("/lab/bench.toml", "/lab/Bench.toml"),
])  # fmt: skip
def test_what_is_another_bench_is_not_held(tmp_path: Path, one: str, other: str) -> None:
    with hold((one,), tmp_path), hold((other,), tmp_path):
        pass
