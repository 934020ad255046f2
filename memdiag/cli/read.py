"""`memdiag read`: print the per-channel error table of dumps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

import click

from memdiag.cli import common, options, outlet, progress
from memdiag.cli.options import Option
from memdiag.reports.page import TablePage

if TYPE_CHECKING:
    from memdiag.diagnosis.settings import Settings
    from memdiag.model import Run
    from memdiag.model.problems import Problem
    from memdiag.model.table import TableRow

Part = tuple[str, "tuple[TableRow, ...]", "tuple[Problem, ...]", str]
"""A run: its title, rows, problems and the name of its input."""

MANY = 24
"""From this many inputs on, they are read by several processes."""


@click.command("read")
@options.input_argument
@options.reading_options
@options.shop_option
@options.page_options(TablePage)
def command(
    inputs: tuple[str, ...],
    board: Option,
    grammar: Option,
    removed: Option,
    shop: Option,
    format_: Option,
    output: Option,
) -> int:
    """Print the error table of each dump of INPUT: one row a site, channel, rank and lane.

    A folder stands for all files in it. Exit status 0: read; 2: an input cannot be used.
    """
    from memdiag.reports.table_page import table_page

    common.page_format(TablePage, format_, output)  # before a thousand dumps are read
    names = common.dumps_in(inputs)
    parts, unusable = [], 0
    settings = common.shop_settings(shop)
    jobs = [Job(name, board, grammar, removed, settings) for name in names]
    for found, wrong in _read_all(jobs):
        if wrong:
            # One bad file of a folder costs that file alone.
            unusable += 1
            outlet.say(wrong, err=True)
        for part in found:
            common.tell(part[2], name=part[3], quiet_info=len(names) > 1)
            parts.append(part)
    if not parts:
        raise click.ClickException("nothing was read")
    common.write_page(table_page([part[:2] for part in parts]), format_, output)
    return 2 if unusable else 0


class Job(NamedTuple):
    """One input, and how it is to be read."""

    name: str
    board: Option
    grammar: Option
    removed: Option
    shop: Settings | None


def _read_all(jobs: Sequence[Job]) -> Iterator[tuple[list[Part], str]]:
    if len(jobs) < MANY or any(job.name == "-" for job in jobs):
        yield from map(_read_one, jobs)
        return
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(initializer=progress.in_worker) as pool:
        found = pool.map(_read_one, jobs, chunksize=8)
        yield from progress.each(found, "reading", len(jobs), "files")


def _title(run: Run) -> str:
    text = f"{run.head.id or run.source.name} ({run.head.board or 'no board named'})"
    return f"{text}: {run.source.understood}" if run.source.lost else text


def _read_one(job: Job) -> tuple[list[Part], str]:
    """The runs of one input, and what was wrong where it cannot be used."""
    from memdiag.boards import profiles
    from memdiag.evidence import table
    from memdiag.evidence.measurements import measure

    try:
        runs = common.load_runs(
            (job.name,), board=job.board, grammar=job.grammar, removed=job.removed, shop=job.shop
        )
        with common.usage():
            return [
                (
                    _title(run),
                    table.rows(measure(run, profiles.for_run(run, job.board)[0])),
                    run.problems,
                    run.source.name,
                )
                for run in runs
            ], ""
    except click.ClickException as wrong:
        return [], f"Error: {wrong.format_message()}"
