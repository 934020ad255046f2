"""`memdiag grammar`: list, show, check and propose layout grammars."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from memdiag.cli import common, outlet
from memdiag.model.problems import Position, Problem, Severity, problem

if TYPE_CHECKING:
    from memdiag.layouts.registry import Layout
    from memdiag.reading.load import Examined


@click.group("grammar")
def command() -> None:
    """List, show, check and propose layout grammars.

    A layout is taught by one .lark file and no code: docs/layouts.md says how.
    """


@command.command("list")
def list_() -> int:
    """List the layouts that are known, and where they come from.

    Looked for in the folders named in MEMDIAG_GRAMMARS, in your own configuration folder, and
    among those that came with memdiag.
    """
    from memdiag.layouts import registry

    found = list(registry.entries())
    width = max((len(entry.name) for entry in found), default=0)
    for entry in found:
        outlet.say(f"{entry.name:<{width}}  {entry.about}")
        outlet.say(f"{'':<{width}}  {entry.path}")
    return 0


@command.command("show")
@click.argument("name")
def show(name: str) -> int:
    """Print the grammar of the layout NAME: a good start for one of your own."""
    from memdiag.layouts import registry
    from memdiag.model import spelling

    known = {entry.name: entry.path for entry in registry.entries()}
    path = known.get(name) or Path(name)
    try:
        outlet.say(path.read_text(encoding="utf-8-sig"), nl=False)
    except (OSError, UnicodeDecodeError):
        hint = spelling.nearest(name, known)
        raise click.ClickException(f"there is no layout {name!r} ({hint})") from None
    return 0


@command.command("check")
@click.argument("file", type=click.Path())
@click.argument("dump", required=False)
def check(file: str, dump: str | None) -> int:
    """Say what the grammar FILE declares, and what of it is outside the law.

    With DUMP (a file, or - for standard input): what each of its lines was recognised as.

    Exit status: 0 usable, and every line of DUMP understood; 1 lines that are not; 2 not usable.
    """
    from memdiag.layouts import registry
    from memdiag.reading import unsaid_results

    try:
        layout = registry.find(file)
    except OSError as wrong:
        reason = (wrong.strerror or str(wrong)).lower()
        raise click.ClickException(f"cannot read {file}: {reason}") from None
    except registry.LayoutError as wrong:
        for each in wrong.problems:
            message, _, quote = each.message.partition("\n")
            at = each.position
            where = f"line {at.line}, column {at.column}: " if at else ""
            outlet.say(f"{where}{message}" + (f"\n{quote}" if quote else ""), err=True)
            outlet.say(f"    {each.hint}", err=True)
        return 2
    for line in _declared(layout):
        outlet.say(line)
    lacking = list(unsaid_results.of_layout(layout))
    common.tell(lacking)
    if dump is None:
        return 0
    with common.usage():
        data = common.whole(dump)
    return _walk(data, file, lacking)


@command.command("new")
@click.argument("dump")
@click.option("-o", "--output", metavar="FILE", type=click.Path(), help="Write it here.")
def new(dump: str, output: str | None) -> int:
    """Propose a grammar that reads the strange DUMP (a file, or - for standard input).

    Lines that are alike become a rule; what their parts are is guessed from words beside them, from
    headings and from values, and each guess stands in a comment above its rule. Nothing is known of
    the dump but what it shows: correct the guesses before you believe what comes of them.

    Exit status: 0 a grammar was proposed, 2 none was.
    """
    from memdiag.model.vocabulary import shipped
    from memdiag.reading.bounds import Refused
    from memdiag.reading.proposal.propose import NoProposal, propose

    with common.usage():
        data = common.whole(dump)
    try:
        made = propose(data, "paste" if dump == "-" else dump, shipped())
    except (NoProposal, Refused) as none:
        raise click.ClickException(none.problem.sentence()) from None
    common.write(made.text, output, over=())
    counts = {n: getattr(made, n) for n in ("rows", "headings", "heads", "skipped", "remarks")}
    common.tell([problem("proposal-guessed", None, **counts)], quiet_info=False)
    return 0


def _declared(layout: Layout) -> Iterator[str]:
    from memdiag.layouts import line_rules

    yield f"{layout.name}: {layout.about or 'no // about: line'}"
    yield f"recognised by: {layout.recognise or 'nothing: use it with --grammar'}"
    for start in layout.starts:
        for kind in start.kinds:
            what = line_rules.RULES.get(kind)
            columns = " ".join(layout.carried.get(kind, ())) or "-"
            yield f"{kind:<13} {('table ' + what) if what else '':<15} {columns}".rstrip()


def _walk(data: bytes, grammar: str, lacking: Sequence[Problem]) -> int:
    """Line by line, what the dump was taken for; then the shares. The exit status."""
    from memdiag.reading import load, unsaid_results
    from memdiag.reading.account import LineClass

    try:
        found = load.examine(data, grammar=grammar)
    except load.Unreadable as none:
        common.tell(none.problems, quiet_info=False)
        return 1
    problems = [p for run in found.runs for p in run.problems]
    _show_lines(found, problems)
    outlet.say("")
    counts = found.account.count()
    total = sum(counts.values())
    for fate in LineClass:
        if fate in counts:
            share = 100 * counts[fate] / total
            meaning = _MEANING.get(fate, "")
            outlet.say(f"{_word(fate):<14} {counts[fate]:>6}  {share:5.1f} %  {meaning}".rstrip())
    common.tell([p for p in problems if p.position is None])
    if not lacking:
        common.tell(list(unsaid_results.of_runs(found.runs)))
    return 1 if counts.get(LineClass.PROBLEM) else 0


def _show_lines(found: Examined, problems: Sequence[Problem]) -> None:
    assert found.cleaned is not None
    at_line: dict[int, list[tuple[int, str]]] = {}
    for each in problems:
        if each.position is not None and each.severity is not Severity.INFO:
            said = each.message.removeprefix("this line is not understood: ")
            at_line.setdefault(each.position.line, []).append((each.position.column, said))
    for where, said in _outside(found):
        at_line.setdefault(where.line, []).insert(0, (where.column, said))
    outlet.say("")
    for number, fate in found.account.lines():
        text = found.cleaned.pasted[number - 1].replace("\t", " ")
        shown = "".join(c if c.isprintable() else "?" for c in text[:_SHOWN])
        outlet.say(f"{number:>5}  {_word(fate):<14} {shown}".rstrip())
        for column, said in at_line.pop(number, []):
            outlet.say(" " * (21 + min(column, _SHOWN)) + f"^ {said}")


def _outside(found: Examined) -> Iterator[tuple[Position, str]]:
    """Why no dump begins, or goes on, at the first of lines that belong to none."""
    from memdiag.layouts.matcher import Miss
    from memdiag.reading import misses
    from memdiag.reading.account import LineClass
    from memdiag.reading.planner import Planner, State

    assert found.cleaned is not None
    firsts = {e.first for e in found.account.extents if e.line_class is LineClass.OUTSIDE}
    rules = Planner(found.layout, large=False).rules(State())
    for line in found.cleaned.lines:
        if line.number in firsts:
            missed = found.layout.match(line.text.rstrip(), rules)
            if isinstance(missed, Miss):
                at, fields = misses.told(line.text, missed)
                told = f"no dump is open, and none begins here: found {fields['found']}, "
                yield line.position(at), told + f"expected {fields['expected']}"


_SHOWN = 100  # characters of a line

_MEANING = {
    "outside": "of no dump: before the first line of one, or after the last line",
    "kept": "of a section that memdiag does not know: used for nothing",
}
"""What becomes of lines that are neither read nor skipped."""


def _word(fate: str) -> str:
    """What a line was taken for."""
    return {"run": "run line", "kept": "kept as text", "problem": "NOT UNDERSTOOD"}.get(fate, fate)
