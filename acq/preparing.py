"""The analysis made ready before anything is delivered: its inner loops compiled, or loaded from where they are kept.

The first time on a computer that takes as long as ten or twenty seconds, afterwards a fraction of one. It is done
before a device is opened, so that nothing waits for a verdict meanwhile and no watch over the output can run out.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence

from acq.analysis.compiled import Kernel, kernels, prepare_kernels
from acq.errors import SuprathreshError
from acq.hosting.messages import PREPARING

__all__ = ["Tell", "prepare_analysis", "prepare_on_terminal"]

Tell = Callable[[int, int], None]  # how many are ready, of how many


def prepare_analysis(tell: Tell = lambda _done, _of: None) -> None:
    """Make every inner loop ready that the modules imported so far have. Idempotent.

    Parameters
    ----------
    tell : callable
        Called with how many are ready and how many there are, where they have to be compiled: loading them is quick.

    Raises
    ------
    SuprathreshError
        When one cannot be compiled.
    """
    before, name = _count_compiled(kernels()), ""
    try:
        for done, kernel in enumerate(prepare_kernels()):
            name = kernel.name
            if _count_compiled(kernels()) > before:
                tell(done, len(kernels()))
    except Exception as exc:
        # Whatever the compiler says: pages of it, and in any of its own kinds of error.
        said = str(exc).strip().splitlines()[-1:] or [type(exc).__name__]
        raise SuprathreshError(
            f"the analysis cannot be prepared on this computer ({name}: {said[0].strip()}); install the program anew, "
            "with the versions of numba and numpy that it asks for"
        ) from exc


def _count_compiled(some: Sequence[Kernel]) -> int:
    """How often one was not found where it is kept."""
    return sum(sum(kernel.dispatcher.stats.cache_misses.values()) for kernel in some)


def prepare_on_terminal() -> None:
    """The same, told on standard error: with a bar on a terminal, else in one line.

    Raises
    ------
    SuprathreshError
        When a loop cannot be compiled.
    """
    if not sys.stderr.isatty():
        has_told = False

        def tell_once(_done: int, _of: int) -> None:
            nonlocal has_told
            if not has_told:
                has_told = True
                sys.stderr.write(f"{PREPARING} …\n")

        prepare_analysis(tell_once)
        return
    # Only here: it takes a while to load.
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(PREPARING, total=len(kernels()), visible=False)
        prepare_analysis(lambda done, of: progress.update(task, completed=done, total=of, visible=True))
