"""A measurement of the user's own, in a file beside the job: it reads, is rehearsed, judges; nothing else is edited."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from harness import runs as opening
from harness.errors import ConfigError, OwnCodeError
from harness.measurement import quantity_names
from tests.helpers.demo_lab import DEMO, a_job

NOISE = """
import math
import numpy as np
from harness.analysis.estimate import Budget, normal
from harness.assess.points import values_of
from harness.measurement import Quantity, Rating
from harness.models import Model
from harness.steps import Measure, NoSignal, Reading, View
from sequences import Plan, Planned, channels_of, read_all

TITLE = "Noise"

class Options(Model):
    channels: tuple[int, ...] = ()
    volts_per_div: float = 0.1

def noise(step, volts, screen, lsb):
    return Reading(value=float(np.std(volts)) / screen.volts_per_div)

def tolerance(unit, step):
    return 0.01

def budget(setup, step, readings, ground, repeats):
    values = values_of(readings) or [step.expected]
    mean = sum(values) / len(values)
    line = normal("record", u=mean / math.sqrt(2e3))
    return Budget(quantity="noise", unit="div", estimate=mean, contributions=(line,))

QUANTITIES = (
    Quantity(
        name="noise", unit="div", axis="level", question="how large is the noise, rms, in divisions?",
        from_record=noise,
        rating=Rating(name="noise", is_error=False, axis="level", tolerance=tolerance, budget=budget),
    ),
)

def needs(options):
    return ("calibrator",)

def plan(setup, options):
    return Plan(points=tuple(Planned(step=Measure(
        purpose="noise", path="lead", source="calibrator", stimulus=NoSignal(), display="unit",
        view=View(channel=channel, volts_per_div=options.volts_per_div, s_per_div=1e-3, coupling="ground"),
        quantity="noise", expected=0.005,
    )) for channel in channels_of(setup, options.channels)))

def script(setup, options):
    yield from read_all(plan(setup, options))
"""


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    return shutil.copytree(DEMO, tmp_path / "lab")


def noise_job(lab: Path, *changes: tuple[str, str], sequences: tuple[str, ...] = ('use = "noise.py"',)) -> Path:
    text = NOISE
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    (lab / "noise.py").write_text(text, "utf-8")
    return a_job(lab / "noise.toml", *sequences)


def test_it_is_rehearsed(lab: Path) -> None:
    rehearsal = opening.rehearse(opening.load(noise_job(lab)))
    assert [(part.title, part.points, part.decidable) for part in rehearsal.parts] == [("Noise", 2, 2)]
    assert rehearsal.estimated_s > 0


def test_another_job_knows_nothing_of_it(lab: Path) -> None:
    known = quantity_names()
    opening.rehearse(opening.load(noise_job(lab)))
    assert quantity_names() == known
    (lab / "other.py").write_text(NOISE.replace("QUANTITIES =", "OTHERS ="), "utf-8")
    with pytest.raises(OwnCodeError, match=r"other.py:\d+: .*quantity is 'noise'; expected 'deflection', "):
        opening.rehearse(opening.load(a_job(lab / "other.toml", 'use = "other.py"')))


IS_DIV, IS_TEXT = 'unit="div", axis', "return str(mean)\n    dict("
NAME, RATING = 'name="noise", u', 'Rating(name="noise"'
OF = "the quantity 'noise': "


def line_of(lab: Path, text: str) -> str:
    """As a sentence names it: "noise.py:12: "."""
    lines = (lab / "noise.py").read_text("utf-8").splitlines()
    return f"noise.py:{next(n for n, line in enumerate(lines, 1) if text in line)}: "


@pytest.mark.parametrize(
    ("old", "new", "at", "said"),
    [
        ("QUANTITIES = (", "QUANTITIES = (3,", "QUANTITIES", "QUANTITIES is (3, Quantity("),
        (NAME, 'name="span", u', '"span"', "there is a quantity 'span' already; give yours another name"),
        (RATING, 'Rating(name="deflection"', NAME, f"{OF}rating.name is 'deflection', which is another's already; "),
        (IS_DIV, 'unit="V", axis', NAME, f"{OF}unit is 'V'; expected 'div', 's' or 'ratio'"),
        ("from_record=noise", "from_record=3", NAME, f"{OF}from_record is 3; expected a function"),
        ("ce=tolerance", "ce=0.1", NAME, f"{OF}rating.tolerance is 0.1; expected a function"),
        ("TITLE", 'EVALUATE = "pulse"\nTITLE', "EVALUATE", "EVALUATE and QUANTITIES are two ways to judge; keep one"),
    ],
)
def test_what_it_offers_wrongly_is_said_with_its_line(lab: Path, old: str, new: str, at: str, said: str) -> None:
    job = noise_job(lab, (old, new))
    with pytest.raises(ConfigError, match=re.escape(f"{line_of(lab, at)}{said}")):
        opening.load(job)


def test_a_name_of_a_measurement_of_this_program_is_taken(lab: Path) -> None:
    noise_job(lab)
    shutil.move(lab / "noise.py", lab / "vertical.py")
    with pytest.raises(ConfigError, match=r"vertical.py: a measurement of this program is called 'vertical'; give"):
        opening.load(a_job(lab / "noise.toml", 'use = "vertical.py"'))


def test_two_files_of_a_job_may_not_share_a_name(lab: Path) -> None:
    job = noise_job(lab, sequences=('use = "noise.py"', 'use = "hum.py"'))
    (lab / "hum.py").write_text(NOISE.replace('name="noise", unit', 'name="hum", unit'), "utf-8")
    with pytest.raises(ConfigError, match=r"hum.py:\d+: there is a rating 'noise' already; give yours another name"):
        opening.load(job)


@pytest.mark.parametrize(
    ("old", "new", "at", "said"),
    [
        ("return 0.01", "return unit.noise", "return unit.n", "your sequence fails: AttributeError: "),
        (
            "return 0.01",
            'return "1 %"',
            "def tolerance",
            "your tolerance() is wrong: is '1 %'; expected a finite number",
        ),
        ("values = values_of", "values = value_of", "value_of", "your sequence fails: NameError: "),
        ("return Budget", "return repr", "repr", "your sequence fails: TypeError: "),
        (
            "return Budget(",
            IS_TEXT,
            "def budget",
            "your budget() is wrong: it is '0.005'; expected a ",
        ),
        ("for channel in channels_of", "for channel in channel_of", "channel_of", "your sequence fails: NameError: "),
    ],
)
def test_what_fails_in_it_is_said_at_a_rehearsal(lab: Path, old: str, new: str, at: str, said: str) -> None:
    job = noise_job(lab, (old, new))
    with pytest.raises(OwnCodeError, match=re.escape(f"{line_of(lab, at)}{said}")):
        opening.rehearse(opening.load(job))
