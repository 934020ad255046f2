"""Table rows as words for a page: which columns, in which order, and how each figure is shown."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from memdiag.findings import Cause, Verdict
from memdiag.table import TableRow
from memdiag.units import show_count, show_rate

HEADINGS = ("site", "ch", "lane", "steps", "worst", "eye UI", "bits", "errors", "rate 95 %", "cause")
ALIGN = ("left", "right", "right", "right", "left", "right", "right", "right", "right", "left")


def cells(row: TableRow) -> list[str]:
    """One row, `-` where the dump does not say."""
    steps = "-" if not row.steps_run else f"{row.steps_run - row.steps_failed}/{row.steps_run}"
    worst = row.worst_result or "-"
    if row.first_failed_step:
        worst = f"{row.first_failed_step}: {worst}"
    where = str(row.channel) if row.channel is not None else "-"
    if row.rank:
        where += f"/r{row.rank}"
    return [
        row.site or "-", where, _said(row.lane), steps, worst,
        "-" if row.width_ui is None else f"{row.width_ui:.2f}",
        "-" if row.bits is None else show_count(row.bits),
        "-" if row.errors is None else show_count(row.errors),
        limits(row), row.cause or "-",
    ]  # fmt: skip


def limits(row: TableRow) -> str:
    """The exact two-sided 95 % limits of the rate; for no errors its upper limit."""
    if row.ber_high is None:
        return "-"
    if not row.errors:
        return f"< {show_rate(row.ber_high)}"
    return f"{show_rate(row.ber_low)}..{show_rate(row.ber_high)}"


def _said(value: object) -> str:
    return "-" if value is None else str(value)


def telling(verdict: Verdict) -> tuple[list[TableRow], list[TableRow]]:
    """(rows that show something, rows that are clear), each in table order."""
    odd, clear = [], []
    for row in verdict.table:
        quiet = row.cause in (None, Cause.CLEAR.value) and not row.errors and not row.steps_failed
        (clear if quiet else odd).append(row)
    return odd, clear


def gist(rows: Sequence[TableRow]) -> str:
    """What rows left out have in common: `44 more rows are clear: eyes 0.41 to 0.47 UI, ...`."""
    text = f"{len(rows)} more row{'s are' if len(rows) != 1 else ' is'} clear"
    widths = [r.width_ui for r in rows if r.width_ui is not None]
    parts = []
    if widths:
        parts.append(f"eyes {min(widths):.2f} to {max(widths):.2f} UI")
    exposure = _known(r.bits for r in rows)
    if exposure:
        parts.append(f"no errors in {show_count(min(exposure))} bits or more each")
    return text + (": " + ", ".join(parts) if parts else "")


def _known(values: Iterable[int | None]) -> list[int]:
    return [v for v in values if v is not None]
