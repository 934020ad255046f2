"""`memdiag board new`: a profile to begin with, from dumps, a centroid file and a few answers."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from msgspec.structs import replace

from memdiag.cli import board_answers as answers
from memdiag.cli import common, options, outlet
from memdiag.cli.options import Option
from memdiag.model import Board, Run
from memdiag.model.problems import Problem, Severity, problem

if TYPE_CHECKING:
    from memdiag.boards.proposal import Answers, Lack, Proposal

_OPTIONS = {
    "name": "--name",
    "memory": "--memory",
    "sites": "--sites",
    "channels": "--channels",
    "lanes": "--lanes",
    "link": "--link REF=CHANNEL:LANES",
    "rails": "--rails",
    "size": "--size",
    "place": "--centroid FILE or --place REF=X,Y",
    "outline": "--outline",
    "controller": "--controller",
}


Wrap = Callable[[options.F], options.F]


def _said(name: str, read: Callable[[str], Any], metavar: str, help_: str) -> Wrap[Any]:
    """An option whose text is read as the same answer at the terminal is."""
    return click.option(name, metavar=metavar, callback=options.typed(read), help=help_)


def _each(name: str, read: Callable[[str], Any], metavar: str, help_: str) -> Wrap[Any]:
    """An option that may be given for several sites."""

    def every(context: Any, parameter: Any, texts: Sequence[str]) -> list[Any]:
        one = options.typed(read)
        return [one(context, parameter, text) for text in texts]

    return click.option(name, metavar=metavar, multiple=True, callback=every, help=help_)


@click.command("new")
@options.input_argument
@click.option("--centroid", metavar="FILE", type=click.Path(), help="Take places from here.")
@_said("--name", answers.name, "NAME", "The board's name, as its dumps give it.")
@click.option("--title", metavar="TEXT", help="What the board is.")
@_said("--memory", answers.memory, "KIND", "gddr6, ddr4, lpddr5, ...")
@_said("--sites", answers.names, "REFS", "The packages: U1-U12.")
@_said("--channels", answers.channels, "TEXT", "Channels without a dump: 'from 0, 2 each'.")
@_said("--lanes", answers.lanes, "TEXT", "Lanes of a channel at a package: 0-1.")
@_each("--link", answers.of_site(answers.link), "REF=CHANNEL:LANES", "The links of one site.")
@_each("--place", answers.of_site(answers.place), "REF=X,Y[,TURN[,SIDE]]", "Where one site is.")
@_each("--clamshell", answers.pairs, "REFS=REFS", "Back to back: U1-U4=U5-U8.")
@_said("--size", answers.size, "WxH", "The size of a package in mm.")
@_said("--outline", answers.size, "WxH", "The size of the board in mm.")
@_said(
    "--controller", answers.controller, "X,Y:WxH", "Or REF:WxH, its place from the centroid file."
)
@_said("--rails", answers.rails, "NAMES", "The rails that feed every package.")
@_said("--partitions", answers.blocks, "N", "Packages that share a block of the controller.")
@click.option("--grammar", metavar="NAME|FILE", help="Read this layout, do not guess.")
@options.removed_option
@click.option("--drawing", metavar="FILE", type=click.Path(), help="Draw the board here (SVG).")
@click.option("-o", "--output", metavar="FILE", type=click.Path(), help="Write the profile here.")
def command(
    inputs: tuple[str, ...],
    centroid: Option,
    grammar: Option,
    removed: Option,
    drawing: Option,
    output: Option,
    **said: Any,
) -> int:
    """Write a profile of a new board: sites, channels, ranks and lanes from the dumps INPUT, places
    from a centroid file, the rest as answered.

    At a terminal it asks for what neither knows; anywhere else, what is needed and not known ends
    it, and the rest is left out and told. With -o FILE.toml the board is drawn in FILE.svg too.

    Exit status: 0 a profile was made, 2 none was.
    """
    from memdiag.boards.proposal import Unfit

    runs = common.load_runs(inputs, grammar=grammar, removed=removed) if inputs else []
    work = _Work(runs, _answers(said), centroid, said["controller"])
    try:
        proposal = work.settled()
    except Unfit as wrong:
        raise click.ClickException(wrong.problem.sentence()) from None
    left_out = list(_left_out(proposal.lacks))
    lacking = [p for p in left_out if p.severity is Severity.ERROR]
    if lacking:
        common.tell([*work.problems, *lacking])
        raise click.ClickException("no profile was made")
    text, board = _text(proposal, inputs, output, work)
    common.tell([*work.problems, *proposal.guesses, *left_out], quiet_info=False)
    common.write(text, output)
    _draw(board, output, drawing)
    return 0


def _answers(said: Mapping[str, Any]) -> Answers:
    from memdiag.boards.proposal import Answers

    links: dict[str, Any] = {}
    for ref, own in said["link"]:
        links[ref] = (*links.get(ref, ()), *own)
    return Answers(
        said["name"],
        said["title"],
        said["memory"],
        said["sites"] or (),
        said["channels"],
        said["lanes"],
        links,
        {ref.casefold(): spot for ref, spot in said["place"]},
        {ref: other for each in said["clamshell"] for ref, other in each.items()},
        said["size"],
        said["outline"],
        None,
        said["rails"],
        said["partitions"],
    )


class _Work:
    """A proposal on its way: asked for until nothing is lacking that can be asked for."""

    def __init__(
        self,
        runs: Sequence[Run],
        said: Answers,
        centroid: str | None,
        controller: answers.Controller | None,
    ) -> None:
        self.runs, self.said, self.centroid = runs, said, centroid
        self.controller = controller
        self.problems: tuple[Problem, ...] = ()
        self.skipped: set[str] = set()

    def settled(self) -> Proposal:
        """Raises proposal.Unfit."""
        while True:
            proposal = self._proposal()
            ask = (lack for lack in proposal.lacks if lack.key not in self.skipped)
            lack = next(ask, None) if _is_answered_by_people() else None
            if lack is None:
                return proposal
            self._ask(lack)

    def _proposal(self) -> Proposal:
        """What is known so far, with the places that the centroid file gives of these sites."""
        from memdiag.boards.proposal import propose

        found = propose(self.runs, self.said)
        known = replace(self.said, controller=self._centre({}))
        if self.centroid is not None:
            spots = self._read([site.ref for site in found.board.sites if site.named])
            known = replace(
                known, spots={**spots, **self.said.spots}, controller=self._centre(spots)
            )
        return propose(self.runs, known)

    def _read(self, refs: list[str]) -> Mapping[str, Any]:
        from memdiag.boards import centroid

        part = self.controller[0] if self.controller is not None else None
        wanted = [*refs, part] if isinstance(part, str) else refs
        assert self.centroid is not None
        try:
            found = centroid.read(Path(self.centroid), wanted)
        except centroid.Unreadable as wrong:
            raise click.ClickException(f"cannot read {self.centroid}: {wrong}") from None
        self.problems = found.problems
        return found.spots

    def _centre(self, spots: Mapping[str, Any]) -> tuple[float, float, tuple[float, float]] | None:
        if self.controller is None:
            return None
        where, size = self.controller
        spot = spots.get(where.casefold()) if isinstance(where, str) else where
        if spot is None or spot.x is None or spot.y is None:
            return None
        return spot.x, spot.y, size

    def _ask(self, lack: Lack) -> None:
        """One answer. What need not be answered is not asked for again."""
        read = answers.READERS[lack.key]

        def taken(text: str) -> Any:
            if not text.strip() and not lack.needed:
                return None
            try:
                return read(text)
            except ValueError as wrong:
                raise click.UsageError(str(wrong)) from None

        enter = "" if lack.needed else " (Enter leaves it out)"
        value = click.prompt(
            f"{lack.what}{enter}",
            default=None if lack.needed else "",
            show_default=False,
            value_proc=taken,
            err=True,
        )
        if value is None:
            self.skipped.add(lack.key)
        elif lack.key == "controller":
            self.controller = value
            self.skipped.add(lack.key)
        else:
            self.said = _with(self.said, lack, value)


def _with(said: Answers, lack: Lack, value: Any) -> Answers:
    if lack.key == "link":
        return replace(said, links={**said.links, lack.site: value})
    if lack.key == "place":
        return replace(said, spots={**said.spots, lack.site.casefold(): value})
    field = {"sites": "refs"}.get(lack.key, lack.key)
    changes: dict[str, Any] = {field: value}
    return replace(said, **changes)


def _is_answered_by_people() -> bool:
    return all(s is not None and s.isatty() for s in (sys.stdin, sys.stderr))


def _left_out(lacks: Sequence[Lack]) -> Iterator[Problem]:
    """What is not known: each that is needed, and in one line what is not."""
    sites: dict[str, list[str]] = {}
    for lack in lacks:
        sites.setdefault(lack.key, []).append(lack.site)
    told: dict[str, str] = {}
    for lack in lacks:
        what, alike = lack.what.partition(", as in")[0], ", ".join(sites[lack.key])
        if len(sites[lack.key]) > 1:
            what = what.replace(f"of {lack.site}", f"of {alike}", 1)
            what = what.replace("the place ", "the places ")
        if lack.needed and lack.key not in told:
            yield problem("new-lacking", what=what, option=_OPTIONS[lack.key])
        told.setdefault(lack.key, what)
    optional = [lack.key for lack in lacks if not lack.needed]
    if optional:
        keys = dict.fromkeys(optional)
        options = ", ".join(_OPTIONS[key] for key in keys)
        yield problem("new-left-out", what="; ".join(told[key] for key in keys), option=options)


def _text(
    proposal: Proposal, inputs: Sequence[str], output: str | None, work: _Work
) -> tuple[str, Board]:
    """The profile's text and the board it is read as. Raises click.ClickException where it cannot
    be used."""
    from memdiag.boards import profiles
    from memdiag.boards.profile_text import to_toml

    remarks = {
        "board": "Places are in mm from the lower left corner of the board, seen from the top."
    }
    if inputs:
        remarks["sites"] = "Sites, channels, ranks and lanes as dumps of the board give them."
    if any(p.code == "new-partitions" for p in proposal.guesses):
        said = "Partitions are a guess from the numbering: check them."
        remarks["sites"] = "\n".join(filter(None, (remarks.get("sites"), said)))
    text = to_toml(proposal.board, remarks)
    board, found = profiles.examine(text, output or "profile")
    common.tell([p for p in found if p.severity is not Severity.INFO])
    if board is None:
        common.tell(work.problems)
        raise click.ClickException("no profile was made")
    return text, board


def _draw(board: Board, output: str | None, drawing: str | None) -> None:
    """The picture, where it was asked for, or beside the profile where there is none yet."""
    from memdiag.reports.drawing import board_svg, drawable

    if drawing is None and output not in (None, "-"):
        assert output is not None
        beside = Path(output).with_suffix(".svg")
        drawing = None if beside.exists() or not drawable(board) else str(beside)
    if drawing is None:
        return
    if not drawable(board):
        raise click.ClickException("no site has a place and a size: there is nothing to draw")
    common.write(board_svg(board), drawing)
    outlet.say(f"drawn in {drawing}", err=True)
