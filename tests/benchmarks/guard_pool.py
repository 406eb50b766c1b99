"""Many runs in several processes, and what is found: figures beside their aims, gathered for the end."""

from __future__ import annotations

import functools
import multiprocessing
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any

import numpy as np
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from acq.analysis.blas import one_blas_thread

CONSOLE = Console(highlight=False, soft_wrap=True)
_BAR = Console(stderr=True)


class Runs:
    """Runs tasks in processes of their own, started afresh; each run has its own seed, so their number is no matter."""

    def __init__(self, n_jobs: int) -> None:
        self._pool = (
            ProcessPoolExecutor(n_jobs, mp_context=multiprocessing.get_context("spawn"), initializer=_leave_at_once)
            if n_jobs > 1
            else None
        )
        self._n_jobs = n_jobs

    def __call__(self, task: Callable[..., Any], arguments: Sequence[tuple[Any, ...]], *, what: str = "") -> list[Any]:
        """Results of `task(*one)` for each, in their order, with a bar on a terminal meanwhile."""
        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        with Progress(*columns, console=_BAR, transient=True, disable=not _BAR.is_terminal) as progress:
            bar = progress.add_task(what or task.__name__, total=len(arguments))
            found = []
            for one in self._results(functools.partial(_call, task), arguments):
                found.append(one)
                progress.advance(bar)
        return found

    def _results(self, call: Callable[[tuple[Any, ...]], Any], arguments: Sequence[tuple[Any, ...]]) -> Any:
        if self._pool is None:
            return map(call, arguments)
        return self._pool.map(call, arguments, chunksize=max(1, len(arguments) // (16 * self._n_jobs)))

    def close(self) -> None:
        """Give up what has not begun, and end the processes."""
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)


def _leave_at_once() -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def _call(task: Callable[..., Any], arguments: tuple[Any, ...]) -> Any:
    with one_blas_thread():
        return task(*arguments)


def seed_of(*parts: float) -> np.random.Generator:
    """A generator that depends on the run's figures alone."""
    return np.random.default_rng([round(1000 * part) for part in parts])


def show(line: str) -> None:
    """Print one line of a table."""
    CONSOLE.print(line, markup=False)


class Findings:
    """Figures that have an aim, and what was called assured."""

    def __init__(self) -> None:
        self._aims: list[tuple[bool, str]] = []
        self._below: dict[str, np.ndarray] = {}
        self._worst: dict[str, int] = {}

    def check(self, what: str, found: float, aim: float, *, least: bool = False) -> str:
        """Note a figure that should be at most its aim, or at least; a mark to print beside it."""
        is_met = bool(found >= aim if least else found <= aim)
        word = "at least" if least else "at most"
        self._aims.append((is_met, f"{what}: {found:.4g}, aim {word} {aim:.4g}"))
        return "" if is_met else "!"

    def note_below(self, where: str, runs: Sequence[tuple[int, int, int, int]]) -> None:
        """Count, from the `below` of live runs, what was called assured below 1.05 of the threshold."""
        if not runs:
            return
        counts = np.array(runs)
        self._below[where] = self._below.get(where, 0) + counts.sum(axis=0)
        long = counts[counts[:, 0] >= 100]
        self._worst[where] = self._worst.get(where, 0) + int(np.sum(long[:, 1] > 0.01 * long[:, 0]))

    def summarise(self) -> None:
        """Print what was called assured that was not, and which aims were missed."""
        if self._below:
            self._show_below()
        missed = [text for is_met, text in self._aims if not is_met]
        if self._aims:
            show(f"\nAims: {len(self._aims) - len(missed)} met, {len(missed)} missed")
            for text in missed:
                show(f"  missed  {text}")

    def _show_below(self) -> None:
        show("Called assured while the true ratio was below 1.05, every run of the live guard. Runs made to lose their")
        show("margin that end with the warning hold the time until it is noticed and no more: aims are for the others")
        nothing = np.zeros(4, dtype=int)
        tested = {where: counts for where, counts in self._below.items() if "no tests" not in where}
        totals = {
            "all, with test pulses, that go on": [n for where, n in tested.items() if "until" not in where],
            "all with test pulses": list(tested.values()),
            "all": list(self._below.values()),
        }
        rows = {**self._below, **{where: np.sum([nothing, *counts], axis=0) for where, counts in totals.items()}}
        for where, (below, assured_below, assured, n) in rows.items():
            worst = f"; runs above 1 %: {self._worst[where]}" if where in self._worst else ""
            show(
                f"  {where:<44} {100 * assured_below / max(below, 1):6.2f} % of {below} stimuli below; "
                f"{100 * assured_below / max(assured, 1):6.3f} % of {assured} assured (of {n}){worst}"
            )
        below, assured_below, assured, _ = rows["all, with test pulses, that go on"]
        if below:
            self.check("assured, of the time below 1.05 θ, test pulses, %", 100 * assured_below / below, 1.0)
            self.check("below 1.05 θ, of the time assured, test pulses, %", 100 * assured_below / max(assured, 1), 1.0)


FINDINGS = Findings()
