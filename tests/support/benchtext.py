"""Dumps for the tests of pages and tickets, as a rig of the packing line would print them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from memdiag.model import Board, Site


def dump(
    board: Board,
    *,
    head: Mapping[str, str] | None = None,
    gone: Iterable[str] = (),
    thin: Iterable[str] = (),
    disturbed: Iterable[str] = (),
    extra: str = "",
) -> str:
    """A dump of every lane of the board: id, ca, read, write and counts.

    Sites in `gone` do not answer, those in `thin` have small eyes and errors that fail the link
    check, those in `disturbed` are marginal.
    """
    gone, thin, disturbed = set(gone), set(thin), set(disturbed)
    keys = {
        "id": "bench-7-0112",
        "board": board.name or "bench",
        "serial": "Q12-00417",
        "ticket": "R-2041",
        "stage": "intake",
        "at": "2031-03-05T09:12:00Z",
        "memory": board.memory or "other",
        "rate": "14.0 Gbit/s",
        "ambient": "23 C",
    } | dict(head or {})
    lines = ["bench-dump 1", "[run]", *(f"{k}  {v}" for k, v in keys.items())]
    lines += ["[training]", "site ch lane step result width height"]
    rows = []
    for site, channel, lane in _lanes(board):
        where = f"{site.ref} {channel} {lane}"
        if site.ref in gone:
            rows += [f"{where} id no-response - -"]
            rows += [f"{where} {step} not-run - -" for step in ("ca", "read", "write")]
            continue
        width = 0.46 + 0.01 * ((lane * 7 + len(rows)) % 5 - 2)
        result = "marginal" if site.ref in disturbed else "pass"
        if site.ref in thin:
            width, result = width * 0.4, "marginal"
        rows += [f"{where} id pass - -", f"{where} ca {result} - -"]
        rows += [
            f"{where} {s} {result} {width:.2f}UI {width * 130:.0f}mV" for s in ("read", "write")
        ]
    lines += rows
    lines += ["[counts]", "site ch lane test bits errors rose fell edc cells"]
    counts = []
    for site, channel, lane in _lanes(board):
        where = f"{site.ref} {channel} {lane} sweep"
        if site.ref in gone:
            counts.append(f"{where} - - - - - -")
        elif site.ref in thin:
            errors = 400 + 37 * lane
            counts.append(
                f"{where} 1200000000000 {errors} {errors // 2} {errors - errors // 2} "
                f"{errors // 2} {errors - 3}"
            )
        else:
            counts.append(f"{where} 1200000000000 0 0 0 0 0")
    lines += [*counts, *([extra] if extra else []), f"[end] {len(rows) + len(counts)}"]
    return "\n".join(lines) + "\n"


def _lanes(board: Board) -> Iterable[tuple[Site, object, int]]:
    for site in board.sites:
        for link in site.links:
            yield site, link.channel, link.lane or 0
