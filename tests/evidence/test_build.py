"""Which readings are asked beside the rows of the links."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from memdiag.boards import profiles
from memdiag.evidence.build import SOURCES, gather
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.measurements import Measurements, measure
from memdiag.evidence.nodes import Node
from memdiag.model import Place
from memdiag.reading.load import load
from tests.diagnosis import test_facts as facts

DUMP = Path(__file__).resolve().parents[2] / "samples" / "low-rail.dump"


def measured() -> Measurements:
    (run,) = load(DUMP)
    return measure(run, profiles.for_run(run)[0])


def kinds(evidence: Evidence) -> set[str]:
    return {node.kind for node in evidence.nodes}


def test_without_sources_the_rows_of_the_links_speak_alone() -> None:
    assert "rail" in kinds(gather(measured()))
    assert kinds(gather(measured(), sources=())) == {"place", "boot"}


def test_a_source_from_outside_comes_after_the_others() -> None:
    def fan(of: Measurements, evidence: Evidence) -> None:
        assert "rail" in kinds(evidence)
        evidence.nodes.append(Node("heat", ("U1",), Place("U1")))

    (*before, last) = gather(measured(), sources=(*SOURCES, fan)).nodes
    usual = gather(measured()).nodes
    assert last.kind == "heat" and not last.spoken
    for one, other in zip(before, usual, strict=True):
        assert (one.kind, one.sites, one.place) == (other.kind, other.sites, other.place)
        assert np.array_equal(one.seen, other.seen)


def test_a_lane_is_no_joined_one_where_each_of_its_lines_is_clean() -> None:
    """Two lines joined err in a quarter of their bits. Where each line of a lane was counted and is
    clean, the lane is none by an open or joined line, whatever its eyes are."""
    on = facts.board("quince-12")
    thin = facts.at(("U4", 6, 0), read="marginal 0.20UI", write="marginal 0.21UI")
    text = facts.dump(on, thin, counts=False)
    rows = [
        f"{site} {ch} {lane} {dq} sweep {8 * 10**9} 0"
        for site, ch, lane in facts.lanes(on)
        for dq in range(8)
    ]
    counts = "[counts]\nsite ch lane dq test bits errors\n" + "\n".join(rows) + "\n[end]\n"

    def of_one_line(dump: str) -> float:
        (run,) = load(dump)
        place = next(n for n in gather(measure(run, on)).nodes if n.kind == "place" and n.quotes)
        assert place.place.site == "U4"
        return max(place.said("joined"), place.said("stuck")) - place.said("45")

    assert of_one_line(text.replace("[end]\n", counts)) < of_one_line(text) - 3
