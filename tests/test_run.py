import pytest

from harness.errors import AnalysisError, InstrumentError, JournalError, LinkError, OperatorStop
from harness.journal.journal import Journal, read
from harness.person.operator import GoBack
from harness.run.loop import Part, run_part, run_parts
from harness.steps import Connect, Dc, Done, Measure, Reading, View, connect, measure
from tests.helpers.journals import comparable

HEADER = {"program": "test", "run": "r", "started": "2026-11-25", "setup": {}, "parts": []}


def step(level_v, channel=1):
    return Measure(
        purpose="deflection",
        path="lead",
        source="calibrator",
        stimulus=Dc(level_v=level_v),
        display="unit",
        view=View(channel=channel, volts_per_div=1.0, s_per_div=1e-3),
        quantity="deflection",
    )


def doubling(channels=(1, 2)):
    """A sequence whose next level is what it was told before: it must see exactly the recorded replies."""
    for channel in channels:
        yield from connect(path="lead", source="calibrator", display="unit", channel=channel)
        level_v = 1.0
        for _ in range(3):
            reading = yield from measure(step(level_v, channel))
            level_v = round(reading.value * 2, 6)


class World:
    """Answers steps, and stops, goes back or fails when told to."""

    def __init__(self, raises=None):
        self.asked, self.raises = [], dict(raises or {})

    def __call__(self, asked):
        self.asked.append(asked)
        error = self.raises.pop(len(self.asked), None)
        if error is not None:
            raise error
        return Done() if isinstance(asked, Connect) else Reading(value=asked.stimulus.level_v * 1.01)


PART = Part(name="a", start=doubling)


def new(tmp_path, name):
    return Journal.create(tmp_path / name, HEADER, lambda: "t")


@pytest.fixture
def unbroken(tmp_path):
    journal = new(tmp_path, "unbroken")
    run_parts([PART], World(), journal)
    journal.close()
    return comparable(tmp_path / "unbroken")


class Crash(BaseException):
    pass


@pytest.mark.parametrize("at", range(1, 9))
def test_stopped_at_any_step_and_resumed_equals_unbroken(tmp_path, unbroken, at):
    journal = new(tmp_path, "run")
    with pytest.raises(Crash):
        run_parts([PART], World({at: Crash()}), journal)
    journal.close()
    journal, contents = Journal.reopen(tmp_path / "run", lambda: "later")
    world = World()
    run_parts([PART], world, journal, contents=contents)
    journal.close()
    assert comparable(tmp_path / "run") == unbroken
    assert isinstance(world.asked[0], Connect)  # the last connection is asked for again


def test_resume_takes_no_recorded_reading_again(tmp_path):
    journal = new(tmp_path, "run")
    with pytest.raises(Crash):
        run_parts([PART], World({4: Crash()}), journal)
    world = World()
    run_part(PART, world, journal, read(tmp_path / "run").replies("a"))
    assert len([s for s in world.asked if isinstance(s, Measure)]) == 4


def test_back_withdraws_and_asks_again(tmp_path):
    journal = new(tmp_path, "run")
    world = World({4: GoBack()})
    run_parts([PART], world, journal)
    contents = read(tmp_path / "run")
    assert len(contents.withdrawn) == 1
    assert world.asked[4] == contents.withdrawn[0].step
    assert len(contents.records) == 8


def test_back_at_the_first_question_asks_it_again(tmp_path):
    world = World({1: GoBack()})
    run_parts([PART], world, new(tmp_path, "run"))
    assert world.asked[0] == world.asked[1]


def test_who_goes_back_from_the_first_question_is_told_that_nothing_is_there(tmp_path):
    told: list[str] = []
    world = World({1: GoBack()})
    run_parts([PART], world, new(tmp_path, "run"), tell=told.append)
    assert told == [f"There is nothing before this to go back to in {PART.name!r}."]


def test_who_wants_back_for_ever_is_nobody(tmp_path):
    with pytest.raises(OperatorStop, match="made no sense"):
        run_parts([PART], World({n: GoBack() for n in range(1, 1000)}), new(tmp_path, "run"))


def test_back_over_a_connection_makes_the_earlier_one_again(tmp_path):
    # asked: 1 connect, 2-4 readings, 5 connect channel 2, 6 first reading there → back to 4, in one go
    world = World({6: GoBack()})
    run_parts([PART], world, new(tmp_path, "run"))
    after = world.asked[6:8]
    assert isinstance(after[0], Connect)
    assert after[0].channel == 1
    assert after[1] == world.asked[3]


def test_back_from_a_connections_question_makes_the_earlier_one_again(tmp_path):
    # asked: 1 connect, 2-4 readings, 5 connect channel 2 → back to 4: who knows what was plugged in meanwhile
    world = World({5: GoBack()})
    run_parts([PART], world, new(tmp_path, "run"))
    assert world.asked[5:7] == [world.asked[0], world.asked[3]]


def test_a_changed_job_is_refused(tmp_path):
    journal = new(tmp_path, "run")
    run_parts([PART], World(), journal)
    records = read(tmp_path / "run").replies("a")
    other = Part(name="a", start=lambda: doubling((2, 1)))
    with pytest.raises(JournalError, match="start a new run"):
        run_part(other, World(), journal, records)


def test_a_journal_longer_than_the_sequence_is_refused(tmp_path):
    journal = new(tmp_path, "run")
    run_parts([PART], World(), journal)
    short = Part(name="a", start=lambda: doubling((1,)))
    with pytest.raises(JournalError, match="reading 5 answers another step"):
        run_part(short, World(), journal, read(tmp_path / "run").replies("a"))


def test_an_instrument_that_stays_away_ends_its_part_only(tmp_path):
    journal = new(tmp_path, "run")
    parts = [PART, Part(name="b", start=lambda: doubling((1,)))]
    ended = run_parts(parts, World({3: LinkError("counter", "does not answer")}), journal)
    contents = read(tmp_path / "run")
    assert [str(each) for each in ended] == ["a: counter: does not answer"]
    assert dict(contents.parts) == {"b": "finished"}
    assert contents.closed_at is None  # unfinished: the run can be resumed
    assert [event.what for event in contents.events] == ["ended early"]


def test_a_refused_command_ends_the_part_and_is_told(tmp_path):
    ended = run_parts(
        [PART], World({2: InstrumentError("unit", 'refused: -222,"Data out of range"')}), new(tmp_path, "r")
    )
    assert "Data out of range" in str(ended[0])


def test_a_part_that_cannot_be_reckoned_on_ends_early_and_the_others_go_on(tmp_path):
    def hopeless():
        yield Connect(path="lead", source="calibrator", display="unit", channel=1)
        raise AnalysisError("the reference is too slow")

    parts = [Part(name="a", start=hopeless), Part(name="b", start=lambda: doubling((1,)))]
    ended = run_parts(parts, World(), new(tmp_path, "run"))
    assert [str(each) for each in ended] == ["a: the reference is too slow"]
    assert dict(read(tmp_path / "run").parts) == {"b": "finished"}


def test_a_stop_iteration_from_a_driver_is_not_swallowed(tmp_path):
    with pytest.raises(StopIteration):
        run_parts([PART], World({2: StopIteration()}), new(tmp_path, "run"))


def test_what_ends_early_is_made_safe_before_the_next_begins(tmp_path):
    order = []

    def going(name):
        def script():
            order.append(name)
            yield from doubling((1,))

        return script

    parts = [Part(name=name, start=going(name)) for name in ("a", "b")]
    world = World({3: LinkError("counter", "does not answer")})
    run_parts(parts, world, new(tmp_path, "run"), make_safe=lambda: order.append("safe"))
    assert order == ["a", "safe", "b"]


def test_a_bug_of_ours_keeps_its_bare_traceback(tmp_path):
    def ours():
        yield Connect(path="lead", source="calibrator", display="unit", channel=1)
        raise KeyError("a bug")

    with pytest.raises(KeyError):
        run_parts([Part(name="a", start=ours)], World(), new(tmp_path, "run"))


def test_a_users_file_is_blamed_at_its_own_line_however_deep_the_error(tmp_path):
    file = tmp_path / "mine.py"
    text = "import json\n\ndef script():\n    json.loads('{')\n    yield\n"
    file.write_text(text)
    names = {}
    exec(compile(text, str(file), "exec"), names)
    ended = run_parts([Part(name="a", start=names["script"], own=file)], World(), new(tmp_path, "run"))
    assert str(ended[0]).startswith("a: mine.py:4: your sequence fails: JSONDecodeError: Expecting")
    assert str(ended[0]).endswith("at: json.loads('{')")
    assert ended[0].error.exit_code == 3
