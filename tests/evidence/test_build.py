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
