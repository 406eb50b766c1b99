"""A program killed at any moment loses at most the sweep being written; a power cut what was not synced."""

import random
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from acq.errors import StudyFileError
from acq.study.database import log_path
from acq.study.store import StudyStore
from acq.study.verification import verify
from tests.faults.studies import add_sweep, begin_recording, count_sound_sweeps

ROOT = Path(__file__).parents[2]
# Writes sweeps as fast as it can, and says of each that it was committed.
WRITER = """
import sys
from pathlib import Path
from acq.study.store import StudyStore
from tests.faults.studies import add_sweep, begin_recording
path = Path(sys.argv[1])
print("up", flush=True)
store = StudyStore.open(path, "write") if path.exists() else StudyStore.create(path)
number = begin_recording(store)
index = 0
while True:
    add_sweep(store, number, index)
    index += 1
    sys.stdout.write(f"{number} {index}\\n")
    sys.stdout.flush()
"""


def kill_while_writing(path: Path, after_s: float) -> tuple[int, int]:
    """Run the writer, kill it so long after it came up; the recording and the number of sweeps it knew to be kept."""
    command = [sys.executable, "-c", WRITER, str(path)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "up\n"
        time.sleep(after_s)
        process.kill()
        lines = process.stdout.read().splitlines()
    whole = [line for line in lines if len(line.split()) == 2]
    # The newest line may be cut off in its last digits.
    last = whole[-2] if len(whole) > 1 else "0 0"
    number, n = last.split()
    return int(number), int(n)


@pytest.mark.timeout(3 * 3600)
def test_a_program_killed_at_any_moment_loses_at_most_the_sweep_being_written(tmp_path: Path, full: bool) -> None:
    moments = random.Random(6)  # noqa: S311 - no secret
    n_kills = 1000 if full else 25
    path, expected = tmp_path / "0.study", {}
    for kill in range(n_kills):
        if kill % 5 == 0:  # the same study is gone on with, then the next is begun
            path, expected = tmp_path / f"{kill}.study", {}
        number, n_known = kill_while_writing(path, moments.uniform(0.0, 0.12))
        if not path.exists() or path.stat().st_size == 0:
            assert n_known == 0  # killed while the file was being made
            path.unlink(missing_ok=True)
            continue
        found = verify(path)
        assert found.is_sound, found
        assert not found.is_closed
        with StudyStore.open(path) as store:
            recordings = {one.number: one.n_sweeps for one in store.recordings()}
            # The line that may have been cut off is one more, the sweep whose line was not written another.
            assert n_known <= recordings.get(number, 0)
            for earlier, n_sweeps in expected.items():
                assert recordings[earlier] == n_sweeps
            for one in recordings:
                assert count_sound_sweeps(store, one) == recordings[one]
                assert [pulse.index for pulse in store.pulses(one)] == list(range(recordings[one]))
            expected = recordings
        assert not log_path(path).exists()  # put in order by reading


def test_a_power_cut_loses_no_more_than_what_was_not_synced(tmp_path: Path, full: bool) -> None:
    path = tmp_path / "x.study"
    with StudyStore.create(path) as store:
        number = begin_recording(store)
        for index in range(40):
            add_sweep(store, number, index)
        end_s = time.monotonic() + 20.0
        while store.behind_s > 0.0:
            assert time.monotonic() < end_s, "the disk never came after"
            time.sleep(0.01)
        n_synced_bytes = log_path(path).stat().st_size
        for index in range(40, 80):
            add_sweep(store, number, index)
        content, log = path.read_bytes(), log_path(path).read_bytes()
    moments = random.Random(7)  # noqa: S311 - no secret
    for cut in range(300 if full else 30):
        torn = tmp_path / "torn.study"
        torn.write_bytes(content)
        kept = moments.randrange(n_synced_bytes, len(log) + 1)
        rest = bytearray(log[:kept])
        if cut % 2 and kept > n_synced_bytes:  # the disk writes in any order: a block that it had not come to yet
            start = moments.randrange(n_synced_bytes, kept)
            rest[start : start + 512] = bytes(len(rest[start : start + 512]))
        log_path(torn).write_bytes(rest)
        found = verify(torn)
        assert found.is_sound
        with StudyStore.open(torn) as store:
            n = count_sound_sweeps(store, number)
            assert n >= 40
            assert store.sweeps(number).pulse_index.tolist() == list(range(n))
        torn.unlink()


def test_the_end_of_the_drive_is_told_with_the_next_sweep(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_descriptor: int) -> None:
        raise OSError(5, "Input/output error")

    path = tmp_path / "x.study"
    monkeypatch.setattr("acq.study.disk_sync._sync", fail)
    store = StudyStore.create(path)
    number = begin_recording(store)
    end_s = time.monotonic() + 20.0

    def write_on() -> None:
        while time.monotonic() < end_s:
            add_sweep(store, number, len(store.pulses(number)))
            time.sleep(0.01)

    with pytest.raises(StudyFileError, match=r"the disk failed .*; check that the drive is connected"):
        write_on()
    n = store.recordings()[0].n_sweeps
    with pytest.raises(StudyFileError, match="the disk failed"):
        store.close()
    shutil.copy(path, tmp_path / "y.study")
    if log_path(path).exists():
        shutil.copy(log_path(path), log_path(tmp_path / "y.study"))
    with StudyStore.open(tmp_path / "y.study") as reader:
        assert count_sound_sweeps(reader) == n


def test_a_slow_disk_holds_up_nobody_and_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("acq.study.disk_sync._sync", lambda _descriptor: time.sleep(1.0))
    with StudyStore.create(tmp_path / "x.study") as store:
        number = begin_recording(store)
        begun_s = time.monotonic()
        for index in range(40):
            add_sweep(store, number, index)
        assert time.monotonic() - begun_s < 0.9  # not one of them waited for the disk
        assert store.behind_s > 0.0
        end_s = time.monotonic() + 20.0
        while store.behind_s > 0.0 and time.monotonic() < end_s:
            time.sleep(0.02)
        assert store.behind_s == 0.0
