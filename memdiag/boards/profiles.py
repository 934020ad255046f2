"""Board profiles: reading the TOML, finding the one a dump names, and what to do without one."""

from __future__ import annotations

import functools
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from memdiag.boards.inferred import inferred
from memdiag.model import AddressField, Board, Link, Rail, Run, Site, toml_text
from memdiag.model.problems import Problem, Severity, problem
from memdiag.resources import read_regular, search_path

VARIABLE = "MEMDIAG_BOARDS"
LARGEST = 4 << 20
"""Bytes of a profile at most: what is larger is none."""


class ProfileError(ValueError):
    """A profile that cannot be used. `problems` holds everything that is wrong with it."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(p.sentence() for p in problems))


def examine(text: bytes | str, file: str = "profile") -> tuple[Board | None, tuple[Problem, ...]]:
    """The board a profile's text describes (None where it has errors), and all its problems."""
    try:
        data = toml_text.loads(text if isinstance(text, str) else text.decode("utf-8-sig"))
    except UnicodeDecodeError:
        return None, (problem("profile-unreadable", file=file, reason="it is no UTF-8 text"),)
    except toml_text.BadToml as wrong:
        return None, (problem("profile-syntax", file=file, reason=wrong),)
    # Only now: msgspec builds its decoders on import, and a run without a profile needs none.
    from memdiag.boards import profile_checks, profile_form

    form, found = profile_form.fill(data, file)
    if form is not None:
        names = profile_checks.Names(
            file,
            _mentioned(data, "site", "ref"),
            _mentioned(data, "rail", "name"),
            any_site=bool(data.get("site")),
        )
        found += profile_checks.examine(form, names)
    if form is None or any(p.severity is Severity.ERROR for p in found):
        return None, found
    return _board(form, file), found


def read(path: str | Path) -> Board:
    """The board of a profile file, cached until the file changes. Raises ProfileError."""
    board, found = read_with_problems(path)
    if board is None:
        raise ProfileError(found)
    return board


def read_with_problems(path: str | Path) -> tuple[Board | None, tuple[Problem, ...]]:
    """As `examine`, of a file; a file that cannot be opened is a problem too."""
    path = Path(path)
    try:
        stat = path.stat()
        return _read(path, stat.st_mtime_ns, stat.st_size)
    except OSError as wrong:
        reason = (wrong.strerror or str(wrong)).lower()
        return None, (problem("profile-unreadable", file=path, reason=reason),)


@functools.lru_cache(maxsize=64)
def _read(path: Path, _mtime: int, _size: int) -> tuple[Board | None, tuple[Problem, ...]]:
    return examine(read_regular(path, LARGEST), str(path))


def shelf() -> Iterator[tuple[str, Path]]:
    """Every profile on the search path as (board name, file), nearest to the user first.

    The name is the file's `board` key, read without checking the rest; a name met before is
    hidden by the nearer file and left out.
    """
    seen: set[str] = set()
    for folder in search_path("boards", VARIABLE):
        # The samples keep their boards in a folder beside the dumps.
        inner = folder / "boards"
        place = inner if inner.is_dir() else folder
        for path in sorted(place.glob("*.toml")) if place.is_dir() else ():
            name = _name_in(path)
            if name is not None and name.casefold() not in seen:
                seen.add(name.casefold())
                yield name, path


def _name_in(path: Path) -> str | None:
    """The board's name, the file's where a profile forgot it, None for another kind of TOML."""
    try:
        text = read_regular(path, LARGEST).decode("utf-8", "replace")
    except OSError:
        return None
    found = re.search(r"""^\s*board\s*=\s*(["'])(.*?)\1""", text, re.MULTILINE)
    if found:
        return found.group(2)
    return path.stem if "[[site]]" in text else None


def find(name: str, explicit: str | Path | Board | None = None) -> Board | None:
    """The explicit board (a file, or a name on the search path), else the one called `name`.

    Upper and lower case are alike. None where no profile has that name. Raises ProfileError where
    the profile found cannot be used.
    """
    if isinstance(explicit, Board):
        return explicit
    if explicit is not None:
        path = locate(str(explicit))
        if path is None:
            reason = "no such file, and no board of that name" + _near(str(explicit))
            raise ProfileError((problem("profile-unreadable", file=explicit, reason=reason),))
        return read(path)
    path = _on_shelf(name)
    return None if path is None else read(path)


def locate(board: str) -> Path | None:
    """The file of that name, else of the listed board of that name, else None."""
    try:
        exists = Path(board).exists()
    except (OSError, ValueError):  # a name too long, or with a NUL in it
        exists = False
    return Path(board) if exists else _on_shelf(board)


def _on_shelf(name: str) -> Path | None:
    wanted = name.casefold()
    return next((path for known, path in shelf() if known.casefold() == wanted), None)


def for_run(
    run: Run, explicit: str | Path | Board | None = None
) -> tuple[Board, tuple[Problem, ...]]:
    """The board to judge a run by, and what is to be said about it.

    The explicit one; else the one the dump names; else what the run's rows tell, with the
    neighbour relations unknown. Raises ProfileError where an explicit profile cannot be used; a
    broken one that was merely found is said and not used.
    """
    name = run.head.board
    if explicit is not None:
        board = find(name or "", explicit)
        assert board is not None
        if name and board.name and board.name.casefold() != name.casefold():
            return board, (problem("board-differs", board=name, given=board.name),)
        return board, ()
    if not name:
        return inferred(run), (problem("board-unsaid"),)
    try:
        found = find(name)
    except ProfileError as wrong:
        missing = problem("board-unknown", board=name, nearest="")
        return inferred(run), (*wrong.problems, missing)
    if found is None:
        return inferred(run), (problem("board-unknown", board=name, nearest=_near(name)),)
    return found, ()


def _near(name: str) -> str:
    from memdiag.boards.profile_form import nearest

    return nearest(name, [known for known, _ in shelf()])


def _mentioned(data: Mapping[str, Any], table: str, key: str) -> frozenset[str]:
    entries = data.get(table)
    items = entries if isinstance(entries, list) else []
    return frozenset(
        item[key] for item in items if isinstance(item, dict) and isinstance(item.get(key), str)
    )


def _site(s: Any) -> Site:
    from memdiag.boards.profile_checks import as_channel

    return Site(
        s.ref,
        tuple(
            Link(as_channel(link.channel), link.rank, lane, _tuple(link.dq))
            for link in s.links
            for lane in link.lanes
        ),
        _said(s.x),
        _said(s.y),
        s.side,
        s.rotation % 360,
        _said(s.size),
        tuple(s.rails),
        _said(s.partition),
        _said(s.clamshell),
    )


def _board(form: Any, file: str) -> Board:
    """The plain `Board` of a form that passed its checks."""
    from memdiag.boards import baseline_checks

    sites = tuple(_site(s) for s in form.site)
    rails = tuple(
        Rail(
            r.name,
            _said(r.volts),
            r.feeds,
            _said(r.healthy_ohms_min),
            _said(r.healthy_ohms_typical),
            _said(r.inject_volts_max),
            _said(r.inject_amps_max),
        )
        for r in form.rail
    )
    controller, address, limits = map(_said, (form.controller, form.address, form.limits))
    learnt = _said(form.baseline)
    return Board(
        form.board,
        _said(form.memory),
        _said(form.title),
        sites,
        rails,
        None if controller is None else (controller.x, controller.y, controller.size),
        tuple(
            AddressField(f.name, tuple((b,) if isinstance(b, int) else tuple(b) for b in f.bits))
            for f in (address.fields if address else ())
        ),
        origin=file,
        thin_ui=_said(limits.thin_ui) if limits else None,
        outline=_said(form.outline),
        baseline=None if learnt is None else baseline_checks.baseline(learnt),
    )


def _said(value: Any) -> Any:
    from msgspec import UNSET

    return None if value is UNSET else value


def _tuple(value: Any) -> tuple[int, ...] | None:
    said = _said(value)
    return None if said is None else tuple(sorted(said))
