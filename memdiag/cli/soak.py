"""`memdiag soak`: how long to run to prove a rate, and what a finished run proves."""

from __future__ import annotations

from functools import partial

import click

from memdiag.cli import common, options
from memdiag.cli.options import Option
from memdiag.model import LANE_LINES
from memdiag.repair import soak
from memdiag.reports.page import Page


@click.command("soak")
@click.option(
    "--below",
    "rate",
    metavar="RATE",
    callback=options.typed(soak.parse_rate),
    help="Show an error rate below this, such as 1e-12.",
)
@click.option(
    "--ran",
    "bits",
    metavar="BITS",
    callback=options.typed(soak.parse_bits),
    help="The reverse: what this many compared bits show: 2e12, 2Tbit.",
)
@click.option(
    "--took",
    metavar="TIME",
    callback=options.typed(soak.parse_time),
    help="The reverse by time, such as 40min; needs --line-rate.",
)
@click.option(
    "--errors", type=click.IntRange(0, 10**9), default=0, show_default=True, help="Errors seen."
)
@click.option(
    "--confidence",
    metavar="P",
    default="95%",
    show_default=True,
    callback=options.typed(soak.parse_confidence),
)
@click.option(
    "--sided",
    type=click.Choice(["1", "2"]),
    default="1",
    show_default=True,
    help="One limit alone, or a lower and an upper one together.",
)
@click.option(
    "--line-rate",
    metavar="RATE",
    callback=options.typed(soak.parse_line_rate),
    help="Bits a second on one data line, such as 14.0Gbit/s.",
)
@click.option(
    "--share",
    metavar="SHARE",
    default="100%",
    show_default=True,
    callback=options.typed(soak.parse_share),
    help="Part of the time in which bits are compared.",
)
@click.option(
    "--scope",
    type=click.Choice(["lane", "site", "board"]),
    default="lane",
    show_default=True,
    help="What is tested at the same time.",
)
@click.option("--board", metavar="NAME|FILE", help="Its profile tells the data lines of a site.")
@click.option("--site", metavar="REF", help="Which site; the largest one if not said.")
@click.option("--lines", type=click.IntRange(1, 10**6), help="Data lines, if no profile tells.")
@options.page_options(Page)
def command(
    *,
    rate: float | None,
    bits: int | None,
    took: float | None,
    errors: int,
    confidence: float,
    sided: str,
    line_rate: float | None,
    share: float,
    scope: str,
    board: str | None,
    site: str | None,
    lines: int | None,
    format_: Option,
    output: Option,
) -> int:
    """Say how long to run to prove an error rate, or what a finished run proves.

    memdiag soak --below 1e-12 --line-rate 14.0Gbit/s: bits and time.
    memdiag soak --ran 2e12 --errors 1: the rate that run lies below.
    """
    if rate is None and bits is None and took is None:
        raise click.UsageError(
            "say what to show (--below 1e-12) or what was run (--ran 2e12 or --took 40min)"
        )
    if bits is not None and took is not None:
        raise click.UsageError("say --ran or --took, not both: which one is it?")
    if took is not None and line_rate is None:
        raise click.UsageError("--took needs --line-rate: how fast did each line run?")
    scope = "site" if site is not None and scope == "lane" else scope
    count = _lines(scope, board, site, lines)
    name = site or {"lane": "a lane", "site": "a site", "board": "the whole board"}[scope]
    try:
        made = None
        if rate is not None:
            plan = partial(soak.plan, rate, confidence, errors=errors, sided=int(sided))
            made = plan(scope=name, lines=count, line_rate=line_rate, share=share)
        if took is not None and line_rate is not None:
            bits = round(took * count * line_rate * share)
        proven = (
            None if bits is None else soak.proof(bits, errors, confidence, scope=name, lines=count)
        )
    except ValueError as wrong:
        raise click.UsageError(str(wrong)) from None
    from memdiag.reports.soak_page import soak_page

    common.write_page(soak_page(made, proven), format_, output)
    return 0


def _lines(scope: str, board: str | None, site: str | None, lines: int | None) -> int:
    """The data lines tested at once. Raises click.UsageError where nothing tells."""
    if lines is not None:
        return lines
    if scope == "lane":
        return LANE_LINES
    if board is None:
        raise click.UsageError(
            f"how many data lines has the {scope}? Give --board quince-12 or --lines 32"
        )
    from memdiag.boards import profiles

    with common.usage():
        found = profiles.find(board, board)
    assert found is not None
    try:
        if scope == "board":
            return soak.lines_in(found)
        if site is not None:
            return soak.lines_in(found, site)
        return max(soak.lines_in(found, s.ref) for s in found.sites if s.links)
    except ValueError as wrong:
        raise click.UsageError(str(wrong)) from None
