"""Journals packed for the store: they come back to the last byte, whatever they are, in little room."""

from __future__ import annotations

import zlib
from pathlib import Path

import pytest
import sqlalchemy as sa

from harness.journal import journal
from harness.years.records.packing import pack, unpack
from harness.years.records.schema import journals
from harness.years.records.store import Store
from tests.helpers.demo_lab import halfpower
from tests.helpers.record_examples import told_again
from tests.helpers.record_workers import contents, packed_as_before, packed_before

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


# --- those that an older version put into a store ------------------------------------------------------------------


def test_journals_of_before_are_packed_anew_and_one_that_is_damaged_is_told_and_stays(tmp_path: Path) -> None:
    url = str(tmp_path / "records.sqlite")
    with Store.open(url) as store:
        for n in (1, 2, 3):
            store.add(told_again(tmp_path / "runs", n))
        before = contents(url)
        packed_before(store)
        spoilt = sa.update(journals).where(journals.c.run_id == f"{2:032x}").values(packed=zlib.compress(b"other"))
        store.transaction(lambda connection: connection.execute(spoilt))
        told = halfpower("records", "repack", "--store", url)
        assert (told.exit_code, told.stdout[:14]) == (10, f"{url}: 2 journals"[:14])
        assert "the journal kept here is damaged or was changed" in told.stderr
        assert packed_as_before(store) == [f"{2:032x}"]
        store.rebuild(f"{2:032x}", before[f"{2:032x}"].journal)
        told = halfpower("records", "repack", "--store", url)
        assert (told.exit_code, told.stdout) == (0, f"{url}: 0 journals packed anew\n")
        assert contents(url) == before
        assert halfpower("records", "check", "--store", url).exit_code == 0


def test_a_file_is_smaller_for_it(tmp_path: Path) -> None:
    file = tmp_path / "records.sqlite"
    with Store.open(str(file)) as store:
        store.add(next(each.parent for each in GOLDEN if each.parent.name == "digital"))
        packed_before(store)
    large = file.stat().st_size
    told = halfpower("records", "repack", "--store", str(file))
    assert told.stdout.startswith(f"{file}: 1 journal packed anew, 0.0 MB before and 0.0 MB now")
    assert file.stat().st_size < large
