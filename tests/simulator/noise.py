"""Common random numbers: a board with a fault and its twin without share every draw.

All noise of a scene comes in named blocks drawn once from the seed. A twin looks into the same
blocks, so whatever differs between the two dumps was done by the fault and by nothing else.
Counts are taken as quantiles of shared uniforms: a higher rate can only give a higher count.
"""

from __future__ import annotations

import math
import random
import zlib
from statistics import NormalDist
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

NORMAL = NormalDist()


class Noise:
    """Named blocks of uniforms and normals of one scene. Deterministic in the seed."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._blocks: dict[tuple[object, ...], Floats] = {}
        self.memory: dict[tuple[object, ...], list[Any]] = {}
        """Work a twin need not do again, by all that it depends on."""

    def _generator(self, name: str) -> np.random.Generator:
        return np.random.Generator(np.random.PCG64([self.seed, zlib.crc32(name.encode())]))

    def normal(self, name: str, *shape: int) -> Floats:
        key = ("n", name, shape)
        if key not in self._blocks:
            self._blocks[key] = self._generator(name).standard_normal(shape)
        return self._blocks[key]

    def uniform(self, name: str, *shape: int) -> Floats:
        key = ("u", name, shape)
        if key not in self._blocks:
            self._blocks[key] = self._generator(name).random(shape)
        return self._blocks[key]

    def stream(self, name: str) -> random.Random:
        """A fresh stream, for draws whose number does not depend on the faults."""
        return random.Random(f"{self.seed}/{name}")


def poisson_at(mean: float, u: float) -> int:
    """The Poisson count at the quantile `u`."""
    if mean <= 0:
        return 0
    if mean > 60:
        return max(0, round(mean + math.sqrt(mean) * NORMAL.inv_cdf(min(max(u, 1e-12), 1 - 1e-12))))
    p = math.exp(-mean)
    total, k = p, 0
    while u > total and k < 500:
        k += 1
        p *= mean / k
        total += p
    return k


def binomial_at(n: float, p: float, u: float) -> int:
    """The binomial count at the quantile `u`: exact for a few hundred, above that Poisson at the
    ends and normal in the middle."""
    if n <= 0 or p <= 0:
        return 0
    if p >= 1:
        return int(n)
    if p > 0.5:
        return int(n) - binomial_at(n, 1 - p, 1 - u)
    if n <= 400:
        return _exact(int(n), p, u)
    if n * p < 60:
        return min(int(n), poisson_at(n * p, u))
    z = NORMAL.inv_cdf(min(max(u, 1e-12), 1 - 1e-12))
    return min(int(n), max(0, round(n * p + z * math.sqrt(n * p * (1 - p)))))


def binomials_at(n: int, p: float, u: Floats) -> list[int]:
    """The binomial counts at many quantiles of one law."""
    if not 0 < p < 1 or n > 400 or u.size < 10:
        return [binomial_at(n, p, float(x)) for x in u]
    k = np.arange(n)
    logs = np.log((n - k) / (k + 1.0)) + math.log(p / (1 - p))
    terms = n * math.log1p(-p) + np.concatenate(([0.0], np.cumsum(logs)))
    return [int(x) for x in np.searchsorted(np.cumsum(np.exp(terms))[:-1], u)]


def _exact(n: int, p: float, u: float) -> int:
    term = (1 - p) ** n
    total, k, odds = term, 0, p / (1 - p)
    while u > total and k < n:
        term *= (n - k) / (k + 1) * odds
        k += 1
        total += term
    return k
