"""Simulated instruments and their hidden truths, as data."""
