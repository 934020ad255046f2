"""Each rule that keeps a board on the bench, by itself: what it finds, and what it lets pass."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from memdiag.diagnosis import faults
from memdiag.diagnosis.judge import judge
from memdiag.diagnosis.settings import Limits, Settings
from memdiag.model import (
    Action,
    Cause,
    Finding,
    Lost,
    LostKind,
    ObstacleKind,
    Place,
    Quote,
    Verdict,
)
from memdiag.model.problems import Position
from memdiag.reading.load import load

LANES = {1: 0, 2: 2, 3: 4, 4: 6, 5: 1, 6: 3, 7: 5, 8: 7}
STEPS = ("id", "ca", "level", "gate", "read", "write")


def rows(**odd: str) -> list[str]:
    """Training rows of quince-8, all passing but those named as `U3_read="fail"`."""
    return [
        f"U{n} 0 {lane} {step} {odd.get(f'U{n}_{step}', 'pass')}"
        for n, lane in LANES.items()
        for step in STEPS
    ]


def counts(**errors: int) -> list[str]:
    return [f"U{n} 0 {lane} 60000000000 {errors.get(f'U{n}', 0)}" for n, lane in LANES.items()]


def text(training: list[str], counted: list[str], head: str = "", end: str = "[end]") -> str:
    lines = ["bench-dump 1", "[run]", "board quince-8", *filter(None, [head])]
    lines += ["[training]", "site ch lane step result", *training]
    if counted:
        lines += ["[counts]", "site ch lane bits errors", *counted]
    return "\n".join([*lines, end, ""])


def verdict(*given: str, **more: str) -> Verdict:
    """The verdict on a dump of those rows."""
    return judge(load(text(list(given) or rows(), counts(), **more))[0])


def kinds(v: Verdict) -> list[ObstacleKind]:
    return [o.kind for o in v.release.obstacles]


def test_a_board_of_which_every_link_was_measured_and_nothing_failed_is_released() -> None:
    v = verdict()
    assert v.released and v.summary.cause is Cause.CLEAR and not v.release.unheard


def test_training_alone_complete_and_passing_is_released_and_wants_a_stress_test() -> None:
    """Common practice, no source: a stress test comes before a board goes out."""
    v = judge(load(text(rows(), []))[0])
    assert v.released and "stress test" in v.summary.text


@pytest.mark.parametrize("word", ["fail", "not-found", "no-response"])
@pytest.mark.parametrize("step", STEPS)
def test_one_explicit_failure_holds_the_board(step: str, word: str) -> None:
    v = verdict(*rows(**{f"U5_{step}": word}))
    assert not v.released
    if not v.findings:
        assert v.summary.action is Action.RETEST
        obstacle, *more = v.release.obstacles  # that a fault is likely may stand beside it
        assert {o.kind for o in more} <= {ObstacleKind.ODDS}
        assert obstacle.kind is ObstacleKind.FAILED and obstacle.places[0].site == "U5"
        assert word in obstacle.says and f"line {obstacle.lines[0]}" in v.summary.text
        assert v.run.quote(obstacle.lines[0]).split()[3:] == [step, word]


def test_a_lone_marginal_is_weighed_and_forbids_nothing() -> None:
    assert verdict(*rows(U5_level="marginal")).released


def test_a_failure_that_a_later_attempt_mended_holds_nothing() -> None:
    first = [f"{row} 1" for row in rows(U5_read="fail")]
    second = [f"{row} 2" for row in rows()]
    dump = text(first + second, counts()).replace("step result", "step result attempt")
    assert judge(load(dump)[0]).released


def test_of_two_rows_that_contradict_each_other_the_worse_one_holds() -> None:
    v = verdict(*rows(), "U5 0 1 read fail")
    assert not v.released and (v.findings or ObstacleKind.FAILED in kinds(v))
    assert all(f.place.site == "U5" for f in v.findings)


def test_a_step_that_fails_on_every_lane_while_data_passes_is_the_rigs_habit() -> None:
    v = verdict(*rows(**{f"U{n}_gate": "fail" for n in LANES}))
    assert v.released and any("habit" in note for note in v.notes)


def test_a_step_that_passes_on_one_lane_is_no_habit() -> None:
    v = verdict(*rows(**{f"U{n}_gate": "fail" for n in LANES if n != 2}))
    assert not v.released


def test_a_site_that_is_empty_on_purpose_fails_as_expected() -> None:
    """Common practice, no source: with a package off on purpose that site is silent, and every
    other may carry warnings."""
    silent = rows(**{f"U3_{step}": "no-response" for step in STEPS})
    counted = [row for row in counts() if not row.startswith("U3 ")]
    v = judge(load(text(silent, counted, head="removed U3"))[0])
    assert v.summary.action is Action.FIT and not v.release.obstacles


@pytest.mark.parametrize(
    ("end", "why"), [("", "cut"), ("[end] 99", "cut"), ("[end] 56", None), ("[end]", None)]
)
def test_a_dump_without_its_end_is_cut(end: str, why: str | None) -> None:
    v = verdict(end=end)
    assert v.released is (why is None) and [k.value for k in kinds(v)] == [why] * bool(why)


def test_a_lane_that_nothing_measured_is_named() -> None:
    training = [row for row in rows() if not row.startswith("U7 ")]
    counted = [row for row in counts() if not row.startswith("U7 ")]
    v = judge(load(text(training, counted))[0])
    assert kinds(v) == [ObstacleKind.UNHEARD]
    assert [p.site for p in v.release.unheard] == ["U7"] and "U7" in v.summary.text


def test_that_packages_answer_is_no_measurement() -> None:
    only_ids = [row for row in rows() if " id " in row]
    v = judge(load(text(only_ids, []))[0])
    assert not v.released and len(v.release.unheard) == 8


def test_a_step_that_leaves_out_one_lane_is_told() -> None:
    v = verdict(*(row for row in rows() if not row.startswith("U4 0 6 write")))
    assert kinds(v) == [ObstacleKind.CUT] and "write" in v.summary.text


@pytest.mark.parametrize("kind", list(LostKind))
@pytest.mark.parametrize("place", [None, Place("U4", 0, None, 6)])
def test_what_was_not_understood_holds_the_board(kind: LostKind, place: Place | None) -> None:
    run = load(text(rows(), counts()))[0]
    lost = Lost(Position(9, 14), kind, "result 'FAILDE'", place, "result")
    source = replace(run.source, printed=56, lost=1)
    v = judge(replace(run, lost=(lost,), source=source))
    assert not v.released and ObstacleKind.UNREAD in kinds(v)
    assert "55 of 56 rows understood" in v.summary.text
    first = next(o for o in v.release.obstacles if o.kind is ObstacleKind.UNREAD)
    assert first.lines == (9,) and "FAILDE" in first.says


def test_more_lines_than_are_kept_are_counted() -> None:
    run = load(text(rows(), counts()))[0]
    lost = Lost(Position(9), LostKind.LINE, "'~~'")
    v = judge(replace(run, lost=(lost,), source=replace(run.source, printed=900, lost=500)))
    assert any("499 more lines" in o.says for o in v.release.obstacles)


def test_an_eye_well_below_its_peers_holds_a_board_that_counts_clean() -> None:
    head = "[training]\nsite ch lane step result width\n"
    for width, held in (("0.58UI", False), ("0.30UI", True)):
        eyes = {n: width if n == 6 else "0.62UI" for n in LANES}
        table = "".join(f"U{n} 0 {lane} read pass {eyes[n]}\n" for n, lane in LANES.items())
        counted = "[counts]\nsite ch lane bits errors\n" + "\n".join(counts())
        v = judge(load(f"bench-dump 1\n[run]\nboard quince-8\n{head}{table}{counted}\n[end]\n")[0])
        assert v.released is not held
        thin = [o for o in v.release.obstacles if o.kind is ObstacleKind.THIN]
        assert v.findings or [o.places[0].site for o in thin] == ["U6"] * held


def test_errors_above_the_target_hold_a_board_of_which_no_finding_speaks() -> None:
    """Even a shop that believes in no fault at all lets no board go that errs too often."""
    run = load(text(rows(), counts(U6=40)))[0]
    never = dict.fromkeys(faults.priors(), 1e-12)
    held = judge(run, settings=Settings(priors=never, limits=Limits(target_rate=1e-12)))
    assert not held.findings and ObstacleKind.ABOVE_TARGET in kinds(held)
    assert "U6" in held.summary.text
    loose = judge(run, settings=Settings(priors=never, limits=Limits(target_rate=1e-8)))
    assert ObstacleKind.ABOVE_TARGET not in kinds(loose)


def test_a_shop_sets_how_probable_a_fault_may_be() -> None:
    run = load(text(rows(U3_read="marginal"), counts(U3=2)))[0]
    fault = 1 - judge(run, settings=Settings(limits=Limits(release_below=1.0))).summary.probability
    for limit, held in ((fault * 1.1, False), (fault * 0.9, True)):
        v = judge(run, settings=Settings(limits=Limits(release_below=limit)))
        assert v.released is not held
        assert kinds(v) == [ObstacleKind.ODDS] * held


@pytest.mark.parametrize("action", [Action.REPLACE, Action.REFLOW])
def test_no_finding_asks_for_hot_air_without_a_line_that_speaks_for_its_place(
    action: Action,
) -> None:
    def made(*proof: Quote) -> Finding:
        return Finding(Place("U3"), Cause.WEAK, 0.9, (), None, action, "", evidence=proof)

    assert made(Quote(7, "read: fail")).action is action
    for proof in ((), (Quote(None, "its neighbours fail"),)):
        with pytest.raises(ValueError, match="without a line"):
            made(*proof)


def test_a_paste_cut_before_a_package_does_not_accuse_it() -> None:
    """Seven packages warn, the eighth one's rows are not there: it may be what disturbs them, but
    no row speaks of it, so no heat is asked for there."""
    warned = rows(**{f"U{n}_{s}": "marginal" for n in LANES for s in ("read", "write")})
    kept = [row for row in warned if not row.startswith("U8 ")]
    v = judge(load(text(kept, [], end=""))[0])
    assert not v.released
    assert all(
        f.action not in (Action.REPLACE, Action.REFLOW) for f in v.findings if f.place.site == "U8"
    )
    assert all(f.cause is Cause.UNDECIDED for f in v.findings if f.place.site == "U8")


def test_a_board_that_is_marginal_on_most_links_is_held() -> None:
    """A stray marginal is weighed; where most lanes have one, no healthy peer would show a fault
    they share (a rail, say)."""
    few = {f"U{n}_read": "marginal" for n in list(LANES)[:2]}
    most = {f"U{n}_read": "marginal" for n in list(LANES)[:6]}
    assert ObstacleKind.MARGINAL not in kinds(verdict(*rows(**few)))
    v = verdict(*rows(**most))
    assert not v.released
    assert v.wants_action or ObstacleKind.MARGINAL in kinds(v)
