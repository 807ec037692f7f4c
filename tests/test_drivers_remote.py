"""The generic SCPI drivers, heard by an instrument whose parser is by another hand."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.calibrator import ScpiCalibrator
from drivers.commands import TABLES, check_overrides, number
from drivers.counter import ScpiCounter
from drivers.generator import ScpiGenerator
from drivers.level_meter import ScpiLevelMeter
from drivers.remote import ALIKE
from drivers.scope import ScpiScope
from drivers.source import REFUSALS
from drivers.switch import ScpiSwitch
from harness.errors import AnalysisError, ConfigError, InstrumentError, LinkError
from harness.link.link import Link, NotAsSet
from harness.link.port import MemoryPort
from harness.models import Calibrator, Counter, Generator, Reference, Switch, Unit, UnitLink
from harness.steps import Dc, FastEdge, Measure, NoSignal, Sine, Square, TimeMarks, View
from tests.helpers.link_double import Double, Refusal, WaitingClock

SI = {"si": True}
UNIT = Unit.model_validate(
    {"maker": "Aldermoor", "model": "Heron", "volts_per_div": [0.1], "bandwidth": 40e6, "input": {"maximum": 300.0}},
    context=SI,
)


class SourceDouble(Double):
    """A signal source after SCPI-1999, volume 2, chapters 15 (OUTPut) and 19 (SOURce)."""

    def __init__(self, **options) -> None:
        self.state: dict[str, str] = {"output": "OFF"}
        self.loud: list[tuple[str, str]] = []  # what stood at the output when anything changed with it on
        self.answers: dict[str, str] = {}  # instead of what is set
        settings = {
            "SOURce:FUNCtion[:SHAPe]": "function",
            "SOURce:VOLTage[:LEVel][:IMMediate][:AMPLitude]": "voltage",
            "SOURce:VOLTage[:LEVel][:IMMediate]:OFFSet": "offset",
            "SOURce:FREQuency[:CW]": "frequency",
            "SOURce:PULSe:PERiod": "period",
            "SOURce:PULSe:TRANsition[:LEADing]": "transition",
            "OUTPut[:STATe]": "output",
        }
        handlers = {header: self._keep(name) for header, name in settings.items()}
        handlers["SOURce:VOLTage[:LEVel][:IMMediate][:AMPLitude]"] = self._level
        super().__init__(
            handlers | {f"{header}?": self._told(name) for header, name in settings.items()},
            reset=lambda: self.state.update(output="OFF", offset="0", voltage="0"),
            **options,
        )

    def _told(self, name):
        def told():
            held = self.answers.get(name, self.state.get(name, "0"))
            return {"ON": "1", "OFF": "0"}.get(held, held)

        return told

    def _keep(self, name):
        def keep(value):
            self.state[name] = value
            if self.state["output"] == "ON":
                self.loud.append((self.state.get("function", ""), self.state.get("voltage", "")))

        return keep

    def _level(self, value):
        if abs(float(value)) > 200:
            raise Refusal('-222,"Data out of range"')
        self._keep("voltage")(value)


def link_to(double: Double, name: str = "calibrator", damage=lambda reply: (reply, b"")) -> tuple[Link, MemoryPort]:
    port = MemoryPort(double.handle, damage=damage)
    link = Link(port, name, clock=WaitingClock())
    link.connect()
    return link, port


@pytest.fixture
def source():
    double = SourceDouble()
    link, port = link_to(double)
    return ScpiCalibrator(link, Calibrator()), double, port


@pytest.mark.parametrize(
    ("stimulus", "state"),
    [
        (Dc(level_v=0.3), {"function": "DC", "voltage": 0.3}),
        (Square(level_vpp=1e-3, frequency_hz=1e3), {"function": "SQU", "voltage": 1e-3, "frequency": 1e3}),
        (TimeMarks(period_s=2e-9, level_vpp=1.0), {"function": "PULS", "period": 2e-9, "voltage": 1.0}),
        (FastEdge(level_vpp=1.0, frequency_hz=1e5), {"function": "SQU", "transition": "MIN", "frequency": 1e5}),
        (Sine(level_vpp=0.6, frequency_hz=1.2e8), {"function": "SIN", "voltage": 0.6, "frequency": 1.2e8}),
    ],
)
def test_each_stimulus_arrives_and_the_output_is_on(source, stimulus, state):
    driver, double, _ = source
    driver.apply(stimulus)
    driver.check()
    assert double.state["output"] == "ON"
    for name, value in state.items():
        heard = double.state[name]
        assert heard == value if isinstance(value, str) else float(heard) == value


def test_a_square_wave_after_a_fast_edge_is_an_ordinary_one(source):
    driver, double, _ = source
    driver.apply(FastEdge(level_vpp=1.0, frequency_hz=1e5))
    driver.apply(Square(level_vpp=1.0, frequency_hz=1e3))
    assert double.state["transition"] == "DEF"


def test_settings_are_one_message_that_is_confirmed_before_the_output_is_switched_on(source):
    driver, _, port = source
    driver.preset()
    before = len(port.messages)
    driver.apply(Square(level_vpp=5.0, frequency_hz=1e3))
    setting, switching = port.messages[before:]
    assert setting.startswith(b":OUTP OFF;:SOUR:FUNC SQU;")
    assert b":SOUR:VOLT 5.0;*OPC?;*ESR?;:SYST:ERR?;:SOUR:FUNC?;" in setting
    asked = setting.split(b":SYST:ERR?;")[1].replace(b":OUTP?", b"")
    assert switching == b":OUTP ON;*OPC?;*ESR?;:SYST:ERR?;" + asked + b":OUTP?"  # it may have changed behind it


def test_an_old_level_never_meets_a_new_function(source):
    """100 V DC must not become a 100 V square wave on the way to a 1 V one."""
    driver, double, _ = source
    driver.apply(Dc(level_v=100.0))
    double.loud.clear()
    driver.apply(Square(level_vpp=1.0, frequency_hz=1e3))
    assert double.loud == [("SQU", "1.0")]


def test_a_refused_level_never_reaches_the_output(source):
    driver, double, _ = source
    with pytest.raises(InstrumentError, match="Data out of range"):
        driver.apply(Dc(level_v=900.0))
    assert double.state["output"] == "OFF"
    assert double.loud == []


def test_an_offset_that_an_earlier_user_left_does_not_reach_the_output(source):
    driver, double, _ = source
    double.state.update(offset="60", output="ON")
    driver.apply(Square(level_vpp=30.0, frequency_hz=1e3))
    driver.check()
    assert double.state["offset"] == "0"
    double.handle(b":SOUR:VOLT:OFFS 60")  # and what somebody turns in between does not count
    with pytest.raises(NotAsSet, match="answers 60 to ':SOUR:VOLT:OFFS\\?' where 0 was set"):
        driver.check()


@pytest.mark.parametrize(("name", "answer"), [("voltage", "0.2"), ("function", "SIN"), ("output", "ON")])
def test_what_is_not_as_it_was_set_is_a_doubt_and_at_last_the_instruments_own(source, name, answer):
    driver, double, _ = source
    double.answers[name] = answer
    for _ in range(ALIKE - 1):
        with pytest.raises(NotAsSet):
            driver.apply(Dc(level_v=0.3))
    with pytest.raises(InstrumentError, match="3 times alike: it cannot be set so"):
        driver.apply(Dc(level_v=0.3))
    assert double.loud == []


def test_rounding_within_the_tables_tolerance_is_as_set(source):
    driver, double, _ = source
    double.answers["voltage"] = "+3.00020E-01"
    driver.apply(Dc(level_v=0.3))
    double.answers["voltage"] = "0.30004"
    with pytest.raises(NotAsSet):
        driver.check()


def test_an_instrument_without_a_question_says_which_key_takes_it_out(source):
    driver, double, _ = source
    double._routes = [(p, h) for p, h in double._routes if "OFFS" not in str(p)]
    with pytest.raises(InstrumentError, match=r"Undefined header.*correct 'commands\.always_is', or write it as"):
        driver.apply(Dc(level_v=0.3))


def test_an_overridden_command_leaves_its_question_out_until_it_is_written_too():
    link, port = link_to(SourceDouble())
    driver = ScpiCalibrator(link, Calibrator(commands={"dc": ":SOUR:VOLT {level_v}"}))
    assert driver.commands.on_trust() == ("dc",)
    driver.apply(Dc(level_v=0.3))
    assert not any(b":SOUR:VOLT?" in message for message in port.messages)
    asking = Calibrator(commands={"dc": ":SOUR:VOLT {level_v}", "dc_is": "SOUR:VOLT?={level_v}~1%"})
    driver = ScpiCalibrator(link, asking)
    driver.apply(Dc(level_v=0.3))
    assert b";:SOUR:VOLT?;:SOUR:VOLT:OFFS?" in port.messages[-2]


def test_a_sweep_of_one_function_keeps_the_output_on(source):
    driver, _, port = source
    driver.apply(Sine(level_vpp=0.6, frequency_hz=1e6))
    driver.apply(Sine(level_vpp=0.6, frequency_hz=2e6))
    assert not any(b"OUTP OFF" in message for message in port.messages[-2:])


def test_the_same_setting_is_not_sent_twice(source):
    driver, _, port = source
    driver.apply(Dc(level_v=1.0))
    count = len(port.messages)
    driver.apply(Dc(level_v=1.0))
    assert len(port.messages) == count


def test_after_a_power_cycle_everything_is_sent_again(source):
    driver, double, _ = source
    driver.apply(Dc(level_v=1.0))
    double.power_cycle()
    double.state = {"output": "OFF"}
    with pytest.raises(LinkError):
        driver.check()
    driver.apply(Dc(level_v=1.0))
    assert double.state["output"] == "ON"
    assert float(double.state["voltage"]) == 1.0


def test_after_trouble_on_the_line_everything_is_sent_again():
    double, troubled = SourceDouble(), iter([False] * 9 + [True] + [False] * 50)
    link, port = link_to(double, damage=lambda reply: (b"", b"") if next(troubled) else (reply, b""))
    driver = ScpiCalibrator(link, Calibrator())
    driver.apply(Dc(level_v=1.0))
    driver.check()
    with pytest.raises(LinkError):
        driver.check()
    count = sum(b":SOUR:VOLT 1.0" in message for message in port.messages)
    driver.apply(Dc(level_v=1.0))
    assert sum(b":SOUR:VOLT 1.0" in message for message in port.messages) == count + 1


def test_an_output_that_refuses_to_go_off_is_told_again(source):
    """Off is the one command that is repeated after a refusal: to believe it would leave a voltage on."""
    driver, double, _port = source
    driver.apply(Dc(level_v=1.0))
    refusals = [Refusal('-221,"Settings conflict"')]
    keep = double._keep("output")

    def reluctant(value):
        if value == "OFF" and refusals:
            raise refusals.pop()
        keep(value)

    double._routes = [(p, reluctant if h.__name__ == "keep" and "OUTP" in str(p) else h) for p, h in double._routes]
    driver.off()
    assert double.state["output"] == "OFF"
    refusals += [Refusal('-221,"Settings conflict"')] * REFUSALS
    with pytest.raises(InstrumentError, match="Settings conflict"):
        driver.off()


@pytest.mark.parametrize("goes_on", [True, False])
def test_a_refused_level_is_told_and_not_believed_set(goes_on):
    double = SourceDouble(goes_on=goes_on)
    link, _ = link_to(double)
    driver = ScpiCalibrator(link, Calibrator())
    with pytest.raises(InstrumentError, match="Data out of range"):  # noqa: PT012 - a point
        driver.apply(Dc(level_v=900.0))
        driver.check()
    assert not driver.stands(":SOUR:FUNC DC;:SOUR:VOLT 900.0;:OUTP ON")


def test_off_works_after_a_refusal_and_any_number_of_times(source):
    driver, double, _ = source
    with pytest.raises(InstrumentError):
        driver.apply(Dc(level_v=900.0))
    driver.off()
    driver.off()
    assert double.state["output"] == "OFF"
    driver.apply(NoSignal())
    assert double.state["output"] == "OFF"


def test_off_is_tried_more_than_once():
    double, troubled = SourceDouble(), iter([False] * 6 + [True] + [False] * 50)
    link, _ = link_to(double, damage=lambda reply: (b"", b"") if next(troubled) else (reply, b""))
    double.state["output"] = "ON"
    ScpiGenerator(link, Generator()).off()
    assert double.state["output"] == "OFF"


def test_a_level_in_dbm_by_override():
    """0 dBm in 50 Ω is 0.6325 Vpp (common practice; 1 mW: √(0.05)·2√2 V)."""
    double = SourceDouble()
    link, port = link_to(double)
    driver = ScpiGenerator(link, Generator(commands={"sine": "SOUR:FREQ {frequency_hz};:SOUR:VOLT {level_dbm}"}))
    driver.apply(Sine(level_vpp=2 * math.sqrt(2) * math.sqrt(0.05), frequency_hz=5e4))
    assert float(double.state["voltage"]) == pytest.approx(0.0, abs=1e-12)
    assert b":SOUR:FREQ 50000.0;:SOUR:VOLT" in port.messages[-2]


def test_a_function_that_the_instrument_has_not():
    link, _ = link_to(SourceDouble())
    driver = ScpiGenerator(link, Generator(commands={"time_marks": ""}))
    with pytest.raises(InstrumentError, match=r"time marks.*commands\.time_marks"):
        driver.apply(TimeMarks(period_s=1e-3, level_vpp=1.0))


# The tables.


def test_every_default_command_can_be_parsed_by_another_hand():
    from scpipy.shared.parser import Parser

    for tables in TABLES.values():
        for table in tables:
            for command in table.values():
                text = re.sub(r"=[^;]+", "", re.sub(r"\{(\w+)\}", "1", command.template))
                if text:
                    assert Parser().parse(text), text


def test_every_default_command_uses_known_fields_only():
    for role, tables in TABLES.items():
        for table in tables:
            assert check_overrides(role, {name: command.template for name, command in table.items()}) == []


@pytest.mark.parametrize(
    ("role", "commands", "sentence"),
    [
        ("calibrator", {"sqare": "X"}, "calibrator.commands.sqare: no such command; did you mean 'square'?"),
        ("generator", {"sine": "V {level_vp_p}"}, "no field {level_vp_p} here; did you mean 'level_vpp'?"),
        ("unit", {"range": "R {volts_per_div"}, "a brace without its partner"),
        ("unit", {"start": "A\nB"}, "one line of plain ASCII"),
        ("switch", {"open_all": "{x}"}, "it takes none"),
        ("calibrator", {"dc_is": ":SOUR:VOLT {level_v}"}, "expected questions such as"),
        ("counter", {"frequency": "{expected_hz.__class__}"}, "a brace without its partner"),
    ],
)
def test_wrong_overrides_name_the_nearest(role, commands, sentence):
    problems = check_overrides(role, commands)
    assert len(problems) == 1
    assert sentence in problems[0]


def test_all_wrong_overrides_are_found_at_once_and_stop_the_driver():
    link, _ = link_to(SourceDouble())
    with pytest.raises(ConfigError) as caught:
        ScpiGenerator(link, Generator(commands={"sin": "X", "dc": "{v}"}))
    assert len(caught.value.problems) == 2


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_come_back_equal_and_are_decimal_numeric_data(value):
    """IEEE 488.2, 7.7.2: mantissa and exponent, nothing else."""
    text = number(value)
    assert re.fullmatch(r"-?\d+(\.\d+)?(E[+-]?\d+)?", text)
    assert float(text) == value
    assert text != "-0.0"


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_what_is_no_number_is_not_sent(value):
    with pytest.raises(ValueError, match="cannot be sent"):
        number(value)


# Counter and switch.


def test_the_counter_counts():
    heard: list[str] = []

    def count(expected):
        heard.append(expected)
        return "4.9999998E+04"

    link, _ = link_to(Double({"MEASure:FREQuency?": count}), "counter")
    assert ScpiCounter(link, Counter()).read_frequency_hz(5e4) == 49999.998
    assert float(heard[0]) == 5e4


def test_a_counter_with_nothing_to_count_says_so():
    link, _ = link_to(Double({"MEASure:FREQuency?": lambda _: "9.91E37"}), "counter")
    with pytest.raises(InstrumentError, match="no value"):
        ScpiCounter(link, Counter()).read_frequency_hz(5e4)


def test_a_switch_opens_before_it_closes():
    log: list[str] = []
    link, _ = link_to(
        Double(
            {
                "ROUTe:OPEN:ALL": lambda: log.append("open"),
                "ROUTe:CLOSe": lambda *a: log.append(",".join(a)),
                "ROUTe:CLOSe?": lambda *_: "1,1,1",
            }
        ),
        "switch",
    )
    driver = ScpiSwitch(link, Switch())
    driver.route("(@101,103:104)")
    driver.check()
    assert log == ["open", "(@101,103:104)"]
    with pytest.raises(ConfigError, match="no channel list"):
        driver.route("101;*RST")


# Displays.


class ScopeDouble(Double):
    """A digital display: an 8-bit converter over the screen, seeded noise, clipped at its edges."""

    first_sample = b""  # instead of the signal's

    def __init__(self, signal, *, bits=8, noise_v=0.0, skew=1.0, form=">f4") -> None:
        self.set: dict[str, str] = {}
        self.started = 0
        self.own: dict[str, str] = {}
        self._signal, self._bits, self._skew, self._form = signal, bits, skew, form
        self._noise_v, self._random = noise_v, np.random.default_rng(5)
        settings = {
            "SENSe<n>:VOLTage[:DC]:RANGe:PTPeak": "range",
            "SENSe<n>:VOLTage[:DC]:RANGe:OFFSet": "offset",
            "INPut<n>:COUPling": "coupling",
            "INPut<n>:IMPedance": "input",
            "INPut<n>:FILTer[:LPASs][:STATe]": "limiter",
            "SENSe:SWEep:TIME": "sweep",
            "SENSe:SWEep:POINts": "points",
            "SENSe:SWEep:OREFerence:LOCation": "delay from",
            "SENSe:SWEep:OFFSet:TIME": "delay",
            "SENSe:AVERage[:STATe]": "averaging",
            "TRIGger[:SEQuence]:SOURce": "trigger source",
            "TRIGger[:SEQuence]:SLOPe": "slope",
            "TRIGger[:SEQuence]:COUPling": "trigger coupling",
            "TRIGger[:SEQuence]:FILTer:HPASs[:STATe]": "low reject",
            "TRIGger[:SEQuence]:FILTer:LPASs[:STATe]": "high reject",
            "TRIGger[:SEQuence]:ATRigger[:STATe]": "free runs",
            "TRIGger[:SEQuence]:LEVel:AUTO": "middle",
            "TRIGger[:SEQuence]:LEVel": "level",
        }
        super().__init__(
            {header: self._keep(name) for header, name in settings.items()}
            | {f"{header}?": self._told(name) for header, name in settings.items()}
            | {
                "FORMat[:DATA]": lambda *a: self.set.__setitem__("format", ",".join(a)),
                "FORMat[:DATA]?": lambda: self.set["format"],
                "FORMat:BORDer?": lambda: self.set["border"],
                "FORMat:BORDer": self._keep("border"),
                "INITiate[:IMMediate]": self._start,
                "TRACe[:DATA]?": self._trace,
                "MEASure[:SCALar]:VOLTage[:DC]?": lambda _: self.own["mean"],
                "MEASure:VOLTage:PTPeak?": lambda _: self.own["peak_to_peak"],
                "MEASure:VOLTage:AMPLitude?": lambda _: self.own["amplitude"],
                "MEASure:PERiod?": lambda _: self.own["period"],
                "MEASure:VOLTage:RISE:TIME?": lambda _: self.own["rise_time"],
                "MEASure:VOLTage:RISE:OVERshoot?": lambda _: self.own["overshoot"],
            }
        )

    def _keep(self, name):
        return lambda value, **bindings: self.set.update({name: value, "channel": bindings.get("n", "")})

    def _told(self, name):
        return lambda **_: {"OFF": "0", "ON": "1"}.get(self.set[name], self.set[name])

    def _start(self):
        self.started += 1

    def _trace(self, _channel):
        points, sweep_s = int(self.set["points"]), float(self.set["sweep"])
        volts = self._signal(np.arange(points) * sweep_s / points * self._skew)
        volts = volts + self._noise_v * self._random.standard_normal(points)
        span_v = float(self.set["range"])
        low_v = float(self.set["offset"]) - span_v / 2
        top = 2**self._bits - 1
        codes = np.clip(np.round((volts - low_v) / span_v * top), 0, top)
        data = (low_v + codes / top * span_v).astype(self._form).tobytes()
        data = self.first_sample + data[len(self.first_sample) :]
        return b"#%d%d%s" % (len(str(len(data))), len(data), data)


def view(**changes) -> View:
    return View(**{"channel": 2, "volts_per_div": 0.1, "s_per_div": 2e-5, **changes})


def ask(stimulus, quantity, the_view=None, **changes) -> Measure:
    return Measure(
        purpose="test", path="p", source="calibrator", stimulus=stimulus, display="unit", quantity=quantity,
        view=the_view or view(), **changes,
    )  # fmt: skip


def scope(signal, commands=None, **options) -> tuple[ScpiScope, ScopeDouble, MemoryPort]:
    double = ScopeDouble(signal, **options)
    link, port = link_to(double, "unit")
    return ScpiScope(link, UnitLink(commands=commands or {}), UNIT), double, port


def sine(vpp, hz, offset=0.0):
    return lambda t: vpp / 2 * np.sin(2 * np.pi * hz * t + 0.7) + offset


def test_the_display_is_set_in_one_message():
    driver, double, port = scope(sine(0.6, 5e4))
    driver.preset()
    count = len(port.messages)
    driver.show(view(ground_line_div=-3.0, coupling="ac", magnifier=10.0))
    assert len(port.messages) == count + 1
    assert double.set["coupling"] == "AC"
    assert double.set["channel"] == ""  # the last command heard, SWEep, has no channel
    assert float(double.set["range"]) == 0.8  # 8 div of 0.1 V
    assert float(double.set["offset"]) == 0.3  # 0 V stands three divisions below the centre
    assert float(double.set["sweep"]) == 2e-5  # 10 div, magnified ten times
    driver.check()
    assert port.messages[-1].endswith(
        b"*ESR?;:SYST:ERR?;:INP2:COUP?;:INP2:IMP?;:INP2:FILT?;:SENS2:VOLT:RANG:PTP?;:SENS2:VOLT:RANG:OFFS?;:SENS:SWE:TIME?"
        b";:SENS:AVER?;:SENS:SWE:OREF:LOC?;:SENS:SWE:OFFS:TIME?;:TRIG:SOUR?;:TRIG:SLOP?;:TRIG:COUP?;:TRIG:FILT:HPAS?"
        b";:TRIG:FILT:LPAS?;:TRIG:ATR?;:TRIG:LEV:AUTO?;:SENS:SWE:POIN?;:FORM?;:FORM:BORD?"
    )


def test_a_range_that_the_scope_has_not_is_never_read_as_if_it_had():
    driver, double, _ = scope(sine(0.2, 5e4))
    keep = double.set.update
    double.set = type("Rounding", (dict,), {"update": lambda self, new: dict.update(self, new, range="0.4")})()
    assert keep
    for _ in range(ALIKE - 1):
        with pytest.raises(NotAsSet):
            driver.show(view(volts_per_div=0.03))
    with pytest.raises(InstrumentError, match=r"answers 0\.4 to ':SENS2:VOLT:RANG:PTP\?' where 0\.24 was set"):
        driver.show(view(volts_per_div=0.03))


def test_a_sine_is_fitted_and_read_in_divisions():
    driver, double, _ = scope(sine(0.6, 5e4), noise_v=0.002)
    reading = driver.read(ask(Sine(level_vpp=0.6, frequency_hz=5e4), "peak_to_peak"))
    driver.check()
    assert double.started == 1
    assert reading.status == "read"
    assert reading.value == pytest.approx(6.0, abs=4 * reading.scatter)
    assert reading.scatter < 0.005  # peak-to-peak of the samples would read 0.1 div too high
    assert "frequency fitted" not in reading.flags


def test_a_time_base_that_runs_fast_does_not_lower_the_amplitude():
    """3 % over ten cycles: at the frequency that was set the fit would lose about 14 % of the amplitude."""
    driver, _, _ = scope(sine(0.6, 5e4), skew=1.03)
    reading = driver.read(ask(Sine(level_vpp=0.6, frequency_hz=5e4), "peak_to_peak"))
    assert reading.value == pytest.approx(6.0, rel=1e-3)
    assert "frequency fitted" in reading.flags


@pytest.mark.parametrize("vpp", [0.8, 1.2])
def test_a_clipped_record_is_off_the_screen(vpp):
    driver, _, _ = scope(sine(vpp, 5e4))
    reading = driver.read(ask(Sine(level_vpp=vpp, frequency_hz=5e4), "peak_to_peak"))
    assert (reading.status, reading.value, reading.flags) == ("off_screen", None, ("clipped",))


@pytest.mark.parametrize("level_v", [0.41, -2.0])
def test_a_level_that_rests_on_the_end_code_is_off_the_screen(level_v):
    """One level only: nothing in the record itself says that it is an end."""
    driver, _, _ = scope(lambda t: np.full(t.size, level_v))
    assert driver.read(ask(Dc(level_v=level_v), "deflection")).status == "off_screen"


def test_a_sample_that_is_no_number_is_off_the_screen():
    """A NaN that signals, IEEE 754 (2008), 6.2: nothing of it comes out but that."""
    driver, double, _ = scope(sine(0.6, 5e4))
    double.first_sample = b"\x7f\xa0\x00\x01"
    reading = driver.read(ask(Sine(level_vpp=0.6, frequency_hz=5e4), "peak_to_peak"))
    assert reading.status == "off_screen"


def test_an_aliased_record_is_not_fitted():
    fast = 2.3e6  # 1000 points in 200 µs are 5 MS/s
    driver, double, _ = scope(sine(0.6, fast))
    double.own["peak_to_peak"] = "0.59"
    reading = driver.read(ask(Sine(level_vpp=0.6, frequency_hz=fast), "peak_to_peak"))
    assert reading.value == pytest.approx(5.9)
    assert reading.flags == ("own measurement", "aliased")
    driver, _, _ = scope(sine(0.6, fast), commands={"peak_to_peak": ""})
    with pytest.raises(InstrumentError, match="faster sweep"):
        driver.read(ask(Sine(level_vpp=0.6, frequency_hz=fast), "peak_to_peak"))


@pytest.mark.parametrize("ground", [0.0, -3.0, 3.0])
def test_a_direct_voltage_is_counted_from_the_ground_line(ground):
    level_v = 0.6 if ground < 0 else -0.6 if ground > 0 else 0.3
    driver, _, _ = scope(lambda t: np.full(t.size, level_v), noise_v=0.003)
    reading = driver.read(ask(Dc(level_v=level_v), "deflection", view(ground_line_div=ground)))
    assert reading.value == pytest.approx(level_v / 0.1, abs=4 * reading.scatter + 1e-9)
    assert 0 < reading.scatter < 0.01


def test_a_ground_line_that_stands_off_its_place_is_seen():
    driver, _, _ = scope(lambda t: np.full(t.size, 0.02), noise_v=0.003)
    reading = driver.read(ask(NoSignal(), "deflection", view(coupling="ground", ground_line_div=-3.0)))
    assert reading.value == pytest.approx(0.2, abs=0.01)


def test_a_quiet_level_keeps_the_error_of_its_code():
    """No noise: one code stands, and the mean may be off by half a step; lsb/√12 is carried (GUM F.2.2.1)."""
    driver, _, _ = scope(lambda t: 0.2 + 0.0016 * (t > t.mean()), noise_v=0.0)
    reading = driver.read(ask(Dc(level_v=0.2), "deflection"))
    assert reading.scatter >= 0.8 / 255 / 0.1 / math.sqrt(12) * 0.5


def test_a_square_wave_is_read_between_its_states():
    def square(t):
        phase = (t * 1.5e4 + 0.2) % 1
        return 0.5 * (phase < 0.5) * (1 + 0.15 * np.exp(-phase / 0.01))  # overshoot must not count

    driver, _, _ = scope(square, noise_v=0.001)
    reading = driver.read(ask(Square(level_vpp=0.5, frequency_hz=1.5e4), "peak_to_peak", view(ground_line_div=-3.0)))
    assert reading.value == pytest.approx(5.0, abs=0.02)


def test_a_trace_width_is_peak_to_peak():
    driver, _, _ = scope(lambda t: np.zeros(t.size), noise_v=0.004)
    reading = driver.read(ask(NoSignal(), "trace_width"))
    assert 0.2 < reading.value < 0.35  # about 6.5 standard deviations of 0.04 div in 1000 samples


@pytest.mark.parametrize("marks_a_div", [1, 2, 0.125])
def test_a_span_is_the_time_between_marks_that_should_be_apart(marks_a_div):
    period_s = 2e-5 / marks_a_div

    def spikes(t):
        phase = ((t - 1.5e-5) / period_s) % 1
        return 0.5 * (phase < 0.2)

    driver, _, _ = scope(spikes, skew=1.02, noise_v=0.001)
    step = ask(TimeMarks(period_s=period_s, level_vpp=0.5), "span", view(ground_line_div=-3.0), expected=8.0)
    reading = driver.read(step)
    assert reading.value == pytest.approx(8.0 / 1.02, abs=0.015)  # one sample in a hundred a division
    assert reading.scatter < 0.01


def test_a_span_without_enough_marks_says_so():
    driver, _, _ = scope(lambda t: 0.3 * (t > 5e-5))
    with pytest.raises(AnalysisError, match=r"unit: the record holds 1 time marks, but 9"):
        driver.read(ask(TimeMarks(period_s=2e-5, level_vpp=0.5), "span", expected=8.0))


def pulse(t):
    """A Gaussian step of 10–90 % rise time 8 µs: 2.563 standard deviations (normal distribution)."""
    return 0.5 * np.vectorize(math.erfc)(-(t - 6e-5) / (8e-6 / 2.5631) / math.sqrt(2)) / 2


def test_rise_time_overshoot_and_aberration_of_a_gaussian_edge():
    driver, _, _ = scope(pulse, bits=12)
    placed = view(ground_line_div=-3.0)
    edge = FastEdge(level_vpp=0.5, frequency_hz=1e3)
    assert driver.read(ask(edge, "rise_time", placed)).value == pytest.approx(8e-6, rel=0.01)
    assert driver.read(ask(edge, "overshoot", placed)).value < 0.002
    assert driver.read(ask(edge, "top_aberration", placed)).value < 0.002


@pytest.mark.parametrize(
    ("form", "template"),
    [("<f4", ":FORM REAL,32;:FORM:BORD SWAP"), (">f8", ":FORM REAL,64;:FORM:BORD NORM")],
)
def test_records_in_other_forms(form, template):
    driver, _, _ = scope(sine(0.6, 5e4), commands={"format": template}, form=form)
    reading = driver.read(ask(Sine(level_vpp=0.6, frequency_hz=5e4), "peak_to_peak"))
    assert reading.value == pytest.approx(6.0, abs=0.02)


@pytest.mark.parametrize(
    ("stimulus", "quantity", "name", "answer", "value"),
    [
        (Dc(level_v=0.3), "deflection", "mean", "0.303", 3.03),
        (Sine(level_vpp=0.6, frequency_hz=5e4), "peak_to_peak", "peak_to_peak", "0.61", 6.1),
        (Square(level_vpp=0.6, frequency_hz=1e3), "peak_to_peak", "amplitude", "0.6", 6.0),
        (TimeMarks(period_s=2e-5, level_vpp=0.5), "span", "period", "2.02E-5", 8.08),
        (FastEdge(level_vpp=0.5, frequency_hz=1e5), "rise_time", "rise_time", "3.5E-9", 3.5e-9),
        (FastEdge(level_vpp=0.5, frequency_hz=1e5), "overshoot", "overshoot", "4.2", 0.042),
    ],
)
def test_without_a_record_the_display_measures_itself(stimulus, quantity, name, answer, value):
    driver, double, _ = scope(sine(0.6, 5e4), commands={"record": "", "format": "", "points": ""})
    double.own[name] = answer
    reading = driver.read(ask(stimulus, quantity, expected=8.0))
    assert reading.value == pytest.approx(value)
    assert reading.flags == ("own measurement",)
    driver.check()


@pytest.mark.parametrize("answer", ["9.9E37", "9.91E37", "0.85"])
def test_an_own_measurement_without_value_is_off_the_screen(answer):
    driver, double, _ = scope(sine(0.6, 5e4), commands={"record": ""})
    double.own["peak_to_peak"] = answer
    assert driver.read(ask(Sine(level_vpp=0.9, frequency_hz=5e4), "peak_to_peak")).status == "off_screen"


def test_a_level_meter_stands_in_for_a_display():
    link, _ = link_to(Double({"MEASure:VOLTage:AC?": lambda: "0.2"}), "reference")
    driver = ScpiLevelMeter(link, Reference(kind="level_meter"))
    reading = driver.read(ask(Sine(level_vpp=0.6, frequency_hz=5e4), "peak_to_peak"))
    assert reading.value == pytest.approx(0.2 * 2 * math.sqrt(2) / 0.1)
    with pytest.raises(InstrumentError, match="level meter"):
        driver.read(ask(Dc(level_v=1.0), "deflection"))


def test_a_level_meter_in_dbm():
    link, _ = link_to(Double({"READ?": lambda: "0.0"}), "reference")
    driver = ScpiLevelMeter(link, Reference(kind="level_meter", commands={"vrms": "", "dbm": "READ?"}))
    reading = driver.read(ask(Sine(level_vpp=0.6, frequency_hz=5e4), "peak_to_peak"))
    assert reading.value == pytest.approx(math.sqrt(0.05) * 2 * math.sqrt(2) / 0.1)
