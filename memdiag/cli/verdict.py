"""`memdiag verdict`: say what is at fault and what to do next."""

from __future__ import annotations

import click

from memdiag.cli import common
from memdiag.cli.common import Option


@click.command("verdict")
@common.input_argument
@common.reading_options
@common.shop_option
@click.option("--every-row", is_flag=True, help="Print clear rows of the table too.")
@common.output_options("text", "json", "csv", "markdown", "html")
def command(
    inputs: tuple[str, ...],
    board: Option,
    grammar: Option,
    removed: Option,
    shop: Option,
    every_row: bool,
    format_: str,
    output: Option,
) -> int:
    """Judge each dump of INPUT: which site, what is wrong, how sure, what to do.

    Exit status 0: clear; 1: a finding wants action; 2: the input cannot be used.
    """
    from memdiag.diagnosis.judge import judge

    settings = common.shop_settings(shop)
    runs = common.load_runs(inputs, board=board, grammar=grammar, removed=removed)
    with common.usage():
        verdicts = [judge(run, board, settings) for run in runs]
    for run in runs:
        common.tell(run.problems, name=run.source.name)
    if format_ == "json":
        from memdiag.reports.documents import verdicts_json

        page = verdicts_json(verdicts)
    elif format_ == "csv":
        from memdiag.reports.spreadsheet import table_csv

        page = table_csv([row for v in verdicts for row in v.table])
    elif format_ == "markdown":
        from memdiag.reports.markdown import verdict_markdown

        page = "\n".join(map(verdict_markdown, verdicts))
    elif format_ == "html":
        from memdiag.reports.html import verdict_page

        page = verdict_page(verdicts)
    else:
        from memdiag.reports.text import verdict_text

        bar = "\n" + "=" * 60 + "\n\n"
        page = bar.join(verdict_text(v, every_row=every_row) for v in verdicts)
    common.write(page, output)
    return int(any(not _is_clear(v) for v in verdicts))


def _is_clear(verdict: object) -> bool:
    from memdiag.model.verdict import WANTS_WORK, Verdict

    assert isinstance(verdict, Verdict)
    return verdict.summary.action not in WANTS_WORK and not verdict.wants_action
