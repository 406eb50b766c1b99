"""Where the sound goes: a sound device, a WAV file, or nowhere."""

from __future__ import annotations

import importlib
import threading
import wave
from collections import deque
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any, Final, Protocol

import numpy as np

from acq.errors import SuprathreshError
from acq.records import FloatArray

__all__ = ["DeviceSink", "NullSink", "Sink", "SinkError", "WavSink", "describe_device", "load_library"]

_WAV_RATE_HZ: Final = 48_000
_USUAL_RATES_HZ: Final = (8_000, 192_000)  # what a device may say of itself and be believed
_SIXTEEN_BITS: Final = 32_767
_AHEAD_S: Final = 0.08  # waits in the queue before it begins to sound: on a busy machine pieces come that late
_LONGEST_QUEUE_S: Final = 0.25  # more would be old; the oldest goes
_SMOOTH_S: Final = 0.003  # over which a step in what sounds is rounded off
_DEAD_S: Final = 3.0  # so much given and not fetched: the device does not run any more


class SinkError(SuprathreshError):
    """The sound cannot be heard or kept, in one line with what to do."""


class Sink(Protocol):
    """Takes the sound. For one thread, the one that makes it."""

    @property
    def rate_hz(self) -> int:
        """Samples a second it wants."""
        ...

    @property
    def name(self) -> str:
        """What it is, in a few words."""
        ...

    @property
    def n_underruns(self) -> int:
        """How often it had to be silent because nothing came in time."""
        ...

    def write(self, samples: FloatArray) -> None:
        """Take the next samples, (n,) within ±1; never waits for long.

        Raises
        ------
        SinkError
            When they can go nowhere any more.
        """
        ...

    def hush(self) -> None:
        """Forget what waits and does not sound yet."""
        ...

    def close(self) -> None:
        """End it. Idempotent."""
        ...


class NullSink:
    """Goes nowhere."""

    n_underruns = 0
    name = "no sound"

    def __init__(self, rate_hz: int = _WAV_RATE_HZ) -> None:
        self.rate_hz = rate_hz

    def write(self, samples: FloatArray) -> None:
        """See `Sink`."""

    def hush(self) -> None:
        """See `Sink`."""

    def close(self) -> None:
        """See `Sink`."""


class WavSink:
    """A new WAV file of one channel and 16 bits; its length in the header is right after each write.

    Raises
    ------
    SinkError
        When the file exists already or cannot be made.
    """

    n_underruns = 0

    def __init__(self, path: Path, *, rate_hz: int = _WAV_RATE_HZ) -> None:
        self.rate_hz = rate_hz
        self.name = str(path)
        try:
            self._file = path.open("xb")
        except FileExistsError as exc:
            raise SinkError(f"{path}: exists already; give another name for the sound, or delete it first") from exc
        except OSError as exc:
            raise SinkError(f"{path}: the sound cannot be written ({exc.strerror or exc}); check the folder") from exc
        self._wave = wave.open(self._file, "wb")  # noqa: SIM115 - open for the study's whole length
        self._wave.setnchannels(1)
        self._wave.setsampwidth(2)
        self._wave.setframerate(rate_hz)
        self._is_closed = False

    def write(self, samples: FloatArray) -> None:
        """See `Sink`."""
        try:
            self._wave.writeframes(np.round(samples * _SIXTEEN_BITS).astype("<i2").tobytes())
        except OSError as exc:
            raise SinkError(
                f"{self.name}: the sound cannot be written ({exc.strerror or exc}); check the disk"
            ) from exc

    def hush(self) -> None:
        """See `Sink`. What is written has been heard."""

    def close(self) -> None:
        """See `Sink`."""
        if self._is_closed:
            return
        self._is_closed = True
        try:
            self._wave.close()
        except OSError as exc:
            raise SinkError(
                f"{self.name}: the sound cannot be written ({exc.strerror or exc}); check the disk"
            ) from exc
        finally:
            self._file.close()


class DeviceSink:
    """A sound device. `play` belongs to the device's own thread; it copies, and waits for nothing but a copy.

    Parameters
    ----------
    library : module
        `sounddevice`, or what stands for it.
    device : str, optional
        A part of its name; the usual one without it.

    Raises
    ------
    SinkError
        When there is none, or it cannot be opened.
    """

    def __init__(self, *, library: ModuleType | Any, device: str | None = None) -> None:
        self._error: type[Exception] = library.PortAudioError
        about = _find_device(library, device)
        self.name = str(about["name"])
        rate_hz = round(float(about["default_samplerate"]))
        self.rate_hz = rate_hz if _USUAL_RATES_HZ[0] <= rate_hz <= _USUAL_RATES_HZ[1] else _WAV_RATE_HZ
        self._lock = threading.Lock()
        self._queue: deque[FloatArray] = deque()
        self._n_queued = 0
        self._is_playing = False
        self._last = 0.0
        self._step = 0.0  # between what sounded and what sounds, dying away
        n_smooth = round(_SMOOTH_S * self.rate_hz)
        self._smooth = 0.5 + 0.5 * np.cos(np.pi * np.arange(n_smooth) / n_smooth)
        self._n_smoothed = n_smooth
        self._n_underruns = 0
        self._n_unfetched = 0
        self._is_closed = False
        try:
            self._stream = library.OutputStream(
                samplerate=self.rate_hz,
                channels=1,
                dtype="float32",
                device=about.get("index", device),
                latency="low",
                callback=self._call_back,
            )
            self._stream.start()
        except (self._error, OSError, ValueError) as exc:
            raise SinkError(
                f"the sound device {self.name} cannot be opened ({_one_line(exc)}); close what else uses it, or choose "
                "another with sound.device in the profile"
            ) from exc

    @property
    def n_underruns(self) -> int:
        """See `Sink`."""
        return self._n_underruns

    def write(self, samples: FloatArray) -> None:
        """See `Sink`. Where more waits than is worth hearing, the oldest is dropped."""
        with self._lock:
            self._queue.append(np.array(samples))
            self._n_queued += samples.size
            self._n_unfetched += samples.size
            if self._n_queued > _LONGEST_QUEUE_S * self.rate_hz:
                while self._n_queued > _AHEAD_S * self.rate_hz and len(self._queue) > 1:
                    self._n_queued -= self._queue.popleft().size
                self._n_smoothed = -1
            is_dead = self._n_unfetched > _DEAD_S * self.rate_hz
        if is_dead or not self._is_running():
            raise SinkError(f"the sound device {self.name} has gone: the study goes on in silence")

    def _is_running(self) -> bool:
        try:
            return bool(self._stream.active)
        except self._error:
            return False

    def hush(self) -> None:
        """See `Sink`."""
        with self._lock:
            self._queue.clear()
            self._n_queued = 0
            self._is_playing = False  # not an underrun
            self._n_smoothed = -1

    def close(self) -> None:
        """See `Sink`."""
        if self._is_closed:
            return
        self._is_closed = True
        try:
            self._stream.close()
        except (self._error, OSError):
            return  # it has gone before

    def play(self, n_samples: int) -> FloatArray:
        """What sounds next, (n_samples,); silence where nothing is there."""
        output = np.zeros(n_samples)
        with self._lock:
            self._n_unfetched = 0
            if not self._is_playing and self._n_queued >= _AHEAD_S * self.rate_hz:
                self._is_playing = True
                self._n_smoothed = -1
            done = 0
            while self._is_playing and done < n_samples and self._queue:
                block = self._queue.popleft()
                piece = block[: n_samples - done]
                output[done : done + piece.size] = piece
                done += piece.size
                if piece.size < block.size:
                    self._queue.appendleft(block[piece.size :])
                self._n_queued -= piece.size
            at_step = 0
            if self._is_playing and done < n_samples:
                self._is_playing = False
                self._n_underruns += 1
                at_step = done
                self._n_smoothed = -1
            self._round_off(output, at_step)
            if n_samples:
                self._last = float(output[-1])
        return output

    def _round_off(self, output: FloatArray, at: int) -> None:
        """Let a step die away: at the beginning of this piece, or at `at` where the queue ran dry."""
        if self._n_smoothed < 0:
            before = float(output[at - 1]) if at > 0 else self._last
            self._step = before - (float(output[at]) if at < output.size else 0.0)
            self._n_smoothed = 0
        n = min(self._smooth.size - self._n_smoothed, output.size - at)
        if n > 0:
            output[at : at + n] += self._step * self._smooth[self._n_smoothed : self._n_smoothed + n]
            self._n_smoothed += n

    def _call_back(self, output: Any, n_frames: int, _time: object, _status: object) -> None:
        output[:, 0] = self.play(n_frames)


def load_library(load: Callable[[str], ModuleType] = importlib.import_module) -> ModuleType:
    """The library for sound devices, loaded when it is wanted first.

    Raises
    ------
    SinkError
        With what to install.
    """
    try:
        return load("sounddevice")
    except ImportError as exc:
        raise SinkError("no sound: the package sounddevice is not installed; run pip install sounddevice") from exc
    except OSError as exc:
        raise SinkError(
            "no sound: the library PortAudio is missing; install it (Debian, Ubuntu: apt install libportaudio2)"
        ) from exc


def describe_device(library: ModuleType | Any, device: str | None = None) -> str:
    """Name and rate of the device that would be used.

    Raises
    ------
    SinkError
        When there is none.
    """
    about = _find_device(library, device)
    return f"{about['name']}, {float(about['default_samplerate']):.0f} Hz"


def _find_device(library: ModuleType | Any, device: str | None) -> dict[str, Any]:
    try:
        about: dict[str, Any] = dict(library.query_devices(device, "output"))
    except (library.PortAudioError, ValueError) as exc:
        what = f"no sound device has {device!r} in its name" if device else "there is no sound device"
        raise SinkError(f"no sound: {what}; plug one in, or choose another with sound.device in the profile") from exc
    return about


def _one_line(exc: Exception) -> str:
    return " ".join(str(exc).split()) or type(exc).__name__
