"""Voluntary activity: what the muscle does of its own accord beside what the stimulus evokes."""

from __future__ import annotations

import math

import numpy as np

from acq.records import FloatArray
from sim_device import scenario as parts
from sim_device.electrode import ElectrodeKind, FrontEnd, build_template

__all__ = ["Interference"]

_CHUNK = 16_384


class Interference:
    """An endless stream of distant potentials in microvolts; the same in whatever pieces it is taken. Not thread-safe.

    Every motor unit is a Poisson train with an amplitude and a width of its own.
    """

    def __init__(
        self, part: parts.Voluntary, *, front_end: FrontEnd, kind: ElectrodeKind, rng: np.random.Generator
    ) -> None:
        self._part = part
        self._rng = rng
        self._rate_hz = front_end.sample_rate_hz
        self._units = [
            (
                # Whole steps of 50 µs, so that few templates are built.
                build_template(
                    rise_time_us=50.0 * round(rng.uniform(part.rise_from_us, part.rise_until_us) / 50.0),
                    front_end=front_end,
                    kind=kind,
                ),
                part.amplitude_uv * rng.uniform(0.4, 1.6),
            )
            for _ in range(part.count)
        ]
        self._before = max((template.span_samples[0] for template, _ in self._units), default=0)
        after = max((template.span_samples[1] for template, _ in self._units), default=0)
        self._ahead = np.zeros(self._before + _CHUNK + after)  # the chunk to be given next, and what reaches beyond it
        self._n_made = 0
        self._chunk = np.empty(0)
        self._position = 0

    def add_to(self, samples: FloatArray) -> None:
        """Add the next samples of the stream to `samples` (n_samples,)."""
        filled = 0
        while filled < samples.size:
            if self._position == self._chunk.size:
                self._chunk = self._make_chunk()
                self._position = 0
            n = min(samples.size - filled, self._chunk.size - self._position)
            samples[filled : filled + n] += self._chunk[self._position : self._position + n]
            filled += n
            self._position += n

    def _make_chunk(self) -> FloatArray:
        part, ahead = self._part, self._ahead
        ahead[:-_CHUNK] = ahead[_CHUNK:]
        ahead[-_CHUNK:] = 0.0
        until_s = math.inf if part.until_s is None else part.until_s
        for template, amplitude_uv in self._units:
            n_events = self._rng.poisson(part.rate_hz * _CHUNK / self._rate_hz)
            for place in self._rng.uniform(0, _CHUNK, n_events).tolist():
                if part.from_s <= (self._n_made + place) / self._rate_hz < until_s:
                    # Later by what a potential needs before its time zero; nobody can tell.
                    template.add_to(ahead, position=self._before + place, amplitude=amplitude_uv)
        self._n_made += _CHUNK
        return ahead[:_CHUNK].copy()
