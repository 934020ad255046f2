"""Addresses of errors, ohms and warm places, as evidence of sites and rails."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from msgspec.structs import replace

from memdiag.evidence import addresses, error_signs
from memdiag.evidence.counted import MIN_TALLIED
from memdiag.evidence.coverage import CAPPED
from memdiag.evidence.gathered import Evidence, owners_of
from memdiag.evidence.lane_tallies import LaneTally
from memdiag.evidence.measurements import Measurements
from memdiag.evidence.nodes import Node
from memdiag.evidence.rails import over_limits, reading_loglik, volts_loglik
from memdiag.model import Board, Place, Quote, Run
from memdiag.model.error_log import ErrorLog
from memdiag.model.figures import Table
from memdiag.model.quantities import show_ohms

I64 = npt.NDArray[np.int64]


def shapes(measured: Measurements, evidence: Evidence) -> None:
    """What the addresses of each site's errors look like, from its error words."""
    run, board = measured.run, measured.board
    if run.errors is None:
        return
    by_site: dict[str, list[LaneTally]] = {}
    for tally in measured.tallies:
        owners = owners_of(tally.place, board)
        if len(owners) == 1:
            by_site.setdefault(owners[0], []).append(tally)
    counted: dict[str, int] = {}
    for group in measured.groups.values():
        rows = (*group.counts, *group.swept)
        for site in owners_of(group.place, board) if rows else ():
            counted[site] = counted.get(site, 0) + sum(row.errors or 0 for row in rows)
    for site, mine in by_site.items():
        index = _rows_of(mine, len(run.errors))
        lines = sum(int((t.wrong > 0).sum()) for t in mine)
        shape = addresses.shape_of(run.errors, index, board, lines)
        if shape is None:
            continue
        node = Node("shape", (site,), Place(site))
        # A capped list holds the first errors of a sweep, which lie side by side whatever fails.
        listed = int(run.errors.weight_of(index).sum())
        more = counted.get(site, 0) > CAPPED * listed or (
            site not in counted and _may_be_full(run.errors, index)
        )
        cut = shape.kind in ("clustered", "grid") and more
        whole = shape.kind == "clustered" and 0 < counted.get(site, 0) <= sum(
            t.wrong_bits for t in mine
        )
        weight = _CUT_WEIGHT if cut else _WHOLE_WEIGHT if whole else 1.0
        node.add(addresses.shape_loglik(shape), weight)
        node.quotes.append(Quote(int(run.errors.line[index[0]]), shape.says))
        evidence.nodes.append(node)
        evidence.shapes[site] = shape
        for tally in mine:
            _stride(run, board, site, tally, evidence)


def _may_be_full(log: ErrorLog, index: I64) -> bool:
    """Whether a list that no count stands beside may have ended because it was full: it has as many
    words, all of it or those of the site, as a buffer holds, and the first address of all is one of
    the site's. Further on whatever came before was right."""
    sizes = (log.total, int(log.weight_of(index).sum()))
    if not any(n >= LEAST_BUFFER and n >= NEARLY * 2 ** math.ceil(math.log2(n)) for n in sizes):
        return False
    cell = log.has_cell & (log.bank == 0) & (log.row == 0) & (log.col == 0)
    first = (log.has_address & (log.address == 0)) | cell
    return bool(first[index].any())


LEAST_BUFFER, NEARLY = 15, 0.95
"""Lists of errors hold a power of two of words, 16 and more; of rubbish a few words are right by
chance (common practice, no source)."""


def _rows_of(tallies: Sequence[LaneTally], rows: int) -> I64:
    """The rows of a log of so many that touch any of these lanes."""
    touched = np.zeros(rows, bool)
    for tally in tallies:
        touched[np.concatenate(tally.index)] = True
    return np.flatnonzero(touched)


_F = Table("Addresses and warmth")
DOMINANT = _F.practice("dominant", 0.4, "share of its lane's errors of a line looked at by itself")
_CUT_WEIGHT = _F.practice("cut list", 0.1, "weight of clustered addresses where a list was cut")
_WHOLE_WEIGHT = _F.practice(
    "whole list", 2.0, "weight of those where every counted error is listed"
)
_NOT_FIRST = _F.practice("warms first", 0.011, "share of warm parts that are not the culprit")


def _stride(run: Run, board: Board, site: str, tally: LaneTally, evidence: Evidence) -> None:
    """One line that is wrong all over the address space is no matter of cells; one whose errors
    keep a stride gets a node of its own where other errors of the site hide it."""
    assert run.errors is not None
    dq = int(tally.wrong.argmax())
    if not tally.wrong[dq] or tally.wrong[dq] < DOMINANT * tally.wrong.sum():
        return
    at = replace(tally.place, site=site, dq=dq)
    index, masks = np.concatenate(tally.index), np.concatenate(tally.masks)
    shape = addresses.shape_of(run.errors, index[(masks >> dq) & 1 == 1], board, 1)
    if shape is None:
        return
    if shape.kind in ("spread", "striped") and shape.distinct >= MIN_TALLIED:
        for node in evidence.nodes:
            if node.kind == "line" and node.sites == (site,) and node.place == at:
                node.add(error_signs.STEADY)
                node.quotes.append(Quote(tally.first_line, f"dq {dq}: {shape.says}"))
    if shape.kind not in ("striped", "grid"):
        return
    evidence.strides.add(at)
    if evidence.shapes[site].kind == shape.kind:
        return  # the site's own node says it already
    node = Node("shape", (site,), at)
    node.add(addresses.shape_loglik(shape))
    node.quotes.append(Quote(tally.first_line, f"dq {dq}: {shape.says}"))
    evidence.nodes.append(node)


def rails(measured: Measurements, evidence: Evidence) -> None:
    """What the last reading of each rail says of its resistance."""
    run, board = measured.run, measured.board
    off = frozenset(run.head.removed or ())
    latest = {row.rail: row for row in run.rails}
    for name, row in latest.items():
        rail = board.rail(name)
        # A package that was off the board drew nothing from this reading.
        sites = tuple(s.ref for s in board.sites_on_rail(name) if s.ref not in off)
        node = Node("rail", sites, Place(rail=name))
        fed = len(board.sites_on_rail(name))
        node.add(reading_loglik(row.ohms, row.trend, rail, len(sites) / fed if fed else 1.0))
        trend = f", {row.trend}" if row.trend else ""
        healthy = ""
        if rail is not None and rail.healthy_ohms_typical:
            healthy = f" (healthy: about {show_ohms(rail.healthy_ohms_typical)})"
        without = f" with {', '.join(sorted(off))} off" if off else ""
        node.quotes.append(
            Quote(
                row.position.line,
                f"rail {name} reads {show_ohms(row.ohms)}{trend}{without}{healthy}",
            )
        )
        evidence.nodes.append(node)


def warmth(measured: Measurements, evidence: Evidence) -> None:
    """What warmed first when a rail was fed."""
    board = measured.board
    for warm in measured.run.heat:
        warning = over_limits(warm.volts, warm.amps, board.rail(warm.rail))
        if warning:
            evidence.notes.append(warning)
        # A rail that the board does not have was not fed: whatever warmed, it says nothing.
        if not warm.hottest or (board.rails and board.rail(warm.rail) is None):
            continue
        # A part that is no site (a capacitor, say) speaks for the rail itself.
        site = board.site(warm.hottest)
        node = Node("heat", (site.ref,) if site is not None else (), Place(rail=warm.rail))
        node.add(_WARMED)
        rise = "" if warm.rise is None else f", by {warm.rise:g} K"
        node.quotes.append(
            Quote(warm.position.line, f"{warm.hottest} warmed first when {warm.rail} was fed{rise}")
        )
        evidence.nodes.append(node)


_WARMED = {"elsewhere": math.log(_NOT_FIRST), "here": 0.0}
"""What warms first under a camera is seldom not the culprit."""


def voltages(measured: Measurements, evidence: Evidence) -> None:
    """What a rail's own voltage says, where `[values]` has a reading by the rail's name."""
    run, board = measured.run, measured.board
    off = frozenset(run.head.removed or ())
    for row in run.values:
        rail = board.rail(row.name)
        if rail is None or not rail.volts or row.value is None:
            continue
        try:
            volts = row.value.in_unit("V")
        except ValueError:
            continue
        sites = tuple(s.ref for s in board.sites_on_rail(rail.name) if s.ref not in off)
        node = Node("volts", sites, Place(rail=rail.name))
        node.add(volts_loglik(volts / rail.volts))
        says = f"rail {rail.name} has {row.text} (should have {rail.volts:g} V)"
        node.quotes.append(Quote(row.position.line, says))
        evidence.nodes.append(node)
