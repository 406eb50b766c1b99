import dataclasses
import signal
import sqlite3
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from acq.errors import StudyFileError
from acq.exchange.recordings import load_recording
from acq.records import (
    FibreAnalysis,
    FibreResponse,
    GuardVerdict,
    MissingReason,
    Origin,
    Pulse,
    PulseKind,
    RecordingAnalysis,
    Sweep,
)
from acq.study.database import APPLICATION_ID, SCHEMA_VERSION
from acq.study.store import StudyStore, VerdictChange, default_study_path
from acq.study.verification import verify

ROOT = Path(__file__).parents[3]
MOMENT = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)


def fixed_now() -> datetime:
    return MOMENT


def start(store: StudyStore, *, quantum_uv: float | None = 0.3) -> int:
    return store.start_recording(
        profile="simulated",
        device="simulated patient",
        electrode="single_fibre",
        sample_rate_hz=50_000.0,
        band_hz=(500.0, 10_000.0),
        mains_hz=50.0,
        quantum_uv=quantum_uv,
        settings={"rate_hz": 10.0, "margin": {"relative": 0.2}},
    )


def make_sweep(index: int, samples_uv: np.ndarray, *, delivered_ma: float = 1.3, is_damaged: bool = False) -> Sweep:
    kind = PulseKind.TESTING if index % 20 == 19 else PulseKind.MEASURING
    pulse = Pulse(index, 1_000 + 5_000 * index, 1.25, 100.0, kind, delivered_ma=delivered_ma)
    return Sweep(pulse, samples_uv, 100, 50_000.0, is_damaged)


def make_responses(index: int) -> list[FibreResponse]:
    nan = float("nan")
    return [
        FibreResponse(0, index, 4000.0 + 1 / 3, 512.7, MissingReason.RESPONDED, GuardVerdict.ASSURED),
        FibreResponse(2, index, nan, nan, MissingReason.UNDECIDED, GuardVerdict.UNTESTED),
    ]


def codes(seed: int, n: int = 1100, *, size: int = 30_000) -> np.ndarray:
    return np.random.default_rng(seed).integers(-size, size, n) * 0.3


def stored_encodings(path: Path) -> list[str]:
    with sqlite3.connect(path) as connection:
        rows = connection.execute("SELECT encoding FROM stimuli ORDER BY seq").fetchall()
    connection.close()
    return [row[0] for row in rows]


def test_everything_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    with StudyStore.create(path, meta={"muscle": "orbicularis oculi", "note": "µ"}, now=fixed_now) as store:
        number = start(store)
        for index in range(25):
            changes = [VerdictChange(index, 0, GuardVerdict.THIN, "margin 0.21 mA (15 %)")] if index == 7 else []
            store.add_sweep(number, make_sweep(index, codes(index)), make_responses(index), changes)
        store.add_pulse(number, Pulse(25, 126_000, 1.25, 100.0, PulseKind.MEASURING))
        store.add_action("intensity", "1.20 to 1.25 mA", sample=900, recording=number)
        store.add_event("overrun", "40 samples lost")
        assert start(store) == 2
    with StudyStore.open(path) as store:
        assert store.meta()["muscle"] == "orbicularis oculi"
        assert store.meta()["created_at_utc"] == MOMENT.isoformat()
        first, second = store.recordings()
        assert (first.number, first.n_sweeps, second.n_sweeps) == (1, 25, 0)
        assert first.settings == {"rate_hz": 10.0, "margin": {"relative": 0.2}}
        assert (first.band_hz, first.quantum_uv, first.full_scale_uv) == ((500.0, 10_000.0), 0.3, None)
        assert first.started_at == MOMENT
        sweeps = store.sweeps(number)
        assert sweeps.sweeps_uv.tobytes() == np.stack([codes(index) for index in range(25)]).tobytes()
        assert sweeps.onset_s.tolist() == [(1_000 + 5_000 * index) / 50_000.0 for index in range(25)]
        assert (sweeps.onset_index, sweeps.sample_rate_hz, sweeps.electrode) == (100, 50_000.0, "single_fibre")
        assert sweeps.intensity_ma.tolist() == [1.3] * 25
        assert [index for index, kind in enumerate(sweeps.kinds) if kind is PulseKind.TESTING] == [19]
        assert len(store.pulses(number)) == 26
        assert np.isnan(store.pulses(number)[25].delivered_ma)
        # repr compares every digit and takes NaN for equal.
        expected = [one for index in range(25) for one in make_responses(index)]
        assert repr(store.responses(number)) == repr(tuple(expected))
        assert store.verdicts(number) == (VerdictChange(7, 0, GuardVerdict.THIN, "margin 0.21 mA (15 %)"),)
        (action,), (event,) = store.actions(), store.events()
        assert (action.kind, action.detail, action.sample, action.recording) == ("intensity", "1.20 to 1.25 mA", 900, 1)
        assert action.at == MOMENT
        assert (event.kind, event.sample, event.recording) == ("overrun", None, None)
        assert store.sweeps(2).sweeps_uv.shape[0] == 0


@pytest.mark.parametrize(
    ("samples_uv", "quantum_uv", "encoding"),
    [
        (codes(1), 0.3, "int16"),
        (np.array([-32768, 32767, 0, 1] * 10) * 0.3, 0.3, "int16"),
        (np.array([32768, 0] * 10) * 0.3, 0.3, "int32"),
        (np.array([-(2**31) + 1, 2**31 - 1] * 10) * 0.3, 0.3, "int32"),
        (np.array([2**31, 0] * 10) * 0.3, 0.3, "float64"),
        (np.array([1e300, -1e300]), 0.3, "float64"),
        (codes(2), None, "float64"),
        (np.nextafter(codes(3), np.inf), 0.3, "float64"),
        (np.array([0.0, -0.0, 0.3]), 0.3, "float64"),
        (np.array([0.3, np.nan, -np.inf]), 0.3, "float64"),
        (np.random.default_rng(4).standard_normal(1100), 0.3, "float64"),
        (np.random.default_rng(4).integers(-(2**15), 2**15, 1100) * 0.1, 0.1, "int16"),
        (np.random.default_rng(4).integers(-(2**15), 2**15, 1100) * (2.5e6 / 2**15), 2.5e6 / 2**15, "int16"),
    ],
)
def test_samples_come_back_bit_for_bit(
    tmp_path: Path, samples_uv: np.ndarray, quantum_uv: float | None, encoding: str
) -> None:
    path = tmp_path / "x.study"
    with StudyStore.create(path) as store:
        number = start(store, quantum_uv=quantum_uv)
        store.add_sweep(number, make_sweep(0, samples_uv, is_damaged=True))
        sweeps = store.sweeps(number)
    assert sweeps.sweeps_uv[0].tobytes() == samples_uv.tobytes()
    assert sweeps.is_damaged.tolist() == [True]
    assert stored_encodings(path) == [encoding]


def test_encoding_is_chosen_for_each_sweep(tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    unquantised = np.random.default_rng(0).standard_normal(1100)
    with StudyStore.create(path) as store:
        number = start(store)
        store.add_sweep(number, make_sweep(0, codes(0)))
        store.add_sweep(number, make_sweep(1, unquantised))
        read = store.sweeps(number).sweeps_uv
    assert read[0].tobytes() == codes(0).tobytes()
    assert read[1].tobytes() == unquantised.tobytes()
    assert stored_encodings(path) == ["int16", "float64"]


def test_intensity_is_the_commanded_one_where_none_was_seen(tmp_path: Path) -> None:
    with StudyStore.create(tmp_path / "x.study") as store:
        number = start(store)
        store.add_sweep(number, make_sweep(0, codes(0), delivered_ma=float("nan")))
        store.add_sweep(number, make_sweep(1, codes(1), delivered_ma=1.31))
        assert store.sweeps(number).intensity_ma.tolist() == [1.25, 1.31]


def make_analysis(scale: float) -> RecordingAnalysis:
    def objects(*items: object) -> np.ndarray:
        array = np.empty(len(items), dtype=object)
        array[:] = items
        return array

    fibre = FibreAnalysis(
        latency_us=np.array([4000.1, np.nan, 4000.0 + scale / 3]),
        amplitude_uv=812.5,
        rise_time_us=142.0 / 7,
        mcd_us=13.0 * scale,
        mcd_raw_us=14.0,
        mcd_noise_us=float("nan"),
        mcd_interval_us=(10.0 / 3, float("inf")),
        n_pairs=1,
        blocking_fraction=1 / 3,
        threshold_ma=None,
        threshold_interval_ma=(0.9, 1.1),
        verdict=objects(GuardVerdict.ASSURED, GuardVerdict.LOST, GuardVerdict.UNTESTED),
        missing=objects(MissingReason.RESPONDED, MissingReason.STIMULUS, MissingReason.RESPONDED),
        admitted=np.array([True, False, True]),
        origin=Origin.ENDPLATE,
        acceptable=True,
        reasons=("margin untested",),
        stimulus_failure_probability=np.array([np.nan, 0.97, np.nan]),
    )
    other = dataclasses.replace(fibre, threshold_ma=float("nan"), threshold_interval_ma=None, fibre=3)
    return RecordingAnalysis((fibre, other), 3, np.array([False, True, False]), 6.5 / 7, ("one sweep rejected",))


def test_results_come_back_exactly_and_are_added_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    with StudyStore.create(path, now=fixed_now) as store:
        number = start(store)
        store.add_result(number, make_analysis(1.0), settings={"level": 0.5})
        store.add_result(number, make_analysis(1.1), settings={"level": float("nan")})
    with StudyStore.open(path) as store:
        first, second = store.results()
        assert store.results(2) == ()
    with np.printoptions(floatmode="unique"):
        assert repr(first.analysis) == repr(make_analysis(1.0))
        assert repr(second.analysis) == repr(make_analysis(1.1))
        assert repr(first.analysis) != repr(second.analysis)
    assert first.analysis.fibres[0].verdict[0] is GuardVerdict.ASSURED
    assert first.analysis.fibres[0].latency_us.tobytes() == make_analysis(1.0).fibres[0].latency_us.tobytes()
    assert (first.settings, second.settings) == ({"level": 0.5}, {"level": "NaN"})
    assert first.software_version
    assert first.made_at == MOMENT


def test_closing_leaves_a_single_file(tmp_path: Path) -> None:
    store = StudyStore.create(tmp_path / "x.study")
    number = start(store)
    store.add_sweep(number, make_sweep(0, codes(0)))
    store.settle()
    store.close()
    store.close()
    assert [path.name for path in tmp_path.iterdir()] == ["x.study"]
    with pytest.raises(StudyFileError, match="the study is closed"):
        store.add_action("late", "")
    with pytest.raises(StudyFileError, match="the study is closed"):
        store.sweeps(number)
    with StudyStore.open(tmp_path / "x.study") as reader:
        assert reader.sweeps(number).sweeps_uv.shape == (1, 1100)
        assert [path.name for path in tmp_path.iterdir()] == ["x.study"]


def test_any_file_name_will_do(tmp_path: Path) -> None:
    path = tmp_path / "new folder" / "50% #1 µ'a.study"
    with StudyStore.create(path) as store:
        start(store)
    with StudyStore.open(path, "write") as store:
        assert len(store.recordings()) == 1
    assert [one.name for one in path.parent.iterdir()] == [path.name]


def test_header_tells_a_study_from_other_files(tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    StudyStore.create(path).close()
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
        assert connection.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    connection.close()


@pytest.mark.parametrize("mode", ["read", "write"])
def test_what_is_no_study_is_refused_and_left_alone(tmp_path: Path, mode: str) -> None:
    foreign = tmp_path / "foreign.sqlite"
    connection = sqlite3.connect(foreign)
    connection.execute("CREATE TABLE t (x)")
    connection.commit()
    connection.close()
    text, empty = tmp_path / "text.study", tmp_path / "empty.study"
    text.write_text("x" * 4096)
    empty.touch()
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    for path in (foreign, text, empty):
        with pytest.raises(StudyFileError, match="is not a study file"):
            StudyStore.open(path, mode)  # type: ignore[arg-type]  # parametrised
    with pytest.raises(StudyFileError, match="no such study"):
        StudyStore.open(tmp_path / "absent.study", mode)  # type: ignore[arg-type]  # parametrised
    with pytest.raises(StudyFileError, match="this is a folder"):
        StudyStore.open(tmp_path, mode)  # type: ignore[arg-type]  # parametrised
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.parametrize(
    ("version", "hint"),
    [(SCHEMA_VERSION + 1, "use the newer program"), (SCHEMA_VERSION - 1, "use the older program")],
)
def test_other_version_is_refused(tmp_path: Path, version: int, hint: str) -> None:
    path = tmp_path / "x.study"
    StudyStore.create(path).close()
    with sqlite3.connect(path) as connection:
        connection.execute(f"PRAGMA user_version = {version}")
    connection.close()
    with pytest.raises(StudyFileError, match=rf"the study has format {version}, .* {hint}"):
        StudyStore.open(path)


def test_nothing_is_added_to_a_damaged_file(tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    with StudyStore.create(path) as store:
        number = start(store)
        for index in range(40):
            store.add_sweep(number, make_sweep(index, codes(index)))
    path.write_bytes(path.read_bytes()[: 8 * 4096])
    before = path.read_bytes()
    with pytest.raises(StudyFileError, match="the study is damaged") as caught:
        StudyStore.open(path, "write")
    assert len(str(caught.value).splitlines()) == 1
    assert path.read_bytes() == before


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    path.write_text("precious")
    with pytest.raises(StudyFileError, match="exists already; choose another name"):
        StudyStore.create(path)
    assert path.read_text() == "precious"
    with pytest.raises(StudyFileError, match="is a file, not a folder"):
        StudyStore.create(path / "inside.study")


def test_folder_that_cannot_be_written_is_explained(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "touch", refuse)
    with pytest.raises(StudyFileError, match=r"cannot be made \(Permission denied\); choose a folder you may write to"):
        StudyStore.create(tmp_path / "x.study")


def test_failed_creation_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="value must be made of"):
        StudyStore.create(tmp_path / "x.study", meta={"bad": object()})
    assert list(tmp_path.iterdir()) == []


def test_one_writer_at_a_time_and_no_reader_meanwhile(tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    with StudyStore.create(path):
        for mode in ("read", "write"):
            code = (
                "import sys; from acq.errors import StudyFileError; from acq.study.store import StudyStore\n"
                f"try: StudyStore.open(sys.argv[1], {mode!r})\n"
                "except StudyFileError as error: print(error)\n"
            )
            done = subprocess.run(
                [sys.executable, "-c", code, str(path)], cwd=ROOT, capture_output=True, text=True, check=True
            )
            assert done.stdout.strip() == f"{path}: is open in another program; close it there first"
    with StudyStore.open(path, "write") as store, pytest.raises(StudyFileError, match="is open in another program"):
        StudyStore.open(store.path, "write")
    with StudyStore.open(path), StudyStore.open(path):
        pass


@pytest.mark.parametrize("mode", ["read", "write"])
def test_killed_program_loses_nothing_and_locks_nothing(tmp_path: Path, mode: str) -> None:
    path = tmp_path / "x.study"
    with StudyStore.create(path) as store:
        number = start(store)
        store.add_sweep(number, make_sweep(0, codes(0)))
    code = (
        "import os, sys; from acq.study.store import StudyStore\n"
        "store = StudyStore.open(sys.argv[1], 'write')\n"
        "for k in range(50): store.add_action('step', str(k), sample=k, recording=1)\n"
        "transaction = store._transaction()\n"
        "from acq.study.rows import ENTRIES\n"
        "add = transaction.__enter__()\n"
        "add(ENTRIES, 'act', 'half', '', None, None, None, None, None, None, '2026-01-01T00:00:00+00:00')\n"
        "os.abort()\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], cwd=ROOT, capture_output=True, check=False)
    assert done.returncode in (-signal.SIGABRT, 3)  # 3 on Windows
    assert (tmp_path / "x.study-wal").exists()
    with StudyStore.open(path, mode) as store:  # type: ignore[arg-type]  # parametrised
        assert [action.detail for action in store.actions()] == [str(k) for k in range(50)]
        assert store.sweeps(number).sweeps_uv.tobytes() == codes(0).tobytes()
    assert [path.name for path in tmp_path.iterdir()] == ["x.study"]


def test_full_disk_is_explained_and_keeps_what_was_written(tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    with StudyStore.create(path) as store:
        number = start(store)
        # SQLite's own page limit gives the very error of a full disk.
        store._require_open().execute("PRAGMA max_page_count = 40")

        def write_until_full() -> None:
            for index in range(200):
                store.add_sweep(number, make_sweep(index, codes(index)), make_responses(index))

        with pytest.raises(StudyFileError, match="the disk is full; free some space"):
            write_until_full()
        written = store.recordings()[0].n_sweeps
        assert written > 5
        assert len(store.pulses(number)) == written
        store._require_open().execute("PRAGMA max_page_count = 4000")
        store.add_sweep(number, make_sweep(written, codes(written)))
    with StudyStore.open(path) as store:
        assert store.sweeps(number).sweeps_uv.shape[0] == written + 1
        assert len(store.responses(number)) == 2 * written


def test_sweep_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    with StudyStore.create(tmp_path / "x.study") as store:
        number = start(store)
        store.add_sweep(number, make_sweep(0, codes(0)), make_responses(0))
        with pytest.raises(StudyFileError, match="contradicts what is there already"):
            store.add_sweep(number, make_sweep(0, codes(1)), make_responses(0))
        with pytest.raises(ValueError, match="responses must be of pulse 1, got 0"):
            store.add_sweep(number, make_sweep(1, codes(1)), make_responses(0))
        with pytest.raises(StudyFileError, match="contradicts"):  # a verdict without its evidence
            store.add_sweep(
                number,
                make_sweep(1, codes(1)),
                (),
                [VerdictChange(1, 0, GuardVerdict.THIN, None)],  # type: ignore[arg-type]
            )
        assert store.sweeps(number).pulse_index.tolist() == [0]
        assert len(store.pulses(number)) == 1
        store.add_sweep(number, make_sweep(1, codes(1)), make_responses(1))
        assert store.sweeps(number).pulse_index.tolist() == [0, 1]
    assert verify(tmp_path / "x.study").is_sound


def test_sweeps_of_a_recording_are_alike(tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    with StudyStore.create(path) as store:
        number = start(store)
        store.add_sweep(number, make_sweep(0, codes(0)))
        with pytest.raises(ValueError, match="sweep must have the samples, onset index and sample rate"):
            store.add_sweep(number, make_sweep(1, codes(1, 900)))
    with StudyStore.open(path, "write") as store:  # it is known after reopening too
        with pytest.raises(ValueError, match="sweep must have the samples"):
            store.add_sweep(number, make_sweep(1, codes(1, 900)))
        store.add_sweep(number, make_sweep(1, codes(1)))
        with pytest.raises(StudyFileError, match="there is no recording 9"):
            store.add_sweep(9, make_sweep(1, codes(1)))
        with pytest.raises(StudyFileError, match="there is no recording 9"):
            store.sweeps(9)


def test_reader_cannot_write(tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    StudyStore.create(path).close()
    before = path.read_bytes()
    with StudyStore.open(path, "read") as store, pytest.raises(StudyFileError, match="open for reading only"):
        store.add_action("x", "y")
    assert path.read_bytes() == before
    with pytest.raises(ValueError, match="mode must be"):
        StudyStore.open(path, "append")  # type: ignore[arg-type]  # the point of the test


def test_threads_may_write_together(tmp_path: Path) -> None:
    with StudyStore.create(tmp_path / "x.study") as store:
        threads = [
            threading.Thread(target=lambda k=k: [store.add_action(str(k), str(i)) for i in range(25)]) for k in range(4)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        actions = store.actions()
    assert len(actions) == 100
    for k in range(4):
        assert [action.detail for action in actions if action.kind == str(k)] == [str(i) for i in range(25)]


def test_recorded_file_survives_the_study(tmp_path: Path) -> None:
    recording = load_recording(ROOT / "tests" / "recordings" / "L3.npz")
    with StudyStore.create(tmp_path / "x.study") as store:
        number = start(store, quantum_uv=recording.quantum_uv)
        for pulse, samples_uv in zip(recording.pulses(), recording.sweeps_uv, strict=True):
            store.add_sweep(number, Sweep(pulse, samples_uv, recording.onset_index, recording.sample_rate_hz))
        sweeps = store.sweeps(number)
    assert sweeps.sweeps_uv.tobytes() == recording.sweeps_uv.tobytes()
    assert sweeps.onset_s.tobytes() == recording.onset_s.tobytes()
    assert sweeps.intensity_ma.tobytes() == recording.intensity_ma.tobytes()
    assert set(stored_encodings(tmp_path / "x.study")) == {"int16"}


def test_default_path_is_the_users_own_and_one_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    monkeypatch.setattr(sys, "platform", "linux")
    assert default_study_path(MOMENT) == tmp_path / "suprathresh studies" / "study-20310506-070809.study"
    assert default_study_path(MOMENT + timedelta(seconds=1)) != default_study_path(MOMENT)
    (tmp_path / "Documents").mkdir()
    monkeypatch.setattr(sys, "platform", "win32")
    assert default_study_path(MOMENT).parent == tmp_path / "Documents" / "suprathresh studies"
    StudyStore.create(default_study_path(MOMENT)).close()
    assert default_study_path(MOMENT).is_file()


def test_a_study_that_never_began_leaves_no_file(tmp_path: Path) -> None:
    store = StudyStore.create(tmp_path / "never.study")
    store.discard()
    store.discard()
    assert list(tmp_path.iterdir()) == []
