"""Whether a verdict names the place and the cause of a simulated fault.

Place: the site for a fault of a package or its joints, the rail for a supply fault, the
partition or channel for a controller fault. A group of packages that the dump does not tell apart
is the place of each of them.
"""

from __future__ import annotations

from memdiag.model import Board, Cause, Finding, Place
from tests.simulator.scenes import Scene
from tests.simulator.truth import Truth


def finds(place: Place, one_of: tuple[str, ...], truth: Truth, scene: Scene) -> bool:
    """Whether a place, or a group of suspects, is where the fault is."""
    return matches(place, truth, scene.board) or is_group_of(one_of, truth, scene)


def is_group_of(one_of: tuple[str, ...], truth: Truth, scene: Scene) -> bool:
    """Whether the fault is at one of these packages, which the dump does not tell apart and which
    are no more than half of the board: who names most of a board names nothing."""
    return (
        truth.site in one_of
        and 2 * len(one_of) <= len(scene.board.sites)
        and scene.alike(truth).issuperset(one_of)
    )


def holds(place: Place, one_of: tuple[str, ...], truth: Truth, board: Board) -> bool:
    """Whether something is wrong there because of this fault: the place may be wider than the
    fault, and may not be beside it."""
    if not agrees(place, truth):
        return False
    if one_of:
        return truth.site in one_of
    if place.is_board or matches(place, truth, board):
        return True
    return truth.site is not None and truth.site in place.sites(board)


def matches(place: Place, truth: Truth, board: Board) -> bool:
    """Whether a finding's place is the truth's place."""
    everywhere = len(truth.sites) == len(board.sites) and truth.site is None
    if everywhere and place == Place():
        return True  # "the board" is the right place for what strikes all of it
    if place.group is not None:
        # without a profile the sites are what is left to name, if they are all and few enough
        few = everywhere or 2 * len(place.group) <= len(board.sites)
        return truth.site is None and set(place.group) == set(truth.sites) and few
    if truth.kind == "stride":
        return place.site is None and place.rail is None
    if truth.partition is not None or truth.kind == "phy-channel":
        return _in_controller(place, truth, board)
    if truth.site is None:
        return place.rail is not None and place.rail in truth.rails
    return _at_site(place, truth, board)


def _in_controller(place: Place, truth: Truth, board: Board) -> bool:
    """Whether a finding's place is the partition or the channel that the controller lost."""
    if truth.partition is not None and place.partition == truth.partition:
        return True
    channels = {truth.channel}
    if truth.channel is None:
        channels = {c for s in board.sites if s.ref in truth.sites for c in s.channels}
    return place.channel in channels and (place.site is None or place.site in truth.sites)


def _at_site(place: Place, truth: Truth, board: Board) -> bool:
    if place.site is not None:
        return place.site == truth.site
    if truth.kind == "short-package" and place.rail == truth.rail:
        return True
    return place.channel is not None and place.link.sites(board) == (truth.site,)


def agrees(place: Place, truth: Truth) -> bool:
    """Whether whatever the finding names inside its place (channel, lane, lines) is so."""
    across = isinstance(truth.dq, tuple) and truth.dq[0] == truth.dq[1]
    for field_ in ("channel",) if across else ("channel", "lane"):
        said, is_ = getattr(place, field_), getattr(truth, field_)
        if said is not None and is_ is not None and said != is_:
            return False
    if place.dq is None or truth.dq is None:
        return True
    said_lines = set(place.dq) if isinstance(place.dq, tuple) else {place.dq}
    return said_lines <= (set(truth.dq) if isinstance(truth.dq, tuple) else {truth.dq})


def right_cause(finding: Finding, truth: Truth) -> bool:
    if finding.cause.value in truth.causes:
        return True
    # a shorted package may be named by the rail it pulls down
    return (
        truth.kind == "short-package"
        and finding.cause is Cause.SUPPLY
        and (finding.place.rail == truth.rail)
    )
