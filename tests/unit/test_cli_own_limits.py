"""A laboratory's own limits on their whole way: derived, written, and used by every command that shows a result."""

import io
import json
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from acq.cli import main
from acq.report.summary_document import summary_schema
from acq.study.reference_limits import own_limits_path
from tests.made_endplates import make_fibre, write_study

ABOUT = {"muscle": "deltoid", "stimulation": "extramuscular", "age_years": 40}


def run(*arguments: object) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
        main([str(one) for one in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code, out.getvalue(), err.getvalue()


def make_subject(path: Path, *, seed: int, mean_us: float = 18.0, n: int = 20) -> Path:
    rng = np.random.default_rng(seed)
    mcds = rng.lognormal(np.log(mean_us), 0.3, n)
    pairs = [
        [
            make_fibre(latency_us=at_us + rng.uniform(0, 900), mcd_us=float(mcd), amplitude_uv=rng.uniform(300, 2000))
            for at_us, mcd in zip((3000, 6000), two, strict=True)
        ]
        for two in mcds.reshape(-1, 2)
    ]
    return write_study(path, pairs, about={**ABOUT, "code": f"H-{seed:02d}"})


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The usual place of the laboratory's limits, which `limits` has written."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    healthy = tmp_path / "healthy"
    healthy.mkdir()
    for k in range(8):
        make_subject(healthy / f"h{k}.study", seed=k)
    path = own_limits_path()
    path.parent.mkdir(parents=True)
    assert run("limits", "--from", healthy, "--fewest", 15, "--name", "deltoid-lab", "--write", path)[0] == 0
    return path


@pytest.mark.usefixtures("own")
def test_own_limits_are_used_by_every_command(tmp_path: Path) -> None:
    subject = make_subject(tmp_path / "subject.study", seed=99, mean_us=40.0)
    code, said, _ = run("summary", subject)
    assert code == 0
    assert "deltoid-lab" in said
    documents = [run("summary", subject, "--json")[1]]
    assert run("export", subject, tmp_path / "out.json")[0] == 0
    documents.append((tmp_path / "out.json").read_text(encoding="utf-8"))
    for text in documents:
        document = json.loads(text)
        Draft202012Validator(summary_schema()).validate(document)
        assert document["limits"]["chosen"]["name"] == "deltoid-lab"
        assert document["limits"]["chosen"]["made_on"].count("-") == 2
    assert run("report", subject, tmp_path / "out.html")[0] == 0
    assert "deltoid-lab" in (tmp_path / "out.html").read_text(encoding="utf-8")
    assert run("list", tmp_path)[0] == 0
    nwb = pytest.importorskip("pynwb")
    assert run("export", subject, tmp_path / "out.nwb")[0] in (0, 1)  # 1: it has fewer sweeps than its result says
    with nwb.NWBHDF5IO(tmp_path / "out.nwb", "r") as stream:
        assert stream.read().session_id == "H-99"


def test_limits_that_cannot_be_read_are_no_fault_of_the_studies(own: Path, tmp_path: Path) -> None:
    make_subject(tmp_path / "one.study", seed=98)
    make_subject(tmp_path / "two.study", seed=97)
    own.write_text("no limits", encoding="utf-8")
    for line in (["list", tmp_path], ["summary", tmp_path / "one.study"], ["export", tmp_path / "one.study", "x.json"]):
        code, _, err = run(*line)
        assert code == 2
        assert err.startswith(f"suprathresh: {own}: not TOML")
        assert len(err.splitlines()) == 1
    assert run("summary", tmp_path / "one.study", "--limits", "none")[0] == 0
