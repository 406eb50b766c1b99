"""The command line: what it prints for a script, and the one line it says to a mistake."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from acq.cli import main
from acq.study.store import StudyStore

RECORDINGS = Path(__file__).parents[1] / "recordings"


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


def recording_with(path: Path, **changed: object) -> Path:
    with np.load(RECORDINGS / "A1.npz") as stored:
        arrays = {key: stored[key] for key in stored.files}
    np.savez(path, **(arrays | changed))
    return path


def test_help_names_every_command_and_loads_none() -> None:
    code = (
        "import sys; from acq.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "assert not {'scipy.signal', 'pydantic', 'sim_device.bench'} & set(sys.modules), sorted(sys.modules)"
    )
    outcome = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert outcome.returncode == 0, outcome.stderr
    for name in ("study", "analyse", "replay", "bench"):
        assert name in outcome.stdout


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "--version")
    assert code == 0
    assert out.startswith("suprathresh")


def test_unattended_study_prints_one_document(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "one.study"
    code, out, err = run(capsys, "study", "--stimuli", 60, "--speed", "max", "--seed", 2, "--json", "--study", path)
    assert (code, err) == (0, "")
    document = json.loads(out)
    assert document["samples_lost"] == 0
    assert document["working_ma"] > 1.5
    assert document["stimuli"] >= 60
    fibres = document["recordings"][0]["fibres"]
    assert len(fibres) == 3
    assert all(fibre["n_admitted"] > 40 for fibre in fibres)
    with StudyStore.open(path) as store:
        assert store.events()[-1].detail.startswith("delivering to at rest")
        assert len(store.results(1)) == 1


def test_unattended_for_seconds(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "one.study"
    arguments = ("study", "--scenario", "single", "--seconds", 5, "--speed", "max", "--json", "--study", path)
    code, out, _ = run(capsys, *arguments)
    assert code == 0
    assert json.loads(out)["recordings"][0]["fibres"][0]["n_admitted"] >= 35


def test_no_fibre_is_said_with_exit_code_1(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "none.study"
    arguments = ("study", "--scenario", "noise_only", "--stimuli", 5, "--up-to", 1, "--speed", "max", "--study", path)
    code, _, err = run(capsys, *arguments)
    assert code == 1
    assert "no fibre responded up to 1.00 mA" in err
    with StudyStore.open(path) as store:
        assert store.events()[-1].detail.startswith("delivering to at rest")


def test_the_study_analysed_again_gives_the_same(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "one.study"
    arguments = ("study", "--scenario", "single", "--stimuli", 60, "--speed", "max", "--margin-relative", 0.3)
    _, out, _ = run(capsys, *arguments, "--json", "--study", path)
    live = json.loads(out)["recordings"]
    code, out, _ = run(capsys, "analyse", path, "--json")
    assert code == 0
    document = json.loads(out)
    assert document["margin"]["relative"] == 0.3  # what the study was made with
    for one, other in zip(live[0]["fibres"], document["recordings"][0]["fibres"], strict=True):
        assert {k: v for k, v in one.items() if "margin" not in k} == {
            k: v for k, v in other.items() if "margin" not in k
        }


def test_analyse_with_truth(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "analyse", RECORDINGS / "C1.npz", "--truth", "--strict")
    assert code == 0
    assert "13 of 13 rows" in out
    code, out, _ = run(capsys, "analyse", RECORDINGS / "M1.npz", "--truth", "--strict")
    assert code == 1  # M1 has a row that falls short
    assert "short" in out


@pytest.mark.parametrize("name", ["A1", "C1", "D1", "J1", "L3"])
def test_replay_gives_the_numbers_of_analyse(capsys: pytest.CaptureFixture[str], name: str) -> None:
    code, replayed, _ = run(capsys, "replay", RECORDINGS / f"{name}.npz", "--json")
    assert code == 0
    _, analysed, _ = run(capsys, "analyse", RECORDINGS / f"{name}.npz", "--json")
    assert json.loads(replayed)["recordings"] == json.loads(analysed)["recordings"]


def test_mistakes_are_one_line_and_exit_code_2(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("not a recording")
    profile = tmp_path / "mine.toml"
    simulated = (Path(__file__).parents[2] / "hardware_profiles" / "simulated.toml").read_text()
    profile.write_text(simulated.replace("ceiling_ma = 10", "ceiling_ma = 500"))
    strange = tmp_path / "strange.toml"
    strange.write_text(simulated.replace("[stimulus]", "[stimulus]\nwavelength = 3"))
    with np.load(RECORDINGS / "A1.npz") as stored:
        raw, milliampere, rate = stored["raw"], stored["stim_ma"], stored["rate_hz"]
    unsound = np.where(np.arange(raw.size).reshape(raw.shape) % 999 == 0, np.nan, raw)
    study = ("study", "--stimuli", "5", "--speed", "max", "--study", tmp_path / "never.study")
    cases = [
        (("analyse", tmp_path / "missing.npz"), "missing.npz"),
        (("analyse", tmp_path), str(tmp_path)),
        (("analyse", text), "notes.txt"),
        (("replay", text), "notes.txt"),
        (("analyse", recording_with(tmp_path / "shape.npz", raw=raw[0])), "raw"),
        (("analyse", recording_with(tmp_path / "nan.npz", raw=unsound)), "raw"),
        (("analyse", recording_with(tmp_path / "rate.npz", rate_hz=0 * rate)), "rate_hz"),
        (("analyse", recording_with(tmp_path / "ma.npz", stim_ma=-milliampere)), "stim_ma"),
        (("analyse", RECORDINGS / "A1.npz", "--margin-relative", "-1"), "margin"),
        (("analyse", RECORDINGS / "waveforms.npz", "--truth"), "waveforms.npz"),
        ((*study, "--profile", "nowhere.toml"), "nowhere.toml"),
        ((*study, "--profile", profile), "ceiling_ma"),
        ((*study, "--profile", strange), "wavelength"),
        ((*study, "--scenario", "nobody"), "nobody"),
        ((*study, "--device", "teapot"), "teapot"),
        ((*study, "--up-to", "50"), "ceiling"),
        (("study", "--stimuli", "0"), "--stimuli"),
        (("study", "--seconds", "-1"), "--seconds"),
        (("study", "--stimuli", "5", "--seconds", "5"), "--stimuli"),
        (("study", "--stimuli", "5", "--seed", "-1"), "--seed"),
        (("study", "--json"), "--json"),
        (("study",), "terminal"),
        (("bench", "--scenario", "nobody"), "nobody"),
        (("dance",), "dance"),
    ]
    for arguments, says in cases:
        code, out, err = run(capsys, *arguments)
        assert (code, out) == (2, ""), arguments
        assert says in err, (arguments, err)
        assert err.count("\n") == 1, err
        assert "Traceback" not in err
    assert not (tmp_path / "never.study").exists()


def test_an_existing_study_is_not_overwritten(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "kept.study"
    path.write_bytes(b"precious")
    code, _, err = run(capsys, "study", "--stimuli", 5, "--speed", "max", "--study", path)
    assert code == 2
    assert "exists already" in err
    assert path.read_bytes() == b"precious"
