"""Known potentials in one sweep or in many: presence, timing, and one result whichever way the sweeps come."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from acq.analysis.matching import KnownPotentials, know_potentials, match
from acq.analysis.settings import AnalysisSettings
from acq.analysis.streaming import FitWork, StreamingAnalyser, fit_here
from acq.analysis.waveforms import Waveforms, measure_waveforms
from tests.potentials import Recorded, potentials, record

SETTINGS = AnalysisSettings()


def latencies(rng: np.random.Generator, n: int, at_us: list[float], *, absent: float = 0.0) -> np.ndarray:
    latency_us = np.asarray(at_us) + 15.0 * rng.standard_normal((n, len(at_us)))
    latency_us[rng.random(latency_us.shape) < absent] = np.nan
    return latency_us


def recorded(seed: int, n: int, at_us: list[float], snr: list[float], *, absent: float = 0.0) -> Recorded:
    rng = np.random.default_rng(seed)
    chosen = [potentials()[which] for which in (0, 2, 13, 8, 25)[: len(at_us)]]
    return record(rng, fibres=chosen, latency_us=latencies(rng, n, at_us, absent=absent), snr=snr, amplitude_sd=0.05)


def learnt(from_: Recorded) -> tuple[Waveforms, tuple[KnownPotentials, ...]]:
    found = measure_waveforms(
        from_.sweeps_uv, onset_index=from_.onset_index, sample_rate_hz=from_.rate_hz, settings=SETTINGS
    )
    return found, found.known


@pytest.mark.parametrize("at_us", [[5000.0], [4000.0, 4500.0], [4000.0, 5600.0, 9500.0]])
def test_one_at_a_time_is_the_same_as_all_at_once(at_us: list[float]) -> None:
    known = learnt(recorded(1, 100, at_us, [30.0] * len(at_us), absent=0.2))[1]
    fresh = recorded(2, 300, at_us, [30.0] * len(at_us), absent=0.2).sweeps_uv
    for group in known:
        together = match(fresh, group)
        for row in range(0, 300, 7):
            alone = match(fresh[row : row + 1], group)
            assert np.array_equal(alone.present[0], together.present[row])
            # Rounding of products of different sizes; the latencies themselves are good to 0.1 µs at best.
            assert np.allclose(alone.delay_us[0], together.delay_us[row], rtol=0.0, atol=1e-6, equal_nan=True)


def test_the_usual_places_move_with_the_latencies() -> None:
    """Also of the earliest response, which lies half way between two places of the grid."""
    data = recorded(9, 60, [5000.0], [30.0])
    found, (known,) = learnt(data)
    (fit,) = found.fits
    assert found.noise is not None
    for moved_us in np.random.default_rng(1).uniform(-300.0, 300.0, 40):
        moved = know_potentials(replace(fit, delay_us=fit.delay_us + moved_us), found.noise)
        np.testing.assert_array_equal(moved.log_prior[0], known.log_prior[0])


def test_the_stream_after_its_last_fit_is_the_batch_with_the_same_templates() -> None:
    data = recorded(3, 230, [4000.0, 5200.0], [25.0, 30.0], absent=0.1)
    stream = StreamingAnalyser(onset_index=data.onset_index, sample_rate_hz=data.rate_hz, settings=SETTINGS)
    fitted_with = 0
    for sweep in data.sweeps_uv:
        revision = stream.add(sweep).revision
        if revision is not None:
            fitted_with = revision.n_sweeps
    assert stream.revision is not None
    assert stream.revision.is_settled
    found, known = learnt(
        Recorded(data.sweeps_uv[:fitted_with], data.latency_us, data.bound_us, data.onset_index, data.rate_hz, 10.0)
    )
    whole = [match(data.sweeps_uv, group) for group in known]
    for fibre, history in zip(found.fibres, stream.history(), strict=True):
        segment = known[fibre.group].segment
        position = segment.middle + (whole[fibre.group].delay_us[:, fibre.column] + fibre.reference_us) * 0.05
        latency_us = (position - data.onset_index) * 20.0
        assert np.allclose(history.latency_us, latency_us, rtol=0.0, atol=1e-6, equal_nan=True)


def test_earlier_sweeps_are_measured_again_and_it_is_said() -> None:
    data = recorded(4, 110, [5000.0], [12.0])
    stream = StreamingAnalyser(onset_index=data.onset_index, sample_rate_hz=data.rate_hz, settings=SETTINGS)
    first_us = np.array([])
    revisions = []
    for count, sweep in enumerate(data.sweeps_uv, start=1):
        finding = stream.add(sweep)
        if finding.revision is not None:
            revisions.append(finding.revision)
        if count == 24:
            first_us = stream.history()[0].latency_us
    later_us = stream.history()[0].latency_us[:24]
    assert [one.n_sweeps for one in revisions] == [6, 12, 24, 48, 96]
    assert not revisions[0].is_settled
    assert revisions[-1].is_settled
    assert not np.array_equal(first_us, later_us)
    truth_us = data.latency_us[:24, 0]
    assert np.std(later_us - truth_us) <= 1.05 * np.std(first_us - truth_us)


@pytest.mark.parametrize("n_sweeps", [56, 300, 320])
def test_templates_made_elsewhere_give_the_same_to_the_last_bit(n_sweeps: int) -> None:
    """Whoever makes them and whenever they are done: they are taken a fixed number of sweeps later."""
    data = recorded(5, n_sweeps, [4000.0, 5200.0], [25.0, 30.0], absent=0.1)
    streams = [
        StreamingAnalyser(onset_index=data.onset_index, sample_rate_hz=data.rate_hz, settings=SETTINGS, fit=fit)
        for fit in (fit_here, lambda work: work.run)  # at once, and only when the result is wanted
    ]
    for count, sweep in enumerate(data.sweeps_uv):
        if count == 290:  # also when one is asked for while another is being made
            for stream in streams:
                stream.fit_next()
        one, other = (stream.add(sweep) for stream in streams)
        assert repr(one) == repr(other)
    for one, other in zip(streams[0].history(), streams[1].history(), strict=True):
        assert np.array_equal(one.latency_us, other.latency_us, equal_nan=True)


def test_a_large_fit_is_taken_eight_sweeps_later_and_measures_those_again() -> None:
    data = recorded(6, 120, [5000.0], [12.0])
    begun: list[int] = []
    count = 0

    def fit(work: FitWork) -> Callable[[], Waveforms]:
        begun.append(count)
        return fit_here(work)

    stream = StreamingAnalyser(onset_index=data.onset_index, sample_rate_hz=data.rate_hz, settings=SETTINGS, fit=fit)
    taken = []
    for count, sweep in enumerate(data.sweeps_uv, start=1):
        if stream.add(sweep).refreshed:
            taken.append(count)
    assert begun == [6, 12, 24, 48, 96]
    assert taken == [6, 12, 24, 56, 104]
    stream.fit_next()
    assert stream.add(data.sweeps_uv[0]).refreshed  # asked for: at once
    assert begun[-1] == 120


@pytest.mark.parametrize(("rate_hz", "taken"), [(20.0, 96 + 20), (10.0, 96 + 10), (2.0, 96 + 2)])
def test_with_times_told_a_large_fit_is_taken_a_second_later(rate_hz: float, taken: int) -> None:
    data = recorded(7, 130, [5000.0], [12.0])
    stream = StreamingAnalyser(onset_index=data.onset_index, sample_rate_hz=data.rate_hz, settings=SETTINGS)
    counts = [
        count
        for count, sweep in enumerate(data.sweeps_uv, start=1)
        if stream.add(sweep, onset_s=count / rate_hz).refreshed
    ]
    assert counts[-1] == taken


def weakened(group: KnownPotentials, factor: float) -> KnownPotentials:
    """The same potentials at a fraction of their size: learnt well, looked for where they are weak."""
    return replace(
        group,
        template=group.template * factor,
        steer=tuple(steer * factor for steer in group.steer),
        energy=group.energy * factor**2,
    )


@pytest.mark.parametrize("which", [0, 3, 5])
def test_presence_at_five_times_the_noise(which: int) -> None:
    # Target: at most 0.5 % of the decisions wrong at a peak to peak of five times the noise. 3000 sweeps, half of them
    # empty: 15 wrong ones expected at most, 25 at 2.5 SD.
    rng = np.random.default_rng(which)
    potential = potentials()[which]
    learning = record(rng, fibres=[potential], latency_us=latencies(rng, 200, [5000.0]), snr=[20.0])
    latency_us = latencies(rng, 3000, [5000.0], absent=0.5)
    fresh = record(rng, fibres=[potential], latency_us=latency_us, snr=[5.0])
    found = match(fresh.sweeps_uv, weakened(learnt(learning)[1][0], 5.0 / 20.0))
    wrong = int(np.sum(found.present[:, 0] != np.isfinite(latency_us[:, 0])))
    assert wrong <= 25


def test_odds_mean_what_they_say() -> None:
    # Calibration: of the sweeps with log odds about x, a share 1 / (1 + exp(−x)) holds the potential.
    rng = np.random.default_rng(8)
    potential = potentials()[0]
    learning = record(rng, fibres=[potential], latency_us=latencies(rng, 300, [5000.0]), snr=[20.0], amplitude_sd=0.1)
    latency_us = latencies(rng, 9000, [5000.0], absent=0.5)
    fresh = record(rng, fibres=[potential], latency_us=latency_us, snr=[4.0], amplitude_sd=0.1)
    odds = match(fresh.sweeps_uv, weakened(learnt(learning)[1][0], 4.0 / 20.0)).log_odds[:, 0]
    there = np.isfinite(latency_us[:, 0])
    for low, high in ((-3.0, -1.0), (-1.0, 1.0), (1.0, 3.0)):
        inside = (odds >= low) & (odds < high)
        expected = float(np.mean(1.0 / (1.0 + np.exp(-odds[inside]))))
        assert inside.sum() > 100  # 0.1 is 2 SD of a share of so many
        assert there[inside].mean() == pytest.approx(expected, abs=0.1)


def test_a_lone_neighbour_is_not_taken_for_the_other() -> None:
    # Two potentials of one size 400 µs apart, each often missing: who answered is told by place and shape.
    data = recorded(11, 300, [4000.0, 4400.0], [30.0, 30.0], absent=0.25)
    found, _ = learnt(data)
    assert len(found.fibres) == 2
    for fibre, truth_us in zip(found.fibres, data.latency_us.T, strict=True):
        assert int(np.sum(np.isfinite(fibre.position) != np.isfinite(truth_us))) <= 3


def test_a_fibre_that_was_silent_for_long_keeps_its_identity() -> None:
    # As below its threshold during a scan: longer than the stream remembers sweeps.
    data = recorded(12, 700, [4000.0, 6500.0], [30.0, 30.0])
    silent = data.latency_us.copy()
    silent[60:560, 1] = np.nan
    chosen = [potentials()[0], potentials()[2]]
    sweeps = record(np.random.default_rng(13), fibres=chosen, latency_us=silent, snr=[30.0, 30.0]).sweeps_uv
    stream = StreamingAnalyser(onset_index=data.onset_index, sample_rate_hz=data.rate_hz, settings=SETTINGS)
    seen: dict[int, set[int]] = {}
    for count, sweep in enumerate(sweeps):
        seen[count] = {fibre for fibre, at_us in stream.add(sweep).latency_us.items() if np.isfinite(at_us)}
    assert seen[50] == {1, 2}
    assert seen[400] == {1}
    assert seen[690] == {1, 2}
