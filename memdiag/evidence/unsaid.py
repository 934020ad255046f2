"""What a dump says of the links that it does not name: silence is evidence where the list is
complete."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

from memdiag.evidence import coverage, error_counts
from memdiag.evidence.eyes import Peers
from memdiag.evidence.gathered import at_owner, owners_of
from memdiag.evidence.measurements import Measurements
from memdiag.evidence.nodes import Array, Node
from memdiag.model import Board, Place, Result
from memdiag.model.figures import Table

_F = Table("What a dump leaves out")
LEFT_OUT, LEFT_OUT_LATER = (
    _F.practice(f"left out, {name}", share, says)
    for name, share, says in (
        ("anywhere", 0.02, "dumps without a pass whose rig did not run what it does not name"),
        ("after the first", 0.5, "the same where it names the first link: a boot may stop there"),
    )
)


def without_error(measured: Measurements, nodes: Sequence[Node]) -> list[Node]:
    """Adds to the links of the board that no count and no error word names what that says of them,
    where it says anything. The nodes of those that have none yet."""
    board, clean = measured.board, _of_clean_links(measured)
    if clean is None:
        return []
    heard = {m.place for m in measured if m.counts or m.tally is not None}
    wide = [p for p in heard if None in (p.channel, p.lane)]
    silent = [
        link
        for link in coverage.links(measured)
        if link not in heard and not any(p.speaks_of(link, board) for p in wide)
    ]
    node_of = _Links(board, nodes)
    for link in silent:
        if (node := node_of(link)) is not None:
            node.add(clean)
    return node_of.more


def passed(measured: Measurements, nodes: Sequence[Node], peers: Peers) -> list[Node]:
    """The same of the links that a rig leaves out which prints the steps that went wrong alone:
    they passed, or all of them are left out for one other reason."""
    steps, beyond = coverage.passed_unsaid(measured)
    some = frozenset[Place]().union(*steps.values())
    silent = [link for link in coverage.links(measured) if link in some]
    node_of = _Links(measured.board, nodes)
    for link in silent:
        node = node_of(link)
        if node is None:
            continue
        apart = node.blank()
        for step in [step for step, links in steps.items() if link in links]:
            apart.add(peers.outcome(step, Result.PASS, 1.0))
        apart.doubt(LEFT_OUT if beyond else LEFT_OUT_LATER, "sound")
        apart.as_one_of(len(silent), math.inf)
        node.add_node(apart)
    return node_of.more


class _Links:
    """The nodes of links, made where there are none yet (`more`)."""

    def __init__(self, board: Board, nodes: Sequence[Node]) -> None:
        self.board, self.more = board, list[Node]()
        self._told = {(node.sites, node.place): node for node in nodes if node.kind == "place"}

    def __call__(self, link: Place) -> Node | None:
        """None where no site of the board has the link."""
        owners = owners_of(link, self.board)
        if not owners:
            return None
        at = at_owner(link, owners)
        if (owners, at) not in self._told:
            self.more.append(self._told.setdefault((owners, at), Node("place", owners, at)))
        return self._told[owners, at]


def _of_clean_links(measured: Measurements) -> Array | None:
    """What is said of a link that no count and no error word names, where all that erred are named:
    in a complete list of errors, or in counts that leave out every link without one. None where a
    link may be left out for another reason."""
    if coverage.error_list_is_complete(measured):
        return error_counts.listed_loglik(0)
    counts = coverage.counts_of_what_erred(measured)
    if not counts or any(row.place.lane is None for row in counts):
        return None
    return error_counts.count_loglik(0, float(median([row.bits or 0 for row in counts])))
