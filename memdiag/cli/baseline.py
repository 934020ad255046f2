"""`memdiag baseline`: learn from dumps of known good boards what healthy looks like."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from memdiag.cli import common, options, outlet
from memdiag.cli.options import Option

if TYPE_CHECKING:
    from memdiag.diagnosis.settings import Settings
    from memdiag.model import Baseline, Run


@click.command("baseline")
@click.argument("board", metavar="BOARD")
@click.argument("inputs", nargs=-1, required=True, metavar="INPUT...", type=click.Path())
@click.option("--grammar", metavar="NAME|FILE", help="Read this layout, do not guess.")
@options.shop_option
@click.option("-o", "--output", metavar="FILE", type=click.Path(), help="Write the profile here.")
def command(
    board: str, inputs: tuple[str, ...], grammar: Option, shop: Option, output: Option
) -> int:
    """Learn from dumps of known good boards what healthy is on a BOARD: a profile's file or name.

    Prints the [baseline] of the profile; with -o the whole profile with that baseline in it, its
    comments and order as they were. Dumps that are not clear, or of another board, memory or rate,
    are refused and said; the same dump or serial counts as one board.

    Exit status 0: learnt; 1: learnt, some inputs refused; 2: nothing was learnt.
    """
    from memdiag.boards import baseline_text, profiles
    from memdiag.repair import baseline
    from memdiag.reports.baseline_lines import lines

    settings = common.shop_settings(shop)
    with common.usage():
        profile = profiles.find(board, board)
    assert profile is not None
    runs, unread = _runs(inputs, board, grammar, settings)
    learnt = baseline.learn(runs, profile, settings)
    common.tell(learnt.problems, quiet_info=False)
    if learnt.baseline is None:
        raise click.ClickException("nothing was learnt")
    if output is None or output == "-":
        common.write(baseline_text.to_toml(learnt.baseline), output)
    else:
        made = _profile(Path(profile.origin), learnt.baseline)
        common.write(made, output, over=("board",))  # the profile itself may learn
        _tell_of_centroid(Path(profile.origin), Path(output))
        outlet.say("\n".join(lines(learnt.baseline)), err=True)
    return int(bool(learnt.refused or unread))


def _runs(
    inputs: tuple[str, ...], board: str, grammar: Option, shop: Settings | None
) -> tuple[list[Run], int]:
    """The dumps of all inputs, and how many inputs hold none: those cost themselves alone."""
    runs: list[Run] = []
    unread = 0
    for name in common.dumps_in(inputs):
        try:
            runs += common.load_runs((name,), board=board, grammar=grammar, shop=shop)
        except click.ClickException as wrong:
            unread += 1
            outlet.say(f"Error: {wrong.format_message()}", err=True)
    return runs, unread


def _tell_of_centroid(profile: Path, output: Path) -> None:
    """A profile that was written into another folder than its centroid file is said."""
    from memdiag.boards import profiles
    from memdiag.model.problems import problem

    for part in profiles.parts(profile)[1:]:
        name = part.relative_to(profile.parent) if part.is_relative_to(profile.parent) else part
        if not (output.parent / name).exists():
            folder = profile.parent
            common.tell([problem("baseline-centroid", file=output, name=name, folder=folder)])


def _profile(path: Path, learnt: Baseline) -> bytes:
    """The text of the profile with its new baseline, whatever marks its beginning."""
    from memdiag.boards import baseline_text
    from memdiag.model.problems import problem

    data = path.read_bytes()
    text = data.decode("utf-8-sig")
    try:
        made = baseline_text.replaced(text, learnt).encode("utf-8")
    except baseline_text.Unplaceable:
        wrong = problem("baseline-unplaceable", file=path)
        raise click.ClickException(wrong.sentence()) from None
    mark = data[: len(data) - len(text.encode("utf-8"))]
    return mark + made
