"""Dumps of format 1 written anew as people write them: other words, cases, separators, numbers.

Each way changes one printed cell or line and nothing that it says. The words are this file's own
list of what the contract names, and not the reader's table.
"""

from __future__ import annotations

import re

from hypothesis import strategies as st

RESULTS = {
    "pass": ["PASSED", "ok", "Good"],
    "fail": ["FAILED", "bad", "error", "NG"],
    "no-response": ["timeout", "timed-out", "no_response", "silent"],
    "not-found": ["NotFound", "not_found", "none-found"],
    "not-run": ["skipped", "not_run"],
    "marginal": ["marg", "weak", "thin"],
}
STEPS = {
    "read": ["rd", "rdtrain"],
    "write": ["wr"],
    "id": ["ident", "identify"],
    "ca": ["cmd", "address"],
    "level": ["wrlvl", "levelling"],
    "gate": ["rdgate"],
}
COLUMNS = {
    "site": ["Ref", "Designator"],
    "ch": ["Channel", "Chan"],
    "lane": ["Byte", "Bytelane"],
    "dq": ["Bit", "Line"],
    "result": ["Status", "Outcome"],
    "width": ["Eye"],
    "tries": ["Retries"],
}
UNSAID = ["n/a", "na", "none", "--", "N/A", "\u2013", "\u2014", "-"]
HEX = ("address", "wrote", "read", "mask")
WHOLE = ("bits", "errors", "rose", "fell", "edc", "cells", "tries")


def _cased(draw: st.DrawFn, word: str) -> str:
    return draw(st.sampled_from([word, word.upper(), word.capitalize()]))


def _number(draw: st.DrawFn, text: str, apart: str) -> str:
    """A number with a decimal comma, or its unit apart; `apart` is what may stand between."""
    found = re.fullmatch(r"(-?\d+)(\.\d+)?(UI|ps|mV|C|ohm|kohm|V|A|K|taps|%)?", text)
    if found is None:
        return text
    whole, fraction, unit = found.group(1), found.group(2) or "", found.group(3) or ""
    if fraction and draw(st.booleans()):
        fraction = "," + fraction[1:]
    if unit and draw(st.booleans()):
        unit = apart + unit
    return whole + fraction + unit


def _whole(draw: st.DrawFn, text: str, group: str) -> str:
    if not text.isdigit() or len(text) < 4 or text[0] == "0":
        return text
    ways = [f"{int(text):,}".replace(",", group)]
    if text.endswith("000"):
        ways.append(text[:-3] + "k")
    return draw(st.sampled_from(ways))


@st.composite
def handwritten(draw: st.DrawFn, text: str) -> str:
    """The dump by hand. In each table cells are parted by blanks, strokes or semicolons."""
    section, columns, made = "", [], []
    between = "  "
    for line in text.splitlines():
        if line.startswith("["):
            section, columns = line.strip("[]").split("]")[0].lower(), []
            between = draw(st.sampled_from(["  ", " | ", "; "]))
            made.append(_cased(draw, line) if draw(st.booleans()) else line)
        elif not section or not line.strip() or line.startswith("#"):
            made.append(line)
        elif section == "run":
            key, value = line.split(None, 1)
            made.append(f"{_cased(draw, key)}{draw(st.sampled_from([' ', ': ', ' = ']))}{value}")
        elif not columns:
            columns = line.split()
            named = [_cased(draw, draw(st.sampled_from([c, *COLUMNS.get(c, [])]))) for c in columns]
            mark = between if len(columns) > 1 else "  "
            made.append(mark.join(_free(named, columns)))
        else:
            cells = zip(columns, line.split(), strict=True)
            mark = between if len(columns) > 1 else "  "
            made.append(mark.join(_cell(draw, section, c, t, mark) for c, t in cells))
    return "\n".join(made) + "\n"


def _free(named: list[str], columns: list[str]) -> list[str]:
    """Two neighbours that together are one other name (`bit line`) keep their own names."""
    joined = {"".join(named[i : i + 2]).lower() for i in range(len(named) - 1)}
    clash = joined & {"byteline", "bitline", "byteread", "dqline", "bytelane"}
    return columns if clash else named


_WORDS = {"result": RESULTS, "step": STEPS}
_AS_IT_IS = ("value", "name", "test", "site", "ch", "point", "candidate", "rail", "hottest")


def _cell(draw: st.DrawFn, section: str, column: str, text: str, mark: str) -> str:
    ways = [text]
    if text == "-":
        ways = UNSAID
    elif column in _WORDS:
        ways = [text, text.upper(), *_WORDS[column].get(text, [])]
    elif section == "errors" and column in HEX:
        bare = text.removeprefix("0x")
        ways = [text, bare, bare + "h", "0X" + bare.upper()]
    elif column in WHOLE:
        ways = [_whole(draw, text, draw(st.sampled_from(["'", ","])))]
    elif column not in _AS_IT_IS:
        ways = [_number(draw, text, " " if mark.strip() else "")]
    return draw(st.sampled_from(ways))
