"""A commented file of each kind to start from: the radio lab of the invented maritime college at Brackwater.

They belong together: the job names `bench.toml` and `unit.toml` beside itself, the queue `job.toml`.
"""

from __future__ import annotations

from typing import Final

from harness.files.files import Kind

_BENCH: Final = """\
#:schema ./bench.schema.json
# The instruments of one bench by role, and the paths between them.

name = "Bench 2"
location = "Brackwater Maritime College, radio lab"

[calibrator]                        # known voltages and time marks
driver = "scpi"                     # or "manual": a person sets it
address = "TCPIP0::192.0.2.11::5025::SOCKET"
identity = "NORTHFEN,C310,2041,1.4" # what *IDN? must answer; leave out to take any
maker = "Northfen"
model = "C310"
serial = "2041"
certificate = "BW-2026-017"
certificate_by = "Harbour Standards Laboratory, Brackwater" # who issued it: the report's chain of traceability
certified = 2026-03-02
due = 2027-03-02
settle = "50 ms"
warm_up = "30 min"
levels = "continuous"               # or "decade", "1-2-5", or a list: ["50 mV", "200 mV"]
level_low = "1 mV"
level_high = "100 V"

[[calibrator.accuracy]]
function = "dc"
level_from = "1 mV"
level_to = "200 mV"
of_value = "0.05 %"
floor = "10 uV"

[[calibrator.accuracy]]
function = "dc"
level_from = "200 mV"
level_to = "100 V"
of_value = "0.05 %"
floor = "1 mV"

[[calibrator.accuracy]]
function = "square"
of_value = "0.1 %"
floor = "20 uV"

[[calibrator.accuracy]]
function = "period"
of_value = "10 ppm"

[generator]                         # the levelled sine
address = "TCPIP0::192.0.2.12::5025::SOCKET"
identity = "ALDERMOOR,G500,118,2.0"
maker = "Aldermoor"
model = "G500"
serial = "118"
certificate = "BW-2026-021"
certificate_by = "Harbour Standards Laboratory, Brackwater"
certified = 2026-04-20
due = 2027-04-20
settle = "20 ms"
frequency_low = "10 kHz"
frequency_high = "500 MHz"
level_low = "10 mVpp"
level_high = "5 Vpp"

[[generator.accuracy]]
function = "sine"
db = "0.5 dB"

[[generator.accuracy]]
function = "frequency"
of_value = "10 ppm"

[counter]
address = "TCPIP0::192.0.2.13::5025::SOCKET"
maker = "Aldermoor"
model = "F90"
serial = "77"
certificate = "BW-2026-009"
certificate_by = "Harbour Standards Laboratory, Brackwater"
certified = 2026-01-15
due = 2027-01-15
gate = "100 ms"

[[counter.accuracy]]
function = "frequency"
of_value = "2 ppm"

[reference]                         # the faster scope on which the sine is levelled
address = "TCPIP0::192.0.2.14::5025::SOCKET"
maker = "Northfen"
model = "S1000"
serial = "503"
certificate = "BW-2026-030"
certificate_by = "Harbour Standards Laboratory, Brackwater"
certified = 2026-05-11
due = 2027-05-11
channel = 1
bandwidth = "1 GHz"
bandwidth_is = "at_least"
vertical_div = "8 div"

[unit]                              # only for units that are read "remote"
address = "TCPIP0::192.0.2.15::5025::SOCKET"
# Several units behind a switch: a table [positions.left] like [unit] for each; a job then says position = "left",
# and paths have routes = { left-1 = "(@101)", left-2 = "(@102)", right-1 = "(@103)" }.

[paths.terminated]
label = "straight lead, 50 ohm feed-through at the input"
termination = "50 ohm"
termination_tolerance = "1 %"
termination_power = "1 W"

[paths.lead]
label = "straight lead, no termination"

[paths.probe]
label = "the unit's own divider probe"
divides_by = 10.0
tolerance = "2 %"
maximum = "600 V"
"""

_UNIT: Final = """\
#:schema ./unit.schema.json
# A model of oscilloscope, from its manual; the serial number stands in the job file.

maker = "Northfen"
model = "D212"
channels = 2
volts_per_div = ["5 mV", "10 mV", "20 mV", "50 mV", "100 mV", "200 mV", "500 mV", "1 V", "2 V", "5 V"]
s_per_div = ["50 ns", "100 ns", "1 us", "10 us", "100 us", "1 ms", "10 ms", "100 ms"]
magnifier = 10.0
bandwidth = "100 MHz"
bandwidth_volts_per_div = "50 mV"
rise_time = "3.5 ns"
vertical_div = "8 div"
horizontal_div = "10 div"
read = "remote"                     # or "eye": a person reads the screen
resolution = "0.04 div"             # finest step of a reading
scatter = "0.02 div"                # standard deviation of one reading

[tolerance]
deflection = "3 %"
time = "3 %"
time_magnified = "5 %"

[input]
resistance = "1 Mohm"
capacitance = "20 pF"
maximum = "300 V"                   # DC + peak AC
"""

_JOB: Final = """\
#:schema ./job.schema.json
# One unit on one bench: what to do, and by which rule to decide.

title = "Yearly verification"
unit = "unit.toml"
bench = "bench.toml"
serial = "D2-0147"
condition = "as found"              # "as left" after an adjustment
item_condition = "clean, no damage seen"
method = "procedure BW-P-014, issue 3"
rule = "guarded"                    # a pass needs the error and its uncertainty within the tolerance
rule_agreed = "order PET-52"        # where the customer agreed to the rule
operator = "M. Tern"
operator_function = "technician"
authorised_by = "S. Garland"
authorised_function = "head of the radio lab"
laboratory = "Brackwater Maritime College, radio lab"
laboratory_address = "2 Quay Road, Brackwater"
customer = "Training ship Petrel"
customer_contact = "Chief engineer, berth 4, Brackwater"
customer_reference = "inventory 4471"

[environment]
temperature = "23 °C"
temperature_within = "1 °C"         # it stayed within ±1 °C
humidity = "45 %"
humidity_within = "5 %"

[[sequence]]
use = "vertical"                    # every deflection factor of every channel

[[sequence]]
use = "bandwidth"                   # up to the half-power frequency

[[sequence]]
use = "time_base"                   # every time factor over the centre eight divisions
"""

_QUEUE: Final = """\
#:schema ./queue.schema.json
# Jobs to run one after another, with nobody there: none of them may need hands.

title = "Scopes of the training ship Petrel"
jobs = ["job.toml"]                 # the job files, in order
at = "18:00"                        # local time; leave out to start at once
again = 1                           # a job that lost its instrument is tried once more, after all others
leave_out = false                   # true: leave refused jobs out and run the others
awake = true                        # keep the machine from going to sleep
notify = []                         # addresses of the channels that are told; they hold secrets
"""

_TEXTS: Final[dict[Kind, str]] = {"bench": _BENCH, "unit": _UNIT, "job": _JOB, "queue": _QUEUE}


def starter(kind: Kind) -> str:
    """The text of a complete, commented file of this kind."""
    return _TEXTS[kind]
