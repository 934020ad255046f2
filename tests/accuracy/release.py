"""Whether boards are released that must not be, and held that need not be.

Three things are tried of simulated boards: sound ones whole and with one damage to the dump, faulty
ones, and pairs of a faulty board and the same board after a repair.
"""

from __future__ import annotations

import random
import re
import statistics
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from msgspec import Struct

from memdiag.boards.inferred import inferred
from memdiag.diagnosis.judge import judge
from memdiag.model import Board, Run, Verdict
from memdiag.model.comparison import Outcome
from memdiag.reading.load import load
from memdiag.repair.comparison import compare
from tests.accuracy.parallel import spread
from tests.simulator import scenes
from tests.simulator.damage import KINDS, Damaged, damage
from tests.simulator.damaging import Weight
from tests.simulator.paper import DATA, SPOKEN, Paper, attempt, covered, links
from tests.simulator.scenes import Scene

DAMAGES = {Weight.FORBIDS: 9, Weight.OPEN: 1, Weight.HARMLESS: 1}
"""How many kinds of damage are tried on each sound board."""
PAIRS = 3
"""One seed in so many makes a faulty board and its pairs too: a comparison judges twice."""
FEW = 3
"""Sound boards have a soft error or two."""
THIN = 0.7
"""A lane whose eye is less than this share of its peers' shows a fault."""
FAILING = ("fail", "no-response", "not-found")


class Tried(Struct, frozen=True):
    """One dump, or pair of dumps, and what was said: `passed` is released, or repaired.

    `group`: `sound` (kind: what it prints), `damaged` (kind of damage, its weight), `faulty` (kind
    of fault, `shows` how), `mended`, `mended, damaged`, `not mended` (kind of fault or damage).
    `before`: what was said of the same board without the damage."""

    group: str
    kind: str
    passed: bool
    weight: Weight = Weight.OPEN
    before: bool = True
    shows: str = ""
    seed: int = 0
    crash: str = ""

    @property
    def line(self) -> str:
        said = self.crash or ("let go" if self.passed else "held")
        return f"{self.seed} {self.group}: {self.kind} {self.shows} ({self.weight}): {said}"


def measure(seeds: Sequence[int], processes: int = 2) -> list[Tried]:
    """What was tried of the boards of these seeds: each a sound one, some a faulty one."""
    tried = spread(_of_seed, list(seeds), processes)
    return [one for group in tried for one in group]


def _of_seed(seed: int) -> list[Tried]:
    return [*sound_board(seed), *(() if seed % PAIRS else faulty_board(seed))]


def _draw(seed: int, **more: Any) -> Scene:
    """A board on a rig that prints every row it has; most rigs train and count."""
    sections = random.Random(f"sections/{seed}").choices(
        (("training", "counts"), ("training", "counts", "errors"), ("training",)), (50, 38, 12)
    )[0]
    whole: dict[str, Any] = {"pass_only_fails": False, "count_clean": True, "warm_boot": False}
    return scenes.draw(
        seed, bare=False, dirt=False, **{"sections": frozenset(sections), **whole, **more}
    )


def sound_board(seed: int) -> Iterator[Tried]:
    """A board without a fault: its dump as it is, and with one damage of several kinds."""
    scene = _draw(seed, faults=0)
    board = scene.board if scene.known else None
    whole, crash = _released(scene.text, board)
    kind = _prints(_paper(scene), scene.board) + ("" if scene.known else ", no profile")
    yield Tried("sound", kind, whole, seed=seed, crash=crash)
    for hurt in damages(scene.text, random.Random(f"damage/{seed}"), board):
        passed, crash = _released(hurt.text, board)
        yield Tried("damaged", hurt.kind, passed, hurt.weight, whole, "", seed, crash)


def damages(text: str, rng: random.Random, board: Board | None) -> Iterator[Damaged]:
    """Damages of several kinds, each to the whole dump."""
    left = dict(DAMAGES)
    for name in rng.sample(list(KINDS), len(KINDS)):
        hurt = damage(text, rng, board, [name])
        if hurt is not None and left[hurt.weight]:
            left[hurt.weight] -= 1
            yield hurt


def _prints(paper: Paper, board: Board) -> str:
    """What a sound board's dump holds, and whether anything in it speaks against the board."""
    trained: set[Any] = set()
    odd = False
    for _, row in paper.rows("training"):
        last = attempt(row) == paper.last_attempt
        odd |= last and row.get("result", "pass") != "pass"
        if row.get("step") in DATA and row.get("result") in SPOKEN:
            trained |= covered(row, board)
    counted: set[Any] = set()
    for _, row in paper.rows("counts"):
        counted |= covered(row, board) if "errors" in row else set()
        odd |= any(row.get(c, "0") != "0" for c in ("errors", "edc"))
    odd |= any(True for _ in paper.rows("errors"))
    if odd:
        return "a stray wrong bit or warning"
    if links(board) <= trained & counted:
        return "fully measured"
    return "training alone" if links(board) <= trained else "partly measured"


def faulty_board(seed: int) -> Iterator[Tried]:
    """A board with one fault that shows, and what a comparison says of it and its repair."""
    scene = _draw(seed, faults=1)
    if not scene.truth:
        return
    twin = scenes.draw(seed, faults=0, bare=False, dirt=False, known=scene.known, **_habits(scene))
    shows = shown(_paper(scene), _paper(twin), scene.board)
    if not shows:
        return
    board = scene.board if scene.known else None
    before = told(scene.text, scene.text, "intake", "2025-01-05T10:00:00Z")
    passed, crash = _released(before, board)
    kind = scene.truth[0].kind
    yield Tried("faulty", kind, passed, shows=shows, seed=seed, crash=crash)
    yield from _pairs(scene, twin, before, board)


def _pairs(scene: Scene, twin: Scene, before: str, board: Board | None) -> Iterator[Tried]:
    """The fault mended, mended and the dump damaged, and not mended."""
    kind, site, seed = scene.truth[0].kind, scene.truth[0].site, scene.seed
    work = ("replaced", site) if site else ("note", "supply mended")
    when = "2025-11-05T10:00:00Z"
    first = Before(before, board)
    after = told(scene.text, twin.text, "final", when, work)
    honest, crash = first.repaired(after)
    yield Tried("mended", kind, honest, seed=seed, crash=crash)
    same = told(scene.text, scene.text, "final", when, work)
    passed, crash = first.repaired(same)
    yield Tried("not mended", kind, passed, Weight.FORBIDS, seed=seed, crash=crash)
    able = damages(after, random.Random(f"repair/{seed}"), board)
    hurt = next((h for h in able if h.forbids), None)
    if hurt is not None:
        passed, crash = first.repaired(hurt.text)
        group = "mended, damaged"
        yield Tried(group, hurt.kind, passed, hurt.weight, honest, "", seed, crash)


class Before:
    """A run before a repair, judged once for all that is compared with it."""

    def __init__(self, text: str, board: Board | None) -> None:
        self.board = board
        self.run, self.verdict = _judged(text, board)

    def repaired(self, after: str) -> tuple[bool, str]:
        """Whether the comparison says so; a crash says nothing, and is told."""
        try:
            two = load(after, board=self.board)[0]
            done = compare(self.run, two, self.board)
        except Exception as wrong:
            return False, crashed(wrong)
        return done.outcome is Outcome.REPAIRED, ""


def _habits(scene: Scene) -> dict[str, Any]:
    """The rig's habits, to run the same board on the same rig once more."""
    return {name: getattr(scene.rig, name) for name in scene.rig.__struct_fields__}


def _paper(scene: Scene) -> Paper:
    return Paper(tuple(scene.text.splitlines()))


def told(head: str, tables: str, stage: str, at: str, *work: tuple[str, str]) -> str:
    """The tables of one dump under the head of another, with its own stage, date and work done."""
    own = {"id": f"{stage}-1", "stage": stage, "at": at, **dict(work)}
    kept = []
    for line in _before_tables(head):
        key = line.split()[:1]
        if key and key[0] not in (*own, "swapped", "replaced", "reflowed", "note"):
            kept.append(line)
    lines = [*kept, *(f"{key}  {value}" for key, value in own.items()), ""]
    first = len(_before_tables(tables))
    return "\n".join([*lines, *tables.splitlines()[first:]]) + "\n"


def _before_tables(text: str) -> list[str]:
    lines = text.splitlines()
    inside = lines.index("[run]") + 1
    first = next(k for k, line in enumerate(lines) if k >= inside and line.startswith("["))
    return lines[:first]


def shown(faulty: Paper, twin: Paper, board: Board) -> str:
    """How the fault shows on paper in a way that forbids a release; empty where it does not."""
    if _failing(faulty) - _failing(twin):
        return "a failing step"
    ours, theirs = _errors(faulty), _errors(twin)
    if any(n >= FEW + theirs.get(key, 0) and n > 3 * theirs.get(key, 0) for key, n in ours.items()):
        return "wrong bits"
    if twin.heard(board) - faulty.heard(board):
        return "missing rows"
    return "a thin eye" if _thin(faulty) - _thin(twin) else ""


def _failing(paper: Paper) -> set[Any]:
    return {
        tuple(row.get(c) for c in ("site", "ch", "rank", "lane", "dq", "step"))
        for _, row in paper.rows("training")
        if row.get("result") in FAILING and attempt(row) == paper.last_attempt
    }


def _errors(paper: Paper) -> dict[Any, int]:
    return {
        tuple(row.get(c) for c in ("site", "ch", "rank", "lane", "dq", "temp", "test")): int(
            float(row.get("errors", "0"))
        )
        for _, row in paper.rows("counts")
    }


def _thin(paper: Paper) -> set[Any]:
    """The places whose eye of a data step is thin beside the middle of all."""
    eyes: dict[Any, dict[Any, float]] = {}
    for _, row in paper.rows("training"):
        width = re.match(r"[\d.]+", row.get("width", ""))
        if row.get("step") in DATA and width and attempt(row) == paper.last_attempt:
            at = tuple(row.get(c) for c in ("site", "ch", "rank", "lane", "dq"))
            eyes.setdefault(row["step"], {})[at] = float(width[0])
    return {
        (step, at)
        for step, widths in eyes.items()
        for at, width in widths.items()
        if width < THIN * statistics.median(widths.values())
    }


def _judged(text: str, board: Board | None) -> tuple[Run, Verdict]:
    run = load(text, board=board)[0]
    return run, judge(run, board if board is not None else inferred(run))


def _released(text: str, board: Board | None) -> tuple[bool, str]:
    """Whether a board is released on this dump; a crash releases nothing, and is told."""
    try:
        return _judged(text, board)[1].released, ""
    except Exception as wrong:
        return False, crashed(wrong)


def crashed(wrong: Exception) -> str:
    """The crash in a line, empty where the text was refused as unreadable: that is an answer."""
    name = type(wrong).__name__
    return "" if name == "Unreadable" else f"{name}: {wrong}".splitlines()[0][:100]


def wrongly_let_go(tried: Iterable[Tried]) -> list[Tried]:
    """What was released or called repaired and must not be."""
    return [t for t in tried if t.passed and (t.group == "faulty" or t.weight is Weight.FORBIDS)]
