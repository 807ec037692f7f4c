"""A simulated bench: instruments as SCPI hears them, joined by shared physics."""
