"""Training results -> how likely they are in each state of the place they were seen at.

What a step needs decides: identification needs a package that answers, command training needs its
commands, levelling and gate training a strobe, read and write every line. A step that has what it
needs turns marginal, and then fails, as the margin sinks below two limits that a rig keeps for all
lanes of a run; steps that look for a strobe or a word have margin to spare. A rig may call a step
marginal because of something else on the board: that is its warning, and one of the views. A
result of the last attempt counts; earlier ones only as retries.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import numpy as np
from numpy import exp, log

from memdiag.evidence.nodes import IS_GRADE, LINK, MARGIN, VIEWS, Array, Way
from memdiag.model import ENDED, FAILED, Result
from memdiag.model.figures import Table
from memdiag.stats.bell import upper_tail

_F = Table("Training steps")

MARGINAL_AT = _F.practice("marginal at", -0.45, "log margin at which a rig says marginal")
FAILS_AT = _F.practice("fails at", -1.55, "log margin at which it says fail")
MARGINAL_PLAY = _F.practice("marginal play", 0.25, "from rig to rig, standard deviation")
FAILS_PLAY = _F.practice("fail play", 0.45, "the same for failing")
LANE_PLAY = _F.practice("lane play", 0.10, "from one step of a lane to the next")
STRAY = _F.practice("stray marginal", 0.008, "a healthy step that is marginal by chance")
ODD = _F.practice("stray failure", 0.0015, "a healthy step that fails by chance")
STILL = _F.practice("still passes", 0.03, "a step that lacks what it needs and passes all the same")

# What each kind of step can spare of the margin, and how surely it lacks what it needs in a mode.
_KINDS: dict[str, tuple[float, dict[str, float]]] = {
    kind: (
        _F.practice(f"{kind} spares", spares, "log margin it has over a data step"),
        {
            mode: _F.practice(f"{kind} lost, {mode}", share, f"a {mode} place lacks what it needs")
            for mode, share in lost.items()
        },
    )
    for kind, spares, lost in (
        ("id", 1.8, {"stuck": 0.15, "dead": 0.35, "mute": 0.70, "absent": 1.0}),
        ("ca", 1.0, {"stuck": 0.12, "dead": 0.30, "mute": 0.98, "absent": 1.0}),
        ("clock", 0.5, {"stuck": 0.18, "dead": 0.80, "mute": 0.97, "absent": 1.0}),
        ("vref", 0.3, {"stuck": 0.40, "dead": 0.80, "mute": 0.97, "absent": 1.0}),
        ("data", 0.0, {"stuck": 0.78, "dead": 0.98, "mute": 1.0, "absent": 1.0}),
        ("zq", 2.0, {"stuck": 0.02, "dead": 0.10, "mute": 0.80, "absent": 1.0}),
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

WAYS = {"read": Way.READ, "gate": Way.READ, "write": Way.WRITE, "level": Way.WRITE}
"""The steps that look at data of one way."""

# The word for a step that failed: (fail, not-found, no-response).
_WORDS = {
    "grade": (0.74, 0.20, 0.06),
    "stuck": (0.70, 0.25, 0.05),
    "joined": (0.70, 0.25, 0.05),
    "dead": (0.42, 0.42, 0.16),
    "mute": (0.42, 0.20, 0.38),
    "absent": (0.10, 0.08, 0.82),
}
for _mode, _words in _WORDS.items():
    _F.practice(f"not-found, {_mode}", _words[1], "share of its failures that end in this word")
    _F.practice(f"no-response, {_mode}", _words[2], "share of its failures that end in this word")

_WARNED = np.array([view.warned for view in VIEWS])[:, None]
_GRID = np.linspace(-1.6, 0.4, 21)
"""Where a rig's limit for marginal may lie, in log margin."""


class Limits:
    """How probably a step of each margin is marginal, and fails: from the trade, or for this rig
    where its dump prints widths beside results."""

    def __init__(self, seen: Iterable[tuple[float, bool]] = ()) -> None:
        """`seen`: log margin of a width and whether its data step was marginal, of steps that
        worked."""
        prior = exp(-0.5 * ((_GRID - MARGINAL_AT) / MARGINAL_PLAY) ** 2)
        fit = log(prior)
        for margin, marginal in seen:
            below = 0.98 * upper_tail((margin - _GRID) / LANE_PLAY) + STRAY
            fit = fit + log(below if marginal else 1 - below)
        weight = exp(fit - fit.max())
        self._weight = weight / weight.sum()
        self._tables: dict[tuple[str, Result], Array | None] = {}

    def marginal(self, margin: Array) -> Array:
        """P(the limit for marginal lies above the margin)."""
        return np.asarray(upper_tail((margin[:, None] - _GRID) / LANE_PLAY) @ self._weight)

    def outcome(self, step: str, result: Result | None) -> Array | None:
        """(views, S) log likelihood, in each view and state of a place, that a step passed, was
        marginal or gave up; None for a step or result that says nothing (`not-run` is about the
        boot, unknown steps are only counted). The word for giving up is in `word_loglik`."""
        if result not in ENDED or step not in KIND:
            return None
        at = (KIND[step], result)
        if at not in self._tables:
            self._tables[at] = self._outcome(*at)
        return self._tables[at]

    def _outcome(self, kind: str, result: Result) -> Array:
        spares, lost = _KINDS[kind]
        margin = MARGIN + spares
        fails = ODD + (1 - ODD) * upper_tail((margin - FAILS_AT) / FAILS_PLAY)
        marginal = (1 - fails) * np.minimum(self.marginal(margin) + STRAY, 0.99)
        lacking = np.array([lost.get(_like(state), 0.0) for state in LINK])
        fails = lacking * (1 - 2 * STILL) + (1 - lacking) * fails
        marginal = lacking * STILL + (1 - lacking) * marginal
        passes = 1 - fails - marginal
        if result in FAILED:
            return np.broadcast_to(log(fails), (len(VIEWS), len(LINK)))
        if result is ENDED[0]:
            return np.asarray(log(passes * (1 - _WARNED)))
        return np.asarray(log(marginal + passes * _WARNED))


def _like(state: str) -> str:
    return "stuck" if state == "joined" else state


@cache
def word_loglik(result: Result | None) -> Array | None:
    """(S,) log likelihood of the word for giving up, given that the step did. A rig is in the
    habit of one word, so of many steps at one place this counts once."""
    if result not in FAILED:
        return None
    at = FAILED_WORDS.index(result)
    rows = [_WORDS["grade" if g else state] for state, g in zip(LINK, _AS_GRADE, strict=True)]
    return np.asarray(log(np.array(rows)[:, at]))


_AS_GRADE = IS_GRADE | np.isin(LINK, ("array", "astray"))
FAILED_WORDS = tuple(r for r in ENDED if r in FAILED)
"""In the order of `_WORDS`: fail, not-found, no-response."""
