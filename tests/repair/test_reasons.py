"""What stands against `repaired`: damaged pairs, settings that differ, and one story on every page.

That a dump after fitting without warnings or faults closes the case is common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from memdiag import stats
from memdiag.diagnosis import settings as shop
from memdiag.model import Lost, LostKind, Obstacle, ObstacleKind, Place, Release, Run
from memdiag.model.comparison import GRAVEST_FIRST, ChangeKind, Comparison, Outcome, ReasonKind
from memdiag.model.problems import Position
from memdiag.reading.load import load
from memdiag.repair.comparison import compare, history
from memdiag.repair.other_settings import HARMLESS
from memdiag.reports.comparison_page import comparison_page
from memdiag.reports.formats import render
from tests.simulator.scenes import draw
from tests.support.marks import examples
from tests.support.twodumps import (
    GONE,
    WARNED,
    WEAK,
    after,
    before,
    board,
    compared,
    document,
    judged,
    run,
)

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
PAIRS = (
    ("missing-package", "after-swap"),
    ("bare-boot", "after-swap"),
    ("ddr4-missing", "ddr4-healthy"),
)
PART_OF = {"after-swap": ("U3", "4", "1"), "ddr4-healthy": ("U3", "0", "4")}


def sample(name: str) -> str:
    return (SAMPLES / f"{name}.dump").read_text(encoding="utf-8")


def one_story(made: Comparison) -> None:
    """Outcome, headline, reasons and table say the same."""
    read = document(made)
    assert made.reasons == tuple(sorted(made.reasons, key=_grave))
    assert made.outcome is (made.reasons[0].outcome if made.reasons else Outcome.REPAIRED)
    for c in (*made.findings, *made.links):
        if c.against is not None:
            assert _grave(made) <= GRAVEST_FIRST.index(c.against), c
    if made.outcome is not Outcome.REPAIRED:
        for c in made.findings:
            named = re.search(
                rf"\b{re.escape(str(c.place))}(?! (?:channel|rank|lane|dq))\b", made.headline
            )
            assert c.kind is not ChangeKind.CLEARED or not named, (made.headline, c)
    for c in made.findings:  # what is cleared is cleared in every row of the table
        if c.kind is ChangeKind.CLEARED and c.place.site is not None:
            rows = [x for x in made.links if c.place.speaks_of(x.place, made.board)]
            assert all(x.against is None for x in rows)
    for format_ in ("text", "markdown", "html"):
        assert not re.search(r"\bNone\b", render(comparison_page(made), format_))
    assert read["summary"]["text"].startswith(made.headline)


def _grave(of: object) -> int:
    return GRAVEST_FIRST.index(of.outcome)  # type: ignore[attr-defined]


# ---- pairs damaged in one place ----

Damage = Callable[[str, tuple[str, str, str]], str]


def _rows(text: str, part: tuple[str, str, str], step: str = "") -> list[str]:
    """The lines of one lane: of a step, or all of them."""
    site, channel, lane = part
    return re.findall(rf"^{site} +{channel} +{lane} +{step}.*$", text, re.MULTILINE)


def _less(text: str, rows: list[str]) -> str:
    """Without those rows, and counted so that nothing shows."""
    for row in rows:
        text = text.replace(row + "\n", "", 1)
    return re.sub(r"\[end\] (\d+)", lambda m: f"[end] {int(m.group(1)) - len(rows)}", text)


def _result(word: str) -> Damage:
    def change(text: str, part: tuple[str, str, str]) -> str:
        (row,) = _rows(text, part, "read")
        return text.replace(row, re.sub("pass", word, row), 1)

    return change


def _eye(factor: float, all_lanes: bool = False) -> Damage:
    def change(text: str, part: tuple[str, str, str]) -> str:
        def narrower(m: re.Match[str]) -> str:
            return f"{float(m.group(1)) * factor:.2f}UI"

        if all_lanes:
            return re.sub(r"([\d.]+)UI", narrower, text)
        (row,) = _rows(text, part, "read")
        return text.replace(row, re.sub(r"([\d.]+)UI", narrower, row), 1)

    return change


def _counts(pattern: str, by: str) -> Damage:
    def change(text: str, part: tuple[str, str, str]) -> str:
        (row,) = _rows(text, part, "(?:stripes|march)")
        changed = re.sub(pattern, by, row, count=1)
        assert changed != row
        return text.replace(row, changed, 1)

    return change


def _site_rows(text: str, part: tuple[str, str, str]) -> list[str]:
    return re.findall(rf"^{part[0]} .*$", text, re.MULTILINE)


DAMAGES: dict[str, Damage] = {
    "fail": _result("fail"),
    "not-found": _result("not-found"),
    "no-response": _result("no-response"),
    "marginal": _result("marginal"),
    "not-run": _result("not-run"),
    "result not said": _result("-"),
    "one row gone": lambda t, p: _less(t, _rows(t, p, "read")),
    "counts of a lane gone": lambda t, p: _less(t, _rows(t, p, "(?:stripes|march)")),
    "a lane gone": lambda t, p: _less(t, _rows(t, p)),
    "a site gone": lambda t, p: _less(t, _site_rows(t, p)),
    "no end": lambda t, p: re.sub(r"\[end\].*\n", "", t),
    "wrong end": lambda t, p: re.sub(r"\[end\] \d+", "[end] 999", t),
    "cut": lambda t, p: t[: t.index("[counts]") - 400],
    "an eye by half": _eye(0.5),
    "an eye by a fifth": _eye(0.8),
    "all eyes": _eye(0.7, all_lanes=True),
    "bits not said": _counts(r"\d{9,}", "-"),
    "a burst": _counts(r"(\d{9,} +)0", r"\g<1>5000"),
    "very many errors": _counts(r"(\d{9,} +)0", r"\g<1>50000000"),
}


@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.parametrize(("first", "last"), PAIRS)
def test_a_pair_damaged_in_one_place_is_never_repaired(first: str, last: str, damage: str) -> None:
    whole = sample(last)
    hurt = DAMAGES[damage](whole, PART_OF[last])
    assert hurt != whole
    made = compare(load(sample(first))[0], load(hurt)[0])
    assert made.outcome in (Outcome.WORSE, Outcome.NOT_REPAIRED, Outcome.TOO_LITTLE_DATA)
    one_story(made)


@pytest.mark.parametrize(("first", "last"), PAIRS)
def test_the_same_pair_whole_is_repaired(first: str, last: str) -> None:
    made = compare(load(sample(first))[0], load(sample(last))[0])
    assert made.outcome is Outcome.REPAIRED and made.reasons == ()
    one_story(made)


def test_two_logs_whose_eyes_all_closed_are_worse() -> None:
    """Eyes of 8 taps before and 5 to 6 after on every lane; one tap less is none of it."""
    head = "bench-dump 1\n[run]\nid {id}\nmemory ddr3\n[training]\nch lane step result width\n"
    lanes = "".join(f"0 {lane} read pass {{w[{lane}]}}\n" for lane in range(8))
    text = head + lanes + "[end] 8\n"
    eight = load(text.format(id="a", w=["8tap"] * 8))[0]
    made = compare(eight, load(text.format(id="b", w=["5tap", "6tap"] * 4))[0])
    assert made.outcome is Outcome.WORSE
    assert [r.kind for r in made.reasons if r.outcome is Outcome.WORSE] == [ReasonKind.BOARD]
    assert "8 of 8" in made.why and made.headline.startswith("The eyes of the whole board")
    one_story(made)
    three = load(text.format(id="a", w=["3tap"] * 8))[0]
    assert compare(three, load(text.format(id="b", w=["2tap"] * 8))[0]).outcome is (
        Outcome.NOTHING_TO_REPAIR
    )


def test_a_small_narrowing_against_peers_asks_for_a_measurement() -> None:
    made = compared(
        before({"U6": WEAK}), after({"U2/2/0": {"width": 0.37}}, head={"replaced": "U6"})
    )
    assert made.outcome is Outcome.TOO_LITTLE_DATA
    assert made.reasons[0].place == Place("U2", 2, 0, 0) and "Measure" in made.todo
    one_story(made)


def test_eyes_that_a_repair_opened_hide_no_eye_that_closed() -> None:
    scores = stats.modified_z([0.0] * 40 + [1.1] * 6 + [-0.2], floor=0.045)
    assert scores[-1] < -3.5
    assert stats.modified_z([0.0] * 40 + [1.1] * 6 + [-0.2])[-1] > -3.5  # the scale made wide


def test_a_cleared_finding_is_held_to_its_own_links() -> None:
    fitted = after({"U6/10/0": {"width": 0.30}}, head={"replaced": "U6"})
    made = compared(before({"U6": {"read": "fail", "errors": 20_000}}), fitted)
    (sixth,) = [c for c in made.findings if c.place.site == "U6"]
    assert sixth.kind is ChangeKind.WORSE and made.outcome is Outcome.WORSE
    one_story(made)


@pytest.mark.parametrize(
    ("errors", "outcome"), [(2, Outcome.REPAIRED), (5000, Outcome.TOO_LITTLE_DATA)]
)
def test_errors_where_there_were_none_may_be_one_burst(errors: int, outcome: Outcome) -> None:
    """Two in as many bits are nothing even if independent; thousands may be one event, or a
    fault that was not there before."""
    one, two = before({"U6": WEAK}), after({"U3/4/1": {"errors": errors}}, head={"replaced": "U6"})
    quiet = replace(judged(two), findings=())
    made = compare(run(one), run(two), before_verdict=judged(one), after_verdict=quiet)
    assert made.outcome is outcome
    assert outcome is Outcome.REPAIRED or made.reasons[0].place == Place("U3", 4, 0, 1)
    one_story(made)


def test_a_link_heard_before_and_silent_after_is_named() -> None:
    text = after(head={"replaced": "U6"})
    less = _less(text, re.findall(r"^U3 4 0 1 .*$", text, re.MULTILINE))
    made = compared(before({"U6": WEAK}), less)
    assert made.outcome is Outcome.TOO_LITTLE_DATA and "U3 channel 4 lane 1" in made.why
    assert [r.kind for r in made.reasons] == [ReasonKind.SILENT]
    off = compared(before({"U6": WEAK}), _less(less.replace("replaced  U6", "removed  U3"), []))
    assert all(r.kind is not ReasonKind.SILENT for r in off.reasons)


def test_a_site_declared_off_without_a_row_is_not_finished() -> None:
    text = after(head={"removed": "U3", "replaced": "U6"})
    less = _less(text, re.findall(r"^U3 .*$", text, re.MULTILINE))
    one, two = before({"U6": WEAK}), less
    made = compare(
        run(one),
        run(two),
        before_verdict=judged(one),
        after_verdict=replace(judged(two), findings=()),
    )
    assert made.outcome is Outcome.NOT_REPAIRED
    assert made.headline == "U3 is empty on purpose: not finished."
    one_story(made)


# ---- the later run by itself ----

SETTLE = "run read training of U9 channel 16 again"


@pytest.mark.parametrize(
    ("kind", "outcome"),
    [
        (ObstacleKind.FAILED, Outcome.NOT_REPAIRED),
        (ObstacleKind.ABOVE_TARGET, Outcome.NOT_REPAIRED),
        (ObstacleKind.WORSE, Outcome.WORSE),
        (ObstacleKind.UNREAD, Outcome.TOO_LITTLE_DATA),
        (ObstacleKind.CUT, Outcome.TOO_LITTLE_DATA),
        (ObstacleKind.UNHEARD, Outcome.TOO_LITTLE_DATA),
        (ObstacleKind.ODDS, Outcome.TOO_LITTLE_DATA),
    ],
)
def test_what_stands_in_the_way_of_a_release_stands_against_a_repair(
    kind: ObstacleKind, outcome: Outcome
) -> None:
    one, two = before({"U6": WEAK}), after(head={"replaced": "U6"})
    obstacle = Obstacle(kind, "line 147 says not-found", SETTLE, (Place("U9", 16),), (147,))
    held = replace(judged(two), release=Release((obstacle,)))
    made = compare(run(one), run(two), before_verdict=judged(one), after_verdict=held)
    assert made.outcome is outcome
    assert made.why == "Line 147 says not-found." and made.todo == f"R{SETTLE[1:]}."
    one_story(made)


def test_lines_that_were_not_understood_stand_against_a_repair() -> None:
    one, two = before({"U6": WEAK}), after(head={"replaced": "U6"})
    lost = Lost(Position(40, 3), LostKind.CELL, "F@IL", Place("U1", 0, 0, 0), "result")
    last = replace(run(two), lost=(lost,))
    made = compare(run(one), last, before_verdict=judged(one), after_verdict=judged(two))
    assert made.outcome is Outcome.TOO_LITTLE_DATA and "line 40" in made.why
    one_story(made)
    # The verdict's own word on them is enough.
    obstacle = Obstacle(ObstacleKind.UNREAD, "line 40 was not understood", "mend it")
    held = replace(judged(two), release=Release((obstacle,)))
    made = compare(run(one), last, before_verdict=judged(one), after_verdict=held)
    assert [r.kind for r in made.reasons] == [ReasonKind.OBSTACLE]


@pytest.mark.parametrize("how", ["obstacle", "lost", "cut"])
def test_nothing_seen_before_is_no_repair_where_it_was_not_all_heard(how: str) -> None:
    one, two = before(), after()
    first, verdict = run(one), judged(one)
    if how == "obstacle":
        obstacle = Obstacle(ObstacleKind.UNHEARD, "nothing speaks of U3", "run read of U3")
        verdict = replace(verdict, release=Release((obstacle,)))
    elif how == "lost":
        lost = Lost(Position(40, 3), LostKind.ROW, "a row")
        first = replace(first, lost=(lost,))
        verdict = replace(verdict, run=first)
    else:
        first = replace(first, source=replace(first.source, complete=False))
        verdict = replace(verdict, run=first)
    made = compare(first, run(two), before_verdict=verdict, after_verdict=judged(two))
    assert made.outcome is Outcome.TOO_LITTLE_DATA
    assert made.headline == "What was wrong before is not known."
    one_story(made)


def test_a_run_that_shows_no_fault_does_not_spoil_a_history() -> None:
    texts = [before({"U6": WEAK}), after(head={"replaced": "U6", "stage": "after-swap"}), after()]
    runs = [run(text) for text in texts]
    cut = replace(runs[1], source=replace(runs[1].source, complete=False))
    for middle in (runs[1], cut):
        verdicts = [judged(texts[0]), replace(judged(texts[1]), run=middle), judged(texts[2])]
        made = history([runs[0], middle, runs[2]], verdicts=verdicts, any_order=True)
        assert made.outcome is Outcome.REPAIRED and made.history is not None
    assert made.history.stages[2].outcome is Outcome.TOO_LITTLE_DATA  # against the cut one


# ---- settings that differ ----


@pytest.mark.parametrize(
    ("was", "now"), [("tight", "loose"), ("1.20V", "1.35V"), ("0x12", "0x13"), ("8", "9")]
)
def test_an_unknown_key_that_differs_forbids_the_comparison(was: str, now: str) -> None:
    made = compared(
        before({"U6": WEAK}, head={"timing": was}), after(head={"replaced": "U6", "timing": now})
    )
    assert made.outcome is Outcome.NOT_COMPARABLE and made.differs == ("timing",)
    assert was in made.why and now in made.why
    assert "under the settings of BEFORE" in made.todo
    one_story(made)


@pytest.mark.parametrize(
    ("was", "now"), [("tight", "TIGHT"), ("1350mV", "1.35V"), ("2  ranks", "2 ranks")]
)
def test_the_same_in_other_words_is_the_same(was: str, now: str) -> None:
    made = compared(
        before({"U6": WEAK}, head={"timing": was}), after(head={"replaced": "U6", "timing": now})
    )
    assert made.outcome is Outcome.REPAIRED and made.beside == ()


@pytest.mark.parametrize("key", ["operator", "Tech", "rig-serial", "rig_no", "date", "note"])
def test_what_is_harmless_may_differ(key: str) -> None:
    made = compared(
        before({"U6": WEAK}, head={key: "one"}), after(head={"replaced": "U6", key: "two"})
    )
    assert made.outcome is Outcome.REPAIRED


def test_the_list_of_the_harmless_holds_no_setting() -> None:
    assert HARMLESS.isdisjoint({"board", "serial", "memory", "rate", "timing", "voltage", "test"})


def test_a_shop_says_what_else_is_harmless() -> None:
    mine = shop.parse('[compare]\nharmless = ["Fan-Speed", "crate"]\n')
    one = before({"U6": WEAK}, head={"crate": "red", "fan_speed": "2"})
    two = after(head={"replaced": "U6", "crate": "blue", "fan_speed": "9"})
    assert set(compared(one, two).differs) == {"crate", "fan_speed"}
    assert compared(one, two, shop=mine).outcome is Outcome.REPAIRED


def test_a_key_of_one_run_only_is_named_beside_the_answer() -> None:
    made = compared(before({"U6": WEAK}), after(head={"replaced": "U6", "timing": "loose"}))
    assert made.outcome is Outcome.REPAIRED and "timing (loose)" in made.summary
    assert any(p.code == "compare-unsaid" and "timing" in p.message for p in made.problems)
    assert "timing (loose)" in render(comparison_page(made), "text").split("\n1. ")[0]


def _valued(text: str, *rows: str) -> str:
    table = "\n".join(("[values]", "site name value", *rows))
    return re.sub(r"\[end\] \d+", f"{table}\n[end] {144 + len(rows)}", text)


@pytest.mark.parametrize(
    ("was", "now", "forbids"),
    [
        ("8", "9", True),
        ("800MHz", "667MHz", True),
        ("1.35V", "1.50V", True),
        ("13.5ns", "15ns", True),
        ("4tap", "6tap", True),
        ("fast", "slow", True),
        ("45C", "61C", False),
        ("2.1A", "2.6A", False),
        ("0.40ohm", "0.55ohm", False),
        ("1350mV", "1.36V", None),
        ("100", "104", None),
        ("45C", "46C", None),
    ],
)
def test_readings_that_differ(was: str, now: str, forbids: bool | None) -> None:
    one = _valued(before({"U6": WEAK}), f"- knob {was}")
    two = _valued(after(head={"replaced": "U6"}), f"- knob {now}")
    made = compared(one, two)
    if forbids:
        assert made.outcome is Outcome.NOT_COMPARABLE and made.differs == ("knob",)
    else:
        assert made.outcome is Outcome.REPAIRED
        assert ("knob" in made.summary) is (forbids is False)
    one_story(made)


def test_a_reading_at_another_place_or_of_a_rail_is_no_setting() -> None:
    one = _valued(before({"U6": WEAK}), "U1 knob 1.0V", "- VDD_MEM_A 1.10V")
    two = _valued(after(head={"replaced": "U6"}), "U2 knob 2.0V", "- VDD_MEM_A 1.34V")
    made = compared(one, two)
    assert made.outcome is Outcome.REPAIRED and "VDD_MEM_A: 1.1V before" in made.summary


WORDS = st.text("abc 019.VmHz-", min_size=1, max_size=8).map(lambda s: " ".join(s.split()))


@given(WORDS.filter(bool), WORDS.filter(bool))
@settings(max_examples=examples(40), deadline=None)
def test_any_two_values_are_told_or_are_alike(was: str, now: str) -> None:
    one, two = before({"U6": WEAK}), after(head={"replaced": "U6"})

    def made(first: str, last: str) -> Comparison:
        return compare(
            _with_line(run(one), "knob", first),
            _with_line(run(two), "knob", last),
            before_verdict=judged(one),
            after_verdict=judged(two),
        )

    forwards = made(was, now)
    same = was.casefold() == now.casefold()
    assert not same or "knob" not in forwards.differs
    if forwards.outcome is Outcome.REPAIRED and not same and "-" not in (was, now):
        assert re.search(r"\d", was) and re.search(r"\d", now)  # one figure in other words
    assert made(now, was).differs == forwards.differs


def _with_line(of: Run, key: str, value: str) -> Run:
    line = replace(of.head.lines[0], key=key, value=value)
    return replace(of, head=replace(of.head, lines=(*of.head.lines, line)))


# ---- one story, whatever the pair ----

LANES = st.sampled_from([GONE, WEAK, WARNED, {"width": 0.30}, {"width": 0.39}, {"errors": 3}])
SITES = st.dictionaries(st.sampled_from(["U2", "U3", "U6/10/0", "U6", "U9/16"]), LANES, max_size=3)


@pytest.mark.long
@given(
    SITES,
    SITES,
    st.sampled_from([{}, {"replaced": "U6"}, {"removed": "U6"}, {"swapped": "U6>U9 U9>U6"}]),
)
@settings(max_examples=examples(25), deadline=None)
def test_every_pair_tells_one_story(one: dict, two: dict, head: dict) -> None:  # type: ignore[type-arg]
    one_story(compared(before(one), after(two, head=head)))


@pytest.mark.parametrize("seed", range(42, 47))
def test_simulated_pairs_tell_one_story(seed: int) -> None:
    """A board with a fault, the same board without, and with two others: whatever is damaged."""
    scenes = [draw(seed, faults=n, dirt=False, known=True, bare=False) for n in (1, 0, 2)]
    runs = [_headed(load(scene.text)[0], number) for number, scene in enumerate(scenes)]
    boards = scenes[0].board
    assert all(scene.board == boards for scene in scenes)
    for a, b in ((0, 1), (1, 0), (0, 2), (2, 0)):
        made = compare(runs[a], runs[b], boards, any_order=True)
        one_story(made)
        if made.outcome is Outcome.REPAIRED:
            assert b == 1 or not made.after_verdict or not made.after_verdict.wants_action


def _headed(of: Run, number: int) -> Run:
    """One board in each run: the simulator draws a new serial for each."""
    return replace(of, head=replace(of.head, serial=None, lines=(), id=str(number)))


def errors_at(site: str, errors: int, **head: str) -> str:
    """The dump after a repair, with some wrong bits left on one lane of a site."""
    number = int(site[1:])
    return after(
        {f"{site}/{2 * (number - 1)}/1": {"errors": errors}}, head={"replaced": "U6", **head}
    )


@pytest.mark.parametrize(("errors", "cleared"), [(1, True), (3, True), (400, False)])
def test_a_stray_error_is_left_to_a_site_that_was_only_disturbed(
    errors: int, cleared: bool
) -> None:
    """Of 600 sound packages 44 showed one to three stray words in about 1e9 bits (CMU-SAFARI,
    DIVA-DRAM, SIGMETRICS 2017)."""
    made = compared(before({"U6": GONE, "U3": WARNED}), errors_at("U3", errors))
    was = next(c for c in made.findings if c.place.site == "U3")
    assert (was.kind is ChangeKind.CLEARED) is cleared
    one_story(made)


def test_a_stray_error_where_the_fault_was_proves_neither() -> None:
    made = compared(before({"U6": WEAK}), errors_at("U6", 2))
    was = next(c for c in made.findings if c.place.site == "U6")
    assert was.kind is ChangeKind.TOO_LITTLE_DATA and "proves neither" in was.because
    assert made.outcome is Outcome.TOO_LITTLE_DATA
    one_story(made)


def test_links_that_are_all_marginal_are_a_reason_of_their_own() -> None:
    """A board whose every eye is marginal after the repair: nothing is left to compare with."""
    every = {site.ref: WARNED for site in board().sites}
    made = compare(run(before({"U6": GONE})), run(after(every, head={"replaced": "U6"})))
    assert made.outcome is not Outcome.REPAIRED
    assert any("Most links are marginal" in r.headline for r in made.reasons)
