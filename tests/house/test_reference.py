"""The reference pages of docs/ are made from the code: words, commands, formats, documents.

`MEMDIAG_WRITE_GOLDENS=1 python -m pytest tests/house/test_reference.py` writes them anew.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import click
import pytest

from memdiag.cli.main import app
from memdiag.model import schema, vocabulary
from memdiag.model.records import MEMORIES, STAGES, STEPS
from memdiag.model.schema import Cell, Column
from memdiag.reading.converters import ALSO_UNSAID, CONVERTERS, Wrong
from tests.support import schemas
from tests.support.pages import DOCS, grid, hold

# ---- every word of a dump ----


def ticked(words: Any) -> str:
    return ", ".join(f"`{word}`" for word in words)


def _written(column: Column) -> str:
    word = f"`{column.name}`" + (" (needed)" if column.needed else "")
    return f"{word}: {column.says}" if column.says else word


def columns() -> Iterator[str]:
    scope = "; ".join(_written(c) for c in (*schema.PLACE_COLUMNS, *schema.SETTING_COLUMNS))
    yield from grid(
        ("section", "columns"),
        ("any table", scope),
        *((f"`[{table}]`", "; ".join(map(_written, own))) for table, own in schema.TABLES.items()),
    )


def known() -> Iterator[str]:
    yield from grid(
        ("where", "words", "any other word"),
        ("sections", ticked(("run", *schema.TABLES, "end")), "kept and told"),
        ("keys of `[run]`", ticked(schema.RUN_KEYS), "kept and told"),
        ("`stage`", ticked(STAGES), "kept"),
        ("`memory`", ticked(MEMORIES), "costs the key"),
        ("`step`", ticked(STEPS), "kept and counted"),
        ("`result`", ticked(schema.WORDS[Cell.RESULT]), "costs the cell"),
        ("`trend`", ticked(schema.WORDS[Cell.TREND]), "costs the cell"),
        ("`edc` of `[errors]`", ticked(schema.WORDS[Cell.LINK_CHECK]), "costs the cell"),
        ("`ohms` over range", "`0L`, `OL`", ""),
        ("nothing said", ticked(("-", *sorted(ALSO_UNSAID))), ""),
    )


SPELLINGS = (
    *("UI", "fs", "ps", "ns", "us", "ms", "s", "tap", "taps", "step", "steps", "%"),
    *("uV", "mV", "V", "kV", "mA", "A", "mohm", "ohm", "kohm", "Mohm", "Ω", "R", "k", "M"),
    *("C", "°C", "degC", "K", "mm", "Hz", "MHz", "dB"),
)
"""Units that benches write; the page lists those that a cell takes."""
NO_UNIT = {Cell.WORD, Cell.CHANNEL}
"""Cells that take any text."""


def units() -> Iterator[str]:
    named: dict[Cell, list[str]] = {}
    for table in schema.TABLES:
        for column in schema.by_name(table).values():
            if column.name not in named.setdefault(column.cell, []):
                named[column.cell].append(column.name)
    taken = (
        (ticked(names), ticked(unit for unit in SPELLINGS if takes(cell, f"12{unit}")))
        for cell, names in named.items()
        if cell not in NO_UNIT | set(schema.WORDS) | {Cell.STEP}
    )
    yield from grid(("columns", "units"), *((names, of) for names, of in taken if of))


def takes(cell: Cell, text: str) -> bool:
    try:
        CONVERTERS[cell]("a column", text)
    except Wrong:
        return False
    return True


def words() -> Iterator[str]:
    yield from grid(
        ("where", "word", "also"),
        *(
            ("link check" if kind == "link" else kind, f"`{word}`", ticked(others.split()))
            for kind, table in vocabulary.SHIPPED.items()
            for word, others in table.items()
        ),
    )


def test_the_page_tells_every_key_of_a_head() -> None:
    page = (DOCS / "dump.md").read_text(encoding="utf-8")
    head = page[page.index("## The head") : page.index("## The tables")]
    cells = [line.split("|")[1] for line in head.splitlines() if line.startswith("| `")]
    assert tuple(word for cell in cells for word in re.findall(r"`(\w+)`", cell)) == schema.RUN_KEYS


def test_units_are_told_apart() -> None:
    assert takes(Cell.WIDTH, "94ps") and not takes(Cell.WIDTH, "61mV")
    assert takes(Cell.HEIGHT, "61mV") and not takes(Cell.HEIGHT, "94ps")


# ---- commands ----


def tree() -> Iterator[tuple[str, click.Command]]:
    """Each command; subcommands behind the name of their group."""
    context = click.Context(app)
    for name in app.list_commands(context):
        command = app.get_command(context, name)
        assert command is not None
        yield name, command
        if isinstance(command, click.Group):
            for below, each in sorted(command.commands.items()):
                yield f"{name} {below}", each


def commands() -> Iterator[str]:
    yield from grid(
        ("command", "what it does"),
        *((f"`{name}`", each.get_short_help_str(400)) for name, each in tree()),
    )


def formats() -> Iterator[str]:
    by: dict[str, list[str]] = {}
    for name, each in tree():
        for option in each.params:
            if option.name in ("format", "format_") and isinstance(option.type, click.Choice):
                by.setdefault(ticked(option.type.choices), []).append(name)
    assert len(by) > 2
    yield from grid(("formats", "commands"), *((of, ticked(names)) for of, names in by.items()))


# ---- documents ----

PRINTED_BY = {
    "memdiag-batch-1": "`memdiag batch`, as `summary.json`",
    "memdiag-case-1": "`memdiag case`; `POST /api/case`",
    "memdiag-comparison-1": "`memdiag compare`, `memdiag attach`; `POST /api/compare`",
    "memdiag-ledger-1": "`memdiag ledger`",
    "memdiag-outcome-1": "`memdiag ledger outcome`, in the ticket's folder",
    "memdiag-problems-1": "the HTTP interface, where it gives no other document",
    "memdiag-soak-1": "`memdiag soak`",
    "memdiag-statistics-1": "`memdiag ledger statistics`",
    "memdiag-verdict-1": "`memdiag verdict`, `memdiag attach`; `POST /api/verdict`",
}


def kind(of: dict[str, Any]) -> str:
    """What a field holds, in a word or two."""
    if "const" in of:
        return f"`{of['const']}`"
    if "enum" in of:
        return ticked("null" if word is None else word for word in of["enum"])
    if "$ref" in of:
        return str(of["$ref"]).rpartition("/")[2].replace("_", " ")
    for either in ("oneOf", "anyOf"):
        if either in of:
            return " or ".join(map(kind, of[either]))
    said = of.get("type", "anything")
    return said if isinstance(said, str) else " or ".join(said)


def documents() -> Iterator[str]:
    assert set(PRINTED_BY) == set(schemas.NAMES)
    for name in schemas.NAMES:
        said = schemas.published(name)
        yield f"## `{said['title']}`\n\n{said['description']}\n"
        yield f"Written by {PRINTED_BY[name]}. Schema:"
        yield f"[{name}.schema.json](schemas/{name}.schema.json).\n"
        yield from grid(
            ("field", "holds", "what it is"),
            *(
                (
                    f"`{field}`" + ("" if field in said["required"] else " (may lack)"),
                    kind(of),
                    of.get("description", "").replace("|", "/"),
                )
                for field, of in said["properties"].items()
            ),
        )
        yield ""


@pytest.mark.parametrize(
    ("page", "made"),
    [
        ("dump.md", columns),
        ("dump.md", known),
        ("dump.md", units),
        ("dump.md", words),
        ("commands.md", commands),
        ("commands.md", formats),
        ("schemas.md", documents),
    ],
    ids=lambda it: it if isinstance(it, str) else it.__name__,
)
def test_the_page_says_what_the_code_says(page: str, made: Callable[[], Iterator[str]]) -> None:
    hold(DOCS / page, made.__name__, "\n".join(made()).rstrip() + "\n")
