"""What a script may rely on, and the page of the manual that shows it: each example runs, and prints what it says."""

import io
import re
from contextlib import redirect_stdout
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from acq import api
from acq.errors import ConfigurationError
from acq.offline import analyse_recording
from acq.study.result import make_result
from acq.study.store import StudyStore
from sim_device.virtual_study import make_virtual_study
from tests.made_endplates import make_fibre, write_study

PAGE = resources.files("acq.manual").joinpath("python.md").read_text(encoding="utf-8")
BLOCK = re.compile(r"^```(python|text)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
NUMBER = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?")


def is_told(shown: str, printed: str) -> bool:
    """The same words, and numbers that differ by no more than one in their last digit."""
    if " ".join(NUMBER.sub("#", shown).split()) != " ".join(NUMBER.sub("#", printed).split()):
        return False
    pairs = zip(NUMBER.findall(shown), NUMBER.findall(printed), strict=True)
    return all(
        abs(float(one) - float(other)) <= 1.001 * 10.0 ** -len(one.partition(".")[2])
        for one, other in pairs
    )  # fmt: skip


def test_every_example_of_the_page_prints_what_the_page_says(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    blocks = BLOCK.findall(PAGE)
    assert [kind for kind, _ in blocks] == ["python", "text"] * (len(blocks) // 2), "each example and what it prints"
    assert len(blocks) >= 6
    names = {"__name__": "page"}
    for (_, code), (_, shown) in zip(blocks[::2], blocks[1::2], strict=True):
        printed = io.StringIO()
        with redirect_stdout(printed):
            exec(compile(code, "python.md", "exec"), names)  # noqa: S102 - the page's own text
        assert is_told(shown, printed.getvalue()), (
            f"the page says\n{shown}\nand its example prints\n{printed.getvalue()}"
        )


@pytest.mark.parametrize(
    ("shown", "printed", "same"),
    [
        ("MCD 16.0 µs", "MCD 16.1 µs", True),
        ("MCD 16.0 µs", "MCD 16.2 µs", False),
        ("assured: 130", "assured: 131", True),
        ("assured: 130", "assured: 132", False),
        ("1 fibre", "1 fibres", False),
        ("a 1.0", "a 1.0 2.0", False),
    ],
)
def test_what_the_page_shows_is_compared_to_its_last_digit(shown, printed, same):
    assert is_told(shown, printed) is same


def test_every_name_is_there_and_explained():
    for name in api.__all__:
        found = getattr(api, name)
        assert name == "__version__" or (found.__doc__ or "").strip(), name


def test_a_simulated_study_is_the_same_from_the_same_seed_and_comes_with_its_truth(tmp_path):
    settings = {"scenario": "single", "seed": 3, "n_stimuli": 20, "code": "R-01", "about": {"side": "left"}}
    one = make_virtual_study(tmp_path / "one.study", n_recordings=2, **settings)
    other = make_virtual_study(tmp_path / "other.study", n_recordings=1, **settings)
    first, second = (api.read_result(made.path).study for made in (one, other))
    assert (first.about.code, first.about.side) == ("R-01", "left")
    assert (len(first.recordings), len(one.truth), len(first.endplates)) == (2, 2, 2)
    measured_us = first.endplates[0].fibre.latency_us
    assert np.array_equal(measured_us, second.endplates[0].fibre.latency_us, equal_nan=True)
    # The truth of one site goes on through its recordings.
    n_first, n_second = (recording.described.n_sweeps for recording in first.recordings)
    assert (one.truth[0].n_pulses, one.truth[1].n_pulses) == (n_first, n_first + n_second)
    true_us = one.truth[0].latency_us[:, 0]
    assert np.array_equal(np.isfinite(true_us), np.isfinite(measured_us))
    assert np.nanstd(measured_us - true_us) < 2.0  # the timing noise of this patient is below it


@pytest.mark.parametrize("wrong", [{"n_recordings": 0}, {"n_stimuli": 0}, {"scenario": "nobody"}])
def test_a_simulated_study_that_cannot_be_made_leaves_no_file(tmp_path, wrong):
    with pytest.raises(ConfigurationError):
        make_virtual_study(tmp_path / "one.study", **wrong)
    assert not list(tmp_path.iterdir())


@pytest.fixture
def folder(tmp_path):
    healthy = [make_fibre(latency_us=3000.0 + 200.0 * k, mcd_us=12.0 + k % 5) for k in range(6)]
    write_study(
        tmp_path / "a.study", [healthy[:4], healthy[4:]], about={"age_years": 47, "muscle": "orbicularis oculi"}
    )
    write_study(tmp_path / "b.study", [[make_fibre(n_pairs=3)]], about={"code": "R-02"})
    (tmp_path / "c.study").write_bytes(b"not a study")
    return tmp_path


def test_a_table_holds_all_endplates_of_a_folder_and_names_what_it_passed_over(folder):
    collected = api.collect_endplates(sorted(folder.glob("*.study")))
    assert [one.file for one in collected.left_out] == ["c.study"]
    assert "not a study" in collected.left_out[0].reason
    rows = collected.table.to_pylist()
    assert [row["file"] for row in rows] == ["a.study"] * 6 + ["b.study"]
    assert [row["label"] for row in rows] == ["1.1", "1.2", "1.3", "1.4", "2.1", "2.2", "1.1"]
    assert [row["mcd_us"] for row in rows[:6]] == [12.0, 13.0, 14.0, 15.0, 16.0, 12.0]
    assert (rows[0]["age_years"], rows[0]["muscle"], rows[6]["age_years"]) == (47, "orbicularis oculi", None)
    assert [row["is_counted"] for row in rows] == [True] * 6 + [False]
    assert "30 are needed" in rows[6]["reasons"]


def test_a_table_of_nothing_is_refused_in_one_line(folder):
    with pytest.raises(ConfigurationError, match=r"no study could be read; give the paths"):
        api.collect_endplates([])
    with pytest.raises(ConfigurationError, match=r"no study could be read: .*c\.study.*not a study") as told:
        api.collect_endplates([folder / "c.study"])
    assert "\n" not in str(told.value)


@pytest.mark.parametrize("make", [str, Path])
def test_one_path_is_not_taken_for_many(tmp_path, make):
    with pytest.raises(ConfigurationError, match="one path where several are asked for"):
        api.collect_endplates(make(tmp_path / "a.study"))


def test_results_are_those_of_the_commands_and_the_file_stays_as_it_is(folder):
    path = folder / "a.study"
    before = path.read_bytes()
    result = api.read_result(path)
    with StudyStore.open(path) as store:
        assert result.summary == make_result(store).summary
    assert path.read_bytes() == before
    assert api.analyse_recording is analyse_recording
