"""Ohm readings and warm places that a technician types -> runs, read like any dump.

They are put in the dump format first, so that there is one way in and one judgement of a cell.
"""

from __future__ import annotations

from collections.abc import Sequence

from msgspec.structs import replace

from memdiag.model import Board, Rail, Run, Site
from memdiag.reading import designators
from memdiag.reading.load import load


def runs(
    readings: Sequence[str],
    board: Board,
    *,
    after: Sequence[str] = (),
    off: Sequence[str] = (),
    warm: Sequence[str] = (),
) -> tuple[Board, list[Run]]:
    """The board to judge them by, and one run of the readings (`RAIL=OHMS[:TREND]`) and warm places
    (`RAIL:PLACE`); a second one where readings were taken `after` the packages at `off` came off.

    Raises load.Unreadable where no reading can be read.
    """
    if not board.sites:
        board = _somewhere(board, readings, [w.partition(":")[2] for w in warm], off)
    found = load(dump_text(readings, board, warm), board=board)
    if after:
        found += load(dump_text(after, board, off=off), board=board)
    return board, found


def _somewhere(
    board: Board, readings: Sequence[str], warm: Sequence[str], off: Sequence[str]
) -> Board:
    """Without a profile: the rails that were read, and on all of them the packages that were
    named, or some package."""
    names = designators.once(r.partition("=")[0] for r in readings)
    named = tuple(Site(ref, rails=names) for ref in designators.once((*warm, *off)))
    sites = (*named, Site("a package", rails=names, named=False))
    return replace(board, sites=sites, rails=tuple(Rail(name) for name in names), known=True)


def dump_text(
    readings: Sequence[str], board: Board | None, warm: Sequence[str] = (), off: Sequence[str] = ()
) -> str:
    """The readings (`RAIL=OHMS[:TREND]`) and warm places (`RAIL:PLACE`) as a dump of format 1."""
    name = board.name if board is not None and board.name else "-"
    lines = ["bench-dump 1", "[run]", f"board  {name}", f"removed  {' '.join(off) or '-'}"]
    lines += ["[rails]", "rail ohms trend"]
    for reading in readings:
        rail, _, rest = reading.partition("=")
        ohms, _, trend = rest.partition(":")
        lines.append(f"{rail or '-'} {ohms or '-'} {trend or '-'}")
    if warm:
        lines += ["[heat]", "rail hottest"]
        for place in warm:
            rail, _, hottest = place.partition(":")
            lines.append(f"{rail} {hottest}")
    return "\n".join([*lines, f"[end] {len(readings) + len(warm)}", ""])
