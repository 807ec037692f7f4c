"""The command about units over the years: drift, what is due, and what a standard has touched."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import rich_click as click

from harness.commands.helping import PlainHelpCommand, an_interval, bom_option, not_both, say
from harness.commands.records import opened, selected, selection_options, store_option
from harness.errors import JournalError

if TYPE_CHECKING:
    import datetime as dt

    from harness.years.history import History
    from harness.years.records.folder import Records
    from harness.years.records.rows import Selection

PATH: Final = click.Path(path_type=Path)
_MOST_UNITS: Final = 20  # whose points are followed without being asked to


@click.command(cls=PlainHelpCommand)
@click.argument("runs", type=PATH, required=False, metavar="[RUNS_FOLDER]")
@store_option
@selection_options
@click.option("--interval", help="Time until a unit is due again, where its job does not say: '12 months'.")
@click.option("--points/--units", default=None, help="Follow every point, or list the units alone.")
@click.option("--html", "html_path", type=PATH, help="Write the page with a picture of every point.")
@click.option("--csv", "csv_path", type=PATH, help="Write every result with the drift of its point.")
@bom_option
@click.option("--xlsx", "xlsx_path", type=PATH, help="Write the same as a spreadsheet.")
@click.option("--json", "json_path", type=PATH, help="Write the same as JSON.")
@click.option("--open", "open_page", is_flag=True, help="Show the page in a browser.")
def history(
    *, runs: Path | None, store: str | None, interval: str | None, points: bool | None, html_path: Path | None,
    csv_path: Path | None, bom: bool, xlsx_path: Path | None, json_path: Path | None, open_page: bool, **where: Any,
) -> None:  # fmt: skip
    """Follow units over the years: drift of every point, what is due, and what a standard has touched.

    The runs are those below RUNS_FOLDER; without one, those of the store. Simulated runs are shown only with
    --simulated, and then alone.

    \b
    Examples:
      halfpower history                                    every unit, what is due
      halfpower history --serial Egret-3071 --html petrel.html --open
      halfpower history --standard Orme-0417 --since 2025-01-01
      halfpower history runs --simulated --interval "12 months"
    """
    not_both(runs, store, "Name the folder that holds the runs, or a store with --store")
    if interval is not None:
        an_interval("--interval", interval)
    if bom and csv_path is None:
        raise click.UsageError("--bom is about the table; write one: --csv FILE.")
    chosen = selected(where)
    with _records(runs, store) as records:
        made = _read(records, chosen, interval or "", points)
    written = [path for path in (html_path, csv_path, xlsx_path, json_path) if path is not None]
    today = _today()
    if open_page and html_path is None:
        raise click.UsageError("--open shows the page that --html writes; name a file with --html.")
    _write(made, html_path, json_path)
    _write_tables(made, csv_path, xlsx_path, "\ufeff" if bom else "")
    for path in written:
        click.echo(f"Written: {path}")
    if not written:
        _show(made, today)
    say(*made.problems, err=True)
    if open_page and html_path is not None:
        click.launch(str(html_path.resolve()))
    if made.problems:
        raise JournalError(f"{len(made.problems)} of the journals could not be read, named above; the others count.")


@contextmanager
def _records(runs: Path | None, store: str | None) -> Iterator[Records]:
    if runs is None:
        with opened(store, create=False) as there:
            yield there
        return
    from harness.years.records.folder import RunFolders

    yield RunFolders(runs)


def _read(records: Records, where: Selection, interval: str, points: bool | None) -> History:
    """The history; of many units the points only where they are asked for."""
    from harness.years.history import read

    if points is None:
        units = {(run.maker, run.model, run.serial) for run in records.runs(where)}
        points = len(units) <= _MOST_UNITS
    return read(records, where, interval=interval, tracks=points)


def _write(made: History, html_path: Path | None, json_path: Path | None) -> None:
    from harness.journal.atomic import write_text
    from harness.words.version import program_version

    if html_path is not None:
        from harness.report.history_page import history_page

        write_text(html_path, history_page(made, today=_today(), program=program_version()))
    if json_path is not None:
        from harness.years import history as histories

        write_text(json_path, _json(histories.COLUMNS, list(histories.table(made))))


def _write_tables(made: History, csv_path: Path | None, xlsx_path: Path | None, mark: str) -> None:
    from harness.journal.atomic import write_bytes, write_text
    from harness.years import history as histories

    if csv_path is not None:
        from harness.report.tables import csv_text

        write_text(csv_path, mark + csv_text(histories.COLUMNS, histories.table(made)))
    if xlsx_path is not None:
        from harness.report.spreadsheet import workbook

        write_bytes(xlsx_path, workbook({"history": (histories.COLUMNS, histories.table(made))}))


def _show(made: History, today: dt.date) -> None:
    from harness.commands.run import a_console
    from harness.report.history_page import blocks
    from harness.report.terminal_page import on_terminal
    from harness.report.trends import marks

    a_console().print(on_terminal(blocks(made, today), marks(made)))


def _json(columns: tuple[str, ...], rows: list[tuple[Any, ...]]) -> str:
    import json

    def plain(value: Any) -> Any:
        return value.isoformat() if hasattr(value, "isoformat") else value

    plain_rows = [{name: plain(value) for name, value in zip(columns, row, strict=True)} for row in rows]
    return json.dumps(plain_rows, ensure_ascii=False, indent=1) + "\n"


def _today() -> dt.date:
    from harness.words.clock import RealClock

    return RealClock().utc().date()
