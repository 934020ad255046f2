"""What outcomes teach, as the shop's TOML that `--shop` reads. Never over a file without a word."""

from __future__ import annotations

import math
import os
import re
import secrets
from pathlib import Path

from memdiag.diagnosis import settings
from memdiag.ledger.entries import read_file
from memdiag.ledger.errors import LedgerError
from memdiag.model.ledger import Statistics

_LEAST = 1e-6
"""No prior is nearer to 0 or to 1 than this: a certain one would never be moved by evidence."""
_MOST_TEXT = 1 << 20
_TABLE = re.compile(r"^[ \t]*\[")
_PRIORS = re.compile(r"^[ \t]*\[[ \t]*priors[ \t]*\][ \t]*(#.*)?$")


def priors_table(learnt: Statistics) -> str:
    """The `[priors]` table, with what it was counted from."""
    head = (
        f"# Learnt from {learnt.outcomes} outcomes on {learnt.boards} tickets; the priors before "
        f"count for {learnt.weight:g} boards.\n"
    )
    lines = (
        f"{p.name} = {rounded(p.learnt):.10g}  # {p.shipped:.4g} before\n" for p in learnt.priors
    )
    return f"[priors]\n{head}{''.join(lines)}"


def rounded(prior: float) -> float:
    """Four figures of it, and never 0 or 1."""
    if not math.isfinite(prior):
        raise ValueError(f"{prior} is no prior")
    return min(max(float(f"{prior:.4g}"), _LEAST), 1 - _LEAST)


def write(path: Path, learnt: Statistics, *, force: bool) -> None:
    """Write the shop file, whole or not at all. Where there is one, with `force` its `[priors]` are
    replaced and its other tables kept. Raises LedgerError where it stays as it was."""
    made = priors_table(learnt)
    if os.path.lexists(path):
        if not force:
            raise LedgerError("settings-there", file=path)
        made = _with(path, made)
    try:
        # What is written must be what `verdict --shop` takes.
        settings.parse(made, str(path))
    except settings.BadSettings as wrong:
        reason = wrong.problem.message
        raise LedgerError("settings-spoilt", file=path, reason=reason) from None
    try:
        _put(path, made, anew=not force)
    except FileExistsError:
        raise LedgerError("settings-there", file=path) from None
    except OSError as wrong:
        reason = (wrong.strerror or str(wrong)).lower()
        raise LedgerError("settings-spoilt", file=path, reason=reason) from None


def _with(path: Path, priors: str) -> str:
    """The file's text with these priors in place of its own."""
    try:
        text = read_file(path, _MOST_TEXT).decode("utf-8")
        before = settings.parse(text, str(path))
    except (OSError, UnicodeDecodeError) as wrong:
        reason = (getattr(wrong, "strerror", None) or "it is no text").lower()
        raise LedgerError("settings-spoilt", file=path, reason=reason) from None
    except settings.BadSettings as wrong:
        raise LedgerError("settings-spoilt", file=path, reason=wrong.problem.message) from None
    kept, inside = [], False
    for line in text.splitlines():
        if _TABLE.match(line):
            inside = bool(_PRIORS.match(line))
        if not inside:
            kept.append(line)
    rest = "\n".join(kept).strip("\n")
    made = f"{rest}\n\n{priors}" if rest else priors
    _check_rest(path, before, made)
    return made


def _check_rest(path: Path, before: settings.Settings, made: str) -> None:
    """Raises LedgerError where more than the priors would change."""
    import msgspec

    try:
        after = settings.parse(made, str(path))
    except settings.BadSettings as wrong:
        raise LedgerError("settings-spoilt", file=path, reason=wrong.problem.message) from None
    if msgspec.structs.replace(after, priors=before.priors) != before:
        reason = "its [priors] are not a table of their own"
        raise LedgerError("settings-spoilt", file=path, reason=reason)


def _put(path: Path, text: str, *, anew: bool) -> None:
    """In one stroke; `anew`: never over a file that came meanwhile."""
    partial = path.with_name(f".{path.name}.{secrets.token_hex(6)}.part")
    try:
        with partial.open("x", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        if anew:
            _link(partial, path)
        else:
            partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)


def _link(partial: Path, path: Path) -> None:
    """Give it its name, unless another file has it."""
    try:
        os.link(partial, path)
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        partial.replace(path)
