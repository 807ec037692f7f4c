"""The person at a terminal, and what is shown to them: the real classes, writing into and reading from memory."""

from __future__ import annotations

import io
import json
import os
from collections.abc import Callable
from dataclasses import replace

import pytest
from rich.console import Console

from harness.bench.limits import CAUTIONS
from harness.errors import OperatorStop, SafetyError
from harness.person.console import Terminal, wrapped
from harness.person.live import JsonLines, PlainLines, Redrawn, Responses, chart, outcome
from harness.person.operator import HELP, HELP_DO, Prompt
from harness.person.progress import Progress
from harness.quantities import duration
from harness.steps import Connect, Dc, Done, Measure, Reading, Sine, View, from_plain


def a_console(*, terminal: bool = False) -> tuple[Console, io.StringIO]:
    out = io.StringIO()
    return Console(
        file=out, force_terminal=terminal, width=120, height=40, markup=False, emoji=False, highlight=False
    ), out


def asked(prompt: Prompt, answers: str) -> tuple[str, str]:
    console, out = a_console()
    answer = Terminal(console, answers=io.StringIO(answers)).ask(prompt)
    return answer, out.getvalue()


DEFLECTION = Measure(
    purpose="deflection", path="direct", source="calibrator", stimulus=Dc(level_v=0.3), display="unit",
    view=View(channel=2, volts_per_div=0.05, s_per_div=1e-3), quantity="deflection", expected=6.0,
)  # fmt: skip


def sine(frequency_hz: float) -> Measure:
    return Measure(
        purpose="search", path="sine", source="generator", display="unit", quantity="peak_to_peak",
        stimulus=Sine(level_vpp=0.6, frequency_hz=frequency_hz),
        view=View(channel=1, volts_per_div=0.1, s_per_div=1e-6),
    )  # fmt: skip


# --- questions ---------------------------------------------------------------------------------------------------


def test_a_prompt_shows_title_lines_expectation_and_choices_and_takes_one_line() -> None:
    prompt = Prompt(kind="choose", title="Hazardous", lines=("one", "two"), hint="a hint", choices=("go on", "stop"))
    answer, shown = asked(prompt, "go on\nnext answer\n")
    assert answer == "go on"
    for text in ("Hazardous", "  one", "  two", "a hint", "go on, stop"):
        assert text in shown


def test_each_question_takes_its_own_line() -> None:
    console, _ = a_console()
    terminal = Terminal(console, answers=io.StringIO("4.9\r\n\n= \n"))
    prompt = Prompt(kind="read", title="?")
    assert [terminal.ask(prompt) for _ in range(3)] == ["4.9", "", "= "]


HAZARD = Prompt(kind="choose", title="The next setting is hazardous.", choices=("go on", "stop"), hazard=True)


class AtTerminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("answers", "shown_on", "taken"), [
    (AtTerminal, AtTerminal, True),
    (io.StringIO, AtTerminal, False),  # typed by a pipe
    (AtTerminal, io.StringIO, False),  # shown to nobody
])  # fmt: skip
def test_a_hazard_is_confirmed_at_a_terminal_alone(
    answers: type[io.StringIO], shown_on: type[io.StringIO], taken: bool
) -> None:
    terminal = Terminal(Console(file=shown_on(), width=120), answers=answers("go on\n"))
    if taken:
        assert terminal.ask(HAZARD) == "go on"
        return
    with pytest.raises(SafetyError, match=r"^Stopped\. .* at a terminal.*allow_hazardous_voltage = true in the job"):
        terminal.ask(HAZARD)


class Screen(io.StringIO):
    """A terminal at which somebody answers once they have seen the question."""

    def __init__(self, seen: str, then: Callable[[], object]) -> None:
        super().__init__()
        self.seen, self.then = seen, then

    def isatty(self) -> bool:
        return True

    def write(self, text: str) -> int:
        if self.seen in text:
            self.then()
        return super().write(text)


@pytest.mark.skipif(os.name != "posix", reason="a terminal of its own is made for it")
@pytest.mark.parametrize("what", [{"firm": True}, {"hazard": True}])
def test_enter_pressed_twice_says_nothing_of_what_was_not_yet_asked(what: dict[str, bool]) -> None:
    hands, panel = os.openpty()
    try:
        out = Screen("the calibrator", lambda: os.write(hands, b"done\n"))
        with open(panel, encoding="utf-8", closefd=False) as answers:
            terminal = Terminal(Console(file=out, width=120), answers=answers)
            os.write(hands, b"\n\n")
            assert terminal.ask(Prompt(kind="do", title="Look")) == ""
            assert terminal.ask(Prompt(kind="do", title="Switch the output of the calibrator off", **what)) == "done"
    finally:
        os.close(hands)
        os.close(panel)


@pytest.mark.parametrize("answers", ["", None])
def test_the_end_of_the_input_stops_the_run(answers: str | None) -> None:
    closed = io.StringIO()
    closed.close()
    console, _ = a_console()
    with pytest.raises(OperatorStop, match="Nobody answers"):
        Terminal(console, answers=closed if answers is None else io.StringIO(answers)).ask(
            Prompt(kind="do", title="Connect")
        )


class Gone(io.StringIO):
    """A terminal that was closed: the system answers every write with an error."""

    def write(self, _text: str) -> int:
        raise OSError(5, "Input/output error")


def test_a_terminal_that_is_gone_stops_the_run_but_not_the_switching_off() -> None:
    terminal = Terminal(Console(file=Gone(), width=80), answers=io.StringIO("4.9\n"))
    with pytest.raises(OperatorStop):
        terminal.ask(Prompt(kind="read", title="What does the screen show?"))
    terminal.tell("The output of the calibrator may still be ON.")


@pytest.mark.parametrize(
    "hostile",
    ["\x1b[2J\x1b]0;owned\x07", "[bold red]no[/] [link=file:///]here[/link]", "\u202esdrawkcab", ":warning:", "a\rb"],
)
def test_data_steers_neither_the_terminal_nor_the_markup(hostile: str) -> None:
    prompt = Prompt(kind="read", title=hostile, lines=(hostile,), hint=hostile, choices=(hostile,))
    console, out = a_console()
    terminal = Terminal(console, answers=io.StringIO("4\n"))
    terminal.ask(prompt)
    terminal.tell(hostile)
    shown = out.getvalue()
    assert not any(sign in shown for sign in ("\x1b", "\x07", "\u202e", "\r"))
    if hostile.isprintable():
        assert shown.count(hostile) == 5  # title, line, hint, choice, told


def small(answers: str, *, height: int = 24) -> tuple[Terminal, io.StringIO]:
    """A terminal of 80 columns, the least that is usual."""
    out = io.StringIO()
    console = Console(
        file=out, force_terminal=True, width=80, height=height, markup=False, emoji=False, highlight=False,
        color_system=None,
    )  # fmt: skip
    return Terminal(console, answers=io.StringIO(answers)), out


@pytest.mark.parametrize("text", [HELP, HELP_DO, CAUTIONS, f"{'word ' * 40}end", "x" * 200])
def test_a_line_is_broken_between_words(text: str) -> None:
    terminal, out = small("\n")
    terminal.ask(Prompt(kind="do", title=text.splitlines()[0], lines=tuple(text.splitlines())))
    terminal.tell(text)
    shown = out.getvalue().replace("help: ", "help: \n")  # the key that the person pressed
    assert max(len(line) for line in shown.splitlines()) <= 80
    if " " in text:
        assert set(text.split()) <= set(shown.split())


def test_what_goes_on_stands_below_where_it_began() -> None:
    assert wrapped("note TEXT   keep a remark with the run", 28) == [
        "note TEXT   keep a remark",
        "            with the run",
    ]
    assert wrapped("  - one two three", 12) == ["  - one two", "    three"]
    assert wrapped("", 10) == [""]


def a_screen(columns: int, rows: int) -> list[str]:
    return ["+" * min(columns, 61)] * (17 if rows >= 17 else 9)


def test_a_drawn_screen_leaves_room_for_its_question_and_stands_while_the_question_does() -> None:
    lines = tuple(f"line {number}" for number in range(8))
    prompt = Prompt(kind="read", title="how many", lines=lines, hint="about 6", screen=a_screen, step=DEFLECTION)
    terminal, out = small("9\n9\n5\n5\n")
    terminal.ask(prompt)
    assert len(out.getvalue().splitlines()) <= 24
    assert out.getvalue().count("+++\n") == 9
    terminal.tell("9 is more than the screen has.")
    terminal.ask(prompt)
    again = out.getvalue().split("9 is more")[1]
    assert "how many" in again
    assert "+++" not in again
    terminal.tell("9 is more than the screen has.")
    terminal.ask(prompt)  # twice in a row: what is to be done has scrolled away
    assert out.getvalue().split("9 is more")[2].count("+++\n") == 9
    assert "line 7" in out.getvalue().split("9 is more")[2]
    terminal.ask(prompt)  # nothing was told: another reading of the same step
    assert out.getvalue().count("+++\n") == 27
    tall, shown = small("5\n", height=40)
    tall.ask(prompt)
    assert shown.getvalue().count("+++\n") == 17


def test_what_is_done_last_stands_last() -> None:
    """A cable is moved after its output is off: nobody reads "Connect" first."""
    off = Prompt(kind="do", title="Switch the output of the calibrator off")
    terminal, out = small("\n")
    terminal.ask(Prompt(kind="do", title="Connect calibrator", lines=("10x probe",), first=(off,)))
    assert out.getvalue().splitlines()[1:4] == [
        "> In this order",
        "  1. Switch the output of the calibrator off",
        "  2. Connect calibrator: 10x probe",
    ]


def test_a_question_takes_turns_with_the_display() -> None:
    console, out = a_console(terminal=True)
    with Redrawn(console, Progress(planned={"vertical": 2})) as live:
        live.step("vertical", 0, DEFLECTION, Reading(value=5.98))
        Terminal(console, answers=io.StringIO("\n"), aside=live.aside).ask(Prompt(kind="do", title="Move the cable"))
        live.step("vertical", 1, DEFLECTION, Reading(value=5.99))
    assert "Move the cable" in out.getvalue()


# --- progress ----------------------------------------------------------------------------------------------------


class Ticks:
    """Seconds that a test moves by hand."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def __call__(self) -> float:
        return self.seconds


def test_time_left_is_as_rehearsed_and_then_at_the_pace_so_far() -> None:
    ticks = Ticks()
    progress = Progress(planned={"vertical": 6, "time_base": 4}, estimated_s=100.0, now=ticks)
    progress.begin({})
    assert progress.left_s() == pytest.approx(100.0)
    for n in range(2):
        ticks.seconds += 3.0
        progress.step("vertical", n)
    assert (progress.done, progress.total) == (2, 10)
    assert progress.left_s() == pytest.approx(8 * 3.0)


def test_a_resumed_run_counts_what_is_done_but_not_into_its_pace() -> None:
    ticks = Ticks()
    progress = Progress(planned={"vertical": 6, "time_base": 4}, now=ticks)
    progress.begin({"vertical": 5})
    ticks.seconds = 2.0
    progress.step("vertical", 5)
    assert progress.done == 6
    assert progress.left_s() == pytest.approx(4 * 2.0)


def test_a_part_that_ends_before_its_plan_or_goes_beyond_it_keeps_the_count_sensible() -> None:
    progress = Progress(planned={"bandwidth": 3, "time_base": 2})
    progress.begin({})
    for n in range(5):
        progress.step("bandwidth", n)
    assert (progress.done, progress.total) == (5, 7)
    short = Progress(planned={"bandwidth": 30, "time_base": 2})
    short.begin({})
    short.step("bandwidth", 0)
    short.step("time_base", 1)
    assert short.done == short.total == 32
    assert short.left_s() == 0


@pytest.mark.parametrize(
    ("seconds", "text"), [(0.2, "0 s"), (59.4, "59 s"), (59.6, "1 min"), (3601.0, "1 h 00 min"), (None, "unknown")]
)
def test_durations_in_words(seconds: float | None, text: str) -> None:
    assert duration(seconds) == text


# --- what is shown -----------------------------------------------------------------------------------------------


def test_plain_lines_say_setting_signal_reading_and_progress() -> None:
    console, out = a_console()
    progress = Progress(planned={"vertical": 2})
    progress.begin({})
    with PlainLines(console, progress) as live:
        live.event("note", "lamp \x1b[31mreplaced")
        connection = Connect(path="direct", source="calibrator", display="unit", channel=2)
        live.step("vertical", 0, connection, Done())
        live.step("vertical", 1, DEFLECTION, Reading(value=5.98))
    shown = out.getvalue()
    assert "\x1b" not in shown
    for text in ("2/2", "vertical", "channel 2, 50 mV/div", "300 mV DC", "5.98 div", "expected 6 div", "direct"):
        assert text in shown


def test_what_a_search_is_not_sure_of_is_not_called_expected() -> None:
    """The middle of a span of 0 to 13 div is no expectation; the first reading is known within a quarter."""
    for low, high, says in ((0.1, 13.2, "4.13 div"), (4.5, 7.5, "4.13 div (expected 6 div)")):
        step = replace(sine(91.86e6), expected=(low + high) / 2, expected_low=low, expected_high=high)
        assert outcome(step, Reading(value=4.13)).startswith(says)
        assert ("expected" in outcome(step, Reading(value=4.13))) == ("expected" in says)


def test_json_lines_are_the_steps_and_replies_themselves() -> None:
    out = io.StringIO()
    with JsonLines(out) as live:
        live.event("repeat", "The point is taken again.")
        live.step("vertical", 7, DEFLECTION, Reading(status="off_screen"))
    event, step = map(json.loads, out.getvalue().splitlines())
    assert event == {"event": "repeat", "text": "The point is taken again."}
    assert (step["event"], step["part"], step["n"]) == ("step", "vertical", 7)
    assert from_plain(step["step"]) == DEFLECTION
    assert from_plain(step["reply"]) == Reading(status="off_screen")


def single_pole(frequency_hz: float, corner_hz: float = 40e6) -> Reading:
    return Reading(value=6.0 / (1 + (frequency_hz / corner_hz) ** 2) ** 0.5)


def test_the_chart_crosses_the_half_power_line_at_the_corner_of_a_single_pole() -> None:
    """A single pole is at 1/√2 at its corner: the definition of the corner frequency."""
    responses = Responses()
    for frequency_hz in (5e4, 1e7, 4e7, 8e7):
        assert responses.step("bandwidth", sine(frequency_hz), single_pole(frequency_hz))
    latest = responses.latest()
    assert latest is not None
    (_, channel), points = latest
    assert channel == 1
    assert points[0] == (5e4, 0.0)
    assert dict(points)[4e7] == pytest.approx(-3.0103, abs=1e-3)
    console, out = a_console()
    console.print(chart(points))
    half_power = next(line for line in out.getvalue().splitlines() if "−3.01" in line)
    assert half_power.count("●") == 1


def test_the_chart_takes_only_readings_of_a_sine_on_the_unit() -> None:
    responses = Responses()
    assert not responses.step("vertical", DEFLECTION, Reading(value=6.0))
    assert not responses.step("bandwidth", sine(1e6), Reading(status="off_screen"))
    assert not responses.step("bandwidth", sine(1e6), Reading(value=0.0))
    assert responses.latest() is None


def test_the_redrawn_display_shows_progress_last_readings_and_the_growing_response() -> None:
    progress = Progress(planned={"bandwidth": 8})
    progress.begin({})
    console, _ = a_console(terminal=True)
    live = Redrawn(console, progress)
    for n, frequency_hz in enumerate((5e4, 1e7, 3e7, 4e7)):
        live.step("bandwidth", n, sine(frequency_hz), single_pole(frequency_hz))
    page, out = a_console()
    page.print(live.drawn())
    shown = out.getvalue()
    for text in ("bandwidth  4/8", "40 MHz", "channel 1, 100 mV/div", "−3.01"):
        assert text in shown
    bar, first_reading = shown.splitlines()[1:3]
    assert set(bar.strip()) <= set("━╸╺")
    assert first_reading.startswith("bandwidth")


def test_plain_lines_draw_the_response_when_its_part_is_over() -> None:
    progress = Progress(planned={"bandwidth": 4, "time_base": 1})
    progress.begin({})
    console, out = a_console()
    with PlainLines(console, progress) as live:
        for n, frequency_hz in enumerate((5e4, 1e7, 3e7, 4e7)):
            live.step("bandwidth", n, sine(frequency_hz), single_pole(frequency_hz))
        assert "−3.01" not in out.getvalue()
        live.step("vertical", 0, DEFLECTION, Reading(value=5.98))
        assert out.getvalue().count("−3.01") == 1
    assert out.getvalue().count("−3.01") == 1
