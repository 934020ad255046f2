"""`memdiag sample`: write a ready sample dump."""

from __future__ import annotations

from pathlib import Path

import click

from memdiag import resources
from memdiag.cli import common
from memdiag.cli.options import Option
from memdiag.model.spelling import closest

ENDING = ".dump"


@click.command("sample")
@click.argument("name", required=False)
@click.option("--list", "list_", is_flag=True, help="List the samples with their stories.")
@click.option("-o", "--output", metavar="FILE", type=click.Path(), help="Write here.")
def command(name: str | None, list_: bool, output: Option) -> int:
    """Write the sample dump NAME (missing-package if none is named) to standard output."""
    folder = resources.shipped("samples")
    have = {path.name.removesuffix(ENDING): path for path in sorted(folder.glob(f"*{ENDING}"))}
    if list_:
        width = max(map(len, have))
        common.write(
            "\n".join(f"{n:<{width}}  {_story(p.with_suffix('.toml'))}" for n, p in have.items()),
            output,
        )
        return 0
    wanted = name or "missing-package"
    if wanted not in have:
        near = closest(wanted, have)
        hint = f"; the nearest is {near}" if near else ""
        raise click.UsageError(f"there is no sample {wanted}{hint} (memdiag sample --list)")
    common.write(have[wanted].read_bytes(), output)
    return 0


def _story(path: Path) -> str:
    import tomllib

    return str(tomllib.loads(path.read_text(encoding="utf-8"))["story"]).splitlines()[0]
