"""Templates made in another process: the same ones, and made here where that process has died."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator

import numpy as np
import pytest

from acq.analysis.blas import one_blas_thread
from acq.analysis.settings import AnalysisSettings
from acq.analysis.streaming import FitWork
from acq.refitting import Refitter
from tests.potentials import potentials, record


def work(seed: int, n_sweeps: int = 60) -> FitWork:
    rng = np.random.default_rng(seed)
    latency_us = 4500.0 + 15.0 * rng.standard_normal((n_sweeps, 1))
    data = record(rng, fibres=[potentials()[0]], latency_us=latency_us, snr=[30.0], amplitude_sd=0.05)
    return FitWork(
        sweeps_uv=data.sweeps_uv,
        onset_index=data.onset_index,
        sample_rate_hz=data.rate_hz,
        settings=AnalysisSettings(),
        damaged=np.zeros(n_sweeps, dtype=bool),
        full_scale_uv=None,
    )


@pytest.fixture
def refitter() -> Iterator[Refitter]:
    made = Refitter()
    assert made.wait_until_ready(60.0)
    yield made
    made.close()
    made.close()  # a second time does no harm


@pytest.fixture(autouse=True)
def _as_in_an_engine() -> Iterator[None]:
    """Products of matrices are summed up in another order by more threads."""
    with one_blas_thread():
        yield


def positions(waveforms: object) -> list[np.ndarray]:
    return [fibre.position for fibre in waveforms.fibres]


def test_it_gives_what_would_have_been_made_here(refitter: Refitter) -> None:
    asked = work(1)
    result = refitter(asked)()
    for there, here in zip(positions(result), positions(asked.run()), strict=True):
        assert np.array_equal(there, here)


def test_what_nobody_waits_for_any_more_is_not_taken_for_the_next(refitter: Refitter) -> None:
    refitter(work(2))  # of a recording that has ended meanwhile
    asked = work(3)
    for there, here in zip(positions(refitter(asked)()), positions(asked.run()), strict=True):
        assert np.array_equal(there, here)


def test_a_failure_is_raised_where_the_templates_are_waited_for(refitter: Refitter) -> None:
    broken = work(4)
    broken = FitWork(broken.sweeps_uv, -5, broken.sample_rate_hz, broken.settings, broken.damaged[:3], None)
    with pytest.raises(ValueError):  # noqa: PT011 - whatever it says, it is the same as here
        broken.run()
    with pytest.raises(ValueError):  # noqa: PT011 - likewise
        refitter(broken)()
    assert positions(refitter(work(5))())


@pytest.mark.skipif(sys.platform == "win32", reason="kills by a signal")
@pytest.mark.parametrize("when", ["before", "meanwhile"])
def test_a_process_that_dies_is_replaced_by_this_one(refitter: Refitter, when: str) -> None:
    refitter(work(6))()
    child = refitter._process.pid
    assert child is not None
    asked = work(7, n_sweeps=240)
    if when == "before":
        os.kill(child, signal.SIGKILL)
        refitter._process.join(5.0)
    result = refitter(asked)
    if when == "meanwhile":
        os.kill(child, signal.SIGKILL)
    assert positions(result())
    assert positions(refitter(work(8))())


def test_it_ends_with_the_one_who_asks() -> None:
    refitter = Refitter()
    assert refitter.wait_until_ready(60.0)
    refitter(work(9))()
    refitter.close()
    assert not refitter._process.is_alive()
    assert positions(refitter(work(10))())  # still answers, by itself


def test_what_is_asked_before_it_is_ready_is_made_here_and_not_waited_for() -> None:
    refitter = Refitter()
    try:
        asked = work(11)
        result = refitter(asked)
        assert not refitter.wait_until_ready(0.0)  # it is still loading the analysis, which takes longer
        for there, here in zip(positions(result()), positions(asked.run()), strict=True):
            assert np.array_equal(there, here)
    finally:
        refitter.close()
    assert not refitter._process.is_alive()
