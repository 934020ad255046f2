"""`memdiag verdict`: say what is at fault and what to do next."""

from __future__ import annotations

import click

from memdiag.cli import common, options, progress
from memdiag.cli.options import Option
from memdiag.reports.repair_page import RepairPage


@click.command("verdict")
@options.input_argument
@options.reading_options
@options.shop_option
@click.option("--every-row", is_flag=True, help="Print clear rows of the table too.")
@options.page_options(RepairPage)
def command(
    inputs: tuple[str, ...],
    board: Option,
    grammar: Option,
    removed: Option,
    shop: Option,
    every_row: bool,
    format_: Option,
    output: Option,
) -> int:
    """Judge each dump of INPUT: which site, what is wrong, how sure, what to do.

    An input that cannot be used is told of, and does not stop the others.

    Exit status 0: clear; 1: a finding wants action; 2: an input cannot be used.
    """
    from memdiag.diagnosis.judge import judge
    from memdiag.reports.verdict_page import verdict_page

    settings = common.shop_settings(shop)
    failed: list[str] = []
    runs = common.load_runs(
        inputs,
        board=board,
        grammar=grammar,
        removed=removed,
        shop=settings,
        failed=failed if len(inputs) > 1 else None,
    )
    with common.usage():
        every = progress.each(runs, "judging", len(runs), "dumps")
        verdicts = [judge(run, board, settings) for run in every]
    for run in () if common.is_shown(format_, output) else runs:
        common.tell(run.problems, name=run.source.name)
    common.write_page(verdict_page(verdicts, every_row=every_row), format_, output)
    return 2 if failed else int(not all(v.released for v in verdicts))
