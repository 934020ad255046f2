"""A dump in numbers, a row for each place of the board that may be at fault: each site, rail and
channel, with what stands beside it.

Nothing depends on the order of rows or sites. What a dump does not say is NaN.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from functools import cached_property

import numpy as np
from msgspec import Struct

from memdiag.evidence.coverage import error_list_is_complete
from memdiag.evidence.measurements import Measured, Measurements, measure
from memdiag.model import MEMORIES, Board, Channel, Rail, Run, Site
from tests.accuracy.headroom import addresses, lanes, numbers
from tests.accuracy.headroom.numbers import UNSAID, Floats, Numbers

FAILED = tuple(f"{k} {r}" for k in ("read", "write") for r in ("fail", "not-found", "no-response"))
KEYS = (
    *("failed", "worst", "read", "write", "height", "rate", "errors", "words", "top line"),
    *("ca fail", "ca no-response", "id no-response", "read marginal", "write marginal"),
    *("read not-run", "read not-found", "read no-response", "together", "heard", "off"),
)
"""What of a neighbour is looked at: the mean over its lanes."""

SUMS = ("mean", "least", "most", "apart")
LANE_NAMES = tuple(f"{how} {n}" for n in lanes.FIGURES for how in SUMS) + lanes.SHARES
SHAPE = ("channels", "channels failed", "channels touched", "ranks failed", "lanes", "lanes failed")
WIDE = tuple(f"wide {n}" for n in ("failed", "worst", "read", "write", "rate", "errors"))
OF_GROUPS = (*LANE_NAMES, *SHAPE, *addresses.FIGURES)
OWN = (*OF_GROUPS, *WIDE, "heard", "silent")
BESIDE = ("partner", "block", "rail mates", "near", "others")
WHOLE = (
    *("sites", "known", "complete", "all listed", "memory", "training", "counts", "words"),
    *("ohms", "touched sites", "failed sites", "touched lanes", "marginal lanes", "sites off"),
)
RAIL = ("ohms", "ohms least", "settled", "volts", "rise", "hot", "hot elsewhere", "injected")

SITE_NAMES = (
    *OWN,
    *(f"{who} {how} {key}" for who in BESIDE for how in ("mean", "most", "least") for key in KEYS),
    *(f"above {who} {key}" for who in ("block", "others") for key in KEYS),
    *(f"board {name}" for name in WHOLE),
    *(f"rail {how} {name}" for how in ("least", "most") for name in RAIL),
    *("mates worse", "others worse", "hottest"),
)
GROUP_NAMES = (
    *(
        f"{who} {how} {k}"
        for who in ("in", "out")
        for how in ("mean", "most", "least")
        for k in KEYS
    ),
    *(f"above {key}" for key in KEYS),
    *(f"board {name}" for name in WHOLE),
)
RAIL_NAMES = (
    *GROUP_NAMES,
    *RAIL,
    *(f"other {how} {name}" for how in ("least", "most") for name in RAIL),
    *("share of sites", "feeds packages", "like rails", "alone"),
)
CHANNEL_NAMES = (*OF_GROUPS, *GROUP_NAMES, "block channels touched", "sites of it", "sites touched")


class Dump(Struct, frozen=True):
    """The tables of one dump, with the places their rows stand for."""

    sites: tuple[str, ...]
    of_sites: Floats
    rails: tuple[str, ...]
    of_rails: Floats
    channels: tuple[Channel, ...]
    of_channels: Floats


def dump_of(run: Run, board: Board) -> Dump:
    """A run in numbers. Sites that are empty on purpose are no suspects."""
    view = View(measure(run, board))
    sites = [s for s in board.sites if s.named and s.ref not in view.off]
    rails = [r for r in board.rails if r.feeds == "packages" and board.sites_on_rail(r.name)]
    return Dump(
        tuple(s.ref for s in sites),
        numbers.table(map(view.of_site, sites), SITE_NAMES),
        tuple(r.name for r in rails),
        numbers.table(map(view.of_rail, rails), RAIL_NAMES),
        board.channels,
        numbers.table(map(view.of_channel, board.channels), CHANNEL_NAMES),
    )


class View:
    """A dump seen from each place of its board."""

    def __init__(self, measured: Measurements) -> None:
        self.measured, self.board, self.run = measured, measured.board, measured.run
        self.off = frozenset(self.run.head.removed or ())
        beside = lanes.peers(measured)
        self.groups = list(measured)
        self.said = [lanes.numbers(group, beside) for group in self.groups]
        self.own: dict[str, list[int]] = defaultdict(list)
        self.wide: dict[str, list[int]] = defaultdict(list)
        self.in_channel: dict[Channel, list[int]] = defaultdict(list)
        for i, group in enumerate(self.groups):
            sites = group.place.sites(self.board)
            for ref in sites:
                (self.own if len(sites) == 1 else self.wide)[ref].append(i)
            if group.place.channel is not None:
                self.in_channel[group.place.channel].append(i)

    # --- a place by itself ------------------------------------------------------------------

    def _of_groups(self, indices: Sequence[int]) -> Numbers:
        """The summary of some groups: their lanes, and where their wrong words lie."""
        some = [self.said[i] for i in indices]
        figures = numbers.table(some, lanes.FIGURES)
        summed = (numbers.mean, numbers.least, numbers.most, numbers.apart)
        said: Numbers = {}
        for how, column in zip(SUMS, (f(figures) for f in summed), strict=True):
            said |= dict(zip((f"{how} {n}" for n in lanes.FIGURES), column, strict=True))
        shares = numbers.mean(numbers.table(some, lanes.SHARES))
        said |= dict(zip(lanes.SHARES, shares, strict=True))
        groups = [self.groups[i] for i in indices]
        said |= addresses.numbers(groups, self.run.errors, self.board)
        return said | _shape(groups, some)

    @cached_property
    def sites(self) -> dict[str, Numbers]:
        """What is said of each site alone."""
        return {site.ref: self._alone(site) for site in self.board.sites}

    def _alone(self, site: Site) -> Numbers:
        said = self._of_groups(self.own[site.ref])
        some = [self.said[i] for i in self.wide[site.ref]]
        names = [name.removeprefix("wide ") for name in WIDE]
        said |= dict(zip(WIDE, numbers.most(numbers.table(some, names)), strict=True))
        places = {self.groups[i].place for i in self.own[site.ref]}
        heard = sum(any(link.at(p) for p in places) for link in site.links)
        said["heard"] = heard / max(1, len(site.links))
        said["silent"] = float(not places)
        return said

    @cached_property
    def keys(self) -> dict[str, Floats]:
        """Of each site what its neighbours look at."""
        names = [key if key in (*lanes.SHARES, "heard", "off") else f"mean {key}" for key in KEYS]
        return {
            ref: np.array(numbers.row({**said, "off": float(ref in self.off)}, names))
            for ref, said in self.sites.items()
        }

    @cached_property
    def badness(self) -> dict[str, float]:
        """How bad each site looks at a glance: its failed lanes, its wrong bits, its thin eyes."""
        return {ref: _badness(said) for ref, said in self.sites.items()}

    # --- a place among others ---------------------------------------------------------------

    def _keys_of(self, refs: Iterable[str]) -> Floats:
        rows = [self.keys[ref] for ref in refs]
        return np.array(rows, float).reshape(len(rows), len(KEYS))

    def of_site(self, site: Site) -> Numbers:
        """All that speaks of a site."""
        ref = site.ref
        others = [s.ref for s in self.board.sites if s.ref != ref]
        why = {other: self.board.couplings(ref, other) for other in others}
        beside = {
            "partner": [o for o in others if "clamshell" in why[o]],
            "block": [o for o in others if "partition" in why[o]],
            "rail mates": [o for o in others if "rail" in why[o]],
            "near": [o for o in others if "place" in why[o]],
            "others": others,
        }
        said = dict(self.sites[ref])
        for who, refs in beside.items():
            said |= _summed(who, self._keys_of(refs))
        for who in ("block", "others"):
            above = self.keys[ref] - numbers.mean(self._keys_of(beside[who]))
            said |= dict(zip((f"above {who} {key}" for key in KEYS), above, strict=True))
        worse = [self.badness[o] > self.badness[ref] for o in others]
        mates = [self.badness[o] > self.badness[ref] for o in beside["block"]]
        said["others worse"] = sum(worse) / max(1, len(worse))
        said["mates worse"] = sum(mates) / max(1, len(mates))
        said["hottest"] = float(any(row.hottest == ref for row in self.run.heat))
        return said | self.whole | self._rails("rail", site.rails)

    def _group(self, refs: Sequence[str]) -> Numbers:
        """Some sites against all others."""
        inside = self._keys_of(refs)
        outside = self._keys_of(s.ref for s in self.board.sites if s.ref not in refs)
        above = numbers.mean(inside) - numbers.mean(outside)
        said = _summed("in", inside) | _summed("out", outside) | self.whole
        return said | dict(zip((f"above {key}" for key in KEYS), above, strict=True))

    def of_rail(self, rail: Rail) -> Numbers:
        """All that speaks of a supply."""
        board = self.board
        fed = [s.ref for s in board.sites_on_rail(rail.name)]
        others = [r for r in board.rails if r.name != rail.name and r.feeds == "packages"]
        like = [r for r in others if board.sites_on_rail(r.name) == board.sites_on_rail(rail.name)]
        touched = {ref for ref, bad in self.badness.items() if bad > 0}
        return {
            **self._group(fed),
            **self.rails[rail.name],
            **self._rails("other", [r.name for r in others]),
            "share of sites": len(fed) / len(board.sites),
            "feeds packages": float(rail.feeds == "packages"),
            "like rails": float(len(like)),
            "alone": len(touched & set(fed)) / max(1, len(touched)),
        }

    def of_channel(self, channel: Channel) -> Numbers:
        """All that speaks of a channel of the controller."""
        owners = [s for s in self.board.sites if channel in s.channels]
        refs = [s.ref for s in owners]
        blocks = {s.partition for s in owners if s.partition is not None}
        mates = {c for s in self.board.sites if s.partition in blocks for c in s.channels}
        touched = [self._touched(c) for c in mates]
        return {
            **self._of_groups(self.in_channel[channel]),
            **self._group(refs),
            "block channels touched": sum(touched) / max(1, len(touched)),
            "sites of it": float(len(refs)),
            "sites touched": sum(self.badness[r] > 0 for r in refs) / max(1, len(refs)),
        }

    def _touched(self, channel: Channel) -> bool:
        return any(_badness_of_lane(self.said[i]) > 0 for i in self.in_channel[channel])

    # --- rails and the whole ----------------------------------------------------------------

    @cached_property
    def rails(self) -> dict[str, Numbers]:
        """What meter, supply and injection say of each rail."""
        return {rail.name: self._rail(rail) for rail in self.board.rails}

    def _rail(self, rail: Rail) -> Numbers:
        said: Numbers = {}
        for row in self.run.rails:
            if row.rail == rail.name:
                at = max(row.ohms, 1e-3)
                for name, known in (
                    ("ohms", rail.healthy_ohms_typical),
                    ("ohms least", rail.healthy_ohms_min),
                ):
                    if known:
                        said[name] = min(math.log(at / known), 9.0)
                said["settled"] = UNSAID if row.trend is None else float(row.trend == "settled")
        for row_ in self.run.values:
            if row_.name == rail.name and row_.value is not None and rail.volts:
                said["volts"] = row_.value.value / rail.volts
        fed = {s.ref for s in self.board.sites_on_rail(rail.name)}
        for heat in self.run.heat:
            if heat.rail == rail.name:
                said["injected"] = 1.0
                said["rise"] = UNSAID if heat.rise is None else heat.rise
                said["hot"] = float(heat.hottest in fed)
                said["hot elsewhere"] = float(heat.hottest is not None and heat.hottest not in fed)
        return said

    def _rails(self, who: str, names: Iterable[str]) -> Numbers:
        figures = numbers.table((self.rails[n] for n in names if n in self.rails), RAIL)
        low = zip((f"{who} least {n}" for n in RAIL), numbers.least(figures), strict=True)
        high = zip((f"{who} most {n}" for n in RAIL), numbers.most(figures), strict=True)
        return dict([*low, *high])

    @cached_property
    def whole(self) -> Numbers:
        """What is so of the whole dump."""
        run, board = self.run, self.board
        lanes_ = [_badness_of_lane(said) for said in self.said]
        marginal = [max(s.get("read marginal", 0), s.get("write marginal", 0)) for s in self.said]
        said = {
            "sites": float(len(board.sites)),
            "known": float(board.known),
            "complete": float(run.source.complete),
            "all listed": float(error_list_is_complete(self.measured)),
            "memory": float(MEMORIES.index(board.memory or "other")),
            "training": float(bool(run.training)),
            "counts": float(bool(run.counts)),
            "words": 0.0 if run.errors is None else math.log10(run.errors.total + 1),
            "ohms": float(bool(run.rails)),
            "touched sites": sum(b > 0 for b in self.badness.values()) / max(1, len(board.sites)),
            "failed sites": sum(b >= 2 for b in self.badness.values()) / max(1, len(board.sites)),
            "touched lanes": sum(b > 0 for b in lanes_) / max(1, len(lanes_)),
            "marginal lanes": sum(marginal) / max(1, len(marginal)),
            "sites off": float(len(self.off)),
        }
        return {f"board {name}": value for name, value in said.items()}


def _shape(groups: Sequence[Measured], said: Sequence[Numbers]) -> Numbers:
    """How the touched lanes of a place lie over its channels and ranks."""
    channels: dict[object, list[float]] = defaultdict(list)
    ranks: dict[object, list[float]] = defaultdict(list)
    for group, numbers_ in zip(groups, said, strict=True):
        bad = _badness_of_lane(numbers_)
        channels[group.place.channel].append(bad)
        ranks[group.place.rank].append(bad)
    every = [bad for found in channels.values() for bad in found]
    return {
        "channels": float(len(channels)),
        "channels failed": _share(min(found) >= 2 for found in channels.values()),
        "channels touched": _share(max(found) > 0 for found in channels.values()),
        "ranks failed": _share(min(found) >= 2 for found in ranks.values()),
        "lanes": float(len(every)),
        "lanes failed": _share(bad >= 2 for bad in every),
    }


def _share(flags: Iterable[bool]) -> float:
    found = list(flags)
    return sum(found) / len(found) if found else UNSAID


def _badness_of_lane(said: Numbers) -> float:
    """2 and more where a step failed or bits were wrong, 1 for a warning, 0 for nothing."""
    worst = said.get("worst", 0.0)
    wrong = max(said.get("errors", 0.0), said.get("words", 0.0))
    return worst + (1 + wrong if wrong > 0 else 0.0)


def _badness(said: Numbers) -> float:
    worst, wrong, words = (said.get(f"mean {n}", UNSAID) for n in ("worst", "errors", "words"))
    found = [0.0 if math.isnan(v) else v for v in (worst, wrong, words)]
    return found[0] + max(found[1:])


def _summed(who: str, keys: Floats) -> Numbers:
    said: Numbers = {}
    for how, summed in (
        ("mean", numbers.mean(keys)),
        ("most", numbers.most(keys)),
        ("least", numbers.least(keys)),
    ):
        said |= dict(zip((f"{who} {how} {key}" for key in KEYS), summed, strict=True))
    return said
