"""Which dumps a baseline may be learnt from: clear ones of one kind of board at one setting."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.diagnosis.judge import judge_measured
from memdiag.diagnosis.settings import Settings
from memdiag.evidence.measurements import Measurements, measure
from memdiag.model import Board, Run, Verdict
from memdiag.model.problems import Problem, problem
from memdiag.model.quantities import parse, scale
from memdiag.repair.other_settings import HARMLESS, SAME_SETTING, plain


class Chosen(Struct):
    """`boards` holds the dumps that may be learnt from, each board's together; `refused` says how
    many may not. `split`: none may, for no setting is that of most."""

    boards: list[list[Measurements]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    refused: int = 0
    split: bool = False

    def refuse(self, code: str, run: Run, **fields: object) -> None:
        self.refused += 1
        self.problems.append(problem(code, None, which=named(run), **fields))


def choose(runs: Iterable[Run], board: Board, settings: Settings) -> Chosen:
    """Judged against the profile without its baseline: what was learnt once vouches for nothing."""
    bare = replace(board, baseline=None)
    chosen = Chosen()
    clear: list[Measurements] = []
    for run in _distinct(runs, chosen):
        if not _is_of_the_board(run, bare, chosen):
            continue
        measured = measure(run, bare)
        verdict = judge_measured(measured, settings)
        if verdict.released:
            clear.append(measured)
        else:
            chosen.refuse("baseline-not-clear", run, why=_why(verdict))
    harmless = HARMLESS | {plain(key) for key in settings.compare.harmless}
    by_board: dict[object, list[Measurements]] = {}
    for measured in _alike(clear, harmless, chosen):
        by_board.setdefault(_which_board(measured.run), []).append(measured)
    chosen.boards = list(by_board.values())
    return chosen


def named(run: Run) -> str:
    """`good.dump, Q8-601`: the input, and which of its dumps."""
    return f"{run.source.name}, {run.head.id or f'line {run.source.first_line}'}"


def _why(verdict: Verdict) -> str:
    obstacles = verdict.release.obstacles
    if verdict.wants_action or not obstacles:
        return verdict.summary.text
    more = f", and {len(obstacles) - 1} more" if len(obstacles) > 1 else ""
    return obstacles[0].says + more


# -- one dump, one board ------------------------------------------------------------------------


def _distinct(runs: Iterable[Run], chosen: Chosen) -> Iterator[Run]:
    """Each dump once, though it be pasted twice, with other blank lines or remarks."""
    seen: dict[object, Run] = {}
    for run in runs:
        first = seen.setdefault(_identity(run), run)
        if first is run:
            yield run
        else:
            chosen.problems.append(problem("baseline-again", which=named(run), first=named(first)))


def _identity(run: Run) -> object:
    if len(run.text) < run.source.lines:  # too large to keep
        return run.source.sha256, run.source.first_line
    lines = (line.strip() for line in run.text)
    return tuple(line for line in lines if line and not line.startswith("#"))


def _which_board(run: Run) -> object:
    return run.head.serial.casefold() if run.head.serial else _identity(run)


def _is_of_the_board(run: Run, board: Board, chosen: Chosen) -> bool:
    """Whether the dump is of the profile's board and memory, as far as both are said."""
    for setting in ("board", "memory"):
        own = getattr(run.head, setting)
        wanted = board.name if setting == "board" else board.memory
        if own is None and setting == "board":
            unsaid = problem("baseline-unsaid", which=named(run), setting=setting)
            chosen.problems.append(unsaid)
        elif own is not None and wanted and own.casefold() != wanted.casefold():
            usual = f"the profile is of {wanted}"
            chosen.refuse("baseline-other", run, setting=setting, own=own, usual=usual)
            return False
    return True


# -- one setting --------------------------------------------------------------------------------

MOVES = ("memory", "rate")
"""Settings that move eyes whatever they are set to: without one that most share nothing is learnt.
Another key of the head is a setting where most boards say it alike: a serial of the controller, or
the hour, is not."""


def _alike(
    dumps: Sequence[Measurements], harmless: Collection[str], chosen: Chosen
) -> Sequence[Measurements]:
    """The dumps that say what most boards say, setting by setting."""
    said = {id(dump): _settings(dump.run, harmless) for dump in dumps}
    others = sorted({key for each in said.values() for key in each} - set(MOVES))
    for key in (*MOVES, *others):
        of = {id(dump): value for dump in dumps if (value := said[id(dump)].get(key))}
        kind = _kinds(of.values())
        boards = {(_which_board(d.run), kind[of[id(d)]]) for d in dumps if id(d) in of}
        times = Counter(value for _, value in boards)
        usual = next((v for v, n in times.items() if 2 * n > len(boards)), None)
        if usual is None:
            if times and key in MOVES:
                chosen.split, together = True, ", ".join(sorted(times))
                chosen.problems.append(problem("baseline-split", setting=key, said=together))
                return ()
            continue
        kept = []
        for dump in dumps:
            own = of.get(id(dump))
            if own is not None and kind[own] != usual:
                rest = f"that of most {usual}"
                chosen.refuse("baseline-other", dump.run, setting=key, own=own, usual=rest)
                continue
            if own is None and key in MOVES:
                unsaid = problem("baseline-unsaid", which=named(dump.run), setting=key)
                chosen.problems.append(unsaid)
            kept.append(dump)
        dumps = kept
    return dumps


def _settings(run: Run, harmless: Collection[str]) -> Mapping[str, str]:
    """What the head says of memory and rate and of keys without a meaning of their own."""
    found = {}
    for line in run.head.lines:
        key, value = plain(line.key), " ".join(line.value.split())
        unread = getattr(run.head, key, None) is None
        if unread and key not in harmless and value not in ("", "-"):
            found[key] = value
    if run.head.memory:
        found["memory"] = run.head.memory
    if run.head.rate:
        found["rate"] = f"{run.head.rate / 1e9:g} Gbit/s"
    return found


def _kinds(values: Iterable[str]) -> Mapping[str, str]:
    """Each value with the first of those that say the same: words in any case, numbers printed
    with more or fewer digits."""
    words: dict[str, str] = {}
    found: dict[str, str] = {}
    unit, last, first = "", 0.0, ""
    numbers = []
    for value in sorted(set(values)):
        try:
            number = parse(value)
            factor, base = (1.0, "") if number.unit is None else scale(number.unit)
            numbers.append((base, number.value * factor, value))
        except ValueError:
            found[value] = words.setdefault(value.casefold(), value)
    for base, number_, value in sorted(numbers):
        apart = abs(number_ - last) > SAME_SETTING * max(abs(number_), abs(last))
        if not first or base != unit or apart:
            first = value
        unit, last = base, number_
        found[value] = first
    return found
