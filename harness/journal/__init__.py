"""What is kept of a run: synced, sealed lines, whole files, one run a bench."""
