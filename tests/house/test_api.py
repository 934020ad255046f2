"""What `import memdiag` promises to a Python program."""

from __future__ import annotations

import inspect
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import memdiag
from memdiag.model import Board, Finding, Head, Place, Release, Run, Summary, Verdict
from memdiag.model.comparison import Change, Comparison
from tests.support.pages import DOCS, grid, hold

SAMPLES = Path(__file__).resolve().parents[2] / "samples"


def test_the_names_are_the_ones_promised() -> None:
    assert set(memdiag.__all__) == {
        "Board",
        "Run",
        "__version__",
        "compare",
        "frame",
        "judge",
        "load",
    }
    for name in memdiag.__all__:
        assert getattr(memdiag, name) is not None
    with pytest.raises(AttributeError, match="diagnose"):
        memdiag.diagnose  # noqa: B018


def test_from_a_dump_to_a_verdict_and_a_table() -> None:
    (run,) = memdiag.load(SAMPLES / "missing-package.dump")
    verdict = memdiag.judge(run)
    assert verdict.summary.site == "U6" and verdict.summary.cause == "missing"
    frame = memdiag.frame(verdict.table)
    assert list(frame.columns)[:2] == ["run", "site"] and len(frame) == 72
    (after,) = memdiag.load(SAMPLES / "after-swap.dump")
    assert memdiag.compare(run, after).outcome == "repaired"


def test_text_bytes_and_a_path_are_read_alike() -> None:
    path = SAMPLES / "ddr4-missing.dump"
    data = path.read_bytes()
    runs = [memdiag.load(source)[0] for source in (data, data.decode(), path)]
    assert len({run.source.sha256 for run in runs}) == 1
    assert runs[0].training == runs[1].training == runs[2].training


@pytest.mark.parametrize(
    "first", ["memdiag.reading.load", "memdiag.diagnosis.judge", "memdiag.cli.main"]
)
def test_load_is_the_function_whatever_was_imported_before(first: str) -> None:
    code = (
        f"import {first}, memdiag\n"
        "assert memdiag.load('bench-dump 1\\n[run]\\nid a\\n[end] 0\\n')[0].head.id == 'a'\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=SAMPLES.parent)


def test_importing_it_costs_nothing() -> None:
    code = "import sys, memdiag; print(*(m for m in sys.modules if m.startswith('memdiag.')))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=SAMPLES.parent
    )
    assert done.stdout.split() == []


# ---- docs/api.md ----


def signature(function: object) -> str:
    """The parameters by name: what they default to is an affair of the code."""
    said = inspect.signature(function).parameters.values()
    keywords = [p for p in said if p.kind is p.KEYWORD_ONLY]
    names = [_name(p) for p in said if p not in keywords]
    return ", ".join((*names, *["*"][: len(keywords)], *map(_name, keywords)))


def _name(parameter: inspect.Parameter) -> str:
    """With `=` where it may be left out."""
    return parameter.name + "=" * (parameter.default is not parameter.empty)


def told(thing: object) -> str:
    """Its docstring as paragraphs of a page."""
    return inspect.cleandoc(thing.__doc__ or "") + "\n"


def names() -> Iterator[str]:
    for name in sorted(memdiag.__all__, key=str.casefold):
        thing = getattr(memdiag, name)
        if inspect.isfunction(thing):
            yield f"### `memdiag.{name}({signature(thing)})`\n\n{told(thing)}"
        elif inspect.isclass(thing):
            yield f"### `memdiag.{name}`\n\n{told(thing)}"
        else:
            yield f"### `memdiag.{name}`\n\nThe version, as text.\n"


RETURNED = (Run, Head, Board, Verdict, Summary, Finding, Place, Release, Comparison, Change)


def fields() -> Iterator[str]:
    for each in RETURNED:
        yield f"### `{each.__name__}`\n"
        rows = ((f"`{name}`", f"`{of}`".replace("|", "or")) for name, of in public(each))
        yield from grid(("field", "type"), *rows)
        yield ""


def public(of: type) -> Iterator[tuple[str, str]]:
    for name, kind in of.__annotations__.items():
        if not name.startswith("_"):
            yield name, kind


@pytest.mark.parametrize("made", [names, fields], ids=lambda made: made.__name__)
def test_the_page_lists_what_is_promised(made: Callable[[], Iterator[str]]) -> None:
    """MEMDIAG_WRITE_GOLDENS=1 writes it anew: what goes from this page breaks a program."""
    hold(DOCS / "api.md", made.__name__, "\n".join(made()).rstrip() + "\n")
