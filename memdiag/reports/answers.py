"""What a page says at arm's length: the answer, each finding, each change."""

from __future__ import annotations

from msgspec import Struct

from memdiag.model import Quote


class Answer(Struct, frozen=True):
    """Where something is wrong, what, and what to do, to be read at arm's length. `where` is ""
    for the whole board, `fine` the place inside the site, and `here` how sure it is that something
    is wrong there: "" where nothing is, or where the run says so itself (`declared`). `sure` is of
    the cause; where that is undecided, of `likely`, the best guess. `others` are the rival causes
    with theirs; `about` says which run this is, `known` the same without what is not known;
    `released`: the board may leave the bench."""

    where: str
    cause: str
    do: str
    here: str = ""
    sure: str = ""
    fine: str = ""
    likely: str = ""
    text: str = ""
    about: str = ""
    known: str = ""
    others: tuple[str, ...] = ()
    declared: bool = False
    work: bool = False
    hot: bool = False
    released: bool = False

    @property
    def place(self) -> str:
        return f"{self.where} {self.fine}".strip()

    @property
    def look(self) -> str:
        """How it looks: `work` for heat, `hold` for work without, `clear`, or `calm`."""
        if self.work:
            return look(hot=self.hot)
        return "clear" if self.released or self.cause == "clear" else "calm"


def look(*, hot: bool) -> str:
    """How something to be done looks: with heat, or without."""
    return "work" if hot else "hold"


class Outcome(Struct, frozen=True):
    """What a repair came to: the answer of a comparison. `needed` is what would prove it, `also`
    what else stands against it, `beside` what the runs differ in all the same; `hot`: the later
    run asks for heat."""

    word: str
    sign: str
    headline: str
    why: str
    do: str
    about: str
    needed: str
    good: bool
    also: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()
    hot: bool = False

    @property
    def look(self) -> str:
        """As an answer's."""
        return "clear" if self.good else look(hot=self.hot)


class Item(Struct, frozen=True):
    """A finding. `here`, `sure`, `likely` and `others` as in an answer; a site that is disturbed
    only has no `here`, for nothing is wrong there."""

    where: str
    here: str
    cause: str
    sure: str
    likely: str
    action: str
    do: str
    reason: str
    because_of: str
    others: tuple[str, ...]
    quotes: tuple[Quote, ...]
    next: tuple[str, ...]
    work: bool
    hot: bool
    expected: bool
    spilled: bool

    @property
    def look(self) -> str:
        """As an answer's."""
        return look(hot=self.hot) if self.work else "calm"


def what(said: Answer | Item, cause: str = "") -> str:
    """The causes at a place, each with how sure it is: `weak 62 %, or joint 35 %`; where none is
    named, `undecided (weak 52 %, joint 45 %)`. `cause`: how its word is to be written."""
    cause = cause or said.cause
    if said.likely:
        return f"{cause} ({', '.join((f'{said.likely} {said.sure}', *said.others))})"
    text = f"{cause} {said.sure}".rstrip()
    return f"{text}, or {', '.join(said.others)}" if said.others else text


class Together(Struct, frozen=True):
    """Sites that one fault disturbs, told of once: how sure at the least, and what is to be
    said of them all."""

    items: tuple[Item, ...]
    sure: str
    says: tuple[str, ...]


class Changed(Struct, frozen=True):
    """What became of one place. `finding`: it is told of by itself, not in the table alone."""

    where: str
    title: str
    sign: str
    kind: str
    before: str
    after: str
    ratio: str
    chance: str
    because: str
    more: str
    finding: bool

    @property
    def calm(self) -> bool:
        """Whether it is no worse than it was."""
        return self.kind in ("cleared", "better")

    @property
    def told(self) -> bool:
        """Whether it is told of at once, and not among many that fared as well."""
        return self.finding or not self.calm
