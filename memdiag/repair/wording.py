"""Clauses become sentences."""

from __future__ import annotations


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """A capital first, unless it is a designator or a quoted word, and a stop."""
    text = text.strip()
    return capital(text) + ("" if text.endswith((".", "!", "?")) else ".")


def short(text: str, width: int = 92) -> str:
    """The first clauses that fit one line on the terminal."""
    kept = ""
    for clause in text.split("; "):
        longer = f"{kept}; {clause}" if kept else clause
        if kept and len(longer) > width:
            break
        kept = longer
    return sentence(kept)
