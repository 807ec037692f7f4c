"""The heartbeat and whoever watches it: slow is told from stalled by what the heartbeat itself announced."""

from __future__ import annotations

import datetime as dt
import math
import os
import socket
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import JournalError
from harness.night import heartbeat
from harness.night.heartbeat import GRACE_S, Beat, Heart, Seen, judge, read, to_text
from harness.night.watching import process_lives, watch
from harness.sim.clock import VirtualClock

NOW = dt.datetime(2026, 11, 25, 22, 0, tzinfo=dt.UTC)
HERE = socket.gethostname()


def seconds(value: float) -> dt.timedelta:
    return dt.timedelta(seconds=value)


BEAT = Beat(
    pid=4711, host="bench2", doing="running", job="digital.toml", number=1, jobs=3, part="1 vertical", step=12,
    steps=46, since=NOW - seconds(300), at=NOW, next_by=NOW + seconds(30),
)  # fmt: skip
SEEN = Seen(now=NOW, unchanged_s=None, host="desk", alive=None)


def test_what_was_written_comes_back(tmp_path: Path) -> None:
    (tmp_path / heartbeat.NAME).write_text(to_text(BEAT), "utf-8")
    assert read(tmp_path) == read(tmp_path / heartbeat.NAME) == BEAT


@pytest.mark.parametrize("beat", [BEAT, replace(BEAT, next_by=None), replace(BEAT, doing="ended", text="finished")])
@pytest.mark.parametrize(
    "seen", [SEEN, replace(SEEN, now=NOW + seconds(9999)), replace(SEEN, host="bench2", alive=False)]
)
def test_an_output_that_may_be_on_is_said_before_all_else(beat: Beat, seen: Seen) -> None:
    warned = replace(beat, may_be_on="first.toml: The output of the calibrator may still be ON.")
    assert judge(warned, seen).sentence == f"{warned.may_be_on} {judge(beat, seen).sentence}"


@pytest.mark.parametrize(("beat", "seen", "kind", "said"), [
    (BEAT, SEEN, "alive", "Job 1 of 3, digital.toml, 1 vertical, step 12 of 46"),
    (BEAT, replace(SEEN, now=NOW + seconds(30 + GRACE_S)), "alive", "Job 1"),
    (BEAT, replace(SEEN, now=NOW + seconds(31 + GRACE_S)), "alarm", "overdue by 11 s. The last: Job 1 of 3, digital"),
    (BEAT, replace(SEEN, unchanged_s=40.0), "alive", "Job 1"),
    (BEAT, replace(SEEN, unchanged_s=41.0), "alarm", "No sign of life for 41 s, where the next was due within 30 s"),
    # another clock, or one that was set back: whoever goes on watching is not misled either way
    (BEAT, replace(SEEN, now=NOW - seconds(3600)), "alarm", "1 h 00 min ahead of this clock: a clock was set back"),
    (BEAT, replace(SEEN, now=NOW - seconds(3600), unchanged_s=5.0), "alive", "Job 1"),
    (BEAT, replace(SEEN, now=NOW + seconds(3600), unchanged_s=5.0), "alive", "Job 1"),
    (BEAT, replace(SEEN, now=NOW - seconds(3600), unchanged_s=41.0), "alarm", "No sign of life"),
    # a process that is gone is known at once, on its own machine only
    (BEAT, replace(SEEN, host="bench2", alive=False), "alarm", "The process 4711 is gone."),
    (BEAT, replace(SEEN, host="desk", alive=False), "alive", "Job 1"),
    (BEAT, replace(SEEN, host="bench2", alive=None), "alive", "Job 1"),
    (replace(BEAT, next_by=None), replace(SEEN, now=NOW + seconds(9999)), "asked", "waiting for a person"),
    (replace(BEAT, next_by=None), replace(SEEN, host="bench2", alive=False), "alarm", "is gone"),
    (replace(BEAT, doing="ended", text="finished. 3 of 3."), replace(SEEN, host="bench2", alive=False), "ended",
     "The queue has ended: finished. 3 of 3."),
    (replace(BEAT, doing="waiting", text="Waiting until 18:00", part=""), SEEN, "alive", "Waiting until 18:00"),
])  # fmt: skip
def test_slow_is_told_from_stalled(beat: Beat, seen: Seen, kind: str, said: str) -> None:
    verdict = judge(beat, seen)
    assert verdict.kind == kind
    assert said in verdict.sentence


@given(st.lists(st.tuples(st.floats(0, 1), st.floats(0, 400)), min_size=1, max_size=30))
def test_who_keeps_every_promise_is_never_called_late(
    tmp_path_factory: pytest.TempPathFactory, signs: list[tuple[float, float]]
) -> None:
    """Each sign of life comes within what the one before announced; the file may leave signs out, not promises."""
    path = tmp_path_factory.mktemp("beat") / heartbeat.NAME
    clock = VirtualClock(NOW)
    heart = Heart(path, clock, replace(BEAT, host=HERE), lambda _text: pytest.fail("trouble"))
    changed_s, last = clock.now(), ""
    for share, within_s in signs:
        heart.sign(within_s)
        text = path.read_text("utf-8")
        changed_s, last = (changed_s, last) if text == last else (clock.now(), text)
        clock.sleep(share * within_s)
        for unchanged_s in (None, clock.now() - changed_s):
            seen = Seen(now=clock.utc(), unchanged_s=unchanged_s, host=HERE, alive=True)
            assert judge(read(path), seen).kind == "alive"


def test_many_signs_a_second_are_few_writes(tmp_path: Path) -> None:
    clock = VirtualClock(NOW)
    heart = Heart(tmp_path / heartbeat.NAME, clock, BEAT, lambda _text: None)
    written = set()
    for _ in range(1000):
        clock.sleep(0.01)
        heart.sign(30.0)
        written.add((tmp_path / heartbeat.NAME).read_text("utf-8"))
    assert 9 <= len(written) <= 12


def test_a_person_who_is_asked_may_take_for_ever(tmp_path: Path) -> None:
    heart = Heart(tmp_path / heartbeat.NAME, VirtualClock(NOW), BEAT, lambda _text: None)
    heart.sign(math.inf)
    assert read(tmp_path).next_by is None


DAMAGED = [
    b"", b"{", b"[]", b"null", b"\xff\xfe", b'{"format": 2}', b'{"format": 1}', b"[" * 100_000,
    to_text(BEAT).replace('"pid": 4711', '"pid": "x"').encode(),
    to_text(BEAT).replace("2026-11-25T22:00:30.000+00:00", "soon").encode(),
    to_text(BEAT).replace("+00:00", "").encode(),
    to_text(BEAT).replace('"running"', '"sleeping"').encode(),
    to_text(BEAT).replace('"step": 12,', '"step": 12, "more": 1,').encode(),
]  # fmt: skip


@pytest.mark.parametrize("content", DAMAGED)
def test_a_damaged_heartbeat_is_said_to_be_one(tmp_path: Path, content: bytes) -> None:
    (tmp_path / heartbeat.NAME).write_bytes(content)
    with pytest.raises(JournalError, match=r"heartbeat.json: is no heartbeat of a queue, or a damaged one"):
        read(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_in_its_place_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / heartbeat.NAME)
    with pytest.raises(JournalError, match="is no heartbeat of a queue"):
        read(tmp_path)


def test_a_path_that_cannot_even_be_looked_at_is_a_heartbeat_that_has_gone(tmp_path: Path) -> None:
    """As where a network's file system went away: who watches counts it and raises the alarm, and does not break."""
    path = tmp_path / ("x" * 300)  # no file system here takes such a name
    with pytest.raises(JournalError, match="cannot be read: File name too long"):
        read(path)


def test_a_place_that_cannot_even_be_looked_at_is_said_once_and_ends_nothing(tmp_path: Path) -> None:
    told: list[str] = []
    heart = Heart(tmp_path / ("x" * 300), VirtualClock(NOW), BEAT, told.append)
    heart.sign(30.0)
    heart.sign(300.0)
    assert len(told) == 1
    assert "The heartbeat cannot be written" in told[0]


def test_a_folder_without_a_heartbeat_says_what_to_name(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match=r"cannot be read: .*Name the folder of a queue or its heartbeat.json"):
        read(tmp_path)


# --- watching ----------------------------------------------------------------------------------------------------


class Watched(VirtualClock):
    """A night on a virtual clock that a watcher looks at: what happens at which second."""

    def __init__(self, path: Path, script: dict[int, bytes | None]) -> None:
        super().__init__(NOW)
        self.path, self.script = path, script

    def sleep(self, seconds: float) -> None:
        before = self.now()
        super().sleep(seconds)
        for at, content in self.script.items():
            if before < at <= self.now():
                if content is None:
                    self.path.unlink()
                else:
                    self.path.write_bytes(content)


def beat_at(second: int, **more: object) -> bytes:
    at = NOW + seconds(second)
    return to_text(replace(BEAT, at=at, next_by=at + seconds(30), **more)).encode()  # type: ignore[arg-type]


def watched(tmp_path: Path, script: dict[int, bytes | None]) -> tuple[str, str, float, list[str]]:
    path = tmp_path / heartbeat.NAME
    path.write_bytes(beat_at(0))
    clock, told = Watched(path, script), []
    verdict = watch(path, clock=clock, once=False, tell=told.append)
    return verdict.kind, verdict.sentence, clock.now(), told


def test_a_watcher_says_each_part_once_and_ends_with_the_queue(tmp_path: Path) -> None:
    script: dict[int, bytes | None] = {second: beat_at(second, step=second) for second in range(10, 100, 10)}
    script |= {100: beat_at(100, part="2 time_base"), 120: beat_at(120, doing="ended", text="finished. All done.")}
    kind, _, after_s, told = watched(tmp_path, script)
    assert (kind, after_s) == ("ended", 120)
    assert told == [
        "Job 1 of 3, digital.toml, 1 vertical, step 12 of 46",
        "Job 1 of 3, digital.toml, 2 time_base, step 12 of 46",
        "The queue has ended: finished. All done.",
    ]


def test_a_watcher_raises_the_alarm_as_soon_as_a_promise_is_broken(tmp_path: Path) -> None:
    kind, sentence, after_s, told = watched(tmp_path, {20: beat_at(20)})
    assert kind == "alarm"
    assert told == ["Job 1 of 3, digital.toml, 1 vertical, step 12 of 46"]  # the alarm is for the caller to say, once
    assert "No sign of life for 42 s, where the next was due within 30 s" in sentence
    assert 20 + 30 + GRACE_S < after_s <= 20 + 30 + GRACE_S + 4


def test_a_file_that_is_away_for_a_moment_is_no_alarm_and_for_long_is_one(tmp_path: Path) -> None:
    kind, _, after_s, _ = watched(
        tmp_path, {10: None, 20: beat_at(20), 24: b"{", 26: beat_at(26), 40: beat_at(40, doing="ended", text="x")}
    )
    assert (kind, after_s) == ("ended", 40)
    kind, sentence, after_s, _ = watched(tmp_path, {10: None})
    assert kind == "alarm"
    assert "The heartbeat has gone" in sentence or "No sign of life" in sentence
    assert after_s <= 10 + 34


def test_one_look_is_one_look(tmp_path: Path) -> None:
    path = tmp_path / heartbeat.NAME
    path.write_bytes(beat_at(0))
    clock = Watched(path, {})
    assert watch(tmp_path, clock=clock, once=True, tell=lambda _text: None).kind == "alive"
    assert clock.now() == 0


@pytest.mark.skipif(os.name != "posix", reason="signal 0 is of POSIX")
def test_a_process_is_known_to_live_or_to_be_gone(tmp_path: Path) -> None:
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait(timeout=60)
    assert process_lives(os.getpid())
    assert process_lives(gone.pid) is False
    assert process_lives(0) is None
    (tmp_path / heartbeat.NAME).write_text(to_text(replace(BEAT, host=HERE, pid=gone.pid)), "utf-8")
    verdict = watch(tmp_path, clock=VirtualClock(NOW), once=False, tell=lambda _text: None)
    assert (verdict.kind, f"The process {gone.pid} is gone" in verdict.sentence) == ("alarm", True)


def test_a_watcher_started_with_a_queue_that_goes_on_is_not_misled_by_what_the_killed_one_left(tmp_path: Path) -> None:
    path, mine = tmp_path / heartbeat.NAME, os.getpid()
    path.write_text(to_text(replace(BEAT, host=HERE, pid=mine + 1)), "utf-8")
    at_work = to_text(replace(BEAT, host=HERE, pid=mine, at=NOW + seconds(8), next_by=NOW + seconds(38))).encode()
    told: list[str] = []
    script: dict[int, bytes | None] = {8: at_work, 20: beat_at(20, doing="ended", text="finished.")}
    clock = Watched(path, script)
    verdict = watch(path, clock=clock, once=False, tell=told.append, lives=lambda pid: pid == mine)
    assert verdict.kind == "ended"
    assert told[0].endswith("Looking for 15 s whether another goes on.")
    path.write_text(to_text(replace(BEAT, host=HERE, pid=mine + 1)), "utf-8")
    clock = Watched(path, {})
    assert watch(path, clock=clock, once=False, tell=told.append, lives=lambda pid: pid == mine).kind == "alarm"
    assert clock.now() <= 16
