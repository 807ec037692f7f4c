"""What a user's own sequence hands over: plain values that fit, or one sentence with file and line."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers import longest_s
from drivers.answers import Answering
from drivers.commands import number
from harness import runs as opening
from harness.errors import ConfigError, OwnCodeError
from harness.files.own_values import Unfit, fitted
from harness.journal.journal import read
from harness.run.own_code import keep_traceback
from harness.steps import Connect, Dc, Measure, NoSignal, Reading, Sine, View, from_plain, to_plain
from tests.helpers.demo_lab import DEMO, ONE_CHANNEL, a_job, change, halfpower

STEP = Measure(
    purpose="mine", path="lead", source="calibrator", stimulus=Dc(level_v=0.3), display="unit",
    view=View(channel=1, volts_per_div=0.1, s_per_div=1e-3), quantity="deflection", expected=3.0,
)  # fmt: skip


def test_numbers_of_another_library_become_plain_ones() -> None:
    view = View(channel=np.int64(1), volts_per_div=np.float64(0.1), s_per_div=np.float32(0.5))  # type: ignore[arg-type]
    step = replace(
        STEP, stimulus=Dc(level_v=np.float64(0.3)), view=view, expected=np.float64(3.0), path=np.str_("lead")
    )
    plain = fitted(step)
    assert plain == replace(STEP, view=View(channel=1, volts_per_div=0.1, s_per_div=0.5))
    numbers = (plain.view.channel, plain.view.volts_per_div, plain.view.s_per_div, plain.expected)
    assert [type(each) for each in (*numbers, plain.path)] == [int, float, float, float, str]
    assert from_plain(json.loads(json.dumps(to_plain(plain)))) == plain


def test_what_fits_is_handed_on_as_it_is() -> None:
    for value in (STEP, replace(STEP, stimulus=NoSignal(), expected=3, repeat=2)):
        assert fitted(value) is value


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"quantity": "voltage"}, "quantity is 'voltage'; expected 'deflection', 'peak_to_peak', "),
        ({"source": "calibrater"}, "source is 'calibrater'; expected 'calibrator', 'generator', "),
        ({"display": "screen"}, "display is 'screen'; expected 'unit' or 'reference'"),
        ({"stimulus": Dc(level_v="0.3 V")}, "stimulus.level_v is '0.3 V'; expected a finite number"),  # type: ignore[arg-type]
        ({"stimulus": Dc(level_v=float("nan"))}, "stimulus.level_v is nan; expected a finite number"),
        ({"stimulus": Dc(level_v=10**400)}, "expected a finite number"),
        ({"stimulus": Dc(level_v=True)}, "stimulus.level_v is True; expected a finite number"),
        ({"stimulus": Dc(level_v=np.array([0.3]))}, "expected a finite number"),  # type: ignore[arg-type]
        ({"stimulus": 0.3}, "stimulus is 0.3; expected a NoSignal, Dc, "),
        ({"view": replace(STEP.view, coupling="DC")}, "view.coupling is 'DC'; expected 'dc', 'ac' or 'ground'"),
        ({"view": replace(STEP.view, channel=1.0)}, "view.channel is 1.0; expected a whole number"),
        ({"view": None}, "view is None; expected a View"),
        ({"expected": float("inf")}, "expected is inf; expected a finite number"),
        ({"path": 1}, "path is 1; expected text"),
        ({"with_counter": "no"}, "with_counter is 'no'; expected True or False"),
    ],
)
def test_what_does_not_fit_is_named_by_its_field(change: dict[str, object], said: str) -> None:
    with pytest.raises(Unfit) as wrong:
        fitted(replace(STEP, **change))  # type: ignore[arg-type]  # on purpose
    assert said in str(wrong.value)


# --- in a sequence -----------------------------------------------------------------------------------------------

SEQUENCE = """
import numpy as np
from harness.models import Model
from harness.steps import Connect, Dc, Measure, Sine, View, connect, measure
from sequences import Plan, Planned
{head}

class Options(Model):
    deflection: str = "six"

def needs(options):
    return ("calibrator",)

def a_point(level_v=0.3, quantity="deflection", expected=3.0, display="unit"):
    return Measure(
        purpose="mine", path="lead", source="calibrator", stimulus=Dc(level_v=level_v), display=display,
        view=View(channel=1, volts_per_div=0.1, s_per_div=1e-3), quantity=quantity, expected=expected)

def script(setup, options):
    yield from connect(path="lead", source="calibrator", display="unit", channel=1)
    reading = yield from measure(a_point())
    real = reading.value != 3.0  # never so in a rehearsal
    {then}
"""
LINE = SEQUENCE.splitlines().index("    {then}") + 1


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    return shutil.copytree(DEMO, tmp_path / "lab")


def test_a_sequence_reads_what_the_unit_file_rates_for_it(lab: Path) -> None:
    head = "from harness.models import rated\nfrom harness.values import Volts\n\nclass Rated(Model):\n    noise: Volts"
    job = own_job(lab, "assert rated(setup.unit, Rated).noise == 0.003, 'another'", head)
    told = halfpower("check", job)
    assert told.exit_code == 3
    assert "tolerance.mine.noise: missing; expected a voltage" in told.stderr
    for unit in lab.glob("aldermoor*.toml"):
        unit.write_text(f'{unit.read_text("utf-8")}\n[tolerance.mine]\nnoise = "3 mV"\n', "utf-8")
    assert halfpower("check", job).exit_code == 0
    own_job(lab, head="Rated = 3")
    assert "mine.py:6: Rated is no model; expected class Rated(harness.models.Model)" in halfpower("check", job).stderr


def own_job(lab: Path, then: str = "return", head: str = "") -> Path:
    (lab / "mine.py").write_text(SEQUENCE.format(then=then, head=head), "utf-8")
    return a_job(lab / "mine.toml", 'use = "mine.py"')


@pytest.mark.parametrize(
    ("then", "said"),
    [
        ("yield from measure(a_point(quantity='voltage'))", "yields a Measure whose quantity is 'voltage'; expected "),
        ("yield a_point(level_v='ten')", "yields a Measure whose stimulus.level_v is 'ten'; expected a finite number"),
        ("yield 3.0", "yields 3.0; expected a Connect, a Measure or a Look"),
        ("yield Connect(path='lead', source='x', display='unit', channel=1)", "yields a Connect whose source is 'x'; "),
    ],
)
def test_a_wrong_step_is_said_with_its_line_at_check_and_before_a_run(lab: Path, then: str, said: str) -> None:
    job = own_job(lab, then)
    told = halfpower("check", job)
    assert told.exit_code == 3
    assert f"mine.py:{LINE}: your sequence {said}" in told.stderr
    assert "Traceback" not in told.stderr
    with pytest.raises(OwnCodeError, match=f"mine.py:{LINE}: your sequence"):
        opening.start(job, lab / "runs")
    assert not (lab / "runs").exists()


def test_a_wrong_step_that_no_rehearsal_sees_ends_its_part_and_the_others_go_on(lab: Path) -> None:
    own_job(lab, "if real: yield a_point(expected=float('nan'))")
    job = a_job(lab / "mine.toml", 'use = "mine.py"', 'use = "vertical"\nranges = ["100 mV"]')
    assert halfpower("check", job).exit_code == 0
    result = opening.start(job, lab / "runs")
    assert result.ended_early == (
        f"1 mine: mine.py:{LINE}: your sequence yields a Measure whose expected is nan; expected a finite number",
    )
    assert [part.finished for part in result.report.parts] == [False, True]


def test_numpys_numbers_reach_the_instrument_and_the_journal_as_plain_ones(lab: Path) -> None:
    job = own_job(lab, "yield from measure(a_point(level_v=np.float64(0.1), expected=np.float64(1.0)))")
    result = opening.start(job, lab / "runs")
    assert not result.ended_early
    (_, _, last) = read(result.folder).records
    assert isinstance(last.step, Measure)
    assert isinstance(last.step.stimulus, Dc)
    assert type(last.step.stimulus.level_v) is float
    assert isinstance(last.reply, Reading)
    assert last.reply.value == pytest.approx(1.0, abs=0.1)
    assert opening.resume(result.folder).report.finished


# --- its plan, its needs, its evaluation -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("head", "said"),
    [
        (
            "def plan(setup, options): return [a_point()]",
            r"it is \[Measure.*; expected a sequences.Plan",
        ),
        (
            "def plan(setup, options): return Plan(points=(a_point(),))",
            r"points.0 is Measure.*; expected a Planned",
        ),
        (
            "def plan(setup, options): return Plan(points=(Planned(step=a_point(quantity='x')),))",
            "points.0.step.quantity is 'x'; expected",
        ),
        (
            "def plan(setup, options): return Plan(left_out='none')",
            "left_out is 'none'; expected a tuple",
        ),
    ],
)
def test_a_wrong_plan_is_said(lab: Path, head: str, said: str) -> None:
    with pytest.raises(OwnCodeError, match=rf"mine.py:\d+: your plan\(\) is wrong: {said}"):
        opening.rehearse(opening.load(own_job(lab, head=head)))


def test_a_role_that_does_not_exist_is_said(lab: Path) -> None:
    job = own_job(lab)
    text = (lab / "mine.py").read_text("utf-8").replace('return ("calibrator",)', 'return ("calibrater",)')
    (lab / "mine.py").write_text(text, "utf-8")
    told = halfpower("check", job)
    assert told.exit_code == 3
    assert (
        "mine.py:11: your needs() is wrong: it names 'calibrater'; expected some of calibrator, generator, "
        in told.stderr
    )


def test_an_evaluation_that_does_not_exist_is_refused_at_load_with_its_line(lab: Path) -> None:
    job = own_job(lab, head='\nEVALUATE = "verticle"')
    with pytest.raises(ConfigError, match=r"mine.py:7: EVALUATE is 'verticle'; expected .*did you mean 'vertical'"):
        opening.load(job)


@pytest.mark.parametrize(
    ("like", "point", "said"),
    [
        ("vertical", "a_point(quantity='trace_width')", "trace_width of the unit, which EVALUATE = 'vertical' cannot"),
        ("pulse", "a_point()", "deflection of the unit, which EVALUATE = 'pulse' cannot judge; expected rise_time or "),
        ("vertical", "a_point(display='reference')", "deflection of the reference, which EVALUATE = 'vertical' "),
    ],
)
def test_an_evaluation_that_cannot_judge_a_reading_is_refused(lab: Path, like: str, point: str, said: str) -> None:
    job = own_job(lab, f"yield {point}", head=f'EVALUATE = "{like}"')
    told = halfpower("check", job)
    assert told.exit_code == 3
    assert f"your sequence yields a Measure of {said}" in told.stderr


def test_an_evaluation_that_cannot_judge_what_is_planned_is_refused_at_load(lab: Path) -> None:
    plan = "def plan(setup, options): return Plan(points=(Planned(step=a_point()),))"
    with pytest.raises(OwnCodeError, match=r"your plan\(\) is wrong: a Measure of deflection of the unit, which"):
        opening.load(own_job(lab, head=f'EVALUATE = "time_base"\n{plan}'))


def test_options_that_an_evaluation_would_read_otherwise_are_refused(lab: Path) -> None:
    job = own_job(lab, head='EVALUATE = "bandwidth"')
    with pytest.raises(ConfigError, match=r"mine.py: the option deflection is not what EVALUATE = 'bandwidth' takes"):
        opening.load(job)


def test_a_sine_step_is_checked_too() -> None:
    with pytest.raises(Unfit, match=r"stimulus.frequency_hz is inf; expected a finite number"):
        fitted(replace(STEP, stimulus=Sine(level_vpp=1.0, frequency_hz=float("inf"))))
    assert fitted(Connect(path="lead", source="unit", display="unit", channel=np.int8(1))).channel == 1  # type: ignore[arg-type]


# --- from a driver -----------------------------------------------------------------------------------------------

DRIVER = """
import numpy as np
from drivers.scope import ScpiScope
from harness.steps import Reading

class Mine(ScpiScope):
    def read(self, step):
        return {answer}
"""


def driven_job(lab: Path, answer: str) -> Path:
    (lab / "scope.py").write_text(DRIVER.format(answer=answer), "utf-8")
    change(lab / "bench.toml", ("\n[unit]\n", '\n[unit]\ndriver = "scope.py:Mine"\n'))
    return a_job(lab / "driven.toml", f'{ONE_CHANNEL}\nranges = ["100 mV"]')


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ("3.0", "it is 3.0; expected a Reading"),
        ("None", "it is None; expected a Reading"),
        ("Reading(value='3 div')", "value is '3 div'; expected a finite number"),
        ("Reading(value=float('nan'))", "value is nan; expected a finite number"),
        ("Reading()", "value is None; expected a finite number, or another status than 'read'"),
        ("Reading(status='fine', value=3.0)", "status is 'fine'; expected 'read', 'skipped', "),
        ("Reading(value=3.0, flags='noisy')", "flags is 'noisy'; expected a tuple"),
    ],
)
def test_a_wrong_answer_of_a_driver_ends_the_part_with_its_file(lab: Path, answer: str, said: str) -> None:
    result = opening.start(driven_job(lab, answer), lab / "runs")
    (ended,) = result.ended_early
    assert ended.startswith(f"1 vertical: scope.py: Mine.read answers wrongly: {said}")
    assert result.exit_code == 3


def test_a_drivers_numbers_of_another_library_are_kept_as_plain_ones(lab: Path) -> None:
    answer = "Reading(value=np.float64(6.0), scatter=np.float32(0.5), flags=['x'], more={{'level_v': np.int64(1)}})"
    result = opening.start(driven_job(lab, answer.replace("{{", "{").replace("}}", "}")), lab / "runs")
    reply = read(result.folder).records[-1].reply
    assert reply == Reading(value=6.0, scatter=0.5, flags=("x",), more={"level_v": 1})


@pytest.mark.parametrize(
    ("answer", "at", "said"),
    [
        ("step.quantitty", "step.quantitty", "Mine.read fails: AttributeError: 'Measure' object has no attribute "),
        ("1 / 0", "1 / 0", "Mine.read fails: ZeroDivisionError: division by zero, at: return 1 / 0"),
    ],
)
def test_what_a_driver_raises_ends_the_part_with_its_line(lab: Path, answer: str, at: str, said: str) -> None:
    result = opening.start(driven_job(lab, answer), lab / "runs")
    (ended,) = result.ended_early
    lines = (lab / "scope.py").read_text("utf-8").splitlines()
    line = next(n for n, text in enumerate(lines, 1) if at in text)
    assert ended.startswith(f"1 vertical: scope.py:{line}: {said}")
    assert "traceback.txt" in ended
    assert (result.exit_code, result.folder.joinpath("traceback.txt").is_file()) == (3, True)


def test_a_method_of_a_driver_that_does_not_take_what_it_is_given_is_said_with_its_line(lab: Path) -> None:
    job = driven_job(lab, "None\n\n    def show(self):\n        pass")
    with pytest.raises(OwnCodeError, match=r"^scope.py:10: Mine.show fails: TypeError: .* takes 1 positional argument"):
        opening.start(job, lab / "runs")
    assert not list((lab / "runs").glob("*"))


def test_what_is_no_fault_of_a_drivers_file_keeps_its_traceback() -> None:
    class Mine(json.JSONDecoder):
        """Its method is another's, and so is what it raises."""

    with pytest.raises(json.JSONDecodeError):
        Answering(Mine(), "mine.py:Mine").decode("{")


class Odd:
    def read_frequency_hz(self, expected_hz: float) -> object:
        return "1 MHz"

    def identify(self) -> object:
        return b"Northfen"

    def off(self) -> str:
        return "off"


def test_a_wrong_frequency_or_identity_of_a_driver_is_said() -> None:
    driver = Answering(Odd(), "mine.py:Odd")
    with pytest.raises(OwnCodeError, match=r"mine.py: Odd.read_frequency_hz answers wrongly: it is '1 MHz'; "):
        driver.read_frequency_hz(1e6)
    with pytest.raises(OwnCodeError, match=r"mine.py: Odd.identify answers wrongly: it is b'Northfen'; expected text"):
        driver.identify()
    assert driver.off() == "off"


class Slow(Odd):
    longest_s = 120.0


def test_a_driver_may_be_at_work_for_as_long_as_it_would_alone() -> None:
    """30 s where it says nothing, as docs/writing_a_driver.md has it: else a run is ended that is well."""
    for driver, lasts_s in ((Odd(), 30.0), (Slow(), 120.0)):
        assert longest_s(Answering(driver, "mine.py:Odd")) == longest_s(driver) == lasts_s


NUMBERS = (0.1, 1e-9, -0.0, 3, True, np.float64(0.1), np.float32(0.5), np.int64(3), Fraction(1, 2))


@pytest.mark.parametrize("value", NUMBERS)
def test_whatever_number_is_sent_reads_as_a_number(value: Any) -> None:
    """NRf of IEEE 488.2, from memory of it: digits, a point, an exponent; nothing else."""
    text = number(value)
    assert re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)(E[+-]?\d+)?", text)
    assert float(text) == float(value)


def test_the_traceback_of_one_part_stands_beside_that_of_another(tmp_path: Path) -> None:
    for n in (1, 2):
        error = OwnCodeError(f"mine.py: {n}")
        error.__cause__ = ValueError(f"fault {n}")
        assert keep_traceback(error, tmp_path).endswith("traceback.txt)")
    kept = (tmp_path / "traceback.txt").read_text("utf-8")
    assert ("fault 1" in kept, "fault 2" in kept) == (True, True)
