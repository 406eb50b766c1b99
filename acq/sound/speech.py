"""Figures in spoken words, made by a voice in a process of its own: espeak-ng where it is installed, else pyttsx3."""

from __future__ import annotations

import contextlib
import io
import shutil
import subprocess
import sys
import tempfile
import threading
import wave
from collections.abc import Callable
from math import gcd
from pathlib import Path
from types import TracebackType
from typing import IO, Final, Protocol, Self

import numpy as np

from acq.records import FloatArray
from acq.sound.condition import SoundState
from acq.sound.sinks import SinkError

__all__ = [
    "ProgramVoice",
    "Speaker",
    "SystemVoice",
    "Voice",
    "choose_voice",
    "figures_in_words",
    "number_in_words",
    "plain_words",
    "read_speech",
]

_DIGITS: Final = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS: Final = (
    "ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen",
)  # fmt: skip
_TENS: Final = ("", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
_IN_WORDS_BELOW: Final = 1_000
_IN_WORDS: Final = {
    "mA": "milliampere",
    "µs": "microseconds",
    "ms": "milliseconds",
    "Hz": "hertz",
    "%": "percent",
    "θ": "threshold",
    "µV": "microvolt",
    "–": " to ",
    "±": " plus or minus ",
}
_LONGEST_SENTENCE: Final = 120  # characters; nobody listens to more
_LONGEST_S: Final = 5.0  # for a voice to make a sentence; it takes a tenth of that
_WORDS_A_MINUTE: Final = 170
_PROGRAM: Final = "espeak-ng"
_MISSING_STATUS: Final = 3  # how the voice's process says that it has no voice


def number_in_words(value: float, *, decimals: int = 0) -> str:
    """A number as it is said: 2.15 → "two point one five"; zeros at the end are left out.

    Raises
    ------
    ValueError
        When it is negative, or a thousand and more.
    """
    text = f"{value:.{decimals}f}"
    whole, _, fraction = text.partition(".")
    if value < 0 or int(whole) >= _IN_WORDS_BELOW:
        raise ValueError(f"value must be from 0 to below {_IN_WORDS_BELOW}, got {value}")
    fraction = fraction.rstrip("0")
    words = _whole_in_words(int(whole))
    return f"{words} point {' '.join(_DIGITS[int(digit)] for digit in fraction)}" if fraction else words


def _whole_in_words(number: int) -> str:
    hundreds, rest = divmod(number, 100)
    words = [f"{_DIGITS[hundreds]} hundred"] if hundreds else []
    if rest >= 20:
        tens, ones = divmod(rest, 10)
        words.append(_TENS[tens] + (f" {_DIGITS[ones]}" if ones else ""))
    elif rest >= 10:
        words.append(_TEENS[rest - 10])
    elif rest or not words:
        words.append(_DIGITS[rest])
    return " ".join(words)


def figures_in_words(state: SoundState) -> str:
    """What is said of a moment: verdict, intensity and jitter; empty where there is nothing to say.

    With one fibre "assured, two point one milliampere, jitter seventeen", with several each under its number.
    """
    words = [str(state.verdict)] if state.verdict is not None else []
    if state.intensity_ma > 0:
        words.append(f"{number_in_words(state.intensity_ma, decimals=2)} milliampere")
    known = [(fibre, jitter_us) for fibre, jitter_us in state.jitter_us if 0 <= jitter_us < _IN_WORDS_BELOW - 1]
    if len(known) == 1:
        words.append(f"jitter {number_in_words(known[0][1])}")
    elif known:
        each = [f"fibre {number_in_words(fibre)} {number_in_words(jitter_us)}" for fibre, jitter_us in known]
        words.append(f"jitter {', '.join(each)}")
    return ", ".join(words)


def plain_words(sentence: str) -> str:
    """A sentence as a voice can read it: units in words, one line, not long, nothing but letters and signs."""
    text = " ".join(sentence.split())
    if len(text) > _LONGEST_SENTENCE:
        text = text[:_LONGEST_SENTENCE].rpartition(" ")[0] or text[:_LONGEST_SENTENCE]
    words = []
    for word in text.split(" "):
        core = word.rstrip(".,;:?!)")
        words.append(_IN_WORDS.get(core, core) + word[len(core) :])
    text = " ".join(words)
    for sign, said in _IN_WORDS.items():
        if not sign.isalpha():
            text = text.replace(sign, f" {said} ")
    return " ".join("".join(one if one.isascii() and one.isprintable() else " " for one in text).split())


class Voice(Protocol):
    """Makes speech of a sentence; called in one thread."""

    def speak(self, sentence: str) -> tuple[FloatArray, float] | None:
        """Samples within ±1 and their rate; None where it has been said already, or cannot be.

        Raises
        ------
        SinkError
            When there is no voice, with what to install.
        """
        ...

    def close(self) -> None:
        """End it. Idempotent."""
        ...


def choose_voice() -> Voice:
    """The voice of this computer."""
    program = shutil.which(_PROGRAM)
    return ProgramVoice(program) if program is not None else SystemVoice()


class ProgramVoice:
    """The program espeak-ng, run for each sentence."""

    def __init__(self, program: str) -> None:
        self._program = program

    def speak(self, sentence: str) -> tuple[FloatArray, float] | None:
        """See `Voice`."""
        made = subprocess.run(  # noqa: S603 - the program found on the path, the sentence as its input
            [self._program, "--stdout", "-s", str(_WORDS_A_MINUTE), "--stdin"],
            input=plain_words(sentence).encode("ascii"),
            capture_output=True,
            timeout=_LONGEST_S,
            check=True,
        )
        return read_speech(made.stdout)

    def close(self) -> None:
        """See `Voice`."""


class SystemVoice:
    """The voice of the system through the package pyttsx3, in a process of its own.

    What makes it writes to the standard output, wants the main thread on some systems, and may hang.
    """

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    def speak(self, sentence: str) -> tuple[FloatArray, float] | None:
        """See `Voice`."""
        if self._process is None:
            self._folder = tempfile.TemporaryDirectory(prefix="voice", ignore_cleanup_errors=True)
            # By its path: the package has more to load than a voice needs.
            self._process = subprocess.Popen(  # noqa: S603 - our own file, by the interpreter that runs
                [sys.executable, "-P", str(Path(__file__).with_name("voice.py")), self._folder.name],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                encoding="ascii",
            )
        process = self._process
        # One that hangs is ended, which ends the reading as well.
        watch = threading.Timer(_LONGEST_S, process.kill)
        watch.daemon = True
        watch.start()
        try:
            answer = _ask(process.stdin, process.stdout, plain_words(sentence))
        finally:
            watch.cancel()
        if answer:
            return _read_file(Path(answer)) if answer != "said" else None
        status = process.wait(_LONGEST_S)
        self.close()
        if status == _MISSING_STATUS:
            raise SinkError(
                "no spoken figures: there is no voice; run pip install pyttsx3 (Windows, macOS) or install espeak-ng "
                "(Debian, Ubuntu: apt install espeak-ng)"
            )
        raise SinkError("no spoken figures: the voice has failed; the study goes on without it")

    def close(self) -> None:
        """See `Voice`."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()
            for stream in (process.stdin, process.stdout):
                if stream is not None:
                    with contextlib.suppress(OSError):
                        stream.close()
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None


def _ask(to: IO[str] | None, back: IO[str] | None, sentence: str) -> str:
    if to is None or back is None:
        return ""
    try:
        to.write(sentence + "\n")
        to.flush()
    except OSError:
        return ""
    return back.readline().strip()


def _read_file(path: Path) -> tuple[FloatArray, float] | None:
    """What a voice has written; the file is deleted."""
    try:
        return read_speech(path.read_bytes())
    except OSError:
        return None
    finally:
        with contextlib.suppress(OSError):
            path.unlink()


def read_speech(content: bytes) -> tuple[FloatArray, float] | None:
    """Samples within ±1 of a WAV file of 16 bits, (n,), and their rate; None where it is none."""
    try:
        with wave.open(io.BytesIO(content), "rb") as file:
            if file.getsampwidth() != 2:
                return None
            n_channels, rate_hz = file.getnchannels(), float(file.getframerate())
            # Written into a pipe, its length may not be known; what is there is read.
            raw = file.readframes(min(file.getnframes(), len(content)))
    except (EOFError, wave.Error):
        return None
    frames = np.frombuffer(raw[: len(raw) - len(raw) % (2 * n_channels)], dtype="<i2")
    return frames.reshape(-1, n_channels).mean(axis=1) / 32_768.0, rate_hz


class Speaker:
    """Says the newest of what it is asked to say; what it has no time for is left out. Any thread may ask.

    Parameters
    ----------
    give : callable
        Takes speech at the rate of the sound, (n,) within ±1; in the speaker's thread, or where there is none in the
        caller's.
    rate_hz : int
        Of the sound.
    on_message : callable
        Told once, when there is no voice.
    voice : Voice, optional
    is_threaded : bool
        False where time is virtual: `say` returns when the words are there.
    """

    def __init__(
        self,
        give: Callable[[FloatArray], None],
        *,
        rate_hz: int,
        on_message: Callable[[str], None],
        voice: Voice | None = None,
        is_threaded: bool = True,
    ) -> None:
        self._give, self._rate_hz, self._on_message = give, rate_hz, on_message
        self._voice: Voice = choose_voice() if voice is None else voice
        self._is_mute = False
        self._changed = threading.Condition()
        self._next: str | None = None
        self._is_ending = False
        self._thread = threading.Thread(target=self._run, name="speech", daemon=True) if is_threaded else None
        if self._thread is not None:
            self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def say(self, sentence: str) -> None:
        """Say it as soon as what is being said is over."""
        if not sentence or self._is_mute:
            return
        if self._thread is None:
            self._speak(sentence)
            return
        with self._changed:
            self._next = sentence
            self._changed.notify()

    def close(self) -> None:
        """Say nothing more. Idempotent."""
        with self._changed:
            self._is_ending = True
            self._changed.notify()
        self._voice.close()  # also ends what hangs in it
        if self._thread is not None:
            self._thread.join(timeout=1.0)

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._is_ending or self._next is not None)
                if self._is_ending or self._next is None:
                    return
                sentence, self._next = self._next, None
            self._speak(sentence)
            if self._is_mute:
                return

    def _speak(self, sentence: str) -> None:
        try:
            made = self._voice.speak(sentence)
        except SinkError as exc:
            self._fall_silent(str(exc))
            return
        except (OSError, ValueError, subprocess.SubprocessError) as exc:
            self._fall_silent(f"no spoken figures: the voice has failed ({' '.join(str(exc).split())})")
            return
        if made is not None:
            self._give(_fit(*made, rate_hz=self._rate_hz))

    def _fall_silent(self, why: str) -> None:
        self._is_mute = True
        if not self._is_ending:
            self._on_message(why)


def _fit(samples: FloatArray, from_hz: float, *, rate_hz: int) -> FloatArray:
    """At the rate of the sound, and with the same peak whichever voice speaks."""
    from scipy import signal  # here: half a second, and most studies have no sound

    shared = gcd(rate_hz, round(from_hz))
    fitted = signal.resample_poly(samples, rate_hz // shared, round(from_hz) // shared) if samples.size else samples
    peak = float(np.max(np.abs(fitted), initial=0.0))
    scaled: FloatArray = fitted / peak if peak > 0 else fitted
    return scaled
