"""`memdiag rails`: judge ohm readings without a dump."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from memdiag.cli import common, options, outlet
from memdiag.cli.options import Option
from memdiag.model.problems import Severity
from memdiag.model.spelling import closest
from memdiag.reports.page import Page

if TYPE_CHECKING:
    from memdiag.model import Board


def _volts(text: str) -> float:
    """Raises ValueError unless it is 0.001 to 100: `nan` is neither above nor below."""
    value = float(text)
    if not 0.001 <= value <= 100:
        raise ValueError(f"an injection has 0.001 to 100 volts, not {text!r}")
    return value


@click.command("rails")
@click.argument("readings", nargs=-1, required=True, metavar="RAIL=OHMS[:TREND]...")
@click.option("--board", metavar="NAME|FILE", help="The board profile to use.")
@click.option("--warm", multiple=True, metavar="RAIL:SITE", help="What warmed first when fed.")
@click.option("--off", metavar="SITES", help="Packages taken off for the --after readings.")
@click.option(
    "--after", multiple=True, metavar="RAIL=OHMS[:TREND]", help="A reading with them off."
)
@click.option(
    "--volts",
    metavar="VOLTS",
    default="1.0",
    show_default=True,
    callback=options.typed(_volts),
    help="Voltage an injection would use.",
)
@options.shop_option
@options.page_options(Page)
def command(
    readings: tuple[str, ...],
    board: Option,
    warm: tuple[str, ...],
    off: Option,
    after: tuple[str, ...],
    volts: float,
    shop: Option,
    format_: Option,
    output: Option,
) -> int:
    """Judge resistances to ground, board off and discharged: RAIL=OHMS, with :rising, :falling
    or :settled where the meter showed a trend; 0L is over range.

    Exit status 0: all good; 1: something wants action, or a reading says nothing yet; 2: no reading
    can be used.
    """
    from memdiag.boards import profiles
    from memdiag.model import Board as Profile
    from memdiag.reading import load, typed_readings
    from memdiag.repair import rail_check
    from memdiag.reports.rails_page import rails_page

    _well_said(readings, after, warm, off)
    settings = common.shop_settings(shop)
    with common.usage():
        found = profiles.find(board) if board is not None else None
        if board is not None and found is None:
            raise click.ClickException(f"no profile {board}: memdiag board list shows those known")
    taken_off = common.split_sites(off)
    if found is not None:
        taken_off = _known_sites(found, taken_off)
    try:
        at, runs = typed_readings.runs(
            readings, found or Profile(None, known=False), after=after, off=taken_off, warm=warm
        )
    except load.Unreadable as wrong:
        common.tell(wrong.problems, quiet_info=False)
        raise click.ClickException("no reading could be used") from None
    report = rail_check.check(runs, at, volts=volts, settings=settings)
    for p in report.verdict.problems:
        if p.severity is not Severity.INFO:
            outlet.say(f"memdiag: {p.severity}: {p.message} ({p.hint})", err=True)
    if not report.readings:
        raise click.ClickException("no reading could be used")
    common.write_page(rails_page(report), format_, output)
    return int(not report.verdict.released)


def _well_said(
    readings: tuple[str, ...], after: tuple[str, ...], warm: tuple[str, ...], off: Option
) -> None:
    """Raises click.UsageError for a reading or a place that is not written as it should be."""
    for reading in (*readings, *after):
        if "=" not in reading:
            raise click.UsageError(f"{reading!r} is no reading: write RAIL=OHMS, like VDD_MEM=112")
    for place in warm:
        if ":" not in place:
            raise click.UsageError(f"{place!r}: write RAIL:SITE, like VDD_MEM:U3")
    if after and not off:
        raise click.UsageError("--after needs --off: which packages were off the board?")
    names = [r.partition("=")[0].casefold() for r in readings]
    twice = [
        reading.partition("=")[0]
        for reading, name in zip(readings, names, strict=True)
        if names.count(name) > 1
    ]
    if twice:
        raise click.UsageError(f"{twice[0]} is read twice: give the later one as --after")


def _known_sites(board: Board, named: tuple[str, ...]) -> tuple[str, ...]:
    """The sites as the board spells them. Raises click.UsageError for one that is not on it."""
    refs = {site.ref.casefold(): site.ref for site in board.sites}
    for ref in named:
        if ref.casefold() not in refs:
            near = closest(ref, refs.values())
            hint = f"; the nearest is {near}" if near else ""
            raise click.UsageError(f"{ref} is no site of {board.name}{hint}")
    return tuple(refs[ref.casefold()] for ref in named)
