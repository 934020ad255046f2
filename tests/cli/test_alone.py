"""No command opens a connection or starts a program, nor do the libraries that it imports."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click

from memdiag.cli.main import app

ROOT = Path(__file__).resolve().parents[2]
# What they are for is to listen, to read a device, to work on all cores.
ASIDE = {"batch", "capture", "serve"}

# One after the other, in an empty folder: what one writes the next may read.
WORK = """
sample missing-package -o before.dump
sample after-swap -o after.dump
verdict before.dump
verdict before.dump --format json
verdict before.dump -o verdict.html
verdict samples/ddr4-dead-line.dump
read before.dump -o table.csv
read before.dump -o table.parquet
compare before.dump after.dump
compare before.dump after.dump -o comparison.html
case before.dump after.dump -o case.html
attach before.dump --ticket R-1 --to tickets
attach after.dump --ticket R-1 --to tickets
case --ticket R-1
ledger outcome R-1 --site U6 --was missing --cured yes
ledger list
ledger search U6
ledger show R-1
ledger statistics
ledger export runs -o runs.parquet
ledger rebuild
baseline quince-8 samples/good-boards.dump -o learnt.toml
board list
board check quince-12
board draw quince-12 -o board.svg
board new before.dump --size 12x14 --place U1=23,62 -o new.toml
grammar list
grammar show bench
grammar new samples/layouts/console.txt
grammar check grammars/commas.lark samples/layouts/commas.csv
rails VDD_MEM_A=0.4:settled --board quince-12
soak --below 1e-12
completion bash
"""


def commands(group: click.Group, above: str = "") -> Iterator[str]:
    for name in group.list_commands(click.Context(group)):
        found = group.get_command(click.Context(group), name)
        if isinstance(found, click.Group):
            yield from commands(found, f"{above}{name} ")
        elif found is not None:
            yield above + name


def test_every_command_keeps_to_itself(tmp_path: Path) -> None:
    """In a process of its own: what a library asks for when it is imported is heard too."""
    typed = WORK.strip().splitlines()
    for name in set(commands(app)) - ASIDE:
        assert any(line.startswith(f"{name} ") or line == name for line in typed), name
    for shipped in ("samples", "grammars"):
        (tmp_path / shipped).symlink_to(ROOT / shipped)
    done = subprocess.run(
        [sys.executable, "-m", "tests.support.alone"],
        input=json.dumps([line.split() for line in typed]),
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT), "XDG_DATA_HOME": str(tmp_path / "data")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    for line, (status, asked) in zip(typed, json.loads(done.stdout), strict=True):
        assert status in (0, 1), (line, done.stderr)  # it did its work
        assert not asked, line
