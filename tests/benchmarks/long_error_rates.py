"""The error rates that comparison and control charts promise, by Monte Carlo, long form. By hand, never by pytest.

    python tests/benchmarks/long_error_rates.py [--pairs 5000] [--years 20]

The short forms are in tests/metrology/test_equivalence.py and test_control_charts.py.
"""

from __future__ import annotations

import argparse
import sys
from math import sqrt
from pathlib import Path
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[2]))

from legtest.metrology.control_charts import ALARMS_PER_RUN, FEWEST, LAMBDA, chart, ewma_arl, limits_of
from legtest.metrology.equivalence import Outcome
from tests.metrology.test_equivalence import rates, theory

NIGHTS, QUANTITIES = 365, 40


def comparison(pairs: int) -> None:
    print(f"Comparison, margin 1, {pairs} pairs of runs; theory: for a known spread")
    print("repeats  spread  true shift  equivalent (theory)  different (theory)  undecided")
    for n, sigma in ((5, 0.5), (10, 0.5), (10, 1.0), (40, 1.0)):
        for shift in (0.0, 0.5, 1.0, 1.5, 2.0):
            found = rates(shift, n=n, margin=1.0, sigma=sigma, runs=pairs, seed=11)
            same, moved = theory(shift / sigma, n=n, margin=1.0 / sigma)
            print(
                f"{n:7d}  {sigma:6.1f}  {shift:10.1f}  {found[Outcome.EQUIVALENT]:10.4f} ({same:.4f})"
                f"  {found[Outcome.DIFFERENT]:9.4f} ({moved:.4f})  {found[Outcome.UNDECIDED]:9.4f}"
            )


def scattered(kind: str, rng: np.random.Generator) -> NDArray[np.float64]:
    """NIGHTS rows of QUANTITIES values that do not drift, standard deviation 1."""
    shape = (NIGHTS, QUANTITIES)
    if kind == "heavy tails (t, 5 degrees of freedom)":
        return rng.standard_t(5, shape) / sqrt(5 / 3)
    if kind == "together (correlation 0.7)":
        return sqrt(0.7) * rng.standard_normal((NIGHTS, 1)) + sqrt(0.3) * rng.standard_normal(shape)
    values = rng.standard_normal(shape)
    if kind == "from night to night (lag 1 correlation 0.3)":
        for night in range(1, NIGHTS):
            values[night] = 0.3 * values[night - 1] + sqrt(1 - 0.3**2) * values[night]
    return values


def charts(years: int) -> None:
    print(f"False alarms of a nightly of {QUANTITIES} quantities, {years} years; promised: {ALARMS_PER_RUN} a run")
    for name in ("EWMA", "CUSUM"):
        limit = limits_of(name, QUANTITIES)
        for kind in ("normal", "together (correlation 0.7)", "heavy tails (t, 5 degrees of freedom)",
                     "from night to night (lag 1 correlation 0.3)"):  # fmt: skip
            if name == "CUSUM" and kind != "normal":
                continue
            rng, counts = np.random.default_rng(12), []
            for _ in range(years):
                outs = [chart(column.tolist(), limit, name=name).out for column in scattered(kind, rng).T]
                counts.append(sum(b and not a for out in outs for a, b in zip((False, *out), out, strict=False)))
            rate = np.mean(counts) / (NIGHTS - FEWEST)
            error = np.std(counts, ddof=1) / sqrt(years) / (NIGHTS - FEWEST)
            print(f"{name:5}  {kind}: {rate:.4f} a run, standard error {error:.4f}")


def delays(cases: int) -> None:
    print(f"Runs until a shift is found, EWMA limits for {QUANTITIES} quantities, {cases} cases, 60 runs before it")
    rng, limit = np.random.default_rng(13), limits_of("EWMA", QUANTITIES)
    width = limit.drift * sqrt((2 - LAMBDA) / LAMBDA)
    for shift in (1.0, 1.5, 2.0, 3.0):
        found = []
        while len(found) < cases:
            out = chart([*rng.normal(0, 1, 60), *rng.normal(shift, 1, 200)], limit).out
            if not any(out[:60]):
                found.append(next((i for i in range(60, 260) if out[i]), 260) - 59)
        print(
            f"shift {shift}: mean {np.mean(found):.1f}, median {np.median(found):.0f}, 90 % within "
            f"{np.percentile(found, 90):.0f}; EWMA alone, level and spread known: {ewma_arl(width, shift=shift):.1f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pairs", type=int, default=5000)
    parser.add_argument("--years", type=int, default=20)
    words = parser.parse_args()
    print(f"interval of a difference: {NormalDist().inv_cdf(0.95):.4f} standard uncertainties, two tests of 5 %")
    comparison(words.pairs)
    charts(words.years)
    delays(400)


if __name__ == "__main__":
    main()
