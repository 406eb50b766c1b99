"""Inner loops in machine code: written in Python, compiled when first needed, kept on disk from then on.

What numpy does in many passes over memory, or could not do at all without a call for every stimulus, a compiled loop
does in one. A kernel is a plain function of arrays and numbers that allocates little, takes no Python objects and
raises nothing: who calls it has checked shapes and indices, since a compiled loop does not. It may use kernels and
constants of its own file only: what is kept on the disk is of that file and this one as they are, and of no other.

Kernels let go of the interpreter's lock, so that the acquisition thread runs beside them.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, ParamSpec, TypeVar, cast

import numba
from numba.core.caching import FunctionCache, IndexDataCacheFile

__all__ = ["Kernel", "compiled", "kernels", "prepare_kernels"]

_P = ParamSpec("_P")
_R = TypeVar("_R")
# Sums may be taken in another order, and a product be added without rounding between, as in BLAS: without it no sum is
# vectorised. Nothing else is given up: NaN and infinity mean what they mean.
_SUMS: Final = frozenset({"reassoc", "contract"})


@dataclass(frozen=True, slots=True)
class Kernel:
    """One kernel: its compiled form, and the types of arguments the program calls it with."""

    dispatcher: Any
    signatures: tuple[str, ...]

    @property
    def name(self) -> str:
        """As `module.function`."""
        function = self.dispatcher.py_func
        return f"{function.__module__}.{function.__qualname__}"


class _Stamped(IndexDataCacheFile):
    """Numba's files, but the code itself says too what it was made of, not the index alone.

    The index is written first. A program that is ended just then leaves it beside the code that was there before: of an
    older source, or of other arguments.
    """

    def save(self, key: Any, data: Any) -> None:
        """Keep what was compiled, with its source and its arguments."""
        cast(Any, super()).save(key, (cast(Any, self)._source_stamp, key, data))

    def load(self, key: Any) -> Any:
        """Return what was kept, or None where it is none of this source and these arguments."""
        found = cast(Any, super()).load(key)
        if found is None or found[:2] != (cast(Any, self)._source_stamp, key):
            return None
        return found[2]


@lru_cache
def _digest(source: str) -> str:
    """Of a kernel's file and of this one, which says how it is compiled: a time alone may stay when a file changes."""
    return hashlib.sha256(Path(source).read_bytes() + b"\0" + Path(__file__).read_bytes()).hexdigest()


class _ForgivingCache(FunctionCache):
    """Numba's own cache on disk, but what is torn there (power cut, full disk) is compiled anew instead of an end."""

    def __init__(self, function: Callable[..., Any]) -> None:
        cast(Any, super()).__init__(function)
        mine = cast(Any, self)
        try:
            stamp = _digest(function.__code__.co_filename)
        except OSError:  # packed into one file, of which numba knows the time
            stamp = mine._impl.locator.get_source_stamp()
        mine._cache_file = cast(Any, _Stamped)(
            cache_path=mine._cache_path, filename_base=mine._impl.filename_base, source_stamp=stamp
        )

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Return what was compiled before, or None."""
        try:
            return cast(Any, super()).load_overload(sig, target_context)
        except Exception:  # noqa: BLE001 - a torn pickle raises anything
            with contextlib.suppress(Exception):
                cast(Any, self).flush()
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep it, if that can be done."""
        with contextlib.suppress(Exception):
            cast(Any, super()).save_overload(sig, data)


_KERNELS: Final[list[Kernel]] = []


def compiled(*signatures: str, sums: bool = False) -> Callable[[Callable[_P, _R]], Callable[_P, _R]]:
    """Make a kernel of a function.

    Parameters
    ----------
    *signatures : str
        Types of the arguments as numba writes them, such as "(float32[:, ::1], float64)": every way the program calls
        it. They are compiled ahead by `prepare_kernels`; another one is compiled when it comes.
    sums : bool
        Sums in any order: many times faster, and equal to the last digits only.
    """

    def make(function: Callable[_P, _R]) -> Callable[_P, _R]:
        options: Any = {"nogil": True, "error_model": "numpy", "fastmath": set(_SUMS) if sums else False}
        dispatcher: Any = numba.njit(**options)(function)
        # Where no folder can be written to, neither the program's nor one of the user's, nothing is kept.
        with contextlib.suppress(RuntimeError):
            dispatcher._cache = cast(Any, _ForgivingCache)(function)
        _KERNELS.append(Kernel(dispatcher, signatures))
        return cast("Callable[_P, _R]", dispatcher)

    return make


def kernels() -> tuple[Kernel, ...]:
    """Every kernel of the modules imported so far."""
    return tuple(_KERNELS)


def prepare_kernels() -> Iterator[Kernel]:
    """Compile or load every kernel ahead, so that no stimulus waits for it; yields each before its turn.

    Milliseconds each once they are on the disk, up to a few seconds each the first time on a machine.
    """
    for kernel in kernels():
        yield kernel
        for signature in kernel.signatures:
            kernel.dispatcher.compile(signature)
