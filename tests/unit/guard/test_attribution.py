import numpy as np
import pytest

from acq.analysis.threshold_smoothing import ThresholdSmoother
from acq.guard.attribution import AttributionSettings, attribute, attribute_group, same_axon_probability
from acq.records import FloatArray, MissingReason

Outcomes = np.ndarray


def test_levels_decide_and_the_middle_is_undecided() -> None:
    reason = attribute(
        responded=np.array([1, -1, 0, 0, 0, 0, 0], dtype=np.int8),
        stimulus_failure=np.array([np.nan, np.nan, 0.0, 0.05, 0.5, 0.95, 1.0]),
    )
    assert list(reason) == [
        MissingReason.RESPONDED,
        MissingReason.REJECTED,
        MissingReason.ENDPLATE,
        MissingReason.ENDPLATE,
        MissingReason.UNDECIDED,
        MissingReason.STIMULUS,
        MissingReason.STIMULUS,
    ]


def test_a_miss_without_probability_is_an_error() -> None:
    with pytest.raises(ValueError, match="NaN where a response is missing"):
        attribute(responded=np.array([0], dtype=np.int8), stimulus_failure=np.array([np.nan]))
    with pytest.raises(ValueError, match="one shape"):
        attribute(responded=np.array([0], dtype=np.int8), stimulus_failure=np.zeros(2))


@pytest.mark.parametrize("levels", [(0.1, 0.9), (1.1, 0.0)])
def test_levels_must_be_in_order(levels: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="stimulus_level"):
        AttributionSettings(stimulus_level=levels[0], endplate_level=levels[1])


def simulate_pair(seed: int, *, ratio: float, blocking: tuple[float, float], shared: bool) -> tuple[Outcomes, Outcomes]:
    """Two fibres at a fixed intensity, `ratio` × threshold, on one axon or two: outcomes, and whether axons fired."""
    rng = np.random.default_rng(seed)
    z = rng.standard_normal((2, 200))
    fired = (1.0 + 0.02 * (z[[0, 0]] if shared else z)) / ratio < 1.0
    passed = rng.random((2, 200)) >= np.array(blocking)[:, None]
    return (fired & passed).astype(np.int8), fired


def probabilities(responded: Outcomes) -> FloatArray:
    n = responded.shape[1]
    smoother = ThresholdSmoother(
        intensity_ma=np.full(n, 1.0), onset_s=np.arange(n) / 10.0, highest_threshold_ma=np.full(n, 1.0 / 1.2)
    )
    return attribute_group(
        responded=responded,
        traces=[smoother.smooth(responded=outcome) for outcome in responded],
        intensity_ma=np.full(n, 1.0),
        smoother=smoother,
    )


def test_failing_together_at_fixed_intensity_is_the_stimulus() -> None:
    # concomitant blocking of two fibres of one axon points at the axon or the stimulus (PUB JNNP 1972;35:52)
    for seed in range(4):
        responded, _ = simulate_pair(seed, ratio=1.0, blocking=(0.0, 0.0), shared=True)
        p = probabilities(responded)
        assert np.nanmin(p) > 0.95


def test_failing_apart_on_one_axon_is_the_endplate() -> None:
    for seed in range(4):
        responded, fired = simulate_pair(seed, ratio=1.0, blocking=(0.3, 0.2), shared=True)
        p = probabilities(responded)
        apart = (responded[0] == 0) & (responded[1] == 1)
        both = (responded == 0).all(axis=0)
        assert p[0, apart].max() < 0.05
        # where both fail the truth is mostly the stimulus, and its frequency is what the probability says
        assert np.mean(p[0, both]) == pytest.approx(np.mean(~fired[0, both]), abs=0.1)


def test_independent_failures_are_no_sign_of_a_common_axon() -> None:
    one = np.zeros(200, dtype=np.int64)
    apart, together = [], []
    for seed in range(20):
        a, _ = simulate_pair(seed, ratio=1.0, blocking=(0.0, 0.0), shared=False)
        apart.append(same_axon_probability(first=a[0], second=a[1], stratum=one))
        b, _ = simulate_pair(seed, ratio=1.0, blocking=(0.1, 0.1), shared=True)
        together.append(same_axon_probability(first=b[0], second=b[1], stratum=one))
    assert np.median(apart) < 0.2  # below the prior of 0.3
    assert sum(p > 0.5 for p in apart) <= 1
    assert min(together) > 0.99


def test_equal_thresholds_on_two_axons_are_not_taken_for_one() -> None:
    # a scan makes every fibre fail at low intensity: that alone must not count as failing together
    level = np.repeat(np.arange(20), 10)
    intensity = 1.2 * 0.98**level
    rng = np.random.default_rng(3)
    responded = (intensity > 1.0 + 0.02 * rng.standard_normal((2, 200))).astype(np.int8)
    assert same_axon_probability(first=responded[0], second=responded[1], stratum=level) < 0.5
    assert same_axon_probability(first=responded[0], second=responded[0], stratum=level) > 0.9


def test_failing_in_turn_is_not_agreement() -> None:
    first = np.tile([0, 1], 50).astype(np.int8)
    assert same_axon_probability(first=first, second=1 - first, stratum=np.zeros(100, dtype=np.int64)) < 0.31
