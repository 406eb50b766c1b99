"""Rate series of known truth, for checks of what is said about them. Nothing here is taken from the program's analysis.

A fibre's velocity follows two traces of its discharges, a fast and a slow one, whose sum acts by a power, not by a
logarithm, so that no law of the program holds exactly. Delays of the endplate are Gaussian plus an exponential tail.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from acq.procedures.contract import Stretch, StretchFibre
from acq.records import FibreAnalysis, GuardVerdict, MissingReason, Origin

__all__ = ["DEFAULT_HZ", "Series", "make_series", "stretch_from"]

FloatArray = npt.NDArray[np.float64]
DEFAULT_HZ: Final = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 10.0)
_NOISE_US: Final = 2.0


@dataclass(frozen=True)
class Series:
    """A stretch with what is true of it: latency and MCD at each rate, settled, without drift."""

    stretch: Stretch
    level_us: dict[float, float]
    mcd_us: dict[float, float]


class _Fibre:
    def __init__(self, *, conduction_us: float, gain: float, memory_s: float) -> None:
        self._conduction_us, self._gain, self._memory_s = conduction_us, gain, np.array([memory_s, 4.0 * memory_s])
        self._share = np.array([0.8, 0.2])
        self._trace = np.zeros(2)
        self._last_s = 0.0

    def conduct_us(self, at_s: float, *, answers: bool = True) -> float:
        trace = self._trace * np.exp(-(at_s - self._last_s) / self._memory_s)
        velocity = 1.0 + self._gain * float(self._share @ trace) ** 0.6
        if answers:
            self._trace, self._last_s = trace + 1.0, at_s
        return self._conduction_us / velocity


def make_series(
    seed: int,
    *,
    rates_hz: tuple[float, ...] = DEFAULT_HZ,
    rest_us: float = 1800.0,
    conduction_us: float = 4000.0,
    gain: float = 0.06,
    memory_s: float = 0.4,
    sd_us: float = 12.0,
    tail: float = 0.5,
    sd_factor_per_decade: float = 1.0,
    blocking: float = 0.0,
    blocking_per_decade: float = 0.0,
    drift_us_per_min: float = 0.0,
    jump_us: float = 0.0,
    settling_s: float = 3.0,
    measured_s: float = 8.0,
    n_pairs: int = 50,
    test_one_in: int = 20,
) -> Series:
    """One fibre over a series of rates.

    `sd_factor_per_decade`: how the spread of the endplate changes with the rate; `blocking_per_decade` is added to the
    share that blocks. The latency jumps by `jump_us` in the middle of the series.
    """
    rng = np.random.default_rng([seed, 20_011])
    onset: list[float] = []
    rate_of: list[float] = []
    is_testing: list[bool] = []
    now_s = 5.0
    for rate_hz in rates_hz:
        one_in = test_one_in if rate_hz >= 5.0 else max(5, test_one_in // 2)
        wanted = max((settling_s + measured_s) * rate_hz, settling_s * rate_hz + n_pairs * one_in / (one_in - 2.0))
        for k in range(int(np.ceil(wanted))):
            now_s += 1.0 / rate_hz
            onset.append(now_s)
            rate_of.append(rate_hz)
            is_testing.append(k % one_in == one_in - 1)
    onset_s, rate = np.array(onset), np.array(rate_of)
    n = onset_s.size
    sd = sd_us * sd_factor_per_decade ** np.log10(rate)
    share = np.clip(blocking + blocking_per_decade * np.log10(rate), 0.0, 1.0)
    blocked = rng.random(n) < share
    delay = sd * (np.sqrt(1.0 - tail**2) * rng.standard_normal(n) + tail * (rng.exponential(1.0, n) - 1.0))
    fibre = _Fibre(conduction_us=conduction_us, gain=gain, memory_s=memory_s)
    conduction = np.array([fibre.conduct_us(at, answers=not no) for at, no in zip(onset_s, blocked, strict=True)])
    since_min = (onset_s - onset_s[0]) / 60.0
    drift = drift_us_per_min * since_min + np.where(onset_s > np.median(onset_s), jump_us, 0.0)
    # A weaker stimulus answers later.
    latency = rest_us + conduction + delay + drift + 40.0 * np.array(is_testing) + _NOISE_US * rng.standard_normal(n)
    latency[blocked] = np.nan
    return Series(
        stretch=stretch_from(onset_s, rate, np.array(is_testing), latency, blocked),
        level_us={
            one: rest_us + _settled_us(one, conduction_us=conduction_us, gain=gain, memory_s=memory_s)
            for one in rates_hz
        },
        mcd_us={one: _mcd_us(float(sd_us * sd_factor_per_decade ** np.log10(one)), tail) for one in rates_hz},
    )


def _settled_us(rate_hz: float, *, conduction_us: float, gain: float, memory_s: float) -> float:
    fibre = _Fibre(conduction_us=conduction_us, gain=gain, memory_s=memory_s)
    return [fibre.conduct_us(k / rate_hz) for k in range(int(40.0 * memory_s * rate_hz) + 20)][-1]


def _mcd_us(sd_us: float, tail: float) -> float:
    return sd_us * _mcd_of_unit(tail)


@cache
def _mcd_of_unit(tail: float) -> float:
    rng = np.random.default_rng(4)
    n = 200_000
    delay = np.sqrt(1.0 - tail**2) * rng.standard_normal((2, n)) + tail * rng.exponential(1.0, (2, n))
    return float(np.abs(delay[0] - delay[1]).mean())


def stretch_from(
    onset_s: FloatArray,
    rate_hz: FloatArray,
    is_testing: npt.NDArray[np.bool_],
    latency_us: FloatArray,
    blocked: npt.NDArray[np.bool_],
) -> Stretch:
    """What a procedure concludes from, of one fibre whose margin was kept all the time; everything (n,)."""
    n = onset_s.size
    nan = float("nan")
    answered = np.isfinite(latency_us)
    verdict = np.full(n, GuardVerdict.ASSURED, dtype=object)
    missing = np.full(n, MissingReason.RESPONDED, dtype=object)
    missing[blocked] = MissingReason.ENDPLATE
    analysis = FibreAnalysis(
        latency_us=latency_us,
        amplitude_uv=900.0,
        rise_time_us=170.0,
        mcd_us=nan,
        mcd_raw_us=nan,
        mcd_noise_us=nan,
        mcd_interval_us=(nan, nan),
        n_pairs=0,
        blocking_fraction=nan,
        threshold_ma=1.0,
        threshold_interval_ma=(0.97, 1.03),
        verdict=verdict,
        missing=missing,
        admitted=answered & ~is_testing,
        origin=Origin.ENDPLATE,
        acceptable=True,
        reasons=(),
        latency_noise_us=_NOISE_US,
        stimulus_failure_probability=np.where(answered, nan, 0.01),
        endplate_block_probability=np.where(answered, nan, 0.99),
        overlooked_probability=np.where(answered, nan, 0.0),
        set_aside=np.zeros(n, dtype=bool),
    )
    return Stretch(
        recording=1,
        is_mine=np.ones(n, dtype=bool),
        onset_s=onset_s,
        intensity_ma=np.where(is_testing, 1.2, 1.5),
        rate_hz=rate_hz,
        is_testing=is_testing,
        is_usable=np.ones(n, dtype=bool),
        fibres=(StretchFibre(label=1, latency_us=latency_us, analysis=analysis),),
    )
