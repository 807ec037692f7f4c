"""Texts in other languages: every one translated, numbers and days as the language writes them, records in English.

What a language does with numbers, days and plurals is held to babel, which has it from the Unicode Common Locale Data
Repository (CLDR).
"""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
from pathlib import Path
from string import Formatter
from typing import Any

import pytest
from babel import Locale

from harness import runs
from harness.errors import ConfigError
from harness.files.files import load_job
from harness.person.page_server import spoken
from harness.quantities import show
from harness.report.results import to_json
from harness.report.sheet import sheet
from harness.words.language import (
    Language,
    day,
    languages,
    localised,
    speaking,
    tr,
    tr_count,
    tr_kept,
    tr_look,
)
from harness.years.issuing import report_of
from tests.helpers.demo_lab import DEMO, LEAD, a_job, change, halfpower, with_sequences
from tests.helpers.spoken import catalogue, counted, texts

OTHERS = [language for language in languages() if language != "en"]
WORD = re.compile(r"[A-Za-z]{3,}")
# Words of standards, units and files that are the same in every language.
EVERYWHERE = {"Halfpower", "ISO", "IEC", "ILAC", "SHA", "GUM", "JCGM", "div", "MHz", "kHz", "Vpp", "ppm", "rms"}


SEQUENCES = """
[[sequence]]
use = "vertical"
paths = ["lead"]
channels = [1]
ranges = ["20 mV", "500 mV"]

[[sequence]]
use = "time_base"
path = "lead"
ranges = ["2 ns", "1 us"]

[[sequence]]
use = "pulse"
path = "terminated"
source = "generator"
channels = [2]

[[sequence]]
use = "bandwidth"
path = "terminated"
channels = [2]
"""


def holes(text: str) -> list[tuple[str, str | None]]:
    return sorted((name, kind) for _, name, _, kind in Formatter().parse(text) if name)


@pytest.mark.parametrize("language", OTHERS)
def test_every_text_has_its_translation_and_no_other_is_kept(language: str) -> None:
    kept = {message.id: message.string for message in catalogue(language) if message.id}
    wanted = texts() | {(f"{{count}} {what}", f"{{count}} {what}s") for what in counted()}
    assert set(kept) == wanted, "run python3 -m tests.helpers.spoken, then translate what is new"
    untold = [text for text, said in kept.items() if not (said if isinstance(said, str) else all(said))]
    assert not untold


@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_has_the_holes_of_its_text(language: str) -> None:
    for message in catalogue(language):
        if not message.id:
            continue
        source, said = message.id, message.string
        pairs = [(source, said)] if isinstance(source, str) else [(source[-1], form) for form in said]
        for text, translated in pairs:
            assert holes(text) == holes(translated), translated
            assert text[-1:].isspace() == translated[-1:].isspace(), translated


@pytest.mark.parametrize("language", OTHERS)
def test_counts_days_and_decimals_are_those_of_the_locale(language: str) -> None:
    locale = Locale.parse(language)
    with speaking(language):
        singular = tr_count(1, "point").removeprefix("1 ")
        for count in (0, 1, 2, 7, 1_000_000):
            alone = locale.plural_form(count) == "one"
            assert (tr_count(count, "point").removeprefix(f"{count} ") == singular) == alone or singular == "point"
        assert day(dt.date(2026, 11, 5)) == locale_day(locale)
        assert show(0.25, "V") in ("250 mV", localised("250 mV"))
        assert localised("1.25 V") == f"1{locale.number_symbols['latn']['decimal']}25 V"


def locale_day(locale: Locale) -> str:
    from babel.dates import format_date

    return format_date(dt.date(2026, 11, 5), "medium", locale=locale)


def test_english_is_as_the_code_has_it() -> None:
    assert tr("{count} of {total} fail", count=2, total=30) == "2 of 30 fail"
    assert (day(dt.date(2026, 11, 5)), localised("1.25"), tr_count(2, "point")) == ("2026-11-05", "1.25", "2 points")


def test_a_hole_takes_words_that_are_known_and_leaves_others() -> None:
    with speaking("de"):
        assert tr("{quantity} of channel {channel}", quantity="rise time", channel=2) == "Anstiegszeit von Kanal 2"
        assert tr("{quantity} of channel {channel}", quantity="Xyz", channel=2) == "Xyz von Kanal 2"


def test_a_sentence_that_was_kept_in_english_is_said_again() -> None:
    kept = "2 ns/div: the calibrator gives nothing that fits its divisions and that the unit can show."
    assert tr_kept(kept) == kept
    with speaking("de"):
        said = tr_kept(kept)
        assert said != kept
        assert said.startswith("2 ns/div")
        assert tr_kept("Anything else that somebody wrote.") == "Anything else that somebody wrote."
        assert tr_look("probe compensation, channel 2, probe") == "Abgleich des Tastkopfs, Kanal 2, probe"


def test_what_there_is_no_language_for_is_told_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"^'xx' is no language of this program; it has en, de, fr$"), speaking("xx"):
        pass
    job = a_job(tmp_path / "job.toml", LEAD, head='language = "xx"')
    with pytest.raises(ConfigError, match=rf"{job.name}.*language.*'xx' is no language of this program"):
        load_job(job)


@pytest.fixture(scope="module")
def run_folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The same job run in English and in German."""
    folders = {}
    for language in ("en", "de"):
        lab = tmp_path_factory.mktemp(language) / "lab"
        shutil.copytree(DEMO, lab)
        job = with_sequences(lab / "digital.toml", f"{language}.toml", SEQUENCES)
        change(job, ("title = ", f'language = "{language}"\ntitle = '))
        folders[language] = runs.start(job, lab / "runs").folder
    return folders


def test_the_journal_is_the_same_in_every_language(run_folders: dict[str, Path]) -> None:
    told = {}
    for language, folder in run_folders.items():
        lines = [json.loads(line) for line in (folder / "journal.jsonl").read_text("utf-8").splitlines()[1:]]
        told[language] = [{key: of for key, of in line.items() if key in ("step", "reply", "text")} for line in lines]
    assert told["de"] == told["en"]
    assert len(told["en"]) > 20


def test_results_for_machines_are_english(run_folders: dict[str, Path], tmp_path: Path) -> None:
    folder = run_folders["de"]
    done = halfpower("report", folder, "--pdf", tmp_path / "r.pdf", "--json", tmp_path / "r.json")
    assert done.exit_code == 0, done.output
    assert (tmp_path / "r.json").read_text("utf-8") == to_json(report_of(folder))


def test_nothing_of_a_printed_report_is_left_in_english(run_folders: dict[str, Path]) -> None:
    """Every word of it is in a catalogue, or is of the files of the lab: its names, keys and remarks."""
    folder = run_folders["de"]
    own = set(WORD.findall(" ".join(path.read_text("utf-8") for path in folder.parents[1].glob("*.toml"))))
    own |= EVERYWHERE | {part for word in own for part in word.split("_")}
    with speaking(_marked("zh")):
        left = {}
        for text in _texts(sheet(report_of(folder))):
            outside = re.sub(r"\b[0-9a-f]{8}\b|\S*\d\S*", "", _outside(text))
            if words := set(WORD.findall(outside)) - own:
                left[text] = words
    assert not left


@pytest.mark.parametrize("language", OTHERS)
def test_paper_has_the_same_particulars_and_numbers_in_every_language(
    run_folders: dict[str, Path], language: str
) -> None:
    printed = {}
    for each in ("en", language):
        with speaking(each):
            printed[each] = _texts(sheet(report_of(run_folders["en"])))
    pairs = [*zip(printed["en"], printed[language], strict=True)]
    assert sum(len(_numbers(english, ".")) for english, _ in pairs) > 500
    assert [pair for pair in pairs if _numbers(pair[0], ".") != _numbers(pair[1], ",")] == []


def _numbers(text: str, decimal: str) -> list[str]:
    """The numbers of a text as English writes them, in order of size; names, days, keys and versions aside."""
    text = re.sub(r"\d{4}-\d\d-\d\d|\d+[./]\d+[./]\d+|\d+ [a-zéû]{3,}\.? \d{4}\b|1e9|\w+,\w+,.*", "", text)
    return sorted(number.replace(decimal, ".") for number in re.findall(rf"[+−±]?\d+(?:[{decimal}]\d+)?", text))


def _marked(language: str) -> Language:
    """A language that puts every text that it is asked for between brackets."""

    class Marked(dict[str, Any]):
        def get(self, key: str, default: Any = None) -> Any:
            return f"⟦{key}⟧"

    class Counted(dict[str, Any]):
        def get(self, key: str, default: Any = None) -> Any:
            return (f"⟦{{count}} {key}⟧", f"⟦{{count}} {key}s⟧")

    return Language(code=language, texts=Marked(), plurals=Counted())


def _texts(value: Any) -> list[str]:
    if isinstance(value, str):
        return [value]
    if isinstance(value, dict):
        machine = ("is", "kind", "look", "svg", "part", "sign", "language", "families", "paper")
        return [text for key, of in value.items() if key not in machine for text in _texts(of)]
    return [text for each in value for text in _texts(each)] if isinstance(value, list | tuple) else []


def _outside(text: str) -> str:
    deep, found = 0, []
    for character in text:
        deep += (character == "⟦") - (character == "⟧")
        found.append(character if not deep else " ")
    return "".join(found)


def test_a_page_is_served_in_the_language_of_its_run() -> None:
    with speaking("de"):
        page, said = spoken("index.html").decode(), spoken("texts.js").decode()
    assert '<html lang="de">' in page
    assert ">Senden</button>" in page
    assert 'aria-label="Tastenfeld"' in page
    assert json.loads(re.search(r"TEXTS = (\{.*?\});", said)[1])["Measuring …"] == "Messung läuft …"  # type: ignore[index]
    assert spoken("index.html") != page.encode()


def test_a_report_is_written_in_another_language_on_demand(run_folders: dict[str, Path], tmp_path: Path) -> None:
    done = halfpower("report", run_folders["en"], "--html", tmp_path / "r.html", "--language", "fr")
    assert done.exit_code == 0, done.output
    page = (tmp_path / "r.html").read_text("utf-8")
    assert '<html lang="fr">' in page
    assert "Déviation verticale" in page
    refused = halfpower("report", run_folders["en"], "--html", tmp_path / "r.html", "--language", "xx")
    assert refused.exit_code == 3
    assert "'xx' is no language of this program; it has en, de, fr" in " ".join(refused.output.split())
