"""`memdiag read`: print the per-channel error table of a dump."""

from __future__ import annotations

import click

from memdiag.commands import common
from memdiag.commands.common import Option


@click.command("read")
@common.input_argument
@common.reading_options
@common.output_options("text", "json", "csv", "markdown", "parquet")
def command(
    inputs: tuple[str, ...], board: Option, grammar: Option, removed: Option,
    format_: str, output: Option,
) -> int:  # fmt: skip
    """Print the error table of each dump of INPUT: one row a site, channel, rank and lane.

    Exit status 0: read; 2: the input cannot be used.
    """
    from memdiag import profiles, table

    if format_ == "parquet" and output in (None, "-"):
        raise click.UsageError("parquet is no text: name a file with -o")
    runs = common.load_runs(inputs, board=board, grammar=grammar, removed=removed)
    rows = []
    for run in runs:
        common.tell(run.problems, name=run.source.name, quiet_info=False)
        with common.usage():
            rows.append(table.rows(run, profiles.for_run(run, board)[0]))
    flat = [row for part in rows for row in part]
    if format_ == "text":
        from memdiag.reports.text import table_text

        titles = [f"{run.head.id or run.source.name} ({run.head.board or 'no board named'})"
                  for run in runs]  # fmt: skip
        pages = [f"{title}\n{table_text(part) or 'no rows'}" for title, part in
                 zip(titles, rows, strict=True)]  # fmt: skip
        common.write("\n\n".join(pages), output)
    elif format_ == "csv":
        from memdiag.reports.spreadsheet import table_csv

        common.write(table_csv(flat), output)
    elif format_ == "markdown":
        from memdiag.reports.markdown import table_markdown

        common.write(table_markdown(flat), output)
    elif format_ == "json":
        import json

        common.write(json.dumps([{n: getattr(r, n) for n in table.COLUMNS} for r in flat],
                                indent=2, ensure_ascii=False), output)  # fmt: skip
    else:
        common.write_parquet(table.frame(flat), output or "")
    return 0
