"""What a person sees of a levelled sine on a simulated screen."""

from sequences.vertical.simulated import SEEN as LEVEL

SEEN = {"levelled_height": LEVEL["peak_to_peak"]}
