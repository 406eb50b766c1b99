"""`suprathresh import`: recordings made elsewhere in a study, analysed; all of them or none."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acq.cli import main
from acq.commands import import_
from acq.exchange.edf import write_edf
from acq.exchange.recordings import load_recording
from acq.offline import analyse_recording
from acq.records import GuardVerdict
from acq.study.model import read_study
from acq.study.store import StudyStore
from acq.study.verification import verify
from tests.foreign_files import lay_out, write_onsets, write_wav
from tests.fuzz.recording_input import make_arrays

RECORDINGS = Path(__file__).parents[1] / "recordings"


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(one) for one in arguments])
    said = capsys.readouterr()
    code = ended.value.code
    return (code if isinstance(code, int) else 0), said.out, said.err


def small_npz(path: Path, *, seed: int = 5, **changed: Any) -> Path:
    """Noise with a potential, 30 sweeps."""
    arrays = make_arrays(30, 500) | changed
    rng = np.random.default_rng(seed)
    raw = arrays["raw"] + rng.integers(-2, 3, arrays["raw"].shape)
    np.savez(path, **(arrays | {"raw": raw.astype(np.int16)}))  # type: ignore[arg-type] # the keys are no options
    return path


@pytest.fixture(scope="module")
def wav(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wav")
    recording = load_recording(RECORDINGS / "A1.npz")
    needle_uv, current_ma, onsets = lay_out(recording)
    write_onsets(folder / "onsets.csv", onsets / 50_000)
    return write_wav(folder / "A1.wav", [needle_uv / 0.3, current_ma * 1000], rate_hz=50_000, bits=16)


def test_a_new_study_holds_the_recordings_and_their_results(
    tmp_path: Path, wav: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = load_recording(RECORDINGS / "A1.npz")
    write_edf(recording, tmp_path / "A1.edf")
    path = tmp_path / "new.study"
    options = ("--uv-per-unit", 0.3, "--stimulus-channel", 2, "--ma-per-unit", 0.001)
    about = ("--code", "R-17", "--age", 44, "--muscle", "frontalis", "--side", "left")
    code, out, err = run(
        capsys, "import", tmp_path / "A1.edf", wav, RECORDINGS / "A1.npz", "--into", path, *about, *options
    )
    assert code == 0, err
    assert [f"recording {number}: 250 sweeps" in out for number in (1, 2, 3)] == [True] * 3
    assert "code R-17" in out
    assert verify(path).n_faults == 0
    expected = analyse_recording(recording)
    with StudyStore.open(path) as store:
        study = read_study(store)
        assert (study.about.code, study.about.age_years, study.about.muscle) == ("R-17", 44, "frontalis")
        assert [one.device for one in store.recordings()] == [
            "imported from EDF+",
            "imported from WAV",
            "imported from .npz",
        ]
        for number in (1, 2, 3):
            (result,) = store.results(number)
            (fibre,) = result.analysis.fibres
            assert fibre.latency_us.tobytes() == expected.fibres[0].latency_us.tobytes()
            # What is in the study gives the same again.
            again = analyse_recording(load_recording(path, number=number))
            assert again.fibres[0].latency_us.tobytes() == fibre.latency_us.tobytes()
            assert again.fibres[0].mcd_us == fibre.mcd_us
        assert len(study.endplates) == 3
    # Nobody learns from a study where its recordings were kept.
    content = path.read_bytes()
    assert str(tmp_path).encode() not in content
    assert b"A1.wav" not in content
    assert b"A1.edf" not in content


def test_commanded_and_delivered_currents_stay_apart(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from dataclasses import replace

    recording = load_recording(small_npz(tmp_path / "x.npz"))
    delivered_ma = recording.intensity_ma.copy()
    delivered_ma[4] = np.nan
    commanded_ma = np.where(np.isnan(delivered_ma), recording.intensity_ma, recording.intensity_ma + 0.01)
    write_edf(replace(recording, commanded_ma=commanded_ma, delivered_ma=delivered_ma), tmp_path / "x.edf")
    assert run(capsys, "import", tmp_path / "x.edf", "--into", tmp_path / "x.study")[0] == 0
    with StudyStore.open(tmp_path / "x.study") as store:
        sweeps = store.sweeps(1)
    np.testing.assert_array_equal(sweeps.commanded_ma, commanded_ma)
    np.testing.assert_array_equal(sweeps.delivered_ma, delivered_ma)
    np.testing.assert_array_equal(sweeps.pulse_index, recording.sweep_number)


def test_recordings_are_added_to_a_study(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first, second = small_npz(tmp_path / "1.npz"), small_npz(tmp_path / "2.npz", seed=6)
    path = tmp_path / "x.study"
    assert run(capsys, "import", first, "--into", path)[0] == 0
    code, _, err = run(capsys, "import", second, "--into", path)
    assert (code, err.count("\n")) == (2, 1)
    assert "exists already; choose another name, or give --add" in err
    code, out, _ = run(capsys, "import", second, "--into", path, "--add", "--json")
    assert code == 0
    assert [one["number"] for one in json.loads(out)["recordings"]] == [2]
    with StudyStore.open(path) as store:
        assert [one.n_sweeps for one in store.recordings()] == [30, 30]
        assert len(store.results()) == 2
    code, _, err = run(capsys, "import", second, "--into", path, "--add", "--age", 40)
    assert code == 2
    assert "is described already; `suprathresh correct`" in err
    code, _, err = run(capsys, "import", second, "--into", tmp_path / "absent.study", "--add")
    assert code == 2


def test_one_file_that_cannot_be_read_leaves_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good, bad = small_npz(tmp_path / "good.npz"), tmp_path / "bad.npz"
    bad.write_bytes(good.read_bytes()[:500])
    code, _, err = run(capsys, "import", good, bad, "--into", tmp_path / "x.study")
    assert code == 2
    assert err.splitlines()[-1].startswith(f"suprathresh: {bad}: damaged")
    assert not (tmp_path / "x.study").exists()
    assert run(capsys, "import", good, "--into", tmp_path / "x.study")[0] == 0
    before = (tmp_path / "x.study").read_bytes()
    assert run(capsys, "import", good, bad, "--into", tmp_path / "x.study", "--add")[0] == 2
    assert (tmp_path / "x.study").read_bytes() == before
    zero = small_npz(tmp_path / "zero.npz", stim_ma=np.zeros(30))
    code, _, err = run(capsys, "import", zero, "--into", tmp_path / "y.study")
    assert code == 2
    assert "intensity_ma must be above 0" in err
    assert not (tmp_path / "y.study").exists()


@pytest.mark.parametrize("moment", ["start_recording", "add_sweep", "add_event", "add_result"])
@pytest.mark.parametrize("failure", [KeyboardInterrupt, RuntimeError])
def test_an_interruption_while_writing_leaves_nothing(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    moment: str,
    failure: type[BaseException],
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise failure

    small_npz(tmp_path / "x.npz")
    monkeypatch.setattr(StudyStore, moment, fail)
    with pytest.raises((SystemExit, RuntimeError)) as ended:
        main(["import", str(tmp_path / "x.npz"), "--into", str(tmp_path / "x.study")])
    if failure is KeyboardInterrupt:
        assert isinstance(ended.value, SystemExit)
        assert ended.value.code == 130
    assert [one.name for one in tmp_path.iterdir()] == ["x.npz"]
    assert "interrupted" in capsys.readouterr().err or failure is RuntimeError


def test_an_unknown_current_is_said_everywhere(tmp_path: Path, wav: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "x.study"
    options = ("--uv-per-unit", 0.3, "--onsets", wav.with_name("onsets.csv"), "--pulse-width-us", 100)
    code, _, err = run(capsys, "import", wav, "--into", path, *options)
    assert code == 2
    assert "--intensity-unknown" in err
    code, out, err = run(capsys, "import", wav, "--into", path, *options, "--intensity-unknown")
    assert code == 0
    assert "the current is not known: 1 mA stands for it" in err
    assert "the current is not known" in " ".join(out.split())
    with StudyStore.open(path) as store:
        (result,) = store.results()
        assert any("the current is not known" in entry.detail for entry in store.events())
    (fibre,) = result.analysis.fibres
    assert set(fibre.verdict) == {GuardVerdict.UNTESTED}
    assert fibre.threshold_ma is None
    assert any("the current is not known" in reason for reason in result.analysis.reasons)


@pytest.mark.parametrize(
    ("uv_per_unit", "ma_per_unit", "words"),
    [
        (0.3, 0.001, ()),
        (300, 0.001, ("check the unit of the needle channel",)),
        (0.0003, 0.001, ("check the unit of the needle channel",)),
        (0.3, 0.000001, ("check the unit of the current",)),
    ],
)
def test_a_unit_wrong_by_a_thousand_is_hinted_at(
    tmp_path: Path,
    wav: Path,
    capsys: pytest.CaptureFixture[str],
    uv_per_unit: float,
    ma_per_unit: float,
    words: tuple[str, ...],
) -> None:
    path = tmp_path / "x.study"
    options = ("--uv-per-unit", uv_per_unit, "--stimulus-channel", 2, "--ma-per-unit", ma_per_unit)
    code, _, err = run(capsys, "import", wav, "--into", path, *options)
    assert code == 0
    with StudyStore.open(path) as store:
        (result,) = store.results()
    hints = [one for one in result.analysis.reasons if "check the unit" in one]
    assert len(hints) == len(words)
    for hint, word in zip(hints, words, strict=True):
        assert word in hint
        assert hint in err


@pytest.mark.parametrize("kind", ["nwb", "edf"])
def test_what_a_file_of_this_program_says_of_its_study_comes_along(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    pytest.importorskip("pynwb")
    original = tmp_path / "first.study"
    known = ("--age", 44, "--muscle", "frontalis", "--side", "left", "--temperature", "33.5")
    assert run(capsys, "import", small_npz(tmp_path / "x.npz"), "--into", original, *known)[0] == 0
    file = tmp_path / f"out.{kind}"
    assert run(capsys, "export", original, file)[0] == 0
    code, _, err = run(capsys, "import", file, "--into", tmp_path / "again.study", "--side", "right")
    assert code == 0
    assert "as the files say: " in err
    with StudyStore.open(tmp_path / "again.study") as store:
        about = read_study(store).about
    assert (about.muscle, about.side, about.skin_temperature_c) == ("frontalis", "right", 33.5)
    assert about.age_years == (44 if kind == "nwb" else None)
    # Of two that do not agree, neither is believed.
    other = tmp_path / "other.study"
    assert run(capsys, "correct", original, "muscle", "--to", "masseter", "--reason", "a slip")[0] == 0
    assert run(capsys, "export", original, tmp_path / f"two.{kind}")[0] == 0
    assert run(capsys, "import", file, tmp_path / f"two.{kind}", "--into", other)[0] == 0
    with StudyStore.open(other) as store:
        about = read_study(store).about
    assert (about.muscle, about.side) == ("", "left")


def test_text_that_is_not_in_utf_8_is_told_from_no_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes("Zeit [s];Nadel [µV]\r\n0,00002;1,5\r\n".encode("cp1252"))
    code, _, err = run(capsys, "import", path, "--into", tmp_path / "x.study")
    assert code == 2
    assert "not in UTF-8; save it as CSV UTF-8" in err
    path.write_bytes(b"\x89\xff;\x00\n,\xfe")
    code, _, err = run(capsys, "import", path, "--into", tmp_path / "x.study")
    assert code == 2
    assert "is of no kind that is read here" in err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--code", "Given Surname"), "a study carries a code, not a name"),
        (("--filter-hz", 9000, 500), "--filter-hz: "),
        (("--filter-hz", "nan", 500), "--filter-hz: "),
        (("--filter-hz", 500, "inf"), ""),
        (("--age", "old"), "--age: give whole years"),
        (("--electrode", "surface"), "--electrode"),
        (("--uv-per-unit", "nan"), "is not a finite number"),
        (("--before-ms", "nan"), "before-ms"),
        (("--refractory-ms", "nan"), "refractory-ms"),
        (("--code", "X-1", "--add"), "is described already"),
        (("--margin-relative", -1), "margin"),
    ],
)
def test_options_that_make_no_sense(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: tuple[object, ...], words: str
) -> None:
    small_npz(tmp_path / "x.npz")
    code, _, err = run(capsys, "import", tmp_path / "x.npz", "--into", tmp_path / "x.study", *options)
    assert code == 2
    assert words in err
    assert len(err.strip().splitlines()) == 1
    assert not (tmp_path / "x.study").exists()


def test_the_filter_is_kept_with_the_study(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    small_npz(tmp_path / "x.npz")
    path = tmp_path / "x.study"
    assert run(capsys, "import", tmp_path / "x.npz", "--into", path, "--filter-hz", 1000, 10_000)[0] == 0
    with StudyStore.open(path) as store:
        (stored,) = store.recordings()
    assert stored.settings["waveforms"]["recording_band_hz"] == [1000, 10_000]


def test_a_study_is_no_recording_to_import(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    small_npz(tmp_path / "x.npz")
    assert run(capsys, "import", tmp_path / "x.npz", "--into", tmp_path / "x.study")[0] == 0
    code, _, err = run(capsys, "import", tmp_path / "x.study", "--into", tmp_path / "y.study")
    assert code == 2
    assert "is a study file already" in err
    code, _, err = run(capsys, "import", "--into", tmp_path / "y.study")
    assert code == 2
    assert "FILES" in err


def test_analyse_and_replay_read_what_export_wrote(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_edf(load_recording(RECORDINGS / "A1.npz"), tmp_path / "A1.edf")
    documents = []
    for file in (tmp_path / "A1.edf", RECORDINGS / "A1.npz"):
        for command in ("analyse", "replay"):
            code, out, err = run(capsys, command, file, "--json")
            assert code == 0, err
            documents.append(json.loads(out)["recordings"])
    assert documents[0] == documents[1] == documents[2] == documents[3]
    code, _, err = run(capsys, "analyse", tmp_path / "A1.edf", "--recording", 2)
    assert code == 2
    assert "holds one recording" in err


def test_help_names_every_format(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "import", "--help")
    for word in ("EDF", "BDF", "WAV", "CSV", "NWB", ".npz"):
        assert word in out
    assert import_.command.name == "import"
