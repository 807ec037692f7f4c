"""Instrument drivers: one generic SCPI driver a role, and the manual ones."""
