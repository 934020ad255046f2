"""A run against itself, against its board profile and against what its head declares.

Each input is a dump a technician would recognise; beside each thing that must be told stands one
that looks like it and must not be.
"""

from __future__ import annotations

import time

import pytest
from msgspec.structs import replace

from memdiag.model import Board, Link, Run, Site, problems
from memdiag.model.problems import Problem, pastes, runs
from memdiag.reading.checks import CHECKS
from memdiag.reading.load import Unreadable, load

ROOMS = {**pastes.KINDS, **runs.KINDS}
PROVOKED = [
    pytest.param(code, text, id=f"{code}-{i}")
    for code, kind in ROOMS.items()
    if kind.via == "dump"
    for i, text in enumerate(kind.provoked_by)
]


def told(text: str | bytes) -> list[Problem]:
    """Every problem of every run of a text, or of a text that holds none."""
    try:
        return [p for run in load(text) for p in run.problems]
    except Unreadable as nothing:
        return list(nothing.problems)


def codes(text: str | bytes) -> set[str]:
    return {p.code for p in told(text)} & set(runs.KINDS)


@pytest.mark.parametrize(("code", "text"), PROVOKED)
def test_every_problem_has_inputs_that_provoke_it(code: str, text: str | bytes) -> None:
    found = [p for p in told(text) if p.code == code]
    assert found
    for p in found:
        assert p.severity is ROOMS[code].severity
        assert "{" not in p.sentence()


def test_no_problem_of_a_dump_is_without_inputs() -> None:
    # Rejoined rows need a layout that knows its cells: tested with the reader.
    without = {code for code, kind in ROOMS.items() if kind.via == "dump" and not kind.provoked_by}
    assert without <= {"rows-rejoined"}


def test_codes_stand_in_the_catalogue_once() -> None:
    assert set(ROOMS) <= set(problems.catalogue())


def dump(body: str, *, board: str = "quince-12", head: str = "") -> str:
    return f"bench-dump 1\n[run]\nboard  {board}\n{head}{body}"


TRAINING = "[training]\nsite ch rank lane step result width window delay\n"
COUNTS = "[counts]\nsite ch lane test attempt bits errors rose fell edc\n"

HEALTHY = dump(
    TRAINING
    + "".join(
        f"U{u} {2 * u - 2 + c} 0 {lane} {step} pass 0.4{lane}UI 0000111111110000 8\n"
        for u in range(1, 13)
        for c in range(2)
        for lane in range(2)
        for step in ("read", "write")
    )
    + COUNTS
    + "".join(
        f"U{u} {2 * u - 2 + c} {lane} sweep 1 1000000000 0 0 0 0\n"
        for u in range(1, 13)
        for c in range(2)
        for lane in range(2)
    ),
    head="memory  gddr6\nrate  14.0 Gbit/s\nstage  intake\nat  2026-03-04T12:00:01Z\n",
)


def test_a_healthy_board_has_nothing_said_against_it() -> None:
    assert codes(HEALTHY) == set()


# -- places ------------------------------------------------------------------------------------


def test_an_unknown_site_is_told_once_for_all_its_rows() -> None:
    rows = "".join(f"U31 0 0 0 {step} fail - - -\n" for step in ("id", "ca", "read", "write"))
    (found,) = [p for p in told(dump(TRAINING + rows)) if p.code == "unknown-site"]
    assert "4 rows" in found.message
    assert found.position is not None
    assert found.position.line == 6


def test_the_nearest_name_is_offered_in_its_own_letters() -> None:
    (found,) = [
        p for p in told(dump(TRAINING + "uu7 12 0 0 id pass - - -\n")) if p.code == "unknown-site"
    ]
    assert "U7?" in found.hint


def test_without_a_profile_no_place_is_unknown() -> None:
    assert codes(dump(TRAINING + "U31 99 0 5 id pass - - -\n", board="pear-9")) == set()


def test_rows_of_errors_are_looked_at_too() -> None:
    text = dump("[errors]\nsite ch lane address mask\n" + "U3 44 0 0x10 0x1\n" * 3)
    assert codes(text) == {"unknown-channel"}


def test_a_site_of_a_shared_channel_owns_only_its_lanes() -> None:
    good = dump("[training]\nsite ch lane step result\nU1 0 0 id pass\n", board="quince-8")
    bad = good.replace("U1 0 0", "U1 0 1")
    assert codes(good) == set()
    assert codes(bad) == {"link-of-another"}
    assert "U5" in next(p for p in told(bad) if p.code == "link-of-another").hint


def test_packages_that_share_a_lane_own_their_data_lines() -> None:
    """Packages four lines wide: two of them make up a byte lane."""
    halves = tuple(
        Site(ref, (Link(0, 0, 0, dqs),))
        for ref, dqs in (("U1", (0, 1, 2, 3)), ("U2", (4, 5, 6, 7)))
    )
    board = Board("halves", "ddr4", sites=halves)
    table = "[counts]\nsite ch lane dq bits errors\n"
    for dq, owner in ((3, "U1"), (4, "U2"), (7, "U2")):
        for site in ("U1", "U2"):
            (run,) = load(dump(table + f"{site} 0 0 {dq} 1000 1\n", board="halves"), board=board)
            found = [p for p in run.problems if p.code == "link-of-another"]
            assert bool(found) is (site != owner)
            assert all(f"dq {dq}" in p.message and owner in p.hint for p in found)


def test_rails_of_a_board_without_rails() -> None:
    readings = "[rails]\nrail ohms\nVDD_MEM_A 108\n"
    assert codes(dump(readings)) == set()
    assert codes(dump(readings, board="pear-9")) == set()
    assert codes(dump("[heat]\nrail volts\nVDDX 1\n")) == {"unknown-rail"}


# -- the head ----------------------------------------------------------------------------------

ROW = "[training]\nsite ch step result\nU1 0 id pass\n"


@pytest.mark.parametrize(
    ("head", "expected"),
    [
        ("stage  bare\nremoved  U6\n", set()),
        ("stage  bare\n", {"bare-of-nothing"}),
        ("stage  after-swap\nreplaced  U6\n", set()),
        ("stage  after-swap\nswapped  U3>U5 U5>U3\n", set()),
        ("stage  after-swap\nreflowed  U6\n", set()),
        ("stage  after-swap\n", {"swap-of-nothing"}),
        ("stage  after-swap\nreplaced  U6\nremoved  U7\n", {"still-removed"}),
        ("stage  final\n", set()),
        ("stage  burn-in\n", set()),
        ("removed  U6\nreplaced  U7\n", set()),
        ("removed  U6\nreplaced  U6\n", {"removed-and-more"}),
        ("removed  U3\nswapped  U3>U5\n", set()),  # U3's package went to U5, U3 stayed empty
        ("removed  U5\nswapped  U3>U5\n", {"removed-and-more"}),
        ("replaced  U66\n", {"declared-unknown"}),
        ("memory  gddr6\nrate  14.0 Gbit/s\n", set()),
        ("memory  ddr4\n", {"memory-differs"}),
        ("memory  gddr6\nrate  16.0 Mbit/s\n", {"rate-unlike-memory"}),
        ("rate  16.0 Mbit/s\n", {"rate-unlike-memory"}),  # the profile says gddr6
        ("memory  gddr6\nrate  1.75 Gbit/s\n", set()),  # a slow test, not a slip of the prefix
    ],
)
def test_what_the_head_declares(head: str, expected: set[str]) -> None:
    assert codes(dump(ROW, head=head)) == expected


def test_a_removed_site_that_does_not_answer_is_as_declared() -> None:
    rows = "U6 10 0 0 id no-response - - -\nU6 10 0 0 read not-run - - -\n"
    counts = "U6 10 0 sweep 1 1000000 500123 500123 0 -\n"
    text = dump(TRAINING + rows + COUNTS + counts, head="stage  bare\nremoved  U6\n")
    assert codes(text) == set()


def test_the_rest_of_a_shared_channel_may_answer() -> None:
    """On a spread channel `id` of the channel is answered by the packages that are there."""
    shared = "[training]\nch step result\n0 id pass\n"
    assert codes(dump(shared, board="quince-8", head="removed  U1\n")) == set()
    own = "[training]\nch lane step result\n0 0 read pass\n"
    assert codes(dump(own, board="quince-8", head="removed  U1\n")) == {"removed-answers"}


# -- training ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("second", "expected"),
    [
        ("U1 0 0 1 4800 a 40C read fail", set()),  # another lane
        ("U1 0 0 0 4800 a 40C write fail", set()),  # another step
        ("U1 0 0 0 2400 a 40C read fail", set()),  # another set point
        ("U1 0 0 0 4800 b 40C read fail", set()),  # another candidate
        ("U1 0 0 0 4800 a 85C read fail", set()),  # another temperature
        ("U1 0 0 0 4800 a 40C read -", set()),  # says nothing
        ("U1 0 0 0 4800 a 40C read fail", {"rows-contradict"}),
        ("U1 0 0 0 4800 a 40C read pass", set()),
    ],
)
def test_two_rows_of_one_measurement(second: str, expected: set[str]) -> None:
    table = "[training]\nsite ch rank lane point candidate temp step result\n"
    assert codes(dump(table + "U1 0 0 0 4800 a 40C read pass\n" + second + "\n")) == expected


def test_attempts_are_measurements_of_their_own() -> None:
    table = "[training]\nsite ch attempt step result\n"
    assert codes(dump(table + "U1 0 1 read fail\nU1 0 2 read pass\n")) == set()


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ("read pass - 0000111111110000 8", set()),
        ("read pass 8taps 0000111111110000 8", set()),
        ("read pass 10 0000111111110000 8", set()),  # both edges rounded by a tap
        ("read pass 11 0000111111110000 8", {"window-against-width"}),
        ("read pass 0.46UI 0000111111110000 8", set()),  # UI: no way to compare with taps
        ("read fail 0.46UI 0000000000000000 -", {"window-against-width"}),
        ("read pass - 0000000000000000 -", {"result-against-window"}),
        ("read not-run - 0000111111110000 -", {"result-against-window"}),
        ("read no-response 0.2UI - -", {"result-against-width"}),
        ("read no-response 0UI - -", set()),
        ("read fail - 0000000000000000 -", set()),
        ("read pass - 0000111111110000 12", set()),  # on the edge: rounding
        ("read pass - 0000111111110000 14", {"delay-outside-window"}),
        ("read pass - 0000111111110000 14+-4", set()),
        ("read pass - 0000111111110000 120", set()),  # counted from elsewhere
        ("read pass - 0000111111110000 94ps", set()),
        ("level pass - 1110000000000111 0", set()),  # wraps round the clock period
        ("level pass 6taps 1110000000000111 -", set()),
        ("read pass 6taps 1110000000000111 -", {"window-against-width"}),
        ("read pass - 1111111111111111 8", {"window-full"}),
        ("read pass - 111 1", set()),
        ("read pass 1.02UI - -", {"eye-too-wide"}),
        ("read pass 1UI - -", set()),
    ],
)
def test_windows_and_what_stands_beside_them(row: str, expected: set[str]) -> None:
    assert codes(dump(TRAINING + f"U1 0 0 0 {row}\n")) == expected


def test_a_window_character_may_stand_for_several_taps() -> None:
    table = "[training]\nsite step result width window taps delay\n"
    assert codes(dump(table + "U1 read pass 32 0000111111110000 4 32\n")) == set()
    assert codes(dump(table + "U1 read pass 8 0000111111110000 4 32\n")) == {"window-against-width"}


def test_a_rank_that_passes_with_no_margin_was_not_measured() -> None:
    table = "[training]\nch rank lane step result width\n"
    measured = "0 0 0 read pass 0.44UI\n"
    board = {"board": "pear-9"}
    assert codes(dump(table + measured + "0 1 0 read pass -\n", **board)) == {"rank-unmeasured"}
    assert codes(dump(table + measured + "0 1 0 read fail 0UI\n", **board)) == set()
    assert codes(dump(table + measured + "0 1 0 read pass 0.4UI\n", **board)) == set()
    assert codes(dump(table + "0 0 0 id pass -\n0 1 0 id pass -\n", **board)) == set()


# -- counts and errors -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        ("U1 0 0 a 1 1000 5 3 2 -", set()),
        ("U1 0 0 a 1 1000 5 3 1 -", {"directions-short"}),
        ("U1 0 0 a 1 1000 5 3 - -", set()),
        ("U1 0 0 a 1 1000 5 - - -\nU1 0 0 a 1 1000 6 - - -", {"counts-contradict"}),
        ("U1 0 0 a 1 1000 5 - - -\nU1 0 0 a 1 2000 6 - - -", set()),  # another piece of the test
        ("U1 0 0 a 1 1000 5 - - -\nU1 0 0 b 1 1000 6 - - -", set()),
        ("U1 0 0 a 1 1000 5 - - -\nU1 0 0 a 2 1000 6 - - -", set()),
        ("U1 0 0 a 1 1000 5 - - -\nU1 0 0 a 1 1000 5 - - -", set()),
    ],
)
def test_counts(rows: str, expected: set[str]) -> None:
    assert codes(dump(COUNTS + rows + "\n")) == expected


ERRORS = "[errors]\nsite ch address wrote read edc\n"


@pytest.mark.parametrize(
    ("count", "error", "expected"),
    [
        ("U1 0 0 a 1 1000 1 - - 0", "U1 0 0x40 0xff 0xfe ok", set()),
        ("U1 0 0 a 1 1000 0 - - 0", "U1 0 0x40 0xff 0xfe ok", {"errors-not-counted"}),
        ("U1 0 0 a 1 1000 0 - - 0", "U1 1 0x40 0xff 0xfe ok", set()),  # another channel
        ("U1 0 0 a 1 1000 - - - 0", "U1 0 0x40 0xff 0xfe ok", set()),  # not said is not zero
        ("U1 0 0 a 1 1000 1 - - 0", "U1 0 0x40 0xff 0xfe bad", {"link-check-not-counted"}),
        ("U1 0 0 a 1 1000 1 - - 1", "U1 0 0x40 0xff 0xfe bad", set()),
        ("U1 0 0 a 1 1000 1 - - -", "U1 0 0x40 0xff 0xfe bad", set()),
    ],
)
def test_counts_against_errors(count: str, error: str, expected: set[str]) -> None:
    assert codes(dump(COUNTS + count + "\n" + ERRORS + error + "\n")) == expected


def errors(rows: int, sites: int, edc: str) -> str:
    return ERRORS + "".join(
        f"U{1 + i % sites} {2 * (i % sites)} 0x{64 * i:x} 0xff 0xfe {edc}\n" for i in range(rows)
    )


def test_a_link_check_that_never_fails() -> None:
    assert codes(dump(errors(60, 3, "ok"))) == {"link-check-silent"}
    assert codes(dump(errors(60, 1, "ok"))) == set()  # one package: its array
    assert codes(dump(errors(20, 3, "ok"))) == set()
    assert codes(dump(errors(60, 3, "-"))) == set()
    assert codes(dump(errors(60, 3, "ok") + "U1 0 0x7 0xff 0xfe bad\n")) == set()


def test_temperatures() -> None:
    table = "[training]\nsite step result temp\n"
    assert codes(dump(table + "U1 id pass 95C\nU1 ca pass -40C\n")) == set()
    assert codes(dump(table + "U1 id pass 255C\n")) == {"temperature-absurd"}


# -- all of them -------------------------------------------------------------------------------


def test_many_of_one_kind_are_told_in_few_words() -> None:
    table = "[training]\nsite ch lane point step result\n"
    rows = "".join(f"U1 0 0 {i} read pass\nU1 0 0 {i} read fail\n" for i in range(50))
    found = told(dump(table + rows))
    assert sum(p.code == "rows-contradict" for p in found) == 10
    more = next(p for p in found if p.code == "more-alike")
    assert more.message.startswith("40 more")


def test_checks_are_many_small_functions_that_change_nothing() -> None:
    assert isinstance(CHECKS, tuple)
    (run,) = load(HEALTHY)
    from memdiag.boards.profiles import for_run

    board, _ = for_run(run, None)
    before = replace(run)
    for check in CHECKS:
        assert list(check(run, board)) == []
    assert run == before


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: f"{c.__module__}.{c.__name__}")
def test_an_empty_run_is_no_trouble(check: object) -> None:
    (run,) = load("bench-dump 1\n[run]\nid  x\n[end] 0\n")
    for board in (Board(None), Board("b", sites=(), known=True)):
        assert list(check(run, board)) == []  # type: ignore[operator]


def test_thousands_of_rows_are_checked_in_linear_time() -> None:
    from memdiag.boards.profiles import for_run

    def seconds(n: int) -> float:
        rows = "".join(f"U{i % 40} {i % 30} 0 {i % 3} r{i // 90} pass\n" for i in range(n))
        (run,) = load(dump("[training]\nsite ch rank lane step result\n" + rows))
        bare: Run = replace(run, problems=())
        board, _ = for_run(bare, None)
        start = time.process_time()
        for check in CHECKS:
            list(check(bare, board))
        return time.process_time() - start

    assert seconds(6_000) < 24 * max(seconds(1_000), 0.002)


@pytest.mark.parametrize(
    ("moment", "good"),
    [
        # RFC 3339, 5.8
        ("1985-04-12T23:20:50.52Z", True),
        ("1996-12-19T16:39:57-08:00", True),
        ("1990-12-31T23:59:60Z", True),
        ("1990-12-31T15:59:60-08:00", True),
        ("1937-01-01T12:00:27.87+00:20", True),
        # 5.6: T and Z may be lower case; a blank for the T is allowed by its note
        ("1985-04-12t23:20:50z", True),
        ("1985-04-12 23:20:50Z", True),
        # ISO 8601 but not RFC 3339, or no time at all
        ("1985-04-12T23:20:50", False),
        ("19850412T232050Z", False),
        ("1985-W15-5T23:20:50Z", False),
        ("1985-04-12T23:20Z", False),
        ("1985-02-30T23:20:50Z", False),
        ("1985-04-12T24:20:50Z", False),
        ("1985-04-12T23:20:61Z", False),
        ("1985-04-12T23:20:50+24:00", False),
        ("1985-04-12T23:20:50+0100", False),
        ("yesterday", False),
    ],
)
def test_the_moment_of_a_run(moment: str, good: bool) -> None:
    (run,) = load(dump(ROW, head=f"at  {moment}\n"))
    assert (run.head.at == moment) is good
    assert ("bad-head-value" in {p.code for p in run.problems}) is not good
