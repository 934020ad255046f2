"""docs/figures.md is made from the code: every figure of judgement, with its origin.

`MEMDIAG_WRITE_GOLDENS=1 python -m pytest tests/house/test_figures.py` writes it anew.
"""

from __future__ import annotations

import ast
import os
import re
from collections import Counter
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import pytest
from msgspec.structs import replace

from memdiag.diagnosis import decision, faults
from memdiag.diagnosis.history import Stages
from memdiag.diagnosis.settings import Costs
from memdiag.model.figures import OVERRIDES, TABLES, Figure, Origin, Table

ROOT = Path(__file__).resolve().parents[2]
FILE = ROOT / "docs" / "figures.md"
BEFORE_MECHANISMS = (
    "`prior` is how many such faults a board that reaches the bench is expected to have, and "
    "`of it` the share of it that this mechanism has where several share one. `spill` says how "
    "loudly it disturbs its neighbours (0 to 1), `stops` how surely a boot notices it. Where they "
    "come from is told in [settings.md](settings.md#priors), and a shop may set them."
)


def rows(*cells: tuple[object, ...]) -> Iterator[str]:
    head, *body = cells
    yield f"| {' | '.join(map(str, head))} |"
    yield "|" + "---|" * len(head)
    for row in body:
        yield f"| {' | '.join(str(c).replace('|', '/') for c in row)} |"
    yield ""


def entered() -> set[str]:
    """The titles of the tables in the code, each of whose modules is imported on the way."""
    written = set()
    for path in sorted((ROOT / "memdiag").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                first = node.args[0] if node.args else None
                if node.func.id == "Table" and isinstance(first, ast.Constant):
                    written.add(first.value)
                    import_module(".".join(path.relative_to(ROOT).with_suffix("").parts))
    return written


WRITTEN = entered()


def figures() -> list[Figure]:
    return [figure for table in TABLES.values() for figure in table.figures.values()]


def page() -> str:
    counted = Counter(figure.origin for figure in figures())
    mechanisms = [
        (
            m.name,
            f"{m.prior.expected:g}",
            f"{m.share:g}",
            f"{m.spill:g}",
            f"{min(m.stops):.2g} to {max(m.stops):.2g}",
            m.prior.source,
        )
        for m in faults.MECHANISMS
    ]
    tables = [
        [
            f"## {title}\n",
            *rows(
                ("figure", "value", "what it says", "origin", "source"),
                *(
                    (f.name, f"{f.value:g}", f.says, f.origin.value, f.source)
                    for f in table.figures.values()
                ),
            ),
        ]
        for title, table in sorted(TABLES.items())
    ]
    cures = [
        (action.value, cause.value, f"{p:g}")
        for action, of in decision.CURES.items()
        for cause, p in of.items()
        if p not in (0.0, 1.0)
    ]
    outcomes = [
        (m.yes, *(f"{m.likely[cause]:g}" for cause in decision.MEASUREMENTS[0].likely))
        for m in decision.MEASUREMENTS
    ]
    lines = [
        "# Figures of judgement\n",
        "This page is made from the code. A verdict is computed; what it is computed from is here: "
        "every figure that somebody had to choose, with what it says and where it comes from. "
        "A figure is *measured* (the source says by whom), *derived* from a formula or a standard, "
        "*fitted* on simulated boards by `python -m tests.accuracy.fit`, or *common practice*, for "
        "which there is no source.\n",
        *rows(
            ("origin", "figures"),
            *((origin.value, counted[origin]) for origin in Origin),
            ("in all", counted.total()),
        ),
        "Shares, chances and weights lie between 0 and 1. A log margin is the natural log of a "
        "width against a healthy one: -0.7 is half an eye. What is no judgement is not listed: "
        "limits of what is computed and printed, and the words.\n",
        "## Mechanisms\n",
        BEFORE_MECHANISMS + "\n",
        *rows(
            ("mechanism", "prior", "of it", "spill", "stops", "source of the prior"), *mechanisms
        ),
        *(line for table in tables for line in table),
        "## What the bench does\n",
        "Common practice, no source. How often an action cures a cause:\n",
        *rows(("action", "cause", "cured"), *cures),
        "How often a measurement has its first outcome, by what is wrong:\n",
        *rows(("outcome", *(cause.value for cause in decision.MEASUREMENTS[0].likely)), *outcomes),
        "Costs (minutes of the bench) and the factors of what a run declares are settings of the "
        "shop: [settings.md](settings.md#costs).\n",
        *rows(
            ("setting", "default"),
            *(
                (f"`{k}`", f"{getattr(of, k):g}")
                for of in (Costs(), Stages())
                for k in of.__struct_fields__
            ),
        ),
    ]
    return "\n".join(lines)


def test_the_page_is_made_from_the_code() -> None:
    """MEMDIAG_WRITE_GOLDENS=1 writes it anew: read the difference before you keep it."""
    if os.environ.get("MEMDIAG_WRITE_GOLDENS"):
        FILE.write_text(page(), encoding="utf-8")
    assert FILE.read_text(encoding="utf-8") == page(), "write it anew: MEMDIAG_WRITE_GOLDENS=1"


def test_every_table_is_on_the_page() -> None:
    assert len(WRITTEN) > 20
    headings = set(re.findall(r"^## (.+)$", FILE.read_text(encoding="utf-8"), re.MULTILINE))
    assert set(TABLES) == WRITTEN <= headings
    assert all(table.figures for table in TABLES.values())


def undefended(figure: Figure) -> bool:
    """Whether a figure does not say what it is and where it comes from."""
    sourced = figure.origin not in (Origin.MEASURED, Origin.DERIVED) or figure.source
    return not (figure.name and figure.says and sourced)


@pytest.mark.parametrize("title", TABLES)
def test_every_figure_says_what_it_is_and_where_it_comes_from(title: str) -> None:
    assert not [f.name for f in TABLES[title].figures.values() if undefended(f)]


def test_a_figure_without_an_origin_is_found() -> None:
    good = Figure("width", 1.0, "what it says", Origin.MEASURED, "somebody, on something")
    assert not undefended(good)
    assert undefended(replace(good, source=""))
    assert undefended(replace(good, origin=Origin.DERIVED, source=""))
    assert undefended(replace(good, says=""))
    assert not undefended(replace(good, origin=Origin.PRACTICE, source=""))


def test_a_fit_may_try_another_value(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("memdiag.model.figures.TABLES", {})
    monkeypatch.setitem(OVERRIDES, ("Anything", "reach"), 0.25)
    table = Table("Anything")
    assert table.practice("reach", 0.5, "how far") == 0.25 == table.figures["reach"].value
    assert table.each("of", {"one": 0.1, "two": 0.2}, "each") == {"one": 0.1, "two": 0.2}
    assert table.each("at", {-1.0: 0.1}, "each") == {-1.0: 0.1}
    assert list(table.figures) == ["reach", "of one", "of two", "at -1"]
    with pytest.raises(ValueError, match="entered twice"):
        table.practice("reach", 0.5, "how far")


def test_nothing_is_tried_in_all_other_use() -> None:
    assert not OVERRIDES


# ---- no figure beside the tables ----

PLAIN = {0.0, 0.5, 1.0}
"""Nothing, half and all are no judgement."""

ENTERED = {"practice", "derived", "measured", "fitted", "each", "Prior"}
"""Calls whose arguments are listed on the page."""

SELF_TOLD = {"share", "spill", "stops"}
"""What a mechanism says of itself by keyword: the page lists it."""

LOGISTIC = {1.702}
"""The scale at which a logistic curve is the normal one to within a percent."""


def bare(tree: ast.AST) -> Iterator[tuple[int, float]]:
    """(line, number) of the decimals that stand outside the tables. Let be: whole numbers, which
    count, and `PLAIN` ones; what is entered, also row by row in a comprehension; and what
    `SELF_TOLD` keywords say."""
    for node in ast.iter_child_nodes(tree):
        if not _listed(node):
            value = getattr(node, "value", None) if isinstance(node, ast.Constant) else None
            if isinstance(value, float) and value not in PLAIN | LOGISTIC:
                yield node.lineno, value
            yield from bare(node)


def _listed(node: ast.AST) -> bool:
    """Whether all that stands in it is on the page."""
    if isinstance(node, ast.Call):
        return _called(node) in ENTERED
    if isinstance(node, ast.keyword):
        return node.arg in SELF_TOLD
    if isinstance(node, ast.GeneratorExp):
        return _enters(node.elt)
    return isinstance(node, ast.DictComp) and _enters(node.value)


def _called(node: ast.Call) -> str:
    return getattr(node.func, "attr", getattr(node.func, "id", ""))


def _enters(tree: ast.AST) -> bool:
    return any(isinstance(n, ast.Call) and _called(n) in ENTERED for n in ast.walk(tree))


JUDGING = [
    *sorted((ROOT / "memdiag/diagnosis/faults").glob("*.py")),
    *(ROOT / f"memdiag/diagnosis/{name}.py" for name in ("rig_behaviour", "board_joins")),
]


@pytest.mark.parametrize("path", JUDGING, ids=lambda path: path.name)
def test_no_figure_stands_beside_the_tables(path: Path) -> None:
    assert list(bare(ast.parse(path.read_text(encoding="utf-8")))) == []


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("x = 0.3", [0.3]),
        ("x = -0.3", [0.3]),
        ("x = {'dead': 0.96}", [0.96]),
        ("def f(a, b=0.2): return a * 0.7", [0.2, 0.7]),
        ("x = 0.5 * y + 1.0", []),
        ("x = _F.practice('a', 0.3, 'b')", []),
        ("m = Mechanism('a', spill=0.3, far=0.4)", [0.4]),
        ("x = tuple(_F.practice(n, v, 'a') for n, v in (('a', 0.3),))", []),
        ("x = tuple(f(n, v, 'a') for n, v in (('a', 0.3),))", [0.3]),
        ("x = [0.3, _F.practice('a', 0.2, 'b')]", [0.3]),
        ("x = 3", []),
    ],
)
def test_a_figure_beside_the_tables_is_found(text: str, found: list[float]) -> None:
    assert [value for _, value in bare(ast.parse(text))] == found
