"""`memdiag rails`: judge ohm readings without a dump."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from memdiag.commands import common
from memdiag.commands.common import Option

if TYPE_CHECKING:
    from memdiag.railcheck import RailsReport


@click.command("rails")
@click.argument("readings", nargs=-1, required=True, metavar="RAIL=OHMS[:TREND]...")
@click.option("--board", metavar="NAME|FILE", help="The board profile to use.")
@click.option("--warm", multiple=True, metavar="RAIL:SITE", help="What warmed first when fed.")
@click.option("--off", metavar="SITES", help="Packages taken off for the --after readings.")
@click.option("--after", multiple=True, metavar="RAIL=OHMS[:TREND]", help="A reading with them off.")
@click.option("--volts", type=click.FloatRange(0, min_open=True), default=1.0, show_default=True,
              help="Voltage an injection would use.")  # fmt: skip
@common.shop_option
@common.output_options("text", "json")
def command(
    readings: tuple[str, ...], board: Option, warm: tuple[str, ...], off: Option,
    after: tuple[str, ...], volts: float, shop: Option, format_: str, output: Option,
) -> int:  # fmt: skip
    """Judge resistances to ground, board off and discharged: RAIL=OHMS, with :rising, :falling
    or :settled where the meter showed a trend; 0L is over range.

    Exit status 0: all good; 1: something wants action; 2: a reading cannot be used.
    """
    from memdiag import load, profiles, railcheck
    from memdiag.board import Board

    for reading in (*readings, *after):
        if "=" not in reading:
            raise click.UsageError(f"{reading!r} is no reading: write RAIL=OHMS, like VDD_MEM=200")
    for place in warm:
        if ":" not in place:
            raise click.UsageError(f"{place!r}: write RAIL:SITE, like VDD_MEM:U3")
    if after and not off:
        raise click.UsageError("--after needs --off: which packages were off the board?")
    settings = common.shop_settings(shop)
    with common.usage():
        found = profiles.find(board) if board is not None else None
        if board is not None and found is None:
            raise click.ClickException(f"no profile {board}: memdiag board list shows those known")
    try:
        report = railcheck.check(
            readings, found or Board(None, known=False), after=after,
            off=common.split_sites(off), warm=warm, volts=volts, shop=settings,
        )  # fmt: skip
    except load.Unreadable as wrong:
        common.tell(wrong.problems, quiet_info=False)
        raise click.ClickException("no reading could be used") from None
    common.tell(report.verdict.problems)
    if not report.readings:
        raise click.ClickException("no reading could be used")
    if format_ == "json":
        from memdiag.reports.documents import verdict_document

        common.write(_json(report, verdict_document(report.verdict)), output)
    else:
        from memdiag.reports.rails_text import rails_text

        common.write(rails_text(report), output)
    return int(report.verdict.wants_action)


def _json(report: RailsReport, verdict: dict[str, object]) -> str:
    import json

    return json.dumps(
        {
            **verdict,
            "readings": [
                {"rail": r.rail, "ohms": r.ohms if r.ohms != float("inf") else None,
                 "trend": r.trend, "without": list(r.without), "judged": r.word,
                 "chances": dict(r.chances)}
                for r in report.readings
            ],
            "accounted": [{"rail": rail, "ohms": ohms} for rail, ohms in report.accounted],
        },
        indent=2, ensure_ascii=False,
    )  # fmt: skip
