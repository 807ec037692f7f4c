"""One run a bench, by whatever name it calls an instrument."""

from __future__ import annotations

import os
import stat
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.errors import BusyError
from harness.journal.lock import _made_for_all, hold
from harness.words.addresses import same_for_all
from tests.helpers.served import end, started


def test_one_instrument_in_two_roles_does_not_lock_itself_out(tmp_path: Path) -> None:
    with hold(("GPIB0::9::INSTR", "GPIB0::10::INSTR", "GPIB0::9::INSTR"), tmp_path):
        assert len(list(tmp_path.glob("*.lock"))) == 2


# VPP-4.3, section 4.3.1.1 (address strings; from memory): the case does not matter, board 0, INSTR, inst0 and USB's
# interface 0 may be left out. IANA (from memory): port 5025 is an instrument's own, 4880 HiSLIP's.
@pytest.mark.parametrize(("one", "other"), [
    ("GPIB0::9::INSTR", "gpib::9"),
    ("GPIB0::9::INSTR", "GPIB::09::INSTR"),
    ("TCPIP0::192.0.2.11::inst0::INSTR", "TCPIP::192.0.2.11::INSTR"),
    ("TCPIP0::192.0.2.11::hislip0::INSTR", "TCPIP::192.0.2.11::INSTR"),
    ("TCPIP0::192.0.2.11::hislip0,4880::INSTR", "TCPIP0::192.0.2.11::5025::SOCKET"),
    ("TCPIP0::192.0.2.11::4242::SOCKET", "tcpip::192.0.2.11::4242::socket"),
    ("TCPIP0::127.0.0.1::4242::SOCKET", "TCPIP0::localhost::4242::SOCKET"),
    (f"TCPIP0::{'x' * 64}.lab::INSTR", f"TCPIP0::{'X' * 64}.lab.::inst0::INSTR"),  # a name that no server is asked for
    ("USB0::0x1234::0x5678::SN1::INSTR", "USB::4660::22136::sn1::0::INSTR"),
    ("TCPIP0::localhost,1024::inst0::INSTR", "TCPIP::127.0.0.1,1024::INSTR"),
    ("ASRL/dev/ttyUSB0::INSTR", "ASRL/dev/../dev/ttyUSB0"),
    ("ASRL3::INSTR", "asrlCOM3"),
])  # fmt: skip
def test_an_instrument_is_held_however_its_address_is_written(tmp_path: Path, one: str, other: str) -> None:
    with hold((one,), tmp_path), pytest.raises(BusyError, match=r"is in use by process \d+"), hold((other,), tmp_path):
        pass


@pytest.mark.parametrize(("one", "other"), [
    ("GPIB0::9::INSTR", "GPIB1::9::INSTR"),
    ("GPIB0::9::INSTR", "GPIB0::9::2::INSTR"),
    ("TCPIP0::192.0.2.11::4242::SOCKET", "TCPIP0::192.0.2.11::4243::SOCKET"),
    ("TCPIP0::192.0.2.11::gpib0,9::INSTR", "TCPIP0::192.0.2.11::gpib0,10::INSTR"),
    ("TCPIP0::192.0.2.11::INSTR", "TCPIP0::192.0.2.12::INSTR"),
    ("ASRL1::INSTR", "ASRL2::INSTR"),
    ("ASRL/dev/ttyA::INSTR", "ASRL/dev/ttya::INSTR"),
    ("/lab/bench.toml", "/lab/Bench.toml"),
])  # fmt: skip
def test_what_is_another_bench_is_not_held(tmp_path: Path, one: str, other: str) -> None:
    with hold((one,), tmp_path), hold((other,), tmp_path):
        pass


def test_what_is_held_is_given_so_that_another_process_holds_the_same(tmp_path: Path) -> None:
    with hold(("TCPIP::localhost::INSTR", "gpib::09"), tmp_path) as held:
        assert set(held) >= {"tcpip0::127.0.0.1", "gpib0::9"}
        assert [same for name in held for same in same_for_all(name)] == list(held)


@pytest.mark.skipif(sys.platform == "win32", reason="the permissions of POSIX")
class TestUsers:
    """One lock a machine, whoever runs."""

    def test_the_folder_is_for_all_users_whatever_the_umask(self, tmp_path: Path) -> None:
        before = os.umask(0o077)
        try:
            with hold(("GPIB0::9::INSTR",), _made_for_all(tmp_path / "locks")):
                pass
        finally:
            os.umask(before)
        folder = tmp_path / "locks"
        assert stat.S_IMODE(folder.stat().st_mode) == 0o1777
        assert {stat.S_IMODE(file.stat().st_mode) for file in folder.iterdir()} == {0o644, 0o666}

    def test_a_folder_that_cannot_be_made_is_said(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        (tmp_path / "file").touch()
        monkeypatch.setenv("HALFPOWER_LOCKS", str(tmp_path / "file" / "locks"))
        with pytest.raises(BusyError, match=r"^Not begun: the folder of locks cannot be made .*HALFPOWER_LOCKS"):
            hold(("GPIB0::9::INSTR",)).__enter__()

    @pytest.mark.parametrize("made", [Path.mkdir, Path.touch, lambda path: path.symlink_to("/tmp")])
    def test_a_folder_that_is_not_for_all_is_said(self, tmp_path: Path, made: Callable[[Path], None]) -> None:
        made(tmp_path / "locks")
        with pytest.raises(BusyError, match=r"locks should be a folder that all users .*chmod 1777"):
            _made_for_all(tmp_path / "locks")

    def test_a_file_that_cannot_be_opened_is_said(self, tmp_path: Path) -> None:
        with hold(("GPIB0::9::INSTR",), tmp_path):
            pass
        (lock,) = tmp_path.glob("*.lock")
        lock.unlink()
        lock.symlink_to("/etc/hostname")  # whatever the reason; root may open every plain file
        with pytest.raises(BusyError, match=r"GPIB0::9::INSTR cannot be held .*Have its owner or an administrator"):
            hold(("GPIB0::9::INSTR",), tmp_path).__enter__()

    @pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="becomes two other users")
    def test_two_users_do_not_share_a_bench_and_nobodys_leftover_is_in_the_way(self, tmp_path: Path) -> None:
        with tempfile.TemporaryDirectory() as place:
            Path(place).chmod(0o755)
            folder = _made_for_all(Path(place) / "locks")
            for user in (12001, 12002):  # the second finds what the first has left, and writes over it
                assert _as_user(user, folder, tmp_path / str(user)) == ""
            with hold(("GPIB::9",), folder):
                assert "GPIB0::9::INSTR is in use by process" in _as_user(12001, folder, tmp_path / "refused")


def _as_user(user: int, folder: Path, log: Path) -> str:
    """Hold the same instrument as another user; what is said against it."""
    end(started(_hold_as, user, folder, log=log))
    return log.read_text("utf-8")


def _hold_as(user: int, folder: Path) -> None:
    os.setgid(user)
    os.setuid(user)
    with hold(("GPIB0::9::INSTR",), folder):
        assert not os.access(folder.parent, os.W_OK)  # it is another user indeed
