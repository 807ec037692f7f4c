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

PLAIN: Final = ("harness.errors", "harness.quantities", "harness.steps", "harness.signals", "harness.json_text")
FILES: Final = tuple(
    f"harness.{name}"
    for name in (
        "files",
        "schema",
        "starter",
        "toml_lines",
        "toml_text",
        "file_words",
        "file_checks",
        "job_checks",
        "unit_checks",
        "path_checks",
    )
)
SHELL: Final = ("harness.cli", "harness.commands*", "harness.console", "harness.live")

# Module → what it may import of ours; the first line that matches holds. A new module gets a line here, deliberately.
MAY_IMPORT: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    ("harness", ()),
    ("harness.errors", ()),
    ("harness.quantities", ()),
    ("harness.steps", ()),
    ("harness.json_text", ()),
    ("harness.signals", ("harness.quantities", "harness.steps")),
    ("harness.clock", ("harness.quantities",)),
    ("harness.moments", ()),
    ("harness.version", ()),
    ("harness.operator", PLAIN),
    ("harness.models", (*PLAIN, "harness.moments")),
    ("harness.limits", (*PLAIN, "harness.models")),
    ("harness.settling", (*PLAIN, "harness.models")),
    ("harness.warm_up", (*PLAIN, "harness.atomic", "harness.clock", "harness.operator")),
    ("harness.analysis*", (*PLAIN[:2], "harness.analysis*")),
    ("harness.assess*", (*PLAIN, "harness.models", "harness.analysis*", "harness.assess*")),
    ("harness.report.summary", (*PLAIN, "harness.models", "harness.journal", "harness.a*", "harness.report*")),
    ("harness.report.responses", (*PLAIN, "harness.models", "harness.a*", "harness.report*")),
    ("harness.report.adjusted", (*PLAIN, "harness.models", "harness.a*", "harness.report*")),
    ("harness.report.findings", (*PLAIN, "harness.models", "harness.a*", "harness.report*")),
    ("harness.report.words", (*PLAIN, "harness.models", "harness.journal", "harness.a*", "harness.report*")),
    ("harness.report*", (*PLAIN, "harness.models", "harness.analysis*", "harness.report*")),
    ("harness.sealed", ("harness.errors", "harness.json_text", "harness.atomic")),
    ("harness.journal", ("harness.errors", "harness.steps", "harness.sealed")),
    ("harness.addresses", ()),
    ("harness.lock", ("harness.errors", "harness.addresses")),
    (
        "harness.guardian",
        (
            "harness.errors",
            "harness.clock",
            "harness.dialect",
            "harness.journal",
            "harness.link",
            "harness.lock",
            "harness.models",
            "harness.report.shown",
            "harness.visa",
        ),
    ),
    ("harness.people", (*PLAIN, "harness.clock", "harness.operator")),
    ("harness.guarding", ("harness.errors", "harness.guardian", "harness.steps", "drivers.loading")),
    (
        "harness.records*",
        (
            *PLAIN,
            "harness.atomic",
            "harness.clock",
            "harness.journal",
            "harness.models",
            "harness.version",
            "harness.report.*",
            "harness.records*",
        ),
    ),
    (
        "harness.history_facts",
        (
            *PLAIN,
            "harness.assess.sources",
            "harness.models",
            "harness.journal",
            "harness.file_words",
            "harness.records.*",
            "harness.report.summary",
        ),
    ),
    (
        "harness.history",
        (
            *PLAIN,
            "harness.moments",
            "harness.analysis.*",
            "harness.history_facts",
            "harness.records.*",
        ),
    ),
    ("harness.workers", ("harness.errors", "harness.version")),
    (
        "harness.corrections",
        (*PLAIN, "harness.models", "harness.records.rows", *FILES),
    ),
    (
        "harness.reanalysis*",
        (
            *PLAIN,
            "harness.atomic",
            "harness.analysis.verdict",
            "harness.corrections",
            "harness.journal",
            "harness.models",
            "harness.records.*",
            "harness.reanalysis",
            "harness.report.*",
            "harness.version",
        ),
    ),
    ("harness.own_code", ("harness.atomic", "harness.errors", "harness.own_values", "harness.steps")),
    ("harness.own_values", ("harness.errors",)),
    ("harness.own_files", ("harness.errors", "harness.file_checks")),
    ("harness.run", ("harness.errors", "harness.steps", "harness.journal", "harness.operator", "harness.own_code")),
    ("harness.port", ("harness.errors",)),
    ("harness.replies", ()),
    ("harness.blocks", ("harness.errors", "harness.port", "harness.replies")),
    ("harness.dialect", ("harness.replies",)),
    ("harness.recognise", ("harness.dialect", "harness.port")),
    ("harness.exchange", ("harness.blocks", "harness.dialect", "harness.errors", "harness.port", "harness.replies")),
    (
        "harness.link",
        (
            "harness.dialect",
            "harness.errors",
            "harness.exchange",
            "harness.clock",
            "harness.port",
            "harness.recognise",
            "harness.replies",
        ),
    ),
    ("harness.interfaces", ("harness.errors",)),
    (
        "harness.visa",
        (*PLAIN, "harness.clock", "harness.dialect", "harness.interfaces", "harness.link", "harness.port"),
    ),
    ("harness.sim*", (*PLAIN, "harness.clock", "harness.operator", "harness.sim*")),
    (
        "harness.bench",
        (
            *PLAIN,
            "harness.clock",
            "harness.guarding",
            "harness.limits",
            "harness.link",
            "harness.models",
            "harness.operator",
            "harness.settling",
            "harness.warm_up",
            "drivers",
        ),
    ),
    (
        "harness.rehearsal",
        (
            *PLAIN,
            "harness.a*",
            "harness.bench",
            "harness.limits",
            "harness.models",
            "harness.operator",
            "harness.own_code",
            "harness.settling",
        ),
    ),
    ("harness.console", ("harness.errors", "harness.operator", "harness.steps", "harness.report.shown")),
    ("harness.live", (*PLAIN, "harness.operator", "harness.report.shown", "drivers.words")),
    (
        "harness.refusals",
        (
            *PLAIN,
            "harness.clock",
            "harness.models",
            "harness.jobs",
            "harness.journal",
            "harness.own_files",
            "harness.replies",
            "harness.sim*",
            "harness.version",
        ),
    ),
    ("harness.atomic", ("harness.errors",)),
    ("harness.night.log", ("harness.errors", "harness.sealed")),
    ("harness.night.heartbeat", (*PLAIN, "harness.clock", "harness.atomic")),
    ("harness.night.notices", ("harness.errors", "harness.clock", "harness.report.shown")),
    ("harness.night.awake", ()),
    ("harness.night.start", (*PLAIN, "harness.clock", "harness.moments")),
    ("harness.night.watching", ("harness.errors", "harness.clock", "harness.night.heartbeat")),
    (
        "harness.night.account",
        ("harness.errors", "harness.journal", "harness.night.log", "harness.report*"),
    ),
    ("harness.night*", ("harness*",)),
    ("harness.cli", ("harness.errors", "harness.commands*", "harness.console", "harness.report.shown")),
    ("harness.commands*", ("harness*", "drivers*")),
    ("harness.events", ("harness.errors", "harness.journal")),
    ("harness.faulted", (*PLAIN,)),
    ("harness.jobs", (*PLAIN, "harness.models", "harness.file*", "harness.own_*", "drivers.*", "sequences*")),
    ("harness.open", ("harness*", "drivers*", "sequences*")),
    (
        "harness.talk",
        (
            *PLAIN,
            "drivers.loading",
            "harness.clock",
            "harness.files",
            "harness.lock",
            "harness.models",
            "harness.own_files",
            "harness.visa",
            "harness.sim*",
            "harness.warm_up",
        ),
    ),
    *((name, (*PLAIN, "harness.models", *FILES)) for name in FILES),
    (
        "drivers*",
        (
            *PLAIN,
            "harness.clock",
            "harness.models",
            "harness.operator",
            "harness.link",
            "harness.own_files",
            "harness.own_values",
            "harness.replies",
            "harness.analysis*",
            "drivers*",
        ),
    ),
    ("sequences*", (*PLAIN, "harness.models", "harness.assess*", "harness.analysis*", "sequences*")),
    ("sim_profiles", ()),
)

# A pure module is a function of its arguments: no clock, no chance, no machine.
PURE: Final = (
    "sequences*", "harness.analysis*", "harness.assess*", "harness.report.*", "harness.steps", "harness.limits",
    "harness.operator", "harness.quantities", "harness.models", "harness.replies", "harness.moments",
    "harness.interfaces", "harness.dialect",
)  # fmt: skip
IMPURE: Final = frozenset({"time", "random", "os", "socket", "subprocess", "threading", "secrets", "pyvisa"})
HEAVY: Final = (
    "scipy.stats",
    "scipy.optimize",
    "scipy.signal",
    "pandas",
    "matplotlib",
    "pyvisa",
    "sqlalchemy",
    "alembic",
)
# Imported when a simulated bench or a store opens, not before.
BUILT_ON_HEAVY: Final = (
    "harness.sim.library", "harness.records.schema", "harness.records.database", "harness.records.migrate",
    "harness.records.queries", "harness.records.writing", "harness.records.check", "harness.records.migrations.*",
)  # fmt: skip

LONGEST: Final = 400
REASON: Final = re.compile(r"over 400 lines", re.IGNORECASE)

# A header of SCPI-1999 (":SOUR:VOLT", "MEAS:FREQ?") or a common command of IEEE 488.2 ("*OPC?").
SUBSYSTEM: Final = re.compile(r"(?<![\w:]):?[A-Z]{3,12}[a-z]*(?::[A-Z]{2,12}[a-z]*)+\??(?![\w:])")
COMMON: Final = re.compile(r"(?<!\w)\*[A-Z]{3}\b\??")
# The link closes a point by the standard's own error queue, which every SCPI instrument must have.
ERROR_QUEUE: Final = (":SYST:ERR?",)
SPEAKS_COMMON: Final = (
    "harness.link",
    "harness.dialect",
    "harness.models",
    "harness.visa",
    "harness.talk",
    "harness.sim.*",
)


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES: Final = {name_of(path): path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))}


@cache
def tree_of(name: str) -> ast.Module:
    return ast.parse(MODULES[name].read_text("utf-8"))


def is_for_checkers(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


def walk(node: ast.AST, *, into_functions: bool = True) -> Iterator[ast.AST]:
    for child in ast.iter_child_nodes(node):
        if is_for_checkers(child):
            continue
        yield child
        if into_functions or not isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            yield from walk(child, into_functions=into_functions)


def imports(name: str, *, at_import: bool = False) -> set[str]:
    """Every module that a module imports; of `from package import name` the submodule, where there is one."""
    found = set()
    for node in walk(tree_of(name), into_functions=not at_import):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            whole = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= {each if each in MODULES or node.module not in MODULES else node.module for each in whole}
    return found


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
    assert all(matches(name, ("harness.visa", "harness.sim.*")) for name in users), users


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


# --- SCPI text ---------------------------------------------------------------------------------------------------


def texts(name: str) -> Iterator[str]:
    """Every text of a module that is not a docstring."""
    documentation = set()
    for node in ast.walk(tree_of(name)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
            first = node.body[0] if node.body else None
            if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
                documentation.add(first.value)
    for node in ast.walk(tree_of(name)):
        if isinstance(node, ast.Constant) and node not in documentation:
            if isinstance(node.value, str):
                yield node.value
            elif isinstance(node.value, bytes):
                yield node.value.decode("latin-1")


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
