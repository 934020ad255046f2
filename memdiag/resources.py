"""Where the shipped grammars and samples lie, and where a user keeps more.

In a wheel both folders are inside the package; in a checkout and an editable install they stand
beside it. The first that exists is taken.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def shipped(folder: str) -> Path:
    """The shipped folder of that name (`"grammars"` or `"samples"`).

    Raises FileNotFoundError where the installation lacks it.
    """
    for candidate in (_PACKAGE / folder, _PACKAGE.parent / folder):
        if candidate.is_dir():
            return candidate
    raise FileNotFoundError(f"this installation of memdiag lacks its {folder}/ folder: reinstall")


def user_config(folder: str) -> Path:
    """The user's own folder of that name; it need not exist."""
    from platformdirs import user_config_path

    return user_config_path("memdiag") / folder


def user_cache() -> Path:
    """Where compiled grammars may be kept; it need not exist."""
    from platformdirs import user_cache_path

    return user_cache_path("memdiag")


def search_path(folder: str, variable: str) -> Iterator[Path]:
    """Folders to search, nearest to the user first: the variable's, the user's, the shipped."""
    for part in os.environ.get(variable, "").split(os.pathsep):
        if part:
            yield Path(part)
    yield user_config(folder)
    yield shipped("samples" if folder == "boards" else folder)
