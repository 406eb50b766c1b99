"""Whether a HDF5 file can be read to its end, tried in a process of its own.

The library below can be led into an endless loop, or out of its memory, by a few damaged bytes, where neither Ctrl-C
nor an exception ends it. A process can be ended.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from acq.errors import InputFileError, SuprathreshError

__all__ = ["main", "try_nwb"]

_LEAST_S: Final = 20.0
_BYTES_PER_S: Final = 4e6  # a slow disk; a sound file is read far faster
_ORDINARY_ENDS: Final = (0, 1)  # 1: an error of Python's, which whoever reads the file next meets and explains


def try_nwb(path: Path, *, series: Sequence[str] = (), times: Sequence[str] = (), least_s: float = _LEAST_S) -> None:
    """Read a file in another process first, and give up on it where that does not end.

    Parameters
    ----------
    series, times : sequence of str
        What will be read of a file of another program.
    least_s : float
        How long it may take, whatever its size.

    Raises
    ------
    InputFileError
        When reading does not end, or ends the process.
    """
    try:
        limit_s = least_s + path.stat().st_size / _BYTES_PER_S
        command = [sys.executable, "-m", "acq.exchange.nwb_trial", str(path), json.dumps([list(series), list(times)])]
        quiet = subprocess.DEVNULL
        ended = subprocess.run(  # noqa: S603 - our own module
            command, timeout=limit_s, stdin=quiet, stdout=quiet, stderr=quiet, check=False
        )
    except subprocess.TimeoutExpired as exc:
        raise InputFileError(
            f"{path}: damaged: reading it does not come to an end within {limit_s:.0f} s; copy or export it again"
        ) from exc
    except (OSError, ValueError) as exc:
        raise InputFileError(f"{path}: cannot be read ({exc}); check that you may read it") from exc
    if ended.returncode not in _ORDINARY_ENDS:
        raise InputFileError(f"{path}: damaged: the library that reads it broke down; copy or export it again")


def main(arguments: Sequence[str]) -> int:
    """Read all that will be read of a file."""
    from acq.exchange.nwb import is_own_nwb, list_nwb, nwb_numbers, read_nwb, read_nwb_series, read_nwb_times

    path = Path(arguments[0])
    series, times = json.loads(arguments[1])
    with suppress(SuprathreshError):
        if is_own_nwb(path):
            for number in nwb_numbers(path):
                read_nwb(path, number=number)
            return 0
        there = list_nwb(path)
        for name in series or there.series[:1]:
            read_nwb_series(path, name)
        for name in times:
            read_nwb_times(path, name)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
