"""A long study costs no more at its end than at its beginning, and loses nothing; nor on a computer that is busy.

Reduced: minutes of simulated time, seconds by the clock. In full size eight hours at 20 Hz, and half an hour by the
clock. `tests/benchmarks/soak.py` prints the figures.
"""

from __future__ import annotations

import gc
import time
import weakref
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from acq.clock import VirtualClock
from acq.engine import Engine
from acq.session import RecordingSession
from acq.study.store import StudyStore
from sim_device.device import SimulatedDevice
from tests.faults import soak
from tests.faults.soak import RATE_HZ, SLOW_DISK_S, RealTimeFigures, fit_slope, run_accelerated, run_real_time

pytestmark = pytest.mark.slow

FULL_SWEEPS = round(8 * 3600 * RATE_HZ)
# A verdict older than this, and the engine lets its lease run out; plus what was on its way (lease and lead), plus
# what the computer's other programs take.
OLDEST_MS = 1000 * (1.5 + 0.5 + 0.25) + 2000


@pytest.mark.timeout(4 * 3600)
def test_hours_of_stimuli_cost_no_memory_and_lose_nothing(full: bool, tmp_path: Path) -> None:
    figures = (
        run_accelerated(tmp_path, n_sweeps=FULL_SWEEPS, scenario="healthy")
        if full
        else run_accelerated(tmp_path, n_sweeps=1600, scenario="single", sweeps_per_recording=200)
    )
    # Counted on the trigger channel, by the engine, in the file.
    assert figures.n_triggers == figures.n_sweeps == figures.n_in_file
    assert figures.n_sweeps >= (FULL_SWEEPS if full else 1600)
    assert figures.samples_lost == 0
    assert figures.n_unanswered == 0
    assert figures.n_results == figures.n_recordings == -(-figures.n_sweeps // (5000 if full else 200))
    assert figures.stops == ()

    # Nothing piles up while it runs, nothing is left behind.
    assert np.ptp(figures.memory[:, 3]) <= 1  # handles: a log that is put into the study is opened again
    assert np.ptp(figures.memory[:, 4]) <= 1
    assert figures.after.handles == figures.before.handles
    assert figures.after.python_threads == figures.before.python_threads
    first, last = figures.memory_by_recording[0], figures.memory_by_recording[-1]
    if full:
        assert figures.mean_slope.low < 1.0  # MB/h: no growth that can be told from none
        assert figures.mean_slope.per_h < 3.0
    else:
        assert last[2] - first[2] < 30.0  # MB; an interpreter's own ups and downs

    # Each stimulus costs what the first ones did.
    (early_ms, _), (late_ms, _) = figures.tenth(0), figures.tenth(-1)
    assert late_ms < 1.5 * early_ms


def test_of_an_ended_recording_nothing_stays_in_memory(tmp_path: Path) -> None:
    """Exactly, where the system's figure for memory is a rough one."""
    profile = soak.make_profile()
    device = SimulatedDevice(
        scenario="single", seed=1, clock=VirtualClock(), block_s=0.05, lead_s=profile.acquisition.lead_s
    )
    with soak.recordings_of(40), StudyStore.create(tmp_path / "s.study") as store:
        engine = Engine(device, profile, store)
        operator = soak.Operator(engine)
        sessions: dict[int, weakref.ref[RecordingSession]] = {}
        while engine.n_sweeps < 200 and engine.elapsed_s < 60.0:
            engine.step()
            operator.look()
            sessions.setdefault(engine.session.number, weakref.ref(engine.session))
        gc.collect()
        assert len(sessions) == 5
        assert [number for number, session in sessions.items() if session() is not None] == [5]
        results = engine.finish()
        rejected = weakref.ref(results[1].rejected)
        gc.collect()
        assert rejected() is None
        assert sorted(results) == [1, 2, 3, 4, 5]


def check_nothing_lost(figures: RealTimeFigures) -> None:
    """What was delivered is in the file; what it took of the system is given back."""
    assert figures.failure == ""
    assert figures.samples_lost == 0
    assert figures.n_pulses_in_file >= figures.n_triggers  # refused ones may be noted too
    assert figures.n_sweeps == figures.n_in_file
    # A pulse whose sweep was not complete when the output went off is in the file without it.
    assert figures.n_triggers - figures.n_in_file <= len(figures.stops)
    assert figures.after.handles == figures.before.handles
    assert figures.after.python_threads == figures.before.python_threads
    assert np.ptp(figures.memory[:, 3]) <= 2  # handles while it ran
    for reason in figures.stops:
        assert "no sign of life" in reason  # its own dead man; anything else is a fault


def tell(figures: RealTimeFigures) -> str:
    (first, first_99), (last, last_99) = figures.third(0), figures.third(-1)
    return (
        f"{figures.n_in_file} sweeps, {len(figures.stops)} stops by itself; sweep complete → verdict committed: median "
        f"{first:.0f} → {last:.0f} ms, 99 % {first_99:.0f} → {last_99:.0f} ms"
    )


@pytest.mark.timeout(3600)
@pytest.mark.parametrize(
    ("n_busy", "delays_s"), [(2, ()), (0, SLOW_DISK_S)], ids=["beside two busy processes", "on a slow disk"]
)
def test_beside_other_programs_nothing_is_lost(
    n_busy: int,
    delays_s: tuple[float, ...],
    full: bool,
    tmp_path: Path,
    record_property: Callable[[str, object], None],
) -> None:
    figures = run_real_time(
        tmp_path,
        duration_s=900.0 if full else 8.0,
        scenario="healthy" if full else "single",
        sweeps_per_recording=None if full else 60,  # so that recordings change while pulses go on
        n_busy=n_busy,
        delays_s=delays_s,
        has_disk_writer=bool(delays_s),
    )
    check_nothing_lost(figures)
    record_property("figures", tell(figures))
    assert figures.n_in_file >= 60, tell(figures)
    assert figures.latency_ms.min() > 0  # of the test itself: nothing is committed before it exists
    assert figures.latency_ms.max() < OLDEST_MS, tell(figures)
    if full:
        (first, first_99), (last, last_99) = figures.third(0), figures.third(-1)
        assert last < 2 * first + 20, tell(figures)
        assert last_99 < 2 * first_99 + 200, tell(figures)


@pytest.mark.timeout(600)
def test_verdicts_that_grow_old_bring_the_output_to_rest(tmp_path: Path) -> None:
    """Every sweep takes longer than the next is away, none for long: they pile up, and the output may not go on."""
    figures = run_real_time(tmp_path, duration_s=9.0, scenario="single", delays_s=(0.09,), sample_rate_hz=50_000.0)
    assert figures.stops
    check_nothing_lost(figures)
    assert figures.latency_ms.max() < OLDEST_MS, tell(figures)


def test_the_slope_of_a_line_is_found_and_noise_is_none() -> None:
    rng = np.random.default_rng(3)
    hours = np.linspace(0, 8, 110)
    noise = np.convolve(rng.normal(0, 3, hours.size + 4), np.ones(5) / 5, "valid")  # neighbours are alike
    grown = fit_slope(hours, 300 + 4 * hours + noise)
    assert grown.low < 4 < grown.high
    assert grown.low > 2
    level = fit_slope(hours, 300 + noise)
    assert level.low < 0 < level.high
    assert np.isnan(fit_slope(hours[:3], noise[:3]).per_h)


def test_what_comes_after_is_waited_for(tmp_path: Path) -> None:
    """Of the test itself: a write to the slow disk takes as long as it says."""
    with soak.WatchedStore.create(tmp_path / "s.study") as store:
        store.watch(delays_s=(0.05, 0.0))
        began_s = time.monotonic()
        for _ in range(4):
            store.add_event("message", "x")
        assert time.monotonic() - began_s >= 0.1
