"""How often the interval of a laboratory's own limits holds the true limit: simulated healthy groups, by method.

Endplates are log-normal within a subject and subjects' medians between them; the spreads are those of single endplates
and of subjects' means in healthy orbicularis oculi: means 12.56 ± 2.19, single endplates 12.68 ± 6.10 µs (Valls-Canals
2000, Muscle Nerve 23:779, PUB; the two logarithmic SDs are DER).

Run: python tests/benchmarks/limits_study.py [--groups 400]
"""

from __future__ import annotations

import argparse
import math

import numpy as np
from scipy import special

from acq.analysis.upper_limits import UpperLimit
from acq.study.laboratory import LimitMethod, Subject, derive_limits

MEAN_US, SUBJECTS_SD_US, ENDPLATES_SD_US = 12.56, 2.19, 6.10
N_ENDPLATES = 30
ALL = math.sqrt(math.log1p((ENDPLATES_SD_US / MEAN_US) ** 2))
BETWEEN = math.sqrt(math.log1p((SUBJECTS_SD_US / MEAN_US) ** 2) - (math.expm1(ALL**2)) / N_ENDPLATES)
WITHIN = math.sqrt(ALL**2 - BETWEEN**2)
CENTRE = math.log(MEAN_US) - ALL**2 / 2
CONFIDENCE = 0.9


def make_endplates(random: np.random.Generator, n: int) -> np.ndarray:
    """MCDs of n subjects, µs, (n, 30)."""
    medians = CENTRE + BETWEEN * random.standard_normal((n, 1))
    return np.exp(medians + WITHIN * random.standard_normal((n, N_ENDPLATES)))


def make_group(random: np.random.Generator, n: int) -> list[Subject]:
    """A healthy group."""
    return [
        Subject(
            file=f"{number}.study",
            code=str(number),
            muscle="orbicularis oculi",
            electrode="single_fibre",
            activation="stimulated",
            stimulation="",
            begun_at=None,
            age_years=40,
            mcd_us=row,
        )
        for number, row in enumerate(make_endplates(random, n))
    ]


def find_truth(share: float) -> dict[str, float]:
    """The true limits: of means and ranked endplates by 600 000 subjects, of single endplates exactly."""
    random = np.random.default_rng(1)
    means, ranked = [], []
    for _ in range(60):
        values = np.sort(make_endplates(random, 10_000), axis=1)
        means.append(values.mean(axis=1))
        ranked.append(values[:, 26])
    return {
        "mean": float(np.quantile(np.concatenate(means), share)),
        "ranked": float(np.quantile(np.concatenate(ranked), share)),
        "pooled": math.exp(CENTRE + special.ndtri(share) * ALL),
    }


def tell(found: list[UpperLimit], truth: float) -> str:
    """Coverage, misses on each side, and typical figures."""
    low = np.array([one.interval_us[0] for one in found])
    high = np.array([one.interval_us[1] for one in found])
    value = np.array([one.value_us for one in found])
    told = np.isfinite(value)
    middle = f"{np.median(value[told]) / truth - 1:+6.1%}" if told.mean() > 0.5 else "     –"
    is_open = ~np.isfinite(high)
    wide = "  open" if is_open.mean() > 0.5 else f"{np.median((high - low)[~is_open]) / truth:6.0%}"
    return (
        f"holds {np.mean((low <= truth) & (truth <= high)):6.1%}  too low {np.mean(high < truth):6.1%}  too high "
        f"{np.mean(low > truth):6.1%}  bias {middle}  width {wide}  open {is_open.mean():5.0%}  told {told.mean():5.0%}"
    )


def main() -> None:
    """Print a line for each group size, percentile, limit and method."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--groups", type=int, default=400)
    n_groups = parser.parse_args().groups
    print(f"logarithmic SD between subjects {BETWEEN:.3f}, within {WITHIN:.3f}; intervals of {CONFIDENCE:.0%}")
    for share in (0.95, 0.975):
        truth = find_truth(share)
        print(f"\n{share:.1%}: true limits " + ", ".join(f"{name} {at:.2f} µs" for name, at in truth.items()))
        for n in (20, 40, 120):
            random = np.random.default_rng(n)
            made = [
                derive_limits(make_group(random, n), share=share, confidence=CONFIDENCE, seed=number)
                for number in range(n_groups)
            ]
            for name, at in truth.items():
                for method in LimitMethod:
                    found = [getattr(one, name)[method] for one in made]
                    print(f"  n {n:3d}  {name:6s}  {method:14s}  {tell(found, at)}", flush=True)


if __name__ == "__main__":
    main()
