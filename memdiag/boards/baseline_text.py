"""The `[baseline]` of a profile as text: written out, and put into a profile that people wrote.

A profile is edited, not printed anew: its comments and the order of its keys are somebody's work.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from typing import Any

from memdiag.model import Baseline
from memdiag.model.toml_text import quoted

_LINE = re.compile(r"[^\n]*\n|[^\n]+")
_HEADER = re.compile(r"[ \t]*\[{1,2}[^\[\]\n]+\]{1,2}[ \t]*(?:#.*)?$")
_OWN = re.compile(r"[ \t]*\[{1,2}[ \t]*([\"']?)baseline\1[ \t]*[.\]]")

_HEAD = (
    "# Learnt by `memdiag baseline` from known good boards; learn it again rather than edit it.",
    "# centre, taps and ohms are medians; spread is the standard deviation of the natural log, of",
    "# taps in taps. An eye without a lane is that of all lanes together.",
)


class Unplaceable(ValueError):
    """A profile whose `[baseline]` is written in a way that cannot be replaced as text."""


def to_toml(baseline: Baseline) -> str:
    """The tables of a baseline; reading them gives the same baseline."""
    lines = ["[baseline]", *_HEAD, f"boards = {baseline.boards}"]
    if baseline.error_floor is not None:
        lines.append("# Wrong bits per bit at most, at 95 %, one-sided.")
        lines.append(f"error_floor = {baseline.error_floor!r}")
    for name, entries in _lists(baseline).items():
        if entries:
            lines += [f"{name} = [", *(f"  {{ {_entry(entry)} }}," for entry in entries), "]"]
    return "\n".join(lines) + "\n"


def _lists(baseline: Baseline) -> dict[str, list[dict[str, Any]]]:
    """Each list of tables by its key, in the order in which their keys are written."""
    return {
        "eyes": [
            {"what": e.what, "unit": e.unit, "step": e.step, "lane": e.lane}
            | {"centre": e.centre, "spread": e.spread}
            for e in baseline.eyes
        ],
        "slopes": [{"step": s.step, "taps": s.taps, "spread": s.spread} for s in baseline.slopes],
        "rails": [{"rail": r.rail, "ohms": r.ohms, "spread": r.spread} for r in baseline.rails],
    }


def _entry(entry: dict[str, Any]) -> str:
    return ", ".join(f"{key} = {_value(v)}" for key, v in entry.items() if v is not None)


def _value(value: str | float) -> str:
    return quoted(value) if isinstance(value, str) else repr(value)


def replaced(profile: str, baseline: Baseline) -> str:
    """The profile with this baseline in the place of its own, or at its end where it has none; all
    else as it stands, line ends too. Raises Unplaceable where that cannot be done."""
    newline = "\r\n" if "\r\n" in profile else "\n"
    block = to_toml(baseline).replace("\n", newline)
    kept: list[str] = []
    at: int | None = None
    for part, own in _parts(profile):
        if own and at is None:
            at = len(kept)
        kept.append(_remarks_behind(part) if own else part)
    if at is None:
        kept += _gap(profile, newline)
        at = len(kept)
    made = "".join((*kept[:at], block, *kept[at:]))
    if _rest(made) != _rest(profile):
        raise Unplaceable
    return made


def _gap(profile: str, newline: str) -> list[str]:
    """What parts the end of a profile from what is put behind it."""
    if not profile.strip():
        return []
    return [newline] if profile.endswith("\n") else [newline * 2]


def _rest(profile: str) -> dict[str, Any] | None:
    """What a profile says beside its baseline; None where it is no TOML."""
    try:
        return {k: v for k, v in tomllib.loads(profile).items() if k != "baseline"}
    except ValueError:
        return None


def _parts(profile: str) -> Iterator[tuple[str, bool]]:
    """The profile cut where the tables of the baseline begin and end, and whether a part is of
    them."""
    part, whole, own = "", "", False
    for line in _LINE.findall(profile):
        if _HEADER.match(line.rstrip("\r\n")) and _is_complete(whole):
            now = _OWN.match(line) is not None
            if now != own:
                yield part, own
                part, own = "", now
        part += line
        whole += line
    yield part, own


def _is_complete(text: str) -> bool:
    """Whether no list and no text of several lines is open at its end: what looks like a header
    inside one is none."""
    try:
        tomllib.loads(text)
    except ValueError:
        return False
    return True


def _remarks_behind(part: str) -> str:
    """The blank and comment lines at the end of a part, which speak of what follows."""
    lines = _LINE.findall(part)
    n = len(lines)
    while n and (not lines[n - 1].strip() or lines[n - 1].lstrip().startswith("#")):
        n -= 1
    return "".join(lines[n:])
