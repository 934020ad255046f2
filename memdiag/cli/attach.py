"""`memdiag attach`: file dump, verdict and pictures with a repair ticket."""

from __future__ import annotations

import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import click

from memdiag.cli import common, filing, options, outlet
from memdiag.cli.options import Option

if TYPE_CHECKING:
    from memdiag.ledger.tickets import Judged, Reading


@click.command("attach")
@options.input_argument
@click.option("--ticket", metavar="ID", help="The ticket, e.g. R-2041; else the dump's own.")
@click.option(
    "--to",
    "folder",
    required=True,
    metavar="FOLDER",
    type=click.Path(),
    help="The folder that holds the tickets.",
)
@options.ledger_option
@options.reading_options
@options.shop_option
def command(
    inputs: tuple[str, ...],
    ticket: Option,
    folder: str,
    url: Option,
    board: Option,
    grammar: Option,
    removed: Option,
    shop: Option,
) -> int:
    """File each dump of INPUT with its verdict in FOLDER/ID, and compare it with what is there.

    An entry is filed whole or not at all, and never changed or overwritten; the same dump again
    changes nothing. The folder of each entry is printed. The ledger is an index of the folders: if
    it is down, everything is filed all the same.

    Exit status 0: clear; 1: a finding wants action; 2: nothing more was filed.
    """
    from memdiag.ledger import tickets
    from memdiag.ledger.store import TicketError, check_id

    settings = common.shop_settings(shop)
    reading = tickets.Reading(board, grammar, common.split_sites(removed), settings)
    try:
        ticket = None if ticket is None else check_id(ticket)
        # All are read and judged before the first is filed: one bad input leaves the ticket alone.
        dumps = [_judged(name, reading) for name in inputs or ("-",)]
        ticket = ticket or check_id(filing.their_ticket(dumps))
    except TicketError as wrong:
        raise click.ClickException(str(wrong)) from None
    _stop_cleanly()
    for dump in dumps:
        try:
            outlet.say(str(filing.filed(Path(folder), ticket, dump)))
        except TicketError as wrong:
            raise click.ClickException(str(wrong)) from None
    filing.after(Path(folder), ticket, url)
    verdicts = [v for dump in dumps for v in dump.verdicts]
    return int(not all(v.released for v in verdicts))


def _judged(name: str, reading: Reading) -> Judged:
    from memdiag.ledger import tickets
    from memdiag.reading.load import Unreadable

    raw = common.whole(name)
    try:
        with common.usage():
            dump = tickets.judged(raw, name, reading)
    except Unreadable as wrong:
        common.tell(wrong.problems, quiet_info=False, name=name)
        called = "the paste" if name == "-" else name
        raise click.ClickException(f"{called} holds no dump that could be read") from None
    for verdict in dump.verdicts:
        common.tell(verdict.run.problems, name=name)
    return dump


def _stop_cleanly() -> None:
    """A polite request to end clears away what was begun; only a kill leaves it to the next one."""
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), lambda number, _: sys.exit(128 + number))
