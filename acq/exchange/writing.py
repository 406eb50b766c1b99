"""A file or a folder that is there whole or not at all, and never in the place of another."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from acq.errors import ConfigurationError, SuprathreshError

__all__ = ["written_whole"]


@contextmanager
def written_whole(path: str | Path, *, is_folder: bool = False) -> Iterator[Path]:
    """Write beside, and move to `path` when all of it is there; nothing is left of what failed.

    Parameters
    ----------
    path : str or Path
        Must not exist; its folder must.
    is_folder : bool
        Whether `path` becomes a folder.

    Yields
    ------
    Path
        Where to write: of the same name, in a hidden folder beside. A folder is there and empty, a file is not there.

    Raises
    ------
    ConfigurationError
        When there is something at `path`, or it cannot be made.
    """
    path = Path(path)
    try:
        _refuse_what_is_there(path)
        hidden = Path(tempfile.mkdtemp(prefix=".unfinished-", dir=path.parent))
    except (OSError, ValueError) as exc:  # a ValueError: a null character
        raise ConfigurationError(_explain(path, exc)) from exc
    try:
        temporary = hidden / path.name
        try:
            if is_folder:
                temporary.mkdir()
            yield temporary
            _move(temporary, path, is_folder=is_folder)
        except OSError as exc:
            raise ConfigurationError(_explain(path, exc)) from exc
        except SuprathreshError as exc:
            if str(temporary) not in str(exc):
                raise
            # Nobody knows of the hidden folder.
            raise type(exc)(str(exc).replace(str(temporary), str(path))) from exc
    finally:
        shutil.rmtree(hidden, ignore_errors=True)


def _refuse_what_is_there(path: Path) -> None:
    if os.path.lexists(path):
        raise ConfigurationError(f"{path}: exists already; choose another name, nothing is overwritten")
    if not path.name or path.name in (".", ".."):
        raise ConfigurationError(f"'{path}' is no name of a file; give one")


def _move(temporary: Path, path: Path, *, is_folder: bool) -> None:
    """Move without overwriting what has come to `path` meanwhile."""
    if not is_folder and hasattr(os, "link"):
        try:
            os.link(temporary, path)  # fails where there is something, unlike a rename
        except FileExistsError as exc:
            raise ConfigurationError(f"{path}: exists already; choose another name, nothing is overwritten") from exc
        except OSError:  # a file system without links
            pass
        else:
            return
    _refuse_what_is_there(path)
    temporary.rename(path)


def _explain(path: Path, exc: OSError | ValueError) -> str:
    if isinstance(exc, FileNotFoundError) and not path.parent.exists():
        return f"{path}: there is no folder {path.parent}; make it, or choose another"
    if isinstance(exc, OSError) and exc.errno == errno.ENOSPC:
        return f"{path}: the disk is full; free some space, or choose another folder"
    reason = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
    return f"{path}: cannot be written ({reason}); choose another folder"
