"""The sound of a study: the needle, a tone for each verdict, and figures in words."""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Final, Protocol

import numpy as np

from acq.clock import Clock, RealClock
from acq.records import FloatArray
from acq.sound.condition import SoundState
from acq.sound.mixing import Mixer
from acq.sound.needle import NeedleVoice
from acq.sound.settings import DEVICE, OFF, SoundSettings
from acq.sound.sinks import DeviceSink, Sink, SinkError, WavSink, describe_device, load_library
from acq.sound.speech import Speaker, Voice, figures_in_words
from acq.stream.ring import RingSamples

__all__ = ["SampleSource", "Sound", "try_device"]

_LOOK_EVERY_S: Final = 0.02  # each look costs 0.3 ms of processor time, whatever has come
_PIECE_S: Final = 0.5  # of samples at a time
_BEHIND_S: Final = 0.3  # what is older is not worth hearing
_SILENT_S: Final = 0.1  # without samples for so long the tones go on by the machine's clock
_CLOSING_S: Final = 2.0


class SampleSource(Protocol):
    """The newest samples of all channels, under their index on the device's clock; any thread may call."""

    @property
    def next_sample(self) -> int:
        """Index of the sample that comes next."""
        ...

    @property
    def oldest_sample(self) -> int:
        """Index of the oldest that is still there."""
        ...

    def peek(self, first_sample: int, n_samples: int) -> RingSamples:
        """Copy samples out without counting as whoever must read them all."""
        ...


class Sound:
    """What can be heard of a study. Nothing of it holds the caller up, and whatever fails in it, the study goes on.

    In real time a thread takes the newest samples and gives them to the sink; in virtual time `turn` does, and sample k
    of the file is what was at the needle at k / rate. `turn` belongs to the engine's thread, the rest to any.

    Parameters
    ----------
    settings : SoundSettings
    source : SampleSource
        Needle in µV, monitor, trigger in V.
    sample_rate_hz : float
        Of the device.
    is_virtual_time : bool
    on_message : callable
        Told in one line when there is no sound, or no longer; from any thread.
    open_sink : callable, optional
        Makes the sink; by the settings without it.
    voice : Voice, optional
        Makes the words; the computer's voice without it.
    """

    def __init__(
        self,
        settings: SoundSettings,
        *,
        source: SampleSource,
        sample_rate_hz: float,
        is_virtual_time: bool,
        on_message: Callable[[str], None],
        open_sink: Callable[[], Sink] | None = None,
        voice: Voice | None = None,
        clock: Clock | None = None,
    ) -> None:
        self._settings = settings
        self._source = source
        self._sample_rate_hz = sample_rate_hz
        self._is_virtual_time = is_virtual_time
        self._on_message = on_message
        self._open_sink = open_sink if open_sink is not None else self._open_by_settings
        self._given_voice = voice
        self._clock: Clock = RealClock() if clock is None else clock
        self._needle_volume, self._tone_volume = settings.needle, settings.tones
        self._is_muted = False
        self._noted: deque[SoundState] = deque(maxlen=1)
        self._said_of = SoundState()
        self._is_to_say = threading.Event()
        self._spoken_s = -math.inf
        self._speech: deque[FloatArray] = deque(maxlen=2)
        self._sink: Sink | None = None
        self._mixer: Mixer | None = None
        self._needle: NeedleVoice | None = None
        self._speaker: Speaker | None = None
        self._next = self._first = 0
        self._n_needle = 0  # samples of sound the needle has given
        self._silent_from_s = 0.0
        self._n_silent = 0
        self._is_hushing = threading.Event()
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    # ---- life --------------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin with the next sample."""
        if self._settings.sink == OFF:
            return
        self._next = self._first = self._source.next_sample
        if self._is_virtual_time:
            self._guard(self._open)
        else:
            self._thread = threading.Thread(target=self._run, name="sound", daemon=True)
            self._thread.start()

    def turn(self) -> None:
        """In virtual time: sound what has come. In real time nothing."""
        if self._is_virtual_time and self._sink is not None:
            self._guard(self._advance)

    def close(self) -> None:
        """End it; what sounds comes to its end in a file, and breaks off softly in a device. Idempotent."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join(timeout=_CLOSING_S)
        elif self._sink is not None:
            self._guard(self._finish)

    # ---- what it is told ---------------------------------------------------------------------------------------------

    def note(self, state: SoundState) -> None:
        """What holds now. Costs nothing; a state that is noted before the last was taken replaces it."""
        self._noted.append(state)

    def set_volume(self, *, needle: float | None = None, tones: float | None = None) -> None:
        """Change a volume, from 0 to 1.

        Raises
        ------
        ValueError
            When it lies outside.
        """
        for name, value in (("needle", needle), ("tones", tones)):
            if value is not None and not 0.0 <= value <= 1.0:
                raise ValueError(f"{name} must be from 0 to 1, got {value}")
        self._needle_volume = self._needle_volume if needle is None else needle
        self._tone_volume = self._tone_volume if tones is None else tones

    def mute(self, is_muted: bool = True) -> None:
        """No sound at once, or sound again."""
        self._is_muted = is_muted
        if is_muted:
            self._is_hushing.set()
            sink = self._sink
            if sink is not None:
                sink.hush()

    def say_figures(self) -> None:
        """Say the figures now, where figures are spoken."""
        self._is_to_say.set()

    # ---- what it is --------------------------------------------------------------------------------------------------

    @property
    def is_on(self) -> bool:
        """Whether there is anything to hear."""
        return self._sink is not None

    @property
    def is_muted(self) -> bool:
        """Whether it was muted."""
        return self._is_muted

    @property
    def needle_volume(self) -> float:
        """From 0 to 1."""
        return self._needle_volume

    @property
    def tone_volume(self) -> float:
        """From 0 to 1."""
        return self._tone_volume

    @property
    def n_underruns(self) -> int:
        """How often the device had to be silent because the sound came late."""
        sink = self._sink  # which the thread of the sound may give up meanwhile
        return sink.n_underruns if sink is not None else 0

    # ---- the sound ---------------------------------------------------------------------------------------------------

    def _open_by_settings(self) -> Sink:
        if self._settings.sink == DEVICE:
            return DeviceSink(library=load_library(), device=self._settings.device)
        return WavSink(Path(self._settings.sink))

    def _open(self) -> None:
        sink = self._open_sink()
        self._mixer = Mixer(rate_hz=sink.rate_hz, needle=self._needle_volume, tones=self._tone_volume)
        self._needle = NeedleVoice(sample_rate_hz=self._sample_rate_hz, rate_hz=sink.rate_hz)
        if self._settings.spoken:
            self._speaker = Speaker(
                self._speech.append,
                rate_hz=sink.rate_hz,
                on_message=self._on_message,
                voice=self._given_voice,
                is_threaded=not self._is_virtual_time,
            )
        self._sink = sink

    def _guard(self, act: Callable[[], None]) -> None:
        """Do something; what goes wrong ends the sound, and nothing else."""
        try:
            act()
        except SinkError as exc:
            # Where nobody counts on it, that there is none is no news.
            if self._settings.is_asked or self._sink is not None:
                self._on_message(str(exc))
            self._give_up()
        except Exception as exc:  # noqa: BLE001 - whatever it is, the study goes on without its sound
            self._on_message(f"the sound has failed ({type(exc).__name__}: {exc}); the study goes on in silence")
            self._give_up()

    def _give_up(self) -> None:
        self._ending.set()
        sink, self._sink = self._sink, None
        if self._speaker is not None:
            self._speaker.close()
        if sink is not None:
            try:
                sink.close()
            except SinkError:
                return  # said already

    def _run(self) -> None:
        self._guard(self._open)
        self._silent_from_s = self._clock.now_s()
        while not self._ending.wait(_LOOK_EVERY_S):
            self._guard(self._advance)
        if self._sink is not None:
            self._guard(self._finish)

    def _finish(self) -> None:
        if self._sink is None or self._mixer is None or self._needle is None:
            return
        if self._settings.is_file or self._is_virtual_time:
            self._advance()
            # What is still under way in the filters, so that the file is as long as the study.
            n_due = round((self._next - self._first) * self._sink.rate_hz / self._sample_rate_hz) - self._n_needle
            tail = self._needle.process(np.zeros((3, math.ceil(0.01 * self._sample_rate_hz))))
            self._sink.write(self._mixer.end(tail[: max(0, n_due)]))
        sink, self._sink = self._sink, None
        if self._speaker is not None:
            self._speaker.close()
        sink.close()

    def _advance(self) -> None:
        """Give the sink the sound of what has come."""
        sink, mixer, needle = self._sink, self._mixer, self._needle
        if sink is None or mixer is None or needle is None:
            return
        self._take_notes(mixer)
        is_live = not (self._is_virtual_time or self._settings.is_file)
        end = self._source.next_sample
        if is_live and end - self._next > _BEHIND_S * self._sample_rate_hz:
            self._next = end - round(_LOOK_EVERY_S * self._sample_rate_hz)
            needle.restart()
        n_piece = max(1, round(_PIECE_S * self._sample_rate_hz))
        if end > self._next and self._n_silent:
            self._n_silent = 0
            needle.restart()
        while self._next < end:
            n = min(n_piece, end - self._next)
            samples = self._source.peek(self._next, n).samples
            self._next += n
            sound = needle.process(samples)
            self._n_needle += sound.size
            sink.write(mixer.process(sound))
            self._silent_from_s = self._clock.now_s()
        if is_live:
            self._go_on_without_samples(sink, mixer)

    def _go_on_without_samples(self, sink: Sink, mixer: Mixer) -> None:
        """The tones do not need the device: that its samples stay away is just what has to be heard."""
        silent_s = self._clock.now_s() - self._silent_from_s
        n_due = round((silent_s - _SILENT_S) * sink.rate_hz) - self._n_silent
        if n_due <= 0:
            return
        self._n_silent += n_due
        # After a sleep of the machine there is no hour of silence to be caught up with.
        sink.write(mixer.process(np.zeros(min(n_due, round(_BEHIND_S * sink.rate_hz)))))

    def _take_notes(self, mixer: Mixer) -> None:
        """Take in what was told since."""
        mixer.set_volume(needle=self._needle_volume, tones=self._tone_volume)
        mixer.mute(self._is_muted)
        if self._is_hushing.is_set():
            self._is_hushing.clear()
            if self._sink is not None:
                self._sink.hush()  # what was made while it was being muted
        state = self._noted.popleft() if self._noted else None
        if state is not None:
            mixer.note(state)
        self._speak(state)
        while self._speech:
            mixer.say(self._speech.popleft())

    def _speak(self, state: SoundState | None) -> None:
        """Say what is new, and the figures now and then."""
        if self._speaker is None:
            return
        before, self._said_of = self._said_of, state if state is not None else self._said_of
        now_s = self._now_s()
        state = self._said_of
        if state.prompt is not None and state.prompt != before.prompt:
            self._speaker.say(state.prompt_text)
            self._spoken_s = now_s
        elif state.n_over > before.n_over:
            self._speaker.say(state.over_text)
            self._spoken_s = now_s
        elif self._is_to_say.is_set() or (
            state.verdict is not None and now_s - self._spoken_s >= self._settings.spoken_every_s
        ):
            self._is_to_say.clear()
            self._speaker.say(figures_in_words(state))
            self._spoken_s = now_s

    def _now_s(self) -> float:
        return self._source.next_sample / self._sample_rate_hz if self._is_virtual_time else self._clock.now_s()


def try_device(device: str | None = None) -> str:
    """One line: the sound device that would be used, or what is missing and the package to install."""
    try:
        return f"sound device: {describe_device(load_library(), device)}"
    except SinkError as exc:
        return str(exc)
