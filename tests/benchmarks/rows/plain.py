"""What a user would write for the work of the live guard, with numpy and scipy alone.

Each fibre's latency by correlation with the average of earlier sweeps, and the threshold as a Bayesian grid of the
same size as the program's that is multiplied by the likelihood of each answer: no drift, no jumps, no latency in it.
"""

from __future__ import annotations

import argparse
import json
import queue
import sys
import threading
import time

import numpy as np
from scipy.special import ndtr

from acq.analysis.threshold_grid import ThresholdSettings
from tests.benchmarks.analysis_speed import make_sweeps
from tests.benchmarks.rows.peers import peers_of_sweep
from tests.potentials import FloatArray

__all__ = ["BLOCK_S", "PlainGrid"]

BLOCK_S = 0.01
_N_FIBRES = 3
_LEARNT = 100


class PlainGrid:
    """A posterior over threshold × relative spread × blocking on a grid, (n_theta, n_spreads, n_blocking) float64.

    Its cells are those of the settings, the blocking evenly spaced.
    """

    def __init__(self, shape: tuple[int, int, int], settings: ThresholdSettings) -> None:
        n_theta, n_spreads, n_blocking = shape
        self.theta_ma = np.geomspace(settings.lowest_ma, settings.highest_ma, n_theta)
        self.spread = np.array(settings.relative_spreads[:n_spreads])
        self.blocking = np.linspace(0.002, 0.9, n_blocking)
        self.posterior = np.full(shape, 1.0 / np.prod(shape))
        self._chance: dict[float, FloatArray] = {}  # few intensities come again and again

    def update(self, intensity_ma: float, *, responded: bool) -> tuple[float, float, float]:
        """Take in an answer; the median threshold and its 95 % interval, mA."""
        if intensity_ma not in self._chance:
            fires = ndtr((intensity_ma / self.theta_ma[:, None] - 1.0) / self.spread)
            self._chance[intensity_ma] = fires[:, :, None] * (1.0 - self.blocking)
        chance = self._chance[intensity_ma]
        self.posterior = self.posterior * (chance if responded else 1.0 - chance)
        self.posterior /= self.posterior.sum()
        cumulative = np.cumsum(self.posterior.sum(axis=(1, 2)))
        low, middle, high = np.interp([0.025, 0.5, 0.975], cumulative, self.theta_ma)
        return middle, low, high


def arrivals_ms(seconds: float, *, rate_hz: float, shape: tuple[int, int, int]) -> list[float]:
    """A plain live loop in real time: from the arrival of a sweep's last block to its result, ms each.

    A thread delivers blocks of 10 ms, as a card does; another takes them from a queue.
    """
    recorded = make_sweeps(_LEARNT, _N_FIBRES, 1100, 50_000.0, seed=7)
    correlate = peers_of_sweep(recorded)["correlation"]
    grids = [PlainGrid(shape, ThresholdSettings()) for _ in range(_N_FIBRES)]
    per_block = round(BLOCK_S * recorded.rate_hz)
    blocks: queue.SimpleQueue[tuple[float, FloatArray | None]] = queue.SimpleQueue()

    def deliver() -> None:
        begin_s = time.perf_counter()
        for number in range(round(seconds * rate_hz)):
            sweep = recorded.sweeps_uv[number % _LEARNT]
            due_s = begin_s + number / rate_hz
            for first in range(0, sweep.size, per_block):
                block = sweep[first : first + per_block].copy()
                due_s += block.size / recorded.rate_hz
                time.sleep(max(0.0, due_s - time.perf_counter()))
                blocks.put((time.perf_counter(), block))
        blocks.put((0.0, None))

    thread = threading.Thread(target=deliver, daemon=True)
    thread.start()
    spent_ms: list[float] = []
    held: list[FloatArray] = []
    while True:
        arrived_s, block = blocks.get()
        if block is None:
            return spent_ms
        held.append(block)
        if sum(one.size for one in held) < recorded.sweeps_uv.shape[1]:
            continue
        sweep = np.concatenate(held)[None]
        held = []
        correlate(sweep)
        for grid in grids:
            grid.update(3.0, responded=True)
        spent_ms.append(1000.0 * (time.perf_counter() - arrived_s))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seconds", type=float)
    parser.add_argument("rate_hz", type=float)
    parser.add_argument("shape", type=int, nargs=3)
    options = parser.parse_args()
    found = arrivals_ms(options.seconds, rate_hz=options.rate_hz, shape=tuple(options.shape))
    json.dump(found, sys.stdout)


if __name__ == "__main__":
    main()
