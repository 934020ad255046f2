"""Ohm readings and injections: the arithmetic, what benches know, and one repair from end to end.

Facts marked "common practice, no source" are what benches know of healthy and sick rails; currents
and parallel conductances are Ohm's, Kirchhoff's and Joule's.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import Struct

from memdiag.boards import profiles
from memdiag.cli.main import main
from memdiag.diagnosis import cautions
from memdiag.evidence import rails
from memdiag.evidence.nodes import RAIL
from memdiag.model import HEATS, Action, Board, Cause, Rail, Site
from memdiag.model.quantities import show_probability
from memdiag.model.rails import RailsReport
from memdiag.reading import typed_readings
from memdiag.reading.load import Unreadable
from memdiag.reports.formats import render
from memdiag.reports.rails_page import rails_page
from tests.support.marks import examples
from tests.support.rails import check


def board(name: str = "quince-12") -> Board:
    found = profiles.find(name)
    assert found is not None
    return found


def judged(report: RailsReport) -> dict[tuple[str, tuple[str, ...]], str]:
    return {(r.rail, r.without): max(r.chances, key=r.chances.__getitem__) for r in report.readings}


# ---- arithmetic ----


@pytest.mark.parametrize(
    ("with_it", "without_it", "through"),
    [(3.1, 64.0, 3.258), (6.4, 402.0, 6.504), (18.0, 117.0, 21.27), (5.0, math.inf, 5.0)],
)
def test_what_a_package_drew(with_it: float, without_it: float, through: float) -> None:
    """1/R = 1/R1 - 1/R2; the first two belong to the repair below."""
    assert rails.through_package(with_it, without_it) == pytest.approx(through, abs=0.005 * through)


@settings(max_examples=examples(80), deadline=None)
@given(st.floats(0.1, 1e4), st.floats(0.1, 1e4))
def test_a_package_beside_a_board_is_found_again(package: float, rest: float) -> None:
    both = package * rest / (package + rest)
    assert rails.through_package(both, rest) == pytest.approx(package, rel=1e-4)


@pytest.mark.parametrize(("first", "then"), [(64.0, 64.0), (64.0, 58.0)])
def test_a_reading_that_did_not_rise_accounts_for_nothing(first: float, then: float) -> None:
    assert rails.through_package(first, then) is None


def test_a_dead_short_is_all_the_packages_own() -> None:
    assert rails.through_package(0.0, 116.0) == 0.0


@pytest.mark.parametrize(
    ("ohms", "volts", "amps", "watts"),
    [(2.0, 1.0, 0.5, 0.5), (0.4, 1.0, 2.5, 2.5), (0.5, 0.5, 1.0, 0.5)],
)
def test_what_an_injection_drives(ohms: float, volts: float, amps: float, watts: float) -> None:
    assert rails.injection(ohms, volts) == pytest.approx((amps, watts))
    for dead in (0.0, 5e-324, 1e-9):
        assert rails.injection(dead, volts) is None  # whatever the source gives


def test_an_injection_above_a_limit_is_named() -> None:
    rail = Rail("VDD", volts=1.35, inject_volts_max=1.0, inject_amps_max=3.0)
    assert rails.over_limits(1.0, 2.9, rail) is None
    assert "3.2 A is above the profile's 3 A" in (rails.over_limits(1.0, 3.2, rail) or "")
    both = rails.over_limits(1.5, 0.1, rail) or ""
    assert "profile's 1 V" in both and "own 1.35 V" in both
    assert rails.over_limits(50.0, 50.0, None) is None


# ---- what benches know: common practice, no source ----

MEMORY = Rail("memory", healthy_ohms_min=88, healthy_ohms_typical=115)
AUXILIARY = Rail("auxiliary", volts=1.8, healthy_ohms_min=340, healthy_ohms_typical=430)


def state(ohms: float, rail: Rail | None = None, trend: str | None = None) -> str:
    table = rails.reading_loglik(ohms, trend, rail)
    assert set(table) == set(RAIL)
    return max(table, key=table.__getitem__)


@pytest.mark.parametrize("rail", [MEMORY, AUXILIARY])
@pytest.mark.parametrize("ohms", [0.0, 0.2, 0.5, 0.9])
def test_up_to_an_ohm_is_a_short(ohms: float, rail: Rail) -> None:
    assert state(ohms, rail) == "short"


@pytest.mark.parametrize(("ohms", "found"), [(0.0, "short"), (0.2, "short"), (1.5, "normal")])
def test_a_rail_that_nobody_knows_may_feed_a_core(ohms: float, found: str) -> None:
    """There a short is what no healthy core reads: half an ohm to a few are its own."""
    assert state(ohms) == found


@pytest.mark.parametrize("rail", [None, MEMORY, AUXILIARY])
@pytest.mark.parametrize("ohms", [2.0, 3.0, 5.7, 7.0])
def test_a_few_ohms_are_a_chip(ohms: float, rail: Rail | None) -> None:
    assert state(ohms, rail) == "low"


@pytest.mark.parametrize(
    ("rail", "ohms", "trend"),
    [
        (MEMORY, 116.0, None),
        (MEMORY, 88.0, None),
        (MEMORY, 144.0, "settled"),
        (AUXILIARY, 430.0, None),
        (AUXILIARY, 351.0, "rising"),
        (AUXILIARY, 402.0, "rising"),
        (None, 26.0, None),  # the supply of a bus interface
        (None, 1800.0, None),  # 5 V
        (None, 9100.0, None),  # 12 V and 3.3 V
        (None, 4300.0, None),  # a signal line into the controller
        (MEMORY, math.inf, None),
    ],
)
def test_healthy_rails(rail: Rail | None, ohms: float, trend: str | None) -> None:
    assert state(ohms, rail, trend) == "normal"


@settings(max_examples=examples(60), deadline=None)
@given(st.floats(8, 80), st.sampled_from([MEMORY, AUXILIARY]))
def test_rising_below_the_settled_limit_is_no_proof(ohms: float, rail: Rail) -> None:
    """A capacitor still charges: such a reading will end higher."""
    settled, rising = (rails.reading_loglik(ohms, t, rail) for t in ("settled", "rising"))
    assert rising["normal"] >= settled["normal"]
    assert rising["low"] == settled["low"] and rising["short"] == settled["short"]


@settings(max_examples=examples(60), deadline=None)
@given(st.floats(0, 1e9), st.sampled_from([None, MEMORY, AUXILIARY]))
def test_every_reading_can_be_weighed(ohms: float, rail: Rail | None) -> None:
    assert all(math.isfinite(v) for v in rails.reading_loglik(ohms, None, rail).values())


# ---- readings together ----


def test_healthy_rails_of_a_board_want_nothing() -> None:
    report = check(["VDD_MEM_A=116", "VDD_MEM_B=112", "VPP_MEM=427"], board())
    assert not report.verdict.wants_action
    assert set(judged(report).values()) == {"normal"}
    assert not report.injections


def test_a_short_sends_nobody_to_heat_a_package() -> None:
    report = check(["VDD_MEM_A=0.4:settled", "VDD_MEM_B=112"], board())
    assert report.verdict.wants_action
    assert report.verdict.findings[0].action not in HEATS
    assert report.verdict.findings[0].place.rail == "VDD_MEM_A"
    ((rail, volts, amps, _, warning),) = report.injections
    assert (rail, volts, warning) == ("VDD_MEM_A", 1.0, None)
    assert amps == pytest.approx(2.5)


def test_an_injection_above_the_profiles_limits_is_warned_of() -> None:
    (found,) = check(["VDD_MEM_A=0.2"], board()).injections
    assert found[4] is not None and "3 A" in found[4]
    (found,) = check(["VDD_MEM_A=3.1"], board(), volts=2.0).injections
    assert found[4] is not None and "1.35 V" in found[4]


def test_a_site_that_warms_is_named_before_the_others() -> None:
    report = check(["VDD_MEM_A=3.1", "VPP_MEM=6.4"], board(), warm=["VDD_MEM_A:U3", "VPP_MEM:U3"])
    (top, *_) = report.verdict.findings
    assert top.place.site == "U3"


@pytest.mark.parametrize("reading", ["=", "VDD_MEM_A=two", "=116"])
def test_a_reading_nobody_can_use_is_a_problem(reading: str) -> None:
    report = check([reading, "VPP_MEM=427"], board())
    assert [r.rail for r in report.readings] == ["VPP_MEM"]
    assert report.verdict.problems


# ---- one repair (common practice, no source; the figures are made up) ----
# The memory supply reads 3.1 ohm and the auxiliary supply 6.4; one package warms whichever is fed.
# With it off they read 64 and 402, both rising. A new one fitted: 22 and rising, 418: it works.

LOW = ["VDD_MEM_A=3.1", "VPP_MEM=6.4"]
BETWEEN = ["VDD_MEM_A=0.75"]
"""Between a capacitor and a chip: a rail or a package on it."""
WARM = ["VDD_MEM_A:U3", "VPP_MEM:U3"]
OFF = ["VDD_MEM_A=64:rising", "VPP_MEM=402:rising"]


def test_one_package_on_both_low_rails_explains_both() -> None:
    report = check(LOW, board(), warm=WARM)
    (top, *more) = report.verdict.findings
    assert top.place.site == "U3"
    assert top.cause in (Cause.WEAK, Cause.MISSING, Cause.UNDECIDED)
    assert top.action is not Action.NONE
    assert not [f for f in more if f.cause is Cause.SUPPLY and f.probability > 0.5]


def test_with_it_off_the_rails_are_good_and_its_share_is_told() -> None:
    report = check(LOW, board(), after=OFF, off=["U3"], warm=WARM)
    assert dict(report.accounted) == pytest.approx(
        {"VDD_MEM_A": 3.258, "VPP_MEM": 6.504}, rel=0.005
    )
    states = judged(report)
    assert states["VDD_MEM_A", ()] == states["VPP_MEM", ()] == "low"
    assert states["VDD_MEM_A", ("U3",)] == states["VPP_MEM", ("U3",)] == "normal"


def test_both_readings_make_the_package_surer_than_the_first_alone() -> None:
    def at_u3(report: RailsReport) -> float:
        return max(
            (
                f.probability
                for f in report.verdict.findings
                if f.place.site == "U3" and f.cause in (Cause.WEAK, Cause.MISSING)
            ),
            default=0.0,
        )

    first = check(LOW, board(), warm=WARM)
    both = check(LOW, board(), after=OFF, off=["U3"], warm=WARM)
    assert at_u3(both) >= at_u3(first)


def test_rails_that_stay_low_with_it_off_clear_the_package() -> None:
    came_back = check(LOW, board(), after=OFF, off=["U3"])
    stayed = check(LOW, board(), after=["VDD_MEM_A=3.1", "VPP_MEM=6.4"], off=["U3"])
    assert stayed.accounted == ()

    def weak(report: RailsReport) -> float:
        return max(
            (
                f.probability
                for f in report.verdict.findings
                if f.place.site == "U3" and f.cause in (Cause.WEAK, Cause.MISSING)
            ),
            default=0.0,
        )

    assert weak(stayed) <= weak(came_back)


def test_the_new_package_reads_good_so_far() -> None:
    report = check(["VDD_MEM_A=22:rising", "VPP_MEM=418"], board())
    assert {r.rail: r.word for r in report.readings} == {
        "VDD_MEM_A": "good so far",
        "VPP_MEM": "good",
    }
    assert not report.verdict.wants_action
    assert not report.verdict.released  # a figure that still moves is not the last one


# ---- nothing is clear that was not read ----


@pytest.mark.parametrize(
    ("readings", "says", "settle"),
    [
        (["VDD_MEM_A=0L"], "no contact", "press the probes"),
        (["VDD_MEM_A=64:rising"], "still rising at 64 ohm", "stands still"),
        (["VDD_MEM_A=402:falling"], "still falling at 402 ohm", "stands still"),
        (["VDD_MAM_A=116"], "no rail VDD_MAM_A", "did you mean VDD_MEM_A"),
        (["ZZZ=116"], "no rail ZZZ", "the board has VDD_MEM_A, VDD_MEM_B"),
        (["VPP_MEM=fine"], "'fine'", "RAIL=OHMS"),
        (["VDD_MEM_A=60"], "reads 60 ohm", "healthy: about 115 ohm"),
        (["VDD_MEM_A=51"], "reads 51 ohm: between", "healthy: about 115 ohm"),
        (["VDD_MEM_A=87"], "lower than a healthy one", "healthy: about 115 ohm"),  # at least 88
    ],
)
def test_a_reading_that_says_nothing_clears_nothing(
    readings: list[str], says: str, settle: str
) -> None:
    """Beside good readings as much as alone."""
    report = check(["VDD_MEM_B=112", *readings], board())
    verdict = report.verdict
    assert not verdict.released and not verdict.wants_action
    assert (verdict.summary.cause, verdict.summary.action) == (Cause.UNDECIDED, Action.RETEST)
    (obstacle,) = verdict.release.obstacles
    assert says in obstacle.says and settle in obstacle.settle
    assert says in verdict.summary.text
    page = render(rails_page(report), "text")
    assert page.startswith("rails: UNDECIDED\nDO: RETEST") and "CLEAR" not in page
    assert all(" ".join(text.split()) in " ".join(page.split()) for text in (says, settle))


def test_a_place_that_warmed_on_a_rail_nobody_knows_accuses_nobody() -> None:
    report = check(["VDD_MEM_B=112"], board(), warm=["VDD_MAM_A:U3"])
    assert not report.verdict.findings and not report.verdict.released
    (obstacle,) = report.verdict.release.obstacles
    assert "no rail VDD_MAM_A" in obstacle.says
    low = check(["VDD_MEM_A=3.1"], board(), warm=["VDD_MAM_A:U3"]).verdict
    assert not [f for f in low.findings if f.place.site == "U3" or f.action in HEATS]


def test_the_last_reading_of_a_rail_is_the_one_that_counts() -> None:
    again = check(["VDD_MEM_A=0L"], board(), after=["VDD_MEM_A=117"], off=["U3"])
    assert again.verdict.released
    lost = check(["VDD_MEM_A=117"], board(), after=["VDD_MEM_A=0L"], off=["U3"])
    assert not lost.verdict.released


@settings(max_examples=examples(60), deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(["VDD_MEM_A", "VDD_MEM_B", "VPP_MEM", "vdd_mem_a", "VDDX", "5V"]),
        st.tuples(
            st.floats(0, 2e3).map(lambda x: f"{x:.3g}") | st.sampled_from(["0L", "1M", "-", "x"]),
            st.sampled_from(["", ":rising", ":falling", ":settled"]),
        ),
        min_size=1,
    )
)
def test_clear_is_said_of_good_readings_only(typed: dict[str, tuple[str, str]]) -> None:
    try:
        report = check([f"{rail}={ohms}{how}" for rail, (ohms, how) in typed.items()], board())
    except Unreadable:
        return
    if report.verdict.released:
        assert {r.word for r in report.readings} == {"good"}
        assert len(report.readings) == len(typed)
        assert not report.injections
    if report.injections or any("feed" in s for f in report.verdict.findings for s in f.next):
        assert any(t.startswith(cautions.INJECT) for t in report.cautions)


# ---- what is advised ----


def test_a_rail_that_came_back_is_not_fed_again() -> None:
    report = check(LOW, board(), after=OFF[:1], off=["U3"])
    assert [rail for rail, *_ in report.injections] == ["VPP_MEM"]
    steps = [s for f in report.verdict.findings for s in f.next]
    assert not any("feed VDD_MEM_A" in s for s in steps)
    healed = check(LOW[:1], board(), after=["VDD_MEM_A=117"], off=["U3"])
    assert not healed.injections
    steps = [s for f in healed.verdict.findings for s in f.next]
    assert not any("feed" in s for s in steps)


def test_heat_that_readings_ask_for_comes_with_its_cautions() -> None:
    report = check(["VDD_MEM_A=3.1"], board(), warm=["VDD_MEM_A:U3"])
    assert report.verdict.findings[0].action in HEATS
    page = render(rails_page(report), "text")
    for caution in (*cautions.for_findings(report.verdict.findings, board()), cautions.OHMS):
        assert caution in " ".join(page.replace("! ", "").split())
    assert sum(t.startswith(cautions.INJECT) for t in report.cautions) == 1


@pytest.mark.parametrize(
    ("readings", "fed"),
    [
        (["VDD_MEM_A=40"], "U1, U2, U3, U4, U5, U6 lie on it"),
        (LOW, "U1, U2, U3, U4, U5, U6 lie on both"),
        ([*LOW, "VDD_MEM_B=3"], "see what warms first"),
    ],
)
def test_who_lies_on_a_low_rail(readings: list[str], fed: str) -> None:
    steps = [s for f in check(readings, board()).verdict.findings for s in f.next]
    assert any(s.endswith(fed) for s in steps)


def test_an_injection_is_advised_within_the_limits_of_every_rail_it_feeds() -> None:
    steps = [s for f in check(LOW, board()).verdict.findings for s in f.next]
    fed = [s for s in steps if s.startswith("feed VDD_MEM_A and VPP_MEM with at most 1 V, ")]
    assert fed and "the current limited to 1 A," in fed[0]  # VDD_MEM_A alone bears 3 A
    steps = [s for f in check(["VDD=3"], ONE).verdict.findings for s in f.next]
    assert any("at most 1 V, current-limited" in s for s in steps)


def test_an_undecided_answer_says_what_is_likeliest() -> None:
    report = check(BETWEEN, board())
    top = report.verdict.findings[0]
    assert top.cause is Cause.UNDECIDED
    best, chance = top.alternatives[0]
    said = render(rails_page(report), "text").splitlines()[1]
    assert said.startswith(f"WHAT: UNDECIDED ({best} {show_probability(chance)}")


def test_one_package_lies_on_a_rail_and_an_unnamed_one_is_not_named() -> None:
    steps = [s for f in check(["VDD=3"], ONE).verdict.findings for s in f.next]
    assert any(s.endswith("; U1 lies on it") for s in steps)
    report = check(["CORE=116", "AUX=3"], Board(None, known=False))
    text = render(rails_page(report), "text")
    assert "see what warms first" in text and "a package" not in text


ONE = Board(
    "one", sites=(Site("U1", rails=("VDD",)), Site("U2")), rails=(Rail("VDD"),), memory="ddr4"
)


# ---- without a profile, and the text that is read ----


def test_without_a_profile_the_readings_are_judged_by_common_practice() -> None:
    report = check(["CORE=116", "AUX=3"], Board(None, known=False))
    assert judged(report) == {("CORE", ()): "normal", ("AUX", ()): "low"}
    assert report.verdict.wants_action


def test_readings_become_a_dump() -> None:
    text = typed_readings.dump_text(["A=2", "B=0L:rising"], None, ["A:U3"], ["U5"])
    assert "removed  U5" in text
    assert "A 2 -" in text and "B 0L rising" in text and "A U3" in text


# ---- the command ----


class Told(Struct, frozen=True):
    exit_code: int
    stdout: str
    stderr: str


Command = Callable[..., Told]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    def told(*words: str) -> Told:
        monkeypatch.setattr("sys.argv", ["memdiag", "rails", *words])
        with pytest.raises(SystemExit) as end:
            main()
        assert isinstance(end.value.code, int)
        return Told(end.value.code, *capsys.readouterr())

    return told


def test_the_command_says_good_with_nought_and_sick_with_one(run: Command) -> None:
    good = run("VDD_MEM_A=116", "--board", "quince-12")
    assert good.exit_code == 0
    assert "good" in good.stdout
    sick = run("VDD_MEM_A=3.1", "--board", "quince-12")
    assert sick.exit_code == 1
    assert "VDD_MEM_A" in sick.stdout and "through a chip" in sick.stdout
    for caution in ("unplugged", "current-limited", "Local codes"):
        assert caution in sick.stdout
    for reading in ("VDD_MEM_A=0L", "VDD_MEM_A=116:rising", "VDDX=116"):
        assert run(reading, "--board", "quince-12").exit_code == 1


def test_the_command_tells_what_was_taken_off(run: Command) -> None:
    told = run(*LOW, "--board", "quince-12", "--off", "u3", "--after", OFF[0], "--after", OFF[1])
    assert told.exit_code == 1
    assert "3.26 ohm" in told.stdout and "6.5 ohm" in told.stdout


def test_the_document_of_the_command(run: Command) -> None:
    told = run(*LOW, "--board", "quince-12", "--format", "json", "--off", "U3", "--after", OFF[0])
    document = json.loads(told.stdout)
    assert document["format"] == "memdiag-verdict/1"
    assert [r["rail"] for r in document["readings"]] == ["VDD_MEM_A", "VPP_MEM", "VDD_MEM_A"]
    assert document["readings"][2]["without"] == ["U3"]
    (through,) = document["accounted"]
    assert through["rail"] == "VDD_MEM_A" and through["ohms"] == pytest.approx(3.26, abs=0.01)
    for reading in document["readings"]:
        assert math.isclose(sum(reading["chances"].values()), 1)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("VDD_MEM_A",), "is no reading"),
        (("VDD_MEM_A=2", "--warm", "U3"), "RAIL:SITE"),
        (("VDD_MEM_A=2", "--after", "VDD_MEM_A=116"), "--off"),
        (("VDD_MEM_A=two", "--board", "quince-12"), "no reading could be used"),
        (("VDD_MEM_A=3.1", "--board", "quince-99"), "quince-99"),
        (
            ("VDD_MEM_A=3.1", "--board", "quince-12", "--after", "VDD_MEM_A=9", "--off", "U77"),
            "U77 is no site",
        ),
        (("VDD_MEM_A=2", "--volts", "0"), "volts"),
        (("VDD_MEM_A=2", "--volts", "inf"), "volts"),
    ],
)
def test_the_command_refuses_what_it_cannot_use(
    words: tuple[str, ...], says: str, run: Command
) -> None:
    told = run(*words)
    assert told.exit_code == 2
    assert says in told.stderr and not told.stdout
