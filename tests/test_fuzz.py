"""Anything at all, wherever bytes or text come in: our own errors come out, or a right reading, and nothing else.

Each target is tried with a few hundred examples here, the same ones every time, and under the marker `soak` with
HALFPOWER_FUZZ_EXAMPLES: 1,000 where it is not set, and a tenth of that for whole stores and rehearsals. No case may
take longer than LONGEST_S. Fuzzing of the bench, unit and job files stands in test_files.py, of the simulated
instruments in test_sim_fuzz.py.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import re
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from drivers.manual import ManualScreen, ManualSource
from drivers.waveform import read_record
from harness import quantities
from harness import runs as opening
from harness.errors import ConfigError, HalfpowerError, JournalError
from harness.files import files
from harness.files.files import starter
from harness.journal import journal
from harness.link.blocks import read_block
from harness.link.link import Link
from harness.link.port import MemoryPort
from harness.link.replies import code_of, identity_agrees
from harness.measurement import Screenful
from harness.models import Calibrator, UnitLink
from harness.person.operator import GoBack, Value, read_answer
from harness.run.faulted import Faults
from harness.sim.bench_file import BenchFile
from harness.sim.settings import check, read_toml
from harness.steps import Dc, FastEdge, Measure, NoSignal, Reading, Sine, Square, TimeMarks, View
from harness.years.records.check import problems
from harness.years.records.rows import Selection
from harness.years.records.store import Store
from tests.helpers.demo_lab import LEAD, a_job
from tests.helpers.link_double import Double, WaitingClock

DEMO = Path(__file__).resolve().parent.parent / "demo" / "brackwater"
LONG = int(os.environ.get("HALFPOWER_FUZZ_EXAMPLES", "1000"))
LONGEST_S = 20.0  # of the processor's time, for any one case
GOLDEN = Path(__file__).resolve().parent / "golden" / "format-1" / "digital"


@dataclass(frozen=True)
class Target:
    """What is drawn, and what is tried with it; `few` is how many examples the fast part takes."""

    draw: st.SearchStrategy[Any]
    try_it: Callable[[Any, Path], None]
    few: int = 60


# --- the files of a simulated bench ------------------------------------------------------------------------------

TOML = (DEMO / "bench_sim.toml").read_bytes()


@st.composite
def mutated(draw: st.DrawFn, data: bytes, most: int = 4) -> bytes:
    """A sound file with pieces changed, cut out, doubled or put in."""
    for _ in range(draw(st.integers(1, most))):
        start = draw(st.integers(0, len(data)))
        end = min(len(data), start + draw(st.integers(0, 40)))
        piece = draw(st.one_of(st.just(b""), st.binary(max_size=8), st.just(data[start:end] * 2)))
        data = data[:start] + piece + data[end:]
    return data


def a_simulated_bench(content: bytes, folder: Path) -> None:
    (folder / "sim.toml").write_bytes(content)
    check(BenchFile, read_toml(folder / "sim.toml"), "sim.toml")


def a_file(content: bytes, folder: Path) -> None:
    (folder / "any.toml").write_bytes(content)
    for load in (files.load_bench, files.read_unit):
        with contextlib.suppress(HalfpowerError):
            load(folder / "any.toml")
    files.load_job(folder / "any.toml")


# --- whole jobs, up to the end of their rehearsal -----------------------------------------------------------------

JOB_FILES = ("bench.toml", "aldermoor_egret.toml", "short.toml")
SHORT = f'{LEAD}\nchannels = [1]\nranges = ["100 mV", "1 V"]\n\n[[sequence]]\nuse = "time_base"\npath = "lead"'
A_VALUE = re.compile(r'"[^"\n]*"|(?<![\w."])-?\d[\d._e-]*(?![\w"-])|true|false')
SIZES = (
    "0",
    "-1",
    "1",
    "3",
    "50",
    "100",
    "1000",
    "-200",
    "1e-6",
    "0.01",
    "1e5",
    "1e9",
    "1e12",
    "1e-15",
    "1e308",
    "1e9999999",
)
OTHERS = ("[]", "{}", "true", "0", "-1", "2", "16", "1e9", "1000000000", '""', '"x"', "99999999999999999999999",
          "0.5")  # fmt: skip
CHANGES = st.lists(
    st.tuples(st.sampled_from(JOB_FILES), st.integers(0, 400), st.sampled_from((*SIZES, *SIZES, *OTHERS))),
    min_size=1, max_size=3,
)  # fmt: skip


def a_rehearsal(changes: list[tuple[str, int, str]], folder: Path) -> None:
    """Sound files with other numbers in them, each in its unit, or other values altogether."""
    lab = folder / "lab"
    if not lab.exists():
        shutil.copytree(DEMO, lab)
        a_job(lab / "short.toml", SHORT.removeprefix("[[sequence]]\n"))
    texts = {name: (lab / name).read_text("utf-8") for name in JOB_FILES}
    try:
        for name, place, new in changes:
            text = (lab / name).read_text("utf-8")
            values = list(A_VALUE.finditer(text))
            old = values[place % len(values)]
            unit = re.sub(r"^[-+±\d.e ]*", "", old[0].strip('"'))
            said = f'"{new} {unit}"' if new in SIZES and old[0].startswith('"') else new
            (lab / name).write_text(text[: old.start()] + said + text[old.end() :], "utf-8")
        loaded = opening.load(lab / "short.toml")
        opening.warnings(loaded)
        opening.rehearse(loaded)
    finally:
        for name, text in texts.items():
            (lab / name).write_text(text, "utf-8")


# --- stores ------------------------------------------------------------------------------------------------------


@cache
def a_sound_store() -> bytes:
    """The bytes of a small store with one run in it."""
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / "records.sqlite"
        with Store.open(str(file)) as store:
            store.add(GOLDEN)
        with contextlib.closing(sqlite3.connect(file)) as connection:
            connection.execute("PRAGMA journal_mode = DELETE")
        return file.read_bytes()


def a_store(changes: list[tuple[float, bytes]], folder: Path) -> None:
    """A store with bytes changed, or cut off: opened, asked, checked and worked out again."""
    data = bytearray(a_sound_store())
    for place, new in changes:
        at = int(place * len(data))
        data[at : at + len(new) if new else len(data)] = new
    for old in folder.glob("damaged*"):
        old.unlink()
    (folder / "damaged.sqlite").write_bytes(data)
    with Store.open(str(folder / "damaged.sqlite")) as store:
        every = Selection(simulated=None, finished=None)
        store.results(every)
        store.standards(every)
        list(problems(store))
        for run in store.runs(every):
            store.rebuild(run.id)


# --- replies -----------------------------------------------------------------------------------------------------

LIKELY = st.lists(
    st.sampled_from([b"1", b"9.9E37", b"-", b"+", b".", b"E", b"0,", b'"No error"', b";", b"#", b"#0", b"#14", b"\n",
                     b"-222,", b'"', b"\xff", b"\x00", b"1e999", b"nan", b"inf", b"1_0", b" "]), max_size=8,
).map(b"".join)  # fmt: skip
REPLY = st.one_of(st.binary(max_size=40), LIKELY)


def a_reply(drawn: tuple[bytes, bytes, bool], _folder: Path) -> None:
    """Whatever an instrument answers to any question, from some reply on."""
    reply, other, tagged = drawn
    seen = 0

    def damage(real: bytes) -> tuple[bytes, bytes]:
        nonlocal seen
        seen += 1
        return (real, b"") if seen <= 5 else (reply + b"\n", other)

    port = MemoryPort(Double({"MEASure?": lambda *_: "1.5"}).handle, damage=damage)
    link = Link(port, "unit", clock=WaitingClock(), tag_queries=tagged)
    link.connect()
    asks = (lambda: link.query_float(":MEAS?", low=-1e12, high=1e12), lambda: link.query_block(":MEAS?"), link.check)
    for ask in asks:
        with contextlib.suppress(HalfpowerError):
            answer = ask()
            assert answer is None or isinstance(answer, bytes) or abs(answer) <= 1e12
    for entry in link.query(":MEAS?", '[+-]?\\d+,".*"').splitlines():
        code_of(entry)


def a_block(content: bytes, _folder: Path) -> None:
    """Any bytes as a block: what comes out has the length that its head says."""
    port = MemoryPort(lambda _message: content)
    port.reopen()
    port.write(b"")
    data, _rest = read_block(port, None, 1.0)
    head = content[:1] + content[1:2]
    assert head[:1] == b"#"
    digits = int(content[1:2])
    assert not digits or len(data) == int(content[2 : 2 + digits])


def an_identity(drawn: tuple[str, str], _folder: Path) -> None:
    identity_agrees(*drawn)


# --- records -----------------------------------------------------------------------------------------------------

STIMULI = (
    NoSignal(), Dc(level_v=0.3), Square(level_vpp=0.3, frequency_hz=1e3), Sine(level_vpp=0.6, frequency_hz=5e4),
    TimeMarks(period_s=1e-3, level_vpp=1.0), FastEdge(level_vpp=0.5, frequency_hz=1e5),
)  # fmt: skip
QUANTITIES = ("deflection", "peak_to_peak", "trace_width", "span", "rise_time", "overshoot", "top_aberration")
SHAPES = st.sampled_from(["constant", "steps", "noise", "sine", "spikes", "ramp", "anything"])


@st.composite
def a_record_and_its_step(draw: st.DrawFn) -> tuple[Any, Measure, Screenful]:
    size = draw(st.integers(0, 300))
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    amplitude = draw(st.sampled_from([0.0, 1e-12, 0.01, 0.3, 1.0, 1e6, 9.9e37]))
    t = np.arange(size)
    match draw(SHAPES):
        case "constant":
            volts = np.full(size, amplitude)
        case "steps":
            volts = amplitude * np.where(t % max(2, size // 3) < max(1, size // 7), 1.0, 0.0)
        case "noise":
            volts = amplitude * random.standard_normal(size)
        case "sine":
            volts = amplitude * np.sin(t * draw(st.floats(0.001, 3.2)))
        case "spikes":
            volts = np.where(random.random(size) < 0.02, amplitude, 0.0)
        case "ramp":
            volts = amplitude * t / max(1, size)
        case _:
            volts = np.array(draw(st.lists(st.floats(), max_size=40)), dtype=float)
    if draw(st.booleans()):
        with np.errstate(all="ignore"):  # the draw's own largest numbers
            volts = np.round(volts / 0.004) * 0.004
    quantity = draw(st.sampled_from(QUANTITIES))
    step = Measure(
        purpose="fuzz", path="lead", source="calibrator", stimulus=draw(st.sampled_from(STIMULI)), display="unit",
        view=View(channel=1, volts_per_div=0.1, s_per_div=1e-5), quantity=quantity,
        expected=draw(st.sampled_from([None, 0.0, 1.0, 8.0])),
    )  # fmt: skip
    half, interval_s = draw(st.sampled_from([0.4, 1e-9, 1e9])), draw(st.sampled_from([1e-7, 1e-12, 1e-3]))
    return volts, step, Screenful(interval_s=interval_s, low_v=-half, high_v=half, volts_per_div=0.1, s_per_div=1e-5)


def a_record(drawn: tuple[Any, Measure, Screenful], _folder: Path) -> None:
    volts, step, screen = drawn
    reading = read_record(step, volts, screen)
    assert reading.status == "off_screen" or reading.value is not None


# --- the journal -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The journal of a real run, with an event in it and a reading withdrawn."""
    run = opening.start(
        DEMO / "digital.toml", tmp_path_factory.mktemp("real"), faults=Faults(rate=0.01, seed=2, kinds=("late",))
    )
    data = (run.folder / journal.NAME).read_bytes()
    lines = data.splitlines(keepends=True)
    return b"".join(lines[:12])  # a short one is mutated all over


def what_it_says(data: bytes, folder: Path) -> journal.Contents:
    (folder / journal.NAME).write_bytes(data)
    return journal.read(folder)


@st.composite
def mutated_lines(draw: st.DrawFn, data: bytes) -> bytes:
    """Bytes changed, or whole lines doubled, swapped, left out, or a number in one changed with care."""
    lines = data.splitlines(keepends=True)
    at = draw(st.integers(0, len(lines) - 1))
    other = draw(st.integers(0, len(lines) - 1))
    match draw(st.sampled_from(["bytes", "bytes", "doubled", "swapped", "left out", "number", "cut", "recoded"])):
        case "bytes":
            return draw(mutated(data))
        case "doubled":
            lines.insert(other, lines[at])
        case "swapped":
            lines[at], lines[other] = lines[other], lines[at]
        case "left out":
            del lines[at]
        case "number":
            lines[at] = lines[at].replace(draw(st.sampled_from(b"0123456789")).to_bytes(), b"7", 1)
        case "cut":
            return data[: draw(st.integers(0, len(data)))]
        case _:  # the same entry, written in another way: it says the same, and its seal does not hold
            entry = json.loads(lines[at])
            lines[at] = json.dumps(entry, ensure_ascii=True).encode() + b"\n"
    return b"".join(lines)


def is_the_beginning_of(part: journal.Contents, whole: journal.Contents) -> bool:
    """A journal that was cut off says less, and nothing else."""
    events = len(part.events)
    records = [*part.records]
    return (
        part.header == whole.header
        and records == [*whole.records][: len(records)]
        and part.events == whole.events[:events]
        and part.parts.items() <= whole.parts.items()
        and part.closed_at in (None, whole.closed_at)
    )


def journal_holds(real: bytes, folder: Path, count: int) -> None:
    right = what_it_says(real, folder)
    refusals: list[str] = []

    @settings(max_examples=count, suppress_health_check=list(HealthCheck), database=None)
    @given(mutated_lines(real))
    def mutations(data: bytes) -> None:
        try:
            said = what_it_says(data, folder)
        except JournalError as error:
            refusals.append(str(error))
            return
        assert is_the_beginning_of(said, right)

    mutations()
    file = re.escape(str(folder / journal.NAME))
    assert len(refusals) > count // 2
    assert not [text for text in refusals if not re.match(rf"{file}(:\d+: |: the journal is empty)", text)]


# --- people ------------------------------------------------------------------------------------------------------

TYPED = st.one_of(
    st.text(max_size=20),
    st.lists(
        st.sampled_from(["4.9", "-", ",", ".", "e", "9" * 30, "V", " mV", "div", "%", "=", "off", "back", "skip",
                         "stop", "note ", "?", "done", "\x1b", "±", "∞", "nan", "inf", "٣", " "]), max_size=5,
    ).map("".join),
)  # fmt: skip


class Typist:
    """Types what was drawn, and then stops."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = lines

    def ask(self, _prompt: object) -> str:
        return self.lines.pop(0) if self.lines else "stop"

    def tell(self, text: str) -> None:
        assert text


@st.composite
def a_step(draw: st.DrawFn) -> Measure:
    return Measure(
        purpose="fuzz", path="lead", source="calibrator", stimulus=draw(st.sampled_from(STIMULI)), display="unit",
        view=View(channel=1, volts_per_div=0.1, s_per_div=1e-5, magnifier=draw(st.sampled_from([1.0, 10.0]))),
        quantity=draw(st.sampled_from(QUANTITIES)), expected=draw(st.sampled_from([None, 0.0, 4.9])),
    )  # fmt: skip


def an_answer(drawn: tuple[str, Measure], _folder: Path) -> None:
    """One line, understood or refused in a sentence (a ValueError, which the prompt shows)."""
    text, step = drawn
    with contextlib.suppress(ValueError):
        answer = read_answer(text, step, 8.0)
        assert isinstance(answer, str) or (isinstance(answer, Value) and math.isfinite(answer.value))


def a_person(drawn: tuple[list[str], Measure], _folder: Path) -> None:
    """A whole conversation about one point, with the source and the screen worked by hand."""
    lines, step = drawn
    typist = Typist(list(lines))
    unit = files.read_unit(DEMO / "aldermoor_skua.toml").value
    with contextlib.suppress(HalfpowerError, GoBack):
        ManualSource(typist, Calibrator(driver="manual"), "calibrator").apply(step.stimulus)
    screen = ManualScreen(typist, UnitLink(driver="manual"), "unit", unit)
    screen.show(step.view)
    with contextlib.suppress(GoBack):
        reading = screen.read(step)
        assert isinstance(reading, Reading)
        assert reading.value is None or math.isfinite(reading.value)


# --- quantities and words ----------------------------------------------------------------------------------------

UNITS = ("Hz", "Vpp", "Vrms", "V", "s", "Ω", "F", "W", "dB", "div", "°C", "ratio")


def a_quantity(drawn: tuple[Any, str], _folder: Path) -> None:
    text, unit = drawn
    with contextlib.suppress(ValueError):
        assert math.isfinite(quantities.parse(text, unit))


@pytest.mark.parametrize("text", ["1e9999999 V", "1e9999999", "-1e9999999 div", "1e999999999999999999999 V"])
def test_a_reading_of_any_size_is_refused_in_a_sentence(text: str) -> None:
    step = Measure(
        purpose="fuzz", path="lead", source="calibrator", stimulus=Dc(level_v=0.3), display="unit",
        view=View(channel=1, volts_per_div=0.1, s_per_div=1e-5), quantity="deflection", expected=4.9,
    )  # fmt: skip
    with pytest.raises(ValueError, match=r"is too large to be a quantity|is not a reading"):
        read_answer(text, step, 8.0)


@pytest.mark.parametrize(("file", "key", "value", "said"), [
    ("aldermoor_skua.toml", "resolution", "1000 div", "is more than the 100 div that can be meant"),
    ("aldermoor_skua.toml", "vertical_div", "1e9 div", "is more than the 100 div that can be meant"),
    ("aldermoor_skua.toml", "deflection", "1e9 %", "is more than the 100000 % that can be meant"),
    ("aldermoor_egret.toml", "scatter", "1e308 div", "is more than the 100 div that can be meant"),
    ("bench.toml", "db", "-99999999999 dB", "is more than the 200 dB that can be meant"),
    ("digital.toml", "temperature", "1e9 °C", "is more than the 200 °C that can be meant"),
    ("digital.toml", "target", "1e9999999 %", "is too large to be a quantity"),
])  # fmt: skip
def test_a_value_that_nobody_can_mean_is_refused_at_its_line(
    file: str, key: str, value: str, said: str, tmp_path: Path
) -> None:
    lab = shutil.copytree(DEMO, tmp_path / "lab")
    text = (lab / file).read_text("utf-8")
    changed, count = re.subn(rf"(?m)\b{key}( +)?=( +)?[^,\n}}]+", f'{key} = "{value}"', text, count=1)
    if not count:
        changed = f'{key} = "{value}"\n{text}'
    (lab / file).write_text(changed, "utf-8")
    job = "by_eye.toml" if file == "aldermoor_skua.toml" else "digital.toml"
    with pytest.raises(ConfigError, match=rf"{re.escape(file)}:\d+: .*{re.escape(said)}"):
        opening.load(lab / job)


def a_fault(drawn: tuple[str, str], _folder: Path) -> None:
    Faults.of_words(drawn[0], kinds=drawn[1])


QUANTITY = st.one_of(
    st.text(max_size=20), st.floats(), st.integers(), st.booleans(), st.none(), st.lists(st.integers(), max_size=1),
    st.tuples(st.floats().map(repr), st.sampled_from(["", " ", "M", "m", "u", "µ", "Hz", "V", "%", "dB", "e5", "div"]),
              st.sampled_from(["", "Hz", "V", "s", "ohm", "°C", " "])).map("".join),
)  # fmt: skip

TARGETS = {
    "a simulated bench's file": Target(st.one_of(st.binary(max_size=80), mutated(TOML)), a_simulated_bench, few=60),
    "a bench, unit or job file": Target(mutated(starter("bench").encode()), a_file, few=40),
    "a rehearsal": Target(CHANGES, a_rehearsal, few=15),
    "a store": Target(
        st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.binary(max_size=8)), min_size=1, max_size=6),
        a_store,
        few=25,
    ),
    "a reply": Target(st.tuples(REPLY, REPLY, st.booleans()), a_reply),
    "a block": Target(st.one_of(REPLY, REPLY.map(lambda data: b"#" + data)), a_block),
    "an identity": Target(st.tuples(st.text(max_size=30), st.text(max_size=30)), an_identity, few=50),
    "a record": Target(a_record_and_its_step(), a_record, few=100),
    "an answer": Target(st.tuples(TYPED, a_step()), an_answer),
    "a person": Target(st.tuples(st.lists(TYPED, max_size=8), a_step()), a_person, few=60),
    "a quantity": Target(st.tuples(QUANTITY, st.sampled_from(UNITS)), a_quantity),
    "words of faults": Target(st.tuples(st.text(max_size=12), st.text(max_size=12)), a_fault, few=50),
}


def fuzz(name: str, folder: Path, count: int) -> None:
    target = TARGETS[name]

    @settings(
        max_examples=count,
        suppress_health_check=list(HealthCheck),
        database=None,
        phases=[Phase.generate, Phase.shrink],
    )
    @given(target.draw)
    def tried(drawn: Any) -> None:
        began_s = time.process_time()
        with contextlib.suppress(HalfpowerError):
            target.try_it(drawn, folder)
        assert time.process_time() - began_s < LONGEST_S

    began_s = time.monotonic()
    tried()
    print(f"\n{name}: {count} cases in {time.monotonic() - began_s:.0f} s")  # noqa: T201 - the figures of docs/faults.md


@pytest.mark.parametrize("name", TARGETS)
def test_only_our_own_errors_come_out(name: str, tmp_path: Path) -> None:
    fuzz(name, tmp_path, TARGETS[name].few)


def test_a_changed_journal_is_refused_or_says_the_same(real: bytes, tmp_path: Path) -> None:
    journal_holds(real, tmp_path, 60)


@pytest.mark.soak
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("name", TARGETS)
def test_only_our_own_errors_come_out_at_length(name: str, tmp_path: Path) -> None:
    fuzz(name, tmp_path, LONG // 10 if name in ("a rehearsal", "a store") else LONG)


@pytest.mark.soak
@pytest.mark.timeout(7200)
def test_a_changed_journal_is_refused_or_says_the_same_at_length(real: bytes, tmp_path: Path) -> None:
    journal_holds(real, tmp_path, LONG)
