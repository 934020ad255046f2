"""Verdicts become a page: words and choices, no arithmetic."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from itertools import groupby

from memdiag.model import HEATS, WANTS_WORK, Action, Cause, Finding, Run, Source, Verdict
from memdiag.model.problems import Severity
from memdiag.model.quantities import CERTAIN, show_count, show_probability
from memdiag.model.words import ACTION_WORDS, AS_DECLARED, action_words
from memdiag.reports import documents, table_page
from memdiag.reports.packages import Mark
from memdiag.reports.page import Answer, Item, Page, Pairs, Part, Places, Together

MANY = 3
"""From this many on, sites disturbed by one fault are told of together."""

MOST_WARNINGS = 8
NOT_YET = "RETEST: do not release it yet"


def verdict_page(
    verdicts: Sequence[Verdict], below: Part | None = None, *, every_row: bool = False
) -> Page:
    """One page for the verdicts of a text's runs, in order, with another part below them where
    there is one. `every_row`: a terminal shows the clear rows of the table too.

    Raises ValueError where there is no verdict.
    """
    if not verdicts:
        raise ValueError("a page needs at least one verdict")
    first = verdicts[0]
    return Page(
        " - ".join([*names(first.run), first.summary.text]),
        lambda: [
            *(part(v, f"d{n}", every_row, below is not None) for n, v in enumerate(verdicts, 1)),
            *([] if below is None else [below]),
        ],
        partial(documents.verdicts_document, verdicts),
        lambda: table_page.sheet(row for v in verdicts for row in v.table),
        apart=True,
    )


def names(run: Run) -> list[str]:
    """What the run is called, for the title of a page."""
    return [name for name in (run.head.ticket, run.head.serial, run.head.board) if name]


def part(verdict: Verdict, name: str, every_row: bool, crowded: bool) -> Part:
    """Everything that is shown of one run."""
    run, source = verdict.run, verdict.run.source
    told = tuple(_together(verdict))
    steps = dict.fromkeys(s for t in told if isinstance(t, Item) for s in t.next)
    steps |= dict.fromkeys(_to_settle(verdict))
    warnings = [
        f"{p.severity}: {p.sentence()}" for p in verdict.problems if p.severity is not Severity.INFO
    ]
    more = len(warnings) - MOST_WARNINGS
    left = [f"and {more} more problems: memdiag read shows them all"] if more > 0 else []
    return Part(
        name=name,
        label=run.head.stage or "",
        crowded=crowded,
        answer=answer(verdict),
        head=head(run),
        run=run,
        places=Places(verdict.board, marks(verdict), verdict.table, verdict.eye_reference),
        findings=told,
        grid=table_page.grid(verdict.table, whole=every_row),
        next=tuple(steps),
        cautions=verdict.cautions,
        notes=(*verdict.notes, *warnings),
        notes_in_short=(*verdict.notes, *warnings[:MOST_WARNINGS], *left),
        remarks=verdict.notes,
        problems=verdict.problems,
        prints=(("", source.sha256, _size(source)),),
    )


def _to_settle(verdict: Verdict) -> Iterator[str]:
    """What would settle each thing that stands in the way of a release. The answer itself says the
    first of them, where no finding is more urgent."""
    for number, obstacle in enumerate(verdict.release.obstacles):
        told = number == 0 and not verdict.wants_action
        yield obstacle.settle if told else f"{obstacle.says}: {obstacle.settle}"


def _size(source: Source) -> str:
    """How long a dump is, and how much of it was understood where that is not all."""
    return f"{source.lines} lines, {source.understood or f'{source.rows} rows'}"


def answer(verdict: Verdict) -> Answer:
    """The answer: the most urgent finding, or that there is none."""
    s, run = verdict.summary, verdict.run.head
    top = verdict.findings[0] if verdict.findings else None
    idle = s.action is Action.NONE
    do = ACTION_WORDS[Action.NONE] if idle else NOT_YET
    sure, likely = show_probability(s.probability) if top is not None or idle else "", ""
    where, place = verdict.board.name or "", verdict.board.name or ""
    held = {p for o in verdict.release.obstacles for p in o.places}
    if top is None and s.site is not None:
        where, place = s.site, str(next(iter(held))) if len(held) == 1 else s.site
    if top is not None:
        do = action_words(s.action, top.place)
        if not idle:
            place = str(top.place)
            where = top.place.site or place
        if s.cause is Cause.UNDECIDED and top.alternatives:
            best, chance = top.alternatives[0]
            likely, sure = best.value, show_probability(chance)
        if top.expected:
            sure = AS_DECLARED
    known = [f"board {run.board or verdict.board.name or '?'}"]
    said = [
        f"{key} {value}"
        for key in ("serial", "ticket", "stage", "id")
        if (value := getattr(run, key))
    ]
    return Answer(
        where,
        s.cause.value,
        do,
        sure,
        fine=place.removeprefix(where).strip(),
        likely=likely,
        text=s.text,
        about=", ".join(known + said),
        known=", ".join(
            [f"board {run.board}"] * bool(run.board) + said + [f"at {run.at}"] * bool(run.at)
        ),
        declared=top is not None and top.expected,
        work=s.action in WANTS_WORK,
        hot=s.action in HEATS,
    )


def _together(verdict: Verdict) -> Iterator[Item | Together]:
    """The findings in their order, the sites that one fault disturbs together: eleven times the
    same sentence is not read. A handful of them stays apart."""

    def cause(f: Finding) -> tuple[object, ...]:
        return (f.because_of,) if f.cause is Cause.SPILLOVER else (id(f), "by itself")

    for _, same in groupby(verdict.findings, key=cause):
        group = tuple(same)
        items = tuple(map(_item, group))
        if len(group) < MANY:
            yield from items
            continue
        least = min(f.probability for f in group)
        sure = f"{'' if least > CERTAIN else 'at least '}{show_probability(least)}"
        yield Together(items, sure, _group_words(group, verdict))


def _group_words(group: Sequence[Finding], verdict: Verdict) -> tuple[str, ...]:
    """What is to be said of sites that one fault disturbs, once for them all."""
    source = group[0].because_of
    said = [
        f"They are healthy as far as can be seen; {source} disturbs them. Look at them again "
        f"in the first dump after {source} is mended."
    ]
    errors = dict.fromkeys((f.place.site for f in group), 0)
    for row in verdict.table:
        if row.site in errors:
            errors[row.site] += row.errors or 0
    some = [f"{site} {show_count(n)}" for site, n in errors.items() if n]
    if some:
        said.append(f"Bits wrong, too few to be decisive before that: {', '.join(some)}.")
    return tuple(said)


def _item(f: Finding) -> Item:
    return Item(
        where=str(f.place),
        cause=f.cause.value,
        sure=show_probability(f.probability),
        action=f.action.value,
        do=action_words(f.action, f.place),
        reason=f.reason,
        because_of=f.because_of or "",
        others=tuple((f"{c.value} {show_probability(p)}", p) for c, p in f.alternatives),
        quotes=f.evidence,
        next=f.next,
        work=f.action in WANTS_WORK,
        expected=f.expected,
        decided=f.cause is not Cause.UNDECIDED,
        spilled=f.cause is Cause.SPILLOVER,
    )


def marks(verdict: Verdict) -> dict[str, Mark]:
    """How each site is drawn: the most urgent finding that touches it; the summary's site is the
    one to work on, where there is work."""
    found: dict[str, Mark] = {}
    work = verdict.summary.site if verdict.summary.action in WANTS_WORK else None
    for finding in verdict.findings:
        # The whole board picks out no site.
        for ref in () if finding.place.is_board else finding.place.sites(verdict.board):
            found.setdefault(ref, Mark(finding.cause.value, ref == work))
    for place in (p for o in verdict.release.obstacles for p in o.places):
        if place.site is not None:
            found.setdefault(place.site, Mark(Cause.UNDECIDED.value, place.site == work))
    return found


_FIRST = (
    *("board", "serial", "ticket", "stage", "at", "memory", "rate", "ambient"),
    *("removed", "swapped", "replaced", "reflowed", "rig", "note", "id"),
)


def head(run: Run) -> Pairs:
    """The run's own words about itself, in the order a bench asks for them."""
    known = run.head.as_read()
    keys = [key for key in _FIRST if key in known] + [key for key in known if key not in _FIRST]
    return tuple((_clip(key, 40), _clip(str(known[key]), 160)) for key in keys)


def _clip(words: str, most: int) -> str:
    """Words of a dump cut to what a page has room for; the dump below has all of them."""
    return words if len(words) <= most else words[: most - 3] + "..."
