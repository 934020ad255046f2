"""The house stands in layers: imports go one way, in no ring, and nobody pays for what is unused.

The layers are written down in `pyproject.toml` and held by import-linter. Each guard here was
broken once by hand to see it go red.
"""

from __future__ import annotations

import subprocess
import sys
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def test_the_contracts_hold() -> None:
    """By a process of its own: import-linter sets up its own console and paths."""
    code = "from importlinter.cli import lint_imports as run; raise SystemExit(run(cache_dir=None))"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 broken" in done.stdout


def test_no_ring_of_imports_inside_a_room() -> None:
    """import-linter holds the rooms apart; within one, modules must still have an order, imports
    for type checking included."""
    import grimp

    graph = grimp.build_graph("memdiag", cache_dir=None)
    needs = {name: graph.find_modules_directly_imported_by(name) for name in graph.modules}
    assert len(needs) > 90  # the whole house was looked at
    try:
        tuple(TopologicalSorter(needs).static_order())
    except CycleError as ring:
        pytest.fail(" -> ".join(reversed(ring.args[1])))


HEAVY = ("pandas", "pyarrow", "jinja2", "scipy.stats", "lark", "tabulate")

SPARED = {
    ("soak", "--below", "1e-12"): ("pandas", "pyarrow", "jinja2", "scipy.stats", "lark"),
    ("sample", "healthy"): HEAVY,
    ("--help",): HEAVY,
    ("ledger", "--help"): (*HEAVY, "sqlalchemy", "alembic"),
    ("board", "list"): ("pandas", "pyarrow", "jinja2", "scipy.stats", "lark"),
    ("verdict", "samples/healthy.dump"): (
        "pandas",
        "pyarrow",
        "jinja2",
        "scipy",
        "numpy.ma",
        "urllib.request",
        "sqlalchemy",
    ),
    ("verdict", "samples/missing-package.dump"): (
        "pandas",
        "pyarrow",
        "jinja2",
        "scipy",
        "numpy.ma",
        "urllib.request",
    ),
    ("read", "samples/missing-package.dump"): (
        "pandas",
        "pyarrow",
        "jinja2",
        "scipy",
        "numpy.ma",
        "urllib.request",
    ),
}

TELL = """
import sys
from memdiag.cli.main import main
try:
    main()
except SystemExit as end:
    if end.code not in (0, 1, None):
        raise
print("loaded:", *sys.modules, file=sys.stderr)
"""


@pytest.mark.parametrize("words", SPARED, ids=" ".join)
def test_a_command_loads_only_what_it_needs(words: tuple[str, ...]) -> None:
    """Half a second of imports is half a second a technician waits at every dump."""
    done = subprocess.run(
        [sys.executable, "-c", TELL, *words], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    loaded = set(done.stderr.rpartition("loaded:")[2].split())
    assert "memdiag.cli.main" in loaded
    assert not loaded & set(SPARED[words])


def test_large_dumps_are_read_without_pandas() -> None:
    """`pyarrow.array` and `to_numpy` import it, which takes as long as reading a million rows."""
    rows = "".join(f"U1 0 {i:#x} 0x01 0x0{i % 2} {i % 7}\n" for i in range(20_000))
    text = f"bench-dump 1\n[errors]\nsite ch address wrote read pass\n{rows}[end]\n"
    read = "import sys, memdiag; memdiag.load(sys.stdin.buffer); print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", read],
        cwd=ROOT,
        input=text,
        capture_output=True,
        text=True,
        check=True,
    )
    loaded = set(done.stdout.split())
    assert "pyarrow" in loaded
    assert "pandas" not in loaded
