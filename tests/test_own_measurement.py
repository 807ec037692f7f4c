"""A measurement of the user's own, in a file beside the job: it reads, is rehearsed, judges; nothing else is edited.

The file is that of docs/writing_a_measurement.md.
"""

from __future__ import annotations

import csv
import datetime as dt
import html
import io
import json
import math
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness import runs as opening
from harness.errors import ConfigError, JournalError, OwnCodeError
from harness.journal.journal import NAME, Journal, read
from harness.measurement import knowing, quantity_names
from harness.run import rehearsal
from harness.run.judging import judging
from harness.runs import RunResult
from harness.sim.bench import SimulatedBench
from harness.years.reanalysis import Changes, Task, page, reanalyse
from tests.golden.render import RENDERINGS
from tests.helpers.demo_lab import DEMO, a_job, change, halfpower
from tests.helpers.sample_years import reseal

PAGE = (Path(__file__).parents[1] / "docs" / "writing_a_measurement.md").read_text("utf-8")
(NOISE,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
SEQUENCE, RATED = (text.removeprefix("[[sequence]]\n") for text in re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL))
OTHER = 'use = "vertical"\nranges = ["100 mV"]\nchannels = [1]'


def a_lab(folder: Path) -> Path:
    """The demo's files, its unit rated for noise."""
    shutil.copytree(DEMO, folder)
    unit = folder / "aldermoor_egret.toml"
    unit.write_text(f"{unit.read_text('utf-8')}\n{RATED}", "utf-8")
    return folder


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    return a_lab(tmp_path / "lab")


def noise_job(lab: Path, *changes: tuple[str, str], sequences: tuple[str, ...] = (SEQUENCE,)) -> Path:
    text = NOISE
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    (lab / "noise.py").write_text(text, "utf-8")
    return a_job(lab / "noise.toml", *sequences)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunResult]:
    """A run whose file is gone, as nothing that is made of a journal may ask for it."""
    lab = a_lab(tmp_path_factory.mktemp("own") / "lab")
    result = opening.start(noise_job(lab), lab / "runs")
    (lab / "noise.py").unlink()
    return result


# --- what it comes to ----------------------------------------------------------------------------------------------


def test_it_is_rehearsed(lab: Path) -> None:
    rehearsed = opening.rehearse(opening.load(noise_job(lab)))
    assert [(part.title, part.points, part.decidable) for part in rehearsed.parts] == [("Noise", 2, 2)]
    assert rehearsed.estimated_s > 0
    assert "noise" not in quantity_names()


def test_it_judges_and_the_noise_is_that_of_the_simulated_unit(run: RunResult) -> None:
    assert not run.ended_early
    truth = SimulatedBench.load(DEMO / "bench_sim.toml").world.screens["unit"].truth
    true_div = math.hypot(truth.noise, truth.noise_floor / 0.1)
    (part,) = run.report.parts
    assert [(result.quantity, result.channel, result.word) for result in part.results] == [
        ("noise", 1, "pass"), ("noise", 2, "pass"),
    ]  # fmt: skip
    for result in part.results:
        assert result.statement is not None
        assert abs(result.statement.estimate - true_div) < 2 * result.statement.expanded
        assert result.limits is not None
        assert (result.limits.low, result.limits.high) == (None, 0.03)


def test_every_rendering_shows_it(run: RunResult) -> None:
    report = opening.report(run.folder)
    assert report == run.report
    shown = {name: rendering(report) for name, rendering in RENDERINGS.items()}
    for name in ("report.html", "report.txt", "printed.jsonl"):
        text = shown[name]
        assert "Noise" in text, name
        assert re.search(r"0\.0[12]\d+ ?(</data>)? ?div", text), name
        assert "at most 0.03 div" in text, name
        assert re.search(r"overshoot at most 8\s%,\s+noise\s+at\s+most\s+0.03\s+div", text), name
    rows = list(csv.DictReader(io.StringIO(shown["points.csv"])))
    assert [(row["quantity"], row["result_unit"], row["limit_high"], row["verdict"]) for row in rows] == [
        ("noise", "div", "0.03", "pass")
    ] * 2
    assert "length of the record" in shown["budget.csv"]
    (part,) = json.loads(shown["report.json"])["parts"]
    assert json.dumps(part).count('"quantity": "noise"') >= 2


def test_a_store_and_the_history_have_it(run: RunResult, tmp_path: Path) -> None:
    store = tmp_path / "records.sqlite"
    added = halfpower("records", "add", "--simulated", run.folder, "--store", store)
    assert added.exit_code == 0, added.output
    listed = halfpower("records", "list", "--simulated", "--quantity", "noise", "--json", "--store", store)
    assert json.loads(listed.stdout.splitlines()[0]), listed.output
    told = halfpower("history", "--simulated", "--quantity", "noise", "--store", store)
    assert told.exit_code == 0, told.output
    assert "Noise, lead" in told.stdout


def test_a_run_worked_out_again_says_the_same(run: RunResult) -> None:
    told = halfpower("reanalyse", "--simulated", run.folder.parent)
    assert told.exit_code == 0, told.output
    assert "no result has another number" in told.stdout


def test_a_page_that_is_issued_anew_says_whose_numbers_stand(run: RunResult) -> None:
    task = Task(data=(run.folder / NAME).read_bytes(), where=NAME)
    changes = Changes(rule="simple")
    outcome = reanalyse(task, changes)
    assert outcome is not None
    text = page((task, outcome), changes, "Another rule.", dt.datetime(2026, 12, 1, tzinfo=dt.UTC))
    assert "Noise: a measurement of the user's own; its numbers are as the run stated them" in html.unescape(text)


def test_as_found_and_as_left_stand_beside_each_other(lab: Path) -> None:
    noise_job(lab)
    found = opening.start(lab / "noise.toml", lab / "runs").folder
    change(lab / "bench_sim.toml", ("start = 2026-11-25", "start = 2026-11-26"))
    left = opening.start(a_job(lab / "left.toml", SEQUENCE, head='condition = "as left"'), lab / "runs").folder
    table = lab / "both.csv"
    told = halfpower("report", found, "--as-left", left, "--csv", table, "--html", lab / "both.html")
    assert told.exit_code == 0, told.output
    kinds = [(row["kind"], row["quantity"]) for row in csv.DictReader(io.StringIO(table.read_text("utf-8")))]
    assert kinds.count(("change", "noise")) == 2


def test_another_rule_decides_anew_what_was_stated(run: RunResult, tmp_path: Path) -> None:
    journal = tmp_path / NAME
    shutil.copyfile(run.folder / NAME, journal)
    (before,) = opening.report(tmp_path).parts

    def tighter(entry: dict[str, object]) -> None:
        entry["setup"]["job"]["rule"] = "simple"  # type: ignore[index]  # as it is written

    reseal(journal, tighter)
    (after,) = opening.report(tmp_path).parts
    assert {result.verdict.rule for result in before.results if result.verdict} == {"guarded"}
    assert {result.verdict.rule for result in after.results if result.verdict} == {"simple"}
    assert [result.statement for result in after.results] == [result.statement for result in before.results]


def test_its_limits_cannot_be_other_ones_afterwards_and_that_is_said(run: RunResult) -> None:
    with pytest.raises(ConfigError, match=r"^'noise' is of a measurement of your own, whose limits stay"):
        opening.report(run.folder, tolerance={"noise": "1 div"})


FEWEST = """

from harness.analysis.estimate import state
from harness.report.checklist import heading
from harness.report.model import Evaluated, Finding, Result


def evaluate(setup, entry, taken):
    found = normal("reading", u=0.001)
    made = Budget(quantity="noise", unit="div", estimate=-0.02, contributions=(found,))
    common = dict(path="lead", setting="anywhere", setting_value=0.0, setting_unit="s/div", quantity="noise",
                  verdict=None, word="undecided", limits=None, is_error=True, result_unit="div")
    stated = Result(channel=1, statement=state(made), budget=made, **common)
    bare = Result(channel=3, statement=None, budget=None, **common)
    return Evaluated(
        results=(stated, bare), missing=("channel 2",),
        findings=(Finding(name="hum", channel=None, path="", value=1.0, u=None, unit="furlong", sentence="It hums."),),
    )


def headings(setup, parts):
    yield heading("Noise of the trace", bool(parts[0].results), "2 results", "noise.py")
"""


@pytest.fixture(scope="module")
def fewest(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """A run whose evaluation says no more than it must."""
    lab = a_lab(tmp_path_factory.mktemp("fewest") / "lab")
    job = noise_job(lab)
    (lab / "noise.py").write_text(NOISE + FEWEST, "utf-8")
    return opening.start(job, lab / "runs")


def test_an_evaluation_of_its_own_says_what_it_likes(fewest: RunResult) -> None:
    assert not fewest.ended_early
    (part,) = fewest.report.parts
    assert [(result.channel, result.setting) for result in part.results] == [(1, "anywhere"), (3, "anywhere")]
    heading = next(heading for heading in fewest.report.checklist if heading.title == "Noise of the trace")
    assert (heading.coverage, heading.by) == ("covered", "2 results")


@pytest.mark.parametrize("name", RENDERINGS)
def test_results_of_nothing_but_their_number_are_rendered(fewest: RunResult, name: str) -> None:
    text = RENDERINGS[name](fewest.report)
    if name != "response.csv":
        assert "oise" in text
    if name in ("report.html", "report.txt", "printed.json"):
        assert "−0.02" in text
        assert "Error" in text
        assert "It hums." in text
        assert "Noise of the trace" in text


def test_results_of_nothing_but_their_number_are_drawn_printed_and_kept(fewest: RunResult, tmp_path: Path) -> None:
    store = tmp_path / "records.sqlite"
    for command in (
        ("report", fewest.folder, "--html", tmp_path / "report.html", "--pdf", tmp_path / "report.pdf"),
        ("records", "add", "--simulated", fewest.folder, "--store", store),
        ("history", "--simulated", "--store", store),
        ("reanalyse", "--simulated", "--store", store),
    ):
        told = halfpower(*command)
        assert told.exit_code == 0, told.output


def test_another_job_knows_nothing_of_it(lab: Path) -> None:
    opening.rehearse(opening.load(noise_job(lab)))
    reads = "def script(setup, options):\n    yield from read_all(plan(setup, options))"
    other = NOISE.replace("class Rated", "class Unused").replace("QUANTITIES = (NOISE,)", reads)
    (lab / "other.py").write_text(other.replace("channels_of\n", "channels_of, read_all\n"), "utf-8")
    with pytest.raises(OwnCodeError, match=r"other.py:\d+: .*quantity is 'noise'; expected one of .*'noise_"):
        opening.rehearse(opening.load(a_job(lab / "other.toml", 'use = "other.py"')))


# --- when it is cut short --------------------------------------------------------------------------------------------


def test_what_was_read_is_judged_where_a_run_is_stopped_and_anew_when_it_went_on(lab: Path) -> None:
    job = noise_job(lab)

    def stop(_part: str, number: int, *_: object) -> None:
        if number == 1:  # the first reading
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        opening.start(job, lab / "runs", watch=stop)
    (folder,) = (lab / "runs").iterdir()
    (part,) = opening.report(folder).parts
    assert [(result.channel, result.word) for result in part.results] == [(1, "pass")]
    assert part.missing == ("channel 2: noise",)
    kinds = [json.loads(line)["kind"] for line in (folder / NAME).read_text("utf-8").splitlines()]
    assert kinds[-2:] == ["results", "event"]  # the bench is let go of last, and with it the journal
    (part,) = opening.resume(folder).report.parts
    assert [(result.channel, result.word) for result in part.results] == [(1, "pass"), (2, "pass")]
    assert part.finished


def test_what_is_read_later_voids_what_was_said_before(run: RunResult, tmp_path: Path) -> None:
    """A run that is killed after it went on has readings that nobody has judged: none pass for judged."""
    lines = (run.folder / NAME).read_bytes().splitlines(keepends=True)
    at = next(n for n, line in enumerate(lines) if b'"kind":"results"' in line)
    assert read(run.folder).results
    journal = tmp_path / NAME
    journal.write_bytes(b"".join(lines[: at + 1]))
    assert opening.report(tmp_path).parts[0].results
    reply = next(line for line in lines if b'"kind":"reply"' in line and b"Measure" in line)
    journal.write_bytes(b"".join([*lines[: at + 1], reply]))
    reseal(journal, lambda _header: None)
    (part,) = opening.report(tmp_path).parts
    assert not part.results
    assert part.plain


def test_outputs_are_off_before_it_judges_and_a_part_is_judged_once(lab: Path) -> None:
    loaded = opening.load(noise_job(lab, sequences=(SEQUENCE, OTHER)))
    folder = opening.start(lab / "noise.toml", lab / "runs").folder
    lines = (folder / NAME).read_bytes().splitlines(keepends=True)
    at = next(n for n, line in enumerate(lines) if b'"kind":"results"' in line)
    (folder / NAME).write_bytes(b"".join(lines[:at]))  # as a kill leaves it
    journal, _ = Journal.reopen(folder, stamp=lambda: "2026-11-25T18:00:01+00:00")
    off: list[bool] = []

    def make_safe() -> None:
        off.append("1 noise" not in read(folder).results)

    with knowing(loaded.uses[0].quantities), judging(loaded, journal, make_safe) as judge:
        for part in ("1 noise", "1 noise", "2 vertical"):
            judge(part)
    journal.close()
    assert off == [True]
    assert [result.word for result in opening.report(folder).parts[0].results] == ["pass", "pass"]


# --- what is wrong with it -------------------------------------------------------------------------------------------

OF, NAMED = "the quantity 'noise': ", 'name="noise"'


def line_of(lab: Path, text: str) -> str:
    """As a sentence names it: "noise.py:12: "."""
    lines = (lab / "noise.py").read_text("utf-8").splitlines()
    return f"noise.py:{next(n for n, line in enumerate(lines, 1) if text in line)}: "


@pytest.mark.parametrize(
    ("old", "new", "at", "said"),
    [
        ("(NOISE,)", "(3,)", "QUANTITIES", "QUANTITIES is (3,); expected a tuple of harness.measurement.Quantity; "),
        (f"{NAMED},\n", 'name="span",\n', '"span"', "there is a quantity 'span' already; give yours another name"),
        (f"{NAMED}, is", 'name="deflection", is', NAMED, f"{OF}rating.name is 'deflection', which is a"),
        ('unit="div",\n', 'unit="furlong",\n', NAMED, f"{OF}unit is 'furlong'; expected 'div', 's', 'ratio', "),
        ("rd=from_record", "rd=3", NAMED, f"{OF}from_record is 3; expected a function"),
        ("lambda unit, step: rated(unit, Rated).rms", "0.1", NAMED, f"{OF}rating.tolerance is 0.1; expected"),
        ("TITLE", 'EVALUATE = "pulse"\nTITLE', "EVALUATE", "EVALUATE and QUANTITIES are two ways to judge; keep one"),
        ("def plan", "def plans", '"""Noise', "a measurement needs plan; see docs/writing_a_measurement.md"),
        ("class Options(Model)", "class Options", "class Options", "Options is no model; expected class Options("),
        ("(NOISE,)", "(NOISE, replace(NOISE, name='hum', rating=replace(RATING)))", NAMED, "there is a rating"),
        ("import math", "import maths", "import maths", "fails on import: ModuleNotFoundError: No module named"),
    ],
)  # fmt: skip
def test_what_it_offers_wrongly_is_said_with_its_line(lab: Path, old: str, new: str, at: str, said: str) -> None:
    job = noise_job(lab, (old, new))
    with pytest.raises(ConfigError, match=re.escape(f"{line_of(lab, at)}{said}")):
        opening.load(job)


def test_a_file_may_be_called_as_a_measurement_of_this_program(lab: Path) -> None:
    """It was there first, and a job tells them apart: `vertical.py` is the file beside it."""
    noise_job(lab)
    shutil.move(lab / "noise.py", lab / "vertical.py")
    change(lab / "aldermoor_egret.toml", ("[tolerance.noise]", "[tolerance.vertical]"))
    loaded = opening.load(a_job(lab / "noise.toml", 'use = "vertical.py"'))
    assert [quantity.name for quantity in loaded.uses[0].quantities] == ["noise"]


def test_two_files_of_a_job_may_not_share_a_name(lab: Path) -> None:
    job = noise_job(lab, sequences=(SEQUENCE, 'use = "hum.py"'))
    (lab / "hum.py").write_text(NOISE.replace('name="noise",\n', 'name="hum",\n'), "utf-8")
    with pytest.raises(ConfigError, match=r"hum.py:\d+: there is a rating 'noise' already; give yours another name"):
        opening.load(job)


def test_what_the_unit_file_does_not_rate_is_said_at_its_table(lab: Path) -> None:
    unit = lab / "aldermoor_egret.toml"
    unit.write_text(unit.read_text("utf-8").replace("rms =", "rns ="), "utf-8")
    with pytest.raises(ConfigError, match=r"aldermoor_egret.toml:\d+: tolerance.noise.rns: .*did you mean 'rms'"):
        opening.load(noise_job(lab))


FAILING = [
    ("rated(unit, Rated).rms", "unit.noise", "unit.noise", "your sequence fails: AttributeError: "),
    ("rated(unit, Rated).rms", "'x'", "lambda", "your tolerance() is wrong: is 'x'; expected a finite number"),
    ("values = values_of", "values = value_of", "value_of", "your sequence fails: NameError: "),
    ("return Budget", "return repr", "repr", "your sequence fails: TypeError: "),
    ("return Budget(", "return dict(", "def budget", "your budget() is wrong: it is {'"),
    ('unit="div", est', 'unit="V", est', "def budget", "your budget() is wrong: it is in 'V'; expected 'div', as its "),
    (
        f'{NAMED},\n    unit="div"',
        f'{NAMED},\n    unit="ratio"',
        "def budget",
        "your budget() is wrong: it is in 'div'; exp",
    ),
]
PLAN = "your plan() is wrong: points.0."
UNSOUND = [
    (
        'quantity="noise",\n        exp',
        'quantity="noize",\n        exp',
        f"{PLAN}step.quantity is 'noize'; expected one of ",
    ),
    ("view=replace(view, channel=each))", "view=view), repeats='5'", f"{PLAN}repeats is '5'; expected a whole number"),
    ('path="lead"', 'path="led"', "your sequence names the path 'led', which the bench file has not"),
]


@pytest.mark.parametrize(
    ("old", "new", "at", "said"),
    [*FAILING, ("channels = channels_of", "channels = channel_of", "channel_of", "your sequence fails: NameError: ")],
)
def test_what_fails_in_it_is_said_at_a_rehearsal(lab: Path, old: str, new: str, at: str, said: str) -> None:
    job = noise_job(lab, (old, new))
    with pytest.raises(OwnCodeError, match=re.escape(f"{line_of(lab, at)}{said}")):
        opening.rehearse(opening.load(job))


@pytest.mark.parametrize(("old", "new", "said"), UNSOUND)
def test_what_is_wrong_with_a_plan_is_said_with_its_line(lab: Path, old: str, new: str, said: str) -> None:
    job = noise_job(lab, (old, new))
    with pytest.raises(OwnCodeError, match=re.escape(f"{line_of(lab, 'def plan')}{said}")):
        opening.rehearse(opening.load(job))


def test_a_role_that_its_needs_do_not_name_is_said_beforehand(lab: Path) -> None:
    job = noise_job(lab, ('return ("calibrator",)', "return ()"))
    said = f"{line_of(lab, 'def needs')}your needs() does not name the calibrator, which your steps use"
    with pytest.raises(OwnCodeError, match=re.escape(said)):
        opening.rehearse(opening.load(job))
    also = opening.load(a_job(lab / "noise.toml", SEQUENCE, OTHER))  # another part brings it to the bench
    assert opening.rehearse(also).parts


def test_a_sequence_without_end_is_said_beforehand(lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rehearsal, "MOST_STEPS", 1000)
    script = "def script(setup, options):\n    while True:\n        yield from read_all(plan(setup, options))"
    job = noise_job(lab)
    text = NOISE.replace("channels_of\n", "channels_of, read_all\n")
    (lab / "noise.py").write_text(f"{text}\n\n{script}\n", "utf-8")
    with pytest.raises(
        OwnCodeError, match=r"noise.py:\d+: your sequence yields more than 1,000 steps; let it come to an"
    ):
        opening.rehearse(opening.load(job))


@pytest.mark.parametrize(("unit", "shown_in"), [("ratio", "%"), ("s", "ns")])
def test_an_estimate_in_the_unit_of_the_reading_and_not_of_its_limits_is_refused(
    lab: Path, unit: str, shown_in: str
) -> None:
    """A ratio of 0.02 that is stated as 0.02 % would meet every rating."""
    changes = [
        (f'{NAMED},\n    unit="div"', f'{NAMED},\n    unit="{unit}"'),
        ('unit="div", est', f'unit="{shown_in}", est'),
    ]
    job = noise_job(lab, *changes)
    with pytest.raises(
        OwnCodeError, match=r"noise.py:\d+: your budget\(\) is wrong: its estimate is 0.02, as it was read"
    ):
        opening.rehearse(opening.load(job))


EVALUATE = """

from harness.report.model import Evaluated
from harness.report.points import evaluate_points


def evaluate(setup, entry, taken):
    {body}
"""
OTHERWISE = """made = evaluate_points(setup, entry, taken)
    return replace(made, results=tuple(replace(each, {}) for each in made.results))"""


@pytest.mark.parametrize(
    ("body", "at", "said"),
    [
        ("return 1 / 0", "1 / 0", "your sequence fails: ZeroDivisionError: division by zero, at: return 1 / 0"),
        ("return None", "def evaluate", "your evaluate() is wrong: it is None; expected a harness.report.model."),
        ("return Evaluated()", "def evaluate", "your evaluate() is wrong: it says nothing of 'noise', which QUANT"),
        (OTHERWISE.format("quantity='hum'"), "def evaluate", "your evaluate() is wrong: it states 'hum', which no"),
        (OTHERWISE.format("reading='x'"), "def evaluate", "your evaluate() is wrong: results.0.reading is 'x'; "),
    ],
)  # fmt: skip
def test_an_evaluation_that_fails_costs_its_part_the_verdicts_and_nothing_else(
    lab: Path, body: str, at: str, said: str
) -> None:
    job = noise_job(lab, sequences=(SEQUENCE, OTHER))
    (lab / "noise.py").write_text(NOISE + EVALUATE.format(body=body), "utf-8")
    place = line_of(lab, at)
    result = opening.start(job, lab / "runs")
    (told,) = result.ended_early
    assert told.startswith(f"1 noise: {place}{said}")
    assert (result.exit_code, [part.finished for part in result.report.parts]) == (3, [True, True])
    noise, other = result.report.parts
    assert (len(noise.results), len(noise.plain), len(other.results)) == (0, 2, 1)
    assert any(place in text and "could not be judged" in text for text in result.report.deviations)

    (lab / "noise.py").write_text(NOISE + EVALUATE.format(body="return evaluate_points(setup, entry, taken)"), "utf-8")
    again = opening.resume(result.folder, corrected=True)
    assert not again.ended_early
    assert [part.word for part in again.report.parts[0].results] == ["pass", "pass"]
    assert read(result.folder).closed_at is not None


def test_the_command_that_goes_on_takes_the_corrected_file(lab: Path) -> None:
    job = noise_job(lab, ("values = values_of(readings)", "values = values_of(readings) and [1 / 0]"))
    told = halfpower("run", job, "--runs", lab / "runs", "--quiet")
    assert told.exit_code == 3
    command = told.stderr.rpartition("go on with: halfpower ")[2].split()
    noise_job(lab)
    again = halfpower(*command)
    assert again.exit_code == 0, again.output


def test_a_journal_whose_facts_are_none_is_refused_with_its_line(run: RunResult, tmp_path: Path) -> None:
    journal = tmp_path / NAME
    shutil.copyfile(run.folder / NAME, journal)

    def other(header: dict[str, object]) -> None:
        header["parts"][0]["quantities"][0]["unit"] = "furlong"  # type: ignore[index]  # as it is written

    reseal(journal, other)
    with pytest.raises(JournalError, match=r"journal.jsonl:1: .*the quantity 'noise' is in 'furlong', along 'level'"):
        read(tmp_path)


# --- on other benches, and by other hands ----------------------------------------------------------------------------


def test_a_driver_that_meets_what_fails_in_it_ends_the_part_alone(lab: Path) -> None:
    changed = ("variance = volts.var(ddof=1)", "variance = volts.spread")
    result = opening.start(noise_job(lab, changed, sequences=(SEQUENCE, OTHER)), lab / "runs")
    (told,) = result.ended_early
    assert told.startswith(f"1 noise: {line_of(lab, 'volts.spread')}your sequence fails: AttributeError: ")
    assert [(part.finished, len(part.results)) for part in result.report.parts] == [(False, 0), (True, 1)]


def by_eye(lab: Path, *changes: tuple[str, str]) -> Path:
    unit = lab / "aldermoor_skua.toml"
    unit.write_text(f"{unit.read_text('utf-8')}\n{RATED}", "utf-8")
    noise_job(lab, *changes)
    return a_job(lab / "eye.toml", SEQUENCE, unit=unit.name, bench="hand_bench.toml", serial="Skua-0958")


SEES = "def seen(bench, step, trace):\n    return 0.1\n\n\nRATING ="


def test_a_simulated_person_sees_it_as_the_file_says(lab: Path) -> None:
    result = opening.start(by_eye(lab, ("RATING =", SEES), ("ting=RATING,", "ting=RATING, seen=seen,")), lab / "runs")
    assert not result.ended_early
    assert [result.reading for result in result.report.parts[0].results] == [pytest.approx(0.1, abs=0.11)] * 2


def test_a_simulated_person_who_does_not_know_how_says_so(lab: Path) -> None:
    result = opening.start(by_eye(lab), lab / "runs")
    assert result.ended_early == ("1 noise: a simulated person does not know how 'noise' is seen; state `seen` of it.",)
