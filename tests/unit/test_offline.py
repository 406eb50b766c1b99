"""The public analysis: what it refuses, and that its result keeps its own rules."""

from pathlib import Path

import numpy as np
import pytest

from acq.exchange.recordings import load_recording
from acq.guard.margin import MarginRule
from acq.offline import RecordingSettings, analyse, analyse_recording
from acq.records import GuardVerdict, MissingReason, Origin

RECORDINGS = Path(__file__).parents[1] / "recordings"


def arguments(n: int = 20, m: int = 1100) -> dict[str, object]:
    rng = np.random.default_rng(0)
    return {
        "sweeps_uv": rng.normal(0.0, 5.0, (n, m)),
        "sample_rate_hz": 50_000.0,
        "onset_sample": 100,
        "intensity_ma": np.full(n, 1.5),
        "onset_s": np.arange(n) / 10.0,
    }


def run(**changed: object):
    given = arguments() | changed
    return analyse(given.pop("sweeps_uv"), **given)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"sweeps_uv": np.full((20, 1100), np.nan)}, "sweeps_uv must be finite"),
        ({"sweeps_uv": np.zeros(1100)}, "shape"),
        ({"intensity_ma": np.full(20, -1.0)}, "intensity_ma must be above 0"),
        ({"intensity_ma": np.full(19, 1.0)}, "intensity_ma"),
        ({"onset_s": np.zeros(20)}, "onset_s must increase"),
        ({"onset_s": np.full(20, np.inf)}, "onset_s must be finite"),
        ({"onset_sample": 5000}, "onset_sample"),
        ({"sample_rate_hz": 0.0}, "sample_rate_hz"),
        ({"electrode": "macro"}, "electrode"),
        ({"testing": np.zeros(3, dtype=bool)}, "testing"),
    ],
)
def test_bad_input_is_named(changed: dict[str, object], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        run(**changed)


def test_no_sweeps_and_noise_alone_give_no_fibres() -> None:
    assert run(sweeps_uv=np.empty((0, 1100)), intensity_ma=np.empty(0), onset_s=np.empty(0)).fibres == ()
    noise = run()
    assert noise.fibres == ()
    assert "no fibre found" in noise.reasons


@pytest.fixture(scope="module")
def at_threshold_then_above():
    return analyse_recording(load_recording(RECORDINGS / "C1.npz"))


def test_same_input_gives_the_same_bits(at_threshold_then_above) -> None:
    again = analyse_recording(load_recording(RECORDINGS / "C1.npz"))
    for one, other in zip(at_threshold_then_above.fibres, again.fibres, strict=True):
        assert np.array_equal(one.latency_us, other.latency_us, equal_nan=True)
        assert one.mcd_us == other.mcd_us
        assert np.array_equal(one.verdict, other.verdict)


def test_only_assured_responses_are_admitted(at_threshold_then_above) -> None:
    for fibre in at_threshold_then_above.fibres:
        assert np.all(fibre.verdict[fibre.admitted] == GuardVerdict.ASSURED)
        assert np.all(np.isfinite(fibre.latency_us[fibre.admitted]))
        responded = np.isfinite(fibre.latency_us)
        assert np.array_equal(fibre.missing == MissingReason.RESPONDED, responded)
        assert fibre.n_pairs <= fibre.admitted.sum() - 1
        assert fibre.mcd_interval_us[0] <= fibre.mcd_us <= fibre.mcd_interval_us[1]


def test_untested_margin_is_said_and_not_admitted() -> None:
    result = analyse_recording(load_recording(RECORDINGS / "A1.npz"))
    fibre = result.fibres[0]
    assert not fibre.admitted.any()
    assert "margin untested" in fibre.reasons
    assert fibre.threshold_ma is None
    assert np.isfinite(fibre.mcd_us)


def test_a_known_threshold_makes_the_margin_known() -> None:
    recording = load_recording(RECORDINGS / "A1.npz").from_start()
    result = analyse(
        recording.sweeps_uv,
        sample_rate_hz=recording.sample_rate_hz,
        onset_sample=recording.onset_index,
        intensity_ma=recording.intensity_ma,
        onset_s=recording.onset_s,
        known_threshold_ma=[(1.25, 1.33)],
    )
    assert result.fibres[0].admitted.mean() > 0.9


def test_a_margin_that_cannot_be_kept_admits_nothing() -> None:
    recording = load_recording(RECORDINGS / "C1.npz")
    strict = analyse_recording(recording, settings=RecordingSettings(margin=MarginRule(relative=0.6)))
    fibre = strict.fibres[0]
    assert not fibre.admitted.any()
    # It was tested, and found wanting: that is not the same as untested.
    assert "margin untested" not in fibre.reasons
    assert "nothing admitted: the margin was not kept" in fibre.reasons
    assert np.isnan(fibre.mcd_us)


def test_testing_sweeps_never_count() -> None:
    recording = load_recording(RECORDINGS / "C1.npz").from_start()
    testing = np.zeros(recording.n_sweeps, dtype=bool)
    testing[200:] = True
    result = analyse(
        recording.sweeps_uv,
        sample_rate_hz=recording.sample_rate_hz,
        onset_sample=recording.onset_index,
        intensity_ma=recording.intensity_ma,
        onset_s=recording.onset_s,
        testing=testing,
    )
    assert not result.fibres[0].admitted[200:].any()


def test_damaged_and_held_sweeps_are_rejected() -> None:
    recording = load_recording(RECORDINGS / "A1.npz").from_start()
    sweeps_uv = recording.sweeps_uv.copy()
    sweeps_uv[10, 400:440] = sweeps_uv[10, 400]
    sweeps_uv[20, 400:] = np.roll(sweeps_uv[20, 400:], 5)
    sweeps_uv[30] = np.roll(sweeps_uv[30], 2)  # the whole sweep, artefact and all: the trigger moved
    damaged = np.zeros(recording.n_sweeps, dtype=bool)
    damaged[40] = True
    result = analyse(
        sweeps_uv,
        sample_rate_hz=recording.sample_rate_hz,
        onset_sample=recording.onset_index,
        intensity_ma=recording.intensity_ma,
        onset_s=recording.onset_s,
        damaged=damaged,
    )
    assert np.flatnonzero(result.rejected).tolist() == [10, 30, 40]
    assert set(result.fibres[0].missing[result.rejected]) == {MissingReason.REJECTED}


@pytest.mark.parametrize(
    ("name", "origin", "acceptable"), [("A1", Origin.ENDPLATE, True), ("I1", Origin.DIRECT_MUSCLE, False)]
)
def test_origin(name: str, origin: Origin, acceptable: bool) -> None:
    # MCD below 5 µs: direct stimulation of the muscle fibre (PUB, criterion in 10.3389/fneur.2023.1118510).
    fibre = analyse_recording(load_recording(RECORDINGS / f"{name}.npz")).fibres[0]
    assert fibre.origin == origin
    assert fibre.acceptable is acceptable


def test_a_late_response_that_does_not_follow_the_rate_is_a_reflex() -> None:
    # A blink reflex does not follow beyond about 5 Hz (common practice).
    fibres = analyse_recording(load_recording(RECORDINGS / "J1.npz")).fibres
    assert [fibre.origin for fibre in fibres] == [Origin.ENDPLATE, Origin.BLINK_REFLEX]
    late = fibres[1]
    assert not late.acceptable
    assert late.threshold_ma is None
    assert MissingReason.STIMULUS not in set(late.missing)


def test_a_step_of_the_latencies_with_more_jitter_is_no_longer_believed() -> None:
    result = analyse_recording(load_recording(RECORDINGS / "F1.npz"))
    for fibre in result.fibres:
        assert np.all(fibre.verdict[175:] == GuardVerdict.THIN)
        assert np.all(fibre.verdict[:165] == GuardVerdict.UNTESTED)
    assert any("latency rose" in reason for reason in result.reasons)


def test_a_slow_trend_is_drift_and_not_doubted() -> None:
    result = analyse_recording(load_recording(RECORDINGS / "G1.npz"))
    assert not any("latency rose" in reason for reason in result.reasons)
    assert abs(result.fibres[0].drift_us) == pytest.approx(300.0, rel=0.2)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_trigger_offsets_are_taken_out_whichever_way_they_are_given(sign: float) -> None:
    # Every sweep is delayed by up to 40 µs: whole samples, so that nothing is interpolated.
    recording = load_recording(RECORDINGS / "A1.npz").from_start()
    delay = np.random.default_rng(4).integers(-2, 3, recording.n_sweeps)
    sweeps_uv = np.stack([np.roll(sweep, by) for sweep, by in zip(recording.sweeps_uv, delay, strict=True)])
    given = {
        "sample_rate_hz": recording.sample_rate_hz,
        "onset_sample": recording.onset_index,
        "intensity_ma": recording.intensity_ma,
        "onset_s": recording.onset_s,
    }
    plain = analyse(recording.sweeps_uv, **given).fibres[0]
    shaken = analyse(sweeps_uv, **given, onset_offset_us=sign * 20.0 * delay)
    assert shaken.fibres[0].mcd_us == pytest.approx(plain.mcd_us, rel=0.03)
    assert any("opposite sign" in reason for reason in shaken.reasons) is (sign < 0)


def test_clipped_sweeps_are_rejected() -> None:
    recording = load_recording(RECORDINGS / "A1.npz").from_start()
    sweeps_uv = recording.sweeps_uv.copy()
    sweeps_uv[::10] = np.clip(sweeps_uv[::10], -600.0, 600.0)  # the potential reaches −940 µV
    result = analyse(
        sweeps_uv,
        sample_rate_hz=recording.sample_rate_hz,
        onset_sample=recording.onset_index,
        intensity_ma=recording.intensity_ma,
        onset_s=recording.onset_s,
        full_scale_uv=recording.full_scale_uv,
    )
    assert np.flatnonzero(result.rejected).tolist() == list(range(0, recording.n_sweeps, 10))


def test_an_upside_down_recording_gives_the_same() -> None:
    recording = load_recording(RECORDINGS / "D1.npz").from_start()
    given = {
        "sample_rate_hz": recording.sample_rate_hz,
        "onset_sample": recording.onset_index,
        "intensity_ma": recording.intensity_ma,
        "onset_s": recording.onset_s,
    }
    upright, turned = (analyse(sign * recording.sweeps_uv, **given) for sign in (1.0, -1.0))
    assert len(upright.fibres) == len(turned.fibres)
    for one, other in zip(upright.fibres, turned.fibres, strict=True):
        assert other.mcd_us == pytest.approx(one.mcd_us, rel=1e-6)
        assert other.rise_time_us == pytest.approx(one.rise_time_us)
