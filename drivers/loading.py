"""From the bench file's word for a driver to the driver: "scpi", "manual", or "FILE.py:Class" of the user's own."""

from __future__ import annotations

import importlib
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Final, cast

from drivers import Driver
from drivers.answers import Answering
from harness.errors import ConfigError, HalfpowerError
from harness.files.own_files import OwnCode
from harness.link.link import Link, OnEvent
from harness.models import UnitLink
from harness.words.clock import AT_WORK_S

if TYPE_CHECKING:
    from harness.models import Instrument, Setup
    from harness.person.operator import Operator
    from harness.steps import Role

METHODS: Final[dict[str, tuple[str, ...]]] = {
    "calibrator": ("apply", "off"),
    "generator": ("apply", "off"),
    "counter": ("read_frequency_hz",),
    "reference": ("show", "read"),
    "unit": ("show", "read"),
    "switch": ("route",),
    "meter": ("read_room",),
}
_ALWAYS: Final = ("identify", "check", "close")
_GENERIC: Final[dict[str, tuple[str, str]]] = {
    "calibrator": ("calibrator", "ScpiCalibrator"),
    "generator": ("generator", "ScpiGenerator"),
    "counter": ("counter", "ScpiCounter"),
    "unit": ("scope", "ScpiScope"),
    "scope": ("scope", "ScpiScope"),
    "level_meter": ("level_meter", "ScpiLevelMeter"),
    "switch": ("switch", "ScpiSwitch"),
    "meter": ("meter", "ScpiMeter"),
}


def make_driver(
    role: Role,
    setup: Setup,
    *,
    folder: Path,
    open_link: Callable[[Instrument, Role], Link],
    operator: Operator,
    on_event: OnEvent = lambda _kind, _text: None,
    own: OwnCode | None = None,
) -> Driver:
    """Build a role's driver; `open_link` is called only for an instrument that has an address and a driver for it."""
    instrument = getattr(setup.bench, role)
    if instrument is None:
        if role != "unit" or setup.unit.read != "eye":
            raise ConfigError(f"the bench has no {role}; add [{role}] to the bench file")
        instrument = UnitLink(driver="manual", maker=setup.unit.maker, model=setup.unit.model, serial=setup.job.serial)
    if setup.by_hand(role):
        return _manual(role, instrument, setup, operator, on_event)
    own_class = None if instrument.driver == "scpi" else load_class(instrument.driver, role, folder, own)
    made: Callable[..., Driver] = own_class or _generic(role, instrument)
    link = None if instrument.address is None else open_link(instrument, role)
    unit = (setup.unit,) if role == "unit" else ()
    if own_class is None:
        return made(link, instrument, *unit)
    try:
        return cast(Driver, Answering(made(link, instrument, *unit), instrument.driver))
    except HalfpowerError:
        raise
    except TypeError as error:
        form = f"Class(link, model{', unit' * len(unit)})"
        raise ConfigError(f"{role}.driver: {instrument.driver!r} cannot be built as {form}: {error}") from error


def off_command(role: Role, setup: Setup, folder: Path, own: OwnCode | None = None) -> str:
    """What switches a source's output off, for whoever must do so without its driver; "" where none is known."""
    from drivers.commands import SOURCE, Commands
    from drivers.source import ScpiSource

    instrument = getattr(setup.bench, role)
    if instrument.driver == "manual" or instrument.address is None:
        return ""
    if instrument.driver != "scpi":
        made = load_class(instrument.driver, role, folder, own)
        if not issubclass(made, ScpiSource) or hasattr(made, "off_command"):
            return str(getattr(made, "off_command", ""))
    return Commands(role, SOURCE, instrument.commands).text("output_off")


def off_question(role: Role, setup: Setup) -> tuple[str, str]:
    """What asks a generic source whether its output is off, and the shape of the answer then; "" where nothing does."""
    from drivers.commands import SOURCE, Commands

    instrument = getattr(setup.bench, role)
    if instrument.driver != "scpi" or instrument.address is None:
        return "", ""
    backs = Commands(role, SOURCE, instrument.commands).read_backs("output", on=0)
    return (backs[0].query, rf"\+?{re.escape(backs[0].expected)}(?:\.0*)?|OFF") if backs else ("", "")


def off_program(role: Role, setup: Setup, folder: Path, own: OwnCode | None = None) -> tuple[str, ...]:
    """The command line that a driver of the user's own names to switch its output off from outside; () for none."""
    instrument = getattr(setup.bench, role)
    if instrument.driver in ("scpi", "manual"):
        return ()
    words = getattr(load_class(instrument.driver, role, folder, own), "off_from_outside", ())
    if isinstance(words, str) or not all(isinstance(word, str) for word in words):
        raise ConfigError(f"{role}.driver: off_from_outside is no list of words; expected such as ['python', 'off.py']")
    return tuple(words)


def longest_s(
    role: Role, setup: Setup, folder: Path, own: OwnCode | None = None, *, unsaid_s: float = AT_WORK_S
) -> float:
    """How long a driver of the user's own may be at work between two exchanges, `unsaid_s` if it is silent; else 0."""
    instrument = getattr(setup.bench, role)
    if instrument is None or instrument.driver in ("scpi", "manual"):
        return 0.0
    return float(getattr(load_class(instrument.driver, role, folder, own), "longest_s", unsaid_s))


def longest_of(
    roles: Iterable[Role], setup: Setup, folder: Path, own: OwnCode | None = None, *, unsaid_s: float = AT_WORK_S
) -> float:
    """The longest of them all."""
    return max(longest_s(role, setup, folder, own, unsaid_s=unsaid_s) for role in roles)


def load_class(name: str, role: Role, folder: Path, own: OwnCode | None = None) -> type[Driver]:
    """Find "FILE.py:Class" in the bench file's folder; raises ConfigError for what is not there.

    `own` has read it already, where a job was loaded.
    """
    where = f"{role}.driver: {name!r}"
    file, colon, class_name = name.rpartition(":")
    if not colon or not file.endswith(".py") or not class_name.isidentifier():
        raise ConfigError(f"{where} is no driver; expected 'scpi', 'manual' or 'FILE.py:Class'")
    try:
        module = (own or OwnCode()).module(file, folder, "bench")
    except ConfigError as error:
        raise ConfigError(f"{where}: {error}") from error
    loaded = getattr(module, class_name, None)
    if not isinstance(loaded, type):
        raise ConfigError(f"{where}: {file} has no class {class_name}")
    missing = [method for method in (*METHODS[role], *_ALWAYS) if not callable(getattr(loaded, method, None))]
    if missing:
        raise ConfigError(f"{where}: a driver for the {role} also needs {', '.join(missing)}")
    return loaded


def problem_of(name: str, role: Role, folder: Path, own: OwnCode | None = None) -> str:
    """What is wrong with a driver of the user's own, before any instrument is asked; "" where it can be built."""
    try:
        load_class(name, role, folder, own)
    except ConfigError as error:
        return str(error).removeprefix(f"{role}.driver: ")
    return ""


def _manual(role: Role, instrument: Instrument, setup: Setup, operator: Operator, on_event: OnEvent) -> Driver:
    from drivers.manual import ManualMeter, ManualScreen, ManualSource

    match role:
        case "calibrator" | "generator":
            return ManualSource(operator, instrument, role, on_event=on_event)
        case "counter":
            return ManualMeter(operator, instrument, role, on_event=on_event)
        case "unit" | "reference":
            unit = setup.unit if role == "unit" else None
            return ManualScreen(operator, instrument, role, unit, paths=setup.bench.paths, on_event=on_event)
        case "switch":
            raise ConfigError(
                "switch.driver: a switch is not worked by hand; leave it out and cables are moved instead"
            )
        case "meter":
            raise ConfigError(
                "meter.driver: nobody is asked for the room at every reading; leave [meter] out, and give the report a "
                "logger's CSV with --room"
            )


def _generic(role: Role, instrument: Instrument) -> Callable[..., Driver]:
    """The generic driver of a role, imported when it is needed."""
    if instrument.address is None:
        raise ConfigError(f'{role}.address is missing; write its VISA address, or driver = "manual"')
    module, name = _GENERIC[getattr(instrument, "kind", "scope") if role == "reference" else role]
    made: Callable[..., Driver] = getattr(importlib.import_module(f"drivers.{module}"), name)
    return made
