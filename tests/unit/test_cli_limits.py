"""`suprathresh limits`: the list, and limits of one's own from a folder."""

import json

import numpy as np
import pytest

from acq.cli import main
from acq.study.reference_limits import all_limits, read_limits
from acq.study.store import StudyStore
from tests.made_endplates import make_fibre, write_recording

pytestmark = pytest.mark.usefixtures("own_home")


@pytest.fixture(scope="module")
def healthy(tmp_path_factory):
    """25 subjects, and a file that is none."""
    folder = tmp_path_factory.mktemp("healthy")
    random = np.random.default_rng(8)
    for number in range(25):
        about = {"code": f"H{number}", "muscle": "frontalis", "age_years": 30 + number}
        with StudyStore.create(folder / f"{number:02d}.study", meta=about) as store:
            logs = random.normal(2.5, 0.15) + random.normal(0.0, 0.4, 20)
            write_recording(
                store,
                [
                    make_fibre(latency_us=3000.0 + 400.0 * place, mcd_us=float(np.exp(one)))
                    for place, one in enumerate(logs)
                ],
            )
    (folder / "broken.study").write_bytes(b"no study")
    return folder


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main(["limits", *map(str, arguments)])
    said = capsys.readouterr()
    return ended.value.code, said.out, said.err


def test_the_list_has_every_limit_and_the_conflicts_in_80_columns(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    code, out, _ = run(capsys)
    assert code == 0
    assert "…" not in out
    assert all(len(line) <= 80 for line in out.splitlines() if "own limits would" not in line)
    for one in all_limits():
        assert (one.series or one.name) in out.replace("\n", "")
        assert f" {one.individual_us:g} " in out
    assert "28 µs" in " ".join(out.split())
    assert "51 µs" in " ".join(out.split())
    assert "SEC: read in a secondary source" in " ".join(out.split())


def test_the_list_can_be_narrowed(capsys):
    code, out, _ = run(
        capsys, "--muscle", " Frontalis", "--electrode", "concentric", "--activation", "stimulated", "--json"
    )
    assert code == 0
    plain = json.loads(out)
    assert [one["name"] for one in plain["limits"]] == ["fr-cn-2016", "fr-cn-2012"]
    assert plain["limits"][0]["mean_us"] == 21
    assert len(plain["conflicts"]) == 2
    code, out, _ = run(capsys, "--muscle", "nonesuch")
    assert code == 0
    assert "there are some for orbicularis oculi" in out


def test_why_nothing_can_be_derived_is_summed_up_in_one_line(capsys, healthy):
    code, _, err = run(capsys, "--from", healthy, "--muscle", "masseter")
    assert code == 2
    assert len(err.splitlines()) == 1
    assert "26 left out: 00.study and 24 more: is of frontalis" in err
    assert "broken.study: cannot be read" in err


def test_limits_are_derived_and_kept_and_then_listed(capsys, healthy, tmp_path):
    target = tmp_path / "limits.toml"
    code, out, err = run(capsys, "--from", healthy, "--write", target, "--name", "ours", "--percentile", 95)
    assert code == 0
    assert "25 subjects, 500 endplates" in " ".join(out.split())
    assert err.startswith("left out: broken.study: cannot be read")
    [kept] = read_limits(target)
    assert kept.name == "ours"
    assert f"mean {kept.mean_us:g}, single endplate {kept.individual_us:g} µs" in " ".join(out.split())
    assert (kept.age_low_years, kept.age_high_years, kept.n_subjects) == (30, 54, 25)
    code, out, _ = run(capsys, "--limits-file", target, "--json")
    assert code == 0
    assert json.loads(out)["limits"][0]["name"] == "ours"


def test_what_is_kept_in_the_usual_place_is_listed_first(capsys, healthy, own_home):
    place = own_home / "suprathresh studies" / "limits.toml"
    place.parent.mkdir()
    assert run(capsys, "--from", healthy, "--write", place)[0] == 0
    _, out, _ = run(capsys, "--json")
    assert json.loads(out)["limits"][0]["mark"] == "OWN"


def test_for_a_script_there_is_one_document_with_what_is_open_as_null(capsys, healthy):
    code, out, err = run(capsys, "--from", healthy, "--json", "--method", "non-parametric")
    assert code == 0
    assert err == ""
    plain = json.loads(out)
    assert plain["n_subjects"] == 25
    assert plain["mean"]["non-parametric"]["value_us"] is None  # 39 are needed
    assert plain["mean"]["log-normal"]["low_us"] < plain["mean"]["log-normal"]["value_us"]
    assert plain["limit"] is None
    assert "39 are needed" in plain["no_limit_because"]
    assert plain["left_out"][0]["file"] == "broken.study"
    assert plain["written_to"] is None


def test_nothing_is_written_where_there_is_nothing_to_keep_or_something_already(capsys, healthy, tmp_path):
    target = tmp_path / "limits.toml"
    code, _, err = run(capsys, "--from", healthy, "--write", target, "--method", "non-parametric")
    assert code == 2
    assert "39 are needed" in err
    target.write_text("mine", encoding="utf-8")
    code, _, err = run(capsys, "--from", healthy, "--write", target)
    assert code == 2
    assert "exists already" in err
    assert target.read_text(encoding="utf-8") == "mine"
    assert [path.name for path in tmp_path.iterdir()] == ["limits.toml"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--write", "x.toml"], "--write goes with --from"),
        (["--percentile", "95"], "--percentile goes with --from"),
        (["--from", "absent"], "no such folder"),
        (["--from", "{healthy}", "--limits-file", "x"], "--limits-file is for the list"),
        (["--from", "{healthy}", "--name", "none"], "no limits at all"),
        (["--from", "{healthy}", "--name", "fr-cn-2016"], "comes with the program"),
        (["--from", "{healthy}", "--percentile", "nan"], "not a finite number"),
        (["--from", "{healthy}", "--muscle", "masseter"], "no study of the folder can be used"),
        (["--from", "{healthy}", "--fewest", "21"], "no study of the folder can be used"),
        (["--from", "{healthy}", "--write", "{healthy}/absent/x.toml"], "there is no folder"),
        (["--limits-file", "absent.toml"], "no such file"),
    ],
)
def test_wrong_input_is_one_line(capsys, healthy, tmp_path, monkeypatch, arguments, words):
    monkeypatch.chdir(tmp_path)
    code, out, err = run(capsys, *(one.replace("{healthy}", str(healthy)) for one in arguments))
    assert code == 2
    assert out == ""
    assert len(err.splitlines()) == 1
    assert err.startswith("suprathresh: ")
    assert words in err
    assert not any(tmp_path.iterdir())
