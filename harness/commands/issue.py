"""Commands about what becomes of a report: approve it, amend it, sign with a key, and verify what was signed."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import rich_click as click

from harness.commands.helping import Day, PlainHelpCommand, not_both, say
from harness.commands.records import remember, store_option
from harness.commands.run import PATH, write_html, write_pdf
from harness.errors import HalfpowerError
from harness.words.language import in_language

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable


@click.command(cls=PlainHelpCommand)
@click.argument("run_folder", type=PATH)
@click.option("--by", required=True, help="Who approves it; not who did the work.")
@click.option("--function", default="", help="Their function.")
@click.option("--place", default="", help="Where it is issued.")
@click.option("--issued", type=Day(), metavar="YYYY-MM-DD", help="Day of issue; else today.")
@click.option("--number", default="", help="Another number, where its own was given to another run as well.")
@click.option("--key", type=PATH, help="The key to sign with; else your own, if 'halfpower key' has made one.")
@click.option("--unsigned", is_flag=True, help="Sign with no key.")
@store_option
def approve(
    *, run_folder: Path, by: str, function: str, place: str, issued: dt.datetime | None, number: str, key: Path | None,
    unsigned: bool, store: str | None,
) -> None:  # fmt: skip
    """Approve the report of a run: until then it is a draft where the bench file says approval = "required".

    Who approves, where and on what day stands in the report, and in a file beside the journal, which stays as it is.

    \b
    Examples:
      halfpower approve runs/BW-2026-0041 --by "S. Garland" --place Brackwater
      halfpower approve runs/BW-2026-0041 --by "S. Garland" --key garland.pem
    """
    from harness.words.clock import RealClock
    from harness.years.issuing import Who, approve

    not_both(key, unsigned, "Sign with --key or leave it --unsigned")
    now = RealClock().utc()
    day = issued.date() if issued else now.astimezone().date()
    who = Who(by=by.strip(), function=function.strip(), place=place.strip(), issued=day, number=number.strip())
    _is_free(run_folder, who.number, store)
    made = approve(run_folder, who, now, _signer(key, unsigned=unsigned))
    signed = "signed" if made.approval is not None and made.approval.signature else "not signed"
    say(f"Report {made.number}: approved by {who.by}, issued {day}, {signed}")
    _written_anew(run_folder, store)


@click.command(cls=PlainHelpCommand)
@click.argument("run_folder", type=PATH)
@click.option("--why", required=True, help="Why: the amended report says it; of a draft corrected again, the last.")
@click.option("--set", "changes", multiple=True, metavar="KEY=TEXT", help="A particular of the job, as it should be.")
@store_option
def amend(run_folder: Path, why: str, changes: tuple[str, ...], store: str | None) -> None:
    """Amend an issued report: a new one with its own number, which says what it replaces and why.

    Administrative particulars may change, results never. Both reports stay; 'report RUN --number N' makes either.
    Where approval is required, the new one is a draft until it is approved. A draft is corrected as it is.

    \b
    Examples:
      halfpower amend runs/BW-2026-0041 --set customer="Petrel" --why "Misspelt"
    """
    from harness.words.clock import RealClock
    from harness.years.issuing import amend

    wrong = [text for text in changes if "=" not in text]
    if wrong:
        raise click.UsageError(f'--set {wrong[0]}: expected KEY=TEXT, such as customer="Training ship Sanderling".')
    pairs = dict(text.split("=", 1) for text in changes)
    made = amend(run_folder, why, {key.strip(): text.strip() for key, text in pairs.items()}, RealClock().utc())
    replaces = f", replaces {made.replaces}, because: {made.why}" if made.replaces else ""
    say(f"Report {made.number}: {made.state}{replaces}")
    _written_anew(run_folder, store)


@click.command(cls=PlainHelpCommand)
@click.argument("path", type=PATH, required=False)
def key(path: Path | None) -> None:
    """Make the key that you sign approvals with, once: its public half goes to whoever is to verify them.

    Whoever can read the key can sign in your name: it is readable by you alone, and belongs on no shared drive.

    \b
    Examples:
      halfpower key
      halfpower key garland.pem
    """
    from harness.years import signing

    private = path or signing.own_key()
    public = signing.make(private)
    say(f"Key: {private}", f"Public half, to give away: {public}", f"SHA-256 {signing.holder(public)}")


@click.command(cls=PlainHelpCommand)
@click.argument("what", type=PATH, nargs=-1, required=True)
@click.option("--by", "public", type=PATH, required=True, help="The public key of who should have signed.")
def signed(what: tuple[Path, ...], public: Path) -> None:
    """Verify that reports are as they were signed: run folders, or reports as JSON.

    \b
    Examples:
      halfpower signed runs/BW-2026-0041 --by garland.pem.pub
      halfpower signed report.json --by garland.pem.pub
    """
    from harness.years import proof, signing

    with_key, failed = signing.public(public), 0
    for each in what:
        try:
            for said in proof.of(each, with_key):
                say(f"{each}: {said}")
        except HalfpowerError as error:
            say(f"{each}: {error}", err=True)
            failed += 1
    if failed:
        raise HalfpowerError(f"{failed} of {len(what)} not as signed, see above.")


def _signer(key: Path | None, *, unsigned: bool) -> Callable[[bytes], tuple[str, str]] | None:
    from harness.years import signing

    path = key or signing.own_key()
    if unsigned or (key is None and not path.exists()):
        return None
    holder = signing.holder(path)
    return lambda data: (holder, signing.sign(path, data))


def _is_free(run_folder: Path, number: str, store: str | None) -> None:
    """Refuse a number that another run in the store has."""
    from harness.journal import issues, journal
    from harness.years.records.push import given

    contents = journal.read(run_folder)
    wanted = number or issues.read(run_folder, contents)[-1].number
    if any(one == wanted and run_id != contents.id for one, run_id in given(store)):
        raise HalfpowerError(
            f"Another run has the report number {wanted}. Nothing was approved; give this one a number: --number."
        )


def _written_anew(run_folder: Path, store: str | None) -> None:
    """The page and the printed report as they are now, and the run's place among the records."""
    from harness.years.issuing import report_of

    made, page = report_of(run_folder), run_folder / "report.html"
    writes: list[tuple[Any, Path]] = [(write_html, page)]
    printed = partial(write_pdf, english=made)
    writes += [(printed, page.with_suffix(".pdf"))] if page.with_suffix(".pdf").exists() else []
    with in_language(made, made.setup.job.language, partial(report_of, run_folder)) as spoken:
        for write, path in writes:
            write(spoken, path, folder=run_folder)
            say(f"Written: {path}")
    remember(run_folder, store)
