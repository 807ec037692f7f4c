"""What a job may ask of the bandwidth, and what every of its steps is set by."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import Field

from harness.values import Decibels, Divisions, Hertz, Model, Ratio, Volts

DEFLECTION_DIV: Final = 6.0


class Options(Model):
    """What a job may choose."""

    channels: tuple[int, ...] = Field((), description="channels; all if left out")
    path: str = Field("terminated", description="the path of the levelled sine")
    level_path: str | None = Field(
        None, description="the path to the reference, where it is another: one without a termination for a 50 ohm input"
    )
    volts_per_div: Volts | None = Field(None, description="range; the unit file's, or the nearest to 100 mV/div")
    deflection: Divisions | None = Field(
        None,
        gt=0,
        le=20,
        description="reference deflection, peak to peak: 6 div, by hand the screen but a division",
    )
    reference_frequency: Hertz = Field(50e3, gt=0)
    max_frequency: Hertz | None = Field(None, gt=0, description="highest frequency to go to")
    drop: Decibels | None = Field(None, gt=0, le=20, description="another drop than half power (3.0103 dB)")
    target: Ratio | None = Field(
        None, gt=0, lt=1, description="stop when the readings' part of u is below this: 1 %, by hand u itself 4 %"
    )
    at: Literal["half power", "rated"] = Field(
        "half power", description="'rated': only the response at the rated frequency, against half power"
    )
    levelling: Literal["auto", "once", "each", "by hand"] = Field(
        "auto",
        description="'once': a level table, then one cable move; 'each': at every point, through a switch; 'by hand': "
        "a person turns the level on the reference at every frequency",
    )
    watched: bool = Field(False, description="by hand: a tee keeps the reference connected")
    level_points_per_decade: int = Field(8, ge=2, le=50)
    termination: Literal["corrected", "included"] | None = Field(
        None,
        description="the roll-off that input capacitance makes on the termination; left out, as the unit file says of "
        "its rating: 'corrected' for the level at the input, 'included' for that of the source",
    )
    scan: bool | None = Field(
        None,
        description="read the response from the reference frequency on first, ten points a decade from a tenth of the "
        "rating, three below: needed to call a crossing the lowest; left out: where no person sets or reads",
    )
    equal_deflection: bool = Field(False, description="raise the level near the crossing")
    tuned: bool = Field(False, description="a person tunes the frequency until the trace meets a graticule line")


def to_reference(options: Options) -> str:
    """The path on which the level is read."""
    return options.level_path or options.path
