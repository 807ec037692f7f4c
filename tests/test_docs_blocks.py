"""Every block of the README and of docs/ does what it is there for, in the order of its page, in a copy of the demo.

A part of a file is put into the demo's file of that kind, and a whole file is checked as one. A comment above says
what a reader takes from the text: `<!-- part of: bench -->`, `<!-- whole: profile -->`, `<!-- file: ripple.py -->`.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import re
import shlex
import shutil
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import chdir, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import click
import pytest

from harness import runs as opening
from harness.cli import cli
from harness.sim import profile
from harness.sim.bench import SimulatedBench
from harness.years import corrections
from harness.years.records.store import Store
from tests.helpers.demo_lab import DEMO, ONE_CHANNEL, a_job, halfpower, with_sequences
from tests.helpers.record_examples import told_again

ROOT: Final = Path(__file__).resolve().parent.parent
PAGES: Final = (ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md")))
WALKED: Final = ("first_scope.md", "first_night.md", "first_measurement.md")  # by test_learn.py, word by word
FENCED: Final = re.compile(
    r"(?:^<!-- (?P<note>[^\n]*) -->\n+)?^ *```(?P<language>\w+)\n(?P<text>.*?)^ *```$", re.M | re.S
)
EXAMPLE: Final = re.compile(r"^ +halfpower .*$", re.MULTILINE)
TYPED: Final = re.compile(r"^(?:    |)(?:\$ )?(?:\.venv/bin/)?(halfpower(?: .*)?)$", re.MULTILINE)
IN_PROSE: Final = re.compile(r"`(halfpower [^`]+)`")
NOT_OURS: Final = re.compile(r" {2,}| [<>|]")
"""What ends a command on its line: the remark beside it, or what the shell does with it."""

MADE_OF: Final = {
    "job": "own.toml", "bench": "bench.toml", "unit": "aldermoor_egret.toml", "simulation": "bench_sim.toml",
}  # fmt: skip
"""Where a part of each kind goes; a job gets a name of its own beside the demo's."""
SERVED: Final = "5025"  # needs a served bench: test_sim_server.py runs it


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    page: str
    line: int
    language: str
    text: str
    note: str

    @property
    def name(self) -> str:
        return f"{self.page}:{self.line}"


def _blocks() -> Iterator[Block]:
    for page in PAGES:
        text = page.read_text("utf-8") if page.name not in WALKED else ""
        for found in FENCED.finditer(text):
            at = text.count("\n", 0, found.start("language")) + 1
            yield Block(
                page=page.relative_to(ROOT).as_posix(), line=at, language=found["language"], text=found["text"],
                note=found["note"] or "",
            )  # fmt: skip


BLOCKS: Final = tuple(_blocks())


@dataclass(slots=True, kw_only=True)
class Reader:
    """Whoever follows a page from its top, in a folder that holds the demo."""

    folder: Path
    names: dict[str, Any] = field(default_factory=lambda: {"__name__": "page"})
    printed: dict[str, str] = field(default_factory=dict)

    def do(self, block: Block) -> None:
        if block.name in self.printed:
            return
        self.printed[block.name] = ""  # one that fails fails once
        with chdir(self.folder), redirect_stdout(io.StringIO()) as out:
            {"toml": self._toml, "python": self._python}[block.language](block)
        self.printed[block.name] = out.getvalue()

    def _python(self, block: Block) -> None:
        code = compile(block.text, block.name, "exec")
        if SERVED not in block.text:
            exec(code, self.names)

    def _toml(self, block: Block) -> None:
        what, _, kind = block.note.partition(": ")
        if what == "part of":
            path = Path(MADE_OF[kind])
            if kind == "job":
                with_sequences(Path("digital.toml"), path.name, block.text)
            else:
                _put_into(path, block.text)
            if kind in ("bench", "unit"):  # with all that it belongs to
                path = Path("own.toml" if Path("own.toml").exists() else "digital.toml")
        else:
            kind = kind or _kind(block)
            path = Path("whole") / f"{kind}.toml"
            path.parent.mkdir(exist_ok=True)
            path.write_text(block.text, "utf-8")
        _check(kind, path)


def _kind(block: Block) -> str:
    """A whole file of the six kinds, as `check` itself takes it."""
    keys = tomllib.loads(block.text).keys()
    marks = {"job": "sequence", "bench": "calibrator", "unit": "maker", "queue": "jobs", "register": "standard"}
    return next((kind for kind, key in marks.items() if key in keys), "customers")


def _check(kind: str, path: Path) -> None:
    other: Mapping[str, Callable[[Path], object]] = {
        "corrections": corrections.load,
        "simulation": lambda path: SimulatedBench.load(path).resource_manager(),
        "profile": lambda path: profile.load(path.name, path.absolute(), "profile"),
    }
    if kind in other:
        other[kind](path)
        return
    said = halfpower("check", path)
    assert said.exit_code == 0, said.stdout + said.stderr


def _put_into(path: Path, part: str) -> None:
    """A part of a file, in its place; a bench with addresses of its own is no longer the simulated one."""
    whole = tomllib.loads(path.read_text("utf-8"))
    if "address = " in part:
        whole.pop("simulation", None)
    path.write_text(_toml_of(_merged(whole, tomllib.loads(part))), "utf-8")


def _merged(whole: dict[str, Any], part: dict[str, Any]) -> dict[str, Any]:
    both = {key: _merged(whole[key], part[key]) for key in whole.keys() & part.keys() if isinstance(part[key], dict)}
    return whole | part | both


def _toml_of(table: dict[str, Any]) -> str:
    return "".join(f"{json.dumps(key)} = {_value(value)}\n" for key, value in table.items())


def _value(value: Any) -> str:
    match value:
        case dict():
            return "{ " + ", ".join(f"{json.dumps(key)} = {_value(each)}" for key, each in value.items()) + " }"
        case list():
            return "[" + ", ".join(map(_value, value)) + "]"
        case dt.date():
            return value.isoformat()
        case _:
            return json.dumps(value, ensure_ascii=False)


@pytest.fixture(scope="module")
def read(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[str], Reader]]:
    """The reader of a page: one a page, with a laboratory of their own and a store that holds a run."""
    readers: dict[str, Reader] = {}
    top = tmp_path_factory.mktemp("pages")
    with pytest.MonkeyPatch.context() as changed:
        changed.setenv("HALFPOWER_STORE", str(top / "records.sqlite"))
        with Store.open() as store:
            store.add(told_again(top / "told"))
        changed.setenv("XDG_RUNTIME_DIR", str(top))

        def of(page: str) -> Reader:
            if page not in readers:
                folder = shutil.copytree(DEMO, top / page.replace("/", "_"))
                shutil.copytree(DEMO, folder / "demo" / "brackwater")
                for block in (each for each in BLOCKS if each.page == page):  # what other blocks name before
                    if block.note.startswith("file: "):
                        (folder / block.note.removeprefix("file: ")).write_text(block.text, "utf-8")
                    elif block.note == "part of: unit":
                        _put_into(folder / MADE_OF["unit"], block.text)
                if page == "docs/unattended.md":
                    a_job(folder / "short.toml", ONE_CHANNEL)
                    with chdir(folder):
                        assert halfpower("queue", "short.toml", "--quiet").exit_code == 0
                        next(Path("runs").glob("night-*")).rename("runs/night-2026-11-25-01")
                readers[page] = Reader(folder=folder)
            return readers[page]

        yield of


@pytest.mark.parametrize(
    "block", [each for each in BLOCKS if each.language in ("toml", "python")], ids=lambda block: block.name
)
def test_a_block_is_true(read: Callable[[str], Reader], block: Block, monkeypatch: pytest.MonkeyPatch) -> None:
    reader = read(block.page)
    monkeypatch.syspath_prepend(str(reader.folder))
    for each in BLOCKS:
        if each.page == block.page and each.line <= block.line and each.language in ("toml", "python"):
            reader.do(each)


def printed(read: Callable[[str], Reader], page: str, said: str) -> str:
    """What the block of a page that holds these words has printed."""
    reader = read(page)
    through = [each for each in BLOCKS if each.page == page and each.language in ("toml", "python")]
    (block,) = (each for each in through if said in each.text and each.language == "python")
    for each in through[: through.index(block) + 1]:
        reader.do(each)
    return reader.printed[block.name]


def test_what_the_example_in_a_notebook_prints(read: Callable[[str], Reader]) -> None:
    rows = printed(read, "docs/notebook.md", "open_points").splitlines()
    assert any("does not meet its rating" in row for row in rows)
    assert any("lowest half-power frequency" in row for row in rows)
    heads = next(place for place, line in enumerate(rows) if "result_unit" in line)
    assert rows[heads].split() == ["quantity", "channel", "setting", "result", "result_unit", "verdict"]
    assert all(len(line) <= 80 and line.endswith(("fail", "undecided")) for line in rows[heads + 1 :])
    assert any(line.endswith("fail") for line in rows)
    assert len(list((read("docs/notebook.md").folder / "runs").iterdir())) == 1


@pytest.mark.parametrize(
    ("page", "block", "said"),
    [
        ("docs/writing_a_sequence.md", "import ripple", r"between the readings: 0.02 div\n"),
        ("docs/writing_a_sequence.md", "frame(", r"(?s).*does not meet its rating.*500 mV/div.*"),
        ("docs/records.md", "Store.open", r"2026-03-02 as found \S+ \S+ % fail\n"),
        ("docs/unattended.md", "account(", r"(?s).*is done; .*\nshort.toml meets confirmed .*"),
    ],
)
def test_what_an_example_prints(
    read: Callable[[str], Reader], page: str, block: str, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.syspath_prepend(str(read(page).folder))
    assert re.fullmatch(said, printed(read, page, block))


def test_no_block_is_of_a_kind_that_nothing_reads() -> None:
    assert {block.language for block in BLOCKS} <= {"toml", "python", "text", "sql", "sh", "console"}


# --- what is typed -------------------------------------------------------------------------------------------------


def _commands() -> Iterator[tuple[str, str]]:
    for page in PAGES:
        text = page.read_text("utf-8")
        for typed in (*TYPED.finditer(text), *IN_PROSE.finditer(text)):
            at = text.count("\n", 0, typed.start(1)) + 1
            prose = ", in prose" if typed.re is IN_PROSE else ""
            yield f"{page.relative_to(ROOT).as_posix()}:{at}{prose}", NOT_OURS.split(typed[1].replace("\n", " "))[0]


def _helped(command: click.Command, name: str) -> Iterator[tuple[str, str]]:
    for typed in EXAMPLE.findall(command.help or ""):
        yield f"{name} --help", NOT_OURS.split(typed.strip())[0]
    if isinstance(command, click.Group):
        for each, inner in command.commands.items():
            yield from _helped(inner, f"{name} {each}")


def parse(typed: str) -> None:
    """Read a command line as the program does, and do nothing."""
    words = shlex.split(typed)[1:]
    context = cli.make_context("halfpower", words)
    while isinstance(context.command, click.Group):
        name, command, rest = context.command.resolve_command(context, [*context._protected_args, *context.args])
        assert command is not None
        context = command.make_context(name, rest, parent=context)


@pytest.mark.parametrize(("where", "typed"), sorted({*_commands(), *_helped(cli, "halfpower")}))
def test_a_command_is_one_that_the_program_takes(where: str, typed: str) -> None:
    try:
        parse(typed)
    except click.exceptions.Exit:
        assert typed.endswith("--help"), where
    except (click.exceptions.NoArgsIsHelpError, click.MissingParameter):
        assert where.endswith("in prose"), where  # which names a command or an option, and no file
    except click.BadParameter as bad:
        if not re.search(r"'[A-Z]+'", str(bad)):  # a word in capitals stands for any
            raise


@pytest.mark.parametrize("typed", ["halfpower chek job.toml", "halfpower run job.toml --fast", "halfpower schema jobb"])
def test_a_command_that_the_program_does_not_take_is_found(typed: str) -> None:
    with pytest.raises(click.UsageError):
        parse(typed)


ON_THE_DEMO: Final = (
    "bench",
    "check",
    "rehearse",
    "report",
    "approve",
    "amend",
    "label",
    "records",
    "history",
    "reanalyse",
)
"""Commands that wait for nobody, serve nothing and end."""
PAGES_OF_A_START: Final = ("README.md", "docs/first_job.md", "docs/start_by_hand.md")


def test_what_the_first_pages_have_one_type_works_on_the_demo(read: Callable[[str], Reader]) -> None:
    folder = read("docs/start_by_hand.md").folder
    job = a_job(folder / "short.toml", ONE_CHANNEL, head='operator = "M. Thorne"\ncustomer = "Sanderling"')
    run = opening.start(job, folder / "runs").folder
    (corrected,) = (block for block in BLOCKS if block.note == "whole: corrections")
    (folder / "orme.toml").write_text(corrected.text.replace("2022-12-31", "2026-12-31"), "utf-8")
    stands_for = {
        "job.toml": "digital.toml", "petrel/northfen_auk_4471.toml": "by_eye.toml",
        "runs/2026-11-25-Skua-0958-01": f"runs/{run.name}", "/mnt/safe/records.sqlite": "copy.sqlite",
    }  # fmt: skip
    done = []
    with chdir(folder):
        for where, typed in _commands():
            words = [stands_for.get(word, word) for word in shlex.split(typed)[1:]]
            if where.split(":")[0] in PAGES_OF_A_START and "prose" not in where and words[0] in ON_THE_DEMO:
                said = halfpower(*words)
                assert said.exit_code == 0, f"{where}: {typed}\n{said.stderr}"
                done.append(words[0])
    assert set(done) == set(ON_THE_DEMO)
    assert all((folder / made).stat().st_size for made in ("report.html", "report.pdf", "short.pdf", "annex.pdf"))
