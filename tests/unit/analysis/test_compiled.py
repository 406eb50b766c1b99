"""Kernels: each is prepared as it is used, stays within its file, and a torn cache on the disk is no end."""

from __future__ import annotations

import ast
import importlib
import os
import pkgutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import CodeType

import pytest

import acq.analysis
import acq.guard
from acq.analysis.compiled import Kernel, kernels, prepare_kernels

_MODULE = """
from acq.analysis.compiled import compiled, kernels, prepare_kernels
import numpy as np

@compiled("(float32[::1],)", sums=True)
def total(values):
    result = np.float32(0.0)
    for value in values:
        result += value
    return result

if __name__ == "__main__":
    prepared = [kernel.name for kernel in prepare_kernels()]
    print(prepared, total(np.ones(7, dtype=np.float32)), sum(total.stats.cache_hits.values()))
"""


def all_kernels() -> tuple[Kernel, ...]:
    for package in (acq.analysis, acq.guard):
        for module in pkgutil.iter_modules(package.__path__, package.__name__ + "."):
            importlib.import_module(module.name)
    return tuple(kernel for kernel in kernels() if kernel.name.startswith("acq."))


def names_in(code: CodeType) -> Iterator[str]:
    yield from code.co_names
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield from names_in(constant)


def test_preparing_leaves_nothing_to_be_compiled_later() -> None:
    found = all_kernels()
    assert found
    for _ in prepare_kernels():
        pass
    for kernel in found:
        assert kernel.signatures, f"{kernel.name} names no signature, so that a stimulus would wait for it"
        assert len(kernel.dispatcher.signatures) >= len(set(kernel.signatures)), kernel.name


def test_a_kernel_calls_kernels_of_its_own_file_only() -> None:
    dispatchers = {id(kernel.dispatcher): kernel for kernel in all_kernels()}
    for kernel in all_kernels():
        function = kernel.dispatcher.py_func
        for name in names_in(function.__code__):
            called = dispatchers.get(id(function.__globals__.get(name)))
            assert called is None or called.dispatcher.py_func.__module__ == function.__module__, (
                f"{kernel.name} calls {name} of another file: a change there would not be seen by the cache"
            )


def imported_from_the_program(source: Path) -> set[str]:
    return {
        name.asname or name.name
        for node in ast.walk(ast.parse(source.read_text("utf-8")))
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] in ("acq", "hardware_profiles")
        for name in node.names
    }


def test_a_kernel_takes_constants_of_its_own_file_only() -> None:
    for kernel in all_kernels():
        code = kernel.dispatcher.py_func.__code__
        foreign = imported_from_the_program(Path(code.co_filename)) & set(names_in(code))
        assert not foreign, f"{kernel.name} holds {foreign} of another file: a change there would not be seen"


def run(folder: Path, **more: str) -> str:
    env = {**os.environ, "PYTHONPATH": str(Path(acq.__file__).parents[1]), **more}
    done = subprocess.run([sys.executable, "made.py"], cwd=folder, env=env, capture_output=True, text=True, timeout=200)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_a_kernel_is_kept_on_the_disk_and_a_torn_one_made_again(tmp_path: Path) -> None:
    (tmp_path / "made.py").write_text(_MODULE)
    compiled, loaded = "['__main__.total'] 7.0 0", "['__main__.total'] 7.0 1"
    assert run(tmp_path) == compiled
    assert run(tmp_path) == loaded
    for pattern in ("*.nbi", "*.nbc"):
        (torn,) = (tmp_path / "__pycache__").glob(pattern)
        torn.write_bytes(torn.read_bytes()[:20])
        assert run(tmp_path) == compiled
        assert run(tmp_path) == loaded


def test_a_change_of_the_source_is_seen_though_neither_its_time_nor_its_size_changes(tmp_path: Path) -> None:
    made = tmp_path / "made.py"
    made.write_text(_MODULE)
    was = made.stat()
    assert run(tmp_path).endswith("7.0 0")
    made.write_text(_MODULE.replace("np.float32(0.0)", "np.float32(5.0)"))  # a constant: the bytecode is the same
    os.utime(made, ns=(was.st_atime_ns, was.st_mtime_ns))
    assert made.stat().st_size == was.st_size
    assert run(tmp_path).endswith("12.0 0")


def test_code_of_an_older_source_under_a_new_index_is_not_taken(tmp_path: Path) -> None:
    # As after an end between the two files, which numba writes one after the other.
    made = tmp_path / "made.py"
    made.write_text(_MODULE)
    assert run(tmp_path).endswith("7.0 0")
    (code,) = (tmp_path / "__pycache__").glob("*.nbc")
    old = code.read_bytes()
    made.write_text(_MODULE.replace("np.float32(0.0)", "np.float32(5.0)"))
    assert run(tmp_path).endswith("12.0 0")
    code.write_bytes(old)
    assert run(tmp_path).endswith("12.0 0")
    assert run(tmp_path).endswith("12.0 1")


def test_where_nothing_can_be_kept_it_is_compiled_each_time(tmp_path: Path) -> None:
    (tmp_path / "made.py").write_text(_MODULE)
    for _ in range(2):  # a locator that finds a place for cells of notebooks only
        assert run(tmp_path, NUMBA_CACHE_LOCATOR_CLASSES="IPythonCacheLocator").endswith("7.0 0")
    assert not list(tmp_path.glob("__pycache__/*.nb*"))


@pytest.mark.parametrize("sums", [False, True])
def test_what_is_not_a_number_stays_so(sums: bool) -> None:
    import numpy as np

    from acq.analysis.compiled import compiled

    @compiled(sums=sums)
    def total(values: np.ndarray) -> float:
        result = 0.0
        for value in values:
            result += value
        return result

    assert np.isnan(total(np.array([1.0, np.nan, 2.0])))
    assert np.isinf(total(np.array([1.0, np.inf, 2.0])))
