"""Whatever is sent to the simulated instruments: a reply or none, never an exception, and the bench lives on."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from harness.sim.bench import SimulatedBench
from tests.helpers.thorough import examples

DEMO = Path(__file__).parent.parent / "demo" / "brackwater" / "bench_sim.toml"
BENCH = SimulatedBench.load(DEMO)
BENCH.connect("lead", "calibrator", "unit", 1)
HEADERS = sorted(
    {command.spelling.notation for role in BENCH.devices for command in BENCH.profiles[role].table}
    | {"*IDN?", "*RST", "*CLS", "*ESR?", "*STB?", "*OPC", "*OPC?", "*ESE", "*SRE", "*TST?", "*WAI"}
)

values = st.one_of(
    st.floats(allow_nan=False).map(repr),
    st.sampled_from(["MIN", "MAX", "DEF", "ON", "OFF", "0", "1", "-1", "8", "1 MV", "2 MHZ", "5 S", "#HFF", "9.9E37"]),
    st.sampled_from(["DC", "SIN", "SQU", "PULS", "REAL,32", "ASC", "CHAN1", "CHAN2", "CHAN9", "GRO", "SWAP", "XYZ"]),
    st.sampled_from(["(@1)", "(@2)", "(@101,203)", "(@1:9)", "(@)", '"text"', "#12ab", ""]),
)


@st.composite
def unit(draw: st.DrawFn) -> str:
    """One program message unit: a header of the tables, its optional nodes in or out, some parameters."""
    header = draw(st.sampled_from(HEADERS))
    keep = draw(st.booleans())
    spelled = header.replace("[", "").replace("]", "") if keep else _without_optional(header)
    spelled = spelled.replace("#", draw(st.sampled_from(["", "1", "2", "3"])))
    parameters = ",".join(draw(st.lists(values, max_size=2)))
    return f":{spelled.strip(':')} {parameters}".replace(":*", "*")


def _without_optional(header: str) -> str:
    kept, depth = "", 0
    for character in header:
        depth += (character == "[") - (character == "]")
        kept += character if depth == 0 and character != "]" else ""
    return kept


@given(st.sampled_from(sorted(BENCH.devices)), st.lists(unit(), min_size=1, max_size=4))
@settings(max_examples=examples(400), deadline=None)
def test_no_message_of_the_tables_raises(role: str, units: list[str]) -> None:
    device = BENCH.devices[role]
    reply = device.handle(";".join(units).encode("latin-1"))
    assert reply is None or isinstance(reply, bytes)
    device.handle(b"*CLS;*ESE 0;*SRE 0")
    assert device.handle(b"*ESE?;*IDN?").startswith((b"0;Northfen,", b"0;Aldermoor,"))


@given(st.lists(unit(), max_size=3))
@settings(max_examples=examples(50), deadline=None)
def test_every_screen_can_be_read_and_drawn_at_any_time(units: list[str]) -> None:
    for line in units:
        for device in BENCH.devices.values():
            device.handle(line.encode("latin-1"))
    unit_device = BENCH.devices["unit"]
    assert unit_device.handle(b"FORM ASC;:INIT;:TRAC? CHAN1").count(b",") >= 99
    assert len(BENCH.picture(40, 9)) == 9
