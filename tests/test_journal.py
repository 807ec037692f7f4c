import errno
import json
import math
import os
import tempfile
from dataclasses import replace
from itertools import count
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import JournalError
from harness.journal import journal as journals
from harness.journal.journal import Journal, read
from harness.journal.sealed import sealed, unsealed
from harness.steps import (
    Connect,
    Dc,
    Done,
    Look,
    Measure,
    NoSignal,
    Reading,
    Seen,
    Sine,
    Trigger,
    View,
    from_plain,
    to_plain,
)
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
    monkeypatch.setattr(journals, "STYLE", replace(journals.STYLE, format=3))
    Journal.create(tmp_path / "run", HEADER, stamps()).close()
    monkeypatch.undo()
    with pytest.raises(JournalError, match="format 3 is not known to this version, which reads format 1 and 2"):
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


TRIGGERS = st.none() | st.builds(Trigger, level_v=st.sampled_from([None, 0.0, 1.0]), normal=st.booleans())
VIEWS = st.builds(
    View, channel=st.integers(1, 2), volts_per_div=st.sampled_from([0.1, 1.0]), s_per_div=st.just(1e-3),
    coupling=st.sampled_from(["dc", "ground"]), input_ohm=st.sampled_from([None, 50.0]), trigger=TRIGGERS,
)  # fmt: skip
STIMULI = st.just(NoSignal()) | st.builds(Dc, level_v=st.sampled_from([0.0, -0.0]) | st.floats()) | st.builds(
    Sine, level_vpp=st.sampled_from([0.6, math.inf]), frequency_hz=st.sampled_from([1e3, 1e6]), turned=st.booleans()
)  # fmt: skip
STEPS = st.builds(
    replace, st.just(STEP), purpose=st.sampled_from(["deflection", "ground"]), stimulus=STIMULI, view=VIEWS,
    quantity=st.sampled_from(["deflection", "peak_to_peak"]), expected=st.sampled_from([None, 0, 0.0, 6.0]),
    with_counter=st.booleans(), second=st.sampled_from([None, 0, 2]), because=st.sampled_from(["", "it moved"]),
)  # fmt: skip
LOOKS = st.builds(Look, what=st.just("trace"), question=st.just("?"), lines=st.sampled_from([(), ("a", "b")]),
                  path=st.just("lead"), source=st.just("calibrator"), stimulus=STIMULI, view=VIEWS)  # fmt: skip
CONNECTS = st.builds(replace, st.just(CONNECT), also=st.sampled_from([(), (2,), (2, 3)]), counted=st.booleans())
TAKEN = STEPS.map(lambda step: (step, Reading(value=1.0))) | LOOKS.map(lambda step: (step, Seen(answer="yes")))


@given(
    st.lists(st.tuples(st.sampled_from("ab"), TAKEN | CONNECTS.map(lambda step: (step, Done()))), max_size=12),
    st.integers(0, 12),
)
def test_any_steps_come_back_as_they_were_asked_wherever_the_file_was_opened_anew(entries, again):
    """Shown by what is printed of them: there 0 and 0.0 are two, and a NaN is itself."""
    with tempfile.TemporaryDirectory() as name:
        journal = Journal.create(Path(name) / "run", HEADER, stamps())
        for n, (part, (step, reply)) in enumerate(entries):
            if n == again:
                journal.close()
                journal, _ = Journal.reopen(Path(name) / "run", stamps())
            journal.reply(part, n, step, reply)
        journal.close()
        records = read(Path(name) / "run").records
    kept = [(record.part, record.n, repr(record.step), repr(record.reply)) for record in records]
    assert kept == [(part, n, repr(step), repr(reply)) for n, (part, (step, reply)) in enumerate(entries)]


def test_a_line_says_what_differs_from_one_before_and_names_it(tmp_path):
    journal = Journal.create(tmp_path / "run", HEADER, stamp=lambda: "2026-11-25T18:00:00.330+00:00")
    journal.reply("a", 0, STEP, Reading(value=6.05))
    journal.event("a", "note", "seen")
    journal.reply("a", 1, replace(STEP, stimulus=Dc(level_v=3.0), expected=None), Reading(value=3.02))
    journal.close()
    *_, line = (tmp_path / "run" / journals.NAME).read_text("utf-8").splitlines()
    assert line.rpartition(",")[0] == (
        '{"kind":"reply","n":1,"step":{"as":2,"stimulus":{"level_v":3.0},"expected":null},"reply":{"value":3.02},'
        '"at":"T18:00:00.330"'
    )


def test_a_journal_of_before_is_gone_on_with_as_it_was_begun(tmp_path, monkeypatch):
    """A version of before, which may be what finishes the run, reads all of it."""
    monkeypatch.setattr(journals, "STYLE", replace(journals.STYLE, format=1))
    at = "2026-11-25T18:00:00.330+00:00"
    begun = Journal.create(tmp_path / "run", HEADER, lambda: at)
    begun.reply("a", 0, STEP, Reading(value=6.05))
    begun.close()
    monkeypatch.undo()
    journal, _ = Journal.reopen(tmp_path / "run", lambda: at)
    journal.reply("a", 1, STEP, Reading(value=6.05))
    journal.close()
    _, first, second = (tmp_path / "run" / journals.NAME).read_text("utf-8").splitlines()
    assert json.loads(second) | {"n": 0, "crc": ""} == json.loads(first) | {"crc": ""}


def test_a_day_that_changes_is_written(tmp_path):
    moments = [f"2026-11-{day}T{hour}:59:59.999+00:00" for day, hour in ((25, 22), (25, 23), (26, 0), (26, 1))]
    moments += ["2026-11-26T02:00:00.000+01:00", "2026-11-26T02:00:00.001+01:00"]
    each = iter(moments)
    journal = Journal.create(tmp_path / "run", HEADER, lambda: next(each))
    for moment in moments[1:]:
        journal.event("", "note", moment)
    journal.close()
    assert [event.at for event in read(tmp_path / "run").events] == moments[1:]


def test_a_word_of_the_clock_before_a_line_shifts_no_reference(tmp_path):
    """It is written while the line asks for its time stamp."""
    told = iter((False, True, False, False))

    def stamp():
        if next(told, False):
            journal.event("", "clock", "set back")
        return "t"

    journal = Journal.create(tmp_path / "run", HEADER, stamp)
    journal.reply("a", 0, STEP, Reading(value=6.05))
    journal.reply("a", 1, replace(STEP, expected=1.0), Reading(value=6.05))
    journal.close()
    assert [record.step.expected for record in read(tmp_path / "run").records] == [6.0, 1.0]


@pytest.mark.parametrize(
    "said",
    [
        '{"as":9}', '{"as":1}', '{"as":[2]}', '{"as":2,"nothing":1}', '{"as":2,"quantity":"smell"}',
        '{"as":2,"view":{"a":{"b":1}}}', '{"as":2,"source":{"b":1}}',
    ],
)  # fmt: skip
def test_a_line_that_is_like_none_is_refused_with_its_number(folder, said):
    path = folder / journals.NAME
    text = path.read_bytes() + f'{{"kind":"reply","n":2,"step":{said},"reply":{{"value":1.0}},"at":"t",'.encode()
    path.write_bytes(sealed(unsealed(text + b'"crc":""}\n')))
    with pytest.raises(JournalError, match="jsonl:5: this line is no entry of a journal"):
        read(folder)


@given(st.binary(max_size=400))
def test_any_bytes_as_a_journal_raise_only_a_journal_error(data):
    with tempfile.TemporaryDirectory() as name:
        (Path(name) / journals.NAME).write_bytes(data)
        with pytest.raises(JournalError):
            read(Path(name))


def test_what_is_known_of_a_file_is_not_read_again_unless_it_has_changed(folder):
    known = read(folder)
    journal, contents = Journal.reopen(folder, stamps(), known)
    assert contents is known
    journal.event("", "outputs", "written by a guardian meanwhile")
    journal.close()
    journal, contents = Journal.reopen(folder, stamps(), known)
    journal.event("", "note", "after it")
    journal.close()
    assert contents.events[-1].text == "written by a guardian meanwhile"
    assert read(folder).events[-1].text == "after it"
