"""What is taken for a study or a recording below a folder, and what is not looked at."""

import os

import numpy as np
import pytest

from acq.archive.finding import find_files
from acq.errors import InputFileError
from tests.made_archives import make_arrays, make_small_study


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return make_small_study(tmp_path_factory.mktemp("made") / "made.study")


def names(folder, out=None):
    found = find_files(folder, leave_out=out if out is not None else folder / "results")
    return [one.name for one in found.files], found


def test_content_decides_and_the_ending_where_nothing_can_be_read(study, tmp_path):
    deep = tmp_path / "b" / "c"
    deep.mkdir(parents=True)
    (deep / "without ending").write_bytes(study.read_bytes())
    make_arrays(tmp_path / "a.npz")
    np.savez(tmp_path / "truth.npz", latency_us=np.zeros(3))
    (tmp_path / "notes.txt").write_text("no recording")
    (tmp_path / "empty.study").touch()
    (tmp_path / "broken.npz").write_bytes(b"PK\x03\x04 and no more")
    (tmp_path / "letter.docx").write_bytes((tmp_path / "truth.npz").read_bytes())
    (tmp_path / ".hidden.study").write_bytes(study.read_bytes())
    there, found = names(tmp_path)
    assert there == ["a.npz", "b/c/without ending", "broken.npz", "empty.study"]
    assert (found.n_other, found.n_links) == (3, 0)


def test_neither_links_nor_the_results_are_looked_into(study, tmp_path):
    archive, elsewhere, out = tmp_path / "archive", tmp_path / "elsewhere", tmp_path / "archive" / "results"
    for folder in (archive, elsewhere, out):
        folder.mkdir()
    (archive / "one.study").write_bytes(study.read_bytes())
    (elsewhere / "other.study").write_bytes(study.read_bytes())
    (out / "mine.study").write_bytes(study.read_bytes())
    try:
        (archive / "out of it").symlink_to(elsewhere, target_is_directory=True)
        (archive / "loop").symlink_to(archive, target_is_directory=True)
        (archive / "again.study").symlink_to(archive / "one.study")
    except OSError:
        pytest.skip("this user may not make links, as on Windows by default")
    there, found = names(archive, out)
    assert there == ["one.study"]
    assert found.n_links == 3


def test_a_study_left_open_counts_with_its_log(study, tmp_path):
    path = tmp_path / "open.study"
    path.write_bytes(study.read_bytes())
    before = names(tmp_path)[1].files[0]
    log = tmp_path / "open.study-wal"
    log.write_bytes(b"what was not put in yet")
    os.utime(log, ns=(before.mtime_ns + 5, before.mtime_ns + 5))
    after = names(tmp_path)[1].files[0]
    assert after.n_bytes == before.n_bytes + log.stat().st_size
    assert after.mtime_ns == before.mtime_ns + 5


@pytest.mark.parametrize("what", ["missing", "file", "null\0"])
def test_no_folder_is_one_line(tmp_path, what):
    (tmp_path / "file").touch()
    with pytest.raises(InputFileError) as caught:
        find_files(tmp_path / what, leave_out=tmp_path / "out")
    assert "\n" not in str(caught.value)
    assert "folder" in str(caught.value) or "cannot be read" in str(caught.value)
