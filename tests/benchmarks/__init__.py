"""Benchmarks: seeded simulations that print figures; run with `python -m tests.benchmarks.<name>`."""
