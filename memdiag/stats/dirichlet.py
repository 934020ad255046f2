"""Shares learnt from counts: a Beta prior on whether, a Dirichlet prior on which.

Conjugate updating as in Gelman and others, "Bayesian Data Analysis" (3rd ed.), sections 2.4 (Beta
and binomial) and 3.4 (Dirichlet and multinomial). A Dirichlet below each branch of another is a
Dirichlet tree (Dennis 1991, Communications in Statistics 20:4069): a count that names the branch
alone moves the branch, one that names the leaf moves both, and both stay conjugate.
"""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct


class Beta(Struct, frozen=True):
    """A Beta distribution of a share. Raises ValueError unless both counts are above zero."""

    a: float
    b: float

    def __post_init__(self) -> None:
        if not (self.a > 0 and self.b > 0):
            raise ValueError(f"a Beta distribution needs counts above zero, not {self.a}, {self.b}")

    @classmethod
    def worth(cls, mean: float, weight: float) -> Beta:
        """The one of that mean that counts for `weight` trials.

        Raises ValueError unless the mean is above 0 and below 1, and the weight above 0.
        """
        return cls(mean * weight, (1 - mean) * weight)

    @property
    def mean(self) -> float:
        return self.a / (self.a + self.b)

    def after(self, hits: float, trials: float) -> Beta:
        """With `hits` of `trials` seen. Raises ValueError where there are more, or fewer than 0."""
        if not 0 <= hits <= trials:
            raise ValueError(f"{hits} of {trials}: not possible")
        return Beta(self.a + hits, self.b + trials - hits)

    def limits(self, level: float = 0.95) -> tuple[float, float]:
        """The interval that holds `level` of it, the same outside at each end."""
        from scipy import special

        tail = (1 - level) / 2
        return (
            float(special.betaincinv(self.a, self.b, tail)),
            float(special.betainccinv(self.a, self.b, tail)),
        )


def shares(prior: Mapping[str, float], counts: Mapping[str, float]) -> dict[str, float]:
    """The mean shares of a Dirichlet with these prior counts once `counts` were seen; they sum to
    1. Raises ValueError where a prior count is not above zero, or a count below."""
    if not prior or min(prior.values()) <= 0 or any(n < 0 for n in counts.values()):
        raise ValueError("a Dirichlet distribution needs prior counts above zero, counts not below")
    after = {name: a + counts.get(name, 0.0) for name, a in prior.items()}
    total = sum(after.values())
    return {name: a / total for name, a in after.items()}
