"""What a person sees of the unit's own output on a simulated screen."""

from sequences.pulse.simulated import SEEN as PULSE
from sequences.time_base.simulated import SEEN as TIME
from sequences.vertical.simulated import SEEN as LEVEL

SEEN = {
    "output_height": LEVEL["peak_to_peak"],
    "output_periods": TIME["span"],
    "output_edge": PULSE["rise_time"],
}
