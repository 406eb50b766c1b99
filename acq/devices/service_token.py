"""The token by which a DAQ service of this program knows who may use it: where it is kept, and how it goes along.

It comes from the environment and never from the command line, which every user of a computer can read.
"""

from __future__ import annotations

import os
import secrets
from typing import Final

from acq.errors import ConfigurationError

__all__ = ["METADATA_KEY", "VARIABLE", "is_same_token", "make_token", "read_token"]

VARIABLE: Final = "SUPRATHRESH_TOKEN"
METADATA_KEY: Final = "suprathresh-token"  # beside each call; a service that asks for none does not look

_BYTES: Final = 24  # 192 bits: nobody finds it by trying


def make_token() -> str:
    """A new token that nobody can guess."""
    return secrets.token_urlsafe(_BYTES)


def read_token(*, at_least: int = 1) -> str | None:
    """The token of the environment; None where there is none.

    Parameters
    ----------
    at_least : int
        Characters it must have.

    Raises
    ------
    ConfigurationError
        When it is shorter, or cannot go along with a call. The token itself is not told.
    """
    token = os.environ.get(VARIABLE, "").strip()
    if not token:
        return None
    if not (token.isascii() and token.isprintable()) or " " in token:
        raise ConfigurationError(f"{VARIABLE} holds a space or a letter that is not ASCII; copy it again, whole")
    if len(token) < at_least:
        raise ConfigurationError(
            f"{VARIABLE} has {len(token)} characters where at least {at_least} are needed to keep strangers out; unset "
            "it, and one is made"
        )
    return token


def is_same_token(given: str | bytes, expected: str) -> bool:
    """Compare in a time that tells nothing of where they differ."""
    return secrets.compare_digest(given.encode() if isinstance(given, str) else given, expected.encode())
