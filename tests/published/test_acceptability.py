"""Which potentials are acceptable, by the published limits."""

from pathlib import Path

import numpy as np
import pytest

from acq.exchange.recordings import load_recording
from acq.offline import analyse, analyse_recording
from acq.records import FibreAnalysis, Origin
from tests.potentials import Noise, Potential, potentials, record

RECORDINGS = Path(__file__).parents[1] / "recordings"
NOISE_UV = 4.0


def _with_rise(low_us: float, high_us: float, electrode: str) -> Potential:
    return next(p for p in potentials() if p.electrode == electrode and low_us < p.rise_us < high_us)


def _analyse(potential: Potential, *, amplitude_uv: float, seed: int) -> FibreAnalysis:
    """One fibre whose potential has this amplitude from positive to negative peak."""
    rng = np.random.default_rng(seed)
    time_us = np.arange(-900.0, 1900.0, 1.0)
    wave = potential.at(time_us)
    trough = int(np.argmin(wave))
    whole = float(wave[trough - 500 : trough].max() - wave[trough])  # of a shape whose extremes differ by 1
    latency_us = 5000.0 + 15.0 * rng.standard_normal((150, 1))
    recorded = record(
        rng,
        fibres=[potential],
        latency_us=latency_us,
        snr=[amplitude_uv / whole / NOISE_UV],
        noise=Noise(electrode=potential.electrode),
        noise_uv=NOISE_UV,
    )
    result = analyse(
        recorded.sweeps_uv,
        sample_rate_hz=recorded.rate_hz,
        onset_sample=recorded.onset_index,
        intensity_ma=np.full(150, 5.0),
        onset_s=recorded.onset_s,
        electrode=potential.electrode,
    )
    (fibre,) = result.fibres
    assert fibre.amplitude_uv == pytest.approx(amplitude_uv, rel=0.03)
    return fibre


@pytest.mark.parametrize(("amplitude_uv", "acceptable"), [(230.0, True), (170.0, False)])
def test_single_fibre_electrode_above_200_uv(amplitude_uv: float, acceptable: bool) -> None:
    # Workshop abstract WS6.1 (PUB): amplitude > 200 µV, rise time < 300 µs, 500 Hz high-pass.
    fibre = _analyse(_with_rise(150.0, 250.0, "single_fibre"), amplitude_uv=amplitude_uv, seed=1)
    assert fibre.acceptable is acceptable
    assert any("below 200 µV" in r for r in fibre.reasons) is not acceptable


@pytest.mark.parametrize(("rise_us", "acceptable"), [((150.0, 270.0), True), ((320.0, 400.0), False)])
def test_rise_time_below_300_us(rise_us: tuple[float, float], acceptable: bool) -> None:
    # Workshop abstract WS6.1 (PUB).
    fibre = _analyse(_with_rise(*rise_us, "single_fibre"), amplitude_uv=600.0, seed=2)
    assert fibre.acceptable is acceptable
    assert any("rise time" in r and "must be below 300 µs" in r for r in fibre.reasons) is not acceptable


@pytest.mark.parametrize(("amplitude_uv", "acceptable"), [(60.0, True), (40.0, False)])
def test_concentric_needle_as_low_as_50_uv(amplitude_uv: float, acceptable: bool) -> None:
    # Workshop abstract WS6.3 (PUB): 1 kHz high-pass, as low as 50 µV if the rise time is below 300 µs.
    fibre = _analyse(_with_rise(200.0, 290.0, "concentric"), amplitude_uv=amplitude_uv, seed=3)
    assert fibre.acceptable is acceptable
    assert any("below 50 µV" in r for r in fibre.reasons) is not acceptable


@pytest.mark.parametrize(("apart_us", "words"), [(60.0, ("rising phases not parallel", "shape not constant"))])
def test_rising_phases_are_parallel(apart_us: float, words: tuple[str, ...]) -> None:
    # Sanders DB et al. Muscle Nerve 2022;66:118 (PUB): rising phases of superimposed sweeps are parallel.
    # WS6.3 (PUB): no notch or shoulder.
    rng = np.random.default_rng(22)
    potential = _with_rise(200.0, 290.0, "concentric")
    jitter_us = np.array([15.0, 30.0]) / 1.128
    latency_us = 5000.0 + np.array([0.0, apart_us]) + jitter_us * rng.standard_normal((150, 2))
    recorded = record(rng, fibres=[potential] * 2, latency_us=latency_us, snr=[30.0, 25.0])
    result = analyse(
        recorded.sweeps_uv,
        sample_rate_hz=recorded.rate_hz,
        onset_sample=recorded.onset_index,
        intensity_ma=np.full(150, 5.0),
        onset_s=recorded.onset_s,
        electrode="concentric",
    )
    assert result.fibres
    assert not any(fibre.acceptable for fibre in result.fibres)
    told = [reason for fibre in result.fibres for reason in fibre.reasons]
    assert any(
        reason.startswith((*words, "notch", "shoulder")) or "from another potential" in reason for reason in told
    )


@pytest.mark.parametrize("name", ["A1", "B1", "C1", "E1", "G1", "L3"])
def test_recorded_single_fibres_are_acceptable(name: str) -> None:
    # By the truth of these files: one fibre above 200 µV that rises in less than 300 µs.
    (fibre,) = analyse_recording(load_recording(RECORDINGS / f"{name}.npz")).fibres
    assert fibre.acceptable


def test_direct_stimulation_is_told() -> None:
    # MCD < 5 µs: direct stimulation of the muscle fibre (PUB, criterion in Front Neurol 2023,
    # 10.3389/fneur.2023.1118510), with a time resolution better than 2 µs (PUB, Trontelj 1986, JNNP 49:677).
    (fibre,) = analyse_recording(load_recording(RECORDINGS / "I1.npz")).fibres
    assert fibre.origin is Origin.DIRECT_MUSCLE
    assert fibre.mcd_interval_us[1] < 5.0
    assert fibre.mcd_noise_us < 2.0
    assert not fibre.acceptable
