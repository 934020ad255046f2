"""The scores: a verdict that knows the truth gets full marks, one that does not gets none."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from memdiag.model import Action, Cause, Finding, Place, Quote, Run, Summary, Verdict
from tests.accuracy import scoring
from tests.accuracy.matching import agrees, holds, matches
from tests.accuracy.page import aims, page
from tests.accuracy.scoring import Group, GroupWas, Score, score
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
    if findings:
        first = findings[0]
        at = (first.place, first.place_probability, first.one_of)
        summary = Summary(first.cause, None, Action.NONE, 0.9, "", *at)
    else:
        summary = Summary(Cause.CLEAR, None, Action.NONE, 0.9, "")

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
        told = sorted(scene.truth, key=lambda t: (t.expected, not t.located))
        said = [finding(t, probability=1.0) for t in told if t.visible]
        scored.append(says(scene, said, monkeypatch))
    assert sum(len(s.found) for s in scored) > 20
    assert not any(s.failed for s in scored), [s.line for s in scored if s.failed]
    figures = {name: figure for name, figure, _, _ in aims(scored)}
    whole = ("place", "place with channel, lane and line", "place of the headline")
    for name in (*whole, "cause", "action"):
        assert figures[name] == 100
    for name in ("of places", "of headlines"):
        assert figures[f"the same, {name}"] == 0
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


def lost(policy: str, **habits: object) -> Scene:
    """A missing package on a board whose dump tells only of all packages together, or of each."""
    for seed in range(200):
        scene = scenes.draw(
            seed,
            kind="missing",
            family="gddr6",
            sites=8,
            bare=False,
            dirt=False,
            known=True,
            policy=policy,
            **habits,
        )
        if scene.truth[0].visible:
            return scene
    raise AssertionError("no such scene")


def group(*refs: str, **more: object) -> Finding:
    said = Finding(Place(), Cause.MISSING, 0.9, (), None, Action.RETEST, "", one_of=refs)
    return replace(said, **more)  # type: ignore[arg-type]


def in_group(scene: Scene, size: int) -> list[str]:
    """The missing package and others, so many together."""
    true = str(scene.truth[0].site)
    return [true, *(s.ref for s in scene.board.sites if s.ref != true)][:size]


def alike(monkeypatch: pytest.MonkeyPatch, *refs: str) -> None:
    """As if the dump did not tell these apart."""
    monkeypatch.setattr(Scene, "alike", lambda _self, _truth: frozenset(refs))


def test_a_group_that_the_dump_does_not_tell_apart_is_a_right_place(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    scene = lost("go-on")
    four = in_group(scene, 4)
    alike(monkeypatch, *four)
    scored = says(scene, [group(*four)], monkeypatch)
    assert scored.groups == (Group(4, GroupWas.RIGHT),)
    (one,) = scored.found
    assert one.place and one.right_cause and scored.headed
    assert [c.true for c in (*scored.claims, *scored.places)] == [True, True]
    assert "or" in scored.line
    fewer = says(scene, [group(*four[1:])], monkeypatch)
    assert fewer.groups == (Group(3, GroupWas.WRONG),)
    assert not fewer.found[0].place and not fewer.headed
    assert [c.true for c in fewer.places] == [False]


def test_a_group_of_most_of_the_board_is_no_place(monkeypatch: pytest.MonkeyPatch) -> None:
    scene = lost("go-on")
    five = in_group(scene, 5)
    alike(monkeypatch, *five)
    scored = says(scene, [group(*five)], monkeypatch)
    assert scored.groups == (Group(5, GroupWas.TOO_LARGE),) and not scored.found[0].place
    assert [c.true for c in scored.places] == [True]  # something is wrong there all the same


def test_a_group_of_what_the_dump_tells_apart_is_no_place(monkeypatch: pytest.MonkeyPatch) -> None:
    scene = lost("go-on", sections=frozenset({"training"}), detail="lane", names=True)
    two = in_group(scene, 2)
    scored = says(scene, [group(*two)], monkeypatch)
    assert scored.groups == (Group(2, GroupWas.TOLD_APART),) and not scored.found[0].place


def test_a_replace_at_a_group_is_wrong_where_one_of_it_is_good(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    scene = lost("go-on")
    two = in_group(scene, 2)
    alike(monkeypatch, *two)
    proof = (Quote(12, "by hand"),)
    told = group(*two, action=Action.REPLACE, evidence=proof)
    assert says(scene, [told], monkeypatch).wrong_replace == (" or ".join(sorted(two)),)
    alone = group(two[0], action=Action.REPLACE, evidence=proof)
    assert says(scene, [alone], monkeypatch).wrong_replace == ()


def test_a_wide_place_holds_a_fault_and_a_narrow_one_beside_it_does_not() -> None:
    scene = lost("go-on")
    truth, board = scene.truth[0], scene.board
    here = board.site(str(truth.site))
    assert here is not None
    other = next(s.ref for s in board.sites if s.ref != truth.site)
    for place in (Place(), Place(truth.site), Place(rail=here.rails[0])):
        assert holds(place, (), truth, board)
    assert not holds(Place(other), (), truth, board)
    assert not holds(Place(), (other,), truth, board)
    assert not holds(Place(truth.site, lane=99), (), replace(truth, lane=0), board)
