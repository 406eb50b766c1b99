import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acq.errors import InputFileError
from acq.exchange.recordings import load_recording, load_truth, recording_from_store
from acq.records import Pulse, PulseKind, Sweep
from acq.study.store import StudyStore

RECORDINGS = Path(__file__).parents[2] / "recordings"
NAMES = ("A1", "B1", "C1", "D1", "E1", "F1", "G1", "H1", "I1", "J1", "K1", "L3", "M1")


def make_arrays(n: int = 8, m: int = 400) -> dict[str, Any]:
    rng = np.random.default_rng(5)
    return {
        "raw": rng.integers(-2000, 2000, (n, m)).astype(np.int16),
        "scale_uv_per_bit": 0.3,
        "fs_hz": 50_000.0,
        "t0_index": 100,
        "stim_ma": np.linspace(1.0, 2.0, n),
        "rate_hz": np.full(n, 10.0),
        "stim_time_s": 6.0 + 0.1 * np.arange(n),
        "pulse_width_us": 100.0,
        "band_hz": np.array([500.0, 10_000.0]),
        "mains_hz": 50.0,
        "electrode": "sf",
        "sweep_index": np.arange(n),
    }


def write(path: Path, arrays: dict[str, Any]) -> Path:
    np.savez(path, **arrays)
    return path


@pytest.mark.parametrize("name", NAMES)
def test_recordings_are_read_as_their_format_says(name: str) -> None:
    path = RECORDINGS / f"{name}.npz"
    recording = load_recording(path)
    with np.load(path) as stored:
        assert np.array_equal(recording.sweeps_uv, stored["raw"] * stored["scale_uv_per_bit"])
        seconds = stored["stim_time_s"] - stored["stim_time_s"][0]
        # The clock is whole samples: never more than half of one away from the time written.
        onset_s = recording.onset_s - recording.onset_index / recording.sample_rate_hz
        assert np.max(np.abs(onset_s - seconds)) <= 0.5 / recording.sample_rate_hz * (1 + 1e-6)
        assert np.array_equal(recording.intensity_ma, stored["stim_ma"])
    assert recording.sweeps_uv.dtype == np.float64
    assert recording.sweeps_uv.flags.c_contiguous
    assert recording.onset_sample.dtype == np.int64
    assert recording.onset_sample[0] == recording.onset_index == 100
    assert recording.electrode == "single_fibre"
    assert set(recording.kinds) == {PulseKind.MEASURING}
    assert recording.quantum_uv == 0.3
    codes = recording.sweeps_uv / recording.quantum_uv
    assert np.array_equal(np.rint(codes) * recording.quantum_uv, recording.sweeps_uv)


@pytest.mark.parametrize("name", NAMES)
def test_truth_agrees_with_its_recording(name: str) -> None:
    path = RECORDINGS / f"{name}.npz"
    recording, truth = load_recording(path), load_truth(path)
    assert truth is not None
    n, n_fibres = truth.latency_us.shape
    assert n == recording.n_sweeps
    assert truth.fibre_axon.shape == (n_fibres,)
    assert truth.theta_ma.shape == truth.axon_fired.shape
    assert len(truth.summary["fibres"]) == n_fibres
    # A fibre responds exactly where its axon fired and its endplate did not fail.
    for fibre, axon in enumerate(truth.fibre_axon):
        if axon >= 0:
            reached = truth.axon_fired[:, axon] & ~truth.blocked[:, fibre]
            assert np.array_equal(reached, np.isfinite(truth.latency_us[:, fibre]))
    assert (truth.late_latency_us is not None) == name.startswith("J")


def test_no_truth_is_none(tmp_path: Path) -> None:
    assert load_truth(write(tmp_path / "X.npz", make_arrays())) is None


def test_broken_truth_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "X.npz", make_arrays())
    write(tmp_path / "X_truth.npz", {"latency_us": np.zeros((8, 1))})
    with pytest.raises(InputFileError, match=r"X_truth\.npz: the array 'axon_fired' is missing"):
        load_truth(path)


def test_trigger_offset_and_gaps_are_kept(tmp_path: Path) -> None:
    arrays = make_arrays() | {"trig_offset_us": np.linspace(-8, 8, 8), "electrode": "cn"}
    arrays["sweep_index"] = np.array([0, 1, 2, 5, 6, 7, 8, 9])
    recording = load_recording(write(tmp_path / "X.npz", arrays))
    assert recording.onset_offset_us is not None
    assert [pulse.onset_offset_us for pulse in recording.pulses()] == np.linspace(-8, 8, 8).tolist()
    assert [pulse.index for pulse in recording.pulses()] == [0, 1, 2, 5, 6, 7, 8, 9]
    assert recording.electrode == "concentric"


def changed(key: str, value: Any, at: Any = None) -> dict[str, Any]:
    arrays = make_arrays()
    if at is None:
        arrays[key] = value
    else:
        arrays[key] = arrays[key].copy()
        arrays[key][at] = value
    return arrays


def float_raw(value: float) -> np.ndarray:
    raw = make_arrays()["raw"].astype(np.float64)
    raw[3, 17] = value
    return raw


@pytest.mark.parametrize(
    ("arrays", "message"),
    [
        (changed("raw", np.zeros((0, 400), np.int16)), r"there are no sweeps"),
        (changed("raw", np.zeros((8, 0), np.int16)), r"there are no sweeps"),
        (changed("raw", np.zeros(400, np.int16)), r"'raw' must be numbers of shape \(sweeps, samples\)"),
        (changed("raw", np.full((8, 400), "x")), r"'raw' must be numbers"),
        (changed("raw", np.zeros((8, 200), np.int16)), r"sweeps end 2 ms after the stimulus"),
        (changed("raw", float_raw(np.nan)), r"'raw' is nan at sweep 3, sample 17"),
        (changed("raw", float_raw(np.inf)), r"'raw' is inf at sweep 3, sample 17"),
        (changed("raw", np.zeros((7, 400), np.int16)), r"'\w+' must have one number a sweep, shape \(7,\)"),
        (changed("fs_hz", 0.0), r"'fs_hz' is 0;"),
        (changed("fs_hz", 50.0), r"'fs_hz' is 50; .* check the unit"),
        (changed("fs_hz", 1e12), r"'fs_hz' is 1e\+12"),
        (changed("fs_hz", np.nan), r"'fs_hz' is nan"),
        (changed("fs_hz", np.array([1.0, 2.0])), r"'fs_hz' must be one number"),
        (changed("scale_uv_per_bit", 0.0), r"'scale_uv_per_bit' is 0; it must be a positive"),
        (changed("scale_uv_per_bit", np.inf), r"'scale_uv_per_bit' is inf"),
        (changed("t0_index", 400), r"'t0_index' is 400, outside the sweeps of 400 samples"),
        (changed("t0_index", -1), r"'t0_index' is -1, outside"),
        (changed("t0_index", 100.5), r"'t0_index' is 100\.5; it must be a whole"),
        (changed("t0_index", np.inf), r"'t0_index' is inf"),
        (changed("stim_ma", -1.0, 4), r"'stim_ma' is -1 at sweep 4; it must be 0 to 100"),
        (changed("stim_ma", 1300.0, 4), r"'stim_ma' is 1300 at sweep 4; .* check the unit"),
        (changed("stim_ma", np.nan, 4), r"'stim_ma' is nan at sweep 4"),
        (changed("rate_hz", 0.0, 2), r"'rate_hz' is 0 at sweep 2; it must be above 0"),
        (changed("rate_hz", -10.0, 2), r"'rate_hz' is -10 at sweep 2"),
        (changed("stim_time_s", 6.0, 1), r"'stim_time_s' must increase, but sweep 1 has 6.0 after 6.0"),
        (changed("stim_time_s", 5.0, 3), r"'stim_time_s' must increase, but sweep 3"),
        (changed("stim_time_s", 1e300, 7), r"'stim_time_s' reaches 1e\+300; it must be in seconds"),
        (changed("stim_time_s", np.arange(5.0)), r"'stim_time_s' must have one number a sweep, shape \(8,\)"),
        (changed("pulse_width_us", 0.0), r"'pulse_width_us' is 0; it must be above 0"),
        (changed("pulse_width_us", np.nan), r"'pulse_width_us' is nan"),
        (changed("mains_hz", -50.0), r"'mains_hz' is -50"),
        (changed("band_hz", np.array([10_000.0, 500.0])), r"'band_hz' is 10000 to 500; it must be low, then high"),
        (changed("band_hz", np.array([500.0])), r"'band_hz' must be two numbers"),
        (changed("electrode", "xx"), r"'electrode' is 'xx'; it must be 'sf'"),
        (changed("electrode", np.zeros((2, 2))), r"'electrode' is not one word; it must be 'sf'"),
        (changed("sweep_index", 0, 1), r"'sweep_index' must increase"),
        (changed("sweep_index", np.arange(8) + 0.5), r"'sweep_index' must be whole numbers"),
        (changed("trig_offset_us", np.full(8, np.nan)), r"'trig_offset_us' is nan at sweep 0"),
        (changed("stim_ma", np.array([{}] * 8, dtype=object)), r"the array 'stim_ma' holds Python objects"),
    ],
)
def test_nonsense_is_refused_in_one_line(tmp_path: Path, arrays: dict[str, Any], message: str) -> None:
    path = write(tmp_path / "X.npz", arrays)
    with pytest.raises(InputFileError, match=message) as caught:
        load_recording(path)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert len(text.splitlines()) == 1


@pytest.mark.parametrize("key", sorted(make_arrays()))
def test_missing_array_is_named(tmp_path: Path, key: str) -> None:
    arrays = make_arrays()
    del arrays[key]
    with pytest.raises(InputFileError, match=rf"the array '{key}' is missing; it has "):
        load_recording(write(tmp_path / "X.npz", arrays))


def test_missing_folder_empty_and_foreign_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match="no such file"):
        load_recording(tmp_path / "absent.npz")
    with pytest.raises(InputFileError, match="this is a folder"):
        load_recording(tmp_path)
    (tmp_path / "empty.npz").touch()
    with pytest.raises(InputFileError, match="the file is empty"):
        load_recording(tmp_path / "empty.npz")
    (tmp_path / "text.npz").write_text("not a recording")
    with pytest.raises(InputFileError, match=r"neither a \.npz file of sweeps nor a study file"):
        load_recording(tmp_path / "text.npz")
    np.save(tmp_path / "one.npy", np.zeros(3))
    with pytest.raises(InputFileError, match=r"neither a \.npz file"):
        load_recording(tmp_path / "one.npy")
    with zipfile.ZipFile(tmp_path / "archive.npz", "w") as archive:
        archive.writestr("readme.txt", "text")
    with pytest.raises(InputFileError, match="the array 'raw' is missing"):
        load_recording(tmp_path / "archive.npz")


def test_truncated_and_altered_files_are_refused(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **make_arrays())
    whole = buffer.getvalue()
    for k, n in enumerate((20, len(whole) // 2, len(whole) - 10)):
        path = tmp_path / f"cut{k}.npz"
        path.write_bytes(whole[:n])
        with pytest.raises(InputFileError, match="damaged or not"):
            load_recording(path)
    altered = bytearray(whole)
    altered[300:340] = bytes(40)
    (tmp_path / "altered.npz").write_bytes(altered)
    with pytest.raises(InputFileError, match="damaged or not"):
        load_recording(tmp_path / "altered.npz")


def test_recording_from_a_study_equals_the_file_it_was_made_from(tmp_path: Path) -> None:
    original = load_recording(RECORDINGS / "D1.npz")
    path = tmp_path / "one.study"
    with StudyStore.create(path) as store:
        number = store.start_recording(
            profile="p",
            device="replay",
            electrode=original.electrode,
            sample_rate_hz=original.sample_rate_hz,
            band_hz=original.band_hz,
            mains_hz=original.mains_hz,
            quantum_uv=original.quantum_uv,
            full_scale_uv=original.full_scale_uv,
        )
        for pulse, samples_uv in zip(original.pulses(), original.sweeps_uv, strict=True):
            store.add_sweep(number, Sweep(pulse, samples_uv, original.onset_index, original.sample_rate_hz))
    read = load_recording(path)
    assert read.sweeps_uv.tobytes() == original.sweeps_uv.tobytes()
    assert read.onset_s.tobytes() == original.onset_s.tobytes()
    assert read.intensity_ma.tobytes() == original.intensity_ma.tobytes()
    assert read.pulses() == original.pulses()
    assert (read.band_hz, read.mains_hz, read.electrode) == (original.band_hz, original.mains_hz, original.electrode)
    assert (read.quantum_uv, read.full_scale_uv) == (original.quantum_uv, original.full_scale_uv)
    np.testing.assert_allclose(read.rate_hz[1:], original.rate_hz[1:], rtol=1e-9)
    with pytest.raises(InputFileError, match="there is no recording 7; the study holds the numbers 1"):
        load_recording(path, number=7)


def test_study_without_a_usable_recording_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "none.study"
    with StudyStore.create(path) as store:
        pass
    with pytest.raises(InputFileError, match="the study holds no recording; give another"):
        load_recording(path)
    with StudyStore.open(path, "write") as store:
        store.start_recording(
            profile="p",
            device="d",
            electrode="concentric",
            sample_rate_hz=50_000.0,
            band_hz=(1000.0, 10_000.0),
            mains_hz=50.0,
        )
    with pytest.raises(InputFileError, match="recording 1 has no sweeps"):
        load_recording(path)
    with pytest.raises(InputFileError, match="holds one recording"):
        load_recording(write(tmp_path / "X.npz", make_arrays()), number=1)


def test_a_recording_that_rested_for_hours_in_its_middle_is_read(tmp_path: Path) -> None:
    with StudyStore.create(tmp_path / "x.study") as store:
        number = store.start_recording(
            profile="bench",
            device="resistor",
            electrode="single_fibre",
            sample_rate_hz=50_000.0,
            band_hz=(500.0, 10_000.0),
            mains_hz=50.0,
            quantum_uv=0.3,
        )
        rest = 8 * 3600 * 50_000
        for index in range(20):
            pulse = Pulse(index, 5000 * index + 200 + rest * (index >= 10), 1.5, 100.0, PulseKind.MEASURING, 1.5)
            samples_uv = np.random.default_rng(index).integers(-100, 100, 1100) * 0.3
            store.add_sweep(number, Sweep(pulse, samples_uv, 200, 50_000.0))
        assert recording_from_store(store, number).n_sweeps == 20
