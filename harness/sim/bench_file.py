"""What the file of a simulated bench may say: its instruments, what joins them, and who works them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from pydantic import Field, model_validator

from harness.sim.eyes import Eyes
from harness.sim.faults import FaultPlan
from harness.sim.truth import PathTruth
from harness.steps import EXTERNAL, ROLES
from harness.values import Model


class Route(Model):
    """What one channel of the switch joins."""

    path: str
    source: str
    display: str
    channel: int = Field(1, ge=EXTERNAL, le=16, description="0: the external trigger")


class InstrumentEntry(Model):
    """One instrument of the bench."""

    profile: str = Field(description="the name of a shipped profile, or a path to a file beside this one")
    address: str | None = Field(None, description="its VISA address; none for an instrument worked by hand")
    identity: str | None = None
    serial: str | None = None
    goes_on: bool | None = None
    truth: Mapping[str, Any] = Field(default_factory=dict, description="over the profile's own truth")
    counts: str = Field("generator", description="counter: the source that it is joined to")
    left_over: Mapping[str, Any] = Field(default_factory=dict, description="what the last user has left it at")
    routes: Mapping[int, Route] = Field(default_factory=dict, description="switch: what each channel joins")


class BenchFile(Model):
    """A simulated bench."""

    name: str = ""
    seed: int = 1
    start: dt.datetime | None = Field(None, description="date of the clock; today where none is given")
    eyes: Eyes = Eyes()
    faults: FaultPlan = FaultPlan()
    calibrator: InstrumentEntry | None = None
    generator: InstrumentEntry | None = None
    counter: InstrumentEntry | None = None
    reference: InstrumentEntry | None = None
    unit: InstrumentEntry | None = None
    switch: InstrumentEntry | None = None
    meter: InstrumentEntry | None = None
    positions: Mapping[str, InstrumentEntry] = Field(default_factory=dict, description="several units, by position")
    paths: Mapping[str, PathTruth] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _roles(self) -> BenchFile:
        displays = ("unit", "reference", *self.positions)
        for number, route in (self.switch.routes if self.switch else {}).items():
            for key, known in (("source", ("calibrator", "generator")), ("display", displays)):
                if getattr(route, key) not in known:
                    raise ValueError(f"switch.routes.{number}.{key}: expected one of {', '.join(known)}")
        return self

    def entries(self) -> dict[str, InstrumentEntry]:
        """The instruments by role, the units at positions by theirs."""
        return {role: entry for role in ROLES if (entry := getattr(self, role)) is not None} | dict(self.positions)
