"""Whatever happens to a study file, what is damaged is named and everything else is read, bit for bit."""

import os
import random
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner

from acq.cli import cli
from acq.errors import StudyFileError
from acq.study.copying import copy_study
from acq.study.database import log_path
from acq.study.store import StudyStore
from acq.study.verification import Verification, verify
from tests.faults.studies import add_sweep, begin_recording, count_sound_sweeps, make_study

N_SWEEPS = 60
PAGE = 4096


def flip_bits(content: bytearray, chance: random.Random, n: int) -> None:
    for _ in range(n):
        content[chance.randrange(len(content))] ^= 1 << chance.randrange(8)


def lose_page(content: bytearray, chance: random.Random) -> None:
    start = PAGE * chance.randrange(len(content) // PAGE)
    content[start : start + PAGE] = bytes(PAGE)


def cut_off(content: bytearray, chance: random.Random) -> None:
    del content[chance.randrange(1, len(content)) :]


def check_damaged(path: Path) -> Verification | None:
    """Whatever a file is like: one line, or everything in it that is as it was written."""
    try:
        found = verify(path)
    except StudyFileError as exc:
        n_lines = len(str(exc).splitlines())
    else:
        n_lines = 0
    assert n_lines <= 1
    if n_lines:
        return None
    with StudyStore.open(path) as store:
        store.entries()
        store.results()
        numbers = [one.number for one in store.recordings()]
        if 1 in numbers:
            assert count_sound_sweeps(store) == found.n_sweeps
        assert bool(store.damage) <= (not found.is_sound)  # what reading misses, verifying names
    assert (found.n_sweeps == N_SWEEPS) or not found.is_sound
    return found


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sound") / "x.study"
    make_study(path, n_sweeps=N_SWEEPS)
    return path


def damage(study: Path, path: Path, change: Callable[[bytearray], None]) -> None:
    content = bytearray(study.read_bytes())
    change(content)
    path.write_bytes(content)


@pytest.mark.timeout(3600)
def test_a_flipped_bit_costs_two_sweeps_at_most_and_is_named(study: Path, tmp_path: Path, full: bool) -> None:
    chance = random.Random(1)  # noqa: S311 - no secret
    n_named = 0
    for _ in range(3000 if full else 60):
        path = tmp_path / "x.study"
        damage(study, path, lambda content: flip_bits(content, chance, 1))
        found = check_damaged(path)
        assert found is not None, "one bit, and nothing could be read any more"
        assert found.n_sweeps >= N_SWEEPS - 2
        n_named += not found.is_sound
    assert n_named  # the others fell where nothing is kept


@pytest.mark.timeout(3600)
@pytest.mark.parametrize("how", ["many bits", "page", "cut"])
def test_what_is_left_of_a_damaged_study_is_read(study: Path, tmp_path: Path, full: bool, how: str) -> None:
    chance = random.Random(how)  # noqa: S311 - no secret
    n_read = 0
    for _ in range(1000 if full else 40):
        path = tmp_path / "x.study"
        if how == "many bits":
            damage(study, path, lambda content: flip_bits(content, chance, 20))
        elif how == "page":
            damage(study, path, lambda content: lose_page(content, chance))
        else:
            damage(study, path, lambda content: cut_off(content, chance))
        found = check_damaged(path)
        if found is None:
            assert how == "cut"
            assert path.stat().st_size < 8 * PAGE  # not even the first rows
            continue
        n_read += 1
        if how == "page":
            assert found.n_sweeps >= N_SWEEPS - 4  # as many as a page has to do with
        if how == "cut":
            share = path.stat().st_size / study.stat().st_size
            assert found.n_sweeps >= share * N_SWEEPS - 10  # tables, indexes and entries lie between the sweeps
            assert not found.is_sound
    assert n_read


def test_a_damaged_sweep_is_named_and_left_out(study: Path, tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    content = bytearray(study.read_bytes())
    with closing(sqlite3.connect(study)) as connection:
        (samples,) = connection.execute("SELECT samples FROM stimuli WHERE pulse_index = 17").fetchone()
    content[content.index(samples[100:140]) + 7] ^= 4
    path.write_bytes(content)
    result = CliRunner().invoke(cli, ["verify", str(path)], standalone_mode=False)
    assert result.return_value == 1
    assert "sweep of stimulus 17 of recording 1: damaged or changed" in result.output
    assert f"{N_SWEEPS - 1} sweeps" in result.output
    with StudyStore.open(path) as store:
        stored = store.sweeps(1)
        assert 17 not in stored.pulse_index
        assert store.damage == ("sweep of stimulus 17 of recording 1 is damaged or was changed, and is left out",)
    saved = tmp_path / "saved.study"
    assert "1 places are damaged" in copy_study(path, saved)
    with StudyStore.open(saved) as store:
        assert count_sound_sweeps(store) == N_SWEEPS - 1
        assert store.meta()["code"] == "K7-B3"
    assert [fault.what for fault in verify(saved).faults] == ["sweep of stimulus 17 of recording 1: damaged or changed"]
    assert path.read_bytes() == bytes(content)  # only read
    assert {one.name for one in tmp_path.iterdir()} == {"x.study", "saved.study"}


def test_a_lost_description_of_a_recording_does_not_take_its_sweeps_with_it(study: Path, tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    content = bytearray(study.read_bytes())
    with closing(sqlite3.connect(study)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'recordings'").fetchone()
    content[PAGE * (root - 1) : PAGE * root] = bytes(PAGE)
    path.write_bytes(content)
    with StudyStore.open(path) as store:
        assert count_sound_sweeps(store) == N_SWEEPS
        assert store.damage
    copy_study(path, tmp_path / "given.study", is_anonymous=True)
    with StudyStore.open(tmp_path / "given.study") as store:
        assert count_sound_sweeps(store) == N_SWEEPS


def test_a_study_without_its_beginning_can_be_given_away(study: Path, tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    path.write_bytes(study.read_bytes())
    edit(path, "DELETE FROM entries WHERE seq = 1")
    copy_study(path, tmp_path / "given.study", is_anonymous=True)
    with StudyStore.open(tmp_path / "given.study") as store:
        assert count_sound_sweeps(store) == N_SWEEPS


def edit(path: Path, *statements: str) -> None:
    """Change a study as somebody would who knows databases."""
    with closing(sqlite3.connect(path)) as connection:
        triggers = connection.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)
        for _, text in triggers:
            connection.execute(text)
        connection.commit()


@pytest.mark.parametrize(
    ("statement", "what"),
    [
        (
            "UPDATE stimuli SET delivered_ma = 2.0 WHERE pulse_index = 5",
            "sweep of stimulus 5 of recording 1: damaged or",
        ),
        ("DELETE FROM stimuli WHERE pulse_index = 5", "missing, after sweep of stimulus 4 of recording 1"),
        ("UPDATE entries SET detail = 'well proved' WHERE sort = 'verdict'", "(verdict): damaged or changed"),
        ("DELETE FROM entries WHERE sort = 'act'", "missing, after"),
        (
            "UPDATE recordings SET started_at_utc = '2020-01-01T00:00:00+00:00'",
            "description of recording 1: damaged or",
        ),
    ],
)
def test_an_edited_study_shows(study: Path, tmp_path: Path, statement: str, what: str) -> None:
    path = tmp_path / "x.study"
    path.write_bytes(study.read_bytes())
    with (
        closing(sqlite3.connect(path)) as connection,
        pytest.raises(sqlite3.IntegrityError, match="only ever added to"),
    ):
        connection.execute(statement)
    edit(path, statement)
    found = verify(path)
    assert any(what in fault.what for fault in found.faults), found.faults
    assert found.n_faults <= 12


def test_a_row_made_anew_with_its_digest_breaks_the_link_to_the_next(study: Path, tmp_path: Path) -> None:
    from acq.study.rows import STIMULI

    path = tmp_path / "x.study"
    path.write_bytes(study.read_bytes())
    with closing(sqlite3.connect(path)) as connection:
        row = connection.execute(STIMULI.select("WHERE pulse_index = 5")).fetchone()
    values = list(row[1:-2])
    values[4] = 2.0
    forged = STIMULI.make_row(row[0], values, previous=row[-2])
    forgery = f"UPDATE stimuli SET delivered_ma = 2.0, digest = x'{forged[-1].hex()}' WHERE seq = {row[0]}"  # noqa: S608
    edit(path, forgery)
    assert [fault.seq for fault in verify(path).faults] == [row[0]]


def test_what_was_cut_off_at_the_end_shows_by_the_seal(tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    seal = make_study(path, n_sweeps=5)
    assert verify(path).seal == seal
    edit(path, "DELETE FROM entries WHERE seq >= (SELECT max(seq) - 1 FROM entries)")
    found = verify(path)
    assert found.is_sound
    assert not found.is_closed
    result = CliRunner().invoke(cli, ["verify", str(path), "--seal", seal.upper()], standalone_mode=False)
    assert result.return_value == 1
    assert f"NOT {seal}" in result.output
    assert "its end was cut off" in result.output


def test_a_study_whose_program_died_is_read_from_a_folder_that_cannot_be_written() -> None:
    if os.name != "posix":
        pytest.skip("folders are closed to a program in another way there")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "x.study"
        store = StudyStore.create(path)
        number = begin_recording(store)
        for index in range(20):
            add_sweep(store, number, index)
        content, log = path.read_bytes(), log_path(path).read_bytes()
        store.close()
        path.write_bytes(content)
        log_path(path).write_bytes(log)
        folder.chmod(0o555)
        user = os.geteuid()
        if user == 0:
            os.seteuid(65534)  # to whom the folder is closed
        try:
            with StudyStore.open(path) as reader:
                assert count_sound_sweeps(reader, number) == 20
            assert verify(path).is_sound
            with pytest.raises(StudyFileError, match="cannot be written; copy it to a folder you may write to"):
                StudyStore.open(path, "write")
            with pytest.raises(StudyFileError, match="choose a folder you may write to"):
                StudyStore.create(folder / "y.study")
        finally:
            if user == 0:
                os.seteuid(0)
            folder.chmod(0o755)
