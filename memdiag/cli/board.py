"""`memdiag board list|check|draw|new`."""

from __future__ import annotations

import click

from memdiag.cli import board_new, outlet
from memdiag.cli.common import split_sites, write
from memdiag.cli.options import output_options
from memdiag.model import Board
from memdiag.model.problems import Problem, Severity


@click.group(name="board")
def command() -> None:
    """List, check, draw and begin board profiles."""


@command.command(name="list")
@output_options("text", "json")
def list_(format_: str | None, output: str | None) -> None:
    """List the boards that a dump may name, the nearest to you first.

    Searched are the folders in MEMDIAG_BOARDS, your own configuration folder, and the boards
    that come with memdiag.
    """
    from memdiag.boards import profiles
    from memdiag.reports.plain import json_text

    rows = []
    for name, path in profiles.shelf():
        board, problems = profiles.read_with_problems(path)
        errors = sum(p.severity is Severity.ERROR for p in problems)
        rows.append(
            {
                "board": name,
                "memory": board.memory if board else None,
                "sites": len(board.sites) if board else None,
                "channels": len(board.channels) if board else None,
                "title": board.title if board else None,
                "errors": errors,
                "file": str(path),
            }
        )
    if format_ == "json":
        write(json_text(rows), output)
        return
    from tabulate import tabulate

    keys = ("board", "memory", "sites", "channels")
    shown = [
        [*(r[key] or "-" for key in keys), "cannot be used" if r["errors"] else r["title"] or "-"]
        for r in rows
    ]
    write(tabulate(shown, [*keys, "title"], tablefmt="simple"), output)
    if any(r["errors"] for r in rows):
        outlet.say("memdiag: `memdiag board check` says what is wrong with a profile", err=True)


@command.command()
@click.argument("boards", nargs=-1, required=True, metavar="BOARD...")
@click.option("-o", "--output", metavar="FILE", type=click.Path(), help="Write here.")
def check(boards: tuple[str, ...], output: str | None) -> int:
    """Check board profiles: each BOARD is a file, or the name of a listed board.

    Exit status: 0 all is right, 1 usable with warnings, 2 cannot be used.
    """
    from memdiag.reports import baseline_lines

    worst = 0
    lines = []
    for name in boards:
        board, problems = _examined(name)
        worst = max([worst, *(_STATUS.get(p.severity, 0) for p in problems)])
        lines += [f"{p.severity}: {p.sentence()}" for p in problems]
        if board is not None:
            lines.append(f"{name}: {_told(board)}")
            if board.baseline is not None:
                lines += baseline_lines.lines(board.baseline)
    write("\n".join(lines), output)
    return worst


@command.command()
@click.argument("board", metavar="BOARD")
@click.option("--mark", metavar="SITES", help="Point out these sites: U7 or U7,U8.")
@click.option("-o", "--output", metavar="FILE", type=click.Path(), help="Write here.")
def draw(board: str, mark: str | None, output: str | None) -> None:
    """Draw a board from both sides, to scale, as SVG. BOARD is a file or a listed name."""
    from memdiag.reports.drawing import Mark, board_svg

    found, problems = _examined(board)
    for p in problems:
        if p.severity is not Severity.INFO:
            outlet.say(f"memdiag: {p.severity}: {p.sentence()}", err=True)
    if found is None:
        raise click.ClickException(f"{board} cannot be drawn before its profile is mended")
    marks = {}
    for ref in split_sites(mark):
        site = found.site(ref)
        if site is None:
            known = ", ".join(s.ref for s in found.sites)
            raise click.ClickException(f"board {found.name} has no site {ref}; it has {known}")
        if site.x is None or site.size is None:
            raise click.ClickException(f"the profile gives no place for {ref}: cannot mark it")
        marks[ref] = Mark(work=True)
    try:
        picture = board_svg(found, marks)
    except ValueError as wrong:
        raise click.ClickException(f"cannot draw {board}: {wrong}") from None
    unplaced = [s.ref for s in found.sites if s.x is None or s.size is None]
    if unplaced:
        outlet.say(f"memdiag: not drawn, no place given: {', '.join(unplaced)}", err=True)
    write(picture, output)


command.add_command(board_new.command)

_STATUS = {Severity.ERROR: 2, Severity.WARNING: 1}


def _examined(name: str) -> tuple[Board | None, tuple[Problem, ...]]:
    """The board of a file or a listed name, with its problems, the mild ones too."""
    from memdiag.boards import profiles

    path = profiles.locate(name)
    if path is not None:
        return profiles.read_with_problems(path)
    try:
        return profiles.find(name, explicit=name), ()
    except profiles.ProfileError as wrong:  # says which name is nearest
        return None, wrong.problems


def _told(board: Board) -> str:
    lanes = len({(k.channel, k.lane) for site in board.sites for k in site.links})
    return (
        f"board {board.name}, {board.memory or 'memory not said'}, {len(board.sites)} sites, "
        f"{len(board.channels)} channels, {lanes} lanes, {len(board.rails)} rails"
    )
