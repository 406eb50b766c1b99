import dataclasses
import json
import warnings
import weakref
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acq.errors import InputFileError
from acq.exchange.nwb import (
    is_own_nwb,
    list_nwb,
    nwb_numbers,
    read_nwb,
    read_nwb_series,
    read_nwb_times,
    read_nwb_values,
)
from acq.exchange.nwb_writing import write_nwb
from acq.exchange.recordings import check_recording, recording_from_store
from acq.exchange.tables import StudyTables, build_tables
from acq.offline import analyse_recording
from acq.records import Pulse, PulseKind, Sweep
from acq.report.summary_document import plain_summary
from acq.study.encoding import encode_analysis
from acq.study.result import make_result
from acq.study.store import StoredSweeps, StudyStore
from tests.exchange_studies import BEGUN, SECRETS, damage_a_sweep, make_exchange_study

pynwb = pytest.importorskip("pynwb")
h5py = pytest.importorskip("h5py")


@pytest.fixture(scope="module")
def study_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_exchange_study(tmp_path_factory.mktemp("nwb") / "made.study")


@pytest.fixture(scope="module")
def tables(study_path: Path) -> StudyTables:
    with StudyStore.open(study_path) as store:
        return build_tables(store, make_result(store))


def write_whole(study_path: Path, path: Path, **options: Any) -> None:
    with StudyStore.open(study_path) as store:
        tables = build_tables(store, make_result(store), **options)
        summary = plain_summary(tables.study, tables.result.summary, tables.result.limits)
        write_nwb(tables, path, samples=store.sweeps, summary=summary)


def test_the_samples_of_one_recording_at_a_time_are_in_memory(
    study_path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    held: list[weakref.ref[StoredSweeps]] = []
    with StudyStore.open(study_path) as store:
        sweeps = store.sweeps

        def watched(number: int) -> StoredSweeps:
            assert not [one for one in held if one() is not None]
            found = sweeps(number)
            held.append(weakref.ref(found))
            return found

        result = make_result(store)
        monkeypatch.setattr(store, "sweeps", watched)
        tables = build_tables(store, result)
        write_nwb(tables, tmp_path / "a.nwb", samples=watched)
    assert len(held) > 2 * len(tables.study.recordings)


@pytest.fixture(scope="module")
def nwb_path(study_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("written") / "made.nwb"
    write_whole(study_path, path)
    return path


def is_same(one: Any, other: Any) -> bool:
    if isinstance(one, np.ndarray):
        return (
            isinstance(other, np.ndarray)
            and one.dtype == other.dtype
            and np.array_equal(one, other, equal_nan=one.dtype.kind == "f")
        )
    return bool(one == other)


@pytest.mark.parametrize("number", [1, 2])
def test_a_recording_comes_back_the_same_to_the_bit(study_path: Path, nwb_path: Path, number: int) -> None:
    """1 is of converter codes, with trigger offsets and a lost pulse; 2 of samples that were never rounded."""
    with StudyStore.open(study_path) as store:
        before = recording_from_store(store, number)
    after = check_recording(nwb_path, read_nwb(nwb_path, number=number))
    for field in dataclasses.fields(before):
        if field.name != "name":
            assert is_same(getattr(before, field.name), getattr(after, field.name)), field.name
    assert encode_analysis(analyse_recording(after)) == encode_analysis(analyse_recording(before))


def test_codes_are_kept_as_codes_and_unrounded_samples_as_they_are(nwb_path: Path) -> None:
    with h5py.File(nwb_path) as file:
        assert file["acquisition/recording_1/data"].dtype == np.int16
        assert file["acquisition/recording_2/data"].dtype == np.float64
        assert file["acquisition/recording_1/data"].compression == "gzip"


def test_another_program_sees_what_is_in_it(study_path: Path, nwb_path: Path) -> None:
    with StudyStore.open(study_path) as store:
        sweeps = store.sweeps(1)
        analysis = make_result(store).study.endplates[0].fibre
    with pynwb.NWBHDF5IO(str(nwb_path), "r") as stream:
        content = stream.read()
        assert content.subject.subject_id == SECRETS.code
        assert (content.subject.species, content.subject.age, content.subject.sex) == ("Homo sapiens", "P93Y", "U")
        assert content.session_start_time == BEGUN
        series = content.acquisition["recording_1"]
        n, m = sweeps.sweeps_uv.shape
        volts = series.data[:] * series.conversion
        assert series.conversion == pytest.approx(0.3e-6, rel=1e-6)  # 32 bits: the exact step is in the table
        assert np.allclose(volts.reshape(n, m) * 1e6, sweeps.sweeps_uv, rtol=1e-6, atol=0)
        # The stimulus is at `onset_index` of each sweep, whose samples lie evenly about it.
        times_s = series.timestamps[:].reshape(n, m)
        assert np.allclose(times_s[:, sweeps.onset_index], sweeps.onset_s, rtol=0, atol=1e-12)
        assert np.allclose(np.diff(times_s, axis=1), 1 / sweeps.sample_rate_hz, rtol=0, atol=1e-10)
        stimuli = content.intervals["stimuli"].to_dataframe()
        of_one = stimuli[stimuli["recording"] == 1]
        for k, (_, row) in enumerate(of_one[of_one["pulse_index"] != 10].head(20).iterrows()):
            (reference,) = row["timeseries"]
            assert reference.timeseries.name == "recording_1"
            assert np.array_equal(reference.data, series.data[k * m : (k + 1) * m])
            assert row["start_time"] == times_s[k, 0]
        assert len(of_one[of_one["pulse_index"] == 10]["timeseries"].iloc[0]) == 0  # its samples never came
        current = content.stimulus["stimulus_1"]
        assert np.array_equal(current.data[:], sweeps.intensity_ma)
        assert current.unit == "amperes"
        found = content.processing["ecephys"]["responses"].to_dataframe()
        latency_us = found[found["endplate"] == "1.1"]["latency_us"].to_numpy()
        assert latency_us.dtype == np.float64
        assert np.array_equal(latency_us, analysis.latency_us, equal_nan=True)
        assert json.loads(content.scratch["summary"].data)["result"]["n_counted"] == 0
        assert json.loads(content.scratch["study"].data)["muscle"] == "orbicularis oculi"


def test_the_checker_of_nwb_files_finds_nothing_critical(nwb_path: Path) -> None:
    inspector = pytest.importorskip("nwbinspector")
    messages = list(inspector.inspect_nwbfile(nwbfile_path=str(nwb_path)))
    found = {(message.importance.name, message.check_function_name) for message in messages}
    assert found <= {
        # A study has an operator's code and no name, and does not say where it was made.
        ("BEST_PRACTICE_SUGGESTION", "check_experimenter_form"),
        ("BEST_PRACTICE_SUGGESTION", "check_institution"),
        ("BEST_PRACTICE_SUGGESTION", "check_column_binary_capability"),  # numbers of two fibres, 0 and 1
    }


def test_a_study_of_which_hardly_anything_is_known(tmp_path: Path) -> None:
    inspector = pytest.importorskip("nwbinspector")
    with StudyStore.create(tmp_path / "bare.study") as store:
        number = store.start_recording(
            profile="", device="", electrode="concentric", sample_rate_hz=50_000.0, band_hz=(1_000.0, 10_000.0),
            mains_hz=0.0,
        )  # fmt: skip
        for name, add_sweep in (("no sweep", False), ("one sweep", True)):
            if add_sweep:
                pulse = Pulse(0, 1_000, 1.0, 100.0, PulseKind.MEASURING)
                store.add_sweep(number, Sweep(pulse, np.linspace(-1.0, 1.0, 400), 100, 50_000.0))
            tables = build_tables(store, make_result(store))
            path = tmp_path / f"{name}.nwb"
            write_nwb(tables, path, samples=store.sweeps)
            assert pynwb.validate(path=str(path)) == []
            messages = list(inspector.inspect_nwbfile(nwbfile_path=str(path)))
            assert not [message for message in messages if message.importance.name in ("CRITICAL", "ERROR")]
    assert read_nwb(tmp_path / "one sweep.nwb").n_sweeps == 1
    with pytest.raises(InputFileError, match="holds no recording"):
        read_nwb(tmp_path / "no sweep.nwb")


def test_the_file_is_as_the_schema_says(nwb_path: Path) -> None:
    assert pynwb.validate(path=str(nwb_path)) == []


def test_an_anonymous_file_has_no_word_of_anybody_and_no_day(study_path: Path, tmp_path: Path) -> None:
    path = tmp_path / "anonymous.nwb"
    write_whole(study_path, path, is_anonymous=True)
    said: list[str] = []

    def collect(name: str, found: Any) -> None:
        said.append(name)
        said.extend(f"{key} {value}" for key, value in found.attrs.items())
        if isinstance(found, h5py.Dataset) and found.dtype.kind == "O" and h5py.check_string_dtype(found.dtype):
            said.append(str(found.asstr()[()] if found.ndim == 0 else found.asstr()[:].tolist()))

    with h5py.File(path) as file:
        file.visititems(collect)
        assert file["general/subject/age"].asstr()[()] == "P90Y/"  # or older
        assert file["session_start_time"].asstr()[()].startswith("2000-01-01")
    text = "\n".join(said) + path.read_bytes().decode("latin-1")
    assert "orbicularis oculi" in text
    for name in SECRETS.__dataclass_fields__:
        assert getattr(SECRETS, name) not in text, name
    assert f"{BEGUN.year}-" not in text


def test_what_a_damaged_study_still_has_is_written_and_read(study_path: Path, tmp_path: Path) -> None:
    path = tmp_path / "damaged.study"
    path.write_bytes(study_path.read_bytes())
    damage_a_sweep(path)
    with StudyStore.open(path) as store:
        before = recording_from_store(store, 1)
    write_whole(path, tmp_path / "damaged.nwb")
    after = read_nwb(tmp_path / "damaged.nwb", number=1)
    assert after.n_sweeps == before.n_sweeps == 58
    assert np.array_equal(after.sweeps_uv, before.sweeps_uv)
    assert np.array_equal(after.onset_sample, before.onset_sample)


def test_which_recording_is_wanted_must_be_said(nwb_path: Path) -> None:
    assert nwb_numbers(nwb_path) == (1, 2)
    assert is_own_nwb(nwb_path)
    with pytest.raises(InputFileError, match="name the recording wanted; the file holds the numbers 1, 2"):
        read_nwb(nwb_path)
    with pytest.raises(InputFileError, match="there is no recording 7"):
        read_nwb(nwb_path, number=7)


# Files of other programs


@pytest.fixture(scope="module")
def foreign_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two channels in millivolts sampled evenly, a channel with a pause, a table of trials, and a series of events."""
    path = tmp_path_factory.mktemp("foreign") / "foreign.nwb"
    content = pynwb.NWBFile(
        session_description="another program's", identifier="f", session_start_time=datetime(2020, 1, 1, tzinfo=UTC)
    )
    rng = np.random.default_rng(3)
    codes = rng.integers(-3000, 3000, (5000, 2)).astype(np.int16)
    content.add_acquisition(
        pynwb.TimeSeries(name="emg", data=codes, unit="mV", conversion=0.25, rate=25_000.0, starting_time=1.5)
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its own: a signal with a rate would be smaller
        content.add_acquisition(
            pynwb.TimeSeries(name="even", data=codes[:, 0], unit="volts", timestamps=2.0 + np.arange(5000) / 20_000.0)
        )
    broken_s = np.arange(5000) / 20_000.0
    broken_s[2500:] += 1.0
    content.add_acquisition(pynwb.TimeSeries(name="paused", data=codes[:, 0], unit="volts", timestamps=broken_s))
    content.add_stimulus(
        pynwb.TimeSeries(
            name="pulses", data=np.array([1.0, 2.0]), unit="amperes", conversion=1e-3, timestamps=np.array([1.6, 1.65])
        )
    )
    content.add_trial_column(name="current", description="mA")
    content.add_trial(start_time=1.6, stop_time=1.61, current=1.25)
    content.add_trial(start_time=1.65, stop_time=1.66, current=1.5)
    with pynwb.NWBHDF5IO(str(path), "w") as stream:
        stream.write(content)
    return path


def test_signals_and_times_of_another_program(foreign_path: Path) -> None:
    contents = list_nwb(foreign_path)
    assert set(contents.series) >= {"acquisition/emg", "acquisition/even", "stimulus/presentation/pulses"}
    assert contents.tables == ("intervals/trials",)
    assert not is_own_nwb(foreign_path)
    with h5py.File(foreign_path) as file:
        codes = file["acquisition/emg/data"][:]
    signal = read_nwb_series(foreign_path, "emg", column=1)
    assert signal.unit == "uv"
    assert signal.sample_rate_hz == 25_000.0
    assert signal.start_s == 1.5
    assert signal.quantum == 250.0
    assert np.array_equal(signal.values, codes[:, 1] * 250.0)
    even = read_nwb_series(foreign_path, "acquisition/even")
    assert even.sample_rate_hz == pytest.approx(20_000.0, rel=1e-9)
    assert even.start_s == 2.0
    assert read_nwb_times(foreign_path, "trials").tolist() == [1.6, 1.65]
    assert read_nwb_times(foreign_path, "intervals/trials/stop_time").tolist() == [1.61, 1.66]
    assert read_nwb_times(foreign_path, "pulses").tolist() == [1.6, 1.65]
    assert read_nwb_values(foreign_path, "trials/current").tolist() == [1.25, 1.5]
    assert read_nwb_values(foreign_path, "pulses") == pytest.approx([1.0, 2.0], rel=1e-6)


def test_what_cannot_be_read_is_said_in_one_line(foreign_path: Path, nwb_path: Path, tmp_path: Path) -> None:
    half = tmp_path / "half.nwb"
    half.write_bytes(nwb_path.read_bytes()[: nwb_path.stat().st_size // 2])
    plain = tmp_path / "plain.h5"
    with h5py.File(plain, "w") as file:
        file["x"] = [1.0]
    outside = tmp_path / "outside.nwb"
    outside.write_bytes(nwb_path.read_bytes())
    with h5py.File(outside, "r+") as file:
        del file["acquisition/recording_1/data"]
        file["acquisition/recording_1/data"] = h5py.ExternalLink(str(nwb_path), "acquisition/recording_1/data")
    for call, said in (
        (lambda: read_nwb(half, number=1), "damaged"),
        (lambda: read_nwb(plain, number=1), "no NWB file"),
        (lambda: read_nwb(foreign_path), "of another program"),
        (lambda: read_nwb(outside, number=1), "is in another file"),
        (lambda: read_nwb(tmp_path / "absent.nwb"), "absent.nwb"),
        (
            lambda: read_nwb_series(foreign_path, "nothing"),
            "there is no signal 'nothing'; the file has acquisition/emg",
        ),
        (lambda: read_nwb_series(foreign_path, "emg", column=2), "choose one from 1 to 2"),
        (lambda: read_nwb_series(foreign_path, "paused"), "not sampled without a pause"),
        (lambda: read_nwb_times(foreign_path, "emg"), "is a signal, not a list of times"),
        (lambda: read_nwb_values(foreign_path, "trials"), "name a column"),
    ):
        with pytest.raises(InputFileError, match=said) as caught:
            call()
        assert "\n" not in str(caught.value)
