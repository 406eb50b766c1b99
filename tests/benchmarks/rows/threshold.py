"""What one stimulus tells of a threshold: the program's filter and guard beside a plain grid and QUEST+."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from typing import Any

import numpy as np

from acq.analysis.compiled import prepare_kernels
from acq.analysis.placement import place_next
from acq.analysis.threshold import ThresholdFilter
from acq.analysis.threshold_grid import ThresholdSettings
from acq.guard.axons import AxonWatch, FibreOutcome
from acq.guard.margin import MarginRule
from tests.benchmarks.guard_patient import Axon, Fibre, Patient, steady
from tests.benchmarks.guard_runs import descend
from tests.benchmarks.rows.groups import Size
from tests.benchmarks.rows.guard import grid_shape
from tests.benchmarks.rows.machine import copy_bandwidth
from tests.benchmarks.rows.plain import PlainGrid
from tests.benchmarks.rows.row import Limit, Peer, Row, cpu_in_turn, median, package
from tests.benchmarks.threshold_methods import CANDIDATES_MA

__all__ = ["measure"]

_RATE_HZ = 20.0
_WORKING_MA = 1.4
_GUARD_TARGET_MS = 1.5
_FIBRES = (1, 3, 5)


def _questplus(settings: ThresholdSettings, shape: tuple[int, int, int]) -> Any:
    """QUEST+ with as many values of each parameter as the program's grid; the same candidates.

    Watson, J. Vision 17(3):10, 2017, doi:10.1167/17.3.10. Its spread is absolute, which at 1 mA is the same.
    """
    from questplus import QuestPlus

    return QuestPlus(
        stim_domain={"intensity": CANDIDATES_MA.tolist()},
        param_domain={
            "mean": np.geomspace(settings.lowest_ma, settings.highest_ma, shape[0]).tolist(),
            "sd": list(settings.relative_spreads),
            "lower_asymptote": [settings.false_response],
            "lapse_rate": np.linspace(0.002, 0.9, shape[2]).tolist(),
        },
        outcome_domain={"response": ["yes", "no"]},
        func="norm_cdf",
        stim_scale="linear",
        param_estimation_method="mean",
    )


def _guard_ms(n_fibres: int, n: int) -> list[float]:
    """Processor time of each stimulus, after a short search."""
    rng = np.random.default_rng([5, n_fibres])
    axons = [Axon(steady(1.0 - 0.02 * k), constant_us=30.0) for k in range(n_fibres)]
    patient = Patient(rng, axons, [Fibre(axon=k, blocking=0.05 * k, drift_us=1.0) for k in range(n_fibres)])
    guard = AxonWatch(rule=MarginRule())
    search = descend(_WORKING_MA)
    spent_ms = []
    for k in range(len(search) + n):
        intensity_ma = search[k] if k < len(search) else _WORKING_MA * (0.9 if k % 20 == 0 else 1.0)
        latencies = patient.stimulate(intensity_ma=intensity_ma, time_s=k / _RATE_HZ)
        outcomes = {fibre: FibreOutcome(not math.isnan(one), one) for fibre, one in enumerate(latencies)}
        begin_s = time.process_time()
        guard.observe(
            pulse_intensity_ma=intensity_ma, onset_s=k / _RATE_HZ, outcomes=outcomes, working_intensity_ma=_WORKING_MA
        )
        if k >= len(search):
            spent_ms.append(1000.0 * (time.process_time() - begin_s))
    return spent_ms


def measure(size: Size) -> Iterator[Row]:
    """One filter; the choice of the next stimulus; the guard over 1, 3 and 5 fibres."""
    for _ in prepare_kernels():
        pass
    settings, shape = ThresholdSettings(), grid_shape()
    n_cells = math.prod(shape)
    cells = " × ".join(str(one) for one in shape)
    bandwidth = copy_bandwidth(n_bytes=4 * n_cells)  # of the cache that holds a grid, not of the memory
    ours = ThresholdFilter(settings, centre_ma=1.2)
    plain, other = PlainGrid(shape, settings), _questplus(settings, shape)
    turn = [0]

    def advance() -> None:
        turn[0] += 1
        ours.predict(dt_s=1.0 / _RATE_HZ)
        ours.update(intensity_ma=1.4, responded=turn[0] % 20 > 0)
        ours.interval_ma()

    repeats = size.count(200, 30)
    spent = cpu_in_turn(
        {
            "ours": advance,
            "plain": lambda: plain.update(1.4, responded=True),
            "questplus": lambda: other.update(stim={"intensity": 1.4}, outcome={"response": "yes"}),
        },
        repeats=repeats,
    )  # fmt: skip
    ms = {name: 1000.0 * median(values) for name, values in spent.items()}
    how = f"processor time, {{}} × in turn, grid of {cells} cells each"
    yield Row(
        name="threshold_update", what="one threshold taken on by a stimulus: time, answer, interval", value=ms["ours"],
        unit="ms", is_more_better=False, how=how.format(repeats),
        peers=[
            Peer(f"plain Bayesian grid ({package('numpy')}, {package('scipy')})", ms["plain"], "no drift, no jumps"),
            Peer(package("questplus"), ms["questplus"], "update alone, its tables made before; no drift, no interval"),
        ],
        limit=Limit("grid of 32 bits copied once", 1e3 * 2 * 4 * n_cells / bandwidth),
        raw={name: np.round(1e3 * np.array(values), 4) for name, values in spent.items()},
    )  # fmt: skip
    few = size.count(5, 2)
    spent = cpu_in_turn(
        {
            "ours": lambda: place_next([ours.belief()], candidates_ma=CANDIDATES_MA),
            "questplus": lambda: other.next_stim,
        },
        repeats=few,
    )
    ms = {name: 1000.0 * median(values) for name, values in spent.items()}
    yield Row(
        name="threshold_next", what=f"choice of the next stimulus of a search among {CANDIDATES_MA.size}",
        value=ms["ours"], unit="ms", is_more_better=False, how=how.format(few),
        peers=[Peer(package("questplus"), ms["questplus"], "entropy over all parameters, not of the threshold alone")],
        limit=Limit(f"{_RATE_HZ:g} Hz leaves", 1000.0 / _RATE_HZ),
        raw={name: np.round(1e3 * np.array(values), 4) for name, values in spent.items()},
    )  # fmt: skip
    n = size.count(800, 100)
    for n_fibres in (3,) if size.is_quick else _FIBRES:
        spent_ms = _guard_ms(n_fibres, n)
        grids = [PlainGrid(shape, settings) for _ in range(n_fibres)]
        plain_s = cpu_in_turn(
            {"plain": lambda grids=grids: [one.update(1.4, responded=True) for one in grids]}, repeats=repeats
        )["plain"]
        middle, high, most = np.percentile(spent_ms, [50, 99, 100])
        yield Row(
            name=f"guard_stimulus_{n_fibres}",
            what=f"the guard for one stimulus, {n_fibres} fibre{'s' if n_fibres > 1 else ''}: thresholds, latencies, "
            "shared axons, verdicts",
            value=float(middle), unit="ms", is_more_better=False, value_is="median",
            beside={"99 %": float(high), "most": float(most)}, target=_GUARD_TARGET_MS if n_fibres == 3 else None,
            how=f"processor time of each of {n} stimuli after a search, fibres of an independent model",
            peers=[Peer(f"a plain grid a fibre ({package('numpy')})", 1000.0 * median(plain_s), "thresholds alone")],
            limit=Limit("two grids a fibre copied once", 1e3 * n_fibres * 2 * 2 * 4 * n_cells / bandwidth),
            raw={"guard_ms": np.round(spent_ms, 4), "plain_ms": np.round(1e3 * np.array(plain_s), 4)},
        )  # fmt: skip
