"""Table rows as words for a page: which columns, in which order, and how each figure is shown."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from memdiag.model.quantities import show_count, show_rate
from memdiag.model.table import TableRow
from memdiag.model.verdict import Cause, Finding, Verdict

HEADINGS = (
    "site",
    "ch",
    "lane",
    "steps",
    "worst",
    "eye UI",
    "bits",
    "errors",
    "rate 95 %",
    "cause",
)
ALIGN = ("left", "right", "right", "right", "left", "right", "right", "right", "right", "left")
MANY = 3
"""From this many on, sites disturbed by one fault are told of together."""
DISTURBED = "disturbed, no more"


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
        row.site or "-",
        where,
        _said(row.lane),
        steps,
        worst,
        "-" if row.width_ui is None else f"{row.width_ui:.2f}",
        "-" if row.bits is None else show_count(row.bits),
        "-" if row.errors is None else show_count(row.errors),
        limits(row),
        row.cause or "-",
    ]


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
    odd: list[TableRow] = []
    clear: list[TableRow] = []
    for row in verdict.table:
        (clear if _quiet(row) and row.cause in (None, Cause.CLEAR.value) else odd).append(row)
    return odd, clear


def disturbed(rows: Sequence[TableRow]) -> tuple[list[TableRow], list[TableRow]]:
    """(rows with something of their own, rows that a fault elsewhere disturbs and no more)."""
    own: list[TableRow] = []
    only: list[TableRow] = []
    for row in rows:
        (only if _quiet(row) and row.cause == Cause.SPILLOVER.value else own).append(row)
    return own, only


def _quiet(row: TableRow) -> bool:
    return not row.errors and not row.steps_failed


def gist(rows: Sequence[TableRow], word: str = "clear", *, every: bool = False) -> str:
    """What rows left out have in common: `44 more rows are clear: eyes 0.41 to 0.47 UI, ...`.
    `every`: no other rows are shown."""
    count = f"all {len(rows)} rows are" if every else f"{len(rows)} more rows are"
    text = f"{count if len(rows) != 1 else '1 more row is'} {word}"
    widths = [r.width_ui for r in rows if r.width_ui is not None]
    parts = []
    if widths:
        ends = dict.fromkeys((f"{min(widths):.2f}", f"{max(widths):.2f}"))
        parts.append(f"eyes {' to '.join(ends)} UI")
    exposure = _known(r.bits for r in rows)
    if exposure:
        parts.append(f"no errors in {show_count(min(exposure))} bits or more each")
    return text + (": " + ", ".join(parts) if parts else "")


def _known(values: Iterable[int | None]) -> list[int]:
    return [v for v in values if v is not None]


def groups(findings: Sequence[Finding]) -> list[tuple[Finding, ...]]:
    """The findings in their order, the sites that one fault disturbs together: eleven times the
    same sentence is not read. A handful of them stays apart."""
    made: list[tuple[Finding, ...]] = []
    for finding in findings:
        last = made[-1][-1] if made else None
        if (
            last is not None
            and finding.cause is last.cause is Cause.SPILLOVER
            and finding.because_of == last.because_of
        ):
            made[-1] = (*made[-1], finding)
        else:
            made.append((finding,))
    return [
        part
        for group in made
        for part in ([group] if len(group) >= MANY else [(finding,) for finding in group])
    ]


def group_words(group: Sequence[Finding], table: Sequence[TableRow]) -> tuple[str, ...]:
    """What is to be said of sites that one fault disturbs, once for them all."""
    source = group[0].because_of
    said = [
        f"They are healthy as far as can be seen; {source} disturbs them. Look at them again "
        f"in the first dump after {source} is mended."
    ]
    errors = dict.fromkeys((f.locus.site for f in group), 0)
    for row in table:
        if row.site in errors:
            errors[row.site] += row.errors or 0
    some = [f"{site} {show_count(n)}" for site, n in errors.items() if n]
    if some:
        said.append(f"Bits wrong, too few to be decisive before that: {', '.join(some)}.")
    return tuple(said)
