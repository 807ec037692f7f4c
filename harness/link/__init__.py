"""The line to an instrument: in step with it, or silent."""
