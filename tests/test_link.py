"""The link's protocol on an instrument in memory: in step, or not sending."""

from __future__ import annotations

import contextlib
import re
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import BusyError, HalfpowerError, InstrumentError, LinkError
from harness.link.link import MOST_INTRUSIONS, Link, LinkDown, NoValue, PowerCycled, repeat_point
from harness.link.port import MemoryPort, PortError
from harness.link.replies import ERROR_ENTRY, NUMBER, identity_agrees
from tests.helpers.link_double import Double, Refusal, Trouble, WaitingClock

BLOCK = b"\n;1\r\n#\x00\xff"


def _refuse(*_: str) -> None:
    raise Refusal('-222,"Data out of range"')


class Bench:
    """A double, a port, a link and what it told."""

    def __init__(self, *, goes_on=True, can_clear=False, damage=lambda reply: (reply, b""), **options) -> None:
        self.level = "0"
        self.answers = {"VOLT": lambda: f"{float(self.level):.6E}"}
        self.double = Double(
            {
                "SOURce:VOLTage": self._set,
                "SOURce:VOLTage?": lambda *_: self.level,
                "MEASure:VOLTage?": lambda *_: self.answers["VOLT"](),
                "TRACe?": lambda *_: b"#%d%d%s" % (len(str(len(BLOCK))), len(BLOCK), BLOCK),
                "TRACe:ALL?": lambda *_: b"#0" + BLOCK,
                "SOURce:CURRent": _refuse,
            },
            goes_on=goes_on,
        )
        self.events: list[tuple[str, str]] = []
        self.clock = WaitingClock()
        self.port = MemoryPort(self.double.handle, damage=damage, can_clear=can_clear)
        self.link = Link(
            self.port,
            "generator",
            clock=self.clock,
            on_event=lambda kind, text: self.events.append((kind, text)),
            **options,
        )

    def _set(self, value: str) -> None:
        self.level = value

    def kinds(self) -> list[str]:
        return [kind for kind, _ in self.events]


def after(count: int, trouble):
    """Let `count` replies pass, then do `trouble` to one."""
    seen = 0

    def damage(reply: bytes) -> tuple[bytes, bytes]:
        nonlocal seen
        seen += 1
        return trouble(reply) if seen == count + 1 else (reply, b"")

    return damage


LOST = lambda _reply: (b"", b"")  # noqa: E731 - reads as a name
LATE = lambda reply: (b"", reply)  # noqa: E731
CONNECT = 5  # replies of a connect: echo, status and echo, identity twice, error queue


def test_nothing_is_sent_before_the_first_use_and_connect_proves_the_link():
    bench = Bench()
    assert bench.port.messages == []
    assert bench.link.connect() == "Northfen,NF-1,1,2"
    assert bench.link.clean
    assert bench.port.messages[:2] == [b"*ESE 1;*ESE?", b"*ESR?;*ESE 2;*ESE?"]
    assert b"*CLS" not in b" ".join(bench.port.messages)  # it would destroy the power-on bit


def test_settings_and_their_wait_are_one_message():
    bench = Bench()
    bench.link.connect()
    bench.link.set(":SOUR:VOLT 1.5")
    assert bench.port.messages[-1] == b":SOUR:VOLT 1.5;*OPC?"
    assert bench.link.query_float(":MEAS:VOLT?") == 1.5
    bench.link.check()


def test_a_late_reply_never_answers_the_next_question():
    bench = Bench(damage=after(CONNECT, LATE))
    bench.link.connect()
    with pytest.raises(LinkError, match="no answer"):
        bench.link.query_float(":MEAS:VOLT?")
    bench.link.set(":SOUR:VOLT 2")
    assert bench.link.query_float(":MEAS:VOLT?") == 2.0
    assert bench.port.reopened == 2
    assert "resync" in bench.kinds()


def test_the_same_line_without_the_protocol_gives_the_old_value():
    """The control: what the protocol is for. Writing and reading alone, the late reply is taken for the new one."""
    bench = Bench(damage=after(0, LATE))
    port = bench.port
    port.reopen()
    port.write(b":MEAS:VOLT?")
    with pytest.raises(PortError):
        port.read_line(1.0)
    bench.level = "7"
    port.write(b":MEAS:VOLT?")
    assert float(port.read_line(1.0)) == 0.0


def test_a_reply_that_came_twice_and_one_that_is_lost_do_not_cancel_out():
    """The set's "1" comes twice and the reading not at all: the second "1" is a valid number, and then all is even."""
    hits = {CONNECT: lambda reply: (reply * 2, b""), CONNECT + 1: LOST}
    seen = -1

    def damage(reply: bytes) -> tuple[bytes, bytes]:
        nonlocal seen
        seen += 1
        return hits[seen](reply) if seen in hits else (reply, b"")

    bench = Bench(damage=damage)
    bench.link.connect()

    def point() -> float:
        bench.link.set(":SOUR:VOLT 1.5")
        value = bench.link.query_float(":MEAS:VOLT?")
        bench.link.check()
        return value

    assert repeat_point(point) == 1.5
    assert "resync" in bench.kinds()


@pytest.mark.parametrize("goes_on", [True, False], ids=["goes on", "drops the rest"])
def test_a_refusal_is_told_and_never_repeated(goes_on):
    bench = Bench(goes_on=goes_on)
    bench.link.connect()

    def point():
        bench.link.set(":SOUR:CURR 99")
        bench.link.check()

    with pytest.raises(InstrumentError, match="Data out of range") as caught:
        repeat_point(point)
    assert not isinstance(caught.value, LinkError)
    assert sum(b"CURR" in message for message in bench.port.messages) == 1


@pytest.mark.parametrize("goes_on", [True, False])
def test_a_query_the_instrument_does_not_know_is_a_refusal_too(goes_on):
    bench = Bench(goes_on=goes_on)
    with pytest.raises(InstrumentError, match="Undefined header") as caught:
        bench.link.query_float(":MEAS:RES?")
    assert not isinstance(caught.value, LinkError)


def test_a_lost_reply_with_an_empty_queue_is_a_loss():
    bench = Bench(damage=after(CONNECT, LOST))
    bench.link.connect()
    before = bench.link.epoch
    with pytest.raises(LinkError) as caught:
        bench.link.set(":SOUR:VOLT 1")
    assert type(caught.value) is LinkError
    assert bench.link.epoch > before  # whoever remembers settings must send them again


def test_what_the_trouble_itself_leaves_in_the_queue_is_no_refusal():
    bench = Bench(damage=after(CONNECT, LOST))
    bench.link.connect()
    bench.double.errors.append('-410,"Query INTERRUPTED"')
    with pytest.raises(LinkError) as caught:
        bench.link.query_float(":MEAS:VOLT?")
    assert type(caught.value) is LinkError
    assert "query_error" in bench.kinds()


def test_a_power_cycle_is_seen_at_the_closing_check():
    bench = Bench()
    bench.link.connect()
    bench.double.power_cycle()
    with pytest.raises(PowerCycled, match="lost"):
        bench.link.check()
    bench.link.check()
    assert bench.kinds().count("power_cycle") == 1


def test_a_power_cycle_is_seen_by_the_resync():
    bench = Bench(damage=after(CONNECT, LOST))
    bench.link.connect()
    bench.double.power_cycle()
    with pytest.raises(PowerCycled):
        bench.link.query_float(":MEAS:VOLT?")


def test_a_power_on_bit_lost_on_the_way_still_counts():
    """*ESR? clears the register: when its reply is lost, the second reading is 0, and proves nothing."""
    hits = iter([CONNECT, CONNECT + 2])  # the query's reply, then the resync's status
    wanted, seen = {next(hits), next(hits)}, -1

    def damage(reply: bytes) -> tuple[bytes, bytes]:
        nonlocal seen
        seen += 1
        return (b"", b"") if seen in wanted else (reply, b"")

    bench = Bench(damage=damage)
    bench.link.connect()
    bench.double.power_cycle()
    with pytest.raises(PowerCycled, match="may have been"):
        bench.link.query_float(":MEAS:VOLT?")


def test_a_power_on_bit_lost_with_the_closing_check_still_counts():
    """The check reads the register too: when that reply is lost, so is what it said."""
    bench = Bench(damage=after(CONNECT + 1, LOST))
    bench.link.connect()
    bench.link.set(":SOUR:VOLT 1")
    bench.double.power_cycle()
    with pytest.raises(PowerCycled, match="may have been"):
        bench.link.check()
    bench.link.check()


def test_the_first_power_on_bit_is_no_event():
    bench = Bench()
    assert bench.double.esr == 128
    bench.link.connect()
    assert bench.events == []


def test_an_interrupt_leaves_the_link_tainted():
    def interrupt(_reply):
        raise KeyboardInterrupt

    bench = Bench(damage=after(CONNECT, interrupt))
    bench.link.connect()
    with pytest.raises(KeyboardInterrupt):
        bench.link.query_float(":MEAS:VOLT?")
    assert not bench.link.clean
    sent = len(bench.port.messages)
    assert bench.link.query_float(":MEAS:VOLT?") == 0.0
    assert bench.port.messages[sent].startswith(b"*ESE")


def test_tries_are_bounded_and_waits_double():
    bench = Bench(damage=lambda _reply: (b"", b""))
    with pytest.raises(LinkDown, match=r"5 tries.*switched on"):
        bench.link.connect()
    assert bench.clock.waits == [0.2, 0.4, 0.8, 1.6]


def test_what_has_stayed_away_is_asked_once_and_quickly_until_it_is_back():
    away = [True]
    bench = Bench(damage=lambda reply: (b"", b"") if away[0] else (reply, b""))
    with pytest.raises(LinkDown, match="after 5 tries"):
        bench.link.connect()
    waited, sent = len(bench.clock.waits), len(bench.port.messages)
    for _ in range(2):
        with pytest.raises(LinkDown, match="still does not answer"):
            bench.link.query_float(":MEAS:VOLT?")
    assert len(bench.clock.waits) == waited
    assert len(bench.port.messages) == sent + 2
    away[0] = False
    assert bench.link.query_float(":MEAS:VOLT?") == 0.0
    away[0] = True
    with pytest.raises(LinkDown, match="after 5 tries"):  # it was back: patience begins again
        bench.link.query_float(":MEAS:VOLT?")


def test_the_link_knows_whether_power_came_on_before_it_was_opened():
    bench = Bench()
    bench.link.connect()
    assert bench.link.power_came_on
    again = Bench()
    again.double.esr = 0
    again.link.connect()
    assert not again.link.power_came_on


def test_a_line_that_babbles_is_bounded():
    bench = Bench(damage=lambda reply: (b"7\n" * 1000 + reply, b""))
    with pytest.raises(LinkDown, match="no echo"):
        bench.link.connect()


def test_stale_lines_are_swallowed():
    bench = Bench(damage=after(0, lambda reply: (b"1.5E0\nstale\n" + reply, b"")))
    assert bench.link.connect() == "Northfen,NF-1,1,2"


def test_an_echo_of_an_earlier_count_proves_nothing():
    """Stale echoes are the likeliest replies of all after a resync that failed; only this one's number counts."""
    bench = Bench(damage=after(0, lambda reply: (b"", reply)), first_wait_s=0.0)
    assert bench.link.connect() == "Northfen,NF-1,1,2"
    assert bench.port.messages[:2] == [b"*ESE 1;*ESE?", b"*ESE 2;*ESE?"]  # the second is not answered by the first


def test_device_clear_is_tried_before_a_new_connection():
    bench = Bench(can_clear=True, damage=after(CONNECT, LOST))
    bench.link.connect()
    with pytest.raises(LinkError):
        bench.link.query_float(":MEAS:VOLT?")
    assert bench.link.query_float(":MEAS:VOLT?") == 0.0
    assert bench.port.reopened == 1


def test_a_closed_connection_is_opened_again():
    bench = Bench()
    bench.link.connect()
    bench.port.hang_up()
    with pytest.raises(LinkError):
        bench.link.query_float(":MEAS:VOLT?")
    assert bench.link.query_float(":MEAS:VOLT?") == 0.0


def test_another_instrument_is_refused_in_one_sentence():
    bench = Bench(expected_identity="Aldermoor,AM-9")
    with pytest.raises(InstrumentError, match=r"'Northfen,NF-1,1,2'.*'Aldermoor,AM-9'") as caught:
        bench.link.connect()
    assert not isinstance(caught.value, LinkError)


def test_an_instrument_exchanged_in_the_middle_is_refused():
    bench = Bench(damage=after(CONNECT, LOST))
    bench.link.connect()
    bench.double.identity = "Northfen,NF-1,1,3"
    with pytest.raises(InstrumentError, match="when this run started"):
        bench.link.query_float(":MEAS:VOLT?")


@pytest.mark.parametrize(
    ("answered", "expected", "agrees"),
    [
        ("Northfen,NF-1,1,2.0", "Northfen,NF-1,1,2.0", True),
        ("Northfen, NF-1, 1, 2.0", "Northfen,NF-1,1", True),
        ("Northfen,NF-1,1,2.0", "Northfen,NF-2", False),
        ("Northfen,NF-1", "Northfen,NF-1,1", False),
    ],
)
def test_identities_are_compared_field_by_field(answered, expected, agrees):
    assert identity_agrees(answered, expected) is agrees


@pytest.mark.parametrize("tag", [False, True])
def test_blocks_may_hold_newlines(tag):
    bench = Bench(tag_queries=tag)
    assert bench.link.query_block(":TRAC?") == BLOCK
    assert bench.link.query_block(":TRAC:ALL?", expected_bytes=len(BLOCK)) == BLOCK
    assert bench.link.query_float(":MEAS:VOLT?") == 0.0


def test_a_block_of_unknown_length_ends_with_the_message_and_without_the_newline():
    bench = Bench()
    assert bench.link.query_block(":TRAC:ALL?") == BLOCK


@pytest.mark.parametrize("reply", [b"1.5\n", b"#9999999999" + b"\n", b"#2x1\n", b"\n"])
def test_what_is_no_block_is_a_link_error(reply):
    bench = Bench(damage=after(CONNECT, lambda _reply: (reply, b"")))
    bench.link.connect()
    with pytest.raises(LinkError):
        bench.link.query_block(":TRAC?")


@pytest.mark.parametrize("text", ["9.9E37", "9.90000000E+37", "+9.91E+37", "-9.9e37", "9.8999999E37"])
def test_no_value_is_no_number(text):
    """SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 is infinity, 9.91E37 not a number."""
    bench = Bench()
    bench.answers["VOLT"] = lambda: text
    with pytest.raises(NoValue):
        bench.link.query_float(":MEAS:VOLT?")


def test_a_value_outside_the_physical_range_is_an_error():
    bench = Bench()
    bench.level = "-3"
    with pytest.raises(InstrumentError, match="outside 0 to"):
        bench.link.query_float(":MEAS:VOLT?", low=0.0)


def test_old_errors_are_told_at_the_start_and_belong_to_nobody():
    bench = Bench()
    bench.double.errors.append('-222,"Data out of range"')
    bench.link.connect()
    assert bench.kinds() == ["old_errors"]
    bench.link.check()


def test_an_error_queue_without_end_is_bounded():
    bench = Bench()
    bench.link.connect()
    bench.double.errors += ['-100,"Command error"'] * 10_000
    with pytest.raises(InstrumentError, match="does not end"):
        bench.link.check()


def test_without_an_error_queue_the_event_status_speaks():
    bench = Bench(next_error="")
    bench.link.connect()
    bench.link.set(":SOUR:CURR 9")
    with pytest.raises(InstrumentError, match="event status 16"):
        bench.link.check()


def test_a_link_belongs_to_one_thread():
    bench = Bench()
    bench.link.connect()
    caught: list[BaseException] = []

    def use():
        try:
            bench.link.check()
        except RuntimeError as error:
            caught.append(error)

    thread = threading.Thread(target=use)
    thread.start()
    thread.join()
    assert "thread" in str(caught[0])


@pytest.mark.parametrize("command", [":VOLT 1\n:OUTP ON", ":VOLT µ"])
def test_a_command_is_one_line_of_ascii(command):
    bench = Bench()
    bench.link.connect()
    with pytest.raises(InstrumentError, match="one line of ASCII"):
        bench.link.set(command)
    assert bench.link.clean


def test_tags_go_round_every_query():
    bench = Bench(tag_queries=True)
    bench.link.connect()
    bench.link.set("SOUR:VOLT 4")
    bench.link.query_float(":MEAS:VOLT?")
    assert bench.port.messages[-1] == b"*ESE 5;:MEAS:VOLT?;*ESE?"
    assert bench.port.messages[-2] == b"*ESE 4;:SOUR:VOLT 4;*OPC?;*ESE?"


def test_a_tag_of_another_query_is_no_reply():
    bench = Bench(tag_queries=True)
    bench.link.connect()
    bench.link.set("SOUR:VOLT 4")
    bench.port._damage = after(0, lambda _reply: (b"9.000000E+00;4\n", b""))  # a whole reply, of the query before
    with pytest.raises(LinkError, match="out of step"):
        bench.link.query_float(":MEAS:VOLT?")
    assert bench.link.query_float(":MEAS:VOLT?") == 4.0


def test_a_point_is_repeated_a_bounded_number_of_times():
    calls, events = [], []

    def lost():
        calls.append(1)
        raise LinkError("counter", "no answer")

    with pytest.raises(LinkError):
        repeat_point(lost, tries=3, on_event=lambda kind, text: events.append(kind))
    assert len(calls) == 3
    assert events == ["repeat", "repeat"]


@pytest.mark.parametrize("error", [InstrumentError("counter", "no"), LinkDown("counter", "away")])
def test_a_refusal_and_a_dead_link_are_not_repeated(error):
    calls = []

    def fail():
        calls.append(1)
        raise error

    with pytest.raises(type(error)):
        repeat_point(fail)
    assert len(calls) == 1


def run_points(link: Link, bench: Bench, count: int) -> tuple[int, int]:
    """Set, measure, check, each point another level; returns wrong and failed."""
    wrong = failed = 0
    for number in range(count):
        level = 1 + (number * 0.618034) % 1

        def point(level=level) -> float:
            link.set(f":SOUR:VOLT {level:.6f}")
            value = link.query_float(":MEAS:VOLT?")
            link.check()
            return value

        try:
            wrong += abs(repeat_point(point) - level) > 1e-5
        except InstrumentError:
            failed += 1
    return wrong, failed


@pytest.mark.parametrize("goes_on", [True, False])
@pytest.mark.parametrize(("rate", "tag"), [(0.02, False), (0.05, True)])
def test_no_value_is_silently_wrong_on_a_poor_line(rate, tag, goes_on):
    trouble = Trouble(rate, seed=1)
    bench = Bench(damage=trouble, tag_queries=tag, goes_on=goes_on)
    wrong, failed = run_points(bench.link, bench, 400)
    assert trouble.tampered > 20
    assert wrong == 0
    assert failed <= 4


@pytest.mark.parametrize("rate", [0.02, 0.05])
def test_plain_repeating_is_silently_wrong_on_the_same_line(rate):
    """The control for the test above: the faults do bite."""
    bench = Bench(damage=Trouble(rate, seed=1))
    port, wrong = bench.port, 0
    port.reopen()

    def ask(message: bytes) -> bytes:
        while True:
            port.write(message)
            try:
                return port.read_line(1.0)
            except PortError:
                pass

    for number in range(400):
        level = 1 + (number * 0.618034) % 1
        ask(b":SOUR:VOLT %.6f;*OPC?" % level)
        try:
            wrong += abs(float(ask(b":MEAS:VOLT?")) - level) > 1e-5
        except ValueError:
            continue
    assert wrong > 40


@pytest.mark.soak
@pytest.mark.parametrize("goes_on", [True, False])
def test_thirty_thousand_points_under_five_per_cent_faults(goes_on):
    bench = Bench(damage=Trouble(0.05, seed=7), tag_queries=True, goes_on=goes_on)
    wrong, failed = run_points(bench.link, bench, 30_000)
    assert wrong == 0
    assert failed < 150


@given(st.binary(max_size=60))
def test_any_reply_ends_in_a_value_or_an_instrument_error(reply):
    bench = Bench(damage=after(CONNECT, lambda _reply: (reply + b"\n", b"")))
    bench.link.connect()
    with contextlib.suppress(InstrumentError):
        assert isinstance(bench.link.query_float(":MEAS:VOLT?"), float)


@given(st.binary(max_size=60))
def test_any_answer_to_a_block_query_ends_in_bytes_or_an_instrument_error(reply):
    bench = Bench(damage=after(CONNECT, lambda _reply: (reply, b"")))
    bench.link.connect()
    with contextlib.suppress(InstrumentError):
        assert isinstance(bench.link.query_block(":TRAC?"), bytes)


@given(st.binary(max_size=60))
def test_any_error_entry_ends_in_halfpowers_own_errors(reply):
    bench = Bench(damage=after(CONNECT, lambda _reply: (reply + b"\n", b"")))
    bench.link.connect()
    with contextlib.suppress(HalfpowerError):
        bench.link.check()


@pytest.mark.parametrize("entry", ['0,"No error"', '+0,"No error"', '-113,"Undefined header;VOLTX"', '0, "no error"'])
def test_error_entries_come_in_these_forms(entry):
    assert re.fullmatch(ERROR_ENTRY, entry)


def test_settings_are_confirmed_in_the_message_that_sends_them():
    """Refused settings are told at once; what rides along is asked in the same message."""
    bench = Bench()
    bench.link.connect()
    sent = len(bench.port.messages)
    replies = bench.link.set(":SOUR:VOLT 0.25", confirm=((":SOUR:VOLT?", NUMBER),))
    assert [float(reply) for reply in replies] == [0.25]
    assert bench.port.messages[sent:] == [b":SOUR:VOLT 0.25;*OPC?;*ESR?;:SYST:ERR?;:SOUR:VOLT?"]
    with pytest.raises(InstrumentError, match=r"refuses ':SOUR:CURR 1'.*-222"):
        bench.link.set(":SOUR:CURR 1", confirm=((":SOUR:VOLT?", NUMBER),))


def test_another_controller_is_seen_at_the_closing_check_and_ends_the_run_when_it_goes_on():
    bench = Bench()
    bench.link.connect()
    bench.link.check()
    for number in range(1, MOST_INTRUSIONS):
        bench.double.handle(b"*ESE %d" % (200 + number))
        with pytest.raises(LinkError, match="another controller"):
            bench.link.check()
        bench.link.check()
    bench.double.handle(b"*ESE 99")
    with pytest.raises(BusyError, match="End the other program"):
        bench.link.check()
    assert bench.kinds().count("other_controller") == MOST_INTRUSIONS
