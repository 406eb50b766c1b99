"""From the ring buffer to sweeps, with the stimulus as it was delivered."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from acq.records import FloatArray, Pulse, Sweep
from acq.stream.current_watch import CurrentWatch
from acq.stream.ring import RingBuffer, RingSamples
from acq.units import s_to_samples, us_to_samples

__all__ = ["StimulusFault", "StimulusFaultKind", "SweepCutter"]

_NEEDLE, _MONITOR, _TRIGGER = 0, 1, 2

# A monitor needs a sample to rise and one to fall; from so many samples on, the plateau is what lies between.
_EDGES_FROM = 4

# The longest pulse any profile allows is 200 µs; a monitor may take as long again, and more, to come back to rest.
_LONGEST_CURRENT_US = 1000.0


class StimulusFaultKind(StrEnum):
    """What was wrong with the stimuli seen."""

    MISSING = "missing"  # asked for, not seen
    UNREQUESTED = "unrequested"  # seen, not asked for


@dataclass(frozen=True, slots=True)
class StimulusFault:
    """A stimulus that did not come, or one that nobody asked for.

    `delivered_ma` is what the monitor showed at that moment. `pulse` is the one asked for, its own `delivered_ma` NaN
    because it was not seen; None for an unrequested one.
    """

    kind: StimulusFaultKind
    onset_sample: int
    delivered_ma: float
    pulse: Pulse | None


class SweepCutter:
    """Cuts a sweep about each expected pulse as soon as its samples are in. For one thread.

    The onset is the first sample at which the trigger channel is above its threshold; the delivered current is the
    median of the monitor over the pulse.

    Parameters
    ----------
    ring : RingBuffer
        Channels needle, monitor, trigger.
    sample_rate_hz : float
    before_s, after_s : float
        Extent of a sweep about the onset.
    trigger_threshold_v : float
    onset_tolerance_us : float
        A trigger this far from the onset asked for still belongs to it.
    stray_current_ma : float, optional
        Current of this size away from every trigger is a stimulus nobody asked for; None leaves the monitor unwatched.
    """

    def __init__(
        self,
        ring: RingBuffer,
        *,
        sample_rate_hz: float,
        before_s: float = 0.002,
        after_s: float = 0.020,
        trigger_threshold_v: float = 2.5,
        onset_tolerance_us: float = 100.0,
        stray_current_ma: float | None = None,
    ) -> None:
        if ring.n_channels != 3:
            raise ValueError(f"ring must have the channels needle, monitor and trigger, got {ring.n_channels} channels")
        self._ring = ring
        self._sample_rate_hz = sample_rate_hz
        self._n_before = s_to_samples(before_s, sample_rate_hz=sample_rate_hz)
        self._n_after = s_to_samples(after_s, sample_rate_hz=sample_rate_hz)
        if self._n_before < 0:
            raise ValueError(f"before_s must not be negative, got {before_s}")
        if self._n_after < 1:
            raise ValueError(f"after_s must be at least one sample, got {after_s}")
        if self._n_before + self._n_after > ring.capacity:
            raise ValueError(
                f"a sweep of {self._n_before + self._n_after} samples does not fit into a ring of {ring.capacity}"
            )
        self._threshold_v = trigger_threshold_v
        self._tolerance = max(1, us_to_samples(onset_tolerance_us, sample_rate_hz=sample_rate_hz))
        self._current_watch = (
            None
            if stray_current_ma is None
            else CurrentWatch(
                level_ma=stray_current_ma,
                before_samples=self._tolerance,
                after_samples=us_to_samples(_LONGEST_CURRENT_US, sample_rate_hz=sample_rate_hz),
            )
        )
        self._expected: list[Pulse] = []  # in order, trigger not seen yet
        self._withdrawn: set[int] = set()  # onsets of expected pulses that may be missing
        self._seen: list[tuple[Pulse, bool]] = []  # in order, trigger seen or hidden by lost samples
        self._edges: list[int] = []  # seen, not yet matched
        self._gone: list[tuple[int, int]] = []  # lost ranges that may hide a trigger
        self._faults: list[StimulusFault] = []
        self._scanned_to = ring.oldest_sample
        self._is_high: bool | None = False  # None: unknown, after a gap

    @property
    def n_samples(self) -> int:
        """Samples in a sweep."""
        return self._n_before + self._n_after

    @property
    def n_expected(self) -> int:
        """Pulses whose sweep has not been cut yet."""
        return len(self._expected) + len(self._seen)

    def is_sweep_due(self, *, within_s: float) -> bool:
        """Whether a sweep will be complete so soon after the samples that have been looked at."""
        first = self._seen[0][0] if self._seen else self._expected[0] if self._expected else None
        if first is None:
            return False
        return first.onset_sample + self._n_after - self._scanned_to <= within_s * self._sample_rate_hz

    def expect(self, pulses: Iterable[Pulse]) -> None:
        """Take pulses that will be seen.

        Raises
        ------
        ValueError
            When one is out of order or its moment has already been looked at.
        """
        for pulse in pulses:
            if self._expected and pulse.onset_sample <= self._expected[-1].onset_sample:
                raise ValueError(
                    f"pulse {pulse.index} at sample {pulse.onset_sample} must come after the one at "
                    f"{self._expected[-1].onset_sample}"
                )
            if pulse.onset_sample + self._tolerance < self._scanned_to:
                raise ValueError(
                    f"pulse {pulse.index} at sample {pulse.onset_sample} is past, samples before "
                    f"{self._scanned_to} are done"
                )
            self._expected.append(pulse)

    def withdraw(self, *, from_sample: int = 0, to_sample: int | None = None) -> None:
        """Let pulses not seen yet, with onsets in [from_sample, to_sample), be missing: stopped or refused."""
        self._withdrawn.update(
            pulse.onset_sample
            for pulse in self._expected
            if pulse.onset_sample >= from_sample and (to_sample is None or pulse.onset_sample < to_sample)
        )

    def cut(self) -> list[Sweep]:
        """Look at the new samples and cut the sweeps that are complete, in the order of their onsets.

        Returns
        -------
        list of Sweep
            `pulse` carries the measured onset and current; damaged sweeps have zeros where samples are gone.
        """
        self._scan()
        self._match()
        sweeps: list[Sweep] = []
        while self._seen and self._seen[0][0].onset_sample + self._n_after <= self._scanned_to:
            sweeps.append(self._cut_one(*self._seen.pop(0)))
        return sweeps

    def take_faults(self) -> list[StimulusFault]:
        """Hand over the faults noticed since the last call."""
        faults, self._faults = self._faults, []
        return faults

    def _scan(self) -> None:
        """Find rising edges of the trigger in the samples not looked at yet."""
        end = self._ring.next_sample
        oldest = self._ring.oldest_sample
        if self._scanned_to < oldest:  # overwritten before anybody looked
            self._gone.append((self._scanned_to, min(oldest, end)))
            self._is_high = None
            self._scanned_to = oldest
        if self._scanned_to >= end:
            return
        read = self._ring.read(self._scanned_to, end - self._scanned_to)
        self._gone.extend(read.gone)
        trigger = read.samples[_TRIGGER]
        known = ~np.isnan(trigger)
        high = trigger >= self._threshold_v  # False where unknown
        previous_high = np.empty_like(high)
        previous_known = np.empty_like(known)
        previous_high[0], previous_high[1:] = bool(self._is_high), high[:-1]
        previous_known[0], previous_known[1:] = self._is_high is not None, known[:-1]
        # A trigger already high after a gap rose inside the gap: no onset is known.
        rising = high & previous_known & ~previous_high
        edges = [int(index) + self._scanned_to for index in np.flatnonzero(rising)]
        self._edges.extend(edges)
        if self._current_watch is not None:
            strays = self._current_watch.take(
                read.samples[_MONITOR], first_sample=self._scanned_to, trigger_onsets=edges
            )
            self._faults += [StimulusFault(StimulusFaultKind.UNREQUESTED, at, ma, None) for at, ma in strays]
        self._is_high = bool(high[-1]) if known[-1] else None
        self._scanned_to = end

    def _match(self) -> None:
        """Give each expected pulse its trigger, or notice that there is none."""
        while self._expected and self._expected[0].onset_sample + self._tolerance < self._scanned_to:
            pulse = self._expected.pop(0)
            while self._edges and self._edges[0] < pulse.onset_sample - self._tolerance:
                self._unrequested(self._edges.pop(0))
            if self._edges and self._edges[0] <= pulse.onset_sample + self._tolerance:
                self._seen.append((replace(pulse, onset_sample=self._edges.pop(0)), True))
            elif self._is_hidden(pulse.onset_sample):
                self._seen.append((pulse, False))
            elif pulse.onset_sample not in self._withdrawn:
                self._faults.append(
                    StimulusFault(StimulusFaultKind.MISSING, pulse.onset_sample, self._measure(pulse), pulse)
                )
            self._withdrawn.discard(pulse.onset_sample)
        next_from = self._expected[0].onset_sample - self._tolerance if self._expected else self._scanned_to
        while self._edges and self._edges[0] < next_from:
            self._unrequested(self._edges.pop(0))
        oldest_open = min(next_from, self._scanned_to) - 2 * self._tolerance
        self._gone = [span for span in self._gone if span[1] >= oldest_open]

    def _unrequested(self, edge: int) -> None:
        first = max(edge, self._ring.oldest_sample)
        monitor = self._ring.read(first, max(0, min(edge + 2, self._scanned_to) - first)).samples[_MONITOR]
        delivered_ma = float(np.max(monitor)) if monitor.size else float("nan")
        self._faults.append(StimulusFault(StimulusFaultKind.UNREQUESTED, edge, delivered_ma, None))

    def _is_hidden(self, onset: int) -> bool:
        return any(first <= onset + self._tolerance and onset - self._tolerance <= stop for first, stop in self._gone)

    def _measure(self, pulse: Pulse) -> float:
        n_width = max(1, us_to_samples(pulse.width_us, sample_rate_hz=self._sample_rate_hz))
        n_there = min(n_width, self._scanned_to - pulse.onset_sample)
        return self._plateau(self._ring.read(pulse.onset_sample, n_there).samples[_MONITOR])

    @staticmethod
    def _plateau(monitor_ma: FloatArray) -> float:
        plateau = monitor_ma[1:-1] if monitor_ma.size >= _EDGES_FROM else monitor_ma
        return float(np.median(plateau)) if plateau.size and not np.isnan(plateau).any() else float("nan")

    def _cut_one(self, pulse: Pulse, was_seen: bool) -> Sweep:
        read: RingSamples = self._ring.read(pulse.onset_sample - self._n_before, self.n_samples)
        n_width = max(1, us_to_samples(pulse.width_us, sample_rate_hz=self._sample_rate_hz))
        plateau = read.samples[_MONITOR, self._n_before : self._n_before + n_width]
        samples_uv = np.array(read.samples[_NEEDLE])
        if not read.is_complete:
            samples_uv[np.isnan(samples_uv)] = 0.0  # a number that every later step can take; the flag says the rest
        return Sweep(
            pulse=replace(pulse, delivered_ma=self._plateau(plateau) if was_seen else float("nan")),
            samples_uv=samples_uv,
            onset_index=self._n_before,
            sample_rate_hz=self._sample_rate_hz,
            is_damaged=not read.is_complete,
        )
