"""`memdiag compare`: say what changed from one run to the next."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from memdiag.cli import common, options, outlet
from memdiag.cli.options import Option
from memdiag.repair.soak import parse_confidence
from memdiag.reports.repair_page import RepairPage

if TYPE_CHECKING:
    from memdiag.diagnosis.settings import Settings
    from memdiag.model import Run


@click.command("compare")
@click.argument("inputs", nargs=-1, metavar="BEFORE [AFTER]...", type=click.Path())
@options.reading_options
@options.shop_option
@click.option(
    "--confidence",
    metavar="P",
    default="95%",
    show_default=True,
    callback=options.typed(parse_confidence),
)
@click.option("--any-order", is_flag=True, help="Take the runs as given, whatever their dates say.")
@options.page_options(RepairPage)
def command(
    *,
    inputs: tuple[str, ...],
    board: Option,
    grammar: Option,
    removed: Option,
    shop: Option,
    confidence: float,
    any_order: bool,
    format_: Option,
    output: Option,
) -> int:
    """Compare the run BEFORE a repair with the one AFTER it.

    Either may be -; both may come in one paste. More than two runs, in order, give the history
    of each finding, and the first run is compared with the last. --removed speaks of the last.

    Exit status 0: repaired; 1: any other outcome; 2: the input cannot be used.
    """
    from memdiag.boards import profiles
    from memdiag.model.comparison import Outcome
    from memdiag.reading.load import declared_removed
    from memdiag.repair import comparison
    from memdiag.reports.comparison_page import comparison_page

    if list(inputs).count("-") > 1:
        raise click.UsageError("standard input can be read once: paste both dumps, or name a file")
    settings = common.shop_settings(shop)
    runs = _runs(inputs, board, grammar, settings)
    with common.usage():
        last, _ = profiles.for_run(runs[-1], board)
    runs[-1] = declared_removed(runs[-1], common.split_sites(removed), last)
    shown = common.is_shown(format_, output)
    for run in () if shown else runs:
        common.tell(run.problems, name=run.head.id or run.source.name)
    with common.usage():
        profile = None if board is None else profiles.find(board, board)
        if len(runs) == 2:
            made = comparison.compare(
                runs[0], runs[1], profile, confidence=confidence, shop=settings, any_order=any_order
            )
        else:
            made = comparison.history(
                runs, profile, confidence=confidence, shop=settings, any_order=any_order
            )
    if not shown:
        common.tell(made.problems)
    common.write_page(comparison_page(made), format_, output)
    return int(made.outcome is not Outcome.REPAIRED)


def _runs(
    inputs: tuple[str, ...], board: Option, grammar: Option, shop: Settings | None
) -> list[Run]:
    runs = common.load_runs(inputs, board=board, grammar=grammar, shop=shop)
    if len(runs) == 1 and inputs in ((), ("-",)) and sys.stdin.isatty():
        # A terminal's paste ends at the first [end]: the second dump is pasted by itself.
        outlet.say("Now the dump after the repair.", err=True)
        runs += common.load_runs(("-",), board=board, grammar=grammar, shop=shop)
    if len(runs) < 2:
        raise click.UsageError(
            "only one run was found: give the dump BEFORE and the dump AFTER, as two files or in "
            "one paste"
        )
    return runs
