"""Training results -> how likely they are in each state of the place they were seen at.

What a step needs decides: identification needs a package that answers, command training needs its
commands, levelling and gate training a strobe, read and write every line. A step that has what it
needs turns marginal, and then fails, as the margin sinks below two limits that a rig keeps for all
lanes of a run; steps that look for a strobe or a word have margin to spare. A rig may call a step
marginal because of something else on the board: that is its warning, and one of the views. A
result of the last attempt counts; earlier ones only as retries.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache

import numpy as np
from numpy import exp, log

from memdiag.evidence.nodes import LINK, MARGIN, PULLS, VIEWS, Array, Way
from memdiag.model import ENDED, FAILED, Result
from memdiag.model.figures import Table
from memdiag.stats.bell import upper_tail

_F = Table("Training steps")

MARGINAL_AT = _F.practice("marginal at", -0.45, "log margin at which a rig says marginal")
NEVER = _F.practice("never marginal", 0.15, "share of rigs that pass all that does not fail")
FAILS_AT = _F.practice("fails at", -1.55, "log margin at which it says fail")
MARGINAL_PLAY = _F.practice("marginal play", 0.25, "from rig to rig, standard deviation")
FAILS_PLAY = _F.practice("fail play", 0.45, "the same for failing")
LANE_PLAY = _F.practice("lane play", 0.10, "from one step of a lane to the next")
STRAY = _F.practice("stray marginal", 0.008, "a healthy step that is marginal by chance")
ODD = _F.practice("stray failure", 5e-6, "a healthy step whose last attempt fails by chance")
PASSES_ODDLY = _F.practice("odd pass", 0.005, "a step far beyond the limit that does not fail")
UNHEARD = _F.practice("unheard", 0.98, "share of mute places whose training lacks commands")
STILL = _F.practice("still passes", 0.03, "a step that lacks what it needs and passes all the same")

_LOST = {
    needs: _F.each(f"without {needs},", lost, "share of such places that lack what a step needs")
    for needs, lost in (
        ("commands", {"stuck": 0.13, "dead": 0.32}),
        ("strobe", {"stuck": 0.18, "dead": 0.80}),
        ("levels", {"stuck": 0.40, "dead": 0.80}),
        ("lines", {"stuck": 0.78, "dead": 0.98}),
        ("supply", {"stuck": 0.02, "dead": 0.10}),
    )
}
_MUTE = {"mute": _F.practice("answers, mute", 0.75, "share of mute places whose answer is missed")}

# What each kind of step can spare of the margin, and how surely it lacks what it needs in a mode.
_KINDS: dict[str, tuple[float, dict[str, float]]] = {
    kind: (
        spares and _F.practice(f"{kind} spares", spares, "log margin it has over a data step"),
        {
            "mute": UNHEARD,
            "absent": 1.0,  # nothing is there that could pass
            **_LOST[needs],
            **answers,
        },
    )
    for kind, spares, needs, answers in (
        ("id", 1.8, "commands", _MUTE),
        ("ca", 1.0, "commands", {}),
        ("clock", 0.5, "strobe", {}),
        ("vref", 0.3, "levels", {}),
        ("data", 0.0, "lines", {}),
        ("zq", 2.0, "supply", _MUTE),
    )
}
KIND = {
    "id": "id",
    "ca": "ca",
    "level": "clock",
    "wck": "clock",
    "gate": "clock",
    "read": "data",
    "write": "data",
    "vref": "vref",
    "zq": "zq",
}

ASKED = ("id", "zq")
"""Kinds of steps that ask the package itself: no margin is swept, so there is none to warn of."""

WAYS = {
    "read": Way.READ,
    "gate": Way.READ,
    "write": Way.WRITE,
    "level": Way.WRITE,
    "vref": Way.EITHER,
}
"""The steps that look at data of one way. A reference is that of the controller or of the package:
one step trains either, and its eye is one of reads or of writes."""

# The word for a step that failed, by mode; of grades and single lines as where most of it works.
_NOT_FOUND, _NO_RESPONSE = (
    _F.each(word, shares, "share of the failures there that end in this word, not in fail")
    for word, shares in (
        ("not-found", {"working": 0.20, "dead": 0.42, "mute": 0.20, "absent": 0.20}),
        ("no-response", {"working": 0.06, "dead": 0.16, "mute": 0.38, "absent": 0.68}),
    )
)

_WARNED = np.array([view.warned for view in VIEWS])[:, None]
_GRID = np.linspace(-3.0, 0.4, 35)
"""Where a rig's limit for marginal may lie, in log margin."""
HARDLY = -1.0
"""Rigs with a limit below hardly know the word: what they do not fail passes."""
_SPREAD = exp(-0.5 * ((_GRID - MARGINAL_AT) / MARGINAL_PLAY) ** 2)
_PRIOR = (1 - NEVER) * _SPREAD / _SPREAD.sum() + NEVER * (_GRID < HARDLY) / (_GRID < HARDLY).sum()


_FAILS = np.linspace(-3.0, -0.2, 29)
"""Where its limit for failing may lie."""

NOT_BY_WIDTH = _F.practice(
    "fails otherwise", 0.03, "share of steps that fail though the eye beside them would do"
)

WIDTHS_TELL = 6
"""So many widths beside their results tell where a rig has its limit."""

TOLD = _F.practice("limit told", 0.9, "share of one kind of limit from which the others are left")

_WARNS = _F.practice("warns", 0.3, "share of rigs that say marginal of lanes above their limit")
_HABITS = tuple(
    (view.warned, share)
    for view, share in zip(VIEWS[: PULLS[0]], (1 - _WARNS, *[_WARNS / 3] * 3), strict=True)
)
"""(how often a rig says marginal of a lane above its limit, share of rigs)"""

SPLIT = (-0.32, -0.58)
"""A limit for marginal above the first is a strict one, below the second a lax one."""


class Limits:
    """How probably a step of each margin is marginal, and fails: from the trade, or for this rig
    where its dump prints widths beside results."""

    def __init__(
        self, seen: Iterable[tuple[float, bool]] = (), ended: Iterable[tuple[float, bool]] = ()
    ) -> None:
        """`seen`: log margin of a width and whether its data step was marginal, of steps that
        worked; `ended`: the same and whether it failed, of all that have a width.

        Where most are marginal, the limit may lie above them all, or the rig warns.
        """
        self._fails: Array | None = self._of_failures(list(ended))
        known = list(seen)
        self.known = len(known)
        margins = np.array([margin for margin, _ in known])[:, None]
        marginal = np.array([was for _, was in known], bool)[:, None]
        below = 0.98 * upper_tail((margins - _GRID) / LANE_PLAY) + STRAY
        fits = []
        for warned, share in _HABITS:
            passes = (1 - below) * (1 - warned)
            fits.append(log(np.where(marginal, 1 - passes, passes)).sum(axis=0) + log(share))
        fit = np.logaddexp.reduce(fits)
        best = fit.max()
        weight = _PRIOR * exp(fit - best)
        self.fits = float(weight.sum())
        """How probable it was that a rig has its limits where these results put them."""
        self._set(weight)

    def _set(self, weight: Array) -> None:
        self._weight = weight / weight.sum()
        self._tables: dict[tuple[str, Result, float], Array] = {}

    @staticmethod
    def _of_failures(ended: Sequence[tuple[float, bool]]) -> Array | None:
        """Where the rig's limit for failing lies; None where nothing failed beside a width. One
        habit makes all lanes of that width fail, and a lane may fail for another reason."""
        if not any(failed for _, failed in ended):
            return None
        fit = -0.5 * ((_FAILS - FAILS_AT) / FAILS_PLAY) ** 2
        for margin, failed in ended:
            below = NOT_BY_WIDTH + (1 - 2 * NOT_BY_WIDTH) * upper_tail(
                (margin - _FAILS) / LANE_PLAY
            )
            fit = fit + log(below if failed else 1 - below)
        weight = exp(fit - fit.max())
        return np.asarray(weight / weight.sum())

    def _beyond(self, margin: Array) -> Array:
        """P(a step fails at that margin)."""
        if self._fails is None:
            return np.asarray(upper_tail((margin - FAILS_AT) / FAILS_PLAY))
        return np.asarray(upper_tail((margin[:, None] - _FAILS) / LANE_PLAY) @ self._fails)

    def kept(self) -> list[tuple[Limits, float]]:
        """The limits that this rig may keep for the whole run, each with its probability: a strict,
        a usual and a lax one where no width tells which it is."""
        strict, lax = SPLIT[0] < _GRID, SPLIT[1] >= _GRID
        parts = (strict, ~strict & ~lax, lax)
        told = max(float(self._weight[part].sum()) for part in parts) > TOLD
        if self.known >= WIDTHS_TELL and told:
            return [(self, 1.0)]
        out = []
        for part in parts:
            limits = Limits()
            limits._fails = self._fails
            limits._set(np.where(part, self._weight, 0.0))
            out.append((limits, float(self._weight[part].sum())))
        return out

    def marginal(self, margin: Array) -> Array:
        """P(the limit for marginal lies above the margin)."""
        return np.asarray(upper_tail((margin[:, None] - _GRID) / LANE_PLAY) @ self._weight)

    def outcome(self, step: str, result: Result | None, share: float = 1.0) -> Array | None:
        """(views, S) log likelihood, in each view and state of a place, that a step passed, was
        marginal or gave up; None for a step or result that says nothing (`not-run` is about the
        boot, unknown steps are only counted). The word for giving up is in `word_loglik`.

        `share`: this place's share of the warning. A rig warns of a package, so where a step ends
        alike on all its lanes that is one warning, or none, of them together.
        """
        if result not in ENDED or step not in KIND:
            return None
        at = (KIND[step], result, share)
        if at not in self._tables:
            self._tables[at] = self._outcome(*at)
        return self._tables[at]

    def _outcome(self, kind: str, result: Result, share: float) -> Array:
        spares, lost = _KINDS[kind]
        margin = MARGIN + spares
        # No rig has its limit where healthy lanes are: all of them would fail.
        beyond = self._beyond(np.zeros(1))
        tail = (self._beyond(margin) - beyond) / (1 - beyond)
        fails = np.clip(ODD + (1 - ODD) * tail, ODD, 1 - PASSES_ODDLY)
        marginal = (1 - fails) * np.minimum(self.marginal(margin) + STRAY, 0.99)
        lacking = np.array([lost.get(_like(state), 0.0) for state in LINK])
        fails = lacking * (1 - 2 * STILL) + (1 - lacking) * fails
        marginal = lacking * STILL + (1 - lacking) * marginal
        passes = 1 - fails - marginal
        if result in FAILED:
            return np.broadcast_to(log(fails), (len(VIEWS), len(LINK)))
        warned = 0 * _WARNED if kind in ASKED else _WARNED
        if result is ENDED[0]:
            return np.asarray(log(passes * (1 - warned) ** share))
        return np.asarray(log(marginal + passes * warned**share * (warned > 0)))


@cache
def data_fails() -> Array:
    """(S,) how probably a data step fails in each state of a place."""
    failed = Limits().outcome("read", Result.FAIL)
    assert failed is not None
    return np.asarray(exp(failed[0]))


def _like(state: str) -> str:
    return "stuck" if state == "joined" else state


def is_habit(step: str, result: Result | None) -> bool:
    """Whether the word for giving up is chosen once by a rig, for all places. Of an id that is so
    of `fail` alone: a rig that has a word for no answer means it."""
    return result in FAILED and (step != "id" or result is Result.FAIL)


@cache
def word_loglik(result: Result | None) -> Array | None:
    """(S,) log likelihood of the word for giving up, given that the step did. A rig is in the
    habit of one word, so of many steps at one place this counts once."""
    if result not in FAILED:
        return None
    at = FAILED_WORDS.index(result)
    rows = [
        (1 - _NOT_FOUND[as_] - _NO_RESPONSE[as_], _NOT_FOUND[as_], _NO_RESPONSE[as_])
        for as_ in (state if state in _NOT_FOUND else "working" for state in LINK)
    ]
    return np.asarray(log(np.array(rows)[:, at]))


FAILED_WORDS = tuple(r for r in ENDED if r in FAILED)
"""Fail, not-found, no-response."""
