"""What a simulated person sees stands in the simulated bench's file, under `sees`: no quantity is read."""

SEEN: dict[str, object] = {}
