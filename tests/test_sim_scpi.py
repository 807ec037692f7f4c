"""Program messages against the grammar of IEEE 488.2-1992 and SCPI-1999, and against an independent parser."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scpipy.shared.parser import Parser
from scpipy.shared.utils import format_scpi_short_keyword

from harness.sim import profile, scpi, settings
from harness.sim.scpi import MessageUnit, Parameter, ScpiError, channel_list, parse, scale, spelling


def headers(line: bytes) -> list[str]:
    return [unit.header if isinstance(unit, MessageUnit) else str(unit) for unit in parse(line)]


def only(line: bytes) -> Parameter:
    (unit,) = parse(line)
    assert isinstance(unit, MessageUnit)
    (parameter,) = unit.parameters
    return parameter


def code(line: bytes) -> int:
    (unit,) = parse(line)
    assert isinstance(unit, ScpiError), unit
    return unit.code


# --- headers: SCPI-1999 volume 1, 6.2 ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("notation", "accepted", "refused"),
    [
        (
            "[SOURce]:FREQuency[:CW]",
            [":SOUR:FREQ", ":SOURCE:FREQUENCY:CW", ":FREQ", ":FREQ:CW", ":SOURCE:FREQ"],
            [":SOURC:FREQ", ":FREQU", ":SOUR", ":CW", ":SOUR:FREQ:CW:CW", ":FREQ?", "FREQ1"],
        ),
        ("SENSe#:SWEep:TIME?", [":SENS:SWE:TIME?", ":SENSE2:SWEEP:TIME?"], [":SENS2:SWE:TIME", ":SWE:TIME?"]),
        ("OUTPut[:STATe]", [":OUTP", ":OUTPUT:STATE"], [":OUTPU", ":OUTP:STA"]),
    ],
)
def test_only_the_short_and_the_long_form_are_accepted(notation: str, accepted: list[str], refused: list[str]) -> None:
    compiled = spelling(notation)
    assert [header for header in accepted if compiled.match(header) is None] == []
    assert [header for header in refused if compiled.match(header) is not None] == []


def test_a_numeric_suffix_is_one_where_it_is_left_out() -> None:
    compiled = spelling("SENSe#:VOLTage[:DC]:RANGe:PTPeak")
    assert compiled.match(":SENS:VOLT:RANG:PTP") == (1,)
    assert compiled.match(":SENSE12:VOLTAGE:DC:RANGE:PTPEAK") == (12,)


@pytest.mark.parametrize("notation", ["", "frequency", "FREQ uency", "[SOURce:FREQ", "*idn?", "FREQuency??"])
def test_a_header_that_is_not_in_the_standards_notation_is_refused(notation: str) -> None:
    with pytest.raises(ValueError, match="header"):
        spelling(notation)


def test_the_short_forms_of_every_profile_follow_the_rule() -> None:
    """SCPI-1999 volume 1, 6.2.1: four letters, three where the fourth is a vowel; not shortened up to four."""
    for name in profile.shipped():
        with settings_path(name) as data:
            for header in data.commands if data.dialect is None else ():  # else its words are its own
                for node in header.replace("[", "").replace("]", "").rstrip("?").split(":"):
                    word = node.rstrip("#")
                    short = "".join(letter for letter in word if letter.isupper())
                    assert short == (word.upper() if len(word) <= 4 else format_scpi_short_keyword(word)), header


class settings_path:  # noqa: N801 - reads as a with statement
    def __init__(self, name: str) -> None:
        from importlib.resources import as_file, files

        self._file = as_file(files("sim_profiles") / f"{name}.toml")

    def __enter__(self) -> profile.Profile:
        return settings.check(profile.Profile, settings.read_toml(self._file.__enter__()), "profile")

    def __exit__(self, *error: object) -> None:
        self._file.__exit__(None, None, None)


# --- several units in a message: SCPI-1999 volume 1, 6.2.4 ---------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (b"FREQ:STAR 3 MHZ;STOP 5 MHZ", [":FREQ:STAR", ":FREQ:STOP"]),  # the standard's own example
        (b":FREQ:STAR 3 MHZ;:BAND 1 MHZ", [":FREQ:STAR", ":BAND"]),  # likewise
        (b"FREQ:STAR 3 MHZ;*CLS;STOP 5 MHZ", [":FREQ:STAR", "*CLS", ":FREQ:STOP"]),  # common commands keep the path
        (b"TREE:A?;B?", [":TREE:A?", ":TREE:B?"]),
        (b"sour:volt 1;;func dc;", [":SOUR:VOLT", ":SOUR:FUNC"]),
    ],
)
def test_the_header_path_is_kept_after_a_semicolon(line: bytes, expected: list[str]) -> None:
    assert headers(line) == expected


nodes = st.lists(st.from_regex(r"[A-Z]{2,9}", fullmatch=True), min_size=1, max_size=4)
units = st.tuples(st.sampled_from(["", ":", "*"]), nodes, st.booleans())


@given(st.lists(units, min_size=1, max_size=5))
def test_headers_resolve_as_an_independent_parser_resolves_them(message: list[tuple[str, list[str], bool]]) -> None:
    texts = [
        ("*" + parts[0] if lead == "*" else lead + ":".join(parts)) + ("?" if query else "")
        for lead, parts, query in message
    ]
    line = ";".join(texts)
    theirs = [
        (command.nodes[0].full if command.common else ":" + ":".join(n.full.upper() for n in command.nodes))
        + ("?" if command.query else "")
        for command in Parser().parse(line)
    ]
    assert headers(line.encode()) == theirs


# --- parameters: IEEE 488.2, 7.7 -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value", "suffix"),
    [
        (b"X 1", 1.0, ""),
        (b"X +.5", 0.5, ""),
        (b"X -1.", -1.0, ""),
        (b"X 1.5e3", 1500.0, ""),
        (b"X 1 E -3 V", 1e-3, "V"),  # white space around the exponent is allowed: 7.7.2.2
        (b"X 20MHZ", 20.0, "MHZ"),
        (b"X #H20", 32.0, ""),  # 7.7.4: these three
        (b"X #Q20", 16.0, ""),
        (b"X #B11", 3.0, ""),
        (b"X #hFf", 255.0, ""),
    ],
)
def test_numbers(text: bytes, value: float, suffix: str) -> None:
    parameter = only(text)
    assert (parameter.kind, parameter.value, parameter.suffix) == ("number", value, suffix)


@pytest.mark.parametrize(
    ("suffix", "unit", "factor"),
    [
        ("MHZ", "HZ", 1e6),  # IEEE 488.2 table 7-2: these two are mega
        ("MOHM", "OHM", 1e6),
        ("MV", "V", 1e-3),
        ("MS", "S", 1e-3),
        ("MAV", "V", 1e6),
        ("UV", "V", 1e-6),
        ("NS", "S", 1e-9),
        ("KHZ", "HZ", 1e3),
        ("GHZ", "HZ", 1e9),
        ("", "V", 1.0),
    ],
)
def test_suffixes(suffix: str, unit: str, factor: float) -> None:
    assert scale(suffix, unit) == factor


@pytest.mark.parametrize(("suffix", "unit", "error"), [("S", "V", -131), ("XV", "V", -131), ("V", "", -138)])
def test_a_wrong_suffix_is_refused(suffix: str, unit: str, error: int) -> None:
    with pytest.raises(ScpiError) as caught:
        scale(suffix, unit)
    assert caught.value.code == error


def test_strings_keep_separators_and_doubled_quotes() -> None:
    units = parse(b"DISP:TEXT \"a;b,c\"\"d\",'it''s';*OPC?")
    assert isinstance(units[0], MessageUnit)
    assert [p.text for p in units[0].parameters] == ['a;b,c"d', "it's"]
    assert headers(b'DISP:TEXT "a;b";*OPC?') == [":DISP:TEXT", "*OPC?"]


def test_channel_lists() -> None:
    assert only(b"ROUT:CLOS (@101,103:105)").kind == "expression"
    assert channel_list("@101,103:105") == (101, 103, 104, 105)
    assert channel_list("@3:1") == (3, 2, 1)
    for wrong in ("101", "@", "@a", "@1!2"):
        if wrong != "@":
            with pytest.raises(ScpiError):
                channel_list(wrong)
    assert channel_list("@") == ()


def test_definite_blocks_hide_what_they_hold() -> None:
    assert only(b"DATA #15a;b,c").text == "a;b,c"
    assert headers(b"DATA #15a;b,c;*OPC?") == [":DATA", "*OPC?"]
    assert scpi.block(b"x" * 11) == b"#211" + b"x" * 11  # IEEE 488.2, 8.7.9


@pytest.mark.parametrize(
    ("line", "error"),
    [
        (b"FREQ 1,,2", -102),
        (b"FREQ 1 2", -103),
        (b"FREQ 1.2.3", -121),
        (b"FREQ 1 !", -131),
        (b"FREQ 1e99999", -123),
        (b"FREQ " + b"1" * 256, -124),
        (b"FREQ #H", -121),
        (b"FREQ #Q8", -121),
        (b"FREQ #23ab", -161),
        (b'FREQ "abc', -151),
        (b"FREQ (@1", -171),
        (b"THISMNEMONICISLONG 1", -112),
        (b"FREQ THISWORDISTOOLONG", -144),
        (b"\xff\xfe", -101),
        (b"1FREQ", -102),
        (b"FREQ +", -121),
    ],
)
def test_broken_messages_have_the_standards_number(line: bytes, error: int) -> None:
    assert code(line) == error


def test_a_faulty_unit_does_not_hide_the_next() -> None:
    first, second = parse(b"FREQ 1e99999;*OPC?")
    assert isinstance(first, ScpiError)
    assert second == MessageUnit("*OPC?", ())


@given(st.binary(max_size=200))
def test_no_bytes_raise(line: bytes) -> None:
    assert all(isinstance(unit, MessageUnit | ScpiError) for unit in parse(line))


@given(st.text(alphabet="*:;,#@()'\"?0123456789eEHQB.+- \tVMhzfreqSOUR\u00b2\u00e9", max_size=60))
def test_no_near_miss_raises(text: str) -> None:
    assert all(isinstance(unit, MessageUnit | ScpiError) for unit in parse(text.encode("latin-1")))


@given(st.floats(allow_nan=False, allow_infinity=False, width=64))
def test_every_number_that_a_driver_writes_comes_back_equal(value: float) -> None:
    assert only(b"X " + repr(value).upper().encode()).value == value
