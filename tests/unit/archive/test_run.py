"""All files of an archive in this process: what is done, what is done again, and what an interruption leaves."""

import os
import shutil
from contextlib import contextmanager, nullcontext

import pytest

from acq.archive.farm import LostTask, SerialFarm
from acq.archive.finding import find_files
from acq.archive.job import AnalysisRequest, FileState, Outcome
from acq.archive.parts import make_folder, part_path, read_part, read_tables
from acq.archive.run import Costs, analyse_archive, find_plan
from acq.archive.work import work_on
from acq.errors import ConfigurationError
from tests.made_archives import make_small_study

pytest.importorskip("pyarrow")


class Watched:
    """Does what it is given instead of the work, and remembers which files came in which order."""

    def __init__(self, work):
        self.work = work
        self.names = []

    def __call__(self, task):
        self.names.append(task.name)
        return self.work(task)


def nothing(task):
    return Outcome(state=FileState.DONE, digest=task.name, kind="study", n_sweeps=1)


@pytest.fixture
def archive(tmp_path):
    """Three files of different sizes, whose content nobody looks at."""
    folder = tmp_path / "archive"
    folder.mkdir()
    for name, size in (("a", 100), ("b", 300), ("c", 200)):
        (folder / f"{name}.study").write_bytes(b"SQLite format 3\0" + bytes(size))
    return folder


@pytest.fixture
def out(tmp_path):
    made = tmp_path / "results"
    make_folder(made)
    return made


def run(folder, out, work, request=None):
    request = request if request is not None else AnalysisRequest()
    plan = find_plan(find_files(folder, leave_out=out).files, request, out)
    return analyse_archive(plan, request, out, lambda: nullcontext(SerialFarm(work)))


def test_the_largest_come_first_and_what_is_done_stands(archive, out):
    work = Watched(nothing)
    parts = run(archive, out, work)
    assert work.names == ["b.study", "c.study", "a.study"]
    assert set(parts) == set(work.names)
    again = Watched(nothing)
    assert run(archive, out, again) == parts
    assert again.names == []


def test_an_interruption_keeps_what_was_done(archive, out):
    def interrupted(task):
        if task.name == "c.study":
            raise KeyboardInterrupt
        return nothing(task)

    with pytest.raises(KeyboardInterrupt):
        run(archive, out, interrupted)
    work = Watched(nothing)
    parts = run(archive, out, work)
    assert work.names == ["c.study", "a.study"]
    assert [one.state for one in parts.values()] == [FileState.DONE] * 3
    assert not [one for one in out.rglob("*") if one.name.startswith(".")]


def test_other_settings_another_version_or_a_broken_part_make_it_anew(archive, out):
    run(archive, out, nothing)
    for request in (
        AnalysisRequest(margin={"margin_relative": 0.3}),
        AnalysisRequest(margin={"margin_relative": 0.3}, electrode="concentric"),
        AnalysisRequest(version="9.9.9"),
        AnalysisRequest(limits_digest="of other limits"),
    ):
        work = Watched(nothing)
        run(archive, out, work, request)
        assert len(work.names) == 3
    run(archive, out, nothing)
    part = part_path(out, "b.study")
    part.write_bytes(part.read_bytes()[:-30])
    work = Watched(nothing)
    run(archive, out, work)
    assert work.names == ["b.study"]


def test_a_changed_file_is_done_again_and_one_with_another_date_is_not(tmp_path, out):
    folder = tmp_path / "studies"
    folder.mkdir()
    path = make_small_study(folder / "one.study")
    first = run(folder, out, work_on)["one.study"]
    endplates = read_tables(out, "one.study")["endplates"]
    stat = path.stat()
    os.utime(path, ns=(stat.st_mtime_ns + 10**9, stat.st_mtime_ns + 10**9))
    outcomes = []

    def work(task):
        outcomes.append(work_on(task))
        return outcomes[-1]

    touched = run(folder, out, work)["one.study"]
    assert [one.state for one in outcomes] == [FileState.UNCHANGED]
    assert (touched.state, touched.digest, touched.wall_s) == (FileState.DONE, first.digest, first.wall_s)
    assert touched.mtime_ns == stat.st_mtime_ns + 10**9
    assert read_tables(out, "one.study")["endplates"].equals(endplates)
    path.unlink()
    make_small_study(path, n_recordings=2)
    changed = run(folder, out, work)["one.study"]
    assert outcomes[-1].state is FileState.DONE
    assert changed.n_recordings == 2
    assert changed.digest != first.digest


def test_what_was_passed_over_is_tried_again(archive, out):
    def refuse(_task):
        return Outcome(state=FileState.PASSED_OVER, reason="the disk was away")

    assert {one.reason for one in run(archive, out, refuse).values()} == {"the disk was away"}
    assert {one.state for one in run(archive, out, nothing).values()} == {FileState.DONE}


class Gathering(SerialFarm):
    """Four workers, of which whoever has a file that ends in 3 dies; counts what is on its way."""

    n_workers = 4

    def __init__(self):
        super().__init__(nothing)
        self.n_held = self.most_held = self.n_taken = 0

    def submit(self, task):
        super().submit(task)
        self.n_held += 1
        self.most_held = max(self.most_held, self.n_held)

    def take(self):
        self.n_taken += 1
        if self.n_taken % 2:
            return None  # nothing has come back yet
        task, outcome = super().take()
        self.n_held -= 1
        return task, LostTask("its workers ended") if task.name.endswith("3.study") else outcome


def test_few_are_on_their_way_and_a_lost_one_is_named(tmp_path, out):
    folder = tmp_path / "many"
    folder.mkdir()
    for number in range(40):
        (folder / f"{number}.study").write_bytes(b"SQLite format 3\0")
    request = AnalysisRequest()
    plan = find_plan(find_files(folder, leave_out=out).files, request, out)
    farm, costs, told = Gathering(), Costs(), []
    parts = analyse_archive(plan, request, out, lambda: nullcontext(farm), report=told.append, costs=costs)
    assert farm.most_held == 8
    assert costs.n_tasks == 40
    lost = {one.name for one in parts.values() if one.state is FileState.PASSED_OVER}
    assert lost == {"3.study", "13.study", "23.study", "33.study"}
    assert (told[-1].n_done, told[-1].n_todo, told[-1].n_passed_over) == (40, 40, 4)


def test_no_workers_are_started_where_nothing_is_to_be_done(archive, out):
    run(archive, out, nothing)

    @contextmanager
    def never():
        raise AssertionError("started")
        yield

    request = AnalysisRequest()
    plan = find_plan(find_files(archive, leave_out=out).files, request, out)
    assert len(analyse_archive(plan, request, out, never)) == 3


def test_a_part_is_of_its_file_alone(archive, out):
    run(archive, out, nothing)
    shutil.copy(part_path(out, "a.study"), part_path(out, "b.study"))
    assert read_part(out, "b.study") is None
    assert read_part(out, "a.study") is not None


def test_a_folder_of_other_things_is_not_taken(tmp_path):
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(ConfigurationError, match="other things in it"):
        make_folder(tmp_path)
    with pytest.raises(ConfigurationError, match="cannot be written"):
        make_folder(tmp_path / "thesis.txt")
    assert [one.name for one in tmp_path.iterdir()] == ["thesis.txt"]
