"""Problems with a shop's settings."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity

KINDS: dict[str, ProblemKind] = {
    "shop-unreadable": ProblemKind(
        Severity.ERROR,
        "the shop file {file} cannot be read: {reason}",
        "check the path, or leave --shop away to use the shipped settings",
        ("[priors\nmissing = 1", "= 3", "x = " + "[" * 3000, "x = " + "9" * 5000),
        via="shop",
    ),
    "shop-key": ProblemKind(
        Severity.ERROR,
        "the shop file {file} has a setting that cannot be used: {reason}",
        "docs/settings.md lists every setting with its default",
        (
            "[priors]\nmising = 0.1\n",
            "[priors]\nmissing = inf\n",
            "[costs]\nreplace = -4\n",
            "[limits]\nconfidence = 'high'\n",
            "[limits]\nconfidence = 1\n",
            "[limits]\ntarget_rate = nan\n",
        ),
        via="shop",
    ),
}
