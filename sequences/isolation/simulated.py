"""What a person sees of another channel's sine on a simulated screen."""

from sequences.vertical.simulated import SEEN as LEVEL

SEEN = {"crosstalk": LEVEL["peak_to_peak"]}
