"""A disk that is full, or an interruption: one line, and nothing half is left."""

import errno
import io
import os
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest

from acq.cli import main
from acq.study.store import StudyStore
from tests.exchange_studies import make_exchange_study

pytest.importorskip("pynwb")
pytest.importorskip("edfio")
pytest.importorskip("reportlab")

_FEW_BYTES = 40_000  # more than a study begins with, less than anything holds that is made of one


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_exchange_study(tmp_path_factory.mktemp("full") / "made.study")


_LIMITED = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]),) * 2)
from acq.cli import main
main(sys.argv[2:])
"""


@pytest.mark.skipif(
    sys.platform == "win32",
    reason="Windows has no limit on the size of files, which plays the full disk",
)
@pytest.mark.parametrize(
    "arguments",
    [
        ["export", "made.study", "out/x.nwb"],
        ["export", "made.study", "out/x.edf", "--recording", "1"],
        ["export", "made.study", "out/x", "--format", "edf"],
        ["export", "made.study", "out/x", "--format", "npz"],
        ["report", "made.study", "out/x.pdf"],
        ["report", "made.study", "out/x.html"],
        ["copy", "made.study", "out/x.study"],
        ["copy", "made.study", "out/x.study", "--anonymous"],
    ],
    ids=lambda one: " ".join(one),
)
def test_what_does_not_fit_is_one_line_and_nothing_is_left(study: Path, tmp_path: Path, arguments: list[str]) -> None:
    out = tmp_path / "out"
    out.mkdir()
    line = [{"made.study": str(study), "out": str(out)}.get(one, one) for one in arguments]
    line = [one.replace("out/", f"{out}/", 1) if one.startswith("out/") else one for one in line]
    ended = subprocess.run(
        [sys.executable, "-c", _LIMITED, str(_FEW_BYTES), *line],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )
    assert ended.returncode == 2, ended.stderr
    assert ended.stderr.startswith("suprathresh: ")
    assert len(ended.stderr.splitlines()) == 1
    assert ".unfinished" not in ended.stderr
    assert str(out / "x") in ended.stderr
    assert list(out.iterdir()) == []


def run(*arguments: object) -> tuple[int, str]:
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
        main([str(one) for one in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code, err.getvalue()


def test_a_study_that_cannot_be_completed_for_want_of_space_is_gone(
    study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "x.npz"
    assert run("export", study, out, "--recording", 1)[0] == 0
    original = StudyStore._add_entry

    def fail(store: StudyStore, sort: str, kind: str, *rest: object, **more: object) -> object:
        if sort == "closed":
            from acq.errors import StudyFileError

            raise StudyFileError("the disk is full")
        return original(store, sort, kind, *rest, **more)  # type: ignore[arg-type] # passed on as it came

    def no_sweep(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(StudyStore, "_add_entry", fail)
    monkeypatch.setattr(StudyStore, "add_sweep", no_sweep)
    with pytest.raises(OSError, match="space"):
        main(["import", str(out), "--into", str(tmp_path / "new.study")])
    assert list(tmp_path.iterdir()) == [out]


@pytest.mark.parametrize("options", [["x.nwb"], ["x", "--format", "npz"]])
def test_an_error_of_the_system_names_the_place_that_was_asked_for(
    study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: list[str]
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EACCES, "Permission denied")

    import acq.exchange.recording_out as recording_out

    monkeypatch.setattr(Path, "write_bytes", refuse)
    monkeypatch.setattr(recording_out.np, "savez_compressed", refuse)
    code, err = run("export", study, tmp_path / options[0], *options[1:])
    assert code == 2
    assert err.startswith(f"suprathresh: {tmp_path / options[0]}")
    assert ".unfinished" not in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("options", [[], ["--anonymous"]])
def test_a_copy_that_is_interrupted_leaves_nothing(
    study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: list[str]
) -> None:
    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(StudyStore, "note_copied", interrupt)
    code, err = run("copy", study, tmp_path / "new.study", *options)
    assert code == 130
    assert "interrupted" in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only Linux has a device that is always full")
@pytest.mark.parametrize("arguments", [["limits"], ["--help"]])
def test_what_cannot_be_printed_is_one_line(arguments: list[str]) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "acq.cli", *arguments], stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    (line,) = done.stderr.splitlines()
    assert done.returncode == 2
    assert line.startswith("suprathresh: what is printed cannot be written (No space left on device)")
