"""What a verdict rests on, and the lines of the dump that prove what it says."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from memdiag.diagnosis import wording
from memdiag.diagnosis.beliefs import Beliefs
from memdiag.diagnosis.settings import Settings
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.measurements import Measurements
from memdiag.evidence.nodes import READINGS, Node
from memdiag.model import Board, Quote, Run

MOST_QUOTES = 6
PER_SITE = 2  # quotes of one site before another has its turn


class Basis(Struct, frozen=True):
    """A run, measured, with what is believed of it."""

    measured: Measurements
    evidence: Evidence
    beliefs: Beliefs
    settings: Settings
    contested: frozenset[str]
    """Sites whose rows the profile gives to other sites: no heat there until that is settled."""
    rails_only: bool
    """Nothing but readings was to be had: sites nobody trained are no reason against `clear`."""

    @property
    def run(self) -> Run:
        return self.measured.run

    @property
    def board(self) -> Board:
        return self.measured.board

    @property
    def read_rails(self) -> bool:
        """Whether rails were read or fed."""
        return any(n.kind in ("rail", "heat") for n in self.evidence.nodes)

    @property
    def known(self) -> tuple[str, ...]:
        """Measurements that need not be asked for, or cannot be where there is only a meter."""
        if self.rails_only:
            return ("ohms", "retest", "press", "slower")
        return ("ohms",) if self.run.rails else ()


def quotes(nodes: Sequence[Node], board: Board) -> tuple[Quote, ...]:
    """The strongest evidence: readings of rails first, then the oddest place of each site in
    turn, so that a fault of many sites is not proved by one of them."""
    turns: dict[tuple[str, ...], int] = {}
    ranked = []
    for node in sorted(nodes, key=lambda n: n.sound_log_ratio):
        for quote in node.quotes:
            turn = turns.get(node.sites, 0)
            turns[node.sites] = turn + 1
            rank = -1 if node.kind in READINGS else turn // PER_SITE
            says = f"{wording.where(node, board)} {quote.says}".strip()
            ranked.append((rank, Quote(quote.line, says)))
    ranked.sort(key=lambda pair: pair[0])
    return tuple(dict.fromkeys(q for _, q in ranked))[:MOST_QUOTES]
