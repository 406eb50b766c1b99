"""EDF+ and BDF+: what was written comes back, to the last bit, and the libraries of others read it."""

from __future__ import annotations

import sys
import warnings
from dataclasses import fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acq.errors import ConfigurationError, InputFileError
from acq.exchange.edf import read_edf, write_edf
from acq.exchange.edf_file import LARGEST_RECORD_BYTES, choose_record, open_edf
from acq.exchange.recordings import Recording, load_recording
from acq.offline import analyse_recording
from acq.records import PulseKind
from acq.study.about import StudyAbout

RECORDINGS = Path(__file__).parents[2] / "recordings"
ENDINGS = ("edf", "bdf")


def first_of(recording: Recording, n: int) -> Recording:
    per_sweep = ("sweeps_uv", "intensity_ma", "onset_sample", "rate_hz", "sweep_number", "kinds", "is_damaged")
    part = {name: getattr(recording, name)[:n] for name in per_sweep}
    if recording.onset_offset_us is not None:
        part["onset_offset_us"] = recording.onset_offset_us[:n]
    return replace(recording, **part)


def make_recording(n: int = 12, m: int = 600, *, rate_hz: float = 50_000.0, quantum_uv: float = 0.3) -> Recording:
    """Noise in whole steps, with everything in it that a recording may have."""
    rng = np.random.default_rng(4)
    onset = 10**9 + np.arange(n) * round(0.1 * rate_hz) + rng.integers(0, 50, n)
    commanded_ma = np.linspace(0.7, 2.1, n)
    delivered_ma = commanded_ma * 1.003 + 1e-7
    delivered_ma[3] = np.nan
    kinds = [PulseKind.MEASURING] * n
    kinds[5] = PulseKind.TESTING
    number = np.arange(n) + 40
    number[7:] += 3
    return Recording(
        sweeps_uv=rng.integers(-32768, 32767, (n, m), endpoint=True) * quantum_uv,
        onset_index=100,
        sample_rate_hz=rate_hz,
        intensity_ma=np.where(np.isnan(delivered_ma), commanded_ma, delivered_ma),
        onset_sample=onset,
        rate_hz=np.full(n, 10.0),
        pulse_width_us=100.0,
        band_hz=(500.0, 10_000.0),
        mains_hz=50.0,
        electrode="concentric",
        sweep_number=number,
        onset_offset_us=rng.uniform(-10, 10, n),
        quantum_uv=quantum_uv,
        full_scale_uv=32768 * quantum_uv,
        kinds=tuple(kinds),
        is_damaged=np.arange(n) == 8,
        name="made",
        commanded_ma=commanded_ma,
        delivered_ma=delivered_ma,
    )


def assert_same(read: Recording, written: Recording, *, but: tuple[str, ...] = ("rate_hz", "name")) -> None:
    for one in fields(Recording):
        a, b = getattr(read, one.name), getattr(written, one.name)
        if one.name in but:
            continue
        if isinstance(b, np.ndarray):
            assert a.dtype == b.dtype, one.name
            np.testing.assert_array_equal(a, b, err_msg=one.name)
        else:
            assert a == b, one.name


@pytest.mark.parametrize("ending", ENDINGS)
def test_everything_of_a_recording_comes_back_to_the_last_bit(tmp_path: Path, ending: str) -> None:
    written = make_recording()
    path = tmp_path / f"x.{ending}"
    sentences = write_edf(written, path, code="H7-KQ42")
    assert "one step 0.3 µV" in sentences[0]
    assert "kept to the last bit" in sentences[0]
    assert_same(read_edf(path), written)


@pytest.mark.parametrize("name", ["A1", "D1", "L3"])
@pytest.mark.parametrize("ending", ENDINGS)
def test_recordings_made_by_another_generator_come_back(tmp_path: Path, name: str, ending: str) -> None:
    """Codes of 16 bits fit both formats: not one latency can differ, since not one sample does."""
    written = first_of(load_recording(RECORDINGS / f"{name}.npz"), 80)
    path = tmp_path / f"x.{ending}"
    write_edf(written, path)
    read = load_recording(path)  # by its content
    assert_same(read, written)
    np.testing.assert_allclose(read.rate_hz[1:], written.rate_hz[1:], rtol=2e-2)  # to whole samples
    if name == "A1":
        before, after = analyse_recording(written), analyse_recording(read)
        assert len(before.fibres) == len(after.fibres) == 1
        assert after.fibres[0].latency_us.tobytes() == before.fibres[0].latency_us.tobytes()
        assert after.fibres[0].mcd_us == before.fibres[0].mcd_us


@pytest.mark.parametrize("ending", ENDINGS)
def test_pyedflib_reads_it(tmp_path: Path, ending: str) -> None:
    import pyedflib

    written = make_recording()
    path = tmp_path / f"x.{ending}"
    write_edf(written, path, code="H7-KQ42", marks=((1e9 / 50_000 + 0.25, "needle moved"),))
    first = written.onset_sample - written.onset_index - (written.onset_sample[0] - written.onset_index)
    with pyedflib.EdfReader(str(path)) as file:
        assert file.getSignalLabels() == ["EMG needle", "Stimulus current"]
        assert [file.getPhysicalDimension(k) for k in (0, 1)] == ["uV", "mA"]
        assert list(file.getSampleFrequencies()) == [50_000, 50_000]
        assert file.getPrefilter(0) == "HP:500Hz LP:10000Hz"
        codes = file.readSignal(0, digital=True)
        physical_uv = file.readSignal(0)
        current_ma = file.readSignal(1)
        header = file.getHeader()
        onset_s, duration_s, texts = file.readAnnotations()
    for k, start in enumerate(first):
        assert np.array_equal(codes[start : start + 600] * 0.3, written.sweeps_uv[k])
        np.testing.assert_allclose(physical_uv[start : start + 600], written.sweeps_uv[k], rtol=1e-6, atol=1e-6)
        # The pulse is 100 µs long and begins on its sample; a step of the channel is 80 pA or less of 2.7 mA.
        at = start + written.onset_index
        np.testing.assert_allclose(current_ma[at : at + 5], written.intensity_ma[k], atol=1e-4)
        assert abs(current_ma[at - 1]) < 1e-4
        assert abs(current_ma[at + 5]) < 1e-4
    assert not codes[600 : first[1]].any()  # where nothing was kept
    assert (header["patientcode"], header["patientname"], header["birthdate"]) == ("H7-KQ42", "X", "")
    assert header["startdate"] == datetime(1985, 1, 1)  # no date is told
    stimuli = [k for k, text in enumerate(texts) if text.startswith("stimulus ")]
    assert written.onset_offset_us is not None
    np.testing.assert_allclose(
        onset_s[stimuli], (first + written.onset_index) / 50_000 + 1e-6 * written.onset_offset_us, atol=2e-7
    )
    assert set(duration_s[stimuli]) == {1e-4}
    assert sum(text == "no samples" for text in texts) == written.n_sweeps - 1
    assert "mark at sample 1000012500: needle moved" in set(texts)


@pytest.mark.parametrize("ending", ENDINGS)
def test_mne_reads_it(tmp_path: Path, ending: str) -> None:
    import mne

    written = make_recording()
    path = tmp_path / f"x.{ending}"
    write_edf(written, path, begun_at=datetime(2031, 5, 6, 7, 8, 9))
    read = mne.io.read_raw_edf if ending == "edf" else mne.io.read_raw_bdf
    with warnings.catch_warnings():
        # The channels do differ in their filters: the current has none.
        warnings.filterwarnings("ignore", "Channels contain different", RuntimeWarning)
        raw = read(path, preload=True, verbose="WARNING")
    assert raw.info["sfreq"] == 50_000
    assert raw.info["meas_date"].replace(tzinfo=None) == datetime(2031, 5, 6, 7, 8, 9)
    needle_v = raw.get_data(picks=["EMG needle"])[0]
    np.testing.assert_allclose(1e6 * needle_v[:600], written.sweeps_uv[0], rtol=1e-6, atol=1e-6)
    texts = [str(text) for text in raw.annotations.description]
    assert sum(text.startswith("stimulus ") for text in texts) == written.n_sweeps
    assert texts[0].startswith("suprathresh recording 1; electrode concentric; sample_rate_hz 50000.0; quantum_uv 0.3")
    at = raw.annotations.onset[[text.startswith("stimulus 45, testing, ") for text in texts]]
    assert written.onset_offset_us is not None
    k = 5
    expected_s = (written.onset_sample[k] - written.onset_sample[0] + 100) / 50_000 + 1e-6 * written.onset_offset_us[k]
    np.testing.assert_allclose(at, expected_s, atol=2e-7)


@pytest.mark.parametrize("rate_hz", [24_414.0625, 30_003.0, 44_100.0, 100_000.0 / 3, 100_000.0, 20_000.0, 12_207.03125])
@pytest.mark.parametrize("ending", ENDINGS)
def test_any_sample_rate_comes_back_exactly(tmp_path: Path, ending: str, rate_hz: float) -> None:
    """A header has eight letters for the duration of a record; where they do not hold the rate, the annotations do."""
    import pyedflib

    written = make_recording(rate_hz=rate_hz)
    path = tmp_path / f"x.{ending}"
    sentences = write_edf(written, path)
    assert_same(read_edf(path), written)
    with pyedflib.EdfReader(str(path)) as file:
        record_s = file.datarecord_duration
        n = file.getNSamples()[0] // file.datarecords_in_file
        header_rate_hz = n / record_s
        onset_s, _, texts = file.readAnnotations()
        current_ma = file.readSignal(1)
    assert abs(header_rate_hz / rate_hz - 1) < 1e-6
    assert any("millionths off" in one for one in sentences) == (abs(header_rate_hz / rate_hz - 1) > 1e-12)
    n_bytes = 2 if ending == "edf" else 3
    assert (path.stat().st_size - 4 * 256) / (path.stat().st_size // n_bytes // n / 2) > 0  # a whole header
    assert n * 2 * n_bytes < LARGEST_RECORD_BYTES
    # Times of annotations and samples agree in the file, whatever its rate.
    stimuli = [k for k, text in enumerate(texts) if text.startswith("stimulus ")]
    rises = np.flatnonzero(np.diff((current_ma > 0.3).astype(int)) == 1) + 1
    assert written.onset_offset_us is not None
    np.testing.assert_allclose(
        onset_s[stimuli] * header_rate_hz, rises + written.onset_offset_us * rate_hz / 1e6, atol=0.01
    )


def test_no_data_record_is_larger_than_the_format_allows(tmp_path: Path) -> None:
    """At 100 kHz and 100 stimuli a second, each with a long text."""
    n, m = 300, 700
    made = make_recording(n, m, rate_hz=100_000.0)
    written = replace(made, onset_sample=np.arange(n) * 1_000 + 10**12, sweep_number=np.arange(n) + 10**9)
    for ending in ENDINGS:
        path = tmp_path / f"x.{ending}"
        write_edf(written, path, about=StudyAbout(code="", muscle="orbicularis oculi", side="left"))
        opened = open_edf(path)
        n_header = 256 * 4
        n_records = int(path.read_bytes()[236:244])
        assert (path.stat().st_size - n_header) % n_records == 0
        assert (path.stat().st_size - n_header) // n_records <= LARGEST_RECORD_BYTES
        assert_same(read_edf(path), written)
        assert opened.annotations is not None
        assert "muscle orbicularis oculi; side left" in opened.annotations[0].text


def test_codes_that_do_not_fit_16_bits_are_rounded_and_it_says_so(tmp_path: Path) -> None:
    made = make_recording(quantum_uv=0.01)
    written = replace(made, sweeps_uv=np.rint(made.sweeps_uv * 7.3 / 0.01) * 0.01, full_scale_uv=2**23 * 0.01)
    (said,) = write_edf(written, tmp_path / "x.edf")
    assert "one step 0.08 µV: the samples are rounded to it, by 0.04 µV at most" in said
    read = read_edf(tmp_path / "x.edf")
    assert read.quantum_uv == 0.08
    assert np.max(np.abs(read.sweeps_uv - written.sweeps_uv)) <= 0.04 * (1 + 1e-9)
    (said,) = write_edf(written, tmp_path / "x.bdf")
    assert "kept to the last bit" in said
    assert_same(read_edf(tmp_path / "x.bdf"), written)


def test_samples_without_a_step_get_one(tmp_path: Path) -> None:
    written = replace(make_recording(), quantum_uv=None, full_scale_uv=None)
    written = replace(written, sweeps_uv=np.sin(np.arange(12 * 600.0)).reshape(12, 600) * 1234.5)
    for ending, largest in (("edf", 0.0195), ("bdf", 0.00008)):
        path = tmp_path / f"x.{ending}"
        (said,) = write_edf(written, path)
        assert "rounded" in said
        read = read_edf(path)
        assert read.quantum_uv is not None
        assert np.max(np.abs(read.sweeps_uv - written.sweeps_uv)) <= read.quantum_uv / 2 * (1 + 1e-9) < largest


def test_long_pauses_are_shortened_and_the_true_times_kept(tmp_path: Path) -> None:
    made = make_recording()
    onset = made.onset_sample.copy()
    onset[6:] += 50_000 * 3_600 * 5  # five hours
    written = replace(made, onset_sample=onset)
    path = tmp_path / "x.edf"
    sentences = write_edf(written, path, marks=((onset[6] / 50_000 - 1.0, "late"),))
    assert "1 pauses of more than 10 s are shortened to 1 s" in sentences[1]
    assert path.stat().st_size < 1_000_000
    assert_same(read_edf(path), written)
    annotations = open_edf(path).annotations
    assert annotations is not None
    texts = [one.text for one in annotations]
    pause = next(text for text in texts if "shortened" in text)
    assert float(pause.split(" a pause of ")[1].split(" s")[0]) == pytest.approx(18_000, abs=0.2)
    # A mark within the pause stays between the stimuli it was said between.
    assert texts.index(f"mark at sample {onset[6] - 50_000}: late") < next(
        k for k, text in enumerate(texts) if text.startswith("stimulus 46,")
    )
    sentences = write_edf(made, tmp_path / "y.edf", longest_pause_s=None)
    assert len(sentences) == 1


def test_sweeps_that_overlap_are_one_stream_or_refused(tmp_path: Path) -> None:
    stream = np.random.default_rng(1).integers(-9000, 9000, 20_000) * 0.3
    starts = np.arange(8) * 400
    made = make_recording(8, 1_000)
    same = replace(
        made,
        onset_sample=starts + 100,
        sweeps_uv=np.stack([stream[k : k + 1_000] for k in starts]),
        is_damaged=np.zeros(8, dtype=bool),
    )
    write_edf(same, tmp_path / "x.edf")
    assert_same(read_edf(tmp_path / "x.edf"), same)
    other = same.sweeps_uv.copy()
    other[3, -1] += 0.3
    with pytest.raises(InputFileError, match=r"sweeps 3 and 4 of made overlap by 600 samples that differ"):
        write_edf(replace(same, sweeps_uv=other), tmp_path / "y.edf")
    assert not (tmp_path / "y.edf").exists()


def test_a_damaged_sweep_may_hold_what_is_no_number(tmp_path: Path) -> None:
    made = make_recording()
    sweeps_uv = made.sweeps_uv.copy()
    sweeps_uv[8, 50:60] = np.nan
    write_edf(replace(made, sweeps_uv=sweeps_uv), tmp_path / "x.edf")
    read = read_edf(tmp_path / "x.edf")
    assert read.is_damaged[8]
    assert not read.sweeps_uv[8, 50:60].any()


def test_a_code_is_all_that_is_told_of_the_patient(tmp_path: Path) -> None:
    import pyedflib

    for code, shown in (("H7-KQ42", "H7-KQ42"), ("", ""), ("R 17", "R 17"), ("é", ""), ("x" * 200, "")):
        path = tmp_path / f"{len(list(tmp_path.iterdir()))}.edf"
        write_edf(make_recording(), path, code=code)
        with pyedflib.EdfReader(str(path)) as file:
            assert file.getPatientCode() == shown
        assert str(tmp_path).encode() not in path.read_bytes()


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "x.edf"
    path.write_text("mine")
    with pytest.raises(InputFileError, match="exists already"):
        write_edf(make_recording(), path)
    assert path.read_text() == "mine"
    with pytest.raises(ConfigurationError, match="cannot be written"):
        write_edf(make_recording(), tmp_path / "absent" / "x.edf")


def change(path: Path, old: bytes, new: bytes) -> Path:
    content = path.read_bytes()
    assert old in content
    path.write_bytes(content.replace(old, new.ljust(len(old), b" ")[: len(old)]))
    return path


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (b"suprathresh recording 1", b"suprathresh recording 9", "an EDF\\+ file of another program"),
        (b"quantum_uv 0.3;", b"quantum_uv 0,3;", "'quantum_uv' of the recording is '0,3', which is no number"),
        (b"quantum_uv 0.3;", b"quantum_uv 0.0;", "are no recording"),
        (b"sweep_samples 600", b"sweep_samples 6e9", "'sweep_samples' of the recording is 6e\\+09"),
        (b"sweep_samples 600", b"sweep_samples 0.5", "'sweep_samples' of the recording is 0.5"),
        (b"sweep_samples 600", b"sweep_samples 9e5", "reaches beyond the samples"),
        (b"onset_index 100", b"onset_index -10", "inside each sweep is -10|reaches beyond"),
        (b"electrode concentric", b"electrode something", "the electrode is 'something '"),
        (b"stimulus 45, testing", b"stimulus 99, testing", "the numbers of the stimuli do not increase"),
        (b"sample_rate_hz 50000.0", b"sample_rate_hz 5.0    ", "'fs_hz' is 5"),
        (b"stimulus ", b"stimulos ", "has no stimuli any more"),
        (b"mains_hz 50.0", b"mains_hz nan ", "'mains_hz' of the recording is 'nan"),
        (b"0       H7", b"0       H7", ""),
    ],
)
def test_what_was_changed_in_a_file_is_refused_in_one_line(tmp_path: Path, old: bytes, new: bytes, words: str) -> None:
    path = tmp_path / "x.edf"
    write_edf(make_recording(), path, code="H7-KQ42")
    change(path, old, new)
    if not words:
        read_edf(path)
        return
    with pytest.raises(InputFileError, match=words) as caught:
        read_edf(path)
    assert str(caught.value).startswith(str(path))
    assert len(str(caught.value).splitlines()) == 1


@pytest.mark.parametrize(
    ("at", "new", "words"),
    [
        (236, b"0       ", ""),
        (244, b"0       ", "damaged"),
        (244, b"nan     ", "damaged"),
        (244, b"-1      ", "damaged"),
        (236, b"-1      ", ""),
        (236, b"x       ", "damaged"),
        (252, b"9999", "damaged"),
        (252, b"0   ", "damaged"),
        (252, b"-3  ", "damaged"),
        (184, b"1e9     ", "damaged"),
        (192, b"EDF+D", "has gaps between its data records"),
    ],
)
def test_headers_that_contradict_themselves_are_refused(tmp_path: Path, at: int, new: bytes, words: str) -> None:
    path = tmp_path / "x.edf"
    write_edf(make_recording(), path)
    content = bytearray(path.read_bytes())
    content[at : at + len(new)] = new
    path.write_bytes(content)
    if not words:
        assert read_edf(path).damage  # it is read as far as it goes
        return
    with pytest.raises(InputFileError, match=words) as caught:
        read_edf(path)
    assert len(str(caught.value).splitlines()) == 1


def test_a_file_cut_short_says_so(tmp_path: Path) -> None:
    path = tmp_path / "x.edf"
    write_edf(make_recording(), path)
    content = path.read_bytes()
    path.write_bytes(content[: len(content) * 2 // 3])
    sentence = "it has not as many data records as its header says; those that are whole are used"
    read = read_edf(path)
    assert read.damage == (sentence,)
    assert 1 < read.n_sweeps < 12
    path.write_bytes(content + bytes(100))
    assert read_edf(path).damage == (sentence,)
    assert read_edf(path).n_sweeps == 12


def test_a_file_without_the_library_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x.edf"
    write_edf(make_recording(), path)
    monkeypatch.setitem(sys.modules, "edfio", None)
    with pytest.raises(ConfigurationError, match=r"edfio.*pip install \"\.\[exchange\]\""):
        read_edf(path)


@pytest.mark.parametrize(
    ("rate_hz", "most", "expected"),
    [
        (50_000.0, 15_000, (12_500, 0.25)),  # a float holds all multiples of a quarter
        (100_000.0, 9_000, (6_250, 0.0625)),
        (24_414.0625, 15_000, (12_500, 0.512)),
    ],
)
def test_records_are_of_a_duration_that_is_exact(rate_hz: float, most: int, expected: tuple[Any, ...]) -> None:
    n, record_s = choose_record(rate_hz, most_samples=most)
    assert (n, float(record_s)) == expected
    assert n / record_s == rate_hz
