"""`suprathresh archive`: tables that pandas reads, a report, and one line for whatever is wrong."""

import json
from contextlib import nullcontext

import pytest

from acq.archive import farm as farms
from acq.archive.farm import SerialFarm
from acq.archive.work import work_on
from acq.cli import main
from acq.study.reference_limits import read_limits
from tests.made_archives import make_arrays, make_small_study

pytest.importorskip("distributed")
pd = pytest.importorskip("pandas")
pq = pytest.importorskip("pyarrow.parquet")


pytestmark = pytest.mark.usefixtures("own_home")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Three studies, one of them twice, a recording, a broken one, and something else."""
    folder = tmp_path_factory.mktemp("cli") / "archive"
    (folder / "healthy").mkdir(parents=True)
    for number in range(2):
        about = {"code": f"H{number}", "muscle": "Frontalis", "age_years": 40 + number}
        make_small_study(folder / "healthy" / f"{number}.study", first=20 * number, about=about)
    make_small_study(folder / "patient.study", n_recordings=2, about={"code": "P1", "muscle": "frontalis"})
    (folder / "patient copy.study").write_bytes((folder / "patient.study").read_bytes())
    make_arrays(folder / "alone.npz")
    (folder / "broken.study").write_bytes(b"SQLite format 3\0 and no more")
    (folder / "notes.txt").write_text("nothing")
    return folder


@pytest.fixture
def here(monkeypatch):
    """The work is done in this process, without starting others."""
    monkeypatch.setattr(farms, "local_farm", lambda _n: nullcontext(SerialFarm()))


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main(["archive", *map(str, arguments)])
    said = capsys.readouterr()
    return ended.value.code, said.out, said.err


def test_worker_processes_give_tables_and_a_report_and_the_rest_is_named(made, tmp_path, capsys, monkeypatch):
    before = {one: one.read_bytes() for one in made.rglob("*") if one.is_file()}
    out = tmp_path / "results"
    code, said, wrong = run(capsys, made, "--into", out, "--workers", 1, "--untested")
    assert code == 0
    assert "5 of 6 files analysed; 1 passed over" in said
    assert "not a medical device" in said
    assert "passed over: broken.study: " in wrong
    assert "Traceback" not in wrong
    assert {one: one.read_bytes() for one in made.rglob("*") if one.is_file()} == before
    tables = {
        name: pd.read_parquet(out / f"{name}.parquet") for name in ("endplates", "recordings", "studies", "files")
    }
    files = tables["files"].set_index("file")
    assert files["state"].to_dict() == {
        "alone.npz": "done",
        "broken.study": "passed over",
        "healthy/0.study": "done",
        "healthy/1.study": "done",
        "patient copy.study": "done",
        "patient.study": "done",
    }
    assert files["copy_of"].dropna().to_dict() == {"patient.study": "patient copy.study"}
    assert files.loc["patient.study", "n_sweeps"] == 80
    assert tables["recordings"].groupby("file").size()["patient.study"] == 2
    assert len(tables["studies"]) == 5
    assert tables["endplates"]["mcd_us"].notna().any()
    units = {
        one.name: (one.metadata or {}).get(b"unit", b"").decode() for one in pq.read_schema(out / "endplates.parquet")
    }
    assert (units["mcd_us"], units["threshold_ma"], units["file"]) == ("µs", "mA", "")
    html = (out / "archive.html").read_text(encoding="utf-8")
    for words in ("broken.study", "never a diagnosis", "not a medical device", "frontalis", "1 000 workers", "<svg"):
        assert words in html
    assert html.index("broken.study") < html.index("Studies by muscle")  # what is missing, before what is there
    document = json.loads((out / "archive.json").read_text(encoding="utf-8"))
    assert document["healthy"] is None
    assert [one["n_studies"] for one in document["groups"] if one["muscle"] == "frontalis"] == [3]
    assert {one["n_workers"] for one in document["forecasts"]} == {1, 2, 10, 100, 1000}
    # One after the other, in this process: the same to the last bit.
    monkeypatch.setattr(farms, "local_farm", lambda _n: nullcontext(SerialFarm()))
    alone = tmp_path / "alone"
    assert run(capsys, made, "--into", alone, "--untested")[0] == 0
    for name in ("endplates", "recordings", "studies"):
        assert pq.read_table(out / f"{name}.parquet").equals(pq.read_table(alone / f"{name}.parquet"))


@pytest.mark.usefixtures("here")
def test_interrupted_in_the_middle_the_same_command_goes_on(made, tmp_path, capsys, monkeypatch):
    done = []

    def interrupted(task):
        if len(done) == 3:
            raise KeyboardInterrupt
        done.append(task.name)
        return work_on(task)

    monkeypatch.setattr(farms, "local_farm", lambda _n: nullcontext(SerialFarm(interrupted)))
    out = tmp_path / "results"
    code, said, wrong = run(capsys, made, "--into", out)
    assert code == 130
    assert said == ""
    assert wrong.strip().splitlines()[-1].endswith("the same command goes on from there")
    assert "3 of 6 files are done" in wrong
    assert not (out / "archive.html").exists()
    rest = []

    def work(task):
        rest.append(task.name)
        return work_on(task)

    monkeypatch.setattr(farms, "local_farm", lambda _n: nullcontext(SerialFarm(work)))
    code, said, wrong = run(capsys, made, "--into", out, "--json")
    assert code == 0
    assert "going on: 3 of 6 files are done" in wrong
    assert len(rest) == 3
    assert not set(rest) & set(done)
    assert json.loads(said)["files"]["done"] == 5
    assert (out / "archive.html").exists()


@pytest.mark.usefixtures("here")
def test_limits_are_derived_where_healthy_subjects_are_named(made, tmp_path, capsys):
    out, limits = tmp_path / "results", tmp_path / "limits.toml"
    arguments = (made, "--into", out, "--healthy", "healthy", "--fewest", 1)
    code, said, _ = run(capsys, *arguments)
    assert code == 0
    assert "healthy" in said
    document = json.loads((out / "archive.json").read_text(encoding="utf-8"))["healthy"]
    assert document["folders"] == ["healthy"]
    code, _, wrong = run(capsys, *arguments, "--write-limits", limits)
    assert code == 2
    assert "none to keep" in wrong
    assert not limits.exists()


@pytest.mark.usefixtures("here")
def test_limits_are_written_as_they_are_read(made, tmp_path, capsys, monkeypatch):
    folder = tmp_path / "archive"
    folder.mkdir()
    for number in range(6):
        (folder / f"{number}.study").write_bytes((made / "patient.study").read_bytes() + bytes(number))
    from acq.archive import healthy
    from acq.study.laboratory import Subject

    def other(plain):
        number = int(plain["file"][0])
        return Subject(
            **{
                **plain,
                "code": f"H{number}",
                "begun_at": None,
                "mcd_us": (10.0 + number) * healthy.np.linspace(0.7, 1.4, 25),
                "least_us": healthy.np.zeros(25),
            }
        )

    monkeypatch.setattr(healthy, "_read_subject", other)
    assert run(capsys, folder, "--into", tmp_path / "o")[0] == 0
    limits = tmp_path / "limits.toml"
    code, said, _ = run(capsys, folder, "--into", tmp_path / "o", "--healthy", ".", "--write-limits", limits)
    assert code == 0
    assert f"limits written to {limits}" in said
    (kept,) = read_limits(limits)
    assert (kept.muscle, kept.n_subjects, kept.mark) == ("frontalis", 6, "OWN")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("{gone}",), "no such folder"),
        (("{file}",), "is a file"),
        (("{empty}",), "no study files and no recordings"),
        (("{archive}", "--into", "{other}"), "other things in it"),
        (("{archive}", "--into", "{file}/below"), "cannot be written"),
        (("{archive}", "--healthy", "nowhere"), "--healthy nowhere"),
        (("{archive}", "--write-limits", "x.toml"), "--write-limits goes with --healthy"),
        (("{archive}", "--healthy", ".", "--write-limits", "{file}"), "exists already"),
        (("{archive}", "--analysis", "1"), "--analysis"),
        (("{archive}", "--workers", "2", "--scheduler", "tcp://x:1"), "give one of them"),
        (("{archive}", "--margin-relative", "-1"), "margin"),
        (("{archive}", "--limits-file", "{gone}"), "gone"),
        (("{archive}", "--limits", "nosuch"), "no limits are called 'nosuch'"),
        (("{archive}", "--healthy", "{empty}"), "no such folder in"),
        (("{archive}", "--healthy", ".."), "no such folder in"),
        (("{archive}", "--scheduler", "http://x:1"), "no address of a scheduler"),
    ],
)
def test_what_cannot_be_is_one_line_and_nothing_is_begun(tmp_path, capsys, arguments, says):
    places = {name: tmp_path / name for name in ("gone", "file", "empty", "archive", "other")}
    for name in ("empty", "archive", "other"):
        places[name].mkdir()
    places["file"].write_text("x")
    (places["other"] / "thesis.txt").write_text("x")
    (places["archive"] / "one.study").write_bytes(b"SQLite format 3\0")
    code, said, wrong = run(capsys, *(one.format(**places) for one in arguments))
    assert code == 2
    assert said == ""
    assert wrong.count("\n") == 1
    assert says in wrong
    assert not list(tmp_path.rglob("parts"))


def test_without_the_package_it_says_how_to_install_it(tmp_path, capsys, monkeypatch):
    found = farms.importlib.util.find_spec
    monkeypatch.setattr(
        farms.importlib.util, "find_spec", lambda name, *rest: None if name == "cryptography" else found(name, *rest)
    )
    code, _, wrong = run(capsys, tmp_path)
    assert code == 2
    assert "the package cryptography, which is not installed" in wrong
    assert 'pip install ".[archive]"' in wrong
