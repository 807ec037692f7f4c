"""Which commands of a role's table are tried, in which order, and what it means to go without one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

from drivers.commands import SCOPE
from drivers.counter import ScpiCounter
from drivers.level_meter import ScpiLevelMeter
from drivers.meter import ScpiMeter
from drivers.remote import PRESET_S, Remote
from drivers.scope import CONFIRMED, ScpiScope
from drivers.source import ScpiSource, fields_of
from drivers.switch import ScpiSwitch
from drivers.trial import Trial, Values
from harness.link.dialect import split
from harness.words.found import Found, Line

if TYPE_CHECKING:
    from harness.models import Calibrator
    from harness.steps import Stimulus, View

OWN_MEASUREMENTS: Final = tuple(name for name, each in SCOPE.items() if each.use.startswith("own measurement"))
_VARIED: Final = ("coupling", "trigger_coupling")  # which have more than two words


def try_commands(
    driver: Remote,
    *,
    signals: Mapping[str, Sequence[Stimulus]],
    views: Sequence[View],
    routes: Sequence[str],
    calibrator: Calibrator | None,
    frequency_hz: float,
) -> Trial:
    """Try every command of a generic driver's table; whoever calls it sees to it that outputs end switched off."""
    trial = Trial(driver=driver, level_digits=None if calibrator is None else calibrator.level_digits)
    trial.setting("preset", {}, extra_s=PRESET_S)
    for text in driver.setup:
        if why := trial.refuses(text):
            trial.found.append(
                Found(check="setup", word="fail", said=f"{why}; correct it in 'setup' of the bench file")
            )
    match driver:
        case ScpiSource():
            _of_a_source(trial, signals, calibrator)
        case ScpiScope():
            _of_a_scope(trial, driver, views)
        case ScpiCounter():
            gate: Values = {"gate_s": driver.gate_s, "expected_hz": frequency_hz}
            trial.setting("setup", gate)
            trial.answer("frequency", trial.number("frequency", gate, extra_s=2 * driver.gate_s))
        case ScpiLevelMeter():
            level: Values = {"channel": 1, "frequency_hz": frequency_hz, "expected_vrms": 0.1}
            trial.setting("setup", level)
            for name in ("vrms", "dbm"):
                trial.answer(name, trial.number(name, level))
        case ScpiSwitch():
            for route in routes:
                trial.setting("open_all", {})
                trial.setting("close", {"channel_list": route})
            trial.setting("open_all", {})
        case ScpiMeter():
            trial.setting("setup", {})
            trial.answer("temperature", trial.number("temperature", {}))
            trial.answer("humidity", trial.number("humidity", {}), "it has none")
    return trial


def _of_a_source(trial: Trial, signals: Mapping[str, Sequence[Stimulus]], calibrator: Calibrator | None) -> None:
    trial.setting("output_off", {"on": 0}, asks="output")
    confirmed: tuple[str, Values] | None = None
    lacking = _lacking(trial, signals)
    for name, pair in signals.items():
        values = [fields_of(signal) for signal in (*pair, pair[0])]
        if name not in lacking and trial.setting(name, *values):
            confirmed = name, values[-1]
    for name, why in lacking.items():
        left = [each for each in (calibrator.functions if calibrator else ()) if each not in lacking]
        line = Line("functions", left, f"it gives no {name}") if left else Line(f"commands.{name}", "", why)
        trial.tell(name, [why], [line], helped=bool(left))
    trial.holds("always")
    if confirmed is None or not trial.setting(confirmed[0], confirmed[1]):
        said = "no signal was taken as it was set, so that the output was not switched on"
        trial.found.append(Found(check="output on", word="not tried", said=said))
        return
    try:
        trial.setting("output_on", {"on": 1}, asks="output")
    finally:
        trial.setting("output_off", {"on": 0}, asks="output")


def _lacking(trial: Trial, signals: Mapping[str, Sequence[Stimulus]]) -> dict[str, str]:
    """The signals whose word for a function is refused by an instrument that takes other ones."""
    words = [
        (name, part, trial.refuses(part))
        for name in signals
        for part in split(trial.driver.commands.template(name))
        if "{" not in part
    ]
    taken = {part.split()[0] for _, part, why in words if not why}
    return {name: why for name, part, why in words if why and part.split()[0] in taken}


def _of_a_scope(trial: Trial, scope: ScpiScope, views: Sequence[View]) -> None:
    usual, commands, link = scope.values(views[0]), scope.commands, scope.link
    for name in (*CONFIRMED, "trigger_level", "trigger_middle", "points", "format"):
        others = views[1:] if name in _VARIED else views[1:2]
        trial.setting(name, *(scope.values(view) for view in (views[0], *others, views[0])))
    sweep_s = float(usual["sweep_s"])
    trial.setting("start", usual, extra_s=2 * sweep_s)
    records = commands.has("record") and trial.answer(
        "record", lambda: scope.samples(views[0].channel), "its own measurements are read instead"
    )
    asked = dict(usual) | {"frequency_hz": 1e3, "expected_v": 0.1}
    own = {name: trial.why_not(name, trial.number(name, asked, extra_s=2 * sweep_s)) for name in OWN_MEASUREMENTS}
    if records:
        trial.lacks(own, "its record is read instead")
    elif missing := [why for why in own.values() if why]:
        trial.tell("record", missing, [], helped=False)
    trial.answer("sample_rate", trial.number("sample_rate", {}), "nothing says what was taken in one sweep")
    waits = commands.read_backs("waits")
    if waits and trial.setting("arm", usual):
        trial.answer("waits_is", lambda: link.query(waits[0].query, waits[0].shape), "no step may wait for a trigger")
    trial.setting("give_up", {})
