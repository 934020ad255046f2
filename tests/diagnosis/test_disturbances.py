"""What a fault takes of its neighbours is a matter of how the board joins them: its stubs, clocks
and references are the same for all, so several that lose alike beside a fault have one cause."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace

from memdiag.boards import profiles
from memdiag.diagnosis import hypotheses, network, search
from memdiag.diagnosis.judge import judge
from memdiag.diagnosis.rig_behaviour import CHANCE, CONTEXTS, VIEW
from memdiag.diagnosis.settings import Settings
from memdiag.evidence.build import gather
from memdiag.evidence.measurements import measure
from memdiag.model import Board, Cause, Verdict
from memdiag.reading.load import load
from tests.diagnosis.test_facts import BITS, EYES, NOT_SAID, board, dump, lanes
from tests.diagnosis.test_margin_scale import eye

SAMPLES = Path(__file__).resolve().parents[2] / "samples"


def in_blocks_of(n: int) -> Board:
    """The board with as many packages behind each block of the controller."""
    on = board("quince-12")
    sites = tuple(replace(s, partition=f"P{i // n}") for i, s in enumerate(on.sites))
    return replace(on, sites=sites)


BLOCKS = in_blocks_of(4)
ORDER = {lane: i for i, lane in enumerate(lanes(BLOCKS))}


def beside(
    narrow: dict[str, float], missing: str | None, *, warned: bool = False, counts: bool = True
) -> Verdict:
    """Packages with so much of their eyes left, and one that does not answer."""

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if site == missing:
            return "no-response -" if step == "id" else "not-run -"
        if step in EYES:
            width = eye(ORDER[site, ch, lane], narrow.get(site, 1.0))
            return f"{'marginal' if warned else 'pass'} {width}"
        return "marginal -" if warned and step == "wck" and site in narrow else None

    def count(site: str, ch: int, lane: int) -> str | None:
        return NOT_SAID if site == missing else f"{BITS} 0 0 0 0 0"

    (run,) = load(dump(BLOCKS, row, count, counts=counts), board=BLOCKS)
    return judge(run, BLOCKS)


def controller(v: Verdict) -> float:
    """The greatest probability with which anything is laid to the controller."""
    told = [{f.cause: f.probability, **dict(f.alternatives)} for f in v.findings]
    return max((causes.get(Cause.CONTROLLER, 0.0) for causes in told), default=0.0)


THREE = ("U9", "U10", "U12")


@pytest.mark.parametrize("warned", [False, True])
@pytest.mark.parametrize("left", [0.82, 0.74])
def test_a_block_that_is_narrow_beside_a_gap_in_it_is_disturbed(left: float, warned: bool) -> None:
    """Three packages at 82 or 74 % of their eyes share a block with one that is gone. The stub and
    the clock that end in nothing reach all three (common practice, no source); a controller that
    fails in that very block as well would be a second fault. Whether the rig calls all eyes of the
    board marginal changes nothing of that."""
    v = beside(dict.fromkeys(THREE, left), "U11", warned=warned)
    (gone,) = (f for f in v.findings if f.place.site == "U11")
    assert gone.cause is Cause.MISSING
    assert controller(v) < 0.5
    for found in v.findings:
        if found.place.site in THREE:
            assert found.cause is Cause.SPILLOVER


@pytest.mark.parametrize("left", [0.74, 0.5])
def test_the_same_block_without_a_gap_is_the_controllers(left: float) -> None:
    v = beside(dict.fromkeys((*THREE, "U11"), left), None)
    assert controller(v) > 0.6


def test_a_block_elsewhere_is_not_disturbed() -> None:
    """A package that is gone in another block does not take a third of every eye of this one."""
    v = beside(dict.fromkeys((*THREE, "U11"), 0.66), "U2")
    assert controller(v) > 0.6


def test_a_pull_without_errors_is_one_event_however_many_lines_are_counted() -> None:
    """Bursts hit a package or they do not: lines that are clean together are one piece of evidence
    against a pull, not one each. Counted by line or by lane, a neighbour at 80 % of its eyes is as
    surely disturbed."""

    def spilled(by_line: bool) -> float:
        def row(site: str, ch: int, lane: int, step: str) -> str | None:
            if site == "U11":
                return "no-response -" if step == "id" else "not-run -"
            if step in EYES and site == "U12":
                return f"pass {eye(ORDER[site, ch, lane], 0.8)}"
            return None

        text = dump(BLOCKS, row, counts=False).replace("[end]\n", "")
        lines = [str(n) for n in range(8)] if by_line else ["-"]
        rows = [
            f"{site} {ch} 0 {lane} {dq} sweep {BITS // len(lines)} 0"
            for site, ch, lane in lanes(BLOCKS)
            for dq in lines
            if site != "U11"
        ]
        text += "[counts]\nsite ch rank lane dq test bits errors\n" + "\n".join(rows) + "\n[end]\n"
        (run,) = load(text, board=BLOCKS)
        (found,) = (f for f in judge(run, BLOCKS).findings if f.place.site == "U12")
        return {found.cause: found.probability, **dict(found.alternatives)}.get(Cause.SPILLOVER, 0)

    assert spilled(True) > 0.5
    assert spilled(True) == pytest.approx(spilled(False), abs=0.1)


# ---- the figures of it ----


def test_circumstances_are_probabilities_in_every_context() -> None:
    assert np.exp(CONTEXTS).sum() == pytest.approx(1.0)
    assert CHANCE.shape[-1] == len(VIEW)
    assert (CHANCE >= 0).all()
    assert CHANCE.sum(axis=-1) == pytest.approx(np.ones(CHANCE.shape[:-1]))


@pytest.mark.parametrize("name", ["missing-package", "weak-package", "low-rail", "dead-channel"])
def test_circumstances_that_say_the_same_are_weighed_once(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where one stands for several the posterior is what it was with each by itself."""
    (run,) = load(SAMPLES / f"{name}.dump")
    on = profiles.for_run(run)[0]

    def found() -> tuple[float, list[tuple[tuple[int, ...], float]], int]:
        case = hypotheses.build(run, on, gather(measure(run, on)), Settings())
        posterior = search.infer(case.model)
        worlds = sorted(zip(posterior.sets, posterior.probability.tolist(), strict=True))
        size = sum(g.loglik.size for g in case.model.families[0].groups)
        return posterior.log_evidence, worlds, size

    merged = found()
    monkeypatch.setattr(network, "_alike", apart)
    evidence, worlds, size = found()
    assert merged[0] == pytest.approx(evidence)
    assert [m for m, _ in merged[1]] == [m for m, _ in worlds]
    assert [p for _, p in merged[1]] == pytest.approx([p for _, p in worlds])
    assert merged[2] < size


def apart(loglik: np.ndarray, leak: np.ndarray) -> tuple[list[int], np.ndarray]:
    ways, k = loglik.shape[1:3]
    return list(range(k)), np.repeat(np.eye(k)[None], ways, axis=0)


def test_a_board_without_warnings_asks_for_few_circumstances() -> None:
    """A healthy board: its rig may be of any mood, which is no matter where no step is marginal."""
    (run,) = load(dump(BLOCKS, counts=False), board=BLOCKS)
    case = hypotheses.build(run, BLOCKS, gather(measure(run, BLOCKS)), Settings())
    for group in case.model.families[0].groups:
        assert len(group.loglik) <= len(VIEW) / 4 * group.cases
        assert math.isfinite(group.chance.sum())


def test_a_fault_without_errors_is_none_of_cells_or_addresses() -> None:
    """What is wrong behind a good link shows by errors alone: where nothing was counted or listed,
    an eye that is whole beside others that are narrow is no sign of it."""

    def asked(counts: bool) -> set[str]:
        def row(site: str, ch: int, lane: int, step: str) -> str | None:
            left = 0.7 if site in THREE else 1.0
            return f"pass {eye(ORDER[site, ch, lane], left)}" if step in EYES else None

        def count(site: str, ch: int, lane: int) -> str | None:
            return f"{BITS} 900 450 450 - -" if site == "U9" else None

        (run,) = load(dump(BLOCKS, row, count, counts=counts), board=BLOCKS)
        case = hypotheses.build(run, BLOCKS, gather(measure(run, BLOCKS)), Settings())
        hidden = ("weak_array", "joint_address")
        return {f"{c.place.site}" for c in case.candidates if c.mechanism.name in hidden}

    assert asked(counts=False) == set()
    assert asked(counts=True) == {"U9"}


# ---- bursts are few bits, or seldom ----


def counted_beside(wrong: dict[str, int], bits: int) -> Verdict:
    """Packages with whole eyes that err so often on each lane beside one that is gone, on a rig
    that calls most of everything marginal."""

    def row(ref: str, ch: int, lane: int, step: str) -> str | None:
        if ref == "U11":
            return "no-response -" if step == "id" else "not-run -"
        loud = (ORDER[ref, ch, lane] + len(step)) % 3 if step in ("ca", "wck", *EYES) else 0
        width = eye(ORDER[ref, ch, lane]) if step in EYES else "-"
        return f"{'marginal' if loud else 'pass'} {width}"

    def count(ref: str, ch: int, lane: int) -> str | None:
        if ref == "U11":
            return NOT_SAID
        n = wrong.get(ref, 0) and wrong[ref] + ORDER[ref, ch, lane] % 5
        return f"{bits} {n} {n - n // 2} {n // 2} - -"

    (run,) = load(dump(BLOCKS, row, count), board=BLOCKS)
    return judge(run, BLOCKS)


def spilled(v: Verdict, site: str) -> float:
    """The probability that nothing is wrong at a package by itself."""
    for f in v.findings:
        if f.place.site == site:
            causes = {f.cause: f.probability, **dict(f.alternatives)}
            return causes.get(Cause.SPILLOVER, 0.0) + causes.get(Cause.CLEAR, 0.0)
    return 1.0


def test_a_few_bits_of_a_short_test_are_bursts_from_next_door() -> None:
    """Three to seven wrong bits of 1.6e8 on each lane of a block are a rate of 3e-8, and one burst
    of noise or two; in a test ten thousand times as long that rate is no burst."""
    few = counted_beside(dict.fromkeys(THREE, 3), 160_000_000)
    assert all(spilled(few, site) > 0.5 for site in THREE)
    assert controller(few) < 0.3
    many = counted_beside(dict.fromkeys(THREE, 30_000), 10**12)
    assert all(spilled(many, site) < 0.5 for site in THREE) or controller(many) > 0.5


def test_errors_by_the_thousand_with_whole_eyes_are_the_packages_own() -> None:
    """A gap next door that leaves every eye whole makes no rate of 3e-8 in a long test: cells do
    (common practice, no source), however many packages have such."""
    ill = {"U2": 15_419, "U6": 15_199, "U9": 25_491, "U12": 628_000}
    v = counted_beside(ill, 4 * 10**11)
    assert all(spilled(v, site) < 0.3 for site in ill)


# ---- what is worth a thought ----


def test_a_variant_beside_which_every_package_is_less_likely_is_not_followed_up() -> None:
    """Each lane of a healthy block is half as likely where half of its lanes are lost: nothing
    speaks for that. Where lanes of it are lost, something does."""

    def kept(dead: set[str]) -> set[str | None]:
        def row(site: str, ch: int, lane: int, step: str) -> str | None:
            lost = site in dead and lane == 0 and step not in ("id", "ca")
            return "not-found -" if lost else None

        (run,) = load(dump(BLOCKS, row, counts=False), board=BLOCKS)
        case = hypotheses.build(run, BLOCKS, gather(measure(run, BLOCKS)), Settings())
        found = (case.candidates[i] for i, _ in case.variants)
        return {c.place.partition for c in found if c.mechanism.name == "controller_part"}

    assert kept(set()) == set()
    assert kept({"U9", "U10"}) == {"P2"}
