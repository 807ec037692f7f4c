"""An invented laboratory: benches, units and jobs, written out by `halfpower demo`."""
