"""A repeatable search by hypothesis that also sees to it that both happened: inputs read, and inputs refused."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

__all__ = ["search", "search_all"]

Input = TypeVar("Input")
_QUIET = (HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large)


def search(feed: Callable[[Input], bool], inputs: st.SearchStrategy[Input], *, n: int) -> None:
    """Feed `n` inputs; whatever `feed` raises is a finding. It returns whether it accepted its input."""
    counts = {True: 0, False: 0}

    def count(drawn: Input) -> bool:
        accepted = bool(feed(drawn))
        counts[accepted] += 1
        return accepted

    search_all(count, inputs, n=n)
    assert counts[True], f"none of {counts[False]} inputs was accepted: the search did not get far"
    assert counts[False], f"all of {counts[True]} inputs were accepted: the search did not try much"


def search_all(feed: Callable[[Input], bool], inputs: st.SearchStrategy[Input], *, n: int) -> None:
    """Feed `n` inputs, whether any of them is accepted or not."""

    @settings(max_examples=n, deadline=None, derandomize=True, database=None, suppress_health_check=_QUIET)
    @given(inputs)
    def check(drawn: Input) -> None:
        feed(drawn)

    check()
