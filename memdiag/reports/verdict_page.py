"""Verdicts become a page: words and choices, no arithmetic."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import partial
from itertools import groupby

from msgspec.structs import replace

from memdiag.model import HEATS, WANTS_WORK, Action, Cause, Finding, Run, Source, Verdict
from memdiag.model.problems import Problem, Severity
from memdiag.model.quantities import CERTAIN, show_count, show_probability
from memdiag.model.words import ACTION_WORDS, AS_DECLARED, action_words, suspects
from memdiag.model.words import where as words_of
from memdiag.reports import documents, table_page
from memdiag.reports.answers import Answer, Item, Together
from memdiag.reports.heat_marks import marks
from memdiag.reports.heat_plan import plan
from memdiag.reports.page import Listed, Pairs, Part, Places
from memdiag.reports.repair_page import Letter, RepairPage

MANY = 3
"""From this many on, sites disturbed by one fault are told of together."""

LEAST = 0.02
"""A rival cause that is less likely is not worth a word."""

MOST_WARNINGS = 8
MOST_LOST = 5
NOT_YET = "RETEST: do not release it yet"


def verdict_page(
    verdicts: Sequence[Verdict], below: Part | None = None, *, every_row: bool = False
) -> RepairPage:
    """One page for the verdicts of a text's runs, in order, with another part below them where
    there is one. `every_row`: a terminal shows the clear rows of the table too.

    Raises ValueError where there is no verdict.
    """
    if not verdicts:
        raise ValueError("a page needs at least one verdict")
    first = verdicts[0]
    return RepairPage(
        " - ".join([*names(first.run), first.summary.text]),
        lambda: [
            *(part(v, f"d{n}", every_row, below is not None) for n, v in enumerate(verdicts, 1)),
            *([] if below is None else [below]),
        ],
        partial(documents.verdicts_document, verdicts),
        partial(table_page.verdict_sheet, verdicts),
        apart=True,
        letter=partial(_letter, verdicts[-1]),
    )


def _letter(verdict: Verdict) -> Letter:
    from memdiag.reports import letter  # few are written, and it knows cases and comparisons

    return letter.of_verdict(verdict)


def names(run: Run) -> list[str]:
    """What the run is called, for the title of a page."""
    return [name for name in (run.head.ticket, run.head.serial, run.head.board) if name]


def part(verdict: Verdict, name: str, every_row: bool, crowded: bool) -> Part:
    """Everything that is shown of one run."""
    run, source = verdict.run, verdict.run.source
    findings = tuple(told(verdict))
    steps = dict.fromkeys(s for t in findings if isinstance(t, Item) for s in t.next)
    steps |= dict.fromkeys(_to_settle(verdict))
    warnings, in_short = warned(verdict.problems)
    return Part(
        name=name,
        label=run.head.stage or "",
        crowded=crowded,
        answer=answer(verdict),
        head=head(run),
        run=run,
        places=Places(verdict.board, marks(verdict), verdict.table, verdict.eye_reference),
        lost=_lost(run),
        lists=plan(verdict),
        findings=findings,
        grid=table_page.grid(verdict.table, whole=every_row),
        next=tuple(steps),
        cautions=verdict.cautions,
        notes=(*verdict.notes, *warnings),
        notes_in_short=(*verdict.notes, *in_short),
        remarks=verdict.notes,
        problems=verdict.problems,
        prints=(("", source.sha256, _size(source)),),
    )


def _lost(run: Run) -> tuple[Listed, ...]:
    """What was not understood and may have held a result: said before what is made of the rest."""
    said = [
        f"line {lost.position.line}{f', {lost.place}' if lost.place else ''}: {lost.says}"
        for lost in run.lost[:MOST_LOST]
    ]
    if len(run.lost) > MOST_LOST:
        said.append(f"and {len(run.lost) - MOST_LOST} more: memdiag read shows them")
    return (Listed("Not understood", tuple(said)),) if said else ()


def warned(problems: Iterable[Problem]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Warnings and errors as they are said: all of them, and the first with how many are left."""
    said = tuple(f"{p.severity}: {p.sentence()}" for p in problems if p.severity != Severity.INFO)
    more = len(said) - MOST_WARNINGS
    left = (f"and {more} more problems: memdiag read shows them all",) if more > 0 else ()
    return said, (*said[:MOST_WARNINGS], *left)


def _to_settle(verdict: Verdict) -> Iterator[str]:
    """What would settle each thing that stands in the way of a release. The answer itself says the
    first of them, where no finding is more urgent."""
    for number, obstacle in enumerate(verdict.release.obstacles):
        first = number == 0 and not verdict.wants_action
        yield obstacle.settle if first else f"{obstacle.says}: {obstacle.settle}"


def _size(source: Source) -> str:
    """How long a dump is, and how much of it was understood where that is not all."""
    return f"{source.lines} lines, {source.understood or f'{source.rows} rows'}"


def answer(verdict: Verdict) -> Answer:
    """The answer: the most urgent finding, or that there is none."""
    s, run = verdict.summary, verdict.run.head
    top = next((f for f in verdict.findings if f.action in WANTS_WORK), None)
    known = [f"board {run.board or verdict.board.name or '?'}"]
    said = [
        f"{key} {value}"
        for key in ("serial", "ticket", "stage", "id")
        if (value := getattr(run, key))
    ]
    return replace(
        _quiet(verdict) if top is None else of_finding(top),
        text=s.text,
        about=", ".join(known + said),
        known=", ".join(
            [f"board {run.board}"] * bool(run.board) + said + [f"at {run.at}"] * bool(run.at)
        ),
        work=s.action in WANTS_WORK,
        hot=s.action in HEATS,
    )


def of_finding(f: Finding) -> Answer:
    """A finding as the answer: where, what, what now."""
    place = words_of(f.place, f.one_of)
    at = suspects(f.one_of) or f.place.site or place
    likely, sure, others = causes(f)
    return Answer(
        at,
        f.cause.value,
        action_words(f.action, f.place, f.one_of),
        here(f),
        AS_DECLARED if f.expected else sure,
        fine=place.removeprefix(at).strip(),
        likely=likely,
        others=() if f.expected else others,
        declared=f.expected,
        work=f.action in WANTS_WORK,
        hot=f.action in HEATS,
    )


def _quiet(verdict: Verdict) -> Answer:
    """The answer where nothing is to be done, or where no finding says why it is."""
    s, name = verdict.summary, verdict.board.name or ""
    if s.action is Action.NONE:
        return Answer(
            name, s.cause.value, ACTION_WORDS[s.action], sure=show_probability(s.probability)
        )
    held = {p for o in verdict.release.obstacles for p in o.places}
    at = s.site or name
    place = str(next(iter(held))) if s.site is not None and len(held) == 1 else at
    return Answer(at, s.cause.value, NOT_YET, fine=place.removeprefix(at).strip())


def here(f: Finding) -> str:
    """How sure it is that something is wrong at a finding's place, whatever it is; "" where the
    run says so itself, and where nothing is, for the fault lies elsewhere."""
    told = f.expected or f.cause is Cause.SPILLOVER
    return "" if told else show_probability(f.place_probability)


def causes(f: Finding) -> tuple[str, str, tuple[str, ...]]:
    """The best guess where no cause is named (else ""), how sure that or the cause is, and the
    rivals with theirs."""
    likely, sure, rivals = "", f.probability, f.alternatives
    if f.cause is Cause.UNDECIDED and rivals:
        (best, sure), rivals = rivals[0], rivals[1:]
        likely = best.value
    others = tuple(f"{c.value} {show_probability(p)}" for c, p in rivals if p >= LEAST)
    return likely, show_probability(sure), others


def told(verdict: Verdict) -> Iterator[Item | Together]:
    """The findings in their order, the sites that one fault disturbs together: eleven times the
    same sentence is not read. A handful of them stays apart."""

    def cause(f: Finding) -> tuple[object, ...]:
        return (f.because_of,) if f.cause is Cause.SPILLOVER else (id(f), "by itself")

    for _, same in groupby(verdict.findings, key=cause):
        group = tuple(same)
        items = tuple(map(item, group))
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


def item(f: Finding) -> Item:
    likely, sure, others = causes(f)
    return Item(
        where=words_of(f.place, f.one_of),
        here=here(f),
        cause=f.cause.value,
        sure=sure,
        likely=likely,
        action=f.action.value,
        do=action_words(f.action, f.place, f.one_of),
        reason=f.reason,
        because_of=f.because_of or "",
        others=others,
        quotes=f.evidence,
        next=f.next,
        work=f.action in WANTS_WORK,
        hot=f.action in HEATS,
        expected=f.expected,
        spilled=f.cause is Cause.SPILLOVER,
    )


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
