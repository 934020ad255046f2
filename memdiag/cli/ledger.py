"""`memdiag ledger`: list, search, show and export filed tickets, record outcomes and learn."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from memdiag.cli import common, options, outlet, progress
from memdiag.cli.options import F, Option
from memdiag.model.ledger import CURED, VIEWS
from memdiag.reports.page import ColumnPage, Page

if TYPE_CHECKING:
    from memdiag.ledger.access import Opened
    from memdiag.ledger.filters import Filter


@click.group("ledger")
def command() -> None:
    """List, search and export filed tickets, record outcomes, and learn from them.

    The folders that `memdiag attach` files to are the record. The ledger is an index of them: a
    file of your own, or a database that many benches share (--ledger URL, or MEMDIAG_LEDGER). It
    catches up with the folders before it answers, and can be made anew at any time.
    """


def _ledger_options(f: F) -> F:
    said = "The index: a file, sqlite:///FILE or postgresql://USER@HOST/DATABASE."
    f = click.option("--ledger", "url", metavar="URL", help=said)(f)
    said = "A folder of tickets to catch up with (else all that you filed to)."
    return click.option("--folder", "folders", multiple=True, metavar="FOLDER", help=said)(f)


def _filter_options(*without: str) -> Callable[[F], F]:
    """What to look for, as options whose values come as one `wanted`."""
    from memdiag.ledger.filters import day

    names = {
        "ticket": ("ID", "Of this ticket.", None),
        "serial": ("NUMBER", "Of the board with this serial number.", None),
        "board": ("NAME", "Of boards of this kind.", None),
        "site": ("REF", "Where a verdict names this site.", None),
        "cause": ("CAUSE", "Where a verdict names this cause.", None),
        "action": ("ACTION", "Where a verdict asks for this.", None),
        "since": ("DAY", "From this day on, such as 2031-03-05.", options.typed(day)),
        "until": ("DAY", "Up to this day.", options.typed(day)),
    }

    def wrap(f: F) -> F:
        for name, (metavar, said, read) in reversed(names.items()):
            if name not in without:
                f = click.option(f"--{name}", metavar=metavar, help=said, callback=read)(f)
        return f

    return wrap


def _wanted(given: dict[str, Any], text: str | None = None) -> Filter:
    from memdiag.ledger.filters import Filter

    return Filter(**given, text=text)


@contextmanager
def _refusals() -> Iterator[None]:
    """What the ledger cannot do, as a message and exit status 2."""
    from memdiag.ledger.errors import LedgerError
    from memdiag.ledger.store import TicketError

    try:
        yield
    except LedgerError as wrong:
        raise click.ClickException(wrong.problem.sentence()) from None
    except TicketError as wrong:
        raise click.ClickException(str(wrong)) from None
    except ImportError as wrong:
        raise click.ClickException(
            f"the ledger needs {wrong.name}, which is not installed: pip install memdiag"
        ) from None


def _opened(url: Option, folders: tuple[str, ...], *, caught_up: bool = True) -> Opened:
    from memdiag.ledger import access

    found = access.opened(url, folders, caught_up=caught_up)
    common.tell(found.problems)
    for note in found.notes:
        outlet.say(f"memdiag: warning: {note}", err=True)
    return found


# --- questions ----------------------------------------------------------------------------------


@command.command("list")
@_filter_options()
@_ledger_options
@options.page_options(ColumnPage)
def list_(
    url: Option, folders: tuple[str, ...], format_: Option, output: Option, **given: Any
) -> int:
    """List the tickets, the oldest first, each with what its last run says."""
    _write("tickets", _wanted(given), url, folders, format_, output)
    return 0


@command.command("search")
@click.argument("text", required=False)
@_filter_options()
@_ledger_options
@options.page_options(ColumnPage)
def search(
    text: Option,
    url: Option,
    folders: tuple[str, ...],
    format_: Option,
    output: Option,
    **given: Any,
) -> int:
    """List the findings of all verdicts that match, one a line.

    TEXT stands anywhere in the ticket, the serial number, the run, the answer, or a remark.
    """
    wanted = _wanted(given, text)
    if not wanted:
        raise click.UsageError("say what to look for: a TEXT, or one of the options")
    _write("findings", wanted, url, folders, format_, output)
    return 0


@command.command("export")
@click.argument("view", type=click.Choice(list(VIEWS)))
@_filter_options()
@_ledger_options
@options.output_options("csv", "json", "parquet")
def export(
    view: str, url: Option, folders: tuple[str, ...], format_: Option, output: Option, **given: Any
) -> int:
    """Write one VIEW with all its columns, as CSV, JSON or Parquet (by the file's ending).

    docs/ledger.md tells every column.
    """
    ending = Path(output or "").suffix.lstrip(".").lower()
    chosen = format_ or (ending if ending in ("json", "parquet") else "csv")
    _write(view, _wanted(given), url, folders, chosen, output)
    return 0


def _write(
    view: str,
    wanted: Filter,
    url: Option,
    folders: tuple[str, ...],
    format_: Option,
    output: Option,
) -> None:
    common.page_format(ColumnPage, format_, output)
    with _refusals():
        from memdiag.ledger import query
        from memdiag.reports.ledger_page import view_page

        with _opened(url, folders).look() as connection:
            found = query.rows(connection, view, wanted)
    one = {"tickets": "ticket", "heat": "heat row"}.get(view, view[:-1])
    many = {"heat": "heat rows"}.get(view, view)
    said = f"{len(found)} {one if len(found) == 1 else many}"
    common.write_page(view_page(view, found, said), format_, output)


@command.command("show")
@click.argument("ticket")
@_ledger_options
@options.page_options(Page)
def show(
    ticket: str, url: Option, folders: tuple[str, ...], format_: Option, output: Option
) -> int:
    """Show one TICKET: its runs, the heat its sites had, and its outcomes."""
    common.page_format(Page, format_, output)
    with _refusals():
        from memdiag.ledger import access, index, query
        from memdiag.ledger.filters import Filter
        from memdiag.ledger.heat import counted, warnings
        from memdiag.ledger.ticket_heat import steps
        from memdiag.reports.ledger_page import ticket_page

        found = _opened(url, folders)
        for note in access.changed(ticket, found.roots):
            outlet.say(f"memdiag: warning: {note}", err=True)
        with found.look() as connection:
            wanted = Filter(ticket=ticket)
            names = ("runs", "heat", "outcomes")
            views = {view: query.rows(connection, view, wanted) for view in names}
            runs, board = index.runs_of(connection, ticket)
        if not any(views.values()):
            raise click.ClickException(f"there is no ticket {ticket} in the ledger")
        heat = counted(steps(runs, board), board)
        page = ticket_page(ticket, views, heat, warnings(heat, board))
    common.write_page(page, format_, output)
    return 0


# --- outcomes -----------------------------------------------------------------------------------


@command.command("outcome")
@click.argument("ticket")
@click.option("--site", metavar="REF", help="Where it was; the whole board if nothing is said.")
@click.option("--rail", metavar="NAME", help="The rail, where it was one.")
@click.option("--was", metavar="CAUSE", help="What it was: missing, weak, joint, ...; or clear.")
@click.option("--cured", type=click.Choice(CURED), default="unknown", help="By the repair.")
@click.option("--note", metavar="TEXT", help="A remark.")
@click.option("--from-case", "case", metavar="FILE", help="Take what a case document proves.")
@_ledger_options
def outcome(
    ticket: str,
    site: Option,
    rail: Option,
    was: Option,
    cured: str,
    note: Option,
    case: Option,
    url: Option,
    folders: tuple[str, ...],
) -> int:
    """Record what the repair of a TICKET showed, in the ticket's own folder.

    memdiag ledger outcome R-1187 --site U6 --was missing --cured yes

    Nothing that was recorded is ever changed: of several outcomes of a place the latest counts.
    One that speaks against what is filed is kept, and that is said. The folder is printed.
    """
    if (was is None) == (case is None):
        raise click.UsageError("say --was, or --from-case with a case document")
    if site is not None and rail is not None:
        raise click.UsageError("say --site or --rail, not both: which one was it?")
    with _refusals():
        from memdiag.ledger import access, outcomes
        from memdiag.ledger.store import check_id, look

        ticket = check_id(ticket)
        roots = access.known_roots(folders)
        root = access.root_of(ticket, roots)
        if case is not None:
            claims = outcomes.proved(common.whole(case), ticket, look(root, ticket), case)
            if not claims:
                outlet.say("memdiag: the case proves nothing: nothing was recorded", err=True)
        else:
            cause, kind = outcomes.understood(was or "")
            claims = (outcomes.Claim(cause, cured, site, rail, kind, note=note),)
        for claim in claims:
            _told(outcomes.record(root, ticket, claim))
        for text in access.after_filing(root, url):
            outlet.say(f"memdiag: warning: {text}", err=True)
    return 0


def _told(done: Any) -> None:
    """What came of an outcome: the folder alone goes to standard output."""
    from memdiag.model.problems import problem

    if not done.fresh:
        outlet.say("this outcome was recorded before: nothing changed", err=True)
    elif done.against:
        common.tell([problem("outcome-against", against="; ".join(done.against))])
    outlet.say(str(done.folder))


@command.command("statistics")
@_filter_options("ticket", "site", "cause", "action", "serial")
@click.option(
    "--weight",
    type=click.IntRange(1, 10**6),
    help="Boards that the priors so far count for.  [default: 40]",
)
@options.shop_option
@click.option("--write-settings", "target", metavar="FILE", help="Write the priors for --shop.")
@click.option("--force", is_flag=True, help="Replace the priors in that file if it is there.")
@_ledger_options
@options.page_options(Page)
def statistics(
    weight: int | None,
    shop: Option,
    target: Option,
    force: bool,
    url: Option,
    folders: tuple[str, ...],
    format_: Option,
    output: Option,
    **given: Any,
) -> int:
    """Say what outcomes teach: priors, whether verdicts are right as often as they say, which
    sites of which board fail, what cures.

    Nothing learns by itself: --write-settings FILE writes the priors, and --shop FILE uses them.
    """
    common.page_format(Page, format_, output)
    settings = common.shop_settings(shop)
    with _refusals():
        from memdiag.ledger import shop_text, teaching
        from memdiag.reports.statistics_page import statistics_page

        with _opened(url, folders).look() as connection:
            learnt = teaching.statistics(
                connection, _wanted(given), settings, weight or teaching.WEIGHT
            )
        if target is not None:
            shop_text.write(Path(target), learnt, force=force)
            outlet.say(f"the priors are in {target}: memdiag verdict --shop {target}", err=True)
    common.write_page(statistics_page(learnt), format_, output)
    return 0


@command.command("rebuild")
@click.option("--anyway", is_flag=True, help="Forget what lies in folders not seen from here.")
@_ledger_options
def rebuild(anyway: bool, url: Option, folders: tuple[str, ...]) -> int:
    """Make the index anew from the folders, beside the old one, and put it in its place.

    Nothing is lost by it, for the folders are the record; a kill leaves the old index.
    """
    with _refusals():
        from memdiag.ledger.rebuild import rebuild as made_anew

        found = _opened(url, folders, caught_up=False)
        kept = "the old index stays as it was"
        with progress.step("rebuilding the ledger", None, "tickets", kept) as one:
            done = made_anew(found.database, found.roots, anyway=anyway, watch=one.add)
    for note in done.found.notes:
        outlet.say(f"memdiag: warning: {note}", err=True)
    gone = f", {done.gone} that are no longer in the folders left out" if done.gone else ""
    held = ", ".join(map(str, found.roots)) or "no folder"
    outlet.say(
        f"the ledger at {found.database.name} is made anew: {done.found.entries} entries and "
        f"{done.found.outcomes} outcomes from {held}{gone}"
    )
    return 0
