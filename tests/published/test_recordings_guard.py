"""What the guard makes of recordings of an independent generator: thresholds, losses, causes, axons.

The truth of each recording comes with it: threshold of each axon, whether it fired, whether the endplate blocked.
"""

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from acq.exchange.recordings import Recording, Truth, load_recording, load_truth
from acq.guard.axons import AxonWatch, FibreOutcome
from acq.guard.margin import MarginRule
from acq.offline import analyse_recording
from acq.records import GuardVerdict, MissingReason, RecordingAnalysis

RECORDINGS = Path(__file__).parents[1] / "recordings"
WARNINGS = (GuardVerdict.THIN, GuardVerdict.LOST)


@cache
def analysed(name: str) -> tuple[Recording, Truth, RecordingAnalysis]:
    path = RECORDINGS / f"{name}.npz"
    recording, truth = load_recording(path), load_truth(path)
    assert truth is not None
    return recording, truth, analyse_recording(recording)


def ratio(name: str) -> np.ndarray:
    """Current over threshold, (n, A)."""
    recording, truth, _ = analysed(name)
    return np.asarray(recording.intensity_ma[:, None] / truth.theta_ma)


def axon_of(name: str, fibre: int) -> int:
    """Fibres are found in the order of their latency, and so are those of the truth."""
    _, truth, analysis = analysed(name)
    assert truth.latency_us.shape[1] == len(analysis.fibres)
    order = np.argsort(np.nanmedian(truth.latency_us, axis=0))
    return int(truth.fibre_axon[order[fibre]])


@pytest.mark.parametrize("name", ["C1", "D1", "F1"])
def test_nothing_is_admitted_at_threshold(name: str) -> None:
    _, _, analysis = analysed(name)
    for number, fibre in enumerate(analysis.fibres):
        at_threshold = ratio(name)[:, axon_of(name, number)] < 1.05
        assert at_threshold.any()
        assert not fibre.admitted[at_threshold].any()
        assert not np.any(fibre.verdict[at_threshold] == GuardVerdict.ASSURED)


@pytest.mark.parametrize("name", ["C1", "D1"])
def test_thresholds_are_within_three_percent(name: str) -> None:
    _, truth, analysis = analysed(name)
    for number, fibre in enumerate(analysis.fibres):
        true = float(truth.theta_ma[0, axon_of(name, number)])
        assert fibre.threshold_ma == pytest.approx(true, rel=0.03)
        assert fibre.threshold_interval_ma is not None
        low, high = fibre.threshold_interval_ma
        assert low <= true <= high


def test_a_slipped_electrode_is_noticed_although_every_response_is_there() -> None:
    # The threshold rises by 40 % in the middle, to 1.036 of the current: no response is missing, none is admitted.
    _, truth, analysis = analysed("F1")
    slipped = int(np.argmax(np.diff(truth.theta_ma[:, 0]) > 0)) + 1
    for fibre in analysis.fibres:
        assert np.isfinite(fibre.latency_us).all()
        noticed = slipped + int(np.argmax(np.isin(fibre.verdict[slipped:], WARNINGS)))
        assert fibre.verdict[noticed] in WARNINGS
        assert noticed - slipped <= 10
        assert not np.isin(fibre.verdict[:slipped], WARNINGS).any()


def test_endplate_blocks_are_not_blamed_on_the_stimulus() -> None:
    _, truth, analysis = analysed("B1")
    fibre = analysis.fibres[0]
    blocked = truth.blocked[:, 0]
    assert blocked.sum() >= 15
    assert np.mean(fibre.missing[blocked] != MissingReason.STIMULUS) >= 0.95
    assert np.nanmean(fibre.stimulus_failure_probability[blocked]) < 0.5


def test_fibres_are_put_on_their_axons() -> None:
    _, _, analysis = analysed("D1")
    for one, fibre in enumerate(analysis.fibres):
        for other in range(len(analysis.fibres)):
            same = axon_of("D1", one) == axon_of("D1", other)
            assert (fibre.same_axon[other] > 0.95) == same
            assert (fibre.same_axon[other] < 0.05) == (not same)
        # A scan makes the fibres of an axon fail together (PUB J Neurol Neurosurg Psychiatry 1972;35:52).
        assert fibre.concomitant_misses > 2 * fibre.concomitant_expected or fibre.concomitant_misses > 200


def test_three_causes_make_one() -> None:
    for name in ("B1", "C1", "D1"):
        for fibre in analysed(name)[2].fibres:
            total = fibre.stimulus_failure_probability + fibre.endplate_block_probability + fibre.overlooked_probability
            missing = np.isfinite(total)
            assert missing.any()
            assert np.allclose(total[missing], 1.0)
            assert set(fibre.missing[~missing]) <= {MissingReason.RESPONDED, MissingReason.REJECTED}


def test_live_no_stimulus_at_threshold_is_called_assured() -> None:
    """The same stimuli in turn, as a live study takes them, each judged at its own intensity."""
    for name in ("C1", "D1", "F1"):
        recording, _, analysis = analysed(name)
        guard = AxonWatch(rule=MarginRule())
        for k in range(analysis.n_sweeps):
            states = guard.observe(
                pulse_intensity_ma=float(recording.intensity_ma[k]),
                onset_s=float(recording.onset_s[k]),
                outcomes={
                    number: FibreOutcome(
                        None if analysis.rejected[k] else bool(np.isfinite(fibre.latency_us[k])), fibre.latency_us[k]
                    )
                    for number, fibre in enumerate(analysis.fibres)
                },
                working_intensity_ma=float(recording.intensity_ma[k]),
            )
            for number, state in states.items():
                if ratio(name)[k, axon_of(name, number)] < 1.05:
                    assert state.verdict is not GuardVerdict.ASSURED
