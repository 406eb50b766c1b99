"""Linear algebra on one thread.

The matrices of one sweep are small: a second BLAS thread gains nothing, and on a machine with other work the threads
wait for each other, which made a fit five times slower here and holds up the guard.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache

from threadpoolctl import ThreadpoolController

__all__ = ["one_blas_thread"]


@cache
def _controller() -> ThreadpoolController:
    # Finding the libraries takes milliseconds; they do not change while the program runs.
    return ThreadpoolController()


def one_blas_thread() -> AbstractContextManager[object]:
    """Within it, BLAS uses one thread; the former setting comes back afterwards."""
    limited: AbstractContextManager[object] = _controller().limit(limits=1, user_api="blas")
    return limited
