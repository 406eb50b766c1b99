import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest

from acq.errors import ConfigurationError
from acq.exchange.tables import (
    TABLE_NAMES,
    Column,
    StudyTables,
    build_tables,
    describe_tables,
    plain_values,
    write_csv,
    write_parquet,
)
from acq.exchange.writing import written_whole
from acq.study.result import make_result
from acq.study.store import StudyStore
from tests.exchange_studies import BEGUN, SECRETS, damage_a_sweep, make_exchange_study

# Names of pure numbers: counts are integers, so these are shares, ratios and probabilities.
PURE = {
    "snr", "mcd_over_msd", "blocking_fraction", "blocking_low", "blocking_high", "relative_spread",
    "concomitant_expected", "p_stimulus_failure", "p_endplate_block", "p_overlooked", "share_above", "share_above_low",
    "share_above_high", "share_blocking", "share_blocking_low", "share_blocking_high", "changes", "mistaken",
}  # fmt: skip


@pytest.fixture(scope="module")
def study_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_exchange_study(tmp_path_factory.mktemp("tables") / "made.study")


@pytest.fixture(scope="module")
def tables(study_path: Path) -> StudyTables:
    with StudyStore.open(study_path) as store:
        return build_tables(store, make_result(store))


def all_columns(tables: StudyTables) -> list[tuple[str, Column]]:
    return [(table.name, column) for table in tables.tables for column in table.columns]


def test_every_table_has_rows_of_one_length_and_says_what_they_are(tables: StudyTables) -> None:
    assert tuple(table.name for table in tables.tables) == TABLE_NAMES
    assert tables.left_out == ()
    for table in tables.tables:
        assert table.n_rows
        assert {len(column) for column in table.columns} == {table.n_rows}
        names = [column.name for column in table.columns]
        assert len(set(names)) == len(names)
        assert all(column.description for column in table.columns)


def test_a_column_of_a_physical_quantity_ends_in_its_unit(tables: StudyTables) -> None:
    for _, column in all_columns(tables):
        if column.kind == "float":
            assert column.unit or column.name in PURE, column.name
            assert column.values.dtype == np.float64
        else:
            assert not column.unit or column.name.endswith("_years"), column.name


def test_responses_and_stimuli_are_those_of_the_study(study_path: Path, tables: StudyTables) -> None:
    responses, stimuli = tables["responses"], tables["stimuli"]
    with StudyStore.open(study_path) as store:
        result = make_result(store)
        for one in result.study.endplates:
            rows = [k for k, label in enumerate(responses["endplate"]) if label == one.label]
            sweeps = store.sweeps(one.recording)
            assert np.array_equal(responses["latency_us"][rows], one.fibre.latency_us, equal_nan=True)
            assert np.array_equal(responses["onset_s"][rows], sweeps.onset_s)
            assert [responses["onset_sample"][k] for k in rows] == sweeps.onset_sample.tolist()
            assert np.array_equal(responses["intensity_ma"][rows], sweeps.intensity_ma)
            assert [responses["verdict"][k] for k in rows] == [str(verdict) for verdict in one.fibre.verdict]
        pulses = [pulse for number in (1, 2) for pulse in store.pulses(number)]
    assert stimuli["pulse_index"] == [pulse.index for pulse in pulses]
    assert np.array_equal(stimuli["commanded_ma"], [pulse.commanded_ma for pulse in pulses])
    assert np.isnan(stimuli["delivered_ma"]).sum() == 2
    lost = [k for k, sweep in enumerate(stimuli["sweep"]) if sweep is None]
    assert [stimuli["pulse_index"][k] for k in lost] == [10]
    assert [stimuli["pulse_index"][k] for k, damaged in enumerate(stimuli["is_damaged"]) if damaged] == [12, 512]


def test_the_jitter_can_be_worked_out_again_from_the_responses(tables: StudyTables) -> None:
    """MCD = mean of |Lᵢ − Lᵢ₊₁| over the pairs (Ekstedt, Nilsson & Stålberg 1974, JNNP 37:526; PUB)."""
    responses, endplates = tables["responses"], tables["endplates"]
    for label, mcd_raw_us, n_pairs in zip(
        endplates["label"], endplates["mcd_raw_us"], endplates["n_pairs"], strict=True
    ):
        rows = np.array([one == label for one in responses["endplate"]])
        latency_us = responses["latency_us"][rows]
        is_pair = np.array(responses["is_pair"])[rows]
        assert is_pair.sum() == n_pairs
        differences_us = np.abs(np.diff(latency_us))[is_pair[1:]]
        assert np.mean(differences_us) == pytest.approx(mcd_raw_us, rel=1e-12)


def test_a_study_that_goes_on_days_later_has_a_clock_of_its_own(tables: StudyTables) -> None:
    starts_s = tables["recordings"]["clock_start_s"]
    assert starts_s[0] == 0.0
    assert 2 * 86_400 <= starts_s[1] < 2 * 86_400 + 60


def read_back(column: Column) -> list[object]:
    return [None if isinstance(one, float) and math.isnan(one) else one for one in plain_values(column)]


def test_parquet_gives_every_value_back_to_the_bit(tables: StudyTables, tmp_path: Path) -> None:
    pd = pytest.importorskip("pandas")
    pq = pytest.importorskip("pyarrow.parquet")
    for table in tables.tables:
        path = tmp_path / f"{table.name}.parquet"
        write_parquet(tables, table, path)
        arrow, frame = pq.read_table(path), pd.read_parquet(path)
        assert arrow.schema.metadata[b"code"].decode() == SECRETS.code
        assert arrow.schema.metadata[b"seal"].decode() == tables.study.seal
        assert {b"program", b"schema_version", b"row"} <= arrow.schema.metadata.keys()
        types = {"float": "double", "int": "int64", "bool": "bool", "text": "string", "time": "timestamp[us, tz=UTC]"}
        for column in table.columns:
            field = arrow.schema.field(column.name)
            assert str(field.type) == types[column.kind]
            assert field.metadata[b"description"].decode() == column.description
            assert field.metadata[b"unit"].decode() == column.unit
            assert arrow[column.name].to_pylist() == read_back(column)
            if column.kind == "float":
                assert np.array_equal(frame[column.name].to_numpy(), column.values, equal_nan=True)


def test_csv_gives_every_value_back_to_the_bit(tables: StudyTables, tmp_path: Path) -> None:
    pd = pytest.importorskip("pandas")
    arrow_csv = pytest.importorskip("pyarrow.csv")
    for table in tables.tables:
        path = tmp_path / f"{table.name}.csv"
        write_csv(table, path)
        with path.open(newline="", encoding="utf-8") as stream:
            rows = list(csv.reader(stream))
        assert rows[0] == [column.name for column in table.columns]
        assert len(rows) == table.n_rows + 1
        frame = pd.read_csv(path)
        arrow = arrow_csv.read_csv(path, parse_options=arrow_csv.ParseOptions(newlines_in_values=True))
        for k, column in enumerate(table.columns):
            if column.kind == "float":
                assert np.array_equal(frame[column.name].to_numpy(np.float64), column.values, equal_nan=True)
                from_arrow = [None if one is None else float(one) for one in arrow[column.name].to_pylist()]
                assert from_arrow == read_back(column)
            elif column.kind == "text":
                assert [row[k] for row in rows[1:]] == [one or "" for one in column.values]


def test_the_columns_of_csv_files_are_described(tables: StudyTables) -> None:
    described = json.loads(describe_tables(tables, tables.tables))
    assert described["seal"] == tables.study.seal
    assert described["tables"]["endplates"]["columns"]["mcd_us"]["unit"] == "µs"
    for table in tables.tables:
        assert list(described["tables"][table.name]["columns"]) == [column.name for column in table.columns]


def test_responses_of_a_damaged_recording_are_left_out_and_named(study_path: Path, tmp_path: Path) -> None:
    path = tmp_path / "damaged.study"
    path.write_bytes(study_path.read_bytes())
    damage_a_sweep(path)
    with StudyStore.open(path) as store:
        tables = build_tables(store, make_result(store))
    assert set(tables["responses"]["recording"]) == {2}
    said = "\n".join(tables.left_out)
    assert "is damaged or was changed" in said
    # What is missing altogether comes before single sweeps: a terminal shows the first lines only.
    assert ": 59 stimuli were analysed and 58 are intact" in tables.left_out[0]
    assert tables.left_out[0].startswith("responses of endplates 1.1, 1.2")


def test_an_anonymous_table_has_no_word_of_anybody_and_no_day(study_path: Path, tmp_path: Path) -> None:
    with StudyStore.open(study_path) as store:
        tables = build_tables(store, make_result(store), is_anonymous=True)
    for table in tables.tables:
        write_csv(table, tmp_path / f"{table.name}.csv")
    text = describe_tables(tables, tables.tables) + "".join(
        path.read_text(encoding="utf-8") for path in tmp_path.iterdir()
    )
    for name in SECRETS.__dataclass_fields__:
        assert getattr(SECRETS, name) not in text, name
    assert str(BEGUN.year) not in text
    study = tables["study"]
    assert study["age_years"] == [90]
    assert study["skin_temperature_c"] == [33.5]
    assert tables["record"]["at_s"][-1] > 2 * 86_400  # times since the beginning are kept


def test_a_file_is_there_whole_or_not_at_all(tmp_path: Path) -> None:
    target = tmp_path / "one.txt"

    def write_half() -> None:
        with written_whole(target) as path:
            path.write_text("half", encoding="utf-8")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_half()
    assert list(tmp_path.iterdir()) == []
    with written_whole(target) as path:
        path.write_text("whole", encoding="utf-8")
        assert not target.exists()
    assert target.read_text(encoding="utf-8") == "whole"
    assert list(tmp_path.iterdir()) == [target]


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    target = tmp_path / "one.txt"
    target.write_text("before", encoding="utf-8")
    with pytest.raises(ConfigurationError, match="exists already"), written_whole(target):
        pytest.fail("must not come here")
    late = tmp_path / "late.txt"

    def write_while_another_does() -> None:
        with written_whole(late) as path:
            path.write_text("mine", encoding="utf-8")
            late.write_text("theirs", encoding="utf-8")

    with pytest.raises(ConfigurationError, match="exists already"):
        write_while_another_does()
    assert late.read_text(encoding="utf-8") == "theirs"
    with pytest.raises(ConfigurationError, match="there is no folder"), written_whole(tmp_path / "no" / "one"):
        pytest.fail("must not come here")
    assert sorted(tmp_path.iterdir()) == [late, target]
