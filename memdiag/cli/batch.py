"""`memdiag batch`: judge very many dumps, on all cores or on a cluster, and go on where it was."""

from __future__ import annotations

import hashlib
import os
import signal
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import click
from msgspec.structs import replace

from memdiag.cli import common, options, outlet, progress
from memdiag.cli.options import Option

if TYPE_CHECKING:
    from memdiag.depot.course import Order
    from memdiag.depot.folder import Folder
    from memdiag.model.batch import BatchSummary


@click.command("batch")
@click.argument("inputs", nargs=-1, metavar="[INPUT]...", type=click.Path())
@click.option("-o", "--output", metavar="FOLDER", type=click.Path(), help="Write here.")
@click.option("--follow", is_flag=True, help="Go on with files that come, until stopped.")
@click.option(
    "--workers",
    type=click.IntRange(1, 1024),
    metavar="N",
    help="Processes on this machine; one a core if not said.",
)
@click.option("--cluster", metavar="ADDRESS", help="The scheduler of a Dask cluster to work on.")
@click.option(
    "--seconds-each",
    type=click.IntRange(1, 86_400),
    default=300,
    show_default=True,
    metavar="S",
    help="Time that a dump may take, and one second more for each MB.",
)
@click.option(
    "--memory-each",
    type=click.IntRange(512, 1 << 20),
    default=2048,
    show_default=True,
    metavar="MIB",
    help="Memory that a dump may take.",
)
@click.option(
    "--without-seconds", is_flag=True, help="Keep no times: two batches are alike to the byte."
)
@options.reading_options
@options.shop_option
def command(
    *,
    inputs: tuple[str, ...],
    output: Option,
    follow: bool,
    workers: int | None,
    cluster: Option,
    seconds_each: int,
    memory_each: int,
    without_seconds: bool,
    board: Option,
    grammar: Option,
    removed: Option,
    shop: Option,
) -> int:
    """Judge every dump of INPUT: files, folders, patterns, archives, Parquet files of texts.

    FOLDER gets Parquet files of verdicts, findings, problems and tables, a folder for each kind of
    board, and summary.html. A batch that was stopped goes on where it was when the same command is
    given again, or `memdiag batch -o FOLDER` alone. With --follow it goes on with new files; of a
    batch that was begun, `memdiag batch --follow FOLDER` is enough.

    Exit status 0: all may be released; 1: a finding wants action, or an input has no verdict; 2:
    the batch did not come to its end.
    """
    from memdiag.depot.errors import BatchError
    from memdiag.depot.judging import Limits

    if cluster is not None and workers is not None:
        raise click.UsageError("a cluster has workers of its own: leave --workers away")
    try:
        words, folder = _where(inputs, output, follow=follow)
        with common.usage():
            order = _order(words, folder, board, grammar, shop)
        how = replace(
            order.how,
            removed=common.split_sites(removed),
            limits=Limits(seconds_each, memory_each),
            timed=not without_seconds,
        )
        order = replace(order, how=how, workers=workers or _cores(), cluster=cluster)
        summary = _run(order, follow=follow)
    except BatchError as wrong:
        raise click.ClickException(wrong.problem.sentence()) from None
    return int(summary.released < summary.dumps or bool(summary.aside))


def _where(
    inputs: tuple[str, ...], output: Option, *, follow: bool
) -> tuple[tuple[str, ...], Path]:
    """The inputs and the folder; of a batch that was begun, the inputs it was begun with."""
    from memdiag.depot.course import words_of

    if output is None:
        begun = words_of(Path(inputs[0])) if follow and len(inputs) == 1 else None
        if begun is None:
            raise click.UsageError("name the folder to write to with -o")
        return begun, Path(inputs[0])
    words = inputs or words_of(Path(output))
    if not words:
        raise click.UsageError(f"name the dumps: {output} holds no batch to go on with")
    return words, Path(output)


def _order(
    words: tuple[str, ...], folder: Path, board: Option, grammar: Option, shop: Option
) -> Order:
    """What is to be judged and how, with a hash of each file that it depends on.

    Raises as `common.usage` expects where one of them cannot be used.
    """
    from memdiag.boards import profiles
    from memdiag.depot import surroundings
    from memdiag.depot.course import Order
    from memdiag.depot.judging import How
    from memdiag.layouts import registry

    settings = common.shop_settings(shop)
    profile = None if board is None else profiles.find(board, board)
    layout = None if grammar is None else registry.find(grammar)
    named = None if layout is None else str(Path(layout.origin).absolute())
    how = How(profile, named, shop=settings, around=surroundings.digest(named))
    files = {
        "board": None if profile is None else Path(profile.origin),
        "grammar": None if layout is None else Path(layout.origin),
        "shop": None if shop is None else Path(shop),
    }
    hashes = {
        name: None if path is None else hashlib.sha256(surroundings.content(path)).hexdigest()
        for name, path in files.items()
    }
    return Order(words, folder, how, hashes)


def _run(order: Order, *, follow: bool) -> BatchSummary:
    """Carry it out, and print what it came to."""
    from memdiag.depot.course import Course
    from memdiag.reports import formats
    from memdiag.reports.batch_page import batch_page

    _stop_as_by_hand()
    with progress.step("judging", None, "dumps") as step:
        course = Course(order, lambda _: step.add(), _publish)
        try:
            summary = course.run(follow=follow)
        except KeyboardInterrupt:
            raise click.ClickException(
                f"stopped: {course.done:,} inputs are done and kept in {order.folder}; the same "
                "command goes on from there"
            ) from None
    outlet.say(formats.render(batch_page(summary), "text"), nl=False)
    return summary


def _publish(folder: Folder, summary: BatchSummary) -> None:
    """The summary, as a page and as a document, beside the data sets."""
    from memdiag.reports import formats
    from memdiag.reports.batch_page import batch_page

    page = batch_page(summary)
    folder.write("summary.json", (formats.render(page, "json") + "\n").encode())
    folder.write("summary.html", formats.render(page, "html").encode("utf-8", "replace"))


def _cores() -> int:
    """The cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _stop_as_by_hand() -> None:
    """A polite request to end is taken as Ctrl-C."""
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, signal.default_int_handler)
