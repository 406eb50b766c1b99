"""The live guard of several fibres: verdicts, partners, and what the latencies add."""

import numpy as np
import pytest

from acq.guard.axons import AxonWatch, FibreOutcome
from acq.guard.margin import MarginRule
from acq.guard.watch import WatchState
from acq.records import GuardVerdict

WARNINGS = (GuardVerdict.THIN, GuardVerdict.LOST)


def run(
    seed: int,
    *,
    thresholds_ma: list[float],
    axon: list[int],
    blocking: list[float],
    intensity_ma: list[float],
    working_ma: float,
    with_latency: bool = False,
) -> tuple[AxonWatch, list[dict[int, WatchState]]]:
    """Fibres with one threshold each (those of an axon must have the same) over a list of intensities at 10 Hz."""
    rng = np.random.default_rng(seed)
    guard = AxonWatch(rule=MarginRule(relative=0.2))
    states = []
    for k, intensity in enumerate(intensity_ma):
        z = rng.standard_normal(max(axon) + 1)
        outcomes = {}
        for fibre, (threshold, own) in enumerate(zip(thresholds_ma, axon, strict=True)):
            trial = threshold * (1.0 + 0.02 * z[own])
            responded = bool(intensity > trial and rng.random() >= blocking[fibre])
            latency = float("nan")
            if responded and with_latency:
                ratio = intensity / trial
                latency = 3000.0 + 33.0 * float(np.log(ratio / (ratio - 0.99))) + 10.0 * float(rng.standard_normal())
            outcomes[fibre] = FibreOutcome(responded, latency)
        states.append(
            guard.observe(
                pulse_intensity_ma=intensity, onset_s=k / 10.0, outcomes=outcomes, working_intensity_ma=working_ma
            )
        )
    return guard, states


def scan_then(working_ma: float, n: int, every: int = 20) -> list[float]:
    scan = [working_ma * 0.97**k for k in range(16) for _ in range(2)]
    return [*scan, *reversed(scan), *(working_ma / 1.2 if k % every == every - 1 else working_ma for k in range(n))]


def test_each_fibre_has_the_verdict_of_its_own_threshold() -> None:
    _, states = run(
        1,
        thresholds_ma=[1.0, 1.5],
        axon=[0, 1],
        blocking=[0.0, 0.0],
        intensity_ma=scan_then(1.6, 100),
        working_ma=1.6,
    )
    assert states[-1][0].verdict is GuardVerdict.ASSURED
    assert states[-1][1].verdict in WARNINGS
    assert states[-1][1].threshold_ma == pytest.approx(1.5, rel=0.03)


def test_a_scan_tells_who_shares_an_axon() -> None:
    for seed in range(3):
        guard, _ = run(
            seed,
            thresholds_ma=[1.0, 1.0, 1.2, 1.2],
            axon=[0, 0, 1, 1],
            blocking=[0.0, 0.2, 0.0, 0.1],
            intensity_ma=scan_then(1.5, 20),
            working_ma=1.5,
        )
        assert guard.same_axon(0, 1) > 0.9
        assert guard.same_axon(2, 3) > 0.9
        assert guard.same_axon(0, 2) < 0.05
        assert guard.axons(range(4)) == ((0, 1), (2, 3))


def test_a_partner_that_answers_clears_the_stimulus() -> None:
    """Concomitant failure points at the stimulus, failing alone at the endplate (PUB JNNP 1972;35:52)."""
    guard, states = run(
        4,
        thresholds_ma=[1.0, 1.0],
        axon=[0, 0],
        blocking=[0.3, 0.0],
        intensity_ma=scan_then(1.3, 60),
        working_ma=1.3,
    )
    assert guard.same_axon(0, 1) > 0.95
    failures = [state[0].stimulus_failure for state in states[64:] if not np.isnan(state[0].stimulus_failure)]
    assert len(failures) > 5
    assert max(failures) < 0.05


def test_latencies_raise_the_suspicion_before_a_response_is_missing() -> None:
    before, after = scan_then(1.3, 60, every=10), [1.3] * 4

    def suspicion(*, with_latency: bool) -> float:
        """P(margin not kept) after four answered stimuli at 1.04 θ."""
        rng = np.random.default_rng(7)
        guard = AxonWatch(rule=MarginRule(relative=0.1))
        state = None
        for k, intensity in enumerate(before + after):
            threshold = 1.0 if k < len(before) else 1.25
            ratio = intensity / threshold
            responded = ratio > 1.0 + 0.01 * rng.standard_normal()
            latency = 3000.0 + 33.0 * float(np.log(ratio / max(ratio - 0.99, 0.01))) + 10.0 * rng.standard_normal()
            state = guard.observe(
                pulse_intensity_ma=intensity,
                onset_s=k / 10.0,
                outcomes={0: FibreOutcome(responded, latency if responded and with_latency else float("nan"))},
                working_intensity_ma=1.3,
            )[0]
        assert state is not None
        return state.probability_not_kept

    assert suspicion(with_latency=True) > 10.0 * suspicion(with_latency=False)


def test_an_unusable_sweep_changes_nothing_but_time() -> None:
    guard, states = run(
        2, thresholds_ma=[1.0], axon=[0], blocking=[0.0], intensity_ma=scan_then(1.4, 40), working_ma=1.4
    )
    state = guard.observe(
        pulse_intensity_ma=1.4,
        onset_s=len(states) / 10.0,
        outcomes={0: FibreOutcome(None)},
        working_intensity_ma=1.4,
    )[0]
    assert state.threshold_ma == pytest.approx(states[-1][0].threshold_ma or 0.0, rel=0.01)
    assert np.isnan(state.stimulus_failure)


def test_proof_is_an_answer_without_the_margin() -> None:
    _, states = run(
        2, thresholds_ma=[1.0], axon=[0], blocking=[0.0], intensity_ma=[1.4] * 5 + [1.16] + [1.4] * 9, working_ma=1.4
    )
    assert states[4][0].since_proof_s is None
    assert "never tested" in states[4][0].sentence
    assert states[5][0].since_proof_s == 0.0
    assert states[14][0].since_proof_s == pytest.approx(0.9)


def test_without_tests_the_verdict_decays_and_says_since_when() -> None:
    guard, states = run(
        3, thresholds_ma=[1.0], axon=[0], blocking=[0.0], intensity_ma=scan_then(1.25, 40), working_ma=1.25
    )
    assert states[-1][0].verdict is GuardVerdict.ASSURED
    begun_s = len(states) / 10.0
    for k in range(2400):
        state = guard.observe(
            pulse_intensity_ma=1.25,
            onset_s=begun_s + k / 10.0,
            outcomes={0: FibreOutcome(True)},
            working_intensity_ma=1.25,
        )[0]
        if state.verdict is GuardVerdict.UNTESTED:
            break
    assert state.verdict is GuardVerdict.UNTESTED
    assert f"last proved {state.since_proof_s:.0f} s ago" in state.sentence
