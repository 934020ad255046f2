"""The words a technician writes for the words of a dump: shipped tables, which a shop may extend.

Case makes no other word, nor do blanks, hyphens and underscores inside one: `Not_Found` is
`not-found`. At its end they do: what is left of a row that lost characters is no word.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from msgspec import Struct

from memdiag.model import schema
from memdiag.model.patterns import later
from memdiag.model.records import FAILED, STEPS, Result
from memdiag.model.schema import Cell

_TIES = later(r"(?<=[^\W_])[\s_-]+(?=[^\W_])")

_KNOWN: dict[str, tuple[str, ...]] = {
    "result": schema.WORDS[Cell.RESULT],
    "step": STEPS,
    "trend": schema.WORDS[Cell.TREND],
    "link": schema.WORDS[Cell.LINK_CHECK],
    "column": tuple(dict.fromkeys(name for table in schema.OWN for name in schema.columns(table))),
}
KINDS = tuple(_KNOWN)
"""The kinds of words there are: the values of four kinds of cells, and names of columns."""

SHIPPED: Mapping[str, Mapping[str, str]] = {
    "result": {
        "pass": "passed passes passing ok okay good success successful clean p",
        "marginal": "marg weak thin warn warning borderline narrow",
        "fail": "failed fails failing failure bad error err ng faulty f",
        "no-response": "noresp noanswer unresponsive timeout timedout silent dead",
        "not-found": "nonefound nosetting nowindow noeye notlocked unlocked",
        "not-run": "skip skipped omitted untested nottested notdone",
    },
    "step": {
        "id": "ident identify identification idread readid",
        "ca": "cmd command address addr cmdaddr catrain catraining cabt",
        "level": "wrlvl wrlevel writelevel writeleveling writelevelling levelling leveling wl",
        "wck": "wck2ck wckck wcktrain wcktraining",
        "gate": "rdgate readgate gatetrain gatetraining dqsgate preamble",
        "read": "rd rdtrain readtrain rdtraining readtraining rdeye readeye",
        "write": "wr wrtrain writetrain wrtraining writetraining wreye writeeye",
        "vref": "vreftrain vreftraining vrefdq ref reference",
        "zq": "zqcal zqcalibration zcal impedance",
    },
    "trend": {
        "settled": "steady stable flat constant",
        "rising": "rises up increasing climbing",
        "falling": "falls down decreasing dropping",
    },
    "link": {"ok": "pass passed good okay clean", "bad": "fail failed error err ng wrong"},
    "column": {
        "site": "ref refdes designator package device chip part location",
        "ch": "channel chan chn",
        "rank": "cs chipselect",
        "lane": "byte bytelane slice",
        "dq": "bit line dqline dataline",
        "attempt": "try boot bootattempt",
        "point": "setpoint freq frequency fsp",
        "temp": "temperature",
        "step": "stage training phase",
        "result": "status outcome verdict state",
        "candidate": "cand bitslip",
        "width": "eye eyewidth",
        "height": "eyeheight",
        "window": "win scan sweep",
        "delay": "dly tap",
        "vref": "reference",
        "tries": "retries retry",
        "test": "testname pattern",
        "bits": "bitscompared compared bitstested",
        "errors": "error errs err biterrors bitswrong wrong",
        "rose": "zerotoone 0to1 0>1",
        "fell": "onetozero 1to0 1>0",
        "edc": "crc linkcheck",
        "address": "addr",
        "wrote": "written expected exp",
        "read": "actual got act",
        "mask": "xor diff",
        "rail": "net supply",
        "ohms": "ohm resistance",
        "volts": "voltage volt",
        "amps": "current ampere amperes amp",
        "hottest": "hotspot warmest warmedfirst",
        "rise": "temprise deltat dt",
        "name": "parameter reading",
        "value": "measured measurement",
    },
}
"""By kind: a word of the dump, and the other words for it, as `normal` writes them."""


def normal(word: str) -> str:
    """The word without what makes no other word."""
    return _TIES.sub("", word.casefold())


class UnknownTarget(ValueError):
    """A word that is to stand for a word which does not exist."""


class Vocabulary(Struct, frozen=True):
    """By kind: each other word, as `normal` writes it, and the word of the dump it stands for."""

    tables: Mapping[str, Mapping[str, str]]

    def meant(self, kind: str, word: str) -> str | None:
        """The word of the dump that this one is or stands for, None where none is known."""
        return self.tables[kind].get(normal(word))

    def says_failure(self, word: str) -> bool:
        """Whether it is a word for a step that did not work."""
        meant = self.meant("result", word)
        return meant is not None and Result(meant) in FAILED

    def extended(self, more: Mapping[str, Mapping[str, str]]) -> Vocabulary:
        """With more words, as `{kind: {word: word of the dump}}`. Raises UnknownTarget."""
        tables = {kind: dict(table) for kind, table in self.tables.items()}
        for kind, words in more.items():
            for word, target in words.items():
                if target not in _KNOWN[kind]:
                    known = ", ".join(_KNOWN[kind])
                    raise UnknownTarget(f"words.{kind}.{word} is {target}: known are {known}")
                tables[kind][normal(word)] = target
        return Vocabulary(MappingProxyType(tables))


@cache
def shipped() -> Vocabulary:
    """The words that memdiag knows by itself."""
    tables = {
        kind: {normal(word): word for word in _KNOWN[kind]}
        | {word: target for target, words in SHIPPED[kind].items() for word in words.split()}
        for kind in KINDS
    }
    return Vocabulary(MappingProxyType(tables))
