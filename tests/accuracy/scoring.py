"""Scores of verdicts against simulated truth. Words for every measure stand beside it."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from memdiag.boards.inferred import inferred
from memdiag.model import WANTS_WORK, Action, Board, Cause, Finding, Run, Verdict
from tests.accuracy.matching import agrees, finds, holds, is_group_of, right_cause
from tests.simulator.scenes import Scene
from tests.simulator.truth import Truth

STEEL = WANTS_WORK - {Action.RETEST}
"""Actions that do something to the board; a retest only asks for more data."""


class Claim(Struct, frozen=True):
    """A probability the verdict stated, and whether what it stated is so."""

    cause: str
    probability: float
    true: bool


class GroupWas(StrEnum):
    """What became of a group of suspects that a finding named."""

    RIGHT = "right"
    TOO_LARGE = "more than half of the board"
    TOLD_APART = "the dump tells them apart"
    WRONG = "the fault is not in it"


class Group(Struct, frozen=True):
    """So many packages, one of which is meant, and whether that was a right place."""

    size: int
    was: GroupWas


class Found(Struct, frozen=True):
    """What became of one truth."""

    kind: str
    cause: str
    visible: bool
    located: bool
    expected: bool
    told_apart: bool = True
    """No look-alike with another cause would have printed the same dump."""
    place: bool = False
    right_cause: bool = False
    right_action: bool = False
    exact: bool = False
    """Right place, and every channel, lane and line the finding names is right too."""
    said: str = "nothing"
    """The word of the finding that stands for this truth, else `nothing`."""
    open_: bool = False
    """The finding is undecided, or asks for a retest where more was known to be needed."""

    @property
    def counts(self) -> bool:
        return self.visible and self.located


class Score(Struct, frozen=True):
    """One scene, scored. Small enough to send between processes."""

    seed: int
    family: str
    sections: str
    sites: int
    dirty: bool
    known: bool
    faults: int
    found: tuple[Found, ...] = ()
    claims: tuple[Claim, ...] = ()
    """What was stated of causes."""
    places: tuple[Claim, ...] = ()
    """What was stated of places, whatever is wrong there; the cause is that of the finding."""
    headline: Claim | None = None
    """What the summary stated of its place."""
    headed: bool | None = None
    """Whether the summary's place is that of a fault; None where no fault counts."""
    groups: tuple[Group, ...] = ()
    healthy: bool = False
    alarm: bool = False
    retest: bool = False
    wrong_replace: tuple[str, ...] = ()
    replaces: int = 0
    disturbed: int = 0
    spared: int = 0
    """Of the healthy sites that a fault elsewhere disturbs, those nobody is told to work on."""
    accused: tuple[str, ...] = ()
    """Places told to be worked on where nothing is wrong."""
    problems: tuple[str, ...] = ()
    crash: str = ""
    line: str = ""

    @property
    def failed(self) -> bool:
        missed = any(
            f.counts and not (f.place and f.right_cause and f.right_action) for f in self.found
        )
        return bool(missed or self.alarm or self.wrong_replace or self.accused or self.crash)


def judge_scene(scene: Scene) -> tuple[Run, Verdict]:
    """Read the dump and judge it, with the profile where the scene has one."""
    from memdiag.diagnosis.judge import judge
    from memdiag.reading.load import load

    board: Board | None = scene.board if scene.known else None
    runs = load(scene.text, board=board)
    run = runs[0]
    return run, judge(run, board if board is not None else inferred(run))


def score(scene: Scene) -> Score:
    """Judge a scene and score the verdict; a crash of the product is a score too."""
    base: dict[str, Any] = {
        "seed": scene.seed,
        "family": scene.family,
        "sites": len(scene.board.sites),
        "dirty": bool(scene.dirt),
        "known": scene.known,
        "faults": sum(not t.expected for t in scene.truth),
        "sections": "+".join(sorted(scene.rig.sections)),
        "healthy": not scene.truth,
    }
    try:
        run, verdict = judge_scene(scene)
    except Exception as wrong:
        text = f"{type(wrong).__name__}: {wrong}".splitlines()[0][:100]
        if scene.dirt and type(wrong).__name__ == "Unreadable":
            text = "unreadable: " + text
        return Score(**base, crash=text, line=_line(scene, None, [text]))
    findings = list(verdict.findings)
    work = [f for f in findings if f.action in WANTS_WORK]
    found = tuple(_found(t, scene, findings, work) for t in scene.truth)
    replaced = [f for f in findings if f.action is Action.REPLACE]
    accused = tuple(
        str(f.place)
        for f in work
        if f.action in STEEL
        and not any(finds(f.place, f.one_of, t, scene) for t in scene.truth)
        and not _struck(f, scene)
    )
    wrong_replace = tuple(
        " or ".join(sorted(map(str, _meant(f))))
        for f in replaced
        if not scene.replaceable >= _meant(f)
    )
    heated = {ref for f in work if f.action in STEEL for ref in _meant(f)}
    claims = tuple(_claims(scene, findings, verdict))
    result = Score(
        **base,
        found=found,
        claims=claims,
        places=tuple(_place_claims(scene, findings)),
        headline=_headline(scene, verdict),
        headed=_headed(scene, verdict, found),
        groups=tuple(_group(f, scene) for f in findings if f.one_of),
        alarm=not scene.truth and any(f.action in STEEL for f in findings),
        retest=not scene.truth and any(f.action is Action.RETEST for f in findings),
        wrong_replace=wrong_replace,
        replaces=len(replaced),
        accused=accused,
        disturbed=len(scene.spilled),
        spared=len(scene.spilled - heated),
        problems=tuple(p.code for p in run.problems if p.severity.value == "error"),
    )
    why = [
        f"{t.kind}: "
        + ", ".join(
            word
            for word, ok in (
                ("place", f.place),
                ("cause", f.right_cause),
                ("action", f.right_action),
            )
            if not ok
        )
        for t, f in zip(scene.truth, found, strict=True)
        if f.counts and not (f.place and f.right_cause and f.right_action)
    ]
    if result.alarm:
        why.append("false alarm")
    if wrong_replace:
        why.append("wrong replace " + " ".join(wrong_replace))
    if accused:
        why.append("accuses " + " ".join(accused))
    return replace(result, line=_line(scene, verdict, why))


def _meant(finding: Finding) -> frozenset[str | None]:
    """The sites an action is told for: of a group all of them, for nobody knows which."""
    return frozenset(finding.one_of or (finding.place.site,))


def _struck(finding: Finding, scene: Scene) -> bool:
    """A finding about a site that a rail's or a controller's fault really strikes is misnamed, but
    the site is in trouble: counted under cause and action, not as an accusation."""
    return any(finding.place.site in t.sites for t in scene.truth)


def _found(truth: Truth, scene: Scene, findings: list[Finding], work: list[Finding]) -> Found:
    base: dict[str, Any] = {
        "kind": truth.kind,
        "cause": truth.cause,
        "visible": truth.visible,
        "located": truth.located,
        "expected": truth.expected,
        "told_apart": not truth.rivals - truth.causes,
    }
    if truth.expected:
        top = findings  # declared: it wants no search, so its rank says nothing
    else:
        top = [f for f in work if not f.expected]
        top = top[: max(1, sum(t.visible and not t.expected for t in scene.truth))]
    here = [f for f in findings if finds(f.place, f.one_of, truth, scene)]
    if not here:
        return Found(**base)
    at = here[0]
    place = any(finds(f.place, f.one_of, truth, scene) for f in top)
    return Found(
        **base,
        place=place,
        right_cause=right_cause(at, truth),
        right_action=at.action.value in truth.actions,
        exact=place and agrees(at.place, truth),
        said=at.cause.value,
        open_=at.cause is Cause.UNDECIDED
        or (at.action is Action.RETEST and "retest" not in truth.actions),
    )


def _claims(scene: Scene, findings: list[Finding], verdict: Verdict) -> Iterable[Claim]:
    """Stated probabilities with their outcome. A declared removal states nothing new and is left
    out; `undecided` states no cause."""
    seen = [t for t in scene.truth if not t.expected]
    for f in findings:
        if f.expected or f.cause is Cause.UNDECIDED:
            continue
        if f.cause is Cause.SPILLOVER:
            # a healthy package that a fault elsewhere disturbs, be it on its rail or its bus
            own = {t.site for t in scene.truth if t.visible}
            true = bool(scene.truth) and f.place.site not in own
        elif f.cause is Cause.CLEAR:
            true = not any(f.place.site in (None, t.site) for t in seen)
        else:
            true = any(
                finds(f.place, f.one_of, t, scene) and agrees(f.place, t) and right_cause(f, t)
                for t in scene.truth
            )
        yield Claim(f.cause.value, f.probability, true)
    if verdict.summary.cause is Cause.CLEAR and not findings:
        yield Claim("clear", verdict.summary.probability, not any(t.visible for t in seen))


def _place_claims(scene: Scene, findings: list[Finding]) -> Iterable[Claim]:
    """What was stated of the place of each finding that says something is wrong there."""
    for f in findings:
        if not f.expected and f.cause not in (Cause.SPILLOVER, Cause.CLEAR):
            true = any(holds(f.place, f.one_of, t, scene.board) for t in scene.truth)
            yield Claim(f.cause.value, f.place_probability, true)


def _headline(scene: Scene, verdict: Verdict) -> Claim | None:
    """What the summary stated of its place; where that is the whole board, that something is wrong
    with it. A declared removal states nothing new."""
    said = verdict.summary
    if verdict.findings and verdict.findings[0].expected:
        return None
    seen = [t for t in scene.truth if t.visible and not t.expected]
    true = any(holds(said.place, said.one_of, t, scene.board) for t in seen)
    return Claim(said.cause.value, said.place_probability, true)


def _headed(scene: Scene, verdict: Verdict, found: tuple[Found, ...]) -> bool | None:
    counted = [t for t, f in zip(scene.truth, found, strict=True) if f.counts and not f.expected]
    said = verdict.summary
    right = any(finds(said.place, said.one_of, t, scene) for t in counted)
    return right if counted else None


def _group(finding: Finding, scene: Scene) -> Group:
    """Whether a group of suspects is a right place."""
    size = len(finding.one_of)
    inside = [t for t in scene.truth if t.site in finding.one_of]
    if any(is_group_of(finding.one_of, t, scene) for t in inside):
        return Group(size, GroupWas.RIGHT)
    if not inside:
        return Group(size, GroupWas.WRONG)
    large = 2 * size > len(scene.board.sites)
    return Group(size, GroupWas.TOO_LARGE if large else GroupWas.TOLD_APART)


def _where(finding: Finding) -> str:
    return " or ".join(finding.one_of) or str(finding.place)


def _line(scene: Scene, verdict: Verdict | None, why: list[str]) -> str:
    truth = "; ".join(map(str, scene.truth)) or "healthy"
    said = "-"
    if verdict is not None:
        said = (
            "; ".join(
                f"{_where(f)}: {f.cause} {f.probability:.2f} {f.action}"
                for f in verdict.findings
                if f.cause is not Cause.SPILLOVER
            )
            or f"{verdict.summary.cause} {verdict.summary.probability:.2f}"
        )
        spill = sum(f.cause is Cause.SPILLOVER for f in verdict.findings)
        if spill:
            said += f"; {spill} spillover"
    tags = "/".join(
        [
            scene.family,
            f"{len(scene.board.sites)} sites",
            "+".join(sorted(scene.rig.sections)),
            scene.rig.policy,
            *(["no profile"] if not scene.known else []),
            *scene.dirt,
        ]
    )
    return f"{scene.seed} [{tags}] {', '.join(why) or 'ok'}\n    is:   {truth}\n    said: {said}"
