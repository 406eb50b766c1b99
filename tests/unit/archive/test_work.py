"""A worker's figures are those of the commands that do one file at a time, to the last bit; no study is written."""

import io
import os
from contextlib import redirect_stderr, redirect_stdout

import pytest

from acq.archive.job import AnalysisRequest, FileState, Task, digest_of
from acq.archive.work import work_on
from acq.cli import main
from acq.study.store import StudyStore
from tests.exchange_studies import damage_a_sweep, make_exchange_study
from tests.made_archives import make_arrays, make_small_study

pa = pytest.importorskip("pyarrow")
pq = pytest.importorskip("pyarrow.parquet")

OF_A_STUDY_THAT_WAS_WRITTEN = {"seal", "code", "begun_at", "started_at"}


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return make_small_study(
        tmp_path_factory.mktemp("work") / "made.study", n_recordings=2, about={"muscle": "frontalis"}
    )


def command(*arguments):
    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()), pytest.raises(SystemExit) as ended:
        main([*map(str, arguments)])
    assert ended.value.code == 0


def task(path, **request):
    stat = path.stat()
    return Task(
        path=path, name=path.name, n_bytes=stat.st_size, mtime_ns=stat.st_mtime_ns, request=AnalysisRequest(**request)
    )


def table(outcome, name):
    return pa.ipc.open_stream(outcome.tables[name]).read_all()


def assert_same(ours, file, *, without=frozenset()):
    """Every column that is exported, equal to the last bit."""
    exported = pq.read_table(file)
    assert ours.column_names == ["file", *exported.column_names]
    assert ours.num_rows == exported.num_rows
    for name in set(exported.column_names) - without:
        one, other = ours[name].to_pylist(), exported[name].to_pylist()
        assert repr(one) == repr(other), name


def test_a_study_has_the_figures_of_analyse_keep(study, tmp_path):
    pairs = (({}, ()), ({"margin": {"margin_relative": 0.5}}, ("--margin-relative", "0.5")))
    for place, (request, options) in enumerate(pairs):
        copy = tmp_path / f"{place}.study"
        copy.write_bytes(study.read_bytes())
        command("analyse", copy, "--keep", *options)
        command("export", copy, tmp_path / str(place), "--format", "parquet")
        outcome = work_on(task(study, **request))
        assert (outcome.state, outcome.kind, outcome.n_recordings, outcome.n_sweeps) == (FileState.DONE, "study", 2, 80)
        assert table(outcome, "endplates").num_rows > 0
        assert_same(table(outcome, "endplates"), tmp_path / str(place) / "endplates.parquet")
        assert_same(table(outcome, "recordings"), tmp_path / str(place) / "recordings.parquet")
        assert_same(table(outcome, "studies"), tmp_path / str(place) / "study.parquet", without={"seal"})


def test_the_electrode_can_be_another(study):
    first = table(work_on(task(study, electrode="concentric")), "studies")
    assert first["electrode"].to_pylist() == ["concentric"]


def test_a_recording_has_the_figures_of_import(tmp_path):
    path = make_arrays(tmp_path / "made.npz")
    command("import", path, "--into", tmp_path / "new.study")
    command("export", tmp_path / "new.study", tmp_path / "tables", "--format", "parquet")
    outcome = work_on(task(path))
    assert (outcome.state, outcome.kind, outcome.subject) == (FileState.DONE, ".npz", None)
    for ours, theirs in (("endplates", "endplates"), ("recordings", "recordings"), ("studies", "study")):
        assert_same(
            table(outcome, ours), tmp_path / "tables" / f"{theirs}.parquet", without=OF_A_STUDY_THAT_WAS_WRITTEN
        )


def test_the_same_content_is_not_analysed_again(study):
    known = digest_of(study)
    asked = Task(path=study, name="x", n_bytes=1, mtime_ns=1, request=AnalysisRequest(), known_digest=known)
    outcome = work_on(asked)
    assert (outcome.state, outcome.digest, outcome.tables) == (FileState.UNCHANGED, known, {})


def test_a_study_left_open_is_read_and_stays_as_it_is(study, tmp_path):
    path = tmp_path / "left.study"
    path.write_bytes(study.read_bytes())
    store = StudyStore.open(path, "write")
    store.add_event("left", "in the middle")
    left = {one.name: one.read_bytes() for one in tmp_path.iterdir()}
    store.close()
    folder = tmp_path / "archive"
    folder.mkdir()
    for name, content in left.items():
        (folder / name).write_bytes(content)
    assert "left.study-wal" in left
    outcome = work_on(task(folder / "left.study"))
    assert outcome.state is FileState.DONE
    assert {one.name: one.read_bytes() for one in folder.iterdir()} == left


def test_a_damaged_study_is_analysed_as_far_as_it_goes_and_says_so(tmp_path):
    path = make_exchange_study(tmp_path / "made.study")
    damage_a_sweep(path)
    before = path.read_bytes()
    outcome = work_on(task(path))
    assert outcome.state is FileState.DAMAGED
    assert "damaged" in outcome.reason
    assert str(tmp_path) not in outcome.reason
    assert path.read_bytes() == before


def test_what_cannot_be_analysed_is_one_line(tmp_path):
    cut = tmp_path / "cut.npz"
    cut.write_bytes(make_arrays(tmp_path / "whole.npz").read_bytes()[:900])
    text, none, gone = tmp_path / "text.study", tmp_path / "empty.study", tmp_path / "gone.study"
    text.write_text("no study")
    none.touch()
    for path in (cut, text, none):
        outcome = work_on(task(path))
        assert outcome.state is FileState.PASSED_OVER
        assert outcome.reason
        assert "\n" not in outcome.reason
        assert str(tmp_path) not in outcome.reason
    asked = Task(path=gone, name="gone", n_bytes=1, mtime_ns=1, request=AnalysisRequest())
    assert "no such file" in work_on(asked).reason


def test_a_worker_of_another_version_or_with_other_limits_refuses(study, tmp_path):
    assert "install the same" in work_on(task(study, version="0.0.1")).reason
    limits = tmp_path / "limits.toml"
    limits.write_text("schema_version = 1\n")
    from acq.study.result import ResultOptions

    asked = task(study, result=ResultOptions(limits_file=limits), limits_digest="other")
    assert "other limits" in work_on(asked).reason


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root reads every file, and Windows has no such rights"
)
def test_a_file_that_must_not_be_read_is_passed_over(study, tmp_path):
    path = tmp_path / "shut.study"
    path.write_bytes(study.read_bytes())
    asked = task(path)
    path.chmod(0)
    assert "cannot be read" in work_on(asked).reason
