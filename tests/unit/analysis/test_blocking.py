import numpy as np
import pytest
from scipy.stats import beta

from acq.analysis.blocking import estimate_blocking


def test_without_doubt_it_is_the_jeffreys_interval() -> None:
    found = estimate_blocking(n_responses=80, stimulus_failure=np.zeros(20))
    assert found.fraction == pytest.approx(0.2)
    assert (found.low, found.high) == pytest.approx(beta(20.5, 80.5).ppf([0.025, 0.975]), rel=1e-6)


def test_stimulus_failures_leave_numerator_and_denominator() -> None:
    certain = estimate_blocking(n_responses=80, stimulus_failure=np.zeros(20))
    diluted = estimate_blocking(n_responses=80, stimulus_failure=np.concatenate((np.zeros(20), np.ones(300))))
    assert diluted == certain


def test_doubtful_misses_take_their_likelier_cause_and_widen_the_interval() -> None:
    likely = estimate_blocking(n_responses=80, stimulus_failure=np.full(20, 0.3))
    assert likely.fraction == pytest.approx(20.0 / 100.0)
    assert likely.endplate_failures == pytest.approx(14.0)
    found = estimate_blocking(n_responses=80, stimulus_failure=np.full(20, 0.5))
    assert found.fraction == 0.0
    assert found.low < 0.01
    assert found.high == pytest.approx(beta(20.5, 80.5).ppf(0.95), rel=1e-3)  # half the weight is on all 20


def test_ends() -> None:
    none = estimate_blocking(n_responses=0, stimulus_failure=np.ones(10))
    assert np.isnan(none.fraction) or none.reached == 0.0
    assert np.isnan(none.low)
    whole = estimate_blocking(n_responses=50, stimulus_failure=np.empty(0))
    assert (whole.fraction, whole.low) == (0.0, 0.0)
    assert whole.high == pytest.approx(beta(0.5, 50.5).ppf(0.975), rel=1e-6)
    total = estimate_blocking(n_responses=0, stimulus_failure=np.zeros(9))
    assert (total.fraction, total.high) == (1.0, 1.0)


def test_interval_covers_the_truth() -> None:
    # frequency of coverage over binomial samples; Jeffreys intervals average 95 % (Brown, Cai & DasGupta 2001)
    rng = np.random.default_rng(8)
    for truth in (0.05, 0.2, 0.6):
        covered = 0
        for _ in range(300):
            blocked = int(rng.binomial(100, truth))
            found = estimate_blocking(n_responses=100 - blocked, stimulus_failure=np.zeros(blocked))
            covered += found.low <= truth <= found.high
        assert covered >= 0.91 * 300


def test_an_overlooked_response_is_a_response() -> None:
    seen = estimate_blocking(n_responses=80, stimulus_failure=np.zeros(20), overlooked=np.repeat((1.0, 0.0), 10))
    assert seen == estimate_blocking(n_responses=90, stimulus_failure=np.zeros(10))
    # Whatever the stimulus did: it fired the axon if the potential was there.
    seen = estimate_blocking(n_responses=80, stimulus_failure=np.full(20, 0.9), overlooked=np.ones(20))
    assert (seen.fraction, seen.low) == (0.0, 0.0)
    assert seen.reached == pytest.approx(100.0)


@pytest.mark.parametrize("doubt", ["common", "each"])
def test_interval_covers_the_truth_although_the_misses_are_ambiguous(doubt: str) -> None:
    # A fifth of the stimuli fail, for which the endplate may be to blame as well. The probabilities are what Bayes'
    # theorem makes of it: the doubt one for all misses (where the threshold is), or each miss's own.
    rng = np.random.default_rng(9)
    n, n_runs, covered = 100, 400, 0
    for _ in range(n_runs):
        truth = float(rng.uniform(0.0, 0.5)) if doubt == "each" else float(rng.choice([0.0, 0.2]))
        failing = 0.2
        if doubt == "each":
            fired = rng.random(n) >= failing
            probability = failing / (failing + (1.0 - failing) * truth)
        else:  # either all misses are the endplate's, or all are the stimulus's
            fired = rng.random(n) >= (failing if truth == 0.0 else 0.0)
            probability = 0.5
        blocked = fired & (rng.random(n) < truth)
        missing = int(np.sum(~fired | blocked))
        found = estimate_blocking(n_responses=n - missing, stimulus_failure=np.full(missing, probability))
        covered += found.low - 1e-9 <= truth <= found.high
        # Not by saying anything: never above the interval of all misses being the endplate's.
        assert found.high <= beta(missing + 0.5, n - missing + 0.5).ppf(0.975) + 1e-9
    assert covered >= 0.93 * n_runs


@pytest.mark.parametrize(
    ("n_responses", "failure", "named"),
    [
        (-1, np.zeros(2), "n_responses"),
        (1, np.array([1.2]), "stimulus_failure"),
        (1, np.zeros((1, 1)), "stimulus_failure"),
    ],
)
def test_nonsense_is_refused(n_responses: int, failure: np.ndarray, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        estimate_blocking(n_responses=n_responses, stimulus_failure=failure)


@pytest.mark.parametrize("overlooked", [np.zeros(3), np.array([0.1, 1.5]), np.array([np.nan, 0.0])])
def test_nonsense_about_oversights_is_refused(overlooked: np.ndarray) -> None:
    with pytest.raises(ValueError, match="overlooked"):
        estimate_blocking(n_responses=1, stimulus_failure=np.zeros(2), overlooked=overlooked)
