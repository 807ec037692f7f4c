"""Who may import whom, read from the syntax trees; where SCPI text may stand; how long a module may be.

Imports for type checkers alone do not count: they bind nobody at run time.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from fnmatch import fnmatch
from functools import cache
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).resolve().parent.parent
PACKAGES: Final = ("harness", "drivers", "sequences", "sim_profiles")

BASE: Final = (
    "harness.errors", "harness.quantities", "harness.measurement", "harness.steps", "harness.values", "harness.words*",
)  # fmt: skip
SHELL: Final = (
    "harness.cli", "harness.commands*", "harness.person.console", "harness.person.live", "harness.person.page*",
    "harness.person.several", "harness.office.board_server",
)  # fmt: skip

# Folder → what it may import of ours; the first line that matches holds. A new folder gets a line here, deliberately.
MAY_IMPORT: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    *((name, ()) for name in ("harness", "harness.errors", "sim_profiles")),
    ("harness.quantities", ("harness.words.language",)),
    ("harness.measurement", ("harness.errors",)),  # the records that it loads by name import it
    ("harness.steps", ("harness.errors", "harness.measurement")),
    ("harness.values", ("harness.quantities",)),
    ("harness.words*", BASE),
    ("harness.models", BASE),
    ("harness.analysis*", (*BASE[:2], "harness.words.language", "harness.analysis*")),
    ("harness.link*", (*BASE, "harness.link*")),
    ("harness.journal*", (*BASE, "harness.journal*")),
    ("harness.person*", (*BASE, "harness.person*")),
    ("harness.files*", (*BASE, "harness.models", "harness.files*")),
    (
        "harness.start*",
        (*BASE, "harness.models", "harness.files*", "harness.journal*", "harness.person*", "harness.start*"),
    ),
    ("harness.sim*", (*BASE, "harness.files.toml*", "harness.person*", "harness.sim*")),
    ("harness.assess", (*BASE, "harness.models", "harness.analysis*")),
    ("sequences.*.evaluation", (*BASE, "harness.models", "harness.a*", "harness.report*", "sequences*")),
    ("sequences.*.simulated", (*BASE, "harness.sim*", "sequences.*.simulated")),
    ("sequences*", (*BASE, "harness.models", "harness.a*", "sequences*")),
    ("drivers*", (*BASE, "harness.models", "harness.[flp]*", "harness.analysis*", "drivers*")),
    ("harness.bench*", (*BASE, "harness.models", "harness.[jlp]*", "drivers*", "harness.bench*")),
    ("harness.conformance", (*BASE, "harness.models", "harness.link*", "drivers*", "sequences*")),
    (
        "harness.run.trying",
        (*BASE, "harness.models", "harness.conformance", "harness.[bfjlp]*", "drivers*", "harness.run*"),
    ),
    (
        "harness.run.against",
        (*BASE, "harness.models", "harness.conformance", "harness.[blp]*", "drivers", "sequences*"),
    ),
    ("harness.run.judging", (*BASE, "harness.models", "harness.[fjr]*")),
    ("harness.run.*", (*BASE, "harness.models", "harness.[abfjlps]*", "drivers*", "sequences*", "harness.run.*")),
    ("harness.run", ()),
    ("harness.report*", (*BASE, "harness.models", "harness.journal*", "harness.a*", "harness.report*")),
    ("harness.years*", (*BASE, "harness.models", "harness.[afjry]*")),
    ("harness.fakes", (*BASE, "harness.link.port", "harness.sim.clock")),
    ("harness.runs", ("harness*", "drivers*")),
    ("harness.testing", ("harness.errors", "harness.runs", "harness.run.rehearsal", "harness.sim.bench")),
    ("harness.night*", ("harness*",)),
    ("harness.office*", (*BASE, "harness.[fjnory]*", "harness.person.page_web")),
    ("harness.commands*", ("harness*", "drivers*")),
    ("harness.cli", ("harness.errors", "harness.commands*", "harness.person*", "harness.words*")),
)

# A pure module is a function of its arguments: no clock, no chance, no machine.
PURE: Final = (
    "sequences*", "harness.analysis*", "harness.assess", "harness.report.*", "harness.steps", "harness.measurement",
    "harness.bench.limits",
    "harness.person.operator", "harness.quantities", "harness.values", "harness.models", "harness.link.replies",
    "harness.words.moments", "harness.link.interfaces", "harness.link.dialect",
    "harness.start.said", "harness.start.words", "harness.start.interview", "harness.start.texts",
)  # fmt: skip
IMPURE: Final = frozenset({"time", "random", "os", "socket", "subprocess", "threading", "secrets", "pyvisa"})
HEAVY: Final = (
    "scipy.stats",
    "scipy.optimize",
    "scipy.signal",
    "pandas",
    "fontTools",
    "pyvisa",
    "sqlalchemy",
    "alembic",
)
# Imported when a simulated bench or a store opens, not before.
BUILT_ON_HEAVY: Final = (
    "harness.sim.library",
    *(
        f"harness.years.records.{name}"
        for name in (
            "schema",
            "asking",
            "repacking",
            "database",
            "migrate",
            "queries",
            "writing",
            "store",
            "push",
            "check",
            "migrations.*",
        )
    ),
)

IMPORT: Final = re.compile(r"^\s*(?:from\s+\S+\s+)?import\s+(?:\([^)]*\)|[^\n]*)", re.MULTILINE)
LONGEST: Final = 400
REASON: Final = re.compile(r"over 400 lines", re.IGNORECASE)

# A header of SCPI-1999 (":SOUR:VOLT", "MEAS:FREQ?") or a common command of IEEE 488.2 ("*OPC?").
SUBSYSTEM: Final = re.compile(r"(?<![\w:]):?[A-Z]{3,12}[a-z]*(?::[A-Z]{2,12}[a-z]*)+\??(?![\w:])")
COMMON: Final = re.compile(r"(?<!\w)\*[A-Z]{3}\b\??")
# The link closes a point by the standard's own error queue, which every SCPI instrument must have.
ERROR_QUEUE: Final = (":SYST:ERR?",)
SPEAKS_COMMON: Final = (
    "harness.link.link",
    "harness.link.dialect",
    "harness.models",
    "harness.link.visa",
    "harness.run.talk",
    "harness.sim.*",
)


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES: Final = {name_of(path): path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))}


@cache
def tree_of(name: str) -> ast.Module:
    return ast.parse(MODULES[name].read_text("utf-8"))


@cache
def nodes(name: str) -> tuple[ast.AST, ...]:
    return tuple(ast.walk(tree_of(name)))


def is_for_checkers(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


def walk(node: ast.AST, *, into_functions: bool = True) -> Iterator[ast.AST]:
    for child in ast.iter_child_nodes(node):
        if is_for_checkers(child):
            continue
        yield child
        if into_functions or not isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            yield from walk(child, into_functions=into_functions)


@cache
def imports(name: str, *, at_import: bool = False) -> frozenset[str]:
    """Every module that a module imports; of `from package import name` the submodule, where there is one."""
    found = set()
    for node in walk(tree_of(name), into_functions=not at_import):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            whole = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= {each if each in MODULES or node.module not in MODULES else node.module for each in whole}
    return frozenset(found)


def matches(name: str, patterns: tuple[str, ...]) -> bool:
    return any(fnmatch(name, pattern) for pattern in patterns)


def allowed(name: str) -> tuple[str, ...] | None:
    return next((patterns for pattern, patterns in MAY_IMPORT if fnmatch(name, pattern)), None)


@pytest.mark.parametrize("name", sorted(MODULES))
def test_imports_go_downwards(name: str) -> None:
    patterns = allowed(name)
    assert patterns is not None, f"{name} has no line in MAY_IMPORT: say what it may import"
    ours = {each for each in imports(name) if each.split(".")[0] in (*PACKAGES, "demo", "tests")}
    assert not {each for each in ours if not matches(each, patterns)}


def test_every_line_of_the_table_is_used() -> None:
    unused = [pattern for pattern, _ in MAY_IMPORT if not any(fnmatch(name, pattern) for name in MODULES)]
    assert not unused


def test_no_two_modules_import_each_other() -> None:
    assert not [(a, b) for a in MODULES for b in imports(a) & set(MODULES) if a < b and a in imports(b)]


def test_what_tests_share_is_a_helper_and_no_test() -> None:
    folder = ROOT / "tests"
    tests = {path.stem: path for path in folder.rglob("test_*.py")}
    for path in folder.rglob("*.py"):
        for statement in IMPORT.findall(path.read_text("utf-8")):
            assert not set(re.findall(r"\w+", statement)) & set(tests), path
    own = {"conftest.py", "environment.py", "run.py"}
    assert {path.name for path in folder.glob("*.py")} - {path.name for path in tests.values()} == own


def test_nobody_but_the_shell_imports_the_shell() -> None:
    for name in MODULES:
        if not matches(name, SHELL):
            assert not {each for each in imports(name) if matches(each, SHELL)}, name
        assert "harness.cli" not in imports(name), name


def test_pure_modules_ask_neither_clock_nor_chance_nor_machine() -> None:
    pure = [name for name in MODULES if matches(name, PURE)]
    assert not {name: used for name in pure if (used := {each.split(".")[0] for each in imports(name)} & IMPURE)}


def test_pyvisa_stands_behind_one_module_and_the_simulator() -> None:
    visa = {"pyvisa", "pyvisa_sim", "pyvisa_py"}
    users = [name for name in MODULES if {each.split(".")[0] for each in imports(name)} & visa]
    assert users
    assert all(matches(name, ("harness.link.visa", "harness.sim.*")) for name in users), users


def test_heavy_libraries_are_imported_when_needed() -> None:
    for name in MODULES:
        if matches(name, BUILT_ON_HEAVY):
            continue
        heavy = {each for each in imports(name, at_import=True) if any(f"{each}.".startswith(f"{h}.") for h in HEAVY)}
        assert not heavy, name


def test_a_long_module_says_why() -> None:
    unexplained = {}
    for name, path in MODULES.items():
        lines = path.read_text("utf-8").splitlines()
        if len(lines) > LONGEST and not REASON.search("\n".join(lines[:15])):
            unexplained[name] = len(lines)
    assert not unexplained


def test_every_result_is_stated_at_a_coverage_that_is_named() -> None:
    """The job chooses it: whoever leaves it out has the usual one, whatever the job says."""
    for name, path in MODULES.items():
        if matches(name, ("harness.analysis.*",)):
            continue
        for node in nodes(name):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in ("state", "estimate.state"):
                assert len(node.args) == 2, f"{path}:{node.lineno}"


# --- SCPI text ---------------------------------------------------------------------------------------------------


@cache
def texts(name: str) -> tuple[str, ...]:
    """Every text of a module that is not a docstring."""
    found: list[str] = []
    documentation = set()
    for node in nodes(name):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
            first = node.body[0] if node.body else None
            if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
                documentation.add(first.value)
    for node in nodes(name):
        if isinstance(node, ast.Constant) and node not in documentation:
            if isinstance(node.value, str):
                found.append(node.value)
            elif isinstance(node.value, bytes):
                found.append(node.value.decode("latin-1"))
    return tuple(found)


def test_scpi_text_stands_in_drivers_and_profiles_alone() -> None:
    for name in MODULES:
        if name.split(".")[0] == "drivers":
            continue
        found = [match for text in texts(name) for match in SUBSYSTEM.findall(text) if match not in ERROR_QUEUE]
        assert not found, name
        if not matches(name, SPEAKS_COMMON):
            # "*IDN?" may be named to a person, inside a sentence; it is never a message by itself.
            assert not [text for text in texts(name) if COMMON.fullmatch(text.strip())], name


@pytest.mark.parametrize("text", [":SOUR:VOLT 5", "MEAS:FREQ?", ":SYST:ERR?", "x;:OUTP:STAT ON", "CALCulate:LIMit"])
def test_the_detection_finds_scpi(text: str) -> None:
    assert SUBSYSTEM.search(text)


@pytest.mark.parametrize(
    "text", ["TCPIP0::192.0.2.1::5025::SOCKET", "GPIB0::9::INSTR", "FILE.py:Class", "%H:%M", "USB0::0x1AB1::1::INSTR"]
)
def test_the_detection_leaves_addresses_alone(text: str) -> None:
    assert not SUBSYSTEM.search(text)


def test_the_driver_table_speaks_scpi_as_detected() -> None:
    from drivers.commands import SOURCE

    plain = ("output", "preset")
    assert all(SUBSYSTEM.search(command.template) for name, command in SOURCE.items() if not name.startswith(plain))


# --- names of instruments ----------------------------------------------------------------------------------------


def test_an_instrument_that_is_shown_has_a_name_and_no_makers_number() -> None:
    shown = ("README.md", "docs/*.md", "demo/**/*.toml", "sim_profiles/*.toml", "harness/files/starters/*.toml")
    files = [path for pattern in shown for path in ROOT.glob(pattern)]
    models = {
        model: path.name for path in files for model in re.findall(r'^model = "(.*)"', path.read_text("utf-8"), re.M)
    }
    assert len(models) >= 15
    assert {model: name for model, name in models.items() if not re.fullmatch("[A-Z][a-z]+", model)} == {}


# --- names of measurements ---------------------------------------------------------------------------------------

# Places where a module outside `sequences/` still has the name of a measurement, a quantity or a rating as text. It may
# only shrink. They are words of other tables: keys of the command tables and of the reference, a knob of a scope, how
# text looks.
NAMED: Final[dict[str, int]] = {
    "drivers.commands": 3,
    "drivers.words": 1,
    "harness.files.checks": 1,
    "harness.files.job_checks": 1,
    "harness.person.page": 1,
    "harness.report.sheet": 1,
    "harness.sim.dialect": 3,
}


def test_nothing_outside_knows_a_measurement_by_name() -> None:
    from harness import measurement
    from sequences import BUILT_IN

    names = {*BUILT_IN, *measurement.quantity_names(), *measurement.rating_names()}
    found = {
        name: count
        for name in MODULES
        if name.split(".")[0] in ("harness", "drivers") and (count := sum(text in names for text in texts(name)))
    }
    assert found == NAMED, "name it in sequences/ instead; where one has gone, lower the number"
