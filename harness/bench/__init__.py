"""The bench: what a step means in the world, what may be applied, who switches off."""
