"""The summary as JSON, held against its published schema by jsonschema, and as a page of 80 columns."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from time import process_time
from typing import Any

import click
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from rich.cells import cell_len
from rich.console import Console

from acq import __version__
from acq.cli import main
from acq.commands.study_options import result_options
from acq.commands.summary import command
from acq.errors import StudyFileError
from acq.records import Origin
from acq.report.cautions import INTENDED_USE
from acq.report.summary_document import SCHEMA_VERSION, plain_summary, summary_schema, summary_schema_text
from acq.report.summary_table import summary_view
from acq.study.decisions import DecisionKind
from acq.study.model import Study
from acq.study.reference_limits import LimitChoice, ReferenceLimit, all_limits
from acq.study.result import ResultOptions, make_result
from acq.study.store import StudyStore
from acq.study.summary import SummaryRule, summarise_study
from tests.made_endplates import make_fibre, write_study
from tests.made_results import LIMIT, MEDIAN_LIMIT, make_decision, make_endplate, make_endplates, make_plain_study

CHOICE = LimitChoice(chosen=LIMIT, others=(MEDIAN_LIMIT,), conflicts=("the two disagree",), reason="made up for this")
UNITS = ("_us", "_ms", "_s", "_hz", "_uv", "_mv", "_v", "_ua", "_ma", "_nc", "_ohm", "_c", "_years")
WITHOUT_UNIT = ("share_", "probability_", "n_")
NUMBERS_OF_THINGS = {"number", "recording", "insertion", "axon", "analysis_number", "schema_version", "recordings",
                     "allowed_above", "allowed_of"}  # fmt: skip


def _study() -> Study:
    endplates = [
        *make_endplates([12.0, 33.0, 90.0, math.nan, 400.0] * 5, blocking=(0.1, 0.05, 0.2)),
        make_endplate(math.nan, recording=20, is_counted=False, reasons=("origin [undecided]", "0 comparable pairs")),
        make_endplate(
            41.0, recording=20, number=2, decision=make_decision(DecisionKind.ACCEPT, recording=20, number=2),
            reasons=("the margin was not kept",), notes=("a note with [brackets]",),
        ),
    ]  # fmt: skip
    return make_plain_study(
        endplates,
        lost=(make_decision(DecisionKind.SET_ASIDE, recording=3, number=9),),
        damage=(f"{Path('folder') / 'of' / 'somebody.study'}: row 7 is damaged",),
    )


def _document(study: Study, choice: LimitChoice = CHOICE, **rule: Any) -> dict[str, Any]:
    summary = summarise_study(study, limit=choice.chosen, rule=SummaryRule(**rule))
    return dict(json.loads(json.dumps(plain_summary(study, summary, choice), allow_nan=False)))


def test_the_schema_is_one() -> None:
    Draft202012Validator.check_schema(summary_schema())
    assert summary_schema()["properties"]["schema_version"] == {"const": SCHEMA_VERSION}
    # It is data of the package: it can be read where no folder of sources is.
    assert json.loads(summary_schema_text()) == summary_schema()


@pytest.mark.parametrize(
    "study",
    [
        _study(),
        make_plain_study([]),
        make_plain_study(make_endplates([12.0])),
        make_plain_study(make_endplates([math.nan] * 25)),
        make_plain_study(
            make_endplates([10.0] * 30), about=replace(_study().about, skin_temperature_c=None, age_years=None)
        ),
    ],
    ids=["everything", "nothing", "one", "blocked", "little known"],
)
@pytest.mark.parametrize("limit", [None, LIMIT, MEDIAN_LIMIT, replace(LIMIT, mean_us=None)])
def test_every_document_is_valid(study: Study, limit: ReferenceLimit | None) -> None:
    document = _document(study, LimitChoice(chosen=limit, reason="as wanted"))
    Draft202012Validator(summary_schema(), format_checker=Draft202012Validator.FORMAT_CHECKER).validate(document)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("result", "verdict"), "myasthenia"),
        (("result", "share_above"), 1.2),
        (("result", "mean_mcd_us"), "13"),
        (("result", "mean_mcd_interval_us"), [1.0]),
        (("study", "patient_name"), "somebody"),
        (("schema_version",), 2),
    ],
)
def test_the_schema_refuses_what_is_wrong(path: tuple[str, ...], value: object) -> None:
    document = _document(_study())
    place = document
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    assert not Draft202012Validator(summary_schema()).is_valid(document)


def test_the_schema_says_what_everything_is() -> None:
    """Every field is described or is its own definition, and no object takes what is not in the schema."""

    def look(where: str, node: dict[str, Any]) -> None:
        if "object" in node.get("type", ()):
            assert "additionalProperties" in node, where
            assert set(node.get("properties", {})) == set(node.get("required", ())), where
        for name, field in node.get("properties", {}).items():
            assert field.keys() & {"description", "const", "$ref"}, f"{where}/{name}"
            look(f"{where}/{name}", field)
        for part in ("anyOf", "oneOf"):
            for one in node.get(part, ()):
                look(where, one)
        if isinstance(node.get("items"), dict):
            look(f"{where}[]", node["items"])

    schema = summary_schema()
    look("", schema)
    for name, node in schema["$defs"].items():
        look(name, node)


@given(
    mcd_us=st.lists(st.floats(min_value=0.0, max_value=1e6) | st.just(math.inf), max_size=4),
    figure=st.floats(),
    interval=st.tuples(st.floats(), st.floats()),
    text=st.text(max_size=20),
)
def test_figures_of_any_kind_make_a_valid_document(
    mcd_us: list[float], figure: float, interval: tuple[float, float], text: str
) -> None:
    endplates = []
    for number, mcd in enumerate(mcd_us, start=1):
        one = make_endplate(mcd, number=number, notes=(text,))
        fibre = replace(
            one.fibre, mcd_interval_us=interval, mcd_noise_us=figure, amplitude_uv=figure, rise_time_us=figure
        )
        endplates.append(replace(one, fibre=fibre))
    document = _document(make_plain_study(endplates))
    Draft202012Validator(summary_schema()).validate(document)


def test_every_published_limit_fits_the_schema() -> None:
    document = _document(_study(), LimitChoice(chosen=LIMIT, others=all_limits()))
    Draft202012Validator(summary_schema()).validate(document)
    assert document["limits"]["others"][0]["source"] == all_limits()[0].source


def test_every_number_has_its_unit_in_its_name() -> None:
    def walk(value: object, name: str) -> None:
        if isinstance(value, dict):
            for key, one in value.items():
                if key != "settings":
                    walk(one, key)
        elif isinstance(value, list):
            for one in value:
                walk(one, name)
        elif isinstance(value, int | float) and not isinstance(value, bool):
            assert name.endswith(UNITS) or name.startswith(WITHOUT_UNIT) or name in NUMBERS_OF_THINGS, name

    walk(_document(_study()), "")


def test_figures_decisions_and_gaps_are_those_of_the_study() -> None:
    study = _study()
    document = _document(study, counts_equal=True)
    assert (document["intended_use"], document["software_version"]) == (INTENDED_USE, __version__)
    assert document["study"]["seal"] == study.seal
    assert document["rule"]["words"] == "10 % or more"
    result = document["result"]
    assert (result["n_counted"], result["n_set_aside"], result["n_without_jitter"], result["n_capped"]) == (26, 1, 5, 5)
    assert result["mean_mcd_us"] == pytest.approx((5 * (12.0 + 33.0 + 90.0 + 150.0) + 41.0) / 21)
    assert document["limits"]["conflicts"] == ["the two disagree"]
    first, *_, aside, accepted = document["endplates"]
    assert (first["label"], first["mcd_us"], first["is_above"]) == ("1.1", 12.0, False)
    assert aside["mcd_us"] is None
    assert aside["mcd_interval_us"] == [None, None]
    assert aside["is_above"] is None
    assert accepted["decision"] == {"kind": "accept", "reason": "seen", "decided_at": "2031-05-06T07:08:09+00:00"}
    assert accepted["notes"] == ["a note with [brackets]"]
    assert document["decisions_without_endplate"][0]["target"] == "3.9"


def test_no_folder_is_told() -> None:
    text = json.dumps(_document(_study()))
    assert "row 7 is damaged" in text
    assert "somebody.study: row 7" in text
    assert str(Path("folder") / "of") not in text
    own = LimitChoice(chosen=LIMIT, source_file=Path("home") / "somebody" / "limits.toml")
    assert "limits.toml" not in json.dumps(_document(_study(), own))
    assert _document(_study(), own)["limits"]["is_from_own_file"] is True


def _page(study: Study, choice: LimitChoice = CHOICE, *, width: int = 80) -> str:
    console = Console(width=width, record=True, force_terminal=False, highlight=False)
    with console.capture() as captured:
        console.print(summary_view(study, summarise_study(study, limit=choice.chosen), choice))
    return captured.get()


@pytest.mark.parametrize("width", [80, 60, 120])
def test_the_page_fits_and_says_everything(width: int) -> None:
    page = _page(_study(), width=width)
    assert all(cell_len(line) <= width for line in page.splitlines())
    plain = " ".join(page.split())
    for part in ("ABOVE LIMITS", "Above the limits", "mean MCD of 21", "median MCD", "above 36 µs", "blocking",
                 "the two disagree", "origin [undecided]", "a note with [brackets]", "accept (seen)", "Set aside",
                 "Cautions", "0000-1111-2222-3333", "20.2"):  # fmt: skip
        assert part in plain
    assert " ".join(INTENDED_USE.split()) in plain
    assert page.index("Above the limits") < page.index("mean MCD of 21") < page.index("endplate  ")


def test_a_number_is_not_parted_from_its_unit() -> None:
    page = _page(_study())
    assert not [line for line in page.splitlines() if line.rstrip().endswith(tuple("0123456789")) and "|" in line]
    assert not [line for line in page.splitlines() if line.startswith(("µs", "%", "°C"))]


def test_an_empty_study_is_a_page() -> None:
    page = _page(make_plain_study([]), LimitChoice(chosen=None, reason="none fits"))
    assert "no endplate counts yet" in page
    assert "30 more endplates make 30." in page


def test_the_command_prints_the_schema() -> None:
    found = CliRunner().invoke(command, ["--schema"], standalone_mode=False)
    assert found.output == summary_schema_text()


@pytest.mark.parametrize("arguments", [[], ["--schema", "some.study"], ["some.study", "--rule", "any"],
                                       ["some.study", "--analysis", "0"]])  # fmt: skip
def test_wrong_use_is_told(arguments: list[str]) -> None:
    found = CliRunner().invoke(command, arguments)
    assert found.exit_code == 2


def test_a_file_that_is_none_is_told(tmp_path: Path) -> None:
    found = CliRunner().invoke(command, [str(tmp_path / "none.study")], standalone_mode=False)
    assert isinstance(found.exception, StudyFileError)


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten recordings of three endplates each, three of the thirty above 30 µs, one potential set aside."""
    jitters = [40.0] * 3 + [8.0 + 0.4 * k for k in range(27)]
    recordings = [
        [make_fibre(latency_us=4000.0 + 700.0 * k, mcd_us=jitters[3 * at + k]) for k in range(3)] for at in range(10)
    ]
    recordings.append([make_fibre(origin=Origin.DIRECT_MUSCLE, acceptable=False)])
    about = {"muscle": "orbicularis oculi", "age_years": 47}
    return write_study(tmp_path_factory.mktemp("studies") / "a.study", recordings, about=about)


def _run(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main(["summary", *arguments])
    told = capsys.readouterr()
    return int(ended.value.code or 0), told.out, told.err


@pytest.mark.parametrize(("rule", "verdict"), [("more-than-10", "within limits"), ("10-or-more", "above limits")])
def test_a_stored_study_as_json(stored: Path, rule: str, verdict: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = _run([str(stored), "--json", "--rule", rule, "--limits", "oo-sfe-1988"], capsys)
    document = json.loads(out)
    Draft202012Validator(summary_schema()).validate(document)
    assert code == 0
    result = document["result"]
    assert (result["n_counted"], result["n_set_aside"], result["n_above"]) == (30, 1, 3)
    assert result["verdict"] == verdict
    assert document["limits"]["chosen"]["name"] == "oo-sfe-1988"
    assert str(stored.parent) not in out


def test_a_stored_study_as_a_page(stored: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = stored.read_bytes()
    code, out, _ = _run([str(stored), "--limits", "none"], capsys)
    assert code == 0
    assert "OPEN" in out
    assert "there is no limit to hold it against" in " ".join(out.split())
    assert "11.1 at 5.00 ms" in out
    assert stored.read_bytes() == before


@pytest.mark.parametrize("arguments", [["--analysis", "7"], ["--limits", "nowhere"], ["--limits-file", "none.toml"]])
def test_what_there_is_not_is_told_in_one_line(
    stored: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = _run([str(stored), *arguments], capsys)
    assert (code, out) == (2, "")
    assert err.startswith("suprathresh: ")
    assert len(err.splitlines()) == 1


def test_a_study_of_thirty_is_summarised_within_a_second(stored: Path) -> None:
    with StudyStore.open(stored, "read") as store:
        begun_s = process_time()
        result = make_result(store)
        plain_summary(result.study, result.summary, result.limits)
        spent_s = process_time() - begun_s
    assert result.summary.n_counted == 30
    assert spent_s < 1.0


def test_options_become_one_argument() -> None:
    seen: list[ResultOptions] = []

    @click.command()
    @result_options
    def some(options: ResultOptions) -> None:
        seen.append(options)

    arguments = [
        "--limits",
        "none",
        "--rule",
        "10-or-more",
        "--untested",
        "--analysis",
        "3",
        "--limits-file",
        "own.toml",
    ]
    CliRunner().invoke(some, arguments, catch_exceptions=False)
    CliRunner().invoke(some, [], catch_exceptions=False)
    assert seen[0].limits == "none"
    assert seen[0].limits_file == Path("own.toml")
    assert (seen[0].rule.counts_equal, seen[0].admission.takes_untested, seen[0].analysis) == (True, True, 3)
    assert seen[1] == ResultOptions()
