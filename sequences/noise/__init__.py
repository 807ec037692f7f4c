"""Noise of an input without a signal, and how its line drifts. Here what its maker rates."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field

from harness.values import Divisions, Ratings, Volts

if TYPE_CHECKING:
    from harness.steps import View


class Rated(Ratings):
    """Of a quiet input; in divisions and at the input, of which the larger counts on a range."""

    noise_rms: Divisions | None = Field(None, gt=0, description="largest noise, rms")
    noise_rms_volts: Volts | None = Field(None, gt=0, description="the same at the input; the larger counts")
    noise_peak_to_peak: Divisions | None = Field(None, gt=0, description="largest noise, peak to peak")
    noise_peak_to_peak_volts: Volts | None = Field(None, gt=0, description="the same at the input; the larger counts")
    line_drift: Divisions | None = Field(None, gt=0, description="of the line, over the time that the job takes for it")

    def rms_div(self, view: View) -> float | None:
        """The limit of the noise, rms, on a range."""
        return _larger(self.noise_rms, self.noise_rms_volts, view)

    def peak_to_peak_div(self, view: View) -> float | None:
        """The limit of the noise, peak to peak, on a range."""
        return _larger(self.noise_peak_to_peak, self.noise_peak_to_peak_volts, view)


def _larger(div: float | None, volts: float | None, view: View) -> float | None:
    if div is None and volts is None:
        return None
    return max(div or 0.0, (volts or 0.0) / view.volts_per_div)
