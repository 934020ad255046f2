"""Problems with a layout grammar."""

from __future__ import annotations

from memdiag.problems.types import Kind, Severity

KINDS: dict[str, Kind] = {
    "no-such-layout": Kind(
        Severity.ERROR,
        "there is no layout {name!r}",
        "{hint}",
    ),
    "layout-empty": Kind(
        Severity.ERROR,
        "{file}: the grammar has no rule that reads a line",
        "name a rule training_row, count_row, error_row, ...: see docs/layouts.md",
        ('// name: x\nthing: "a"\n',),
        "grammar",
    ),
    "layout-syntax": Kind(
        Severity.ERROR,
        "{file}: {reason}{quote}",
        "mend the grammar there and check it again",
        ('row: "a\n', "row: MISSING\n"),
        "grammar",
    ),
    "bad-recognise": Kind(
        Severity.WARNING,
        "{file}: its `// recognise:` pattern is no regular expression: {reason}",
        "mend it; until then the layout is used only where --grammar names it",
    ),
}
