"""Prints the lowest version of each library that a user's install allows, as constraints for pip.

They are the bounds of pyproject.toml, so every bound must name a version that was released. What
only tests and checkers need is left to pip.
"""

from __future__ import annotations

import re
import sys
import tomllib
from pathlib import Path

EXTRAS = ("ledger",)


def main() -> None:
    """Exits with a sentence where a library has no lower bound, or more than that."""
    pyproject = Path(__file__).resolve().parents[1] / "pyproject.toml"
    said = tomllib.loads(pyproject.read_text(encoding="utf-8"))
    needs = said["build-system"]["requires"] + said["project"]["dependencies"]
    needs += [need for extra in EXTRAS for need in said["project"]["optional-dependencies"][extra]]
    for need in needs:
        bound = re.fullmatch(r"([\w.-]+)(?:\[[\w,-]+\])?>=([\d.]+)", need)
        if bound is None:
            sys.exit(f"pyproject.toml: {need!r} is no library with a lower bound")
        print(f"{bound[1]}=={bound[2]}")


if __name__ == "__main__":
    main()
