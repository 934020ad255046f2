"""A profile to begin with: what the first dumps of a board say of it, what its centroid file says,
what was answered, and what is still to be asked.

Dumps give sites, channels, ranks and lanes; a centroid file gives places. Nothing that neither of
them says is made up, but for what the numbering of a board usually means, and that is told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.boards import written
from memdiag.boards.centroid import Spot
from memdiag.boards.inferred import inferred
from memdiag.boards.numbering import LANES, back_to_back, completed, of_one, partitioned
from memdiag.model import Board, Link, Rail, Run, Site
from memdiag.model.problems import Problem, problem


class Answers(Struct, frozen=True):
    """What is known beside dumps; None or empty where it was not said. `channels` and `lanes` as a
    row of a profile has them; `links` in place of those that a dump tells of a site; `spots` by
    designators folded in case; `blocks`: packages that share a partition, 0 for no partitions."""

    name: str | None = None
    title: str | None = None
    memory: str | None = None
    refs: tuple[str, ...] = ()
    channels: str | None = None
    lanes: str | None = None
    links: Mapping[str, tuple[Link, ...]] = field(default_factory=dict)
    spots: Mapping[str, Spot] = field(default_factory=dict)
    pairs: Mapping[str, str] = field(default_factory=dict)
    size: tuple[float, float] | None = None
    outline: tuple[float, float] | None = None
    controller: tuple[float, float, tuple[float, float]] | None = None
    rails: tuple[str, ...] | None = None
    blocks: int | None = None


class Lack(Struct, frozen=True):
    """Something to ask for: `key` tells it from others, `site` is the one it is asked of. Where it
    is `needed` there is no profile without it."""

    key: str
    what: str
    needed: bool = True
    site: str = ""


class Proposal(Struct, frozen=True):
    """The board so far, what is not known of it, and what was guessed."""

    board: Board
    lacks: tuple[Lack, ...]
    guesses: tuple[Problem, ...]


class Unfit(ValueError):
    """Dumps or answers that do not fit together."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.message)
        self.problem = problem


def propose(runs: Sequence[Run], said: Answers) -> Proposal:
    """The profile that dumps and answers come to. Raises Unfit."""
    told = inferred(*runs) if runs else Board(None)
    _one_board(runs)
    name, memory = said.name or told.name, said.memory or told.memory
    sites = _sites(told, said, memory)
    guesses: list[Problem] = []
    if sites and not _unnamed(sites):
        sites, more = completed(sites, memory, _numbers(said.lanes))
        guesses += more
    sites = [_placed(site, said) for site in sites]
    sites = back_to_back(sites, said.pairs)
    lacks = tuple(_lacks(name, memory, sites, runs, said))
    if not any(lack.needed for lack in lacks):
        sites, more = partitioned(sites, memory, said.blocks)
        guesses += more
        sites.sort(key=lambda site: site.side, reverse=True)  # one side after the other
    rails = tuple(map(Rail, said.rails or ()))
    board = Board(
        name, memory, said.title, tuple(sites), rails, said.controller, outline=said.outline
    )
    return Proposal(board, lacks, tuple(guesses))


def rails_of(runs: Sequence[Run]) -> tuple[str, ...]:
    """The rails that dumps tell readings of."""
    return tuple(dict.fromkeys(row.rail for run in runs for row in run.rails if row.rail))


def _numbers(text: str | None) -> tuple[int, ...]:
    """The lanes of a text that names them one by one, none of one that counts on."""
    found = written.as_numbers(text)
    return tuple(found) if isinstance(found, list) else ()


def _one_board(runs: Sequence[Run]) -> None:
    names = dict.fromkeys(run.head.board for run in runs if run.head.board)
    if len({name.casefold() for name in names}) > 1:
        raise Unfit(problem("new-boards", names=", ".join(names)))


def _unnamed(sites: Sequence[Site]) -> list[Site]:
    return [site for site in sites if not site.named]


def _sites(told: Board, said: Answers, memory: str | None) -> list[Site]:
    """The sites of dumps and answers. Where the rows of a dump name channels or lanes and no site,
    those that were answered take their shares of them, in order."""
    sites = [site for site in told.sites if site.named]
    bare = _unnamed(told.sites)
    known = {site.ref.casefold() for site in sites}
    refs = [ref for ref in said.refs if ref.casefold() not in known]
    if bare and refs:
        try:
            owners = written.shared(refs, len(bare))
        except written.Unclear:
            what = "channels" if bare[0].links[0].lane is None else "lanes or channels"
            raise Unfit(problem("new-shares", have=len(bare), what=what, sites=len(refs))) from None
        links: dict[str, list[Link]] = {}
        for ref, one in zip(owners, bare, strict=True):
            links.setdefault(ref, []).extend(one.links)
        sites += [Site(ref, tuple(own)) for ref, own in links.items()]
    elif bare:
        sites += bare
    else:
        sites += _by_hand(refs, said, memory)
    sites = [replace(site, links=said.links.get(site.ref, site.links)) for site in sites]
    there = {site.ref for site in sites}
    return sites + [Site(ref, own) for ref, own in said.links.items() if ref not in there]


def _by_hand(refs: Sequence[str], said: Answers, memory: str | None) -> list[Site]:
    """Sites that no dump speaks of, with the links that were answered. Raises Unfit."""
    lanes = said.lanes or (f"0-{LANES[memory] - 1}" if memory in LANES else None)
    if not refs or said.channels is None or lanes is None:
        return [Site(ref) for ref in refs]
    from memdiag.boards.profile_form import ProfileForm, RowForm, RowLinkForm
    from memdiag.boards.profile_sites import sites
    from memdiag.boards.whereabouts import Whereabouts

    links = [RowLinkForm(said.channels, written.as_numbers(lanes))]
    form = ProfileForm("", sites=[RowForm(list(refs), links)])
    made, wrong = sites(form, Whereabouts("as answered", {}))
    if wrong:
        raise Unfit(wrong[0])
    return list(made)


def _placed(site: Site, said: Answers) -> Site:
    spot = said.spots.get(site.ref.casefold(), Spot())
    return replace(
        site,
        x=spot.x,
        y=spot.y,
        rotation=spot.rotation or 0.0,
        side=spot.side or site.side,
        size=said.size,
        rails=said.rails or (),
    )


def _lacks(
    name: str | None, memory: str | None, sites: Sequence[Site], runs: Sequence[Run], said: Answers
) -> Iterator[Lack]:
    """What is still to be asked for, the needed first."""
    if not name:
        yield Lack("name", "the board's name, as its dumps give it")
    if not memory:
        yield Lack("memory", "the memory", needed=False)
    if not sites:
        yield Lack("sites", "the designators of the packages, as in U1-U12")
    elif unnamed := _unnamed(sites):
        whose = ", ".join(site.ref for site in unnamed[:3]) + (", ..." if len(unnamed) > 3 else "")
        yield Lack("sites", f"the designators of the packages at {whose}")
    else:
        yield from _links_lacking(sites, memory, said)
    yield from _optional(sites, runs, said)


def _links_lacking(sites: Sequence[Site], memory: str | None, said: Answers) -> Iterator[Lack]:
    bare = [site for site in sites if not site.links or any(k.lane is None for k in site.links)]
    if not bare:
        return
    if not any(site.links for site in sites):
        if said.channels is None:
            yield Lack("channels", "the channels of the packages, as in from 0, 2 each")
        if said.lanes is None and memory not in LANES:
            yield Lack("lanes", "the lanes of a channel at each package, as in 0-1")
        return
    alone = of_one(sites)
    alike = [site for site in bare if site.links and alone.issuperset(site.channels)]
    if alike and said.lanes is None:
        yield Lack("lanes", "the lanes of a channel at each package, as in 0-1")
    for site in bare:
        if said.lanes is not None or site not in alike:
            yield Lack("link", f"the links of {site.ref}, as in 0:0-1", site=site.ref)


def _optional(sites: Sequence[Site], runs: Sequence[Run], said: Answers) -> Iterator[Lack]:
    if said.rails is None:
        rails = ", ".join(rails_of(runs))
        seen = f" (the dump measures {rails})" if rails else ""
        yield Lack("rails", f"the rails that feed every package{seen}", needed=False)
    if said.size is None:
        yield Lack("size", "the size of a package in mm, as in 12x14", needed=False)
    for site in sites:
        if site.named and site.x is None:
            yield Lack("place", f"the place of {site.ref}, as in 23,62", False, site.ref)
    if said.outline is None:
        yield Lack("outline", "the size of the board in mm, as in 110x90", needed=False)
    if said.controller is None:
        yield Lack("controller", "the controller, as in 55,45:35x35", needed=False)
