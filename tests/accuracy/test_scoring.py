"""The scores: a verdict that knows the truth gets full marks, one that does not gets none."""

from __future__ import annotations

from dataclasses import replace

import pytest

from memdiag.model import Action, Cause, Finding, Place, Quote, Run, Summary, Verdict
from tests.accuracy import scoring
from tests.accuracy.matching import agrees, matches
from tests.accuracy.page import aims, page
from tests.accuracy.scoring import Score, score
from tests.simulator import scenes
from tests.simulator.scenes import Scene
from tests.simulator.truth import Truth

SEEDS = range(40)


def finding(truth: Truth, **more: object) -> Finding:
    place = Place(
        truth.site, truth.channel, truth.rank, truth.lane, truth.dq, truth.rail, truth.partition
    )
    action = Action(sorted(truth.actions)[0])
    cause = Cause(truth.cause)
    made = Finding(
        place,
        cause,
        0.9,
        ((Cause.UNDECIDED, 0.1),),
        None,
        action,
        "as it is",
        expected=truth.expected,
        evidence=(Quote(12, "by hand"),),
    )
    return replace(made, **more)  # type: ignore[arg-type]


def says(scene: Scene, findings: list[Finding], monkeypatch: pytest.MonkeyPatch) -> Score:
    """The scene scored as if the judge had said this."""
    cause = findings[0].cause if findings else Cause.CLEAR
    summary = Summary(cause, None, Action.NONE, 0.9, "")

    def judged(_: Scene) -> tuple[Run, Verdict]:
        from memdiag.reading.load import load

        run = load(scene.text)[0]
        return run, Verdict(run, scene.board, summary, tuple(findings), (), (), ())

    monkeypatch.setattr(scoring, "judge_scene", judged)
    return score(scene)


def small(seed: int) -> Scene:
    return scenes.draw(
        seed,
        sites=4,
        dirt=False,
        known=True,
        cap=16,
        cap_each=False,
        detail="site",
        count_detail="site",
        candidates=False,
    )


def test_the_truth_itself_gets_full_marks(monkeypatch: pytest.MonkeyPatch) -> None:
    scored = []
    for seed in SEEDS:
        scene = small(seed)
        # sure of what shows, and silent about what does not
        said = [finding(t, probability=1.0) for t in scene.truth if t.visible]
        scored.append(says(scene, said, monkeypatch))
    assert sum(len(s.found) for s in scored) > 20
    assert not any(s.failed for s in scored), [s.line for s in scored if s.failed]
    figures = {name: figure for name, figure, _, _ in aims(scored)}
    for name in ("place", "place with channel, lane and line", "cause", "action"):
        assert figures[name] == 100
    for name in ("false alarms on healthy boards", "wrong replace"):
        assert figures[name] == 0
    assert "met" in page(scored, 1_000_000, {})


def test_silence_finds_nothing_and_accuses_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    for seed in SEEDS:
        scene = small(seed)
        scored = says(scene, [], monkeypatch)
        assert not scored.accused and not scored.wrong_replace and not scored.alarm
        assert scored.failed == any(f.counts for f in scored.found)
        sick = any(t.visible and not t.expected for t in scene.truth)
        assert all(c.true == (not sick) for c in scored.claims)


def test_a_replace_at_a_good_package_is_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    scene = next(s for s in map(small, range(100)) if not s.truth)
    site = scene.board.sites[0].ref
    proof = (Quote(12, "by hand"),)
    wrong = Finding(Place(site), Cause.WEAK, 0.95, (), None, Action.REPLACE, "", evidence=proof)
    scored = says(scene, [wrong], monkeypatch)
    assert scored.alarm and scored.wrong_replace == (site,) and scored.accused == (site,)
    assert [c.true for c in scored.claims] == [False]
    again = says(scene, [replace(wrong, action=Action.RETEST)], monkeypatch)
    assert again.retest and not again.alarm and not again.wrong_replace


def test_a_finding_on_the_next_lane_is_at_the_place_but_not_exact() -> None:
    scene = scenes.draw(3, family="gddr6", kind="open-data", dirt=False, known=True, bare=False)
    truth = scene.truth[0]
    here = Place(truth.site, truth.channel, 0, truth.lane, truth.dq)
    beside = replace(here, lane=1 - (truth.lane or 0))
    assert matches(here, truth, scene.board) and agrees(here, truth)
    assert matches(beside, truth, scene.board) and not agrees(beside, truth)
    other = next(s.ref for s in scene.board.sites if s.ref != truth.site)
    assert not matches(Place(other), truth, scene.board)
