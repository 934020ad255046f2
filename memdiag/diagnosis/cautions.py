"""The cautions that go with work that can hurt: hot air, fumes, injected current, charge."""

from __future__ import annotations

from collections.abc import Sequence

from memdiag.model import HEATS, Action, Board, Finding, Work
from memdiag.model.quantities import show_metered

QUALIFIED = "Local codes and qualified practice come first; what stands here does not replace them."
HEAT = (
    "Hot air and hot boards burn. Unplug the board and take any battery off, let it discharge, "
    "ventilate or extract the flux fumes, wear eye protection."
)
# J-STD-020 (rev. C to E), classification profile for lead-free assemblies: above 217 C for
# 60 to 150 s, at most 3 reflow passes, ramp-up at most 3 C/s.
PROFILE = (
    "Lead-free: at most 3 C/s up, 60 to 150 s above 217 C, no more than three reflows in a "
    "package's life (J-STD-020). Count this one."
)
# J-STD-033: packages past their floor life are baked first; other bodies stay at or below 200 C.
MOISTURE = (
    "A package out of its dry bag longer than its floor life must be baked first, and "
    "neighbours kept at or below 200 C (J-STD-033; the label and the maker's sheet decide)."
)
ESD = "Memory is sensitive to electrostatic discharge: wrist strap, earthed mat and iron."
INJECT = (
    "Injecting current: board off, supply current-limited before it is connected, never above "
    "the rail's own voltage; what warms can burn a finger or vent."
)
OHMS = "Measure ohms only with the board unplugged and its capacitors discharged."


def for_findings(findings: Sequence[Finding], board: Board) -> tuple[str, ...]:
    """The cautions of everything these findings ask for, each once; none where nothing is asked."""
    actions = {f.action for f in findings}
    texts: list[str] = []
    if actions & HEATS:
        texts += [HEAT, PROFILE, MOISTURE, ESD]
    asked = frozenset[Work]().union(*(f.asks for f in findings))
    if Action.CHECK_SUPPLY in actions or Work.OHMS in asked:
        texts.append(OHMS)
    if Action.CHECK_SUPPLY in actions or Work.INJECTION in asked:
        texts.append(_inject(board))
    return (*texts, QUALIFIED) if texts else ()


def for_readings(findings: Sequence[Finding], board: Board, *, injects: bool) -> tuple[str, ...]:
    """The same beside ohm readings: those of the meter always, and those of the supply where an
    injection is worked out (`injects`), whatever the findings ask for."""
    texts = [t for t in for_findings(findings, board) if t not in (OHMS, QUALIFIED)]
    if injects and not any(t.startswith(INJECT) for t in texts):
        texts.append(_inject(board))
    return (OHMS, *texts, QUALIFIED)


def _inject(board: Board) -> str:
    """The caution for injected current, with the limits of the board's memory rails."""
    limits = [
        f"{rail.name} at most {show_metered(rail.inject_volts_max, 'V')}"
        + (f", {show_metered(rail.inject_amps_max, 'A')}" if rail.inject_amps_max else "")
        for rail in board.rails
        if rail.feeds == "packages" and rail.inject_volts_max is not None
    ]
    return INJECT + (f" Profile limits: {'; '.join(limits)}." if limits else "")


_IN_SHORT = {PROFILE: "the reflow profile", MOISTURE: "moisture", ESD: "static discharge"}


def folded(texts: Sequence[str]) -> tuple[str, ...]:
    """The cautions for a small screen: what burns, shorts and gives current in full, the others
    named in one line."""
    named = [_IN_SHORT[text] for text in texts if text in _IN_SHORT]
    if not named:
        return tuple(texts)
    kept = [text for text in texts if text not in _IN_SHORT and text != QUALIFIED]
    return (*kept, f"Also {', '.join(named)}: --cautions shows all. {QUALIFIED}")
