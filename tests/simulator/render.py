"""Rows -> the text of dump format 1, tidy or as it comes out of a terminal."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Any

from tests.simulator.rows import Row

ORDER = ("training", "counts", "errors", "rails", "heat", "values")
COLUMNS: dict[str, tuple[str, ...]] = {
    "training": (
        "site",
        "ch",
        "rank",
        "lane",
        "dq",
        "attempt",
        "point",
        "temp",
        "step",
        "candidate",
        "result",
        "width",
        "height",
        "window",
        "taps",
        "delay",
        "spread",
        "vref",
        "tries",
    ),
    "counts": (
        "site",
        "ch",
        "rank",
        "lane",
        "dq",
        "attempt",
        "point",
        "temp",
        "test",
        "bits",
        "errors",
        "rose",
        "fell",
        "edc",
        "cells",
    ),
    "errors": (
        "site",
        "ch",
        "rank",
        "lane",
        "attempt",
        "point",
        "temp",
        "address",
        "wrote",
        "read",
        "mask",
        "edc",
        "pass",
        "beat",
        "bank",
        "row",
        "col",
    ),
    "rails": ("rail", "ohms", "trend"),
    "heat": ("rail", "volts", "amps", "hottest", "rise"),
    "values": ("name", "value"),
}

DIRT = (
    "prompt",
    "kernel",
    "blank",
    "wrapped",
    "lost",
    "cut",
    "scan",
    "headless",
    "crlf",
    "comment",
)
"""What happens to pastes. `cut` and `scan` take lines away, and are made before the others."""


def dump(
    head: Sequence[tuple[str, str]], rows: Sequence[Row], rng: random.Random, width: str | None
) -> tuple[list[str], list[tuple[Row, int]]]:
    """The lines of one tidy dump, and the line (from 0) each row stands on. Columns that no row
    fills are left out."""
    lines = ["bench-dump 1", "", "[run]"]
    pad = max(len(k) for k, _ in head) + 2
    lines += [f"{key:<{pad}}{value}" for key, value in head]
    aligned = rng.random() < 0.8
    shuffled = rng.random() < 0.1
    sections = [s for s in ORDER if any(r.section == s for r in rows)]
    if shuffled:
        rng.shuffle(sections)
    total = 0
    where: list[tuple[Row, int]] = []
    for section in sections:
        mine = [r for r in rows if r.section == section]
        total += len(mine)
        used = [c for c in COLUMNS[section] if any(c in r.cells for r in mine)]
        table = [used] + [[cell(c, r.cells.get(c), width) for c in used] for r in mine]
        lines += ["", f"[{section}]"]
        lines += _table(table, aligned)
        where += [(row, len(lines) - len(mine) + k) for k, row in enumerate(mine)]
    lines.append("")
    end = rng.random()
    lines.append(f"[end] {total}" if end < 0.6 else "[end]")
    return lines, where


def _table(table: list[list[str]], aligned: bool) -> list[str]:
    if not aligned:
        return [" ".join(row) for row in table]
    widths = [max(map(len, column)) for column in zip(*table, strict=True)]
    return [
        "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in table
    ]


def cell(column: str, value: Any, width: str | None) -> str:
    """One value as the rig writes it; None is a dash."""
    if value is None:
        return "-"
    if column == "width":
        return _WIDTHS.get(width, "{:.0f}tap").format(value)
    if column in ("wrote", "read", "mask"):
        number, digits = value
        return f"0x{number:0{digits}x}"
    if column == "ohms":
        return "0L" if value > 2e7 else f"{value:.2f}" if value < 100 else f"{value:.0f}"
    return _SHOWN.get(column, "{!s}").format(value)


_WIDTHS = {"UI": "{:.3f}UI", "ps": "{:.1f}ps"}
_SHOWN = {
    "address": "0x{:08x}",
    "height": "{:.0f}mV",
    "temp": "{:.0f}C",
    "volts": "{:.2f}V",
    "amps": "{:.2f}A",
    "rise": "{:.1f}K",
    "vref": "{:.1f}",
}


def soil(lines: list[str], kinds: Sequence[str], rng: random.Random) -> str:
    """The text with that dirt on it; what is cut has been cut before."""
    for kind in kinds:
        if kind in _SOILED:
            lines = _SOILED[kind](list(lines), rng)
    end = "\r\n" if "crlf" in kinds else "\n"
    return end.join(lines) + end


def _prompt(lines: list[str], rng: random.Random) -> list[str]:
    at = rng.randrange(len(lines))
    lines.insert(0, f"bench@{rng.choice(('rig', 'cart'))}:~$ cat last.txt")
    lines.insert(at + 1, "bench@rig:~$")
    return lines


def _kernel(lines: list[str], rng: random.Random) -> list[str]:
    for _ in range(rng.randint(1, 4)):
        lines.insert(rng.randrange(1, len(lines)), rng.choice(_MESSAGES))
    return lines


def _blank(lines: list[str], rng: random.Random) -> list[str]:
    return [part for line in lines for part in ((line, "") if rng.random() < 0.3 else (line,))]


def _comment(lines: list[str], rng: random.Random) -> list[str]:
    lines.insert(rng.randrange(1, len(lines)), "# second paste, same board")
    return lines


def _wrapped(lines: list[str], rng: random.Random) -> list[str]:
    long = [i for i, line in enumerate(lines) if len(line) > 60]
    if long:
        i = rng.choice(long)
        lines[i : i + 1] = [lines[i][:60], lines[i][60:]]
    return lines


def _lost(lines: list[str], rng: random.Random) -> list[str]:
    for _ in range(rng.randint(1, 3)):
        i = rng.randrange(3, len(lines))
        if len(lines[i]) > 4 and not lines[i].startswith("["):
            k = rng.randrange(len(lines[i]))
            lines[i] = lines[i][:k] + lines[i][k + rng.randint(1, 3) :]
    return lines


def _headless(lines: list[str], rng: random.Random) -> list[str]:
    first = next((i for i, line in enumerate(lines) if line.startswith("[run]")), 0)
    return lines[first + rng.randint(0, 3) :]


_SOILED = {
    "prompt": _prompt,
    "kernel": _kernel,
    "blank": _blank,
    "comment": _comment,
    "wrapped": _wrapped,
    "lost": _lost,
    "headless": _headless,
}

_MESSAGES = (
    "usb 2-1: new full-speed device number 7",
    "thermal: zone0 crossed 55 C",
    "eth0: link up, 1000 Mbit, full duplex",
    "watchdog: kicked after 12 s",
)
