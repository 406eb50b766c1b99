"""Whoever asks for the result of a study, and in whatever form, is told the same."""

from __future__ import annotations

import json
import math
import re
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from acq.commands.export import command as export
from acq.commands.list import command as list_studies
from acq.commands.report import command as report
from acq.commands.summary import command as summary
from acq.hosting.messages import StudyRequest
from acq.opening import begin_study, prepare_study
from acq.study.admission import AdmissionRule
from acq.study.conclusion import verdict_words
from acq.study.result import ResultOptions, StudyResult, decide, make_result, report_endplates
from acq.study.store import StudyStore
from acq.study.summary import SummaryRule
from tests.made_endplates import make_analysis, make_fibre, write_study

ABOUT = {"age_years": 47, "muscle": "orbicularis oculi", "stimulation": "extramuscular", "side": "left"}
UNTESTED = ("margin untested",)


def fibres_of(n: int, n_above: int) -> list[list[Any]]:
    """Three to a recording, each at a latency of its own, so that none is another one's repeat."""
    mcd_us = [60.0] * n_above + [14.0 + 0.1 * k for k in range(n - n_above)]
    made = [make_fibre(mcd_us=mcd, latency_us=2500.0 + 200.0 * k) for k, mcd in enumerate(mcd_us)]
    return [made[k : k + 3] for k in range(0, n, 3)]


def at_ten_percent(path: Path) -> Path:
    return write_study(path, fibres_of(30, 3), about=ABOUT)


def few(path: Path) -> Path:
    blocked = make_fibre(
        latency_us=5200.0, mcd_us=math.nan, mcd_interval_us=(math.nan, math.nan), n_pairs=2,
        blocking_fraction=0.6, blocking_interval=(0.45, 0.74),
    )  # fmt: skip
    untested = make_fibre(latency_us=6100.0, admitted=make_fibre().admitted & False, reasons=UNTESTED)
    return write_study(
        path, [[make_fibre(latency_us=3000.0), blocked, untested], [make_fibre(mcd_us=300.0)]], about=ABOUT
    )


def decided_and_analysed_again(path: Path) -> Path:
    write_study(path, fibres_of(24, 1), about={**ABOUT, "limits": "none"})
    with StudyStore.open(path, "write") as store:
        decide(store, "2.1", "set aside", "the needle moved")
        decide(store, "3.2", "note", "looked at twice")
        decide(store, "5.1", "set aside", "two fibres")
        detail = json.dumps({"label": "margin 20 % → 30 %", "electrode": None, "recordings": [5]})
        store.add_analysis(detail, [(5, make_analysis([make_fibre(latency_us=9100.0)]), {})])
    return path


def empty(path: Path) -> Path:
    return write_study(path, [], about={})


CASES = [
    (at_ten_percent, [], ResultOptions()),
    (at_ten_percent, ["--rule", "10-or-more"], ResultOptions(rule=SummaryRule(counts_equal=True))),
    (at_ten_percent, ["--limits", "none"], ResultOptions(limits="none")),
    (few, [], ResultOptions()),
    (few, ["--untested"], ResultOptions(admission=AdmissionRule(takes_untested=True))),
    (decided_and_analysed_again, [], ResultOptions()),
    (decided_and_analysed_again, ["--analysis", "1"], ResultOptions(analysis=1)),
    (empty, [], ResultOptions()),
]


def squeezed(text: str) -> str:
    return re.sub(r"\s", "", text)


def run(command: Any, *arguments: str) -> str:
    answer = CliRunner().invoke(command, list(arguments), catch_exceptions=False, standalone_mode=False)
    assert answer.return_value in (0, None)
    return answer.output


@pytest.mark.parametrize(("make", "said", "options"), CASES)
def test_terminal_document_report_and_export_say_the_same(
    make: Any, said: list[str], options: ResultOptions, tmp_path: Path
) -> None:
    path = make(tmp_path / "a.study")
    with StudyStore.open(path) as store:
        made = make_result(store, options)
    document = json.loads(run(summary, str(path), *said, "--json"))
    _compare_document(document, made)
    run(export, str(path), str(tmp_path / "a.json"), *said)
    assert json.loads((tmp_path / "a.json").read_text(encoding="utf-8")) == document
    run(report, str(path), str(tmp_path / "a.html"), *said)
    html = squeezed(unescape(re.sub(r"<[^>]*>", "", (tmp_path / "a.html").read_text(encoding="utf-8"))))
    terminal = squeezed(run(summary, str(path), *said))
    for text in (html, terminal):
        assert squeezed(made.summary.conclusion) in text
        assert made.study.seal in text
        for caution in made.summary.cautions:
            assert squeezed(caution[1:]) in text
        for one in made.study.set_aside:
            assert all(squeezed(reason)[1:20] in text for reason in one.reasons)
        if made.limits.chosen is not None:
            assert squeezed(made.limits.chosen.source) in text
    assert squeezed(str(made.summary.verdict).upper()) in terminal
    assert squeezed(verdict_words(made.summary.verdict)) in html
    _compare_rows(html, terminal, made)


def _compare_document(document: dict[str, Any], made: StudyResult) -> None:
    result, told = document["result"], made.summary
    assert (result["verdict"], result["conclusion"]) == (str(told.verdict), told.conclusion)
    assert (result["n_counted"], result["n_above"], result["n_set_aside"]) == (
        told.n_counted, told.n_above, told.n_set_aside,
    )  # fmt: skip
    assert result["mean_mcd_us"] == (told.mean_us if math.isfinite(told.mean_us) else None)
    assert [one["label"] for one in document["endplates"] if one["is_above"]] == list(told.above)
    assert [one["label"] for one in document["endplates"] if one["is_counted"]] == [
        one.label for one in made.study.counted
    ]
    reports = report_endplates(made.study)  # what a screen shows
    assert [(one["label"], one["is_counted"], one["is_without_jitter"]) for one in document["endplates"]] == [
        (one.label, one.is_counted, one.is_without_jitter) for one in reports
    ]


def _compare_rows(html: str, terminal: str, made: StudyResult) -> None:
    for one in made.study.counted:
        fibre = one.fibre
        assert f"{one.latency_us / 1000:.2f}ms" in terminal
        assert f"{one.latency_us / 1000:.3f}ms" in html
        if not one.is_without_jitter:
            assert f"{fibre.mcd_us:.1f}" in terminal
            assert f"{fibre.mcd_us:.{0 if fibre.mcd_us >= 100 else 1}f}µs" in html
    assert terminal.count("▲above") == len(made.summary.above) + bool(made.summary.is_mean_above)
    words = ("abovethelimit", "blocks;countsasabovethelimit")
    if made.limits.chosen is not None and made.summary.above:
        assert any(word in html for word in words)


@pytest.mark.parametrize("make", [at_ten_percent, few, decided_and_analysed_again, empty])
def test_list_and_a_live_study_say_what_the_summary_says(make: Any, tmp_path: Path) -> None:
    path = make(tmp_path / "a.study")
    result = json.loads(run(summary, str(path), "--json"))["result"]
    (line,) = json.loads(run(list_studies, str(tmp_path), "--json"))["studies"]
    assert (line["verdict"], line["n_counted"], line["n_above"], line["n_set_aside"], line["mean_us"]) == (
        result["verdict"], result["n_counted"], result["n_above"], result["n_set_aside"], result["mean_mcd_us"],
    )  # fmt: skip
    request = StudyRequest(scenario="healthy", seed=1, study_path=str(path), resume=True, about={})
    store, engine = begin_study(prepare_study(request, speed="max"))
    try:
        endplates, made = engine.result()
        assert (str(made.summary.verdict), made.summary.n_counted, made.summary.n_above, made.summary.n_set_aside) == (
            result["verdict"], result["n_counted"], result["n_above"], result["n_set_aside"],
        )  # fmt: skip
        assert sum(one.is_counted for one in endplates) == result["n_counted"]
    finally:
        engine.finish()
        store.close()
