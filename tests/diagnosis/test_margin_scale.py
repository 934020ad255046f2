"""Whole dumps against the physics of margin: where the fault is, and what must not be done.

A lane's working width, how its steps end and how often it errs all follow from one margin. Bounds
are wide: they follow from the physics that stands beside each, and never from what came out.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.model import HEATS, Action, Board, Cause, Finding, Verdict
from memdiag.reading.load import load
from tests.diagnosis.test_facts import (
    BITS,
    EYES,
    RATE,
    STEPS,
    Lane,
    at,
    board,
    dump,
    lanes,
    scattered,
    verdict,
    work,
)
from tests.diagnosis.test_facts import counted as counts_of

SHARED = (Cause.SUPPLY, Cause.CONTROLLER)
HEALTHY = 0.46


def eye(i: int, share: float = 1.0) -> str:
    """The width of a healthy eye or a share of it, a few percent up or down from lane to lane."""
    return f"{share * (HEALTHY + 0.01 * ((7 * i) % 5 - 2)):.3f}UI"


def causes(found: Finding) -> dict[Cause, float]:
    return {found.cause: found.probability, **dict(found.alternatives)}


def shared(found: Finding) -> float:
    return sum(causes(found).get(cause, 0.0) for cause in SHARED)


def at_site(v: Verdict, ref: str) -> Finding:
    (found,) = (f for f in v.findings if f.place.site == ref)
    return found


def no_heat(v: Verdict) -> bool:
    return all(f.action not in HEATS for f in v.findings)


def not_let_go(v: Verdict) -> bool:
    return v.summary.cause is not Cause.CLEAR and not v.released


# ---- one lane ----


@pytest.mark.parametrize(
    "result",
    [
        "marginal",
        pytest.param(
            "pass",
            marks=pytest.mark.xfail(
                strict=True, reason="two eyes at half, read and write, count as strays of one lane"
            ),
        ),
    ],
)
def test_a_lane_half_as_wide_as_its_peers_is_that_lane(result: str) -> None:
    """Half of an eye in both ways, where 47 lanes repeat to a few percent: no spread does that."""
    half = f"{result} {0.5 * HEALTHY:.3f}UI"
    v = verdict(dump(board("quince-12"), at(("U4", 6, 0), read=half, write=half), counts=False))
    assert not_let_go(v)
    assert v.findings
    for found in v.findings:
        assert found.place.site == "U4" and found.place.lane in (None, 0)
        assert causes(found).get(Cause.CLEAR, 0.0) < 0.2
        assert shared(found) < 0.2


def test_only_one_way_thin_is_a_loss_of_one_way() -> None:
    """A package drives what is read and receives what is written: a thin write eye beside a whole
    read eye is one lane's, and no reason to believe the read eye less."""
    half = f"marginal {0.4 * HEALTHY:.3f}UI"
    one = verdict(dump(board("quince-12"), at(("U4", 6, 0), write=half), counts=False))
    assert not_let_go(one)
    assert {f.place.site for f in work(one)} <= {"U4"}


# ---- one line ----


def by_line(on: Board, bad: Lane, dq: int, cells: str) -> str:
    """Steps by data line; one of them ends otherwise in read and write."""
    memory = on.memory or ""
    out = ["bench-dump 1", "[run]", f"board {on.name}", f"memory {memory}", f"rate {RATE[memory]}"]
    out += ["[training]", "site ch rank lane dq step result width"]
    for i, lane in enumerate(lanes(on)):
        where = f"{lane[0]} {lane[1]} 0 {lane[2]}"
        out += [f"{where} - {step} pass -" for step in STEPS[memory] if step not in EYES]
        for step in EYES:
            for line in range(8):
                this = lane == bad and line == dq
                out.append(f"{where} {line} {step} {cells if this else 'pass ' + eye(i + line)}")
    return "\n".join([*out, "[end]", ""])


@pytest.mark.parametrize(
    ("name", "lane"), [("quince-12", ("U4", 6, 0)), ("quince-8", ("U4", 0, 6))]
)
def test_a_line_that_finds_no_setting_either_way_is_not_clear(name: str, lane: Lane) -> None:
    """A healthy step fails by chance once in hundreds, two of one line once in a hundred thousand;
    one board in eleven that comes to a bench has an open ball."""
    v = verdict(by_line(board(name), lane, 3, "not-found -"))
    assert not_let_go(v)
    (found,) = work(v)
    assert (found.place.site, found.place.channel, found.place.lane) == lane
    assert found.place.dq in (None, 3)
    assert causes(found).get(Cause.CLEAR, 0.0) < 0.5


# ---- the whole board ----


def sagging(on: Board, share: float, errors: int | None) -> str:
    order = {lane: i for i, lane in enumerate(lanes(on))}

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        return f"marginal {eye(order[site, ch, lane], share)}" if step in EYES else None

    def count(site: str, ch: int, lane: int) -> str | None:
        return f"{BITS} {errors} {(errors or 0) // 2} {(errors or 0) // 2} - -"

    return dump(on, row, None if errors is None else count, counts=errors is not None)


@pytest.mark.parametrize("errors", [None, 3_000])
@pytest.mark.parametrize("name", ["quince-12", "quince-8"])
def test_a_board_all_of_whose_lanes_are_at_half_has_one_shared_fault(
    name: str, errors: int | None
) -> None:
    """Twelve packages do not weaken alike by chance. Nobody is left to compare with, but a quarter
    of a unit interval is no healthy eye; half of a healthy one errs at 1e-10 or somewhat more (Q
    scale, dual Dirac)."""
    on = board(name)
    v = verdict(sagging(on, 0.5, errors))
    assert not_let_go(v)
    first = work(v)[0]
    assert first.place.site is None
    assert shared(first) > 0.8
    assert no_heat(v)


@pytest.mark.parametrize("share", [0.4, 0.5])
def test_one_sag_is_one_rail(share: float) -> None:
    """Of faults that explain the same, one is likelier than three at once (priors multiply)."""
    v = verdict(sagging(board("quince-12"), share, None))
    assert len(work(v)) == 1


@pytest.mark.parametrize("share", [0.6, 0.7])
def test_a_board_all_of_whose_data_steps_are_marginal_is_not_let_go(share: float) -> None:
    """No sound board has 96 of 96 steps marginal with eyes of 0.3 UI: the rig says so, and the
    physics does not contradict it."""
    assert not_let_go(verdict(sagging(board("quince-12"), share, None)))


# ---- one block ----

DEGREES = (
    {"read": "fail -", "write": "fail -"},
    {"read": "marginal 0.22UI", "write": "marginal 0.21UI"},
    {"read": "fail 0.10UI", "write": "fail 0.12UI"},
    {"read": "marginal 0.17UI", "write": "marginal 0.20UI"},
    {"wck": "fail -", "read": "fail -", "write": "fail -"},
    {"read": "marginal 0.26UI", "write": "marginal 0.24UI"},
    {"read": "not-found -", "write": "not-found -"},
    {"read": "fail 0.14UI", "write": "marginal 0.17UI"},
)


@pytest.mark.parametrize("turn", [0, 3, 5])
@pytest.mark.parametrize("block", ["P1", "P4"])
def test_two_packages_of_one_block_in_different_degrees(block: str, turn: int) -> None:
    """One block that lets both down needs one fault; two weak packages that happen to share it
    need two, at one place in sixty-six."""
    on = board("quince-12")
    refs = {s.ref for s in on.sites if s.partition == block}
    sick = [lane for lane in lanes(on) if lane[0] in refs]
    ends = {lane: DEGREES[(i + turn) % 8] for i, lane in enumerate(sick)}
    assert len(sick) == 8

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        return ends.get((site, ch, lane), {}).get(step)

    v = verdict(dump(on, row, counts=False))
    found = work(v)
    assert found and not_let_go(v)
    assert max(map(shared, found)) >= max(causes(f).get(Cause.WEAK, 0.0) for f in found)
    replaced = [f for f in found if f.action is Action.REPLACE and f.probability > 0.5]
    assert len(replaced) < 2


# ---- words of one lane ----


def words_of(lane: Lane, n: int, wrong: Iterator[int]) -> Iterable[str]:
    address = scattered(7)
    rng = random.Random(n)
    for i in range(n):
        wrote = rng.getrandbits(8)
        read = wrote ^ next(wrong)
        yield f"{lane[0]} {lane[1]} 0 {lane[2]} {address(i):#x} {wrote:#04x} {read:#04x} - {i + 1}"


def any_byte() -> Iterator[int]:
    rng = random.Random(11)
    while True:
        yield rng.randint(1, 255)


@pytest.mark.parametrize("training", [True, False])
def test_words_all_on_one_lane_are_of_its_package(training: bool) -> None:
    """The list says also who is not on it: a rail or a block would be heard on other lanes."""
    listed = words_of(("U3", 4, 1), 20_000, any_byte())
    counted = counts_of(("U3", 4, 1), f"{BITS} 4000000 - - - -")
    on = board("quince-12")
    v = verdict(dump(on, None, counted, words=listed, training=training, counts=training))
    assert not_let_go(v)
    assert {f.place.site for f in work(v)} == {"U3"}
    for found in work(v):
        assert found.place.channel in (None, 4)
        assert found.action is not Action.CHECK_SUPPLY
        assert shared(found) < 0.2


# ---- two ranks ----


RANKED = """\
board = "quince-ranks"
memory = "ddr4"
[[rail]]
name = "VDD"
volts = 1.2
feeds = "packages"
"""


def ranked(folder: Path) -> Board:
    """Two channels, each of two ranks of two packages of four lanes."""
    text = RANKED
    for i in range(8):
        of = ", ".join(str(4 * (i % 2) + n) for n in range(4))
        text += f'[[site]]\nref = "U{i + 1}"\nx = {15 * i}\ny = 10\nsize = [8, 12]\n'
        text += f'rails = ["VDD"]\npartition = "P{i // 4}"\n'
        text += f"links = [{{channel = {i // 4}, rank = {i % 4 // 2}, lanes = [{of}]}}]\n"
    path = folder / "quince-ranks.toml"
    path.write_text(text, encoding="utf-8")
    return profiles.read(path)


def test_a_lane_dead_in_both_ranks_is_found_in_both(tmp_path: Path) -> None:
    """Both ranks hang on the same wires and the same lane of the controller: that is one fault,
    and two joints would be two. Whichever it is, both sites are spoken of."""
    on = ranked(tmp_path)
    out = ["bench-dump 1", "[run]", "board quince-ranks", "memory ddr4", "rate 3.2 Gbit/s"]
    out += ["[training]", "site ch rank lane step result width"]
    for i, (site, link) in enumerate((s, k) for s in on.sites for k in s.links):
        for step in STEPS["ddr4"]:
            dead = (link.channel, link.lane) == (0, 2) and step not in ("id", "ca")
            ends = "not-found -" if dead else f"pass {eye(i) if step in EYES else '-'}"
            out.append(f"{site.ref} {link.channel} {link.rank} {link.lane} {step} {ends}")
    (run,) = load("\n".join([*out, "[end]", ""]), board=on)
    v = judge(run, on)
    found = work(v)
    assert not_let_go(v) and found
    sites = set()
    for each in found:
        assert each.place.lane == 2
        one = {each.place.site} if each.place.site else {"U1", "U3"}
        assert each.place.site or each.place.channel == 0 or each.place.partition == "P0"
        sites |= one
    assert sites == {"U1", "U3"}
    assert max(map(shared, found)) > chance_of_two_joints(found)


def chance_of_two_joints(found: list[Finding]) -> float:
    return min(causes(f).get(Cause.JOINT, 0.0) for f in found)
