"""What the program loads before anything is asked of it, and how the analysis is made ready."""

from __future__ import annotations

import io
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from types import SimpleNamespace

import numba
import pytest

from acq import preparing
from acq.analysis.compiled import Kernel
from acq.errors import SuprathreshError
from acq.hosting.messages import PREPARING

# Each takes a third of a second to load, or more.
SLOW = ("scipy.stats", "scipy.signal")


def loaded_by(*modules: str) -> list[str]:
    program = f"import sys\nfor name in {modules!r}: __import__(name)\nprint(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    return done.stdout.split()


def test_the_engine_and_the_simulated_patient_load_no_statistics_they_do_not_need() -> None:
    loaded = loaded_by("acq.engine", "acq.hosting.host", "sim_device.device")
    assert not set(SLOW) & set(loaded)


def test_what_only_shows_or_looks_up_loads_neither_the_engine_nor_the_compiler() -> None:
    loaded = loaded_by("acq.commands.study", "acq.commands.limits", "gui.screen", "gui.view_model")
    assert not {"acq.engine", "acq.offline", "acq.session", "numba", *SLOW} & set(loaded)


class Inventory:
    """Kernels, some of which are kept on the disk and the others not."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, **kept: bool) -> None:
        self.kept = kept
        self.all = tuple(self.make(name) for name in kept)
        monkeypatch.setattr(preparing, "kernels", lambda: self.all)
        monkeypatch.setattr(preparing, "prepare_kernels", self.prepare)

    def make(self, name: str) -> SimpleNamespace:
        stats = SimpleNamespace(cache_misses=Counter())
        return SimpleNamespace(name=f"acq.analysis.some.{name}", dispatcher=SimpleNamespace(stats=stats))

    def prepare(self) -> Iterator[SimpleNamespace]:
        for kernel, is_kept in zip(self.all, self.kept.values(), strict=True):
            yield kernel
            kernel.dispatcher.stats.cache_misses["(float64,)"] += not is_kept


def test_what_has_to_be_compiled_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    Inventory(monkeypatch, a=True, b=False, c=True, d=False)
    told: list[tuple[int, int]] = []
    preparing.prepare_analysis(lambda done, of: told.append((done, of)))
    assert told == [(2, 4), (3, 4)]


def test_what_is_only_loaded_is_not_told_however_long_it_takes(monkeypatch: pytest.MonkeyPatch) -> None:
    Inventory(monkeypatch, a=True, b=True)
    told: list[tuple[int, int]] = []
    preparing.prepare_analysis(lambda done, of: told.append((done, of)))
    assert not told


def test_the_compiler_counts_what_it_compiles() -> None:
    def twice(value: float) -> float:
        return 2 * value

    kernel = Kernel(numba.njit(twice), ("(float64,)",))
    before = preparing._count_compiled([kernel])
    kernel.dispatcher.compile("(float64,)")
    assert preparing._count_compiled([kernel]) == before + 1


def test_without_a_terminal_it_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    Inventory(monkeypatch, a=False, b=False, c=False)
    said = io.StringIO()
    monkeypatch.setattr(preparing, "sys", SimpleNamespace(stderr=said))
    preparing.prepare_on_terminal()
    assert said.getvalue() == f"{PREPARING} …\n"


def test_what_cannot_be_compiled_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> Iterator[SimpleNamespace]:
        yield SimpleNamespace(name="acq.analysis.some.a")
        raise RuntimeError("pages\nof it\nno such instruction")

    monkeypatch.setattr(preparing, "prepare_kernels", fail)
    with pytest.raises(SuprathreshError) as failed:
        preparing.prepare_analysis()
    assert "acq.analysis.some.a: no such instruction" in str(failed.value)
    assert "\n" not in str(failed.value)
