"""Halfpower: verifies oscilloscopes, attended or unattended."""
