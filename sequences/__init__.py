"""Measuring sequences: generators without I/O."""
