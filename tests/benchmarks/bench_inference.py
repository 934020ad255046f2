"""How fast faults are inferred: against variable elimination, and as boards grow.

    python tests/benchmarks/bench_inference.py

* Ratio: `search.infer` and pgmpy's VariableElimination on the same network of binary faults
  and findings (noisy-OR with leak), the posterior over all faults asked of both. Once with the
  networks built beforehand, once from the bare figures, as every dump has a network of its own.
  Best of several, taken in turn. `apart` is the greatest difference between the two in the
  probability of a fault: memdiag leaves sets of many faults out where they are light.
* Growth: boards of 8 to 64 packages with a package missing, one weak and one data line open; each
  size in a process of its own, so that its peak memory is its own.
"""

from __future__ import annotations

import argparse
import json
import math
import resource
import subprocess
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

SITES = (8, 12, 24, 48, 64)


def best_of(times: int, *calls: Callable[[], object]) -> list[float]:
    """Least seconds of each call, the calls taken in turn."""
    least = [math.inf] * len(calls)
    for _ in range(times):
        for i, call in enumerate(calls):
            start = time.perf_counter()
            call()
            least[i] = min(least[i], time.perf_counter() - start)
    return least


# ---- against variable elimination ----


def ratio(faults: int, findings: int) -> dict[str, float]:
    """Seconds of both, and the greatest difference between their probabilities of a fault."""
    from itertools import product

    import numpy as np

    from memdiag.diagnosis.noisy_max import Model
    from memdiag.diagnosis.search import infer
    from tests.support.exact import marginals, two_state

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from pgmpy.factors.discrete import TabularCPD
        from pgmpy.inference import VariableElimination
        from pgmpy.models import DiscreteBayesianNetwork
    rng = np.random.default_rng(5)
    shows = rng.uniform(0, 0.95, (faults, findings)) * (rng.random((faults, findings)) < 0.6)
    leak, prior = rng.uniform(0.005, 0.03, findings), rng.uniform(0.01, 0.08, faults)
    seen = rng.random(findings) < 0.4
    roots, leaves = [f"F{i}" for i in range(faults)], [f"N{i}" for i in range(findings)]
    told = {n: int(s) for n, s in zip(leaves, seen, strict=True)}

    def our_model() -> Model:
        return two_state(shows.tolist(), leak.tolist(), prior.tolist(), seen.tolist())

    def their_engine() -> VariableElimination:
        net = DiscreteBayesianNetwork([(f, n) for f in roots for n in leaves])
        for f, p in zip(roots, prior, strict=True):
            net.add_cpds(TabularCPD(f, 2, [[1 - p], [p]]))
        present = np.array(list(product([0, 1], repeat=faults)))
        for i, n in enumerate(leaves):
            off = (1 - leak[i]) * np.prod(np.where(present == 1, 1 - shows[:, i], 1.0), axis=1)
            net.add_cpds(TabularCPD(n, 2, [off, 1 - off], roots, [2] * faults))
        return VariableElimination(net)

    model, engine = our_model(), their_engine()

    def theirs(of: Any = engine) -> Any:
        return of.query(roots, evidence=told, show_progress=False)

    found = infer(model)
    ours = marginals(found, model)
    joint = theirs()
    apart = 0.0
    for i, f in enumerate(roots):
        marginal = joint.marginalize([r for r in roots if r != f], inplace=False)
        one = float(marginal.values[1])
        apart = max(apart, abs(one - ours[i]))
    seconds = best_of(
        5, lambda: infer(model), theirs, lambda: infer(our_model()), lambda: theirs(their_engine())
    )
    names = ("ours", "theirs", "ours_built", "theirs_built")
    return dict(zip(names, seconds, strict=True)) | {"apart": apart, "left_out": found.left_out}


# ---- growth ----


def dump_text(sites: int) -> str:
    """U3 gone, U6 thin on every lane, dq 5 of one lane of the last site open."""
    training, counts = [], []
    for i in range(sites):
        for c, lane in ((c, n) for c in (2 * i, 2 * i + 1) for n in (0, 1)):
            gone, thin = i == 2, i == 5
            opened = i == sites - 1 and c == 2 * i and lane == 1
            for step in ("id", "ca", "wck", "read", "write"):
                eye = "-"
                if step in ("read", "write"):
                    eye = "-" if gone else f"{(0.21 if thin else 0.45) + 0.01 * (c % 3 - 1):.2f}UI"
                result = "no-response" if gone else "pass"
                if opened and step in ("read", "write"):
                    result, eye = "fail", "0.00UI"
                training.append(f"U{i + 1} {c} {lane} {step} {result} {eye}")
            bits, wrong = 4 * 10**10, 5000 if thin else 0
            for dq in range(8) if opened else ():
                bad = bits // 16 if dq == 5 else 0
                counts.append(f"U{i + 1} {c} {lane} {dq} {bits // 8} {bad} {bad} 0")
            if not opened and not gone:
                half = wrong // 2
                counts.append(f"U{i + 1} {c} {lane} - {bits} {wrong} {half} {wrong - half}")
    return "\n".join(
        [
            "bench-dump 1",
            "[run]",
            "board  grown",
            "memory  gddr6",
            "rate  14.0 Gbit/s",
            "[training]",
            "site ch lane step result width",
            *training,
            "[counts]",
            "site ch lane dq bits errors rose fell",
            *counts,
            "[end]",
            "",
        ]
    )


def grown(sites: int) -> dict[str, object]:
    """Seconds and megabytes of one size, in this process."""
    from memdiag.boards import profiles
    from memdiag.diagnosis import hypotheses, search
    from memdiag.diagnosis.judge import judge
    from memdiag.diagnosis.settings import Settings
    from memdiag.evidence.build import gather
    from memdiag.evidence.measurements import measure
    from memdiag.reading.load import load
    from tests.support.large import board_text

    board, problems = profiles.examine(board_text(sites))
    assert board is not None, problems
    (run,) = load(dump_text(sites), board=board)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    case = hypotheses.build(run, board, gather(measure(run, board)), Settings())
    whole, alone = best_of(3, lambda: judge(run, board), lambda: search.infer(case.model))
    verdict = judge(run, board)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return {
        "sites": sites,
        "variants": len(case.variants),
        "nodes": len(case.nodes),
        "judge": whole,
        "infer": alone,
        "left_out": verdict.left_out,
        "peak_mb": peak / 1024,
        "grew_mb": (peak - before) / 1024,
        "found": [
            f"{f.place}: {f.cause.value}" for f in verdict.findings if f.cause.value != "spillover"
        ],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--size", type=int, help="one size of the growth, as JSON")
    size = parser.parse_args().size
    if size:
        print(json.dumps(grown(size)))
        return
    # Growth first: a process starts with its parent's peak memory, and pgmpy's is large.
    print("sites  variants  nodes    judge    infer  left out   peak   of it here  found")
    for sites in SITES:
        done = subprocess.run(
            [sys.executable, __file__, "--size", str(sites)],
            capture_output=True,
            text=True,
            check=True,
        )
        g = json.loads(done.stdout)
        print(
            f"{g['sites']:5}  {g['variants']:8}  {g['nodes']:5}  {g['judge'] * 1e3:4.0f} ms"
            f"  {g['infer'] * 1e3:4.0f} ms  {g['left_out']:8.0e}  {g['peak_mb']:3.0f} MB"
            f"  {g['grew_mb']:7.0f} MB  {'; '.join(g['found'])}"
        )
    print("\nfaults  findings   memdiag      pgmpy   ratio  | with building it     ratio   apart")
    for faults, findings in ((4, 6), (8, 10), (12, 12), (15, 12)):
        r = ratio(faults, findings)
        print(
            f"{faults:6}  {findings:8}  {r['ours'] * 1e3:5.2f} ms  {r['theirs'] * 1e3:6.1f} ms"
            f"  {r['theirs'] / r['ours']:6.0f}  | {r['ours_built'] * 1e3:5.2f} ms"
            f"  {r['theirs_built'] * 1e3:6.1f} ms  {r['theirs_built'] / r['ours_built']:6.0f}"
            f"  {r['apart']:.0e}"
        )


if __name__ == "__main__":
    main()
