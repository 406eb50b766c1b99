"""`suprathresh export`: what is written is read by other programs, and nothing is overwritten or left half."""

import io
import json
import sys
import zipfile
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acq.cli import main
from acq.exchange.recordings import load_recording
from acq.exchange.tables import TABLE_NAMES
from acq.offline import analyse_recording
from acq.records import Pulse, PulseKind, Sweep
from acq.study.encoding import encode_analysis
from acq.study.store import StudyStore
from tests.exchange_studies import BEGUN, SECRETS, damage_a_sweep, make_exchange_study

pytest.importorskip("pynwb")
pytest.importorskip("pyarrow")
pytest.importorskip("edfio")


@pytest.fixture(scope="module")
def study_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_exchange_study(tmp_path_factory.mktemp("export") / "made.study")


def export(*arguments: object) -> tuple[int, str, str]:
    """Exit code, what was said, and what was said on standard error."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
        main(["export", *map(str, arguments)])
    assert isinstance(ended.value.code, int)
    return ended.value.code, out.getvalue(), err.getvalue()


def test_the_whole_study_as_nwb_is_analysed_the_same(study_path: Path, tmp_path: Path) -> None:
    out = tmp_path / "made.nwb"
    code, said, _ = export(study_path, out)
    assert code == 0
    assert "2 recordings, 3 endplates" in said
    for number in (1, 2):
        before = analyse_recording(load_recording(study_path, number=number))
        assert encode_analysis(analyse_recording(load_recording(out, number=number))) == encode_analysis(before)
    assert list(tmp_path.iterdir()) == [out]


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_tables_as_a_folder_or_one_as_a_file(study_path: Path, tmp_path: Path, kind: str) -> None:
    folder, one = tmp_path / "tables", tmp_path / f"endplates.{kind}"
    assert export(study_path, folder, "--format", kind)[0] == 0
    assert export(study_path, one, "--table", "endplates")[0] == 0
    names = {path.name for path in folder.iterdir()}
    assert names >= {f"{name}.{kind}" for name in TABLE_NAMES}
    assert ("columns.json" in names) == (kind == "csv")
    assert one.read_bytes() == (folder / f"endplates.{kind}").read_bytes()


def test_the_summary_as_json(study_path: Path, tmp_path: Path) -> None:
    out = tmp_path / "made.json"
    assert export(study_path, out, "--untested")[0] == 0
    found = json.loads(out.read_text(encoding="utf-8"))
    assert found["study"]["code"] == SECRETS.code
    assert found["result"]["n_counted"] == 2


@pytest.mark.parametrize("kind", ["edf", "bdf", "npz"])
def test_one_recording_or_all_in_a_folder(study_path: Path, tmp_path: Path, kind: str) -> None:
    one, folder = tmp_path / f"one.{kind}", tmp_path / "all"
    code, said, _ = export(study_path, one, "--recording", 1)
    assert (code, said.strip()) == (0, f"{one}: one recording")
    assert export(study_path, folder, "--format", kind)[0] == 0
    assert {path.name for path in folder.iterdir()} == {f"recording_1.{kind}", f"recording_2.{kind}"}
    before, after = load_recording(study_path, number=1), load_recording(one)
    assert np.array_equal(after.sweeps_uv, before.sweeps_uv)
    assert np.array_equal(np.diff(after.onset_sample), np.diff(before.onset_sample))
    assert np.array_equal(after.sweep_number, before.sweep_number)


def test_npz_keeps_what_is_not_quantised_and_says_what_it_cannot(study_path: Path, tmp_path: Path) -> None:
    out = tmp_path / "two.npz"
    code, _, err = export(study_path, out, "--recording", 2)
    assert code == 0
    assert "4 pulses that only tested the threshold are not told from the others" in err
    before, after = load_recording(study_path, number=2), load_recording(out)
    assert np.array_equal(after.sweeps_uv, before.sweeps_uv)
    assert np.array_equal(after.intensity_ma, before.intensity_ma)


def all_text(path: Path) -> str:
    """Everything a file says, unpacked where it is packed."""
    if path.is_dir():
        return "".join(one.name + all_text(one) for one in path.iterdir())
    text = path.read_bytes().decode("latin-1")
    if path.suffix == ".parquet":
        import pyarrow.parquet as pq

        table = pq.read_table(path)
        text += str(table.to_pydict()) + str(table.schema.metadata)
    elif path.suffix == ".nwb":
        import h5py

        found: list[str] = []

        def collect(_: str, item: Any) -> None:
            if isinstance(item, h5py.Dataset) and h5py.check_string_dtype(item.dtype):
                found.append(str(item[()] if item.ndim == 0 else list(item[:])))

        with h5py.File(path) as file:
            file.visititems(collect)
        text += "".join(found)
    elif path.suffix == ".npz":
        with zipfile.ZipFile(path) as archive:
            text += "".join(archive.read(name).decode("latin-1") for name in archive.namelist())
    return text


EVERY = {
    "all.nwb": [],
    "tables": ["--format", "csv"],
    "arrow": ["--format", "parquet"],
    "all.json": [],
    "edf": ["--format", "edf"],
    "bdf": ["--format", "bdf"],
    "npz": ["--format", "npz"],
}


@pytest.mark.parametrize(("name", "options"), EVERY.items(), ids=list(EVERY))
def test_an_anonymous_export_tells_of_nobody(study_path: Path, tmp_path: Path, name: str, options: list[str]) -> None:
    code, _, _ = export(study_path, tmp_path / name, *options, "--anonymous")
    assert code == 0
    text = all_text(tmp_path / name)
    for word in SECRETS.__dataclass_fields__:
        assert getattr(SECRETS, word) not in text, word
    for day in (f"{BEGUN.year}-", f"{BEGUN:%d.%m.%y}", f"{BEGUN:%d-%b-%Y}".upper(), "made.study", str(tmp_path)):
        assert day not in text, day


def test_a_laboratory_of_its_own_limits_is_not_named(study_path: Path, tmp_path: Path) -> None:
    own = tmp_path / "Hospitalomicron.toml"
    own.write_text(
        """schema_version = 1
[[limit]]
name = "omicron-oo"
muscle = "orbicularis oculi"
electrode = "single_fibre"
activation = "stimulated"
mean_us = 21.5
individual_us = 31
source = "Hospital Omicron"
""",
        encoding="utf-8",
    )
    for name in ("all.nwb", "all.json", "tables"):
        options = [*EVERY[name], "--limits-file", str(own), "--limits", "omicron-oo"]
        assert export(study_path, tmp_path / f"open_{name}", *options)[0] == 0
        assert export(study_path, tmp_path / name, *options, "--anonymous")[0] == 0
        assert "Hospital Omicron" in all_text(tmp_path / f"open_{name}")
        text = all_text(tmp_path / name)
        assert "omicron" not in text.lower()
        assert "21.5" in text


def test_an_open_export_does_tell_so_that_the_test_above_can_fail(study_path: Path, tmp_path: Path) -> None:
    for name in ("all.nwb", "tables", "arrow"):
        export(study_path, tmp_path / name, *EVERY[name])
        text = all_text(tmp_path / name)
        for word in ("code", "operator", "medication", "insertion", "decision", "correction", "mark", "device"):
            assert getattr(SECRETS, word) in text, (name, word)


def test_nothing_is_overwritten_and_wrong_wishes_are_one_line(study_path: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.nwb"
    there.write_text("mine", encoding="utf-8")
    recording = tmp_path / "one.npz"
    assert export(study_path, recording, "--recording", 1)[0] == 0
    for arguments, said in (
        ((study_path, there), "exists already"),
        ((study_path, tmp_path / "made.txt"), "what is wanted?"),
        ((study_path, tmp_path / "made.edf"), "holds one recording, the study has the numbers 1, 2"),
        ((study_path, tmp_path / "made.edf", "--recording", 9), "there is no recording 9"),
        ((study_path, tmp_path / "made.nwb", "--recording", 1), "--recording is for edf, bdf, npz"),
        ((study_path, tmp_path / "made.nwb", "--table", "endplates"), "--table is for parquet, csv"),
        ((study_path, tmp_path / "made.dat", "--format", "nwb"), "ends in .nwb"),
        ((study_path, tmp_path / "made.dat", "--format", "bdf", "--recording", 1), "ends in .bdf"),
        ((study_path, tmp_path / "no" / "made.nwb"), "there is no folder"),
        ((study_path, tmp_path / "made.nwb", "--analysis", 9), "there is no analysis 9"),
        ((study_path, tmp_path / "made.nwb", "--limits", "no such"), "no such"),
        ((tmp_path / "absent.study", tmp_path / "made.nwb"), "no such study"),
        ((recording, tmp_path / "made.nwb"), "`suprathresh import`"),
    ):
        code, _, err = export(*arguments)
        assert code == 2, arguments
        assert said in err
        assert len(err.strip().splitlines()) == 1
    assert there.read_text(encoding="utf-8") == "mine"
    assert sorted(tmp_path.iterdir()) == [recording, there]


def test_a_recording_becomes_another_kind_of_file(study_path: Path, tmp_path: Path) -> None:
    first, second = tmp_path / "one.npz", tmp_path / "one.bdf"
    assert export(study_path, first, "--recording", 1)[0] == 0
    assert export(first, second)[0] == 0
    assert np.array_equal(load_recording(second).sweeps_uv, load_recording(first).sweeps_uv)


@pytest.mark.parametrize(("name", "options"), EVERY.items(), ids=list(EVERY))
def test_an_interruption_leaves_nothing(
    study_path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, options: list[str]
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("pynwb.NWBHDF5IO.write", interrupted)
    monkeypatch.setattr("acq.commands.export.describe_tables", interrupted)
    monkeypatch.setattr("pyarrow.parquet.write_table", interrupted)
    monkeypatch.setattr("acq.commands.export.plain_summary", interrupted)
    monkeypatch.setattr("acq.exchange.edf.write_edf", interrupted)
    monkeypatch.setattr("numpy.savez_compressed", interrupted)
    code, _, err = export(study_path, tmp_path / name, *options)
    assert (code, err.strip()) == (130, "suprathresh: interrupted")
    assert list(tmp_path.iterdir()) == []


def test_what_of_a_damaged_study_is_left_out_is_said(study_path: Path, tmp_path: Path) -> None:
    path = tmp_path / "damaged.study"
    path.write_bytes(study_path.read_bytes())
    damage_a_sweep(path)
    for name, options in EVERY.items():
        code, _, err = export(path, tmp_path / name, *options)
        assert code == 1, name
        assert "incomplete: " in err
        assert (tmp_path / name).exists()


def test_a_recording_that_does_not_fit_is_left_out_of_a_folder(study_path: Path, tmp_path: Path) -> None:
    path = tmp_path / "more.study"
    path.write_bytes(study_path.read_bytes())
    with StudyStore.open(path, "write") as store:
        number = store.start_recording(
            profile="", device="", electrode="concentric", sample_rate_hz=50_000.0, band_hz=(1_000.0, 10_000.0),
            mains_hz=0.0,
        )  # fmt: skip
        for k, width_us in enumerate((50.0, 100.0)):
            pulse = Pulse(k, 1_000 + 5_000 * k, 1.0, width_us, PulseKind.MEASURING)
            store.add_sweep(number, Sweep(pulse, np.linspace(-1.0, 1.0, 400), 100, 50_000.0))
    code, _, err = export(path, tmp_path / "all", "--format", "npz")
    assert code == 1
    assert "the pulse width changes within recording 3" in err
    assert {one.name for one in (tmp_path / "all").iterdir()} == {"recording_1.npz", "recording_2.npz"}


def test_a_missing_library_is_one_line(study_path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for module, name in (("pynwb", "all.nwb"), ("pyarrow.parquet", "one.parquet")):
        with monkeypatch.context() as without:
            without.setitem(sys.modules, module, None)
            code, _, err = export(study_path, tmp_path / name, *(["--table", "record"] if name[0] == "o" else []))
        assert code == 2
        assert 'pip install ".[exchange]"' in err
    assert list(tmp_path.iterdir()) == []
