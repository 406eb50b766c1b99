"""Whatever is in a file of a recording: it is refused in one clear line, or it is read, played and analysed."""

from __future__ import annotations

import json
import os
import struct
import subprocess
import sys
import tracemalloc
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import strategies as st

from acq.errors import InputFileError
from acq.exchange import nwb_trial
from acq.exchange.recordings import Recording, load_recording, load_truth
from acq.offline import analyse_recording
from acq.report.comparison import compare
from tests.fuzz import recording_input
from tests.fuzz.mutation import mutated_bytes
from tests.fuzz.outcome import read_or_refuse
from tests.fuzz.recording_input import make_arrays, make_truth, to_npy
from tests.fuzz.search import search

SEEDS = recording_input.make_seeds()
FOREIGN = recording_input.make_foreign_seeds()

_NUMBERS = (
    0,
    -1,
    1,
    2,
    1e-300,
    5e-324,
    1e-9,
    0.5,
    49.9,
    5_000,
    1e6,
    1e12,
    1e300,
    -1e300,
    2.0**63,
    np.nan,
    np.inf,
    -np.inf,
)
_TYPES = ("<i2", ">i2", "<u8", "|i1", "<f2", "<f4", ">f8", "<f8", "|b1", "<c8", "<U3", "|S4", "<M8[s]", "<f16")
_DESCRIPTIONS = ("<i2", "<f8", "|O", "|V0", "<U0", "|V8", "<U4000000000", "<m8", ">i8", "<f3", "|x1", "")


def _retype(array: np.ndarray[Any, Any], kind: str) -> np.ndarray[Any, Any]:
    with np.errstate(all="ignore"):
        try:
            return (array.real if array.dtype.kind == "c" else array).astype(kind)
        except (TypeError, ValueError):
            return array


@st.composite
def changed_arrays(draw: st.DrawFn) -> dict[str, np.ndarray[Any, Any]]:
    """A sound recording with values, types and shapes changed."""
    n = draw(st.sampled_from((1, 2, 3, 8, 30)))
    m = draw(st.sampled_from((300, 400, 500)))
    arrays: dict[str, np.ndarray[Any, Any]] = dict(make_arrays(n, m))
    for _ in range(draw(st.integers(1, 3))):
        key = draw(st.sampled_from(sorted(arrays)))
        array = arrays[key]
        what = draw(st.sampled_from(("one", "one", "all", "type", "shape", "drop", "scale", "repeat", "zero")))
        number = draw(st.sampled_from(_NUMBERS) | st.floats(-1e4, 1e4))
        if what in ("one", "all") and array.dtype.kind in "iuf" and array.size:
            array = array.astype(np.float64)
            array.reshape(-1)[0 if what == "one" else slice(None)] = number
        elif what == "type":
            array = _retype(array, draw(st.sampled_from(_TYPES)))
        elif what == "shape":
            shapes = [(-1,), (1, -1), (-1, 1), (-1, 1, 1)]
            array = array.reshape(draw(st.sampled_from(shapes)))
        elif what == "drop" and array.ndim:
            array = array[: draw(st.integers(0, len(array)))]
        elif what == "scale" and array.dtype.kind in "iuf":
            with np.errstate(all="ignore"):
                array = array * number
        elif what == "repeat" and array.ndim:
            array = np.repeat(array[:1], len(array), axis=0)
        elif what == "zero":
            array = np.zeros_like(array)
        arrays[key] = array
    return arrays


def save(folder: Path, arrays: dict[str, Any]) -> Path:
    path = folder / "X.npz"
    with zipfile.ZipFile(path, "w") as archive:
        for key, array in arrays.items():
            archive.writestr(f"{key}.npy", to_npy(np.asarray(array)))
    return path


def read(path: Path) -> Recording | None:
    recording, _ = read_or_refuse(lambda: load_recording(path), (InputFileError,))
    return recording


@pytest.mark.timeout(7200)
def test_mutated_archives(full: bool, tmp_path: Path) -> None:
    search(lambda data: recording_input.feed(data, tmp_path), mutated_bytes(SEEDS), n=50_000 if full else 400)


@pytest.mark.timeout(7200)
@pytest.mark.parametrize("kind", range(len(FOREIGN)))
def test_mutated_files_of_other_programs(
    full: bool, tmp_path: Path, kind: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """EDF+, BDF+, WAV, CSV, NWB and files of onsets, each with bytes changed, most of them where its header is."""
    is_hdf5 = FOREIGN[kind][1:5] == b"\x89HDF"
    if is_hdf5 and not full:
        # Each input would cost a second in a process of its own; none of these few loops.
        monkeypatch.setattr("acq.exchange.nwb_trial.try_nwb", lambda *_, **__: None)

    @st.composite
    def inputs(draw: st.DrawFn) -> bytes:
        seed = FOREIGN[kind]
        n_head = draw(st.sampled_from((300, 1_100, 1_100, len(seed))))
        return seed[:1] + draw(mutated_bytes([seed[1:n_head]]) | st.just(seed[1:n_head])) + seed[n_head:]

    assert recording_input.feed(FOREIGN[kind], tmp_path), "the seed itself is not read"
    search(lambda data: recording_input.feed(data, tmp_path), inputs(), n=(200 if is_hdf5 else 3_000) if full else 60)


@pytest.mark.timeout(14_400)
def test_what_is_accepted_is_analysed(full: bool, tmp_path: Path) -> None:
    """Recordings whose values are changed. What the check lets through, the analysis copes with."""

    def feed(arrays: dict[str, Any]) -> bool:
        recording = read(save(tmp_path, arrays))
        if recording is None:
            return False
        analysis, line = read_or_refuse(lambda: analyse_recording(recording), (ValueError,))
        # An error of the algebra is no sentence about the recording.
        assert not line or line.startswith(("intensity_ma ", "onset_s ", "sweeps_uv ")), line
        assert analysis is None or analysis.n_sweeps == recording.n_sweeps
        return True

    search(feed, changed_arrays(), n=5_000 if full else 100)


@pytest.mark.timeout(7200)
def test_changed_truths_are_refused_or_compared(full: bool, tmp_path: Path) -> None:
    arrays = make_arrays(30)
    path = save(tmp_path, arrays)
    recording = load_recording(path)
    analysis = analyse_recording(recording)
    truth_path, json_path = tmp_path / "X_truth.npz", tmp_path / "X_truth.json"
    figures = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=3) | st.just([1])
    fibres = st.lists(
        st.dictionaries(st.sampled_from(("snr_pp", "mcd_suprathreshold_us")), figures) | figures, max_size=3
    )
    summaries = st.fixed_dictionaries({}, optional={"fibres": fibres | figures})

    @st.composite
    def truths(draw: st.DrawFn) -> tuple[dict[str, Any], Any]:
        truth: dict[str, Any] = dict(make_truth(30))
        for _ in range(draw(st.integers(0, 2))):
            key = draw(st.sampled_from(sorted(truth)))
            array = truth[key]
            what = draw(st.sampled_from(("type", "shape", "drop", "number", "missing")))
            if what == "type":
                truth[key] = _retype(array, draw(st.sampled_from(_TYPES)))
            elif what == "shape":
                truth[key] = array.reshape(draw(st.sampled_from([(-1,), (1, -1), (-1, 1, 1)])))
            elif what == "drop" and array.ndim:
                truth[key] = array[: draw(st.integers(0, len(array)))]
            elif what == "number":
                truth[key] = np.full(array.shape, draw(st.sampled_from(_NUMBERS)))
            elif what == "missing" and len(truth) > 1:
                del truth[key]
        return truth, draw(summaries)

    def feed(drawn: tuple[dict[str, Any], Any]) -> bool:
        members, summary = drawn
        with zipfile.ZipFile(truth_path, "w") as archive:
            for key, array in members.items():
                archive.writestr(f"{key}.npy", to_npy(np.asarray(array)))
        json_path.write_text(json.dumps(summary), encoding="utf-8")
        truth, _ = read_or_refuse(lambda: load_truth(path), (InputFileError,))
        if truth is None:
            return False
        compare(analysis, truth, intensity_ma=recording.intensity_ma)
        return True

    search(feed, truths(), n=20_000 if full else 200)


def test_a_file_whose_reading_does_not_end_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x.nwb"
    path.write_bytes(next(seed for seed in FOREIGN if seed[1:5] == b"\x89HDF")[1:])
    nwb_trial.try_nwb(path)
    for text, words in (("while True: pass", "does not come to an end within 1 s"), ("import os; os.abort()", "broke")):
        run = subprocess.run
        command = [sys.executable, "-c", text]
        monkeypatch.setattr(subprocess, "run", lambda _, run=run, command=command, **given: run(command, **given))
        with pytest.raises(InputFileError, match=words) as caught:
            nwb_trial.try_nwb(path, least_s=0.6)
        monkeypatch.undo()
        assert len(str(caught.value).splitlines()) == 1


# ---- the smallest examples of what was found -------------------------------------------------------------------------


def make_header(description: str, shape: str, *, version: bytes = b"\x01\x00") -> bytes:
    header = f"{{'descr': {description}, 'fortran_order': False, 'shape': {shape}, }}".encode("latin-1")
    header += b" " * (-(len(header) + 11) % 64) + b"\n"
    return b"\x93NUMPY" + version + struct.pack("<H", len(header)) + header


def save_members(folder: Path, changed: dict[str, bytes], *, compression: int = zipfile.ZIP_STORED) -> Path:
    path = folder / "X.npz"
    with zipfile.ZipFile(path, "w", compression) as archive:
        for key, content in ({k: to_npy(v) for k, v in make_arrays().items()} | changed).items():
            archive.writestr(f"{key}.npy", content)
    return path


@pytest.fixture
def memory() -> Iterator[None]:
    """Reading takes no more than a little memory."""
    tracemalloc.start()
    try:
        yield
        assert tracemalloc.get_traced_memory()[1] < 50_000_000
    finally:
        tracemalloc.stop()


@pytest.mark.usefixtures("memory")
@pytest.mark.parametrize(
    ("description", "shape", "words"),
    [
        ("'<f8'", "(100000, 125000)", "may have 30,000,000 numbers"),
        ("'<f8'", f"({2**62}, {2**62})", "may have 30,000,000 numbers"),
        ("'<U100000000'", "(1,)", "may have 30,000,000 numbers"),
        ("'<f8'", "(1000, 1000)", "need 8000000 bytes, there are 800"),
        ("'<f8'", "(-1, 400)", "has shape"),
        ("'|V0'", "(8, 400)", "has shape"),
        ("'|O'", "(8, 400)", "holds Python objects"),
        ("'<f8'", "(8, 400(", "its header cannot be read"),
        ("'<f8'", "(" * 300, "its header cannot be read"),
        ("'<f8'", "'x' * 9", "its header cannot be read"),
        ("[('a', '<f8')]", "(100,)", "'raw' must be numbers"),
        ("{}", "(8, 400)", "has shape"),
    ],
)
def test_headers_that_ask_for_what_is_not_there(tmp_path: Path, description: str, shape: str, words: str) -> None:
    path = save_members(tmp_path, {"raw": make_header(description, shape) + bytes(800)})
    with pytest.raises(InputFileError, match=words):
        load_recording(path)
    assert read(path) is None


@pytest.mark.usefixtures("memory")
def test_a_bomb_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    """Half a gigabyte of zeros in half a megabyte of file."""
    path = tmp_path / "X.npz"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for key, array in make_arrays().items():
            if key != "raw":
                archive.writestr(f"{key}.npy", to_npy(array))
        with archive.open("raw.npy", "w", force_zip64=True) as member:
            member.write(make_header("'|i1'", "(1000, 500000)"))
            for _ in range(500):
                member.write(bytes(1_000_000))
    assert path.stat().st_size < 1_000_000
    with pytest.raises(InputFileError, match="all arrays together may have 30,000,000 numbers, split the recording"):
        load_recording(path)


@pytest.mark.usefixtures("memory")
def test_arrays_that_nobody_asked_for_are_not_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "X.npz"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for key, array in make_arrays().items():
            archive.writestr(f"{key}.npy", to_npy(array))
        with archive.open("extra.npy", "w") as member:
            for _ in range(200):
                member.write(bytes(1_000_000))
    assert load_recording(path).n_sweeps == 8


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_other_compressions_are_refused(tmp_path: Path, method: int) -> None:
    with pytest.raises(InputFileError, match="is compressed in a way that is not read here"):
        load_recording(save_members(tmp_path, {}, compression=method))


def test_an_encrypted_archive_is_refused(tmp_path: Path) -> None:
    path = save_members(tmp_path, {})
    content = bytearray(path.read_bytes())
    for magic, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = content.find(magic)
        while place >= 0:
            content[place + at] |= 1
            place = content.find(magic, place + 4)
    path.write_bytes(content)
    with pytest.raises(InputFileError, match="encrypted"):
        load_recording(path)


def test_names_that_cannot_be_printed_are_not_printed(tmp_path: Path) -> None:
    path = tmp_path / "X.npz"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("\x1b[2J\n.npy", b"")
        archive.writestr("k" * 5_000, b"")
    with pytest.raises(InputFileError, match="the array 'raw' is missing"):
        load_recording(path)
    assert read(path) is None


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"stim_time_s": 6.0 + 1e6 * np.arange(8)}, "at most 86400"),
        ({"scale_uv_per_bit": 1e300}, "'scale_uv_per_bit' is 1e"),
        ({"scale_uv_per_bit": 5e-324}, "'scale_uv_per_bit' is 4.94"),
        ({"raw": np.full((8, 400), 1e200)}, "no amplifier gives more"),
        ({"trig_offset_us": np.full(8, 1e300)}, "'trig_offset_us' is 1e"),
        ({"rate_hz": np.full(8, 5e-324)}, "'rate_hz' is 4.94"),
        ({"sweep_index": 1e300 * np.arange(1, 9)}, "'sweep_index' must be whole numbers"),
        ({"stim_ma": np.full(8, 1e300, dtype=np.longdouble) ** 2}, "'stim_ma' is inf"),
        ({"raw": np.repeat(make_arrays()["raw"][:1], 8, axis=0)}, "are the same to the last bit"),
    ],
)
def test_values_that_passed_and_broke_what_came_after(tmp_path: Path, changed: dict[str, Any], words: str) -> None:
    with pytest.raises(InputFileError, match=words):
        load_recording(save(tmp_path, make_arrays() | changed))


def test_an_electrode_that_is_no_text_is_refused(tmp_path: Path) -> None:
    content = make_header("'<U1'", "()") + b"\xff\xff\xff\x7f"
    with pytest.raises(InputFileError, match="'electrode' is not one word"):
        load_recording(save_members(tmp_path, {"electrode": content}))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="Windows has no pipes in folders")
@pytest.mark.timeout(20)
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "X.npz")
    with pytest.raises(InputFileError, match="this is no file"):
        load_recording(tmp_path / "X.npz")


def test_a_name_that_is_none_is_refused() -> None:
    with pytest.raises(InputFileError, match="is no name of a file"):
        load_recording("a\0b.npz")


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"latency_us": np.zeros(8)}, "'latency_us' must be numbers of shape"),
        ({"theta_ma": np.zeros((7, 1))}, "must be numbers of shape"),
        ({"fibre_axon": np.array([5])}, "'fibre_axon' must be from -1 to 0"),
        ({"theta_ma": np.zeros((8, 1))}, "'theta_ma' is 0; a threshold is above 0"),
        ({"blocked": np.full((8, 1), "x")}, "'blocked' must be numbers"),
        (make_truth(7), "is of 7 sweeps, the recording beside it has 8"),
    ],
)
def test_truths_that_do_not_fit_are_refused(tmp_path: Path, changed: dict[str, Any], words: str) -> None:
    path = save(tmp_path, make_arrays())
    np.savez(tmp_path / "X_truth.npz", **(make_truth() | changed))
    with pytest.raises(InputFileError, match=words):
        load_truth(path)


@pytest.mark.parametrize(
    "summary",
    [
        "[" * 100_000,
        '{"fibres": 1}',
        '{"fibres": [1]}',
        '{"fibres": [{"snr_pp": "x"}]}',
        '{"fibres": [{"snr_pp": null}]}',
        "1" * 5_000,
    ],
)
def test_summaries_that_do_not_fit_are_refused(tmp_path: Path, summary: str) -> None:
    path = save(tmp_path, make_arrays())
    np.savez(tmp_path / "X_truth.npz", **make_truth())  # type: ignore[arg-type] # the keys are no options of numpy's
    (tmp_path / "X_truth.json").write_text(summary)
    with pytest.raises(InputFileError, match=r"X_truth\.json"):
        load_truth(path)
