import numpy as np
import pytest

from acq.records import Pulse, PulseKind
from acq.stimulus.waveform import pulse_samples, render_waveform

FS_HZ = 50_000.0


def pulse(onset: int, intensity_ma: float = 2.0, width_us: float = 100.0) -> Pulse:
    return Pulse(onset, onset, intensity_ma, width_us, PulseKind.MEASURING)


def render(pulses: list[Pulse], *, first_sample: int = 0, n_samples: int = 1000, ma_per_v: float = 2.0) -> np.ndarray:
    return render_waveform(
        pulses, first_sample=first_sample, n_samples=n_samples, sample_rate_hz=FS_HZ, ma_per_v=ma_per_v
    )


def test_a_pulse_has_its_current_its_width_and_its_trigger() -> None:
    waveform = render([pulse(100, 3.0)])
    assert waveform.shape == (2, 1000)
    assert waveform.dtype == np.float64
    expected = np.zeros((2, 1000))
    expected[0, 100:105] = 1.5
    expected[1, 100:105] = 5.0
    np.testing.assert_array_equal(waveform, expected)


def test_the_charge_of_the_samples_is_the_charge_of_the_pulse() -> None:
    for width_us in (40.0, 60.0, 100.0, 200.0):
        waveform = render([pulse(10, 3.0, width_us)], ma_per_v=2.0)
        charge_nc = waveform[0].sum() * 2.0 * 1e6 / FS_HZ
        assert charge_nc == pytest.approx(3.0 * width_us)


def test_a_pulse_of_less_than_a_sample_has_one() -> None:
    assert pulse_samples(width_us=1.0, sample_rate_hz=FS_HZ) == 1
    assert pulse_samples(width_us=50.0, sample_rate_hz=FS_HZ) == 2  # 2.5 samples, to the even one


@pytest.mark.parametrize("onset", range(990, 1001))
def test_a_chunk_never_ends_inside_a_pulse_or_right_before_one(onset: int) -> None:
    waveform = render([pulse(onset)])
    assert waveform.shape[1] == max(1000, onset + 6)
    np.testing.assert_array_equal(waveform[:, 0], 0.0)
    np.testing.assert_array_equal(waveform[:, -1], 0.0)
    assert np.count_nonzero(waveform[1]) == 5


def test_pulses_after_the_chunk_are_left_for_the_next() -> None:
    waveform = render([pulse(500), pulse(1001)])
    assert waveform.shape[1] == 1000
    assert np.count_nonzero(waveform[0]) == 5


@pytest.mark.parametrize("n_samples", [2, 3, 7, 100, 999])
def test_chunks_put_together_are_the_whole(n_samples: int) -> None:
    pulses = [pulse(onset, 0.1 * index) for index, onset in enumerate((3, 50, 997, 1005, 1500))]
    whole = render(pulses, n_samples=2000)
    chunks, position = [], 0
    while position < 2000:
        rest = [p for p in pulses if p.onset_sample >= position]
        chunk = render(rest, first_sample=position, n_samples=n_samples)
        assert not chunk[:, [0, -1]].any()
        chunks.append(chunk)
        position += chunk.shape[1]
    np.testing.assert_array_equal(np.hstack(chunks)[:, :2000], whole[:, :2000])


@pytest.mark.parametrize(
    ("pulses", "match"),
    [
        ([pulse(0)], "at or before the first sample"),
        ([pulse(-3)], "at or before the first sample"),
        ([pulse(100), pulse(104)], "before the one before it has ended"),
        ([pulse(100), pulse(105)], "before the one before it has ended"),
        ([pulse(100, 20.1)], "needs 10.05 V"),
        ([pulse(100, -0.1)], "needs -0.05 V"),
        ([pulse(100, float("nan"))], "needs nan V"),
    ],
)
def test_what_cannot_be_written_is_refused_not_clipped(pulses: list[Pulse], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        render(pulses)


def test_nonsense_arguments_are_refused() -> None:
    with pytest.raises(ValueError, match="n_samples"):
        render([], n_samples=1)
    for ma_per_v in (0.0, -1.0, float("nan")):
        with pytest.raises(ValueError, match="ma_per_v"):
            render([], ma_per_v=ma_per_v)
