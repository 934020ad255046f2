"""Rates and their limits: numbers in, numbers out.

Conventions, the same in every function here:

* `confidence` is between 0 and 1. `sided=2` puts half of what is left in each tail, so that the
  two limits hold together; `sided=1` puts all of it in each tail, so that each limit holds alone.
  For a count of zero the upper limit is 3.689 (two-sided) or 2.996 (one-sided) at 95 %.
* A closed form is used where there is one, and the terms of the distribution for a handful of
  errors, so that neither imports anything. Everything else imports `scipy.special` when it is
  called.

The limits come as `(low, high)`. Sources are named beside each function.
"""

from __future__ import annotations

from memdiag.stats.bursts import (
    INDEPENDENT,
    MEASURED,
    Bursts,
    chance_of_none,
    compare_single,
    multiple_to_exclude,
)
from memdiag.stats.limits import (
    binomial_limits,
    bits_needed,
    mean_excluded,
    poisson_limits,
    proven_rate,
)
from memdiag.stats.multiplicity import holm
from memdiag.stats.outliers import median, modified_z
from memdiag.stats.overdispersion import (
    Dispersion,
    Effective,
    RateComparison,
    compare_replicates,
    effective_events,
    overdispersion,
)
from memdiag.stats.rate_ratio import Conditional, conditional_test

__all__ = [
    "INDEPENDENT",
    "MEASURED",
    "Bursts",
    "Conditional",
    "Dispersion",
    "Effective",
    "RateComparison",
    "binomial_limits",
    "bits_needed",
    "chance_of_none",
    "compare_replicates",
    "compare_single",
    "conditional_test",
    "effective_events",
    "holm",
    "mean_excluded",
    "median",
    "modified_z",
    "multiple_to_exclude",
    "overdispersion",
    "poisson_limits",
    "proven_rate",
]
