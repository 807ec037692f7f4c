"""Journals packed for the store: they come back to the last byte, whatever they are, in little room."""

from __future__ import annotations

import zlib
from pathlib import Path

import pytest

from harness.journal import journal
from harness.years.records.packing import pack, unpack
from tests.helpers.record_examples import told_again

GOLDEN = sorted((Path(__file__).parent / "golden").rglob(journal.NAME))


@pytest.mark.parametrize("file", GOLDEN, ids=lambda file: file.parent.name)
def test_a_journal_comes_back_and_takes_less_room_than_before(file: Path) -> None:
    data = file.read_bytes()
    assert unpack(pack(data)) == data
    assert len(pack(data)) < (0.7 if len(data) > 80_000 else 0.95) * len(zlib.compress(data))


@pytest.mark.parametrize(
    "data", [b"", b"\n", b"no journal", b'{"a":1,"crc":"00000000"}\n', b"a\r\nb\x0c\n", b"\xff\x00"]
)
def test_what_is_no_sound_journal_comes_back_too(data: bytes) -> None:
    assert unpack(pack(data)) == data


def test_a_torn_line_comes_back(tmp_path: Path) -> None:
    data = (told_again(tmp_path) / journal.NAME).read_bytes()
    for end in (1, 9, 40, 400):
        assert unpack(pack(data[:-end])) == data[:-end]


def test_stores_before_had_zlib_and_damage_is_told(tmp_path: Path) -> None:
    data = (told_again(tmp_path) / journal.NAME).read_bytes()
    assert unpack(zlib.compress(data)) == data
    for damaged in (b"", b"\x00", pack(data)[:-40], zlib.compress(data)[:-40]):
        with pytest.raises(ValueError, match=r"\w"):
            unpack(damaged)
