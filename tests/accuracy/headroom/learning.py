"""The classifiers: a library's gradient boosting, one for each kind of place."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from tests.accuracy.headroom.examples import Examples
from tests.accuracy.headroom.numbers import Floats
from tests.accuracy.headroom.truths import So

SETTINGS: dict[str, Any] = {
    "max_iter": 100,
    "learning_rate": 0.12,
    "max_features": 0.3,
    "min_samples_leaf": 10,
    "l2_regularization": 1.0,
    "early_stopping": False,
    "random_state": 0,
}


class Classifier(Struct, frozen=True):
    """One of them, with the classes it knows in the order of its columns."""

    model: Any

    def probabilities(self, rows: Floats) -> Floats:
        """Of each row the probability of every class of `So`."""
        found = np.zeros((len(rows), len(So)))
        if len(rows):
            found[:, self.model.classes_] = self.model.predict_proba(rows.astype(np.float32))
        return found


def learnt(examples: Mapping[str, Examples], **settings: Any) -> dict[str, Classifier]:
    """A classifier for each kind of place, trained on its examples."""
    from threadpoolctl import threadpool_limits

    found = {}
    with threadpool_limits(1):  # its threads wait for each other in a loop: dear on a busy machine
        for kind, some in examples.items():
            started = time.perf_counter()
            found[kind] = fitted(some.rows, some.so, some.weight, **settings)
            took = time.perf_counter() - started
            print(f"headroom: {kind} learnt from {len(some.so)}, {took:.0f} s", file=sys.stderr)
    return found


def fitted(
    rows: npt.NDArray[Any], so: npt.NDArray[Any], weight: npt.NDArray[Any], **settings: Any
) -> Classifier:
    """A classifier of these rows."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    model = HistGradientBoostingClassifier(**{**SETTINGS, **settings})
    unsaid = np.isnan(rows).all(axis=0)  # the library wants some number in every column
    told = np.where(unsaid, 0.0, rows)
    return Classifier(model.fit(told, so, sample_weight=weight))
