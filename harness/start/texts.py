"""From what was said to the text of the three files, with a comment on every line that needs one.   [pure]"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from harness.models import ASSUMED_SOURCE_VSWR, Bench
from harness.quantities import show
from harness.start.said import MISSING, Counting, Faster, Given, Probe, Sines
from harness.start.words import Ladder, ratio_text

_STANDARD = 'driver = "manual"                   # a person sets or reads it\nmaker = ""\nmodel = ""\nserial = ""'


def bench_text(said: Mapping[str, Any], typed: Mapping[str, str]) -> str:
    """The instruments that were named, and the paths between them."""
    return "\n\n".join(_bench(said, typed)) + "\n"


def _bench(said: Mapping[str, Any], typed: Mapping[str, str]) -> Iterator[str]:
    yield """\
# A bench worked by hand, as it was said to 'halfpower new --by-hand'. Every line may be changed; 'halfpower check'
# says what is wrong, 'halfpower new bench' shows what else there is."""
    yield 'name = "Bench worked by hand"'
    yield from _calibrator(said["volts"], said["marks"], typed)
    if said["sines"] != MISSING:
        yield from _sine(said["sines"], said["counting"], typed)
    if said.get("faster", MISSING) != MISSING:
        yield _reference(said["faster"], typed)
    yield '[paths.lead]\nlabel = "straight lead"'
    if said["probe"] != MISSING:
        yield _probe(said["probe"], typed)
    if said["sines"] != MISSING:
        yield """\
[paths.terminated]
label = "straight lead, 50 ohm feed-through at the input"
termination = "50 ohm"
termination_tolerance = "1 %"
termination_power = "0.5 W"         # put in what its label says; nothing above it is asked for"""


def _calibrator(volts: Given, marks: Given | object, typed: Mapping[str, str]) -> Iterator[str]:
    shapes = [volts.only] if volts.only else ["dc", "square"]
    periods = ""
    if isinstance(marks, Given):
        periods = f"""
periods = {_stepping(marks.ladder)}                   # {typed["marks"]}
period_low = {_quantity(marks.ladder.low, "s")}
period_high = {_quantity(marks.ladder.high, "s")}"""
    yield f"""\
[calibrator]                        # known voltages: {typed["volts"]}
{_STANDARD}
# certificate = "BW-2026-017"       # its number, who issued it, and from when to when it holds
# certificate_by = "Harbour Standards Laboratory, Brackwater"
# certified = 2026-03-02
# due = 2027-03-02
functions = {toml([*shapes, *(["time_marks"] if periods else [])])}
levels = {_stepping(volts.ladder)}
level_low = {_quantity(volts.ladder.low, "V")}
level_high = {_quantity(volts.ladder.high, "V")}{_switch(volts)}{periods}"""
    for shape in shapes:
        yield _accuracy("calibrator", shape, volts.accuracy)
    if isinstance(marks, Given):
        yield _accuracy("calibrator", "period", marks.accuracy)


def _sine(sines: Sines, counting: Counting, typed: Mapping[str, str]) -> Iterator[str]:
    yield f"""\
[generator]                         # the sine: {typed["sines"]}
{_STANDARD}
frequency_low = {_quantity(sines.low_hz, "Hz")}
frequency_high = {_quantity(sines.high_hz, "Hz")}
level_low = "10 mVpp"               # into 50 ohm
level_high = {_quantity(sines.level_vpp, "Vpp")}{_switch(sines)}
vswr = {ASSUMED_SOURCE_VSWR:g}                          # of its output; put in what its data sheet says
# harmonics = "-40 dBc"             # the largest; take the # away and put in what its data sheet says"""
    if sines.flatness_db is not None:
        yield f'[[generator.accuracy]]\nfunction = "sine"\ndb = {_quantity(sines.flatness_db, "dB")}'
    if counting.by == "dial":  # there is no counter
        yield _accuracy("generator", "frequency", counting.accuracy)
    else:
        yield f"[counter]                           # {typed['counting']}\n{_STANDARD}"
        yield _accuracy("counter", "frequency", counting.accuracy)


def _switch(source: Given | Sines) -> str:
    return "" if source.switch else "\noutput_switch = false               # it is turned down or unplugged"


def _reference(faster: Faster, typed: Mapping[str, str]) -> str:
    return f"""\
[reference]                         # the faster scope that holds the generator's level: {typed["faster"]}
{_STANDARD}
read = "eye"
bandwidth = {_quantity(faster.bandwidth_hz, "Hz")}
bandwidth_is = {toml("at_least" if faster.at_least else "stated")}
input_capacitance = "20 pF"         # a customary figure: see its data sheet
volts_per_div = ["5 mV", "10 mV", "20 mV", "50 mV", "100 mV", "200 mV", "500 mV", "1 V"]
vertical_div = "8 div"
resolution = "0.1 div"              # as an eye reads it
scatter = "0.03 div\""""


def _probe(probe: Probe, typed: Mapping[str, str]) -> str:
    return f"""\
[paths.probe]                       # {typed["probe"]}
label = "the unit's own divider probe"
divides_by = {probe.divides_by:g}
tolerance = {_quantity(probe.tolerance, "ratio")}
maximum = {_quantity(probe.maximum, "V")}"""


def _accuracy(role: str, function: str, of_value: float) -> str:
    return f"[[{role}.accuracy]]\nfunction = {toml(function)}\nof_value = {_quantity(of_value, 'ratio')}"


def unit_text(said: Mapping[str, Any], typed: Mapping[str, str]) -> str:
    """A model of oscilloscope, read by eye."""
    identity, rated, sweep, limits = said["identity"], said["rated"], said["sweep"], said["limits"]
    magnified = f"\ntime_magnified = {_quantity(limits.time_magnified, 'ratio')}" if sweep.magnifier != 1 else ""
    return f"""\
# A model of oscilloscope, as it was said to 'halfpower new --by-hand'; the serial number stands in the job file.

maker = {toml(identity.maker)}
model = {toml(identity.model)}
channels = {rated.channels}
volts_per_div = {_list_of(said["volts_per_div"].values, "V")}
s_per_div = {_list_of(sweep.ladder.values, "s")}
magnifier = {sweep.magnifier:g}
bandwidth = {_quantity(rated.bandwidth_hz, "Hz")}
vertical_div = "8 div"              # the graticule
horizontal_div = "10 div"
read = "eye"                        # a person reads the screen
resolution = "0.1 div"              # finest step of a reading: half a small division
time_resolution = "0.1 div"
scatter = "0.03 div"                # standard deviation of one reading

[tolerance]                         # the maker's limits: {typed["limits"]}
deflection = {_quantity(limits.deflection, "ratio")}
time = {_quantity(limits.time, "ratio")}{magnified}

[input]
resistance = "1 Mohm"
capacitance = "20 pF"
maximum = {_quantity(said["highest"].volts, "V")}                   # DC + peak AC
"""


def job_text(said: Mapping[str, Any], bench: Bench, *, unit_file: str, bench_file: str) -> str:
    """What this bench can do, for one unit."""
    head = f"""\
# One unit on one bench, as it was said to 'halfpower new --by-hand': what is done, and by which rule it is judged.

title = "Verification by hand"
unit = {toml(unit_file)}
bench = {toml(bench_file)}
serial = {toml(said["identity"].serial)}
condition = "as found"              # "as left" after an adjustment
rule = "non-binary"                 # an eye often cannot prove a limit: what agrees is said as that, not as undecided
# rule_agreed = "order PET-52"      # where the customer agreed to the rule
operator = {toml(said["operator"].text)}
customer = {toml(said["customer"].text)}
# laboratory = "Brackwater Maritime College, radio lab"

# [environment]
# temperature = "23 °C"
# humidity = "45 %\""""
    return "\n\n".join((head, *_parts(bench, with_probe=said["probe"] != MISSING))) + "\n"


def _parts(bench: Bench, *, with_probe: bool) -> Iterator[str]:
    plain, ended = straight(bench), terminated(bench)
    functions = bench.calibrator.functions if bench.calibrator is not None else ()
    if plain and functions:
        squares = "square" in functions and with_probe and divided(bench)
        yield f"""\
[[sequence]]
use = "look"                        # the controls that falsify readings, and what no number answers
path = {toml(plain)}
checks = {toml(["controls", "trace rotation", *(["probe compensation"] if squares else [])])}"""
    if plain and ("dc" in functions or "square" in functions):
        signal = "" if "dc" in functions else '\nsignal = "square"'
        paths = [plain, *([divided(bench)] if with_probe and divided(bench) else [])]
        yield f"""\
[[sequence]]
use = "vertical"                    # every deflection factor of every channel
paths = {toml(paths)}{signal}"""
    if plain and ("time_marks" in functions or bench.generator is not None):
        source = (
            ""
            if "time_marks" in functions
            else '\nsource = "generator"               # its wave, as there are no time marks'
        )
        yield f"""\
[[sequence]]
use = "time_base"                   # every time factor over the centre eight divisions
path = {toml(plain)}{source}"""
    if ended:
        by_hand = bench.reference is not None and bench.generator is not None and bench.generator.driver == "manual"
        levelled = (
            '\nlevelling = "by hand"               # the level is turned until the reference is on its lines'
            "\n# watched = true                    # a tee keeps the reference connected: fewer moves of a lead"
            '\n# at = "rated"                      # only the response at the rated frequency'
        )
        yield f"""\
[[sequence]]
use = "bandwidth"                   # up to the half-power frequency
path = {toml(ended)}{levelled if by_hand else ""}"""


def straight(bench: Bench) -> str:
    """The first path that neither divides nor ends; "" where there is none."""
    return next((n for n, path in bench.paths.items() if path.divides_by == 1 and path.termination is None), "")


def divided(bench: Bench) -> str:
    """The first path with a divider probe; "" where there is none."""
    return next((n for n, path in bench.paths.items() if path.divides_by > 1 and path.termination is None), "")


def terminated(bench: Bench) -> str:
    """The first path with a termination, where the bench has a sine whose level is known; else ""."""
    if bench.generator is None:
        return ""
    if bench.reference is None and all(line.db is None for line in bench.generator.accuracy):
        return ""
    return next((n for n, path in bench.paths.items() if path.divides_by == 1 and path.termination is not None), "")


def toml(value: object) -> str:
    """Text, or a list of it: JSON's escapes are TOML's, but for the one control character that JSON leaves bare."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _quantity(value: float, unit: str) -> str:
    return toml(ratio_text(value) if unit == "ratio" else show(value, unit, 9))


def _list_of(values: Iterable[float], unit: str) -> str:
    return toml([show(value, unit, 9) for value in values])


def _stepping(ladder: Ladder) -> str:
    return _list_of(ladder.listed, ladder.unit) if ladder.stepping is None else toml(ladder.stepping)
