"""Facts of the trade and of standards, held against whole dumps: text in, verdict out.

A fact marked "common practice, no source" is what benches know; a fact of a standard names it.
Probabilities are compared with each other or with one half, never pinned.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterable, Iterator

import pytest

from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.model import Action, Board, Cause, Finding, Verdict
from memdiag.reading.load import load

STEPS = {
    "gddr6": ("id", "ca", "wck", "read", "write"),
    "ddr4": ("id", "ca", "level", "gate", "read", "write"),
    "lpddr4": ("id", "ca", "level", "gate", "read", "write"),
}
RATE = {"gddr6": "14.0 Gbit/s", "ddr4": "3.2 Gbit/s", "lpddr4": "3.2 Gbit/s"}
BITS = 1_200_000_000_000
WORDS = "site ch rank lane address wrote read edc pass"

Lane = tuple[str, int, int]  # site, channel, lane
Row = Callable[[str, int, int, str], str | None]
Count = Callable[[str, int, int], str | None]


def board(name: str) -> Board:
    found = profiles.find(name)
    assert found is not None
    return found


def dump(
    on: Board,
    row: Row | None = None,
    count: Count | None = None,
    *,
    words: Iterable[str] = (),
    head: dict[str, str] | None = None,
    sites: bool = True,
    counts: bool = True,
    training: bool = True,
    left_out: Iterable[str] = (),
) -> str:
    """A dump of a healthy board, every lane, but for what `row` and `count` say.

    `row(site, channel, lane, step)` gives `result width`, `count(site, channel, lane)` gives
    `bits errors rose fell edc cells`; None leaves the healthy cells.
    """
    memory = on.memory or ""
    keys = {"board": on.name or "", "stage": "intake", "memory": memory, "rate": RATE[memory]}
    out = ["bench-dump 1", "[run]", *(f"{k}  {v}" for k, v in (keys | (head or {})).items() if v)]
    name = "site " if sites else ""
    if training:
        out += ["[training]", f"{name}ch rank lane step result width"]
        for i, (site, ch, lane) in enumerate(lanes(on, left_out)):
            for step in STEPS[memory]:
                eye = f"{0.46 + 0.01 * ((7 * i) % 5 - 2):.2f}UI" if step in EYES else "-"
                cells = (row and row(site, ch, lane, step)) or f"pass {eye}"
                out.append(f"{site + ' ' if sites else ''}{ch} 0 {lane} {step} {cells}")
    if counts:
        out += ["[counts]", f"{name}ch rank lane test bits errors rose fell edc cells"]
        for site, ch, lane in lanes(on, left_out):
            cells = (count and count(site, ch, lane)) or f"{BITS} 0 0 0 0 0"
            out.append(f"{site + ' ' if sites else ''}{ch} 0 {lane} sweep {cells}")
    listed = list(words)
    if listed:
        out += ["[errors]", WORDS, *listed]
    return "\n".join([*out, "[end]", ""])


EYES = ("read", "write")
NOT_SAID = "- - - - - -"


def lanes(on: Board, left_out: Iterable[str] = ()) -> Iterator[Lane]:
    for site in on.sites:
        if site.ref not in left_out:
            for link in site.links:
                assert isinstance(link.channel, int) and link.lane is not None
                yield site.ref, link.channel, link.lane


def verdict(text: str) -> Verdict:
    (run,) = load(text)
    return judge(run)


def work(v: Verdict) -> list[Finding]:
    """Findings that want something done, without those the run declared."""
    return [f for f in v.findings if f.action is not Action.LEAVE and not f.expected]


def chance(finding: Finding, cause: Cause) -> float:
    if finding.cause is cause:
        return finding.probability
    return dict(finding.alternatives).get(cause, 0.0)


def gone(*refs: str, around: str | None = None) -> tuple[Row, Count]:
    """Sites that do not answer, and what the others print for their read and write steps."""

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if site in refs:
            return "no-response -" if step == "id" else "not-run -"
        return around if step in EYES else None

    return row, lambda site, ch, lane: NOT_SAID if site in refs else None


def at(where: Lane, **cells: str) -> Row:
    """Other cells for the named steps of one lane."""
    return lambda site, ch, lane, step: cells.get(step) if (site, ch, lane) == where else None


def counted(where: Lane, cells: str) -> Count:
    return lambda site, ch, lane: cells if (site, ch, lane) == where else None


def error_words(
    where: Lane,
    n: int,
    address: Callable[[int], int],
    dq: int = 3,
    *,
    edc: str = "-",
    way: str | None = None,
) -> list[str]:
    """`n` wrong words of one lane, random data, one line wrong (`way`: rose, fell or either)."""
    rng = random.Random(n)
    site, ch, lane = where
    out = []
    for i in range(n):
        wrote = rng.getrandbits(8)
        if way is not None:
            wrote = wrote | 1 << dq if way == "fell" else wrote & ~(1 << dq)
        read = wrote ^ 1 << dq
        out.append(f"{site} {ch} 0 {lane} {address(i):#x} {wrote:#04x} {read:#04x} {edc} {i + 1}")
    return out


def scattered(seed: int = 1) -> Callable[[int], int]:
    """Addresses over all rows and banks of a quince-12 channel, 32-byte bursts."""
    rng = random.Random(seed)
    found = [rng.getrandbits(24) << 5 for _ in range(20000)]
    return found.__getitem__


# ---- nothing wrong ----


@pytest.mark.parametrize("name", ["quince-12", "quince-8", "quince-2"])
def test_a_healthy_board_is_clear(name: str) -> None:
    v = verdict(dump(board(name)))
    assert v.summary.cause is Cause.CLEAR
    assert not v.findings


# ---- what was counted cannot be clear ----
# A rate of 1e-12 errors a bit is what a memory link is built for; a lane that errs a thousand
# times in 1.2e12 bits is a thousand times over it (common practice, no source).

COUNTS = [1000, 100_000, 100_000_000, 300_000_000_000]


@pytest.mark.parametrize("errors", [1000, 100_000_000, 300_000_000_000])
def test_errors_far_above_the_target_are_not_clear(errors: int) -> None:
    cells = f"{BITS} {errors} {errors // 2} {errors - errors // 2} - -"
    v = verdict(dump(board("quince-12"), count=counted(("U4", 6, 0), cells)))
    assert v.summary.cause is not Cause.CLEAR
    assert v.wants_action


@pytest.mark.parametrize("errors", [1000, 10_000])
def test_a_package_that_errs_on_all_its_lanes_is_not_clear(errors: int) -> None:
    cells = f"{BITS} {errors} {errors // 2} {errors // 2} {errors} {errors}"
    v = verdict(dump(board("quince-12"), count=lambda s, c, n: cells if s == "U4" else None))
    assert v.summary.cause is not Cause.CLEAR
    assert {f.place.site for f in work(v)} == {"U4"}


def test_listed_error_words_count_even_where_the_count_says_none() -> None:
    text = dump(board("quince-12"), words=error_words(("U4", 6, 0), 2000, scattered()))
    v = verdict(text)
    assert v.summary.cause is not Cause.CLEAR


def test_one_thin_lane_is_not_clear() -> None:
    """At 43 % of its peers, and marginal at both steps."""
    thin = at(("U4", 6, 0), read="marginal 0.20UI", write="marginal 0.20UI")
    v = verdict(dump(board("quince-12"), thin))
    assert v.summary.cause is not Cause.CLEAR


def test_one_dead_lane_leaves_no_room_for_clear() -> None:
    dead = at(("U4", 6, 0), wck="fail -", read="fail 0.00UI", write="fail 0.00UI")
    v = verdict(dump(board("quince-12"), dead, counted(("U4", 6, 0), NOT_SAID)))
    (found,) = work(v)
    assert (found.place.site, found.place.channel, found.place.lane) == ("U4", 6, 0)
    assert found.cause is Cause.JOINT
    assert chance(found, Cause.CLEAR) < 0.02


# ---- cells against lines ----


def test_one_cell_hit_ten_thousand_times_is_one_cell() -> None:
    words = error_words(("U4", 6, 0), 10_000, lambda i: 0x1A2B40, edc="ok", way="fell")
    count = counted(("U4", 6, 0), f"{BITS} 10000 0 10000 0 1")
    v = verdict(dump(board("quince-12"), count=count, words=words))
    (found,) = work(v)
    assert found.place.site == "U4"
    assert found.cause is Cause.WEAK
    row = next(r for r in v.table if (r.site, r.channel, r.lane) == ("U4", 6, 0))
    assert row.cells == 1


@pytest.mark.parametrize(
    "edc",
    [
        pytest.param("-", marks=pytest.mark.xfail(strict=True, reason="weak cells come first")),
        "bad",
    ],
)
def test_one_line_over_many_rows_and_banks_is_the_line(edc: str) -> None:
    words = error_words(("U4", 6, 0), 2000, scattered(), edc=edc)
    bad = 2000 if edc == "bad" else "-"
    count = counted(("U4", 6, 0), f"{BITS} 2000 1000 1000 {bad} 2000")
    v = verdict(dump(board("quince-12"), count=count, words=words))
    (found,) = work(v)
    assert (found.place.site, found.place.channel, found.place.lane) == ("U4", 6, 0)
    assert chance(found, Cause.JOINT) > chance(found, Cause.WEAK)


# ---- places ----


def test_a_capped_list_is_no_cluster() -> None:
    """Sixteen words side by side are the first of ninety million, not a weak word."""
    rng = random.Random(4)
    words = []
    for i in range(16):
        wrote = rng.getrandbits(8)
        read = wrote ^ 1 << rng.randrange(8)
        words.append(f"U4 6 0 0 {32 * i:#x} {wrote:#04x} {read:#04x} - 1")

    def count(site: str, ch: int, lane: int) -> str | None:
        return f"{BITS} 90000000 45000000 45000000 80000000 -" if site == "U4" else None

    v = verdict(dump(board("quince-12"), count=count, words=words))
    assert {f.place.site for f in work(v)} == {"U4"}


def test_all_lanes_thin_is_something_they_share() -> None:
    """Every eye under the profile's limit of 0.20 UI: no twelve joints, no twelve packages."""
    row: Row = lambda s, c, n, step: "pass 0.12UI" if step in EYES else None  # noqa: E731
    v = verdict(dump(board("quince-12"), row))
    assert not [f for f in v.findings if f.cause is Cause.SPILLOVER]
    shared = [f for f in work(v) if f.place.site is None]
    assert shared
    assert chance(shared[0], Cause.SUPPLY) > chance(shared[0], Cause.JOINT)


@pytest.mark.parametrize("name", ["quince-12", "quince-8"])
def test_all_packages_silent_is_one_finding(name: str) -> None:
    on = board(name)
    v = verdict(dump(on, *gone(*(s.ref for s in on.sites))))
    (found,) = work(v)
    assert found.place.site is None
    assert found.action is Action.CHECK_SUPPLY


def test_no_heat_where_dump_and_profile_mean_different_packages() -> None:
    """Common practice, no source: heat on the wrong package costs a good one. Two sites of the
    dump stand at each other's lanes; the fault is real, whose it is has to be settled first."""
    on = board("quince-8")
    text = dump(on, *gone("U5"))
    (sure,) = work(verdict(text))
    assert sure.action is Action.REPLACE
    turned = re.sub(r"^U([56]) ", lambda m: f"U{11 - int(m[1])} ", text, flags=re.M)
    v = verdict(turned)
    (doubted,) = work(v)
    assert doubted.cause is Cause.MISSING and doubted.action is Action.RETEST
    assert "before any heat" in doubted.next[0]
    assert any("U5, U6" in note for note in v.notes)


@pytest.mark.parametrize("rest", ["fail", "not-run"])
@pytest.mark.parametrize("word", ["fail", "no-response"])
def test_a_word_for_giving_up_that_all_print_condemns_no_controller(word: str, rest: str) -> None:
    """Eight packages on one channel, all of whose steps end alike: a dead supply does that as a
    dead controller does, and which word a rig has for it says it once, not eight times (common
    practice, no source). What can still be mended is not given up."""
    row: Row = lambda s, c, n, step: f"{word if step == 'id' else rest} -"  # noqa: E731
    v = verdict(dump(board("quince-8"), row, counts=False))
    assert chance(v.findings[0], Cause.SUPPLY) > 0.3
    assert v.summary.action is not Action.STOP


@pytest.mark.parametrize(
    ("first", "words", "cells"),
    [
        pytest.param(0, 256, False, id="full, from the first address"),
        pytest.param(0, 247, False, id="some of the rubbish right by chance"),
        pytest.param(0x0A4C_0000, 256, True, id="full, but what came before was right"),
        pytest.param(0, 190, True, id="from the first address, and then no more"),
    ],
)
def test_a_list_that_is_full_at_its_beginning_is_no_bad_row(
    first: int, words: int, cells: bool
) -> None:
    """A buffer of 256 words is full with rubbish before the test has left the first row, where a
    lane does not work at all; a bad row lies anywhere, and ends (common practice, no source)."""
    rng = random.Random(2)
    listed = []
    for i in range(words):
        wrote, mask = rng.getrandbits(8), rng.randrange(1, 256)
        at = first + 32 * (i // 8)
        listed.append(f"U4 6 0 0 {at:#x} {wrote:#04x} {wrote ^ mask:#04x} - 1")
    v = verdict(dump(board("quince-12"), training=False, counts=False, words=listed))
    (found,) = (f for f in v.findings if f.place.site == "U4")
    assert (chance(found, Cause.WEAK) > 0.5) == cells
    if not cells:
        assert found.action is not Action.REPLACE
