"""`memdiag case`: judge all runs of one repair together."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from memdiag.cli import common, options, outlet
from memdiag.cli.options import Option
from memdiag.reports.repair_page import RepairPage

if TYPE_CHECKING:
    from memdiag.diagnosis.settings import Settings
    from memdiag.model import Run


@click.command("case")
@options.input_argument
@click.option("--ticket", metavar="ID", help="The runs that are filed with this ticket.")
@click.option(
    "--to",
    "folder",
    metavar="FOLDER",
    type=click.Path(),
    default="tickets",
    show_default=True,
    help="The folder that holds the tickets.",
)
@options.reading_options
@options.shop_option
@click.option("--any-order", is_flag=True, help="Take the runs as given, whatever their dates say.")
@options.page_options(RepairPage)
def command(
    *,
    inputs: tuple[str, ...],
    ticket: Option,
    folder: str,
    board: Option,
    grammar: Option,
    removed: Option,
    shop: Option,
    any_order: bool,
    format_: Option,
    output: Option,
) -> int:
    """Judge all runs of one repair together, in order, with what was done between them.

    The runs come as INPUTs, several in one text if need be, or from a filed ticket. --removed
    speaks of the last. The story is told run by run: what was done, what was seen, what it changed;
    then what is established, what cured it, what is left and what to do.

    Exit status 0: the board may be released; 1: it may not; 2: the input cannot be used.
    """
    from memdiag.boards import profiles
    from memdiag.reading.load import declared_removed
    from memdiag.repair.case.story import CaseError, case
    from memdiag.reports.case_page import case_page

    if ticket is not None and inputs:
        raise click.UsageError("name dumps or a ticket, not both")
    settings = common.shop_settings(shop)
    judged_by: str | Path | None = board
    if ticket is None:
        runs = common.load_runs(inputs, board=board, grammar=grammar, shop=settings)
    else:
        runs, filed_board = _filed(Path(folder), ticket, settings)
        judged_by = board or filed_board
    with common.usage():
        profile = None if judged_by is None else profiles.find(str(judged_by), judged_by)
        last, _ = profiles.for_run(runs[-1], profile)
    runs[-1] = declared_removed(runs[-1], common.split_sites(removed), last)
    shown = common.is_shown(format_, output)
    for run in () if shown else runs:
        common.tell(run.problems, name=run.head.id or run.source.name)
    try:
        report = case(runs, profile, settings, any_order=any_order)
    except CaseError as wrong:
        common.tell(wrong.problems, quiet_info=False)
        raise click.ClickException("these runs are no one repair: nothing was judged") from None
    if not shown:
        common.tell(report.problems)
    common.write_page(case_page(report), format_, output)
    return int(not report.release.allowed)


def _filed(folder: Path, ticket: str, shop: Settings | None) -> tuple[list[Run], Path | None]:
    """The runs of a filed ticket, and the board profile filed with them where there is one. Raises
    click.ClickException where there is no run."""
    from memdiag.ledger import tickets
    from memdiag.ledger.store import TicketError

    notes: list[str] = []
    try:
        runs = tickets.runs_of(folder, ticket, notes, tickets.Reading(shop=shop))
        board = tickets.board_of(folder, ticket)
    except TicketError as wrong:
        raise click.ClickException(str(wrong)) from None
    for note in notes:
        outlet.say(f"memdiag: warning: {note}", err=True)
    if not runs:
        raise click.ClickException(
            f"ticket {ticket} has no run in {folder}: memdiag attach files one; --to names the "
            "folder of the tickets"
        )
    return runs, board
