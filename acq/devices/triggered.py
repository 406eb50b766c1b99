"""A stimulator that is only triggered by the card: its intensity is set over a line of its own, between the pulses."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass
from typing import Final, Protocol

from acq.clock import Clock
from acq.errors import DeviceError, LateStimulusError
from acq.records import Pulse
from acq.stimulus.waveform import pulse_samples
from acq.units import s_to_samples, samples_to_s

__all__ = ["StimulatorLine", "TriggeredStimulator"]

# An intensity that is not confirmed so long before its pulse is given up: the command to switch off needs time, too.
_GUARD_S: Final = 0.015
_NOTICE_S: Final = 0.015  # from the end of a pulse until its samples are here and the thread has woken
_TICK_S: Final = 0.05
_JOIN_S: Final = 3.0


class StimulatorLine(Protocol):
    """What is asked of the line to a stimulator; every failure is a `DeviceError`."""

    @property
    def setting_time_s(self) -> float:
        """How long a new intensity takes, confirmation included."""
        ...

    def open(self) -> None:
        """Connect; output off, 0 mA."""
        ...

    def set_intensity_ma(self, intensity_ma: float) -> None:
        """Set and confirm."""
        ...

    def set_width_us(self, width_us: float) -> None:
        """Set and confirm where the stimulator can."""
        ...

    def enable(self) -> None:
        """Let triggers through."""
        ...

    def disable(self) -> None:
        """Let no trigger through."""
        ...

    def allow(self, duration_s: float | None) -> None:
        """Give up, and switch off, what is not confirmed within so long from now; None takes the limit away."""
        ...

    def close(self) -> None:
        """Output off, disconnect; never raises."""
        ...


@dataclass(frozen=True, slots=True)
class _Planned:
    index: int
    onset_sample: int
    end_sample: int
    intensity_ma: float
    width_us: float


class TriggeredStimulator:
    """Gives each pulse its intensity: set after the pulse before it has ended, and confirmed before it begins.

    A change needs time. A pulse that leaves too little of it is refused like one that came late; one whose intensity
    could not be confirmed in time switches the stimulator off, for its trigger may be on its way already. Any thread
    may call any method; the line is used by one thread of its own.

    Parameters
    ----------
    line : StimulatorLine
        Not open yet.
    sample_rate_hz : float
    clock : Clock
        Tells how far the samples have got since they were last reported.
    settling_s : float
        So long before its trigger an intensity must be confirmed.
    """

    def __init__(self, line: StimulatorLine, *, sample_rate_hz: float, clock: Clock, settling_s: float = 0.0) -> None:
        self._line = line
        self._settling_s = settling_s
        self._rate_hz = sample_rate_hz
        self._clock = clock
        self._change = threading.Condition()
        self._plan: deque[_Planned] = deque()
        self._last: _Planned | None = None  # the newest pulse planned
        self._position = 0  # samples up to here have been seen
        self._position_s = 0.0
        self._wants_off = False
        self._quiet_until = 0
        self._is_on = False
        self._current_ma: float | None = None
        self._current_width_us: float | None = None
        self._failure: DeviceError | None = None
        self._ends = False
        self._thread: threading.Thread | None = None

    @property
    def failure(self) -> DeviceError | None:
        """What went wrong, None while all is well."""
        with self._change:
            return self._failure

    @property
    def is_on(self) -> bool:
        """Whether triggers are let through."""
        with self._change:
            return self._is_on

    def open(self) -> None:
        """Connect, output off.

        Raises
        ------
        DeviceError
            When the stimulator does not answer as it should.
        """
        self._line.open()
        with self._change:
            self._failure = None
            self._current_ma = self._current_width_us = None
            self._is_on = self._wants_off = self._ends = False
            self._plan.clear()
            self._last = None
            self._position = self._quiet_until = 0
            self._position_s = self._clock.now_s()
        self._thread = threading.Thread(target=self._run, name="stimulator", daemon=True)
        self._thread.start()

    def begin(self) -> None:
        """The sample clock begins anew at 0."""
        with self._change:
            self._plan.clear()
            self._last = None
            self._position = self._quiet_until = 0
            self._position_s = self._clock.now_s()

    def check(self, pulse: Pulse) -> None:
        """Refuse a pulse that could not be given its intensity in time.

        Raises
        ------
        LateStimulusError
            When a change of intensity needs more time than there is before the pulse.
        DeviceError
            When the stimulator has failed.
        """
        with self._change:
            if self._failure is not None:
                raise self._failure
            before = self._last
            same = (
                before is not None and before.intensity_ma == pulse.commanded_ma and before.width_us == pulse.width_us
            )
            if same:
                return
            before_end = before.end_sample if before is not None else 0
            free_from = max(self._find_present(), before_end, self._quiet_until)
            needed_s = self._line.setting_time_s + _NOTICE_S + _GUARD_S
            if pulse.onset_sample - free_from < s_to_samples(needed_s, sample_rate_hz=self._rate_hz):
                raise LateStimulusError(
                    f"pulse {pulse.index} was discarded: the stimulator needs {1000 * needed_s:.0f} ms after a pulse "
                    f"to change to {pulse.commanded_ma:g} mA; stimulate more slowly, or use a faster line"
                )

    def add(self, pulse: Pulse) -> None:
        """Plan a pulse that was checked and taken."""
        end = pulse.onset_sample + pulse_samples(width_us=pulse.width_us, sample_rate_hz=self._rate_hz)
        planned = _Planned(pulse.index, pulse.onset_sample, end, pulse.commanded_ma, pulse.width_us)
        with self._change:
            self._plan.append(planned)
            self._last = planned
            self._change.notify_all()

    def advance(self, read_to_sample: int) -> None:
        """Take notice that the samples before `read_to_sample` have been seen."""
        with self._change:
            self._position = read_to_sample
            self._position_s = self._clock.now_s()
            self._change.notify_all()

    def hush(self, *, until_sample: int = 0) -> None:
        """Forget the plan and switch the output off as soon as the line is free.

        Parameters
        ----------
        until_sample : int
            Triggers up to here are on their way and must find the output off, whatever is planned meanwhile.
        """
        with self._change:
            self._plan.clear()
            self._last = None
            self._wants_off = True
            self._quiet_until = max(self._quiet_until, until_sample)
            self._change.notify_all()

    def close(self) -> None:
        """Output off, disconnect. Idempotent; never raises."""
        with self._change:
            self._ends = True
            self._plan.clear()
            self._change.notify_all()
        if self._thread is not None:
            self._thread.join(_JOIN_S)
            self._thread = None
        self._line.close()
        with self._change:
            self._is_on = False

    # ---- the thread of the line --------------------------------------------------------------------------------------

    def _run(self) -> None:
        while True:
            with self._change:
                job = self._find_job()
                while job is None and not self._ends:
                    self._change.wait(_TICK_S)
                    job = self._find_job()
                if self._ends:
                    return
            try:
                self._do(job)
            except DeviceError as exc:
                with self._change:
                    self._failure = exc
                    self._is_on = False  # a line that failed has tried to switch it off, and refuses from now on
                    self._plan.clear()
                return

    def _find_job(self) -> _Planned | str | None:
        """What the line has to do now: "off", a pulse to prepare, or nothing. Called with the lock."""
        if self._wants_off:
            self._wants_off = False
            if self._is_on:
                return "off"
        while self._plan and self._plan[0].end_sample <= self._position:
            self._plan.popleft()
        if not self._plan or self._position < self._quiet_until:
            return None
        head = self._plan[0]
        is_set = self._current_ma == head.intensity_ma and self._current_width_us == head.width_us and self._is_on
        return None if is_set else head

    def _do(self, job: _Planned | str | None) -> None:
        if not isinstance(job, _Planned):
            self._line.allow(None)
            self._line.disable()
            with self._change:
                self._is_on = False
            return
        with self._change:
            n_left = max(0, self._latest(job) - self._find_present())
        self._line.allow(samples_to_s(n_left, sample_rate_hz=self._rate_hz))
        if self._current_width_us != job.width_us:
            self._line.set_width_us(job.width_us)
        if self._current_ma != job.intensity_ma:
            self._line.set_intensity_ma(job.intensity_ma)
        with self._change:
            self._current_ma, self._current_width_us = job.intensity_ma, job.width_us
            if self._wants_off:  # stopped meanwhile: it stays off
                return
            needs_enabling = not self._is_on
        if needs_enabling:
            self._line.enable()
            with self._change:
                self._is_on = True
        with self._change:
            is_late = bool(self._plan) and self._plan[0] is job and self._find_present() > self._latest(job)
        self._line.allow(None)
        if is_late:
            self._line.disable()
            raise DeviceError(
                f"pulse {job.index}: {job.intensity_ma:g} mA was not confirmed before its trigger; the stimulator is "
                "off. Use a faster line, or stimulate more slowly"
            )

    def _latest(self, job: _Planned) -> int:
        return job.onset_sample - s_to_samples(_GUARD_S + self._settling_s, sample_rate_hz=self._rate_hz)

    def _find_present(self) -> int:
        """The sample that is being taken now, as far as the clock tells. Called with the lock."""
        elapsed_s = self._clock.now_s() - self._position_s
        return self._position + max(0, s_to_samples(elapsed_s, sample_rate_hz=self._rate_hz))
