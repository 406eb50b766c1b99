"""Inner loops in machine code: written in Python, compiled when first needed, kept on disk from then on.

What numpy does in many passes over memory, or could not do at all without a call for every stimulus, a compiled loop
does in one. A kernel is a plain function of arrays and numbers that allocates little, takes no Python objects and
raises nothing: who calls it has checked shapes and indices, since a compiled loop does not. It may call other kernels
of its own file only: numba's cache on disk looks at the time of that file, and of no other.

Kernels let go of the interpreter's lock, so that the acquisition thread runs beside them.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final, ParamSpec, TypeVar, cast

import numba
from numba.core.caching import FunctionCache

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


class _ForgivingCache(FunctionCache):
    """Numba's own cache on disk, but what is torn there (power cut, full disk) is compiled anew instead of an end."""

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
