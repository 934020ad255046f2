"""Rigs: what a shop's test fixture runs, how it reacts to a failure, and what it prints."""

from __future__ import annotations

import random

from msgspec import Struct

from tests.simulator.physics import LINK_CHECKED

STEPS: dict[str, tuple[str, ...]] = {
    "gddr6": ("id", "ca", "wck", "read", "write"),
    "gddr5": ("id", "ca", "wck", "read", "write"),
    "ddr3": ("id", "level", "gate", "read", "write"),
    "ddr4": ("id", "ca", "level", "gate", "read", "write"),
    "ddr5": ("id", "ca", "level", "gate", "read", "write"),
    "lpddr4": ("id", "ca", "level", "gate", "read", "write"),
    "lpddr5": ("id", "ca", "wck", "gate", "read", "write"),
}
"""The order in which each family is trained (the steps of JESD250, JESD79-4, JESD209-4)."""

RATES = {
    "gddr6": (12, 14, 16),
    "gddr5": (5, 6, 7),
    "ddr3": (1.333, 1.6, 1.866),
    "ddr4": (2.4, 2.666, 3.2),
    "ddr5": (4.8, 5.6),
    "lpddr4": (3.2, 4.266),
    "lpddr5": (5.5, 6.4),
}


class Rig(Struct, frozen=True):
    """One fixture with its habits. Everything is drawn once a scene."""

    name: str
    sections: frozenset[str]
    steps: tuple[str, ...]
    step_major: bool
    policy: str  # "go-on", "stop-channel", "stop-all", "fall-back", "warn"
    rule: str  # "all": one dead line fails the lane; "most": the others carry it
    depends: bool  # a lane that failed one step is not tried at the next
    late: str  # what it prints for the later steps of a lane that failed
    silent: str  # what it prints for the later steps of a package that never answered
    partial_ca: str
    deaf_ca: str
    thin: float  # share of a nominal eye below which it says marginal
    shut: float  # share below which it says fail
    sweep: float  # error rate at which it calls a tap bad
    stray: float  # chance that a healthy lane needs a second try
    warn: float  # chance that it warns of a package though the fault is elsewhere
    warn_loss: float  # UI that such a package loses at most
    attempts: int
    skip_rank: bool
    warm_boot: bool
    detail: str  # training rows: "lane", "channel", "site", "dq"
    count_detail: str
    names: bool  # its rows name the site
    ranks: bool
    width: str | None  # "UI", "ps", "tap" or not printed
    height: bool
    windows: bool
    candidates: bool
    tap: float  # UI
    per_char: int
    span: float  # UI swept
    delay: bool
    tries: bool
    points: bool
    prints_not_run: bool
    frozen: frozenset[str]  # steps whose delay does not move: every tap of the sweep works
    downwards: bool  # lists its lanes from the last to the first
    probe: bool  # tries a configuration that cannot work before the right one
    pass_only_fails: bool  # prints a row only where something was wrong
    bits: float  # bits compared on each lane
    test: str
    order: str  # of addresses: "up", or "walk" (each place and its neighbours one bit away)
    directions: bool
    count_edc: bool
    cells: bool
    count_dead: str  # "count", "dash", "absent"
    count_clean: bool  # prints the lanes without an error
    untrained_lost: bool  # a lane without a trained delay reads rubbish
    temps: tuple[float, ...]
    word: str  # scope of an error word: "lane", "channel", "site"
    direct: bool  # wrote/read rather than a mask
    error_edc: bool
    cell_columns: bool
    pass_column: bool
    beats: int  # beats in one printed word
    cap: int
    cap_each: bool  # the cap holds for each channel rather than for the board
    rails: bool
    heat: bool
    values: bool
    ambient: float
    rate: float  # Gbit/s
    warn_each: str  # who shares one warning: "lane", "site", "channel"
    warn_steps: str  # the steps it is printed in: "last" (the last data step), "some", "all"
    warn_word: str  # "marginal", or "tries": it passes at the second
    loud: float  # share of lanes that it calls marginal by habit
    loud_same: bool  # the same lanes at every step
    complete: bool  # lists every wrong word, where they are few enough to be listed at all
    together: bool  # tests all channels at once, so that a full log ends at one time for all
    bare_words: bool  # prints where a word was wrong, and neither words nor mask
    empty: tuple[str, str] | None  # a step that finds nothing on any board, and its word for that
    eases: tuple[tuple[str, float], ...]  # step: the share of its limits that this step asks for

    def limits(self, step: str) -> tuple[float, float]:
        """Shares of a nominal eye below which that step fails, and is marginal: the same for
        every lane of the run."""
        ease = dict(self.eases).get(step, 1.0)
        return ease * self.shut, ease * self.thin


def draw_rig(rng: random.Random, family: str, many_ranks: bool, spread_out: bool) -> Rig:
    """A rig for that family. `spread_out`: a channel lies over several packages."""
    kind = rng.choices(("full", "training", "counts", "errors"), (55, 20, 15, 10))[0]
    sections = {
        "full": {"training", "counts", "errors"},
        "training": {"training"},
        "counts": {"counts"},
        "errors": {"counts", "errors"},
    }[kind]
    if kind == "full" and rng.random() < 0.3:
        sections = {"training", "counts"}
    if kind == "errors" and rng.random() < 0.3:
        sections = {"errors"}
    steps = list(STEPS[family])
    if rng.random() < (0.15 if family.startswith(("gddr", "lpddr")) else 0.5):
        steps.remove("id")
    if "ca" in steps and family.startswith("ddr") and rng.random() < 0.6:
        steps.remove("ca")
    if rng.random() < 0.3:
        steps.append("vref")
    if rng.random() < 0.3:
        steps.insert(0, "zq")
    policy = rng.choices(
        ("go-on", "stop-channel", "stop-all", "fall-back", "warn"), (34, 18, 12, 14, 22)
    )[0]
    detail = rng.choices(("lane", "channel", "site", "dq"), (62, 20, 8, 10))[0]
    bits = 10 ** rng.uniform(8, 12) if rng.random() < 0.85 else 10 ** rng.uniform(7, 13)
    checked = family in LINK_CHECKED and family.startswith("gddr")
    return Rig(
        name=rng.choice(("north", "south", "bench-2", "bench-3", "cart", "oven")),
        sections=frozenset(sections),
        steps=tuple(steps),
        step_major=rng.random() < 0.5,
        policy=policy,
        rule=rng.choice(("all", "all", "most")),
        depends=rng.random() < 0.7,
        late=rng.choice(("not-run", "not-run", "not-found", "fail")),
        silent=rng.choice(("not-run", "no-response", "no-response", "not-found")),
        partial_ca=rng.choice(("fail", "fail", "no-response", "not-found")),
        deaf_ca=rng.choice(("pass", "pass", "fail")),
        shut=(shut := rng.uniform(0.05, 0.3)),
        thin=max(shut, rng.choices((rng.uniform(0.55, 0.75), rng.uniform(0.0, 0.55)), (6, 4))[0]),
        sweep=10 ** rng.uniform(-7, -4),
        stray=rng.choice((0.0, 0.0, 2e-4, 1e-3)),
        warn=rng.uniform(0.5, 1.0),
        warn_loss=max(0.0, rng.uniform(-0.1, 0.05)),
        attempts=rng.choice((2, 2, 3)),
        skip_rank=many_ranks and rng.random() < 0.08,
        warm_boot=rng.random() < 0.015,
        detail=detail,
        count_detail=rng.choices(("lane", "channel", "site", "dq"), (62, 20, 8, 10))[0],
        names=rng.random() < (0.9 if not spread_out else 0.75),
        ranks=many_ranks or rng.random() < 0.3,
        width=rng.choices(("UI", "ps", "tap", None), (45, 15, 8, 32))[0],
        height=rng.random() < 0.25,
        windows=rng.random() < 0.3,
        candidates=rng.random() < 0.3,
        tap=1.0 / rng.choice((32, 48, 64, 64, 96)),
        per_char=rng.choice((1, 1, 2)),
        span=rng.choice((1.0, 1.2, 1.5)),
        delay=rng.random() < 0.3,
        tries=rng.random() < 0.2,
        points=rng.random() < 0.5,
        prints_not_run=rng.random() < 0.85,
        frozen=frozenset(
            rng.choice((("write",), ("read",), ("read", "write"))) if rng.random() < 0.03 else ()
        ),
        downwards=rng.random() < 0.06,
        probe=policy != "fall-back" and rng.random() < 0.04,
        pass_only_fails=rng.random() < 0.05,
        bits=float(f"{bits:.1e}"),
        test=rng.choice(("prbs", "march", "random", "walk", "checker", "mix")),
        order=rng.choice(("up", "walk")),
        directions=rng.random() < 0.65,
        count_edc=checked and rng.random() < 0.6,
        cells=rng.random() < 0.45,
        count_dead=rng.choice(("count", "count", "dash", "absent")),
        count_clean=rng.random() < 0.93,
        untrained_lost=rng.random() < 0.3,
        temps=rng.choice(((), (), (), (30.0, 75.0))),
        word=rng.choice(("lane", "channel", "channel", "site")),
        direct=rng.random() < 0.75,
        error_edc=checked and rng.random() < 0.6,
        cell_columns=rng.random() < 0.45,
        pass_column=rng.random() < 0.4,
        beats=rng.choice((1, 1, 1, 2, 4)),
        cap=(cap := rng.choice((16, 16, 32, 32, 64, 128, 256))),
        cap_each=cap <= 64 and rng.random() < 0.8,
        rails=rng.random() < 0.2,
        heat=rng.random() < 0.5,
        values=rng.random() < 0.3,
        ambient=float(rng.randint(19, 28)),
        rate=float(rng.choice(RATES[family])),
        warn_each=rng.choices(("lane", "site", "channel"), (30, 50, 20))[0],
        warn_steps=rng.choices(("last", "some", "all"), (40, 25, 35))[0],
        warn_word=rng.choices(("marginal", "tries"), (85, 15))[0],
        loud=rng.uniform(0.2, 0.5) if rng.random() < 0.03 else 0.0,
        loud_same=rng.random() < 0.5,
        complete=rng.random() < 0.25,
        together=rng.random() < 0.3,
        bare_words=rng.random() < 0.03,
        empty=_empty(rng, steps) if rng.random() < 0.04 else None,
        # steps that move whole bytes ask for an eye, those that only find a clock for less of one
        eases=tuple(
            (step, rng.uniform(0.9, 1.1) if step in ("read", "write") else rng.uniform(0.4, 0.8))
            for step in (*STEPS[family], "vref")
        ),
    )


def _empty(rng: random.Random, steps: list[str]) -> tuple[str, str] | None:
    """A step before the data steps that the rig does wrong: it finds nothing, and goes on."""
    able = [step for step in steps if step not in ("id", "read", "write")]
    return (rng.choice(able), rng.choice(("fail", "not-found"))) if able else None
