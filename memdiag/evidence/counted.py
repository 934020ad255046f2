"""Error counts and tallies of data lines of a place, as evidence there."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from msgspec.structs import replace

from memdiag.evidence import error_counts, error_signs
from memdiag.evidence.eyes import RUBBISH, Peers, level
from memdiag.evidence.lane_tallies import LaneTally
from memdiag.evidence.measurements import Measured, totals_of
from memdiag.evidence.nodes import Node
from memdiag.model import LANE_LINES, Board, CountRow, Quote
from memdiag.model.figures import Table
from memdiag.model.quantities import show_count

MIN_TALLIED = 8
"""A few wrong bits have to be on some lines: that they are says nothing of those."""


def _unnamed(g: Measured, by_dq: Mapping[int, list[CountRow]], board: Board) -> dict[int, int]:
    """The lines of the lane that its counts by line leave out, and how many bits of each were
    tested at the least. Not those that its error words name: the counts leave out too much then."""
    tested = [totals_of(rows)["bits"] or 0 for rows in by_dq.values()]
    if g.place.lane is None or not tested:
        return {}
    there = (dq for dq in range(LANE_LINES) if replace(g.place, dq=dq).sites(board))
    heard = by_dq if g.tally is None else {*by_dq, *np.flatnonzero(g.tally.wrong).tolist()}
    return {dq: min(tested) for dq in there if dq not in heard}


def add_lines(
    g: Measured, line: Callable[[int], Node], memory: str | None, erring: Board | None = None
) -> bool:
    """Data lines from count rows that name them and from error words. True where any spoke.
    `erring`: the board, where all that erred are named."""
    by_dq: dict[int, list[CountRow]] = {}
    for row in g.counts:
        if row.place.line is not None:
            by_dq.setdefault(row.place.line, []).append(row)
    spoke = False
    for dq, rows in by_dq.items():
        totals = totals_of(rows)
        if totals["errors"] is not None:
            spoke = True
            _add_counted_line(line(dq), totals["errors"], totals, rows[0], memory)
    for dq, bits in _unnamed(g, by_dq, erring).items() if erring is not None else ():
        line(dq).add(error_counts.count_loglik(0, bits, "line"))
    t = g.tally
    if t is None or t.wrong.sum() < MIN_TALLIED or many_lines(t):
        return spoke
    whole = g.whole["bits"] if _complete(t, g.whole["errors"]) else None
    for dq in range(LANE_LINES):
        if dq not in by_dq:
            _add_tallied_line(line(dq), dq, t, whole, memory)
    return True


def _add_counted_line(
    node: Node, errors: int, totals: Mapping[str, int | None], first: CountRow, memory: str | None
) -> None:
    if totals["bits"]:
        node.add(error_counts.count_loglik(errors, totals["bits"], "line"))
    node.add(error_signs.direction_loglik(totals["rose"] or 0, totals["fell"] or 0, memory))
    if errors:
        node.quotes.append(Quote(first.position.line, _count_words(totals)))


def _add_tallied_line(
    node: Node, dq: int, t: LaneTally, whole: int | None, memory: str | None
) -> None:
    """`whole`: how many bits of the lane were tested, where its error words are all there."""
    wrong = float(t.wrong[dq])
    if whole:
        node.add(error_counts.count_loglik(int(wrong), whole / LANE_LINES, "line"))
    node.add(error_signs.share_loglik(wrong, float(t.wrong.max())), _ONCE_MORE if whole else 1.0)
    if t.ones[dq] and t.zeros[dq]:
        node.add(error_signs.direction_loglik(t.rose[dq], t.fell[dq], memory))
    if wrong:
        node.quotes.append(Quote(t.first_line, _line_words(dq, t)))
    for other in range(LANE_LINES):
        if other != dq and t.wrong[other]:
            node.partner[other] = error_signs.joined_ratio(
                float(t.apart[dq, other]), wrong, float(t.both[dq, other]), len(t.words)
            )


def is_rubbish(totals: Mapping[str, int | None]) -> bool:
    """Whether so many bits are wrong that nothing seems to drive the lines."""
    return (totals["errors"] or 0) > RUBBISH * (totals["bits"] or 0) > 0


def many_lines(t: LaneTally) -> bool:
    """Half the lane's lines or more are wrong alike: the lane, not a line of it."""
    return int((t.wrong > t.wrong.max() / 10).sum()) >= LANE_LINES // 2


def _complete(t: LaneTally, counted: int | None) -> bool:
    """Whether the list of error words holds (nearly) all errors that were counted."""
    return counted is not None and counted > 0 and t.wrong.sum() >= 0.9 * counted


def _line_words(dq: int, t: LaneTally) -> str:
    way = ""
    if t.rose[dq] + t.fell[dq] > 0:
        rose, fell = show_count(t.rose[dq]), show_count(t.fell[dq])
        way = f", {rose} of them 0 read as 1, {fell} 1 read as 0"
    share = t.wrong[dq] / t.wrong.sum()
    return f"dq {dq} wrong {show_count(t.wrong[dq])} times ({share:.0%} of the lane's){way}"


def _count_words(totals: Mapping[str, int | None]) -> str:
    errors, bits_ = totals["errors"] or 0, totals["bits"]
    text = f"{show_count(errors)} bits wrong"
    if bits_:
        text += f" of {show_count(bits_)}"
    if totals["rose"] is not None and totals["fell"] is not None and errors:
        text += f" ({show_count(totals['rose'])} rose, {show_count(totals['fell'])} fell)"
    if totals["cells"] is not None:
        text += f" in {show_count(totals['cells'])} cells"
    if totals["edc"]:
        text += f", {show_count(totals['edc'])} link checks failed"
    return text


_F = Table("Counts beside words")
_ONCE_MORE = _F.practice("said twice", 0.5, "weight of what another row has said in part already")


def add_counts(
    g: Measured, place: Node, memory: str | None, peers: Peers, *, lines_known: bool
) -> None:
    """Counts and error words of a whole place."""
    errors, tally = g.whole["errors"], g.tally
    if errors is not None and tally is not None:
        # A list that shows more than was counted is believed: it prints the words themselves.
        errors = max(errors, tally.wrong_bits)
    _add_errors(g, place, errors, peers)
    rubbish = peers.pull if is_rubbish({**g.whole, "errors": errors}) else 1.0
    _add_direction(g, place, memory, (_ONCE_MORE if lines_known else 1.0) * rubbish)
    if tally is not None:
        said = tally.rows - tally.blank
        if not tally.same_lines:
            place.add(error_signs.word_loglik(said, said * tally.span))
        wrong = int(tally.wrong.sum())
        if tally.cells >= 2 and wrong < MIN_TALLIED and wrong <= said * error_signs.WIDE_WORD:
            one = int((tally.wrong > 0).sum()) == 1
            place.add(error_signs.one_line_loglik(tally.cells, one))
        if many_lines(tally):
            place.add(error_signs.MANY_LINES)
            spread = int((tally.wrong > 0).sum())
            says = f"{spread} of its {LANE_LINES} lines wrong in the error words"
            place.quotes.append(Quote(tally.first_line, says))
    _add_link_checks(g, place, errors)
    if errors and g.whole["cells"] is not None:
        place.add(error_signs.repeat_loglik(errors, g.whole["cells"]))
    elif tally is not None and tally.cells and tally.rows >= 4:
        repeats = error_signs.repeat_loglik(tally.rows, tally.cells, filled=tally.fills)
        place.add(repeats, peers.again)


def _add_errors(g: Measured, place: Node, errors: int | None, peers: Peers) -> None:
    """How many errors there were, of how many bits where that is said. A wrong word is one event,
    however many of its bits are wrong."""
    exposure = g.whole["bits"]
    tally = g.tally
    words = tally.rows if tally is not None else 0
    if errors is not None and exposure:
        if tally is not None and _complete(tally, errors) and words <= error_counts.FEW:
            errors = min(errors, words)
        if not errors and g.whole["edc"]:
            # What was wrong on its way was sent again, or what carries the check is: it erred.
            errors = g.whole["edc"]
        cover = peers.cover(g.place)
        alike = peers.alike.get(level(g.place), error_counts.Common())
        place.add(error_counts.count_loglik(errors, exposure, cover=cover, alike=alike))
    elif errors is not None:
        place.add(error_counts.listed_loglik(errors))
    elif words:
        place.add(
            error_counts.listed_loglik(words, common=peers.listed_common, longest=peers.longest)
        )
    if g.whole["errors"]:
        place.quotes.append(_count_quote(g))
    elif words and tally is not None:
        says = f"{show_count(words)} wrong word{'s' if words > 1 else ''} listed"
        place.quotes.append(Quote(tally.first_line, says))


def _add_direction(g: Measured, place: Node, memory: str | None, weight: float) -> None:
    """Which way the bits went; half of that where the lines have said so already."""
    rose, fell = g.whole["rose"], g.whole["fell"]
    if rose is not None and fell is not None:
        place.add(error_signs.direction_loglik(rose, fell, memory), weight)
    elif g.tally is not None:
        up, down = float(g.tally.rose.sum()), float(g.tally.fell.sum())
        place.add(error_signs.direction_loglik(up, down, memory), weight)


def _add_link_checks(g: Measured, place: Node, errors: int | None) -> None:
    """Link checks that failed, as counted, else as the error words show them."""
    failed, tally = g.whole["edc"], g.tally
    if failed is not None:
        place.add(error_signs.edc_count_loglik(failed, errors))
        if failed and not errors:
            place.quotes.append(_count_quote(g))
    elif tally is not None:
        place.add(error_signs.link_check_loglik(tally.edc_ok, tally.edc_bad))
    if tally is not None and tally.edc_ok + tally.edc_bad:
        says = f"link check good on {tally.edc_ok}, bad on {tally.edc_bad} of the error words"
        place.quotes.append(Quote(tally.first_line, says))


def _count_quote(g: Measured) -> Quote:
    """What was counted of the whole place, at the first row that says so."""
    first = next(row for row in g.counts if row.place.dq is None)
    return Quote(first.position.line, _count_words(g.whole))
