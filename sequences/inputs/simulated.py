"""What a person sees of an edge behind a resistor on a simulated screen."""

from sequences.pulse.simulated import SEEN as PULSE
from sequences.vertical.simulated import SEEN as LEVEL

SEEN = {"input_height": LEVEL["peak_to_peak"], "input_rise": PULSE["rise_time"]}
