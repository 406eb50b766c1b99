"""Recordings made elsewhere: WAV, CSV and EDF give the latencies of the recording that they were made from."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from acq.errors import InputFileError
from acq.exchange.continuous import ImportOptions, read_onsets
from acq.exchange.edf import write_edf
from acq.exchange.incoming import read_foreign
from acq.exchange.recordings import Recording, load_recording
from acq.offline import analyse_recording
from acq.records import FloatArray, GuardVerdict, PulseKind, RecordingAnalysis
from tests.foreign_files import lay_out, write_csv, write_edf_by_pyedflib, write_onsets, write_wav
from tests.fuzz.recording_input import make_foreign_seeds

RECORDINGS = Path(__file__).parents[2] / "recordings"
LEAD_S = 0.05  # before the first sweep in a file of `lay_out`


@cache
def original(name: str = "A1", n: int = 80) -> Recording:
    recording = load_recording(RECORDINGS / f"{name}.npz")
    per_sweep = ("sweeps_uv", "intensity_ma", "onset_sample", "rate_hz", "sweep_number", "kinds", "is_damaged")
    return replace(recording, **{one: getattr(recording, one)[:n] for one in per_sweep})


@cache
def analysed(name: str = "A1") -> RecordingAnalysis:
    return analyse_recording(original(name))


def finer() -> Recording:
    """The same as an unquantised amplifier would have given it."""
    recording = original()
    dither_uv = np.random.default_rng(3).uniform(-0.15, 0.15, recording.sweeps_uv.shape)
    return replace(recording, sweeps_uv=recording.sweeps_uv + dither_uv, quantum_uv=None)


def read_one(path: Path, **options: Any) -> Recording:
    _, (recording,) = read_foreign(path, ImportOptions(**options))
    return recording


def latencies_us(analysis: RecordingAnalysis) -> FloatArray:
    return np.concatenate([fibre.latency_us for fibre in analysis.fibres])


# ---- every format gives the latencies -----------------------------------------------------------------------------


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_wav_of_converter_codes_gives_the_latencies_to_the_last_bit(tmp_path: Path, bits: int) -> None:
    needle_uv, current_ma, onsets = lay_out(original())
    path = write_wav(tmp_path / "x.wav", [needle_uv / 0.3, current_ma * 1000], rate_hz=50_000, bits=bits)
    kind, (read,) = read_foreign(path, ImportOptions(stimulus_channel="2", uv_per_unit=0.3, ma_per_unit=0.001))
    assert kind == "WAV"
    assert read.quantum_uv == 0.3
    assert read.full_scale_uv == 2 ** (bits - 1) * 0.3
    np.testing.assert_array_equal(read.sweeps_uv, original().sweeps_uv)
    np.testing.assert_array_equal(read.onset_sample, onsets)
    np.testing.assert_allclose(read.intensity_ma, original().intensity_ma, atol=5e-4)
    assert read.pulse_width_us == 100.0
    assert read.onset_offset_us is None
    assert latencies_us(analyse_recording(read)).tobytes() == latencies_us(analysed()).tobytes()


def test_floating_point_wav(tmp_path: Path) -> None:
    from scipy.io import wavfile

    needle_uv, _, onsets = lay_out(original())
    path = tmp_path / "x.wav"
    wavfile.write(path, 50_000, (needle_uv / 10_000).astype(np.float32))
    write_onsets(tmp_path / "onsets.csv", onsets / 50_000)
    read = read_one(path, uv_per_unit=10_000, onsets=tmp_path / "onsets.csv", intensity_ma=1.9, pulse_width_us=100.0)
    assert read.quantum_uv is None
    # 24 bits of mantissa: 0.0002 µV of 3000.
    assert np.max(np.abs(read.sweeps_uv - original().sweeps_uv)) < 3e-4
    assert np.nanmax(np.abs(latencies_us(analyse_recording(read)) - latencies_us(analysed()))) < 1e-3


@pytest.mark.parametrize(
    ("n_decimals", "allowed_us"), [(0, 0.1), (1, 0.01), (2, 0.001)], ids=["1 µV", "0.1 µV", "0.01 µV"]
)
def test_csv_gives_the_latencies_within_its_digits(tmp_path: Path, n_decimals: int, allowed_us: float) -> None:
    """By scaling from 1 µV: a latency moves by the rounding over the potential's slope."""
    needle_uv, current_ma, _ = lay_out(finer())
    columns = {"time_s": np.arange(needle_uv.size) / 50_000, "needle_uv": needle_uv, "current_ma": current_ma}
    path = write_csv(tmp_path / "x.csv", columns, n_decimals=(6, n_decimals, 4))
    read = read_one(path, needle_channel="needle_uv", stimulus_channel="current_ma")
    assert read.sample_rate_hz == 50_000
    assert np.max(np.abs(read.sweeps_uv - finer().sweeps_uv)) <= 0.5 * 10.0**-n_decimals * (1 + 1e-9)
    away_us = latencies_us(analyse_recording(read)) - latencies_us(analyse_recording(finer()))
    assert np.nanmax(np.abs(away_us)) < allowed_us
    assert np.nanmax(np.abs(away_us)) > 0


@pytest.mark.parametrize(("ending", "allowed_us"), [("edf", 0.05), ("bdf", 0.001)])
def test_edf_of_another_program_gives_the_latencies_within_its_step(
    tmp_path: Path, ending: str, allowed_us: float
) -> None:
    needle_uv, current_ma, onsets = lay_out(finer())
    path = write_edf_by_pyedflib(
        tmp_path / f"x.{ending}",
        needle_uv,
        current_ma,
        rate_hz=50_000,
        range_uv=10_000,
        range_ma=10,
        onset_s=onsets / 50_000,
        text="Stimulator",
    )
    by_channel = read_one(path, needle_channel="emg", stimulus_channel="Stim")
    n = by_channel.n_sweeps
    assert n >= 70  # that library writes whole seconds
    assert by_channel.band_hz == (500.0, 10_000.0)
    assert by_channel.quantum_uv == pytest.approx(10_000 / (32767 if ending == "edf" else 8388607))
    np.testing.assert_array_equal(by_channel.onset_sample, onsets[:n])
    # That library cuts off, where others round: a whole step at most.
    assert np.max(np.abs(by_channel.sweeps_uv - finer().sweeps_uv[:n])) <= by_channel.quantum_uv * (1 + 1e-6)
    part = replace(
        finer(),
        **{
            one: getattr(finer(), one)[:n]
            for one in ("sweeps_uv", "intensity_ma", "onset_sample", "rate_hz", "sweep_number", "kinds", "is_damaged")
        },
    )
    expected_us = latencies_us(analyse_recording(part))
    assert np.nanmax(np.abs(latencies_us(analyse_recording(by_channel)) - expected_us)) < allowed_us
    by_text = read_one(path, needle_channel="1", annotations="^stimul", intensity_ma=2.0, pulse_width_us=100)
    np.testing.assert_array_equal(by_text.onset_sample, onsets[:n])
    np.testing.assert_array_equal(by_text.sweeps_uv, by_channel.sweeps_uv)


def test_a_file_of_this_program_needs_no_options(tmp_path: Path) -> None:
    write_edf(original("D1"), tmp_path / "x.edf")
    kind, (read,) = read_foreign(tmp_path / "x.edf", ImportOptions())
    assert kind == "EDF+"
    np.testing.assert_array_equal(read.sweeps_uv, original("D1").sweeps_uv)
    assert np.ptp(read.intensity_ma) > 0
    kind, (read,) = read_foreign(RECORDINGS / "D1.npz", ImportOptions(electrode="concentric"))
    assert (kind, read.electrode) == (".npz", "concentric")


def test_onsets_between_the_samples_are_kept(tmp_path: Path) -> None:
    """A recording whose onsets lie between samples gives the latencies of one whose onsets are whole."""
    needle_uv, _, onsets = lay_out(original())
    offset_us = np.random.default_rng(5).uniform(-9.9, 9.9, onsets.size)
    path = write_wav(tmp_path / "x.wav", [needle_uv / 0.3], rate_hz=50_000, bits=16)
    write_onsets(tmp_path / "o.csv", onsets / 50_000 + 1e-6 * offset_us, intensity_ma=original().intensity_ma.tolist())
    read = read_one(path, uv_per_unit=0.3, onsets=tmp_path / "o.csv", pulse_width_us=100.0)
    assert read.onset_offset_us is not None
    np.testing.assert_allclose(read.onset_offset_us, offset_us, atol=1e-6)
    np.testing.assert_array_equal(read.onset_sample, onsets)
    np.testing.assert_array_equal(read.intensity_ma, original().intensity_ma)
    np.testing.assert_allclose(latencies_us(analyse_recording(read)), latencies_us(analysed()) - offset_us, atol=1e-6)


# ---- what is not known is asked for ---------------------------------------------------------------------------------


@pytest.fixture
def wav(tmp_path: Path) -> Path:
    needle_uv, current_ma, onsets = lay_out(original())
    write_onsets(tmp_path / "onsets.csv", onsets / 50_000)
    return write_wav(tmp_path / "x.wav", [needle_uv / 0.3, current_ma * 1000], rate_hz=50_000, bits=16)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({}, "does not tell its scale; give --uv-per-unit"),
        ({"uv_per_unit": 0.3}, "not told when the stimuli came; give --stimulus-channel.*2 channels"),
        (
            {"uv_per_unit": 0.3, "stimulus_channel": "3"},
            "there is no channel '3'; give --stimulus-channel one of: 1, 2",
        ),
        ({"uv_per_unit": 0.3, "stimulus_channel": "2"}, "does not tell the current, .*--intensity-unknown"),
        (
            {"uv_per_unit": 0.3, "stimulus_channel": "2", "intensity_ma": 1.0, "is_intensity_unknown": True},
            "exclude each other",
        ),
        (
            {"uv_per_unit": 0.3, "stimulus_channel": "2", "ma_per_unit": 0.001, "intensity_ma": 1.0},
            "the current of each stimulus is known; leave out --intensity-ma",
        ),
        (
            {"uv_per_unit": 0.3, "stimulus_channel": "2", "intensity_ma": 1.0, "stimulus_threshold": 9e4},
            "nothing in the stimulus channel exceeds 9e\\+04",
        ),
        ({"uv_per_unit": 1e9, "stimulus_channel": "2", "intensity_ma": 1.0}, "no amplifier gives more"),
    ],
)
def test_nothing_is_guessed(wav: Path, options: dict[str, Any], words: str) -> None:
    with pytest.raises(InputFileError, match=words) as caught:
        read_one(wav, **options)
    assert len(str(caught.value).splitlines()) == 1


def test_the_width_of_a_pulse_is_asked_for_where_nothing_tells_it(wav: Path) -> None:
    told = {"uv_per_unit": 0.3, "onsets": wav.with_name("onsets.csv"), "intensity_ma": 1.0}
    with pytest.raises(InputFileError, match="give --pulse-width-us"):
        read_one(wav, **told)
    assert read_one(wav, **told, pulse_width_us=200.0).pulse_width_us == 200.0


def test_an_unknown_current_leaves_the_margin_untested_and_says_so(wav: Path) -> None:
    read = read_one(wav, uv_per_unit=0.3, stimulus_channel="2", is_intensity_unknown=True)
    assert any("the current is not known: 1 mA stands for it" in one for one in read.damage)
    (fibre,) = analyse_recording(read).fibres
    assert set(fibre.verdict) == {GuardVerdict.UNTESTED}
    assert "margin untested" in fibre.reasons
    assert fibre.mcd_us == pytest.approx(analysed().fibres[0].mcd_us, rel=1e-9)


def test_onsets_known_to_a_sample_are_said_to_be(wav: Path) -> None:
    read = read_one(wav, uv_per_unit=0.3, stimulus_channel="2", ma_per_unit=0.001)
    # Two times, each anywhere within a sample, differ by a third of it in the mean.
    assert any("an onset is known to a sample, 20 µs" in one and "an MCD of 6.7 µs" in one for one in read.damage)


def test_onsets_that_were_rounded_are_said_to_be(wav: Path) -> None:
    _, _, onsets = lay_out(original())
    rng = np.random.default_rng(1)
    rounded = write_onsets(wav.with_name("r.csv"), np.round(onsets / 50_000 + rng.uniform(0, 0.001, onsets.size), 3))
    read = read_one(wav, uv_per_unit=0.3, onsets=rounded, intensity_ma=1.0, pulse_width_us=100.0)
    assert any("whole multiples of 1 ms, coarser than a sample of 20 µs" in one for one in read.damage)


# ---- sweeps -------------------------------------------------------------------------------------------------------


def small_wav(folder: Path, onset_samples: list[int], n: int = 20_000) -> Path:
    needle = np.random.default_rng(2).integers(-900, 900, n)
    write_onsets(folder / "o.csv", np.array(onset_samples) / 50_000)
    return write_wav(folder / "x.wav", [needle], rate_hz=50_000, bits=16)


def cut(path: Path, **options: Any) -> Recording:
    return read_one(
        path,
        **{"uv_per_unit": 1.0, "onsets": path.with_name("o.csv"), "intensity_ma": 1.0, "pulse_width_us": 100.0}
        | options,
    )


def test_sweeps_have_the_extent_asked_for(tmp_path: Path) -> None:
    path = small_wav(tmp_path, [3_000, 8_000, 13_000])
    read = cut(path)
    assert (read.onset_index, read.sweeps_uv.shape) == (100, (3, 1_100))  # 2 ms and 20 ms, as the devices have them
    read = cut(path, before_ms=1.0, after_ms=30.0)
    assert (read.onset_index, read.sweeps_uv.shape) == (50, (3, 1_550))
    with __import__("wave").open(str(path)) as file:
        stream = np.frombuffer(file.readframes(20_000), dtype="<i2")
    np.testing.assert_array_equal(read.sweeps_uv[1], stream[7_950:9_500])
    np.testing.assert_allclose(read.rate_hz, 10.0)


def test_sweeps_end_before_the_next_stimulus(tmp_path: Path) -> None:
    read = cut(small_wav(tmp_path, [3_000, 3_600, 8_000]))
    assert read.sweeps_uv.shape == (3, 700)
    assert "sweeps end 12 ms after the stimulus, where the next may come" in read.damage


def test_stimuli_at_the_edges_are_left_out_and_keep_their_numbers(tmp_path: Path) -> None:
    read = cut(small_wav(tmp_path, [50, 5_000, 10_000, 19_500]))
    assert read.sweep_number.tolist() == [1, 2]
    assert "2 of 4 stimuli left out: their sweeps reach beyond the recording" in read.damage


@pytest.mark.parametrize(
    ("onsets", "words"),
    [
        ([25_000], "none of 1 stimuli has a whole sweep in the recording of 0.4 s"),
        ([5_000, 5_040], "stimuli 1 and 2 come 0.8 ms after each other"),
        ([5_000, 5_000], "stimulus 2 comes at 0.1 s, after one at 0.1 s"),
        ([9_000, 5_000], "put them in order"),
        ([], "no stimulus was found"),
    ],
)
def test_onsets_that_cannot_be_are_refused(tmp_path: Path, onsets: list[int], words: str) -> None:
    with pytest.raises(InputFileError, match=words):
        cut(small_wav(tmp_path, onsets))


# ---- files of onsets ----------------------------------------------------------------------------------------------


def test_a_file_of_onsets_tells_currents_and_kinds(tmp_path: Path) -> None:
    path = tmp_path / "o.csv"
    path.write_text("# by hand\nOnset_s; kind; intensity_mA\n\n0,25; measuring; 1,5\n0,5; testing; 1,2\n", "utf-8-sig")
    onsets = read_onsets(path)
    assert onsets.onset_s.tolist() == [0.25, 0.5]
    assert onsets.intensity_ma is not None
    assert onsets.intensity_ma.tolist() == [1.5, 1.2]
    assert onsets.kinds == (PulseKind.MEASURING, PulseKind.TESTING)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "has no column 'onset_s'"),
        ("time\n1\n", "has no column 'onset_s'"),
        ("onset_s\nx\n", "'onset_s' of onset 1 is 'x', which is no number"),
        ("onset_s\nnan\n", "'onset_s' of onset 1 is 'nan'"),
        ("onset_s,intensity_ma\n1,2\n2\n", "onset 2 has 1 values, the header names 2"),
        ("onset_s,intensity_ma\n1,\n", "'intensity_ma' of onset 1 is ''"),
        ("onset_s,kind\n1,strong\n", "'kind' of onset 1 is 'strong'; it must be measuring or testing"),
        ('onset_s,kind\n1,"measuring\n', "cannot be read as CSV"),
    ],
)
def test_files_of_onsets_that_make_no_sense(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "o.csv").write_text(text)
    with pytest.raises(InputFileError, match=words) as caught:
        read_onsets(tmp_path / "o.csv")
    assert len(str(caught.value).splitlines()) == 1


def test_files_of_onsets_that_are_none(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "absent.csv", tmp_path / "a\0b"):
        with pytest.raises(InputFileError):
            read_onsets(path)
    (tmp_path / "b.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputFileError, match="is no text"):
        read_onsets(tmp_path / "b.csv")


def test_a_current_of_nought_is_no_stimulus(tmp_path: Path) -> None:
    path = small_wav(tmp_path, [3_000, 8_000])
    write_onsets(tmp_path / "o.csv", np.array([0.06, 0.16]), intensity_ma=[1.0, 0.0])
    with pytest.raises(InputFileError, match="the current of stimulus 2 is 0 mA; it must be above 0"):
        cut(path, intensity_ma=None)


# ---- CSV ----------------------------------------------------------------------------------------------------------


def write_text(path: Path, rows: npt.NDArray[Any], *, header: str, delimiter: str, comma: bool = False) -> Path:
    lines = [header] if header else []
    lines += [delimiter.join(f"{cell:.6f}" for cell in row) for row in rows]
    path.write_text("\n".join(line.replace(".", ",") if comma else line for line in lines) + "\n")
    return path


def rows_of(n: int = 5_000) -> npt.NDArray[Any]:
    needle = np.random.default_rng(2).normal(0, 90, n)
    return np.stack([np.arange(n) / 50_000, needle], axis=1)


@pytest.mark.parametrize(
    ("header", "delimiter", "comma", "options"),
    [
        ("time_s,needle_uv", ",", False, {}),
        ("t;EMG (mV)", ";", True, {"uv_per_unit": 1.0}),
        ("x\ty", "\t", False, {"time_column": "x", "needle_channel": "Y", "uv_per_unit": 1.0}),
        ("", ",", False, {"time_column": "1", "needle_channel": "2", "uv_per_unit": 1.0}),
        ("", " ", False, {"sample_rate_hz": 50_000.0, "needle_channel": "2", "uv_per_unit": 1.0}),
    ],
)
def test_csv_as_programs_write_it(
    tmp_path: Path, header: str, delimiter: str, comma: bool, options: dict[str, Any]
) -> None:
    path = write_text(tmp_path / "x.csv", rows_of(), header=header, delimiter=delimiter, comma=comma)
    write_onsets(tmp_path / "o.csv", np.array([0.02, 0.06]))
    read = read_one(path, **{"onsets": tmp_path / "o.csv", "intensity_ma": 1.0, "pulse_width_us": 100.0} | options)
    assert read.sample_rate_hz == 50_000.0
    np.testing.assert_allclose(read.sweeps_uv[0], rows_of()[900:2_000, 1], atol=1e-6)


def test_the_unit_in_a_columns_name_counts(tmp_path: Path) -> None:
    path = write_text(tmp_path / "x.csv", rows_of(), header="time_s,EMG (mV)", delimiter=",")
    write_onsets(tmp_path / "o.csv", np.array([0.02, 0.06]))
    read = read_one(path, onsets=tmp_path / "o.csv", intensity_ma=1.0, pulse_width_us=100.0)
    np.testing.assert_allclose(read.sweeps_uv[0], 1000 * rows_of()[900:2_000, 1], rtol=1e-6, atol=1e-3)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 24_414.0625])
def test_times_with_few_digits_give_the_rate(tmp_path: Path, rate_hz: float) -> None:
    rows = rows_of(40_000)
    rows[:, 0] = 3.7 + np.arange(40_000) / rate_hz
    path = write_text(tmp_path / "x.csv", rows, header="time_s,needle_uv", delimiter=",")
    write_onsets(tmp_path / "o.csv", np.array([0.02, 0.06]))
    read = read_one(path, onsets=tmp_path / "o.csv", intensity_ma=1.0, pulse_width_us=100.0)
    assert read.sample_rate_hz == pytest.approx(rate_hz, rel=2e-6)
    if float(rate_hz).is_integer():
        assert read.sample_rate_hz == rate_hz


@pytest.mark.parametrize(
    ("text", "options", "words"),
    [
        ("needle_uv\n1\n2\n", {}, "has no time column; give --sample-rate-hz"),
        ("a,b,c\n1,2,3\n1,2,3\n", {}, "which channel is the needle channel is not told; .* one of: 1 a, 2 b, 3 c"),
        ("time_s,y\n0,1\n1,2\n", {}, "the unit of the needle column is not told; give --uv-per-unit"),
        ("time_s,needle_uv\n0,1\n1,x\n2,3\n", {}, "cannot be read as numbers"),
        ("time_s,needle_uv\n0,1\n1\n2,3\n", {}, "cannot be read as numbers"),
        ("time_s,needle_uv\n0,1\n0,1\n0,1\n", {}, "does not increase from 0 to 0"),
        ("time_s,needle_uv\n0,1\nnan,1\n2,1\n", {}, "do(es)? not increase|not regular"),
        ("time_s,needle_uv\n0,1\n1,1\n2,1\n9,1\n10,1\n11,1\n", {}, "the times are not regular: sample"),
        ("time_s,needle_uv\n0,1\n1,1\n2,1\n", {"sample_rate_hz": 1.0, "time_column": "1"}, "exclude each other"),
        ("time_s,needle_uv\n0,1\n1,1\n2,1\n", {}, "'fs_hz' is 1"),
        ("\n\n", {}, "has no two lines"),
        ("hello", {}, "has no two lines"),
        ("time_s,needle_uv\n0,1\n1,1\n2,1\n", {"needle_channel": "z"}, "there is no channel 'z'"),
        ("a,a\n0,1\n1,1\n2,1\n", {"needle_channel": "a"}, "more than one channel is called 'a'"),
    ],
)
def test_csv_that_makes_no_sense(tmp_path: Path, text: str, options: dict[str, Any], words: str) -> None:
    (tmp_path / "x.csv").write_text(text)
    with pytest.raises(InputFileError, match=words) as caught:
        read_one(tmp_path / "x.csv", **options)
    assert len(str(caught.value).splitlines()) == 1


# ---- EDF ----------------------------------------------------------------------------------------------------------


def small_edf(folder: Path, **options: Any) -> Path:
    needle_uv = np.random.default_rng(2).normal(0, 90, 50_000)
    current_ma = np.zeros(50_000)
    for at in range(5_000, 45_000, 5_000):
        current_ma[at : at + 5] = 2.0
    return write_edf_by_pyedflib(
        folder / "x.edf",
        needle_uv,
        current_ma,
        rate_hz=50_000,
        range_uv=5_000,
        range_ma=5,
        **{"onset_s": np.arange(5_000, 45_000, 5_000) / 50_000, "text": "stim 1.8 mA"} | options,
    )


def test_annotations_may_tell_the_current(tmp_path: Path) -> None:
    path = small_edf(tmp_path)
    read = read_one(path, annotations=r"stim (?P<ma>[\d.]+) mA", pulse_width_us=100.0)
    assert set(read.intensity_ma) == {1.8}
    assert read.n_sweeps == 8
    by_channel = read_one(path, stimulus_channel="stim")
    np.testing.assert_allclose(by_channel.intensity_ma, 2.0, atol=2e-4)
    np.testing.assert_array_equal(by_channel.onset_sample, read.onset_sample)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({}, "not told when the stimuli came; .*, or --annotations; the channels are EMG, Stim"),
        ({"annotations": "pulse"}, "no annotation matches 'pulse'; there are: stim 1.8 mA"),
        ({"annotations": "("}, "is no regular expression"),
        ({"annotations": "(?P<ma>stim)"}, "the group 'ma' of --annotations is no current"),
        ({"needle_channel": "ECG"}, "there is no channel 'ECG'; give --needle-channel one of: 1 EMG, 2 Stim"),
        ({"needle_channel": "Stim", "stimulus_channel": "2"}, "the unit of the channel Stim is 'mA'"),
    ],
)
def test_edf_asks_for_what_it_does_not_tell(tmp_path: Path, options: dict[str, Any], words: str) -> None:
    with pytest.raises(InputFileError, match=words) as caught:
        read_one(small_edf(tmp_path), **options)
    assert len(str(caught.value).splitlines()) == 1


def test_a_file_of_another_program_says_how_it_is_imported(tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match=r"of another program, .* `suprathresh import x\.edf --into STUDY`"):
        load_recording(small_edf(tmp_path))


# ---- NWB ----------------------------------------------------------------------------------------------------------


def small_nwb(folder: Path) -> Path:
    """A needle signal in volts and a current in amperes, and a table of trials, laid out by h5py."""
    seeds = [one[1:] for one in make_foreign_seeds() if one[1:5] == b"\x89HDF"]
    (folder / "x.nwb").write_bytes(next(one for one in seeds if b"trials" in one))
    return folder / "x.nwb"


def test_nwb_of_another_program(tmp_path: Path) -> None:
    path = small_nwb(tmp_path)
    by_channel = read_one(path, needle_channel="needle", stimulus_channel="current", polarity="negative")
    by_table = read_one(path, needle_channel="needle", annotations="trials", intensity_ma=1.5, pulse_width_us=200)
    np.testing.assert_array_equal(by_channel.onset_sample, by_table.onset_sample)
    np.testing.assert_array_equal(by_channel.onset_sample, 50 + 1_000 * np.arange(4))
    np.testing.assert_allclose(by_channel.intensity_ma, 1.5)
    np.testing.assert_array_equal(by_channel.sweeps_uv, by_table.sweeps_uv)
    np.testing.assert_allclose(np.max(np.abs(by_channel.sweeps_uv), axis=1), 450, atol=60)
    with pytest.raises(InputFileError, match=r"not told when the stimuli came; .* its signals are"):
        read_one(path, needle_channel="needle")
    with pytest.raises(InputFileError, match="give --needle-channel, one of its signals"):
        read_one(path)
    with pytest.raises(InputFileError, match="`suprathresh import` takes it"):
        load_recording(path)


# ---- WAV ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at", "new", "words"),
    [
        (40, b"\xff\xff\xff\x7f", "of 2,147,483,647 bytes of samples 40,000 are there"),
        (34, b"\x08\x00", "is not read|contradicts itself"),
        (20, b"\x55\x00", "format 85 with 1 channels of 16 bits is not read"),
        (22, b"\x00\x00", "is not read"),
        (36, b"junk", "holds no samples"),
        (24, b"\x00\x00\x00\x00", "damaged or of a kind that is not read"),
    ],
)
def test_damaged_wav_is_refused(tmp_path: Path, at: int, new: bytes, words: str) -> None:
    path = small_wav(tmp_path, [3_000, 8_000])
    content = bytearray(path.read_bytes())
    content[at : at + len(new)] = new
    path.write_bytes(content)
    with pytest.raises(InputFileError, match=words) as caught:
        cut(path)
    assert len(str(caught.value).splitlines()) == 1


def test_wav_that_is_no_number_is_refused(tmp_path: Path) -> None:
    from scipy.io import wavfile

    samples = np.zeros((20_000, 2), dtype=np.float32)
    samples[:, 0] = np.random.default_rng(1).normal(0, 1, 20_000)
    samples[2_000, 0] = samples[3_000, 1] = math.nan
    wavfile.write(tmp_path / "x.wav", 50_000, samples)
    write_onsets(tmp_path / "o.csv", np.array([0.04, 0.1]))
    with pytest.raises(InputFileError, match="the needle channel is nan at sweep 0, sample 100"):
        cut(tmp_path / "x.wav")
    with pytest.raises(InputFileError, match="the stimulus channel holds values that are no numbers"):
        cut(tmp_path / "x.wav", onsets=None, stimulus_channel="2")


def test_files_of_no_kind_that_is_read(tmp_path: Path) -> None:
    (tmp_path / "x.dat").write_bytes(b"\x80\x81" * 500)
    with pytest.raises(InputFileError, match="is of no kind that is read here"):
        read_one(tmp_path / "x.dat")
    with pytest.raises(InputFileError, match="no such file"):
        read_one(tmp_path / "absent")
    with pytest.raises(InputFileError, match="this is a folder"):
        read_one(tmp_path)
