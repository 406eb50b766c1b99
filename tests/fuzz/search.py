"""A repeatable search by hypothesis that also sees to it that both happened: inputs read, and inputs refused."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

__all__ = ["search"]

Input = TypeVar("Input")
_QUIET = (HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large)


def search(feed: Callable[[Input], bool], inputs: st.SearchStrategy[Input], *, n: int) -> None:
    """Feed `n` inputs; whatever `feed` raises is a finding. It returns whether it accepted its input."""
    counts = {True: 0, False: 0}

    @settings(max_examples=n, deadline=None, derandomize=True, database=None, suppress_health_check=_QUIET)
    @given(inputs)
    def check(drawn: Input) -> None:
        counts[bool(feed(drawn))] += 1

    check()
    assert counts[True], f"none of {counts[False]} inputs was accepted: the search did not get far"
    assert counts[False], f"all of {counts[True]} inputs were accepted: the search did not try much"
