"""What a run needs, imported once: every run of the kill matrix is forked from a process that has this."""

from importlib import import_module

for _name in (
    "pyvisa", "pyvisa_py.highlevel", "scipy.optimize", "scipy.stats", "drivers.calibrator", "drivers.counter",
    "drivers.generator", "drivers.scope", "drivers.switch", "harness.cli", "harness.runs", "harness.run.rehearsal",
    "harness.link.visa", "sequences.bandwidth", "sequences.pulse", "sequences.time_base", "sequences.vertical",
    "tests.helpers.demo_lab",
):  # fmt: skip
    import_module(_name)
