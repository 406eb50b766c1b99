"""Tables that are printed: every figure whole, in 80 columns."""

from dataclasses import replace
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

from acq.exchange.recordings import load_recording
from acq.offline import RecordingSettings, analyse_recording
from acq.records import RecordingAnalysis
from acq.report.results import result_table

RECORDINGS = Path(__file__).parents[1] / "recordings"


@pytest.fixture(scope="module")
def analysis() -> RecordingAnalysis:
    # Four fibres, hundreds of misses: long numbers in every column.
    return analyse_recording(load_recording(RECORDINGS / "D1.npz"), settings=RecordingSettings())


def printed(analysis: RecordingAnalysis, width: int) -> str:
    console = Console(width=width, file=StringIO(), record=True)
    console.print(result_table(analysis, title="D1"))
    return console.export_text()


def test_no_figure_is_cut_off_in_80_columns(analysis: RecordingAnalysis) -> None:
    wide = replace(
        analysis,
        fibres=(replace(analysis.fibres[0], mcd_us=180.2, mcd_interval_us=(98.7, 231.4)), *analysis.fibres[1:]),
    )
    text = printed(wide, 80)
    assert "…" not in text
    assert all(len(line) <= 80 for line in text.splitlines())
    assert "180.2 µs (99–231)" in text
    for fibre in analysis.fibres:
        low, high = fibre.threshold_interval_ma or (0.0, 0.0)
        assert f"{low:.2f}–{high:.2f}" in text
        low, high = fibre.blocking_interval
        assert f"{100 * low:.1f}–{100 * high:.1f}" in text
        assert f"{fibre.n_pairs} pairs" in text


def test_a_terminal_that_is_too_narrow_loses_no_figure_either(analysis: RecordingAnalysis) -> None:
    assert "…" not in printed(analysis, 50)
