"""The command that makes the report of a run: on the terminal, as a page, as paper, and as tables."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Any

import rich_click as click

from harness.commands.helping import Day, PlainHelpCommand, bom_option, not_both, say
from harness.commands.run import PATH, show_report, write_html, write_pdf
from harness.errors import ConfigError
from harness.journal.atomic import write_bytes, write_text
from harness.words.language import in_language

if TYPE_CHECKING:
    from harness.journal.journal import Contents
    from harness.report.model import Report


@click.command(cls=PlainHelpCommand)
@click.argument("run_folder", type=PATH)
@click.option("--as-left", type=PATH, help="The run after an adjustment: one report of both, as found beside as left.")
@click.option("--number", default="", help="Which report of the run, where it was amended; else the one in force.")
@click.option(
    "--issued", type=Day(), metavar="YYYY-MM-DD", help="Day of issue; else that of its approval, or the run's."
)
@click.option("--room", "room_path", type=PATH, help="A logger's CSV: the room at the moments of the readings.")
@click.option("--html", "html_path", type=PATH, help="Write the HTML page to this file.")
@click.option("--pdf", "pdf_path", type=PATH, help="Write the printed report, with its results attached (PDF/A-3a).")
@click.option("--csv", "csv_path", type=PATH, help="Write every judged point as a table.")
@click.option("--budgets", "budget_path", type=PATH, help="Write every line of every budget as a table (CSV).")
@bom_option
@click.option("--xlsx", "xlsx_path", type=PATH, help="Write results, budgets, responses and particulars (.xlsx).")
@click.option("--json", "json_path", type=PATH, help="Write the whole report as JSON.")
@click.option("--annex", "annex_path", type=PATH, help="Write the annex to a PDF of its own; --pdf is the first part.")
@click.option("--advice", is_flag=True, help="With an opinion for the customer in the PDF; else it has none.")
@click.option("--short", is_flag=True, help="On one page and in plain words: verdict, ranges, response, who, when.")
@click.option("--letter", is_flag=True, help="Letter paper for the PDF; else A4.")
@click.option("--fonts", type=PATH, help="A folder of fonts for the PDF, for scripts that the program's own lack.")
@click.option("--language", default="", help="The language of page and paper: en, de or fr; else that of the job.")
@click.option("--point", default="", help="The result to draw closely, by words of its name; else the worst.")
@click.option("--open", "open_page", is_flag=True, help="Show the page in a browser.")
def report(
    *, run_folder: Path, as_left: Path | None, number: str, issued: dt.datetime | None, html_path: Path | None,
    room_path: Path | None,
    pdf_path: Path | None, annex_path: Path | None, advice: bool, csv_path: Path | None, json_path: Path | None,
    budget_path: Path | None, bom: bool, xlsx_path: Path | None,
    letter: bool, fonts: Path | None, language: str, point: str, open_page: bool, short: bool,
) -> None:  # fmt: skip
    """Make the report of a run from its journal alone; without options, show it here.

    With --room a logger's table stands beside the journal: time, temperature and humidity in the docs' columns.

    \b
    Examples:
      halfpower report runs/2026-05-04-Plover
      halfpower report runs/2026-05-04-Plover --html report.html --open
      halfpower report runs/2026-05-04-Plover --pdf r.pdf --point "ch 2, 50 mV"
      halfpower report runs/2026-05-04-Plover --pdf report.pdf --annex annex.pdf
      halfpower report runs/2026-05-04-Plover --short --pdf short.pdf
      halfpower report runs/2026-05-04-Plover --language de --pdf bericht.pdf
      halfpower report runs/2026-05-04-Plover --csv points.csv --json report.json
      halfpower report runs/2026-05-04-Plover --xlsx report.xlsx
      halfpower report runs/2026-05-04-Plover --room room.csv --pdf report.pdf
      halfpower report runs/2026-05-04-Plover --as-left runs/2026-05-06-Plover
    """
    from harness.journal import journal
    from harness.years.issuing import report_of

    if (letter or advice or fonts is not None or annex_path is not None) and pdf_path is None:
        raise click.UsageError(
            "--letter, --fonts, --advice and --annex are about the PDF; say where to write it: --pdf FILE."
        )
    if point and pdf_path is None and html_path is None and not open_page:
        raise click.UsageError("--point is about the pictures of the page and the PDF; write one: --html FILE.")
    if bom and csv_path is None and budget_path is None:
        raise click.UsageError("--bom is about the tables; write one: --csv FILE.")
    folder, day = as_left or run_folder, issued.date() if issued else None
    found = journal.read(run_folder) if as_left else None

    def worked_out() -> Report:
        made = report_of(folder, number, issued=day, found=found)
        return made if room_path is None else _with_room(made, journal.read(folder), room_path)

    made = worked_out()
    not_both(point, short, "--point is about the whole report: use it or --short")
    not_both(annex_path or advice, short, "--annex and --advice are about the whole report: use them or --short")
    if open_page and html_path is None:
        html_path = folder / "report.html"
    with in_language(made, language or made.setup.job.language, worked_out) as spoken:
        if html_path is not None:
            write_html(spoken, html_path, folder=folder, point=point, short=short)
        if pdf_path is not None:
            printed: dict[str, Any] = {
                "folder": folder, "letter": letter, "fonts": fonts, "point": point, "advice": advice, "english": made,
            }  # fmt: skip
            write_pdf(spoken, pdf_path, part="short" if short else "certificate" if annex_path else "both", **printed)
            if annex_path is not None:
                write_pdf(spoken, annex_path, part="annex", **printed)
    _write_tables(made, csv_path, budget_path, "\ufeff" if bom else "")
    _write_whole(made, xlsx_path, json_path)
    places = (html_path, pdf_path, annex_path, csv_path, budget_path, xlsx_path, json_path)
    written = [path for path in places if path is not None]
    say(*(f"Written: {path}" for path in written))
    if not written:
        show_report(made, short=short)
    if open_page:
        click.launch(str(written[0].resolve()))


def _write_tables(made: Report, csv_path: Path | None, budget_path: Path | None, mark: str) -> None:
    from harness.report.tables import budget_csv, points_csv

    for path, table in ((csv_path, points_csv), (budget_path, budget_csv)):
        if path is not None:
            write_text(path, mark + table(made))


def _write_whole(made: Report, xlsx_path: Path | None, json_path: Path | None) -> None:
    if xlsx_path is not None:
        from harness.report.spreadsheet import report_sheets

        write_bytes(xlsx_path, report_sheets(made))
    if json_path is not None:
        from harness.report.results import to_json

        write_text(json_path, to_json(made))


def _with_room(made: Report, contents: Contents, path: Path) -> Report:
    from harness.report import room

    try:
        data = path.read_bytes()
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}; name the logger's CSV with --room") from None
    return room.with_room(made, contents, room.parse(data, path.name))
