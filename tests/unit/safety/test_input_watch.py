from __future__ import annotations

import numpy as np
import pytest

from acq.safety.input_watch import InputWatch

RATE_HZ = 50_000.0
FULL_SCALE_UV = 10_000.0
BLOCK = 500  # 10 ms


def make_watch(*, full_scale_uv: float | None = FULL_SCALE_UV) -> InputWatch:
    return InputWatch(sample_rate_hz=RATE_HZ, full_scale_uv=full_scale_uv, silent_s=0.5)


def show(watch: InputWatch, needle_uv: float, *, seconds: float) -> None:
    for _ in range(round(seconds * RATE_HZ / BLOCK)):
        watch.take(np.full(BLOCK, needle_uv))


@pytest.mark.parametrize("needle_uv", [FULL_SCALE_UV, -FULL_SCALE_UV, 0.981 * FULL_SCALE_UV])
def test_a_needle_at_the_end_of_its_range_is_trouble_after_a_quarter_second(needle_uv: float) -> None:
    watch = make_watch()
    show(watch, needle_uv, seconds=0.24)
    assert watch.find_trouble(since_samples_s=0.0) is None
    show(watch, needle_uv, seconds=0.01)
    assert "needle input has been saturated for 0.2 s" in str(watch.find_trouble(since_samples_s=0.0))


def test_an_overdriven_amplifier_that_swings_with_the_mains_is_saturated() -> None:
    watch = make_watch()
    time_s = np.arange(round(0.3 * RATE_HZ)) / RATE_HZ
    swing_uv = np.clip(20 * FULL_SCALE_UV * np.sin(2 * np.pi * 50 * time_s), -FULL_SCALE_UV, FULL_SCALE_UV)
    for block in swing_uv.reshape(-1, BLOCK):
        watch.take(block)
    assert watch.find_trouble(since_samples_s=0.0) is not None


def test_artefacts_are_not_trouble() -> None:
    """5 ms at full scale, twenty times a second."""
    watch = make_watch()
    for _ in range(60):
        show(watch, FULL_SCALE_UV, seconds=0.01)
        show(watch, 5.0, seconds=0.04)
    assert watch.find_trouble(since_samples_s=0.0) is None


def test_what_comes_back_is_well_again() -> None:
    watch = make_watch()
    show(watch, FULL_SCALE_UV, seconds=1.0)
    show(watch, 3.0, seconds=0.01)
    assert watch.find_trouble(since_samples_s=0.0) is None


def test_samples_that_are_gone_do_not_count_as_saturated() -> None:
    watch = make_watch()
    show(watch, float("nan"), seconds=1.0)
    assert watch.find_trouble(since_samples_s=0.0) is None


def test_without_a_full_scale_nothing_is_saturated() -> None:
    watch = make_watch(full_scale_uv=None)
    show(watch, 1e9, seconds=1.0)
    assert watch.find_trouble(since_samples_s=0.0) is None


def test_silence() -> None:
    watch = make_watch()
    assert watch.find_trouble(since_samples_s=0.5) is None
    assert "no samples for 0.6 s" in str(watch.find_trouble(since_samples_s=0.6))
