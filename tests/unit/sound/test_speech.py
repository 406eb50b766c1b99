"""Figures in spoken words."""

import importlib.util
import io
import shutil
import sys
import threading
import wave
from pathlib import Path

import numpy as np
import pytest

from acq.records import FloatArray, GuardVerdict, OutputState
from acq.sound import speech
from acq.sound.condition import SoundState
from acq.sound.sinks import SinkError
from acq.sound.speech import (
    ProgramVoice,
    Speaker,
    SystemVoice,
    choose_voice,
    figures_in_words,
    number_in_words,
    plain_words,
    read_speech,
)


@pytest.mark.parametrize(
    ("value", "decimals", "words"),
    [
        (0.0, 0, "zero"),
        (17.4, 0, "seventeen"),
        (20.0, 0, "twenty"),
        (42.0, 0, "forty two"),
        (105.0, 0, "one hundred five"),
        (999.0, 0, "nine hundred ninety nine"),
        (2.1, 2, "two point one"),
        (2.15, 2, "two point one five"),
        (3.0, 2, "three"),
        (0.05, 2, "zero point zero five"),
    ],
)
def test_numbers_are_said_shortly(value: float, decimals: int, words: str) -> None:
    assert number_in_words(value, decimals=decimals) == words


def test_what_is_no_such_number_is_refused() -> None:
    for value in (-1.0, 1000.0):
        with pytest.raises(ValueError, match="value must be from 0"):
            number_in_words(value)


def test_a_moment_in_words() -> None:
    one = SoundState(verdict=GuardVerdict.ASSURED, intensity_ma=2.1, jitter_us=((3, 17.2),))
    assert figures_in_words(one) == "assured, two point one milliampere, jitter seventeen"
    two = SoundState(intensity_ma=1.0, jitter_us=((1, 17.2), (2, 35.0), (4, 5000.0)))
    assert figures_in_words(two) == "one milliampere, jitter fibre one seventeen, fibre two thirty five"
    assert figures_in_words(SoundState(output=OutputState.AT_REST)) == ""


def test_sentences_are_made_readable() -> None:
    assert plain_words("jitter 17 µs\n(15–19) at 2.1 mA, θ 1.6 mA") == (
        "jitter 17 microseconds (15 to 19) at 2.1 milliampere, threshold 1.6 milliampere"
    )
    assert plain_words("Camera, Hz") == "Camera, hertz"
    long = plain_words("word " * 100)
    assert len(long) <= 120
    assert long.endswith("word")


class Voice:
    def __init__(self, *, fails: bool = False) -> None:
        self.said: list[str] = []
        self.fails = fails
        self.may_go_on = threading.Event()
        self.is_busy = threading.Event()

    def speak(self, sentence: str) -> tuple[FloatArray, float] | None:
        self.is_busy.set()
        self.may_go_on.wait(10.0)
        if self.fails:
            raise SinkError("no spoken figures: there is no voice")
        self.said.append(sentence)
        return 0.5 * np.sin(np.arange(2205) * 0.1), 22_050.0

    def close(self) -> None:
        self.may_go_on.set()


def test_the_newest_is_said_and_the_caller_waits_for_nothing() -> None:
    voice, given, changed = Voice(), [], threading.Event()

    def take(samples: FloatArray) -> None:
        given.append(samples)
        if len(given) == 2:
            changed.set()

    with Speaker(take, rate_hz=48_000, on_message=pytest.fail, voice=voice) as speaker:
        speaker.say("one")
        assert voice.is_busy.wait(10.0)
        for word in ("two", "three", "four"):
            speaker.say(word)
        voice.may_go_on.set()
        assert changed.wait(10.0)
    assert voice.said == ["one", "four"]
    assert given[0].size == pytest.approx(4800, abs=2)
    assert np.max(np.abs(given[0])) == pytest.approx(1.0)


def test_a_missing_voice_is_told_once() -> None:
    messages: list[str] = []
    speaker = Speaker(
        pytest.fail, rate_hz=48_000, on_message=messages.append, voice=Voice(fails=True), is_threaded=False
    )
    speaker._voice.may_go_on.set()
    speaker.say("one")
    speaker.say("two")
    speaker.close()
    assert messages == ["no spoken figures: there is no voice"]


def test_a_voice_that_cannot_start_says_what_to_install(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    # The voice's own process, without its library.
    (tmp_path / "voice.py").write_text("import sys\nsys.exit(3)\n")
    monkeypatch.setattr(speech, "__file__", str(tmp_path / "speech.py"))
    voice = SystemVoice()
    with pytest.raises(SinkError, match="pip install pyttsx3"):
        voice.speak("one")
    voice.close()


def test_a_voice_that_hangs_is_ended(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "voice.py").write_text("import time\ntime.sleep(600)\n")
    monkeypatch.setattr(speech, "__file__", str(tmp_path / "speech.py"))
    monkeypatch.setattr(speech, "_LONGEST_S", 0.5)
    with pytest.raises(SinkError, match="the voice has failed"):
        SystemVoice().speak("one")


def test_what_is_no_wave_is_none() -> None:
    assert read_speech(b"FORM....AIFF") is None
    assert read_speech(b"") is None
    content = io.BytesIO()
    with wave.open(content, "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(8000)
        file.writeframes(np.array([16384, 0, -16384, 0], dtype="<i2").tobytes())
    read = read_speech(content.getvalue())
    assert read is not None
    np.testing.assert_allclose(read[0], [0.25, -0.25])
    assert read[1] == 8000.0
    # In a pipe the length in the header may be the largest there is, and the end may be missing.
    cut = bytearray(content.getvalue()[:-2])
    cut[40:44] = (0x7FFFFFFE).to_bytes(4, "little")
    read = read_speech(bytes(cut))
    assert read is not None
    np.testing.assert_allclose(read[0], [0.25])


def says_something(made: tuple[FloatArray, float] | None) -> bool:
    assert made is not None
    samples, rate_hz = made
    return 1.0 < samples.size / rate_hz < 6.0 and float(np.std(samples)) > 0.01


@pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="apt install espeak-ng")
def test_the_program_speaks() -> None:
    voice = choose_voice()
    assert isinstance(voice, ProgramVoice)
    assert says_something(voice.speak("two point one milliampere, jitter seventeen"))
    voice.close()


def test_a_program_that_fails_is_told_once() -> None:
    messages: list[str] = []
    voice = ProgramVoice("/there/is/none")
    speaker = Speaker(pytest.fail, rate_hz=48_000, on_message=messages.append, voice=voice, is_threaded=False)
    speaker.say("one")
    speaker.say("two")
    assert len(messages) == 1
    assert messages[0].startswith("no spoken figures: ")


def is_missing() -> bool:
    if importlib.util.find_spec("pyttsx3") is None:
        return True
    return sys.platform.startswith("linux") and shutil.which("espeak-ng") is None


@pytest.mark.skipif(is_missing(), reason="pip install pyttsx3; Debian, Ubuntu: apt install espeak-ng")
def test_the_voice_of_the_system_speaks_sentence_after_sentence() -> None:
    voice = SystemVoice()
    try:
        for sentence in ("two point one milliampere, jitter seventeen", "the threshold is lost, raise the intensity"):
            assert says_something(voice.speak(sentence))
    finally:
        voice.close()
