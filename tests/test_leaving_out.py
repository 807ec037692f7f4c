"""What a person may say to any question: leave out the rest of something, read a setting again, ask where they are."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from harness.errors import AnalysisError
from harness.fakes import FakePerson
from harness.journal.journal import Contents, Journal, read
from harness.person.guide import Guide, Guided
from harness.person.operator import LeaveOut, Prompt, Redo
from harness.run import again
from harness.run.again import MOST_LEFT_OUT
from harness.run.loop import Part, run_parts
from harness.steps import Connect, Dc, Done, Measure, Reading, Reply, Step, View, connect, measure

RANGES = (0.1, 0.2, 0.5)


def point(channel: int, volts_per_div: float, path: str = "lead", level_div: float = 6.0) -> Measure:
    return Measure(
        purpose="deflection", path=path, source="calibrator", stimulus=Dc(level_v=round(level_div * volts_per_div, 6)),
        display="unit", view=View(channel=channel, volts_per_div=volts_per_div, s_per_div=1e-3), quantity="deflection",
    )  # fmt: skip


def every_range() -> Iterator[Step]:
    for path in ("lead", "probe"):
        for channel in (1, 2):
            yield from connect(path=path, source="calibrator", display="unit", channel=channel)
            for volts_per_div in RANGES:
                yield from measure(point(channel, volts_per_div, path))


def adaptive() -> Iterator[Step]:
    """The level of the second reading follows from the first one."""
    yield from connect(path="lead", source="calibrator", display="unit", channel=1)
    first = yield from measure(point(1, 0.1))
    for volts_per_div in (0.2, 0.5):
        yield from measure(point(1, volts_per_div, level_div=round(first.value or 0.0)))


class Bench:
    """Reads 6 div, and at a step says what a person does instead."""

    def __init__(self, said: dict[int, BaseException | Reply] | None = None) -> None:
        self.asked: list[Step] = []
        self.said = said or {}

    def __call__(self, step: Step) -> Reply:
        self.asked.append(step)
        said = self.said.pop(len(self.asked), None)
        if isinstance(said, BaseException):
            raise said
        return said or (Done() if isinstance(step, Connect) else Reading(value=6.0, said="6"))


def ran(tmp_path: Path, bench: Bench, script: Callable[[], Iterator[Step]] = every_range) -> tuple[Contents, list[str]]:
    told: list[str] = []
    folder = tmp_path / "run"
    journal = Journal.create(folder, {"setup": {}}, lambda: "now")
    run_parts([Part(name="a", start=script)], bench, journal, tell=told.append)
    journal.close()
    return read(folder), told


def places(steps: list[Step]) -> list[tuple[str, int]]:
    return [(step.path, step.view.channel) for step in steps if isinstance(step, Measure)]


def skipped(contents: Contents) -> list[tuple[str, int]]:
    return places([r.step for r in contents.records if isinstance(r.reply, Reading) and r.reply.status == "skipped"])


@pytest.mark.parametrize(
    ("what", "at", "said", "left_out"),
    [
        (
            "channel",
            7,
            "channel 2",
            [("lead", 2)] * 2 + [("probe", 2)] * 3,
        ),  # 1 connect, 2-4, 5 connect, 6, 7
        ("CHANNEL", 5, "channel 2", [("lead", 2)] * 3 + [("probe", 2)] * 3),  # at the question of the cable
        ("lead", 3, "lead", [("lead", 1)] * 2 + [("lead", 2)] * 3),
        ("path", 3, "lead", [("lead", 1)] * 2 + [("lead", 2)] * 3),
        ("part", 7, "the rest of this part", [("lead", 2)] * 2 + [("probe", 1)] * 3 + [("probe", 2)] * 3),
    ],
)
def test_the_rest_of_something_is_left_out_and_nothing_of_it_is_asked(
    tmp_path: Path, what: str, at: int, said: str, left_out: list[tuple[str, int]]
) -> None:
    bench = Bench({at: LeaveOut(what)})
    contents, told = ran(tmp_path, bench)
    assert skipped(contents) == left_out
    assert told == [f"Left out from here: {said}."]
    assert len(contents.records) == 16
    assert len(places(bench.asked)) == 12 - len(left_out) + (what.islower() or at != 5)  # the one that was skipped at
    assert all(r.reply.said == f"skip {what.lower()}" for r in contents.records if getattr(r.reply, "value", 1) is None)


def test_a_name_that_is_nothing_here_is_told_and_the_question_stands(tmp_path: Path) -> None:
    bench = Bench({3: LeaveOut("probe")})
    contents, told = ran(tmp_path, bench)
    assert told == [
        "'skip probe' means nothing at this question; type skip channel, skip part, or skip path (this one is lead)."
    ]
    assert bench.asked[2] == bench.asked[3]
    assert skipped(contents) == []


class Crash(BaseException):
    pass


def test_what_was_left_out_stays_so_after_a_crash(tmp_path: Path) -> None:
    with pytest.raises(Crash):
        ran(tmp_path, Bench({3: LeaveOut("lead"), 4: Crash()}))
    journal, contents = Journal.reopen(tmp_path / "run", lambda: "later")
    bench = Bench()
    run_parts([Part(name="a", start=every_range)], bench, journal, contents=contents)
    assert places(bench.asked) == [("probe", 1)] * 3 + [("probe", 2)] * 3
    assert len(skipped(read(tmp_path / "run"))) == 5


def test_a_sequence_that_asks_on_for_ever_is_ended(tmp_path: Path) -> None:
    def for_ever() -> Iterator[Step]:
        yield from connect(path="lead", source="calibrator", display="unit", channel=1)
        while (yield from measure(point(1, 0.1))).status == "skipped":
            pass

    folder = tmp_path / "run"
    journal = Journal.create(folder, {"setup": {}}, lambda: "now")
    ended = run_parts([Part(name="a", start=for_ever)], Bench({2: LeaveOut("part")}), journal)
    assert isinstance(ended[0].error, AnalysisError)
    assert str(MOST_LEFT_OUT) in str(ended[0])


# --- once more ---------------------------------------------------------------------------------------------------


def test_a_setting_is_read_again_and_nothing_else(tmp_path: Path) -> None:
    # asked: 1 connect, 2-4 readings, 5 connect channel 2, 6; at 7 the 100 mV/div of this channel is wanted again
    bench = Bench({7: Redo("100 mV/div"), 8: Reading(value=5.5, said="5.5")})
    contents, _ = ran(tmp_path, bench)
    assert bench.asked[7] == bench.asked[5]
    assert bench.asked[8] == bench.asked[6]  # and on it goes
    assert [r.reply.value for r in contents.records if r.step == bench.asked[5]] == [5.5]
    assert [r.reply.value for r in contents.withdrawn] == [6.0]
    assert len(contents.records) == 16


def test_the_cable_goes_where_the_setting_was_and_back(tmp_path: Path) -> None:
    bench = Bench({7: Redo("channel 1, 0.2 V/div")})
    ran(tmp_path, bench)
    assert bench.asked[7:11] == [bench.asked[0], bench.asked[2], bench.asked[4], bench.asked[6]]


def test_what_follows_from_a_reading_is_withdrawn_with_it(tmp_path: Path) -> None:
    bench = Bench({4: Redo("100 mV/div"), 5: Reading(value=4.0, said="4")})
    contents, _ = ran(tmp_path, bench, adaptive)
    assert [r.reply.value for r in contents.records if isinstance(r.reply, Reading)] == [4.0, 6.0, 6.0]
    assert len(contents.withdrawn) == 2
    assert contents.records[2].step == point(1, 0.2, level_div=4.0)


@pytest.mark.parametrize("said", [Crash(), Reading(status="skipped", said="skip"), LeaveOut("channel"), Redo("1 V")])
def test_the_earlier_reading_stands_until_the_new_one_is_there(tmp_path: Path, said: BaseException | Reading) -> None:
    bench = Bench({7: Redo("100 mV/div"), 8: said})
    try:
        contents, told = ran(tmp_path, bench)
        assert told == ["The earlier reading stands."]
    except Crash:
        contents = read(tmp_path / "run")
    assert contents.withdrawn == ()
    assert [r.reply.value for r in contents.records if r.step == bench.asked[5]] == [6.0]


def test_a_run_whose_reading_was_taken_again_goes_on_after_a_crash(tmp_path: Path) -> None:
    with pytest.raises(Crash):
        ran(tmp_path, Bench({4: Redo("100 mV/div"), 5: Reading(value=4.0, said="4"), 7: Crash()}), adaptive)
    journal, contents = Journal.reopen(tmp_path / "run", lambda: "later")
    bench = Bench()
    run_parts([Part(name="a", start=adaptive)], bench, journal, contents=contents)
    assert len(places(bench.asked)) == 1


@pytest.mark.parametrize(
    "wanted", ["5 V/div", "everything", "channel 9, 100 mV/div", "/div", "1e400 V/div", "-", "ch 2", "ch " + "9" * 5000]
)
def test_a_setting_that_was_not_read_is_told(tmp_path: Path, wanted: str) -> None:
    bench = Bench({4: Redo(wanted)})
    contents, told = ran(tmp_path, bench)
    assert told == [f"Nothing was read at {wanted} in this part; so far: 100 mV/div, 200 mV/div."]
    assert contents.withdrawn == ()


@pytest.mark.parametrize("wanted", ["100 mV/div", "0.1 V", "100mV / div", "ch 1 100 mV/div", "channel 1, 0.1 V/div"])
def test_a_setting_is_named_in_several_spellings(tmp_path: Path, wanted: str) -> None:
    contents, _ = ran(tmp_path, Bench())
    standing = contents.records[3].step
    assert again.chosen(wanted, contents.records[:3], standing) == (1,)


def test_a_journal_with_a_second_answer_is_read_by_line(tmp_path: Path) -> None:
    ran(tmp_path, Bench({4: Redo("100 mV/div")}))
    kinds = [json.loads(line)["kind"] for line in (tmp_path / "run" / "journal.jsonl").read_text().splitlines()]
    assert kinds.count("again") == 1


# --- to any question ---------------------------------------------------------------------------------------------


def guided(*answers: str) -> tuple[Guided, FakePerson, Guide]:
    person = FakePerson(answers, then=None)
    guide = Guide(planned=lambda: {"a": 4, "b": 2}, judge=lambda _step, reading: ("pass", f"{reading.value}"))
    return Guided(person, guide), person, guide


def test_every_question_says_how_far_it_is() -> None:
    operator, person, guide = guided("6", "6", "")
    operator.ask(Prompt(kind="read", title="What?"))
    assert guide.took("a", 1, point(1, 0.1), Reading(value=6.0)) == "6 div: ✓ 6.0"
    operator.ask(Prompt(kind="read", title="What?"))
    operator.ask(Prompt(kind="do", title="Switch it off", firm=True))
    assert [prompt.progress.split(",")[0] for prompt in person.asked] == ["1 of 6", "2 of 6", ""]


def test_what_was_left_out_as_a_whole_says_nothing_of_the_pace() -> None:
    """Ten seconds an answer, two answers, four left out in no time: four to go take forty seconds, not thirteen."""
    seconds = 0.0
    guide = Guide(planned=lambda: {"a": 6, "b": 4}, now=lambda: seconds)
    guide.progress()
    for n in range(2):
        seconds += 10
        guide.took("a", n, point(1, 0.1), Reading(value=6.0))
    for n in range(2, 6):
        guide.took("a", n, point(2, 0.1), Reading(status="skipped", said="skip channel"))
    assert guide.progress() == "7 of 10, about 40 s left"


def test_a_reading_costs_as_much_after_a_thousand_others_as_after_ten() -> None:
    """By the calls that are made, which no busy machine changes; a run of 50,000 took minutes to go on with."""
    guide = Guide(planned=lambda: {"a": 2000})
    calls: Counter[int] = Counter()
    for n in range(1000):
        sys.setprofile(lambda *_, n=n: calls.update((n,)))  # type: ignore[misc]
        guide.took("a", n, point(1, 0.1), Reading(value=6.0))
        sys.setprofile(None)
    assert calls[999] == calls[10]


@pytest.mark.parametrize("kind", ["read", "do", "choose"])
def test_where_somebody_is_and_what_they_leave_out_is_heard_by_every_question(kind: str) -> None:
    operator, person, guide = guided("where am I", "skip", "skip  Probe", "Redo 5 V", "redo", "6")
    guide.took("a", 0, Connect(path="lead", source="calibrator", display="unit", channel=1), Done())
    guide.took("a", 1, point(1, 0.1), Reading(value=6.0))
    guide.took("a", 2, point(2, 0.1), Reading(status="skipped", said="skip channel"))
    prompt = Prompt(kind=kind, title="What?")  # type: ignore[arg-type]  # one of the three
    assert operator.ask(prompt) == "skip"
    assert person.told[0].splitlines()[1:] == [
        "The last connection asked for: calibrator → lead → channel 1 of the unit.",
        "1 answer: 1 pass. 1 left out.",
        "The question that stands: What?",
    ]
    with pytest.raises(LeaveOut, match="Probe"):
        operator.ask(prompt)
    with pytest.raises(Redo, match="5 V"):
        operator.ask(prompt)
    assert operator.ask(prompt) == "6"
    assert "such as redo 500 mV/div" in person.told[1]


def test_nobody_leaves_out_what_must_be_done() -> None:
    operator, person, guide = guided("skip part", "redo 5 V", "")
    guide.took("a", 1, point(1, 0.1), Reading(value=6.0))
    assert operator.ask(Prompt(kind="do", title="Switch it off", firm=True)) == ""
    assert person.told == ["Not now: what is asked here comes first."] * 2


def test_going_back_takes_the_reading_off_the_count() -> None:
    operator, person, guide = guided("back", "6")
    guide.took("a", 1, point(1, 0.1), Reading(value=6.0))
    for _ in range(2):
        operator.ask(Prompt(kind="read", title="What?"))
    assert [prompt.progress.split(",")[0] for prompt in person.asked] == ["2 of 6", "1 of 6"]


def test_a_run_that_goes_on_begins_with_what_is_there() -> None:
    _, _, guide = guided()
    for number in range(5):
        guide.took("a" if number < 4 else "b", number, point(1, 0.1), Reading(value=6.0))
    assert guide.resumed() == "Going on, 5 of 6 done (a 4 of 4, b 1 of 2): 5 answers: 5 pass."
