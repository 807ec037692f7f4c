import errno
import json
import os
from dataclasses import replace
from itertools import count

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import JournalError
from harness.journal import journal as journals
from harness.journal.journal import Journal, read
from harness.steps import Connect, Dc, Done, Measure, Reading, View, from_plain, to_plain
from tests.helpers.journals import comparable

CONNECT = Connect(path="lead", source="calibrator", display="unit", channel=1)
STEP = Measure(
    purpose="deflection",
    path="lead",
    source="calibrator",
    stimulus=Dc(level_v=6.0),
    display="unit",
    view=View(channel=1, volts_per_div=1.0, s_per_div=1e-3),
    quantity="deflection",
    expected=6.0,
)
HEADER = {"program": "test", "run": "r", "started": "2026-11-25", "setup": {}, "parts": []}


def stamps():
    ticks = count()
    return lambda: f"t{next(ticks)}"


@pytest.fixture
def folder(tmp_path):
    journal = Journal.create(tmp_path / "run", HEADER, stamps())
    journal.reply("a", 0, CONNECT, Done())
    journal.reply("a", 1, STEP, Reading(value=6.05, said="6.05"))
    journal.event("a", "note", "slightly out of focus")
    journal.close()
    return tmp_path / "run"


def test_what_was_recorded_comes_back_equal(folder):
    contents = read(folder)
    assert [record.step for record in contents.replies("a")] == [CONNECT, STEP]
    assert contents.records[1].reply == Reading(value=6.05, said="6.05")
    assert contents.events[0].text == "slightly out of focus"
    assert contents.closed_at is None


def test_every_line_is_synced_before_append_returns(tmp_path, monkeypatch):
    synced = []
    fsync = os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (synced.append(handle), fsync(handle))[1])
    journal = Journal.create(tmp_path / "run", HEADER, stamps())
    before = len(synced)
    journal.reply("a", 0, STEP, Reading(value=1.0))
    assert len(synced) == before + 1


@pytest.mark.parametrize("cut", [1, 7, 40])
def test_a_torn_tail_is_dropped_and_the_run_goes_on(folder, cut):
    path = folder / journals.NAME
    path.write_bytes(path.read_bytes()[:-cut])
    journal, contents = Journal.reopen(folder, stamps())
    assert len(contents.records) == 2
    assert contents.events == ()
    journal.event("a", "note", "again")
    journal.close()
    assert [event.text for event in read(folder).events] == ["again"]


@pytest.mark.parametrize("line", [1, 2, 3])
def test_a_changed_digit_is_found_with_its_line(folder, line):
    path = folder / journals.NAME
    lines = path.read_bytes().splitlines(keepends=True)
    lines[line - 1] = (
        lines[line - 1].replace(b"6", b"7") if b"6" in lines[line - 1] else lines[line - 1].replace(b"e", b"i", 1)
    )
    path.write_bytes(b"".join(lines))
    with pytest.raises(JournalError, match=rf"journal.jsonl:{line}: "):
        read(folder)


def test_a_missing_line_is_found(folder):
    path = folder / journals.NAME
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:1] + lines[2:]))
    with pytest.raises(JournalError, match="jsonl:2: this line was changed or damaged"):
        read(folder)


def test_an_unknown_format_names_the_one_it_reads(tmp_path, monkeypatch):
    monkeypatch.setattr(journals, "STYLE", replace(journals.STYLE, format=2))
    Journal.create(tmp_path / "run", HEADER, stamps()).close()
    monkeypatch.undo()
    with pytest.raises(JournalError, match="format 2 is not known to this version, which reads format 1"):
        read(tmp_path / "run")


def test_a_file_that_is_no_journal_is_refused(tmp_path):
    (tmp_path / "journal.jsonl").write_text('{"kind":"reply"}\n')
    with pytest.raises(JournalError):
        read(tmp_path)


def test_a_full_disk_loses_nothing_and_says_what_to_do(folder, monkeypatch):
    journal, _ = Journal.reopen(folder, stamps())
    write = os.write
    monkeypatch.setattr(os, "write", lambda handle, data: (write(handle, data[:9]), _full())[1])
    with pytest.raises(JournalError, match=r"No space left on device.*make room, then resume"):
        journal.reply("a", 2, STEP, Reading(value=1.0))
    monkeypatch.setattr(os, "write", write)
    journal.close()
    again, contents = Journal.reopen(folder, stamps())
    again.close()
    assert len(contents.records) == 2


def test_a_line_that_was_written_but_not_synced_is_taken_back(folder, monkeypatch):
    """Else a shorter line over it would leave its end standing, and the journal would be refused."""
    journal, _ = Journal.reopen(folder, stamps())
    fsync = os.fsync
    monkeypatch.setattr(os, "fsync", lambda _handle: _full())
    with pytest.raises(JournalError, match="make room, then resume"):
        journal.reply("a", 2, STEP, Reading(value=1.0, said="a long answer " * 20))
    monkeypatch.setattr(os, "fsync", fsync)
    journal.event("a", "note", "short")
    journal.close()
    assert [event.text for event in read(folder).events] == ["slightly out of focus", "short"]


def test_a_line_that_a_signal_cut_off_is_not_in_the_way_of_the_next(folder, monkeypatch):
    """Ctrl-C between the write and its confirmation, then a shorter line on the way out."""
    journal, _ = Journal.reopen(folder, stamps())

    def interrupted(_handle):
        raise KeyboardInterrupt

    fsync = os.fsync
    monkeypatch.setattr(os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        journal.reply("a", 2, STEP, Reading(value=1.0, said="a long answer " * 20))
    monkeypatch.setattr(os, "fsync", fsync)
    journal.event("", "off", "short")
    journal.close()
    contents = read(folder)
    assert len(contents.records) == 2
    assert contents.events[-1].text == "short"


def test_a_remark_with_bytes_that_are_no_character_is_kept_as_far_as_it_can_be(folder):
    journal, _ = Journal.reopen(folder, stamps())
    journal.event("a", "note", "focus \udcff soft")
    journal.close()
    assert read(folder).events[-1].text == "focus ? soft"


def _full():
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_withdrawn_reading_stays_in_the_file_and_out_of_the_result(folder):
    journal, _ = Journal.reopen(folder, stamps())
    journal.withdraw("a")
    journal.reply("a", 1, STEP, Reading(value=5.95))
    journal.close()
    contents = read(folder)
    assert [record.reply.value for record in contents.withdrawn] == [6.05]
    assert contents.records[-1].reply.value == 5.95


def test_a_second_run_in_the_same_folder_is_refused(folder):
    with pytest.raises(JournalError, match="there is a run here already"):
        Journal.create(folder, HEADER, stamps())


def test_comparable_ignores_time_stamps_only(folder, tmp_path):
    other = Journal.create(tmp_path / "other", HEADER, lambda: "another time")
    other.reply("a", 0, CONNECT, Done())
    other.reply("a", 1, STEP, Reading(value=6.05, said="6.05"))
    other.close()
    assert comparable(folder) == comparable(tmp_path / "other")


@given(
    st.builds(
        Reading,
        value=st.floats(allow_nan=False, allow_infinity=False),
        said=st.text(max_size=40),
        flags=st.lists(st.text(max_size=9), max_size=3).map(tuple),
        more=st.dictionaries(st.text(max_size=9), st.floats(allow_nan=False, allow_infinity=False), max_size=3),
    )
)
def test_any_reading_survives_json(reading):
    assert from_plain(json.loads(json.dumps(to_plain(reading)))) == reading


@given(st.binary(max_size=400))
def test_any_bytes_as_a_journal_raise_only_a_journal_error(data):
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as name:
        (Path(name) / journals.NAME).write_bytes(data)
        with pytest.raises(JournalError):
            read(Path(name))
