"""Board profiles: reading the TOML, finding the one a dump names, and what to do without one."""

from __future__ import annotations

import functools
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec.structs import replace

from memdiag.boards.inferred import inferred
from memdiag.boards.whereabouts import Whereabouts
from memdiag.model import AddressField, Board, Keepout, Rail, Run, toml_text
from memdiag.model.problems import Problem, Severity, problem
from memdiag.resources import read_regular, search_path

if TYPE_CHECKING:
    from memdiag.boards.centroid import Centroid
    from memdiag.boards.profile_checks import Profile

VARIABLE = "MEMDIAG_BOARDS"
LARGEST = 4 << 20
"""Bytes of a profile at most: what is larger is none."""


class ProfileError(ValueError):
    """A profile that cannot be used. `problems` holds everything that is wrong with it."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(p.sentence() for p in problems))


def examine(
    text: bytes | str, file: str = "profile", folder: Path | None = None
) -> tuple[Board | None, tuple[Problem, ...]]:
    """The board a profile's text describes (None where it has errors), and all its problems. A
    centroid file that it names is looked for in `folder`, None where there is none."""
    parsed, found = _parsed(text, file)
    return (None, found) if parsed is None else _described(parsed, folder)


def _parsed(text: bytes | str, file: str) -> tuple[Whereabouts | None, tuple[Problem, ...]]:
    """The tables of a profile's text; None where it is no TOML."""
    try:
        written = text if isinstance(text, str) else text.decode("utf-8-sig")
        return Whereabouts(file, toml_text.loads(written), written), ()
    except UnicodeDecodeError:
        return None, (problem("profile-unreadable", file=file, reason="it is no UTF-8 text"),)
    except toml_text.BadToml as wrong:
        return None, (problem("profile-syntax", wrong.position, file=file, reason=wrong),)


def _described(names: Whereabouts, folder: Path | None) -> tuple[Board | None, tuple[Problem, ...]]:
    """The board of a profile's tables, and all that is wrong with them."""
    # Only now: msgspec builds its decoders on import, and a run without a profile needs none.
    from memdiag.boards import profile_checks, profile_fill, profile_sites

    form, found = profile_fill.fill(names)
    if form is None:
        return None, found
    centroid = _centroid(names, folder)
    sites, wrong = profile_sites.sites(form, names, centroid)
    profile = profile_checks.Profile(form, sites)
    found += (*wrong, *(centroid.problems if centroid is not None else ()))
    found += profile_checks.examine(profile, names)
    if any(p.severity is Severity.ERROR for p in found):
        return None, found
    return _board(profile, names.file), found


def _centroid(names: Whereabouts, folder: Path | None) -> Centroid | None:
    """What the profile's centroid file says of its sites; None where it names none."""
    named = names.data.get("centroid")
    if not isinstance(named, str) or not named:
        return None
    from memdiag.boards import centroid

    try:
        if folder is None:
            raise centroid.Unreadable("where the profile lies is not known")
        return centroid.read(folder / named, frozenset(names.sites))
    except centroid.Unreadable as wrong:
        at = names.at("centroid")
        found = problem("profile-centroid", at, file=names.file, name=named, reason=wrong)
        return centroid.Centroid(problems=(found,))


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
        return _whole(path, _state(path), tuple(map(_state_of_any, parts(path)[1:])))
    except OSError as wrong:
        reason = (wrong.strerror or str(wrong)).lower()
        return None, (problem("profile-unreadable", file=path, reason=reason),)


def parts(path: Path) -> tuple[Path, ...]:
    """The files that a profile is made of: its own, and the centroid file that it names."""
    try:
        parsed, _ = _read(path, *_state(path))
    except OSError:
        return (path,)
    named = parsed.data.get("centroid") if parsed is not None else None
    return (path, path.parent / named) if isinstance(named, str) and named else (path,)


def alone(board: Board) -> bytes | None:
    """The text of a board's profile as it can lie by itself, without a centroid file beside it;
    None where it was read from no file. Raises OSError where that cannot be read any more."""
    path = Path(board.origin)
    if not (board.known and path.is_file()):
        return None
    if len(parts(path)) == 1:
        return path.read_bytes()
    from memdiag.boards.profile_text import to_toml

    return to_toml(board).encode("utf-8")


def _state(path: Path) -> tuple[int, int]:
    """What changes when a file does."""
    found = path.stat()
    return found.st_mtime_ns, found.st_size


def _state_of_any(path: Path) -> tuple[int, int] | None:
    try:
        return _state(path)
    except (OSError, ValueError):  # none there, or a name that can be none
        return None


@functools.lru_cache(maxsize=64)
def _read(path: Path, _mtime: int, _size: int) -> tuple[Whereabouts | None, tuple[Problem, ...]]:
    return _parsed(read_regular(path, LARGEST), str(path))


@functools.lru_cache(maxsize=64)
def _whole(
    path: Path, state: tuple[int, int], _beside: tuple[tuple[int, int] | None, ...]
) -> tuple[Board | None, tuple[Problem, ...]]:
    parsed, found = _read(path, *state)
    return (None, found) if parsed is None else _described(parsed, path.parent)


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
    return path.stem if re.search(r"^\s*\[\[\s*sites?\s*\]\]", text, re.MULTILINE) else None


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
        return inferred(run), (*map(_aside, wrong.problems), missing)
    if found is None:
        return inferred(run), (problem("board-unknown", board=name, nearest=_near(name)),)
    return found, ()


def _aside(wrong: Problem) -> Problem:
    """A problem of a profile among those of a dump, whose lines are others."""
    if wrong.position is None:
        return wrong
    line = wrong.position.line
    return replace(wrong, position=None, message=f"line {line} of {wrong.message}")


def _near(name: str) -> str:
    from memdiag.boards.profile_fill import nearest

    return nearest(name, [known for known, _ in shelf()])


def _board(profile: Profile, file: str) -> Board:
    """The plain `Board` of a profile that passed its checks."""
    from memdiag.boards import baseline_checks

    form = profile.form
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
        profile.sites,
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
        keepouts=tuple(
            Keepout(k.name, k.x, k.y, k.size, k.side, _said(k.why)) for k in form.keepout
        ),
    )


def _said(value: Any) -> Any:
    from msgspec import UNSET

    return None if value is UNSET else value
