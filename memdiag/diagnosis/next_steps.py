"""What to do next about a finding, with figures, and what each outcome would change."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from msgspec import Struct

from memdiag.diagnosis import decision
from memdiag.diagnosis.basis import Basis
from memdiag.diagnosis.decision import Choice, Measurement
from memdiag.diagnosis.settings import Settings
from memdiag.evidence.nodes import Node
from memdiag.model import Action, Board, Cause, Place, Run, Work
from memdiag.model.quantities import show_count, show_duration, show_metered
from memdiag.stats.limits import bits_needed

_OHMS, _INJECTION = frozenset({Work.OHMS}), frozenset({Work.INJECTION})


class Step(Struct, frozen=True):
    """One thing to do, in words, and the work it asks for that has a caution of its own."""

    text: str
    asks: frozenset[Work] = frozenset()


def steps(
    basis: Basis,
    place: Place,
    cause: Cause,
    belief: Mapping[Cause, float],
    choice: Choice,
    action: Action,
) -> list[Step]:
    """What to measure, then what goes with the action."""
    asked = [m for m, _ in choice.measurements]
    out = [_measurement(basis, place, belief, m) for m in asked[:2]]
    if action is not Action.REPLACE:
        out += _low_rails(basis)
    rails = rails_of(place, basis.board)
    told = basis.run.rails or any(m.action is Action.CHECK_SUPPLY for m in asked)
    if action is Action.CHECK_SUPPLY and not told:
        which = f": {rails}" if rails else " on its rails"
        text = f"board off: measure ohms to ground{which}; then its voltage under load"
        out.append(Step(text, _OHMS))
    return out + list(_with_action(basis, place, cause, action, rails))


def _measurement(basis: Basis, place: Place, belief: Mapping[Cause, float], m: Measurement) -> Step:
    yes, no = decision.would_change(belief, m, basis.settings.costs)
    text = m.how.format(at=_name(place), **_figures(basis.run, basis.settings))
    ohms = m.action is Action.CHECK_SUPPLY
    rails = rails_of(place, basis.board)
    if ohms and rails:
        text += f": {rails}"
    if yes is not no:
        text += f". If {m.yes}: {yes}; if {m.no}: {no}"
    return Step(text, _OHMS if ohms else frozenset())


def _figures(run: Run, settings: Settings) -> dict[str, str]:
    ambient = run.head.ambient if run.head.ambient is not None else 23.0
    return {
        "length": run_length(run, settings),
        "warm": f"{ambient + 40:.0f} C package temperature",
        "cool": f"{ambient:.0f} C",
    }


def _low_rails(basis: Basis) -> Iterator[Step]:
    """What to do about rails that read low: feed them and see what warms. One that came back with
    a package off is read once more, and not fed."""
    nodes = basis.evidence.nodes
    read: dict[str, list[Node]] = {}
    for node in nodes:
        if node.kind == "rail" and node.place.rail is not None:
            read.setdefault(node.place.rail, []).append(node)
    low = {rail: mine[-1] for rail, mine in read.items() if reads_low(mine[-1])}
    for rail, (first, *_, last) in ((r, mine) for r, mine in read.items() if len(mine) > 1):
        off = ", ".join(s for s in first.sites if s not in last.sites)
        if off and reads_low(first) and rail not in low:
            text = f"{rail} came back with {off} off: read it once more; the same figure again"
            yield Step(f"{text} says that {off} drew the current", _OHMS)
    if not low or any(n.kind == "heat" for n in nodes):
        return
    yield Step(
        f"feed {' and '.join(low)} with at most {_limits(low, basis.board)}, and see what warms "
        f"first{_fed_by(list(low.values()), basis.board)}",
        _INJECTION,
    )


def _limits(rails: Iterable[str], board: Board) -> str:
    """The least that any of them bears, in volts and, where it is known, in amperes."""
    known = [rail for name in rails if (rail := board.rail(name)) is not None]
    volts = min((r.inject_volts_max for r in known if r.inject_volts_max is not None), default=1.0)
    amps = [r.inject_amps_max for r in known if r.inject_amps_max is not None]
    text = show_metered(volts, "V")
    if not amps:
        return f"{text}, current-limited"
    return f"{text}, the current limited to {show_metered(min(amps), 'A')}"


def reads_low(node: Node) -> bool:
    """Whether a reading of a rail is likelier of a low or shorted one than of a healthy one."""
    return node.said("normal") < max(node.said("low"), node.said("short")) - 1


def _fed_by(low: Sequence[Node], board: Board) -> str:
    """Which packages the current can pass: those on every one of these rails."""
    named = {s.ref for s in board.sites if s.named}
    on_all = [s for s in low[0].sites if s in named and all(s in n.sites for n in low)]
    if not on_all:
        return ""
    rails = "it" if len(low) == 1 else "both" if len(low) == 2 else "them all"
    return f"; {', '.join(on_all)} {'lies' if len(on_all) == 1 else 'lie'} on {rails}"


def _with_action(
    basis: Basis, place: Place, cause: Cause, action: Action, rails: str
) -> Iterator[Step]:
    """What goes with the action itself."""
    at = _name(place)
    if action in (Action.REPLACE, Action.REFLOW):
        length = run_length(basis.run, basis.settings)
        yield Step(f"afterwards boot, then stress {at} for {length}")
    if action is Action.REPLACE and cause is Cause.MISSING:
        text = f"before heat: ohms of {at}'s rails with it on, to compare once it is off"
        yield Step(text, _OHMS)
    if action is Action.REPLACE and basis.read_rails:
        yield Step(f"once {at} is off, read its rails again before fitting: {rails}", _OHMS)
    if action is Action.STOP and len(place.sites(basis.board)) == 1:
        yield Step(
            f"if a swap was not tried yet: fit a known good package at {at}; the same failure "
            "again settles it"
        )
    elif action is Action.STOP:
        # It shows at several packages: another one in place of any of them would tell nothing.
        yield Step(
            "run the same boot and test on a good board of this kind, on the same rig: what comes "
            "there too is the rig's own"
        )


def which_package(place: Place, board: Board) -> Step:
    """What to do before heat where the dump and the profile do not mean the same package."""
    return Step(
        f"before any heat find out which package the dump calls {place.site}: board {board.name} "
        "gives its lanes to another site; check the board's name in the dump, or the profile"
    )


def rail_first(place: Place, rail: Place) -> Step:
    """What to do before heat at a site whose rail is ill, and before its controller is given up."""
    return Step(
        f"nothing at {_name(place)} before {rail} is right: mend the rail, train again, and look "
        "whether anything is left there"
    )


def hear(place: Place) -> Step:
    """What to do first where no row speaks for a place itself."""
    return Step(f"paste the whole dump, or run the training of {_name(place)} again, then judge")


def after_removed(place: Place, run: Run, settings: Settings) -> tuple[str, ...]:
    """What to do at a site that is empty on purpose."""
    return (
        f"fit a package at {place.site}, boot, and look at every site again",
        f"then stress the board for {run_length(run, settings)}",
    )


def run_length(run: Run, settings: Settings) -> str:
    """`3e12 bits per lane (29 s at 14 Gbit/s per line)`: error-free exposure for the target."""
    need = bits_needed(settings.limits.target_rate, settings.limits.confidence)
    text = f"{show_count(need)} bits per lane without an error"
    if run.head.rate:
        text += f" (about {show_duration(need / (8 * run.head.rate))} at full traffic)"
    return text


def rails_of(place: Place, board: Board) -> str:
    """The rails to be read for a place, with what healthy ones read."""
    names: tuple[str, ...] = ()
    if place.rail is not None:
        names = (place.rail,)
    elif place.site is not None and (site := board.site(place.site)) is not None:
        names = site.rails
    else:
        names = tuple(r.name for r in board.rails if r.feeds == "packages")
    shown = []
    for name in names:
        rail = board.rail(name)
        if rail is not None and rail.healthy_ohms_typical is not None:
            shown.append(f"{name} (healthy about {rail.healthy_ohms_typical:g} ohm)")
        else:
            shown.append(name)
    return ", ".join(shown)


def _name(place: Place) -> str:
    return place.site or str(place)
