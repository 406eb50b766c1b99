"""P(the potential was there after all) of a missing response, against potentials known to be there or not."""

import numpy as np
import pytest
from scipy.special import expit

from acq.analysis.matching import KnownPotentials, match
from acq.analysis.settings import AnalysisSettings
from acq.analysis.waveforms import measure_waveforms
from tests.potentials import potentials, record


def learnt(which: int, rng: np.random.Generator, *, snr: float, learnt_at: float = 20.0) -> KnownPotentials:
    """A potential learnt well and then made small."""
    latency_us = 5000.0 + 15.0 * rng.standard_normal((200, 1))
    made = record(rng, fibres=[potentials()[which]], latency_us=latency_us, snr=[learnt_at])
    (known,) = measure_waveforms(
        made.sweeps_uv, onset_index=made.onset_index, sample_rate_hz=made.rate_hz, settings=AnalysisSettings()
    ).known
    factor = snr / learnt_at
    return known.__class__(
        **{name: getattr(known, name) for name in known.__dataclass_fields__}
        | {
            "template": known.template * factor,
            "steer": tuple(steer * factor for steer in known.steer),
            "energy": known.energy * factor**2,
        }
    )


@pytest.mark.parametrize("which", [0, 3])
def test_as_many_are_overlooked_as_expected(which: int) -> None:
    # Half of 2000 sweeps are empty. A sum of independent calibrated probabilities has the number that came true as its
    # mean and Σ p(1 − p) as its variance: 3 SD, and a third for the approximations of the odds.
    rng = np.random.default_rng(100 + which)
    known = learnt(which, rng, snr=3.0)
    latency_us = 5000.0 + 15.0 * rng.standard_normal((2000, 1))
    latency_us[rng.random(2000) < 0.5] = np.nan
    fresh = record(rng, fibres=[potentials()[which]], latency_us=latency_us, snr=[3.0])
    found = match(fresh.sweeps_uv, known)
    absent = ~found.present[:, 0]
    overlooked = expit(np.minimum(found.log_odds[absent, 0], 0.0))
    true = int(np.isfinite(latency_us[absent, 0]).sum())
    spread = 3.0 * float(np.sqrt(np.sum(overlooked * (1.0 - overlooked))))
    assert true >= 10
    assert abs(overlooked.sum() - true) <= spread + overlooked.sum() / 3.0
    # Each is a probability of its own: those that were there stand out.
    assert overlooked[np.isfinite(latency_us[absent, 0])].mean() > 5.0 * overlooked.mean()


def test_a_fit_carries_it_for_missing_responses_only() -> None:
    rng = np.random.default_rng(31)
    latency_us = 5000.0 + 15.0 * rng.standard_normal((300, 1))
    latency_us[rng.random(300) < 0.3] = np.nan
    small, large = (
        measure_waveforms(
            made.sweeps_uv, onset_index=made.onset_index, sample_rate_hz=made.rate_hz, settings=AnalysisSettings()
        ).fibres[0]
        for made in (
            record(np.random.default_rng(32), fibres=[potentials()[0]], latency_us=latency_us, snr=[snr])
            for snr in (5.0, 30.0)
        )
    )
    for found in (small, large):
        assert np.array_equal(np.isnan(found.overlooked), np.isfinite(found.position))
        assert np.nanmin(found.overlooked) >= 0.0
        assert np.nanmax(found.overlooked) <= 0.5  # nobody is surer than even that a potential he did not see was there
    assert np.nansum(large.overlooked) < 1e-3 < np.nansum(small.overlooked)
