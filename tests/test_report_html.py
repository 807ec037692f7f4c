"""The page as a browser, a printer and a screen reader take it: structure, self-containment, escaping."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from itertools import pairwise

import pytest

from harness.report import shown
from harness.report.html import html_page, html_pages
from harness.report.markup import css_string
from harness.report.model import Report
from harness.report.plots import pictures as drawn
from harness.words.clean import clean
from tests.helpers.html_reader import Page
from tests.helpers.report_examples import EXAMPLES, HOSTILE, html_of

PAGES = (
    "does_not_meet",
    "as_left",
    "incomplete",
    "above_generator",
    "hostile",
    *(pytest.param(name, marks=pytest.mark.soak) for name in ("far_names", "overdue_standard", "plain_only")),
)


@cache
def page_of(name: str) -> Page:
    return Page(html_of(name))


@pytest.fixture(params=PAGES)
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def page(name: str) -> Page:
    return page_of(name)


@pytest.fixture
def text(name: str) -> str:
    return html_of(name)


def test_everything_that_opens_closes(page: Page) -> None:
    assert page.open == []


def test_there_is_no_script_and_nothing_is_fetched(page: Page, text: str) -> None:
    names = {tag for tag, _, _ in page.elements}
    assert not names & {"script", "iframe", "object", "embed", "img", "base", "form", "foreignobject"}
    for tag, attributes, _ in page.elements:
        assert not [key for key in attributes if key.startswith("on")], tag
        for key in ("href", "src", "xlink:href", "action", "srcset"):
            assert attributes.get(key, "#").startswith(("#", "data:,")), (tag, attributes)
    style = text[text.index("<style>") : text.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style
    outside = re.findall(r"https?://[^\s\"'<>]+", text)
    assert set(outside) <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}  # names, not addresses


def test_every_table_has_a_caption_and_every_header_a_scope(page: Page) -> None:
    tables = [i for i, (tag, _, _) in enumerate(page.elements) if tag == "table"]
    assert tables
    assert all(page.elements[i + 1][0] == "caption" for i in tables)
    assert all(header.get("scope") in ("col", "row") for header in page.tags("th"))


def test_every_picture_has_words_and_is_hidden_behind_them() -> None:
    page = page_of("does_not_meet")
    pictures = [a for _, a, _ in page.elements if a.get("role") == "img"]
    assert len(pictures) == len(drawn(EXAMPLES["does_not_meet"]())) == 7
    assert all(len(picture["aria-label"]) > 40 for picture in pictures)
    assert all(re.search("[0-9]", picture["aria-label"]) for picture in pictures)  # it says what it shows in numbers
    assert any("+6.25" in picture["aria-label"] and "fail" in picture["aria-label"] for picture in pictures)
    drawings = page.tags("svg")
    assert len(drawings) == 2 * len(pictures)  # for wide and for narrow screens
    holders = [a for _, a, _ in page.elements if a.get("class") in ("broad", "narrow")]
    assert len(holders) == len(drawings)
    assert all(holder["aria-hidden"] == "true" for holder in holders)


def test_ids_are_unique_and_every_link_has_its_target(page: Page) -> None:
    ids = [a["id"] for _, a, _ in page.elements if "id" in a]
    assert len(ids) == len(set(ids))
    links = [a["href"][1:] for a in page.tags("a")]
    assert set(links) <= set(ids)


def test_the_page_says_its_language_and_one_heading_leads(page: Page) -> None:
    assert page.tags("html")[0]["lang"] == "en"
    assert len(page.tags("h1")) == 1
    levels = [int(tag[1]) for tag, _, _ in page.elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert all(later <= earlier + 1 for earlier, later in pairwise(levels))


def test_a_listener_finds_the_way_by_landmarks(page: Page) -> None:
    """WAI-ARIA landmarks: one main, a banner, a footer, named navigation; every section and region has a name."""
    ids = {a["id"] for _, a, _ in page.elements if "id" in a}
    for name in ("main", "header", "footer", "nav"):
        assert len(page.tags(name)) == 1, name
    assert page.tags("nav")[0]["aria-label"]
    for section in page.tags("section"):
        assert section.get("aria-label") or section["aria-labelledby"] in ids, section
    for region in (a for _, a, _ in page.elements if a.get("role") == "region"):
        assert region["aria-label"]
        assert region["tabindex"] == "0"  # what scrolls must be reached without a mouse
    outside = [tag for tag, _, inside in page.elements if tag in ("table", "h2", "h3", "p", "dl") and not inside[2:]]
    assert outside == []


def variables(css: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z0-9-]+): ?(#[0-9a-f]{3,6})", css))


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.1, W3C Recommendation, definitions)."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    linear = [
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
        for c in (int(digits[n : n + 2], 16) / 255.0 for n in (0, 2, 4))
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_gives_the_known_ratios() -> None:
    """Black on white is 21:1 (WCAG 2.1); #767676 on white is the lightest grey of at least 4.5:1 (common practice)."""
    assert contrast("#000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#fff") >= 4.5 > contrast("#777777", "#fff")


def test_every_text_has_the_contrast_that_the_guidelines_ask_for() -> None:
    """WCAG 2.1, success criterion 1.4.3: 4.5:1 for text; 1.4.11: 3:1 for marks in pictures. In both modes."""
    text = html_of("does_not_meet")
    style = text[text.index("<style>") : text.index("</style>")]
    light, dark = style.split("@media screen and (prefers-color-scheme: dark)")
    day = variables(light)
    for mode in (day, day | variables(dark.split("* {")[0])):
        for name in ("text", "faint", "good", "bad", "open", "none", "plot-text", "plot-faint", "plot-limit"):
            for ground in ("paper", "tint"):
                assert contrast(mode[name], mode[ground]) >= 4.5, (name, ground, mode[name])
        assert contrast(mode["mark-text"], mode["mark"]) >= 4.5
        series = [name for name in mode if re.fullmatch("plot-[0-9]+", name)]
        assert len(series) >= 4
        for name in series:
            assert contrast(mode[name], mode["paper"]) >= 3.0, name


def test_the_verdict_and_the_next_step_come_first() -> None:
    seen, report = page_of("does_not_meet").seen(), EXAMPLES["does_not_meet"]()
    for later in ("Overview", "What did not pass", "Setting Applied", "Specification", "Decision rule"):
        assert seen.index(report.sentence) < seen.index(report.next_step) < seen.index(later)


def test_every_colour_has_a_word_and_a_sign_beside_it(page: Page) -> None:
    coloured = [i for i, (tag, a, _) in enumerate(page.elements) if tag == "span" and a["class"].startswith("word ")]
    for i in coloured:
        sign = page.elements[i + 1][1]
        assert sign["class"] == "sign"
        assert sign["aria-hidden"] == "true"


def test_marks_stand_at_the_top_and_on_every_printed_page() -> None:
    marked, clean = html_of("overdue_standard"), html_of("does_not_meet")
    assert page_of("overdue_standard").seen().startswith(f"{shown.SIMULATED} {shown.OVERDUE}")
    assert css_string(f"{shown.SIMULATED} · {shown.OVERDUE}".upper()) in marked
    assert 'class="marks"' not in clean
    assert shown.INCOMPLETE in page_of("incomplete").seen()
    assert "✗ overdue" in page_of("overdue_standard").seen()


def test_pages_are_numbered_and_heads_of_tables_repeat_in_print() -> None:
    text = html_of("does_not_meet")
    assert 'content: "page " counter(page) " of " counter(pages)' in text
    assert "thead { display: table-header-group; }" in text
    assert "details::details-content { content-visibility: visible;" in text


def test_every_contribution_of_every_budget_is_there() -> None:
    seen = page_of("does_not_meet").seen()
    report = EXAMPLES["does_not_meet"]()
    budgets = [p.budget for part in report.parts for p in part.results if p.budget is not None]
    assert seen.count("Combined; k = ") == len(budgets)
    for line in budgets[0].contributions:
        assert line.name in seen


def test_the_obligatory_sentences_are_there_and_the_end_is_marked(page: Page) -> None:
    assert shown.NOT_ACCREDITED in page.seen()
    assert page.seen().rpartition("End of report ")[2].count(" ") < 60


def test_the_order_is_that_of_a_technician() -> None:
    """Verdict, what did not pass, as found beside as left, the tables, then what stands behind them."""
    headings = [text for inside, text in page_of("as_left").texts if inside[-1:] == ("h2",)]
    assert headings == [
        "What did not pass", "As found and as left", "Results", "Responses, further results and pictures",
        "Particulars", "Standards used", "Method", "Deviations and notes", "Checklist",
        "Levels, readings and budgets", "Signatures",
    ]  # fmt: skip


def test_names_of_any_direction_and_length_stand_apart_from_the_words_around_them() -> None:
    page = page_of("far_names")
    apart = [text for inside, text in page.texts if "bdi" in inside]
    report = EXAMPLES["far_names"]()
    for name in (report.setup.job.serial, report.setup.job.customer, report.setup.job.laboratory):
        assert any(name in text for text in apart), name
    assert all(len(a.get("content", "")) < 200 for a in page.tags("meta"))


def large(results: int, plain: int) -> Report:
    """A report of many judged results, each with its budget, and of many readings that nobody judges."""
    report, reading = EXAMPLES["meets"](), EXAMPLES["plain_only"]().parts[0].plain[0]
    part = next(part for part in report.parts if len(part.results) > 3)
    judged = (replace(part.results[n % len(part.results)], setting=f"{n} mV/div") for n in range(results))
    readings = (replace(reading, setting=f"{n} V/div") for n in range(plain))
    return replace(report, parts=(replace(part, results=tuple(judged), plain=tuple(readings)),))


def test_a_large_report_is_pages_which_have_each_row_once_and_whose_links_lead_on() -> None:
    report = large(600, 4500)
    pages = html_pages(report, "report.html")
    assert len(pages) > 2
    every, whole = "".join(pages.values()), html_page(report)
    for row in (r"<tr[^>]*>.{0,80}?\b\d+ mV/div", r"<td[^>]*>\d+ V/div", r"<summary>[^<]*"):
        found = re.findall(row, every)
        assert sorted(found) == sorted(re.findall(row, whole))
        assert len(found) >= 600
    keys = {name: set(re.findall(r' id="([^"]+)"', text)) for name, text in pages.items()}
    for name, text in pages.items():
        assert text.count("<tr") < 3600
        for link in re.findall(r'href="([^"]*)"', text):
            file, _, key = link.partition("#")
            assert file == "data:," or (not key and file in pages) or key in keys[file or name]
    assert re.search(r'href="report-\d+.html#b\d+"', pages["report.html"])  # from a result to its budget


def test_a_report_of_usual_size_is_one_page() -> None:
    report = EXAMPLES["does_not_meet"]()
    assert html_pages(report, "report.html") == {"report.html": html_page(report)}


def test_hostile_text_is_shown_and_never_obeyed() -> None:
    text, page = html_of("hostile"), page_of("hostile")
    assert "<script" not in text
    assert text.count("</style>") == 1
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "{{ 7*7 }}" in text  # not 49
    assert clean(HOSTILE) in page.seen()
    assert len(page.tags("style")) == 1


def test_a_css_string_holds_any_text() -> None:
    text = css_string('"; } body { display: none } /* \\ </style> é 😀')
    assert re.fullmatch(r'"(?:[A-Za-z0-9]|\\[0-9a-f]{6})*"', text)
    back = re.sub(r"\\([0-9a-f]{6})", lambda m: chr(int(m[1], 16)), text[1:-1])
    assert back == '"; } body { display: none } /* \\ </style> é 😀'


def test_the_same_report_gives_the_same_bytes() -> None:
    report = EXAMPLES["plain_only"]()
    assert html_page(report) == html_page(replace(report))
    assert html_page(EXAMPLES["incomplete"]()) == html_of("incomplete")


def test_a_point_that_was_not_measured_says_so() -> None:
    seen = page_of("incomplete").seen()
    assert "not measured skipped by the operator" in seen
    assert "– – – ±3 %" in seen  # no reading, no error, no U, no k, but the limits


def test_there_is_no_value_above_the_generator() -> None:
    seen = page_of("above_generator").seen()
    assert "above 250 MHz" in seen
    assert "highest frequency of the generator" in seen
