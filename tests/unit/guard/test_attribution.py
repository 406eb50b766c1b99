import numpy as np
import pytest

from acq.guard.attribution import AttributionSettings, attribute
from acq.guard.judgement import judge
from acq.guard.margin import MarginRule
from acq.records import FloatArray, GuardVerdict, MissingReason

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
    found = judge(intensity_ma=np.full(n, 1.0), onset_s=np.arange(n) / 10.0, responded=responded)
    return np.array([one.p_stimulus_failure for one in found])


def shared_axon(responded: Outcomes, intensity_ma: FloatArray | None = None) -> float:
    n = responded.shape[1]
    intensity_ma = np.full(n, 1.0) if intensity_ma is None else intensity_ma
    return float(judge(intensity_ma=intensity_ma, onset_s=np.arange(n) / 10.0, responded=responded)[0].same_axon[1])


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
    apart, together = [], []
    for seed in range(8):
        a, _ = simulate_pair(seed, ratio=1.0, blocking=(0.0, 0.0), shared=False)
        apart.append(shared_axon(a))
        b, _ = simulate_pair(seed, ratio=1.0, blocking=(0.1, 0.1), shared=True)
        together.append(shared_axon(b))
    assert max(apart) < 0.2  # below the prior of 0.3
    assert min(together) > 0.99


def test_equal_thresholds_on_two_axons_are_not_taken_for_one() -> None:
    # a scan makes every fibre fail at low intensity: that alone must not count as failing together
    level = np.repeat(np.arange(20), 10)
    intensity = 1.2 * 0.98**level
    rng = np.random.default_rng(3)
    responded = (intensity > 1.0 + 0.02 * rng.standard_normal((2, 200))).astype(np.int8)
    assert shared_axon(responded, intensity) < 0.5
    assert shared_axon(responded[[0, 0]], intensity) > 0.9


def test_thresholds_apart_are_two_axons() -> None:
    intensity = 1.4 * 0.98 ** np.repeat(np.arange(28), 3)
    rng = np.random.default_rng(4)
    responded = (intensity > np.array([[1.0], [1.15]]) * (1.0 + 0.02 * rng.standard_normal((2, 84)))).astype(np.int8)
    assert shared_axon(responded, intensity) < 0.01


def test_always_answering_says_little_about_a_common_axon() -> None:
    assert 0.1 < shared_axon(np.ones((2, 200), dtype=np.int8)) < 0.5


def test_failing_in_turn_is_not_agreement() -> None:
    first = np.tile([0, 1], 50).astype(np.int8)
    assert shared_axon(np.array([first, 1 - first])) < 0.5


def test_misses_together_are_counted_against_chance() -> None:
    responded, _ = simulate_pair(1, ratio=1.02, blocking=(0.1, 0.0), shared=True)
    found = judge(intensity_ma=np.ones(200), onset_s=np.arange(200) / 10.0, responded=responded)[0]
    assert found.concomitant_misses == int(np.sum((responded == 0).all(axis=0)))
    missed = np.mean(responded == 0, axis=1)
    assert found.concomitant_expected == pytest.approx(200 * missed[0] * missed[1])
    assert found.concomitant_misses > 2 * found.concomitant_expected


def test_by_the_highest_threshold_all_fibres_have_the_verdict_of_the_worst() -> None:
    intensity = np.concatenate((1.8 * 0.97 ** np.repeat(np.arange(26), 2), np.full(60, 1.5)))
    rng = np.random.default_rng(6)
    responded = (
        intensity > np.array([[1.0], [1.35]]) * (1.0 + 0.02 * rng.standard_normal((2, intensity.size)))
    ).astype(np.int8)
    onset_s = np.arange(intensity.size) / 10.0
    each = judge(intensity_ma=intensity, onset_s=onset_s, responded=responded)
    assert each[0].verdict[-1] is GuardVerdict.ASSURED
    assert each[1].verdict[-1] is GuardVerdict.THIN
    together = judge(intensity_ma=intensity, onset_s=onset_s, responded=responded, rule=MarginRule(scope="highest"))
    assert np.array_equal(together[0].verdict, together[1].verdict)
    assert together[0].verdict[-1] is GuardVerdict.THIN
    assert together[0].events == together[1].events
    assert together[0].events[-1].sentence == "all fibres thin, by fibre 2"


def test_what_was_tested_is_not_called_never_tested() -> None:
    # Long after its test the margin is no longer sure; the event says how long ago that was.
    intensity = np.concatenate((np.full(5, 1.5), np.full(5, 1.25), np.full(40, 1.5)))
    onset_s = np.concatenate((np.arange(10) * 0.5, 5.0 + np.arange(40) * 20.0))
    responded = np.ones((1, intensity.size), dtype=np.int8)
    found = judge(intensity_ma=intensity, onset_s=onset_s, responded=responded)[0]
    untested = [event for event in found.events if event.verdict is GuardVerdict.UNTESTED and event.index >= 10]
    assert untested
    assert all("last proved" in event.sentence for event in untested)


def test_test_pulses_are_no_events() -> None:
    intensity = np.concatenate(
        (1.5 * 0.97 ** np.repeat(np.arange(20), 2), np.where(np.arange(80) % 20 == 19, 1.25, 1.5))
    )
    testing = np.concatenate((np.ones(40, dtype=bool), np.arange(80) % 20 == 19))
    rng = np.random.default_rng(7)
    responded = (intensity > 1.0 + 0.02 * rng.standard_normal((1, 120))).astype(np.int8)
    found = judge(intensity_ma=intensity, onset_s=np.arange(120) / 10.0, responded=responded, testing=testing)[0]
    assert [(event.index, event.verdict) for event in found.events] == [(40, GuardVerdict.ASSURED)]
