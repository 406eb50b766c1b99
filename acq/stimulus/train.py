"""The train: which pulse comes when, and how strong."""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass
from typing import Protocol

from acq.records import Pulse, PulseKind
from acq.safety.limits import Limits

__all__ = ["ConstantIntensity", "IntensityPolicy", "Train"]


class IntensityPolicy(Protocol):
    """Decides on the intensity and the kind of each pulse of a train."""

    def next(self, index: int) -> tuple[float, PulseKind] | None:
        """Intensity in mA and kind of the pulse with this index; None when nothing is to be delivered now."""
        ...


@dataclass(frozen=True, slots=True)
class ConstantIntensity:
    """Every pulse measures, at one intensity."""

    intensity_ma: float

    def next(self, index: int) -> tuple[float, PulseKind]:  # noqa: ARG002  # the protocol's argument
        """Give the constant intensity."""
        return self.intensity_ma, PulseKind.MEASURING


class Train:
    """Issues pulses at a constant rate. Any thread may call any method.

    Onsets are whole samples: the period is the nearest whole number of samples, and never shorter than the fastest rate
    allows, also across a change of rate. A change of rate, width or policy touches only pulses not issued yet.

    Parameters
    ----------
    sample_rate_hz : float
        Of the device's sample clock.
    rate_hz, width_us : float
        Checked against the limits.
    policy : IntensityPolicy
    limits : Limits
    first_sample : int
        Where the first pulse may begin.
    first_index : int
        Index of the first pulse.

    Raises
    ------
    SafetyViolationError
        When the rate or the width is outside the limits.
    """

    def __init__(
        self,
        *,
        sample_rate_hz: float,
        rate_hz: float,
        width_us: float,
        policy: IntensityPolicy,
        limits: Limits,
        first_sample: int = 0,
        first_index: int = 0,
    ) -> None:
        if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 0):
            raise ValueError(f"sample_rate_hz must be positive and finite, got {sample_rate_hz}")
        if first_sample < 0:
            raise ValueError(f"first_sample must not be negative, got {first_sample}")
        limits.check_rate(rate_hz=rate_hz)
        limits.check_pulse(intensity_ma=0.0, width_us=width_us)
        self._sample_rate_hz = sample_rate_hz
        self._limits = limits
        self._shortest_interval = limits.shortest_interval_samples(sample_rate_hz=sample_rate_hz)
        self._rate_hz = rate_hz
        self._width_us = width_us
        self._policy = policy
        self._index = first_index
        self._floor = first_sample  # no onset before it: already decided, or already past
        self._last_slot: int | None = None  # the newest moment at which a pulse came or could have come
        self._last_onset: int | None = None
        self._intensity_ma = 0.0
        self._n_skipped = 0
        self._lock = threading.RLock()

    @property
    def rate_hz(self) -> float:
        """Pulses per second."""
        with self._lock:
            return self._rate_hz

    @property
    def width_us(self) -> float:
        """Width of the pulses still to be issued."""
        with self._lock:
            return self._width_us

    @property
    def intensity_ma(self) -> float:
        """Intensity of the newest pulse issued, 0 before the first."""
        with self._lock:
            return self._intensity_ma

    @property
    def policy(self) -> IntensityPolicy:
        """What decides on the intensity."""
        with self._lock:
            return self._policy

    @property
    def next_index(self) -> int:
        """Index of the next pulse."""
        with self._lock:
            return self._index

    @property
    def n_skipped(self) -> int:
        """Pulses that fell due while nobody asked for them, and were dropped."""
        with self._lock:
            return self._n_skipped

    @property
    def period_samples(self) -> int:
        """Samples from one pulse to the next."""
        with self._lock:
            return max(round(self._sample_rate_hz / self._rate_hz), self._shortest_interval)

    def set_rate_hz(self, rate_hz: float) -> None:
        """Change the rate of the pulses not issued yet; the interval to the newest one issued is already the new one.

        Raises
        ------
        SafetyViolationError
            When the rate is outside the limits; the old one stays.
        """
        self._limits.check_rate(rate_hz=rate_hz)
        with self._lock:
            self._rate_hz = rate_hz

    def set_width_us(self, width_us: float) -> None:
        """Change the width of the pulses not issued yet.

        Raises
        ------
        SafetyViolationError
            When the width is outside the limits; the old one stays.
        """
        self._limits.check_pulse(intensity_ma=0.0, width_us=width_us)
        with self._lock:
            self._width_us = width_us

    def set_policy(self, policy: IntensityPolicy) -> None:
        """Let another policy decide on the pulses not issued yet."""
        with self._lock:
            self._policy = policy

    def resume(self, sample: int) -> None:
        """Go on from a sample after a pause: what fell due before is dropped, the next pulse comes as early as it may.

        Parameters
        ----------
        sample : int
            The earliest onset, usually the device's `earliest_onset_sample`.
        """
        with self._lock:
            self._floor = max(self._floor, sample)
            self._last_slot = self._last_onset

    def pulses_until(self, sample: int, *, earliest_sample: int | None = None) -> list[Pulse]:
        """Issue the pulses with onsets before a horizon.

        Parameters
        ----------
        sample : int
            The horizon; onsets are below it.
        earliest_sample : int, optional
            The earliest onset still possible. Pulses due before it are dropped and counted, and the train goes on from
            there at its rate: never a burst.

        Returns
        -------
        list of Pulse
            In the order of their onsets, at least a shortest interval apart from each other and from those before.
        """
        with self._lock:
            period = self.period_samples
            if earliest_sample is not None and earliest_sample > self._floor:
                due = self._next_slot(period)
                if due < earliest_sample:
                    self._n_skipped += 1 + (earliest_sample - 1 - due) // period
                self._floor = earliest_sample
            issued: list[Pulse] = []
            while (onset := self._next_slot(period)) < sample:
                decision = self._policy.next(self._index)
                self._last_slot = onset
                if decision is None:
                    continue
                intensity_ma, kind = decision
                issued.append(
                    Pulse(
                        index=self._index,
                        onset_sample=onset,
                        commanded_ma=intensity_ma,
                        width_us=self._width_us,
                        kind=kind,
                    )
                )
                self._intensity_ma = intensity_ma
                self._last_onset = onset
                self._index += 1
            self._floor = max(self._floor, sample)
            return issued

    def _next_slot(self, period: int) -> int:
        slot = self._floor if self._last_slot is None else max(self._last_slot + period, self._floor)
        return slot if self._last_onset is None else max(slot, self._last_onset + self._shortest_interval)
