import dataclasses

import numpy as np
import pytest

from acq.analysis.threshold import ThresholdFilter, ThresholdSettings
from acq.analysis.threshold_smoothing import OtherFibres, ThresholdSmoother

SMALL = ThresholdSettings(lowest_ma=0.3, highest_ma=3.0, step=0.01)


def scanned(seed: int = 1, **more: object) -> ThresholdFilter:
    """A filter after a scan down and up about a threshold of 1 mA."""
    rng = np.random.default_rng(seed)
    known = ThresholdFilter(**more)  # type: ignore[arg-type]  # passed on
    steps = 1.3 * 0.97 ** np.arange(16)
    for intensity in np.repeat(np.concatenate((steps, steps[::-1])), 2):
        known.predict(dt_s=0.1)
        known.update(intensity_ma=float(intensity), responded=bool(intensity > 1.0 + 0.02 * rng.standard_normal()))
    return known


def smoother(
    intensity_ma: np.ndarray, settings: ThresholdSettings | None = None, interval_s: float = 0.1
) -> ThresholdSmoother:
    return ThresholdSmoother(
        intensity_ma=intensity_ma,
        onset_s=np.arange(intensity_ma.size) * interval_s,
        highest_threshold_ma=intensity_ma / 1.2,
        settings=settings,
    )


def test_scan_localises_threshold_and_blocking() -> None:
    known = scanned()
    low, high = known.interval_ma()
    assert low < 1.0 < high < 1.1 * low
    assert known.threshold_ma() == pytest.approx(1.0, rel=0.02)
    assert known.is_identified()
    assert known.probability_below(1.05) > 0.95
    assert known.probability_below(0.95) < 0.05
    assert known.blocking()[2] < 0.15
    assert known.predicted_response(intensity_ma=1.3) > 0.95
    assert known.predicted_response(intensity_ma=0.8) < 0.05


def test_wider_intervals_contain_narrower_ones() -> None:
    known = scanned()
    wide, narrow = known.interval_ma(0.95), known.interval_ma(0.5)
    assert wide[0] < narrow[0] < known.threshold_ma() < narrow[1] < wide[1]


def test_knowledge_fades_as_the_threshold_diffuses() -> None:
    # ln θ diffuses by 0.3 %/√s: SD 5.2 % after five minutes without jumps, arithmetic of a random walk
    settings = ThresholdSettings(jump_rate_hz=0.0)
    known = scanned(settings=settings)
    before = np.subtract(*np.log(known.interval_ma()[::-1])) / 3.92
    for _ in range(300):
        known.predict(dt_s=1.0)
    after = np.subtract(*np.log(known.interval_ma()[::-1])) / 3.92
    assert np.sqrt(after**2 - before**2) == pytest.approx(0.003 * np.sqrt(300.0), rel=0.05)
    at_once = scanned(settings=settings)
    at_once.predict(dt_s=300.0)
    assert at_once.interval_ma() == pytest.approx(known.interval_ma(), rel=2e-3)


def test_prediction_conserves_probability_and_knows_jumps() -> None:
    known = scanned()
    for dt_s in (0.1, 1.0, 60.0):
        before = float(known._density.sum())
        known.predict(dt_s=dt_s)
        assert float(known._density.sum()) == pytest.approx(before, rel=1e-4)
    assert known.probability_below(1.3) < 0.97  # 61 s at one jump in 300 s
    known.predict(dt_s=0.0)


def test_prior_alone_identifies_nothing() -> None:
    fresh = ThresholdFilter(prior_ma=(0.98, 1.02))
    assert fresh.interval_ma(0.9) == pytest.approx((0.98, 1.02), rel=0.01)
    assert not fresh.is_identified()
    for _ in range(50):
        fresh.update(intensity_ma=1.5, responded=True)
    assert not fresh.is_identified()


def test_full_responding_bounds_from_above_only() -> None:
    known = ThresholdFilter()
    for _ in range(100):
        known.predict(dt_s=0.1)
        known.update(intensity_ma=1.0, responded=True)
    assert known.probability_below(1.0) > 0.99
    assert known.interval_ma()[0] < 0.1
    assert not known.is_identified()


def test_copy_is_independent() -> None:
    known = scanned()
    twin = known.copy()
    before = known.interval_ma()
    twin.predict(dt_s=10.0)
    twin.update(intensity_ma=1.2, responded=False)
    assert known.interval_ma() == before
    assert twin.interval_ma() != before
    fresh = known.restarted(scale=0.2)
    assert not fresh.is_identified()


def test_single_miss_is_shared_by_bayes() -> None:
    # identity: the share of the stimulus after one miss is P(no firing) / P(miss) under the prior
    known = ThresholdFilter(SMALL, centre_ma=1.0)
    grid = known._grid
    prior = known._density.astype(float)
    fires = grid.firing(1.0).T[:, None]
    silent = (1.0 - fires) * (1.0 - SMALL.false_response) * prior
    known.update(intensity_ma=1.0, responded=False)
    blocked = grid.blocking[:, None] * (1.0 - SMALL.false_response)
    missed = silent.sum() + float(np.sum(fires * blocked * prior))
    assert known.stimulus_failure_probability() == pytest.approx(silent.sum() / missed, rel=1e-4)
    known.update(intensity_ma=1.0, responded=True)
    assert np.isnan(known.stimulus_failure_probability())


def test_retreat_is_the_adjoint_of_advance() -> None:
    # identity: <message, advance(density)> = <retreat(message), density>
    grid = ThresholdFilter(SMALL, centre_ma=1.0)._grid
    rng = np.random.default_rng(2)
    shape = (grid.spreads.size, grid.blocking.size, grid.n_theta)
    density, message = (rng.random(shape).astype(np.float32) for _ in range(2))
    for dt_s in (0.1, 2.0, 400.0, 1e5):
        forward = np.vdot(message.astype(float), grid.advance(density, dt_s).astype(float))
        backward = np.vdot(grid.retreat(message, dt_s).astype(float), density.astype(float))
        assert forward == pytest.approx(backward, rel=1e-5)
        forward = np.vdot(message.astype(float), grid.drift_blocking(density, dt_s, adjoint=False).astype(float))
        backward = np.vdot(grid.drift_blocking(message, dt_s, adjoint=True).astype(float), density.astype(float))
        assert forward == pytest.approx(backward, rel=1e-5)


def test_blocking_prior_does_not_drift() -> None:
    grid = ThresholdFilter(SMALL)._grid
    density = grid.prior(scale=None, prior_ma=None)
    assert np.allclose(grid.drift_blocking(density, 100.0, adjoint=False), density, rtol=1e-4)
    # 20.97 ± 18.53 % blocks in myasthenia (PUB Valls-Canals 2003)
    diseased = grid.blocking_prior.copy()
    diseased[0] -= SMALL.healthy_weight
    diseased /= diseased.sum()
    mean = diseased @ grid.blocking
    assert mean == pytest.approx(0.2097, abs=0.01)
    assert np.sqrt(diseased @ (grid.blocking - mean) ** 2) == pytest.approx(0.1853, abs=0.01)


def test_last_smoothed_state_is_the_filtered_one() -> None:
    # identity: with nothing after it, smoothing is filtering
    rng = np.random.default_rng(5)
    intensity = np.repeat(1.3 * 0.97 ** np.arange(16), 2)
    responded = (intensity > 1.0 + 0.02 * rng.standard_normal(intensity.size)).astype(np.int8)
    settings = ThresholdSettings(lowest_ma=intensity.min() / 3.0, highest_ma=intensity.max() * 3.0)
    trace = smoother(intensity, settings, interval_s=1.0).smooth(responded=responded)
    known = ThresholdFilter(settings, centre_ma=float(np.median(intensity)))
    for k, (i, r) in enumerate(zip(intensity, responded, strict=True)):
        if k:
            known.predict(dt_s=1.0)
        known.update(intensity_ma=float(i), responded=bool(r))
    assert trace.threshold_ma[-1] == pytest.approx(known.threshold_ma(), rel=1e-5)
    assert (trace.low_ma[-1], trace.high_ma[-1]) == pytest.approx(known.interval_ma(), rel=1e-4)
    assert trace.stimulus_failure[-1] == pytest.approx(known.stimulus_failure_probability(), rel=1e-4)


def test_order_of_time_does_not_matter_to_smoothing_of_a_reversible_walk() -> None:
    # identity: diffusion without jumps, from a flat prior, runs the same backwards
    settings = dataclasses.replace(SMALL, jump_rate_hz=0.0, prior_scale=1e4)
    intensity = np.repeat(1.2 * 0.97 ** np.arange(12), 2)
    responded = (intensity > 1.0).astype(np.int8)
    forth = smoother(intensity, settings, interval_s=1.0).smooth(responded=responded)
    back = smoother(intensity[::-1].copy(), settings, interval_s=1.0).smooth(responded=responded[::-1].copy())
    assert np.allclose(forth.threshold_ma, back.threshold_ma[::-1], rtol=1e-3)
    assert np.allclose(forth.low_ma, back.low_ma[::-1], rtol=1e-3)
    assert forth.log_evidence == pytest.approx(back.log_evidence, abs=1e-3)


def test_checkpoints_change_nothing() -> None:
    rng = np.random.default_rng(6)
    intensity = 1.0 + 0.05 * rng.standard_normal(60)
    responded = rng.integers(-1, 2, 60).astype(np.int8)
    whole = smoother(intensity).smooth(responded=responded)
    sparing = smoother(intensity, ThresholdSettings(memory_limit_bytes=1)).smooth(responded=responded)
    for name in ("kept", "lost", "threshold_ma", "stimulus_failure"):
        assert np.array_equal(getattr(whole, name), getattr(sparing, name), equal_nan=True)


def test_taking_close_stimuli_together_hardly_matters() -> None:
    rng = np.random.default_rng(9)
    intensity = np.repeat([1.0, 1.05, 1.1, 1.0], 25)
    responded = (intensity > 1.02 + 0.02 * rng.standard_normal(100)).astype(np.int8)
    coarse = smoother(intensity).smooth(responded=responded)
    fine = smoother(intensity, ThresholdSettings(block_s=0.01)).smooth(responded=responded)
    assert np.allclose(coarse.threshold_ma, fine.threshold_ma, rtol=2e-3)
    assert np.allclose(coarse.kept, fine.kept, atol=0.02)


def test_a_partner_that_responded_clears_the_stimulus() -> None:
    intensity = np.full(40, 1.0)
    responded = np.tile([1, 0], 20).astype(np.int8)
    partner = OtherFibres(np.ones(40, dtype=np.int8), np.full(40, 0.01))
    alone = smoother(intensity).smooth(responded=responded)
    joined = smoother(intensity).smooth(responded=responded, others=partner)
    assert np.nanmin(alone.stimulus_failure) > 0.05
    assert np.nanmax(joined.stimulus_failure) < 0.02
    partner = OtherFibres(responded, np.full(40, 0.01))
    assert np.nanmin(smoother(intensity).smooth(responded=responded, others=partner).stimulus_failure) > 0.95


def test_very_many_stimuli_at_once_do_not_underflow() -> None:
    intensity = np.full(400, 1.0)
    responded = np.tile([1, 0], 200).astype(np.int8)
    trace = smoother(intensity, interval_s=0.001).smooth(responded=responded)
    assert np.all(np.isfinite(trace.kept))
    assert np.isfinite(trace.log_evidence)


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"lowest_ma": 0.0}, "lowest_ma"),
        ({"step": 0.0}, "step"),
        ({"relative_spreads": (0.01,)}, "relative_spreads"),
        ({"healthy_weight": 1.0}, "healthy_weight"),
        ({"jump_local_share": 1.5}, "jump_local_share"),
        ({"jump_rate_hz": -1.0}, "jump_rate_hz"),
        ({"n_blocking": 2}, "n_blocking"),
        ({"identified_ratio": 1.0}, "identified_ratio"),
    ],
)
def test_settings_are_checked(change: dict[str, object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        dataclasses.replace(ThresholdSettings(), **change)  # type: ignore[arg-type]  # wrong on purpose


def test_bad_input_is_named() -> None:
    known = ThresholdFilter(SMALL)
    with pytest.raises(ValueError, match="intensity_ma"):
        known.update(intensity_ma=float("nan"), responded=True)
    with pytest.raises(ValueError, match="dt_s"):
        known.predict(dt_s=-1.0)
    with pytest.raises(ValueError, match="probability"):
        known.interval_ma(1.0)
    with pytest.raises(ValueError, match="prior_ma"):
        ThresholdFilter(SMALL, prior_ma=(1.0, 0.9))
    with pytest.raises(ValueError, match="outside the range"):
        ThresholdFilter(SMALL, prior_ma=(100.0, 110.0))
    with pytest.raises(ValueError, match="highest_threshold_ma"):
        known.zones(intensity_ma=1.0, highest_threshold_ma=float("nan"), spreads_above=2.0)
    with pytest.raises(ValueError, match="empty"):
        smoother(np.empty(0))
