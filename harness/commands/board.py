"""The office page: all benches and queues at a glance, served from what they write, and nothing changed."""

from __future__ import annotations

import datetime as dt
import getpass
import os
import warnings
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Final

import rich_click as click

from harness.commands.helping import PlainHelpCommand, an_interval, not_both, say
from harness.commands.records import store_option
from harness.errors import HalfpowerError, RecordsError

if TYPE_CHECKING:
    from harness.office.registered import Registered
    from harness.office.stored import Stored
    from harness.years.records.store import Store

PATH: Final = click.Path(path_type=Path)
TITLE: Final = "Halfpower: the office"


@click.command(cls=PlainHelpCommand)
@click.argument("folders", nargs=-1, type=PATH, metavar="[FOLDER]...")
@click.option("--page", default="127.0.0.1", metavar="HOST[:PORT]", help="Serve it beyond this computer, to accounts.")
@click.option("--accounts", "account_file", type=PATH, metavar="FILE", help="The file of those who may look.")
@click.option("--add", metavar="NAME", help="Add an account, or give it a new password, and end.")
@click.option("--remove", metavar="NAME", help="Take an account away, and end.")
@click.option("--standards", type=PATH, metavar="FILE", help="The register of standards, for what of it is due.")
@click.option("--within", default="6 weeks", show_default=True, help="What is due so soon is shown.")
@click.option("--interval", help="Time until a unit is due again, where its job does not say: '12 months'.")
@click.option("--simulated", is_flag=True, help="Runs on simulated benches, and only these.")
@store_option
def board(
    *, folders: tuple[Path, ...], page: str, account_file: Path | None, add: str | None, remove: str | None,
    standards: Path | None, within: str, interval: str | None, simulated: bool, store: str | None,
) -> None:  # fmt: skip
    """Show the office what all benches do: outputs in doubt, what runs, what failed, reports, what is due.

    FOLDER is where benches write their runs and queues, or one above several such; reports and what is due come from
    the store. Nothing is written, and no instrument is spoken to. It ends with Ctrl-C; the benches go on.

    \b
    Examples:
      halfpower board runs                                  on this computer
      halfpower board /srv/benches --store /srv/records.sqlite
      halfpower board --accounts office.json --add Orme     asks for a password
      halfpower board /srv/benches --page 192.0.2.7:8080 --accounts office.json
    """
    if add or remove:
        not_both(add, remove, "Use --add or --remove")
        _change(account_file, add, remove)
        return
    soon = _soon(within)
    stored, registered = _stored(store, soon, interval, simulated), _registered(standards, soon)
    _serve(
        folders=folders, where=page, account_file=account_file, stored=stored, registered=registered,
        simulated=simulated,
    )  # fmt: skip


def _serve(
    *, folders: tuple[Path, ...], where: str, account_file: Path | None, stored: Stored | None,
    registered: Registered | None, simulated: bool,
) -> None:  # fmt: skip
    from harness.office.board import Board
    from harness.office.board_server import served
    from harness.office.folders import Folders
    from harness.words.clock import RealClock

    if missing := [folder for folder in folders if not folder.is_dir()]:
        raise HalfpowerError(f"{missing[0]}: there is no such folder. Name the folder that holds the runs' folders.")
    if not folders and stored is None:
        raise click.UsageError("Nothing to show: name a folder of runs, or a store with --store.")
    clock = RealClock()
    made = Board(
        title=TITLE, folders=Folders([folder.resolve() for folder in folders], clock), stored=stored,
        registered=registered, simulated=simulated, clock=clock,
    )  # fmt: skip
    with served(made, where, account_file) as address:
        say(f"The office page: {address}", "Ctrl-C ends it; the benches go on.")
        made.look()
        made.work()


def _registered(path: Path | None, soon: dt.timedelta) -> Registered | None:
    if path is None:
        return None
    from harness.files.files import read_register
    from harness.office.registered import Registered

    read_register(path)  # what is wrong with it is said at once
    return Registered(path=path.resolve(), within=soon)


def _stored(store: str | None, soon: dt.timedelta, interval: str | None, simulated: bool) -> Stored | None:
    """The store that is set up, or None where there is none yet and none was named."""
    if interval is not None:
        an_interval("--interval", interval)
    from harness.office.stored import Stored
    from harness.years.records import database
    from harness.years.records.store import Store

    named = store or os.environ.get(database.VARIABLE)
    if named == database.NONE:
        return None
    place = database.address(store)
    if named is None and place.file is not None and not place.file.exists():
        return None

    def opened() -> AbstractContextManager[Store]:
        return Store.open(store, create=False)

    try:
        with opened():
            pass
    except RecordsError:
        if named is not None:
            raise
        return None
    return Stored(opened=opened, simulated=simulated, within=soon, interval=interval or "")


def _soon(within: str) -> dt.timedelta:
    today = dt.date(2000, 1, 1)
    return an_interval("--within", within).after(today) - today


def _change(account_file: Path | None, add: str | None, remove: str | None) -> None:
    from harness.office import accounts

    if account_file is None:
        raise click.UsageError("Name the file of accounts with --accounts FILE.")
    if remove:
        accounts.remove(account_file, remove)
        say(f"{account_file}: {remove} is let in no more.")
        return
    name = add or ""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", getpass.GetPassWarning)
            password = click.prompt("Password, shown nowhere", hide_input=True, confirmation_prompt="The same again")
    except getpass.GetPassWarning:
        raise HalfpowerError("A password is asked for at a terminal, which shows it nowhere. Run this there.") from None
    is_new = accounts.add(account_file, name, password)
    say(f"{account_file}: {name} {'may look from now on' if is_new else 'has a new password'}.")
