"""The sound of a study: nothing of it holds the study up, and whatever fails, the study goes on."""

import threading
import wave
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from acq.clock import VirtualClock
from acq.display import EngineSnapshot, FibreSnapshot, Prompt
from acq.errors import ConfigurationError
from acq.records import FloatArray, GuardVerdict, OutputState
from acq.sound import Sound, SoundSettings, SoundState, choose_settings, state_of, try_device
from acq.sound.needle import NeedleVoice
from acq.sound.sinks import DeviceSink, NullSink, SinkError, WavSink, load_library
from acq.sound.tones import Cue, render_tone
from acq.stream.ring import RingBuffer, RingSamples
from hardware_profiles import SoundSection

RATE_HZ = 50_000
DELIVERING = OutputState.DELIVERING


class Samples:
    """A ring of which whatever is asked for is a copy."""

    def __init__(self) -> None:
        self.ring = RingBuffer(3, 10 * RATE_HZ)

    @property
    def next_sample(self) -> int:
        return self.ring.next_sample

    @property
    def oldest_sample(self) -> int:
        return self.ring.oldest_sample

    def peek(self, first_sample: int, n_samples: int) -> RingSamples:
        return self.ring.peek(first_sample, n_samples)

    def add(self, needle_uv: FloatArray) -> None:
        block = np.zeros((3, needle_uv.size))
        block[0] = needle_uv
        self.ring.write(block, self.ring.next_sample)


class Kept(NullSink):
    """Keeps what it is given."""

    def __init__(self, *, fails_after: int = 10**9) -> None:
        super().__init__()
        self.pieces: list[FloatArray] = []
        self.n_hushed = 0
        self.is_closed = False
        self._left = fails_after

    def write(self, samples: FloatArray) -> None:
        self._left -= 1
        if self._left < 0:
            raise SinkError("the sound device has gone: the study goes on in silence")
        self.pieces.append(samples)

    def hush(self) -> None:
        self.n_hushed += 1

    def close(self) -> None:
        self.is_closed = True

    @property
    def heard(self) -> FloatArray:
        return np.concatenate([np.zeros(0), *self.pieces])


def virtual(sink: Callable[[], object], source: Samples, messages: list[str], **kw: object) -> Sound:
    settings = SoundSettings(needle=1.0, tones=1.0, sink="device", is_asked=True, **kw)
    return Sound(
        settings,
        source=source,
        sample_rate_hz=RATE_HZ,
        is_virtual_time=True,
        on_message=messages.append,
        open_sink=sink,
        voice=Words(),
    )


class Words:
    """A voice whose words are as long as their letters."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def speak(self, sentence: str) -> tuple[FloatArray, float] | None:
        self.said.append(sentence)
        return np.full(10 * len(sentence), 0.1), 22_050.0

    def close(self) -> None:
        pass


def noise(n: int, seed: int = 1) -> FloatArray:
    values: FloatArray = np.random.default_rng(seed).normal(0.0, 100.0, n)
    return values


# ---- virtual time ----------------------------------------------------------------------------------------------------


def test_a_file_is_as_long_as_the_study_and_holds_what_was_at_the_needle(tmp_path: Path) -> None:
    path, source, messages = tmp_path / "study.wav", Samples(), []
    sound = Sound(
        SoundSettings(needle=1.0, tones=1.0, sink=str(path)),
        source=source,
        sample_rate_hz=RATE_HZ,
        is_virtual_time=True,
        on_message=messages.append,
    )
    sound.start()
    needle = noise(3 * RATE_HZ)
    for block in np.split(needle, 60):
        source.add(block)
        sound.turn()
    sound.close()
    sound.close()
    with wave.open(str(path), "rb") as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, 48_000)
        assert file.getnframes() == 3 * 48_000
        heard = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2") / 32_767
    whole = np.zeros((3, needle.size))
    whole[0] = needle
    expected = 0.35 * NeedleVoice(sample_rate_hz=RATE_HZ, rate_hz=48_000).process(whole)
    np.testing.assert_allclose(heard[: expected.size], expected, atol=1 / 32_767)
    assert messages == []


def test_two_runs_of_the_same_study_give_the_same_sound() -> None:
    def run() -> FloatArray:
        source, sink = Samples(), Kept()
        sound = virtual(lambda: sink, source, [], spoken=True, spoken_every_s=0.5)
        sound.start()
        for number, block in enumerate(np.split(noise(2 * RATE_HZ), 40)):
            verdict = GuardVerdict.LOST if number > 20 else GuardVerdict.ASSURED
            sound.note(SoundState(output=DELIVERING, verdict=verdict, intensity_ma=2.1, jitter_us=((1, 17.0),)))
            source.add(block)
            sound.turn()
        sound.close()
        return sink.heard

    assert np.array_equal(run(), run())


def test_a_tone_begins_with_the_first_sample_after_it_was_told() -> None:
    source, sink = Samples(), Kept()
    sound = virtual(lambda: sink, source, [])
    sound.start()
    sound.note(SoundState(output=DELIVERING))
    source.add(np.zeros(RATE_HZ))
    sound.turn()
    before = sink.heard.size
    sound.note(SoundState(output=DELIVERING, verdict=GuardVerdict.LOST))
    source.add(np.zeros(RATE_HZ))
    sound.turn()
    tone = render_tone(Cue.LOST, rate_hz=48_000)
    np.testing.assert_allclose(sink.heard[before : before + tone.size], 0.25 * tone, atol=1e-9)
    assert not sink.heard[:before].any()


def test_mute_silences_from_the_next_sample_and_the_sound_comes_back() -> None:
    source, sink = Samples(), Kept()
    sound = virtual(lambda: sink, source, [])
    sound.start()
    source.add(noise(5000))
    sound.turn()
    sound.mute()
    assert sound.is_muted
    assert sink.n_hushed == 1
    n = len(sink.pieces)
    source.add(noise(RATE_HZ))
    sound.turn()
    muted = np.concatenate(sink.pieces[n:])
    assert np.max(np.abs(muted[240:])) == 0.0
    sound.mute(False)
    source.add(noise(RATE_HZ))
    sound.turn()
    assert np.std(sink.pieces[-1]) > 0.01


def test_volumes_act_and_are_refused_outside_their_range() -> None:
    source, sink = Samples(), Kept()
    sound = virtual(lambda: sink, source, [])
    sound.start()
    levels = []
    for volume in (1.0, 0.5, 0.0):
        sound.set_volume(needle=volume)
        source.add(noise(RATE_HZ))
        sound.turn()
        levels.append(np.std(sink.pieces[-1]))
    assert levels[1] == pytest.approx(levels[0] / 4, rel=0.03)
    assert levels[2] == 0.0
    assert sound.needle_volume == 0.0
    for bad in (-0.1, 1.1, float("nan")):
        with pytest.raises(ValueError, match="needle must be from 0 to 1"):
            sound.set_volume(needle=bad)
        with pytest.raises(ValueError, match="tones must be from 0 to 1"):
            SoundSettings(tones=bad)


def test_off_takes_nothing_and_opens_nothing() -> None:
    source, messages = Samples(), []
    sound = Sound(
        SoundSettings(),
        source=source,
        sample_rate_hz=RATE_HZ,
        is_virtual_time=False,
        on_message=messages.append,
        open_sink=lambda: pytest.fail("opened"),
    )
    sound.start()
    sound.note(SoundState())
    sound.turn()
    sound.close()
    assert not sound.is_on
    assert messages == []


# ---- failures --------------------------------------------------------------------------------------------------------


def test_a_device_that_goes_is_told_once_and_the_study_goes_on() -> None:
    source, sink, messages = Samples(), Kept(fails_after=3), []
    sound = virtual(lambda: sink, source, messages)
    sound.start()
    for _ in range(10):
        source.add(noise(1000))
        sound.turn()
    assert messages == ["the sound device has gone: the study goes on in silence"]
    assert sink.is_closed
    assert not sound.is_on
    sound.mute()
    sound.close()
    assert len(messages) == 1


def test_whatever_fails_in_the_sound_it_is_told_once_and_nothing_else() -> None:
    messages: list[str] = []
    source = Samples()

    def fail() -> NullSink:
        raise RuntimeError("never seen before")

    sound = virtual(fail, source, messages)
    sound.start()
    source.add(noise(1000))
    sound.turn()
    sound.close()
    assert messages == ["the sound has failed (RuntimeError: never seen before); the study goes on in silence"]


@pytest.mark.parametrize(("is_asked", "n_messages"), [(True, 1), (False, 0)])
def test_that_there_is_no_device_is_said_where_somebody_counts_on_it(is_asked: bool, n_messages: int) -> None:
    messages: list[str] = []

    def none() -> NullSink:
        raise SinkError("no sound: there is no sound device")

    sound = Sound(
        SoundSettings(sink="device", is_asked=is_asked),
        source=Samples(),
        sample_rate_hz=RATE_HZ,
        is_virtual_time=True,
        on_message=messages.append,
        open_sink=none,
    )
    sound.start()
    sound.close()
    assert len(messages) == n_messages


def test_what_is_missing_is_said_with_what_to_install() -> None:
    def absent(_name: str) -> object:
        raise ImportError

    def without_library(_name: str) -> object:
        raise OSError

    with pytest.raises(SinkError, match="pip install sounddevice"):
        load_library(absent)
    with pytest.raises(SinkError, match="apt install libportaudio2"):
        load_library(without_library)
    assert "\n" not in try_device()


def test_a_file_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"mine")
    with pytest.raises(SinkError, match="exists already"):
        WavSink(path)
    with pytest.raises(SinkError, match="cannot be written"):
        WavSink(tmp_path / "absent" / "a.wav")
    assert path.read_bytes() == b"mine"


def test_a_file_is_right_also_when_the_program_is_killed(tmp_path: Path) -> None:
    sink = WavSink(tmp_path / "a.wav")
    sink.write(np.full(1000, 0.5))
    sink.write(np.full(1000, -0.5))
    sink._file.flush()
    with wave.open(str(tmp_path / "a.wav"), "rb") as file:
        assert file.getnframes() == 2000
    sink.close()
    sink.close()


# ---- real time -------------------------------------------------------------------------------------------------------


class Bell(Kept):
    """Lets a test wait for what is written by another thread."""

    def __init__(self) -> None:
        super().__init__()
        self.changed = threading.Condition()

    def write(self, samples: FloatArray) -> None:
        with self.changed:
            super().write(samples)
            self.changed.notify_all()

    def wait_for(self, n: int) -> bool:
        with self.changed:
            return self.changed.wait_for(lambda: self.heard.size >= n, 10.0)


def test_in_real_time_a_thread_of_its_own_takes_the_samples() -> None:
    source, sink, clock = Samples(), Bell(), VirtualClock()
    settings = SoundSettings(needle=1.0, sink="device")
    sound = Sound(
        settings,
        source=source,
        sample_rate_hz=RATE_HZ,
        is_virtual_time=False,
        on_message=pytest.fail,
        open_sink=lambda: sink,
        clock=clock,
    )
    sound.start()
    source.add(noise(10_000))
    assert sink.wait_for(9_500)
    sound.turn()  # nothing in real time
    sound.close()
    assert sink.is_closed
    assert not any(thread.name == "sound" for thread in threading.enumerate())


def test_the_tones_go_on_when_the_samples_stay_away() -> None:
    # That the samples stay away latches the output off, and that has to be heard.
    source, sink, clock = Samples(), Bell(), VirtualClock()
    sound = Sound(
        SoundSettings(tones=1.0, sink="device"),
        source=source,
        sample_rate_hz=RATE_HZ,
        is_virtual_time=False,
        on_message=pytest.fail,
        open_sink=lambda: sink,
        clock=clock,
    )
    sound._open()
    sound.note(SoundState(output=OutputState.LATCHED_OFF))
    for _ in range(40):
        clock.sleep_s(0.05)
        sound._advance()
    tone = 0.25 * render_tone(Cue.LATCHED_OFF, rate_hz=48_000)
    heard = sink.heard
    # All the time but the tenth of a second after which the samples count as missing.
    assert heard.size == pytest.approx(1.9 * 48_000, abs=2)
    np.testing.assert_allclose(heard[: tone.size], tone, atol=1e-12)
    # And the needle is heard again when they are back.
    source.add(noise(RATE_HZ // 10))
    sound._advance()
    sound.close()
    assert np.std(sink.pieces[-1]) > 0.001


def test_old_sound_is_left_out() -> None:
    source, sink, clock = Samples(), Bell(), VirtualClock()
    sound = Sound(
        SoundSettings(needle=1.0, sink="device"),
        source=source,
        sample_rate_hz=RATE_HZ,
        is_virtual_time=False,
        on_message=pytest.fail,
        open_sink=lambda: sink,
        clock=clock,
    )
    sound._next = 0
    sound._open()
    source.add(noise(5 * RATE_HZ))
    sound._advance()
    assert 0 < sink.heard.size < 0.1 * 48_000
    sound.close()


# ---- a sound device --------------------------------------------------------------------------------------------------


class Library:
    """What stands for the library of sound devices."""

    class PortAudioError(Exception):
        pass

    def __init__(self, *, rate_hz: float = 48_000.0) -> None:
        self.stream = SimpleNamespace(active=True, start=lambda: None, close=lambda: None)
        self.rate_hz = rate_hz
        self.asked: dict[str, object] = {}
        self.OutputStream = self.open_stream

    def query_devices(self, device: str | None, _kind: str) -> dict[str, object]:
        if device == "absent":
            raise ValueError
        return {"name": "Loudspeaker", "index": 3, "default_samplerate": self.rate_hz}

    def open_stream(self, **asked: object) -> SimpleNamespace:
        self.asked = asked
        return self.stream


def test_a_device_is_opened_as_it_wants_to_be() -> None:
    library = Library(rate_hz=44_100.0)
    sink = DeviceSink(library=library)
    assert sink.rate_hz == 44_100
    assert (library.asked["samplerate"], library.asked["channels"], library.asked["device"]) == (44_100, 1, 3)
    with pytest.raises(SinkError, match="'absent'"):
        DeviceSink(library=library, device="absent")


def test_a_device_plays_what_waits_in_order_and_counts_when_it_ran_dry() -> None:
    sink = DeviceSink(library=Library())
    given = np.sin(np.arange(9600) * 0.05) * np.hanning(9600)
    assert not sink.play(480).any()  # nothing yet, and that is no underrun
    for block in np.split(given, 20):
        sink.write(block)
    heard = np.concatenate([sink.play(256) for _ in range(37)])
    np.testing.assert_allclose(heard, given[: heard.size], atol=1e-12)
    assert sink.n_underruns == 0
    sink.play(512)
    assert sink.n_underruns == 1
    sink.play(512)
    assert sink.n_underruns == 1


def test_neither_a_dry_queue_nor_a_full_one_nor_hushing_clicks() -> None:
    sink = DeviceSink(library=Library())
    rate, pieces = 48_000, []
    wave_of = 0.5 * np.cos(2 * np.pi * 200.0 * np.arange(rate) / rate)
    sink.write(wave_of[:4000])
    pieces += [sink.play(512) for _ in range(10)]  # runs dry at a crest
    for block in np.split(wave_of[:24_000], 50):
        sink.write(block)  # twice what is kept
    pieces += [sink.play(512) for _ in range(4)]
    sink.hush()
    hushed = [sink.play(512) for _ in range(2)]
    steepest = 0.5 * 2 * np.pi * 200.0 / rate + np.pi / 2 / (0.003 * rate)
    assert np.max(np.abs(np.diff(np.concatenate([*pieces, *hushed])))) < steepest
    # At once: 3 ms.
    assert not np.concatenate(hushed)[144:].any()
    assert sink.n_underruns == 1


def test_the_queue_is_bounded() -> None:
    sink = DeviceSink(library=Library())
    for _ in range(100):
        sink.write(np.zeros(960))
        assert sink._n_queued <= 0.25 * 48_000


@pytest.mark.parametrize("how", ["inactive", "raises", "hangs"])
def test_a_device_that_has_gone_is_noticed(how: str) -> None:
    library = Library()
    sink = DeviceSink(library=library)
    sink.write(np.zeros(480))
    sink.play(0)
    if how == "inactive":
        library.stream.active = False
    elif how == "raises":

        class Gone:
            @property
            def active(self) -> bool:
                raise Library.PortAudioError

            def close(self) -> None:
                raise Library.PortAudioError

        sink._stream = Gone()
    # A device that hangs is noticed once it has fetched nothing for three seconds.
    for _ in range(300 if how == "hangs" else 0):
        sink.write(np.zeros(480))
    with pytest.raises(SinkError, match="Loudspeaker has gone"):
        sink.write(np.zeros(480))
    sink.close()
    sink.close()


# ---- what is asked for, and what is told -----------------------------------------------------------------------------


def choose(asked: str | None, *, is_attended: bool = True, is_virtual_time: bool = False, **section: object) -> str:
    return choose_settings(
        SoundSection(**section),
        asked=asked,
        is_attended=is_attended,
        is_virtual_time=is_virtual_time,
        is_simulated=True,
    ).sink


def test_the_profile_is_heard_where_somebody_is_there_and_the_command_line_goes_before_it(tmp_path: Path) -> None:
    assert choose(None) == "device"
    assert choose(None, is_attended=False) == "off"
    assert choose(None, is_virtual_time=True) == "off"
    assert choose(None, output="off") == "off"
    assert choose("off") == "off"
    assert choose("device", is_attended=False, output="off") == "device"
    assert choose(str(tmp_path / "a.wav"), is_virtual_time=True) == str(tmp_path / "a.wav")


def test_what_cannot_be_heard_is_refused_before_anything_begins(tmp_path: Path) -> None:
    (tmp_path / "b.wav").write_bytes(b"")
    for asked, part in (
        ("device", "real time"),
        ("a.mp3", "ends in .wav"),
        (str(tmp_path / "b.wav"), "exists already"),
        (str(tmp_path / "absent" / "c.wav"), "no such folder"),
    ):
        with pytest.raises(ConfigurationError, match=part):
            choose(asked, is_virtual_time=True)


def snapshot(**changed: object) -> EngineSnapshot:
    fibres = tuple(
        FibreSnapshot(
            fibre=number,
            latency_us=5000.0,
            amplitude_uv=500.0,
            rise_time_us=200.0,
            mcd_us=mcd_us,
            mcd_interval_us=(0.0, 0.0),
            mcd_noise_us=1.0,
            n_pairs=10,
            is_untested=False,
            n_admitted=10,
            n_responses=10,
            n_stimuli=10,
            blocking=(0.0, 0.0, 0.0),
            threshold_ma=None,
            threshold_interval_ma=None,
            margin_ma=None,
            margin_relative=None,
            margin_at_least_ma=0.0,
            verdict=verdict,
            sentence="",
        )
        for number, mcd_us, verdict in (
            (1, 17.0, GuardVerdict.ASSURED),
            (2, float("nan"), GuardVerdict.THIN),
            (3, 30.0, GuardVerdict.LOST),
        )
    )
    usual = {
        "state": DELIVERING,
        "latch_reason": None,
        "device": "",
        "is_simulated": True,
        "is_replay": False,
        "recording": 1,
        "elapsed_s": 1.0,
        "intensity_ma": 2.1,
        "delivered_ma": 2.1,
        "rate_hz": 10.0,
        "width_us": 100.0,
        "ceiling_ma": 10.0,
        "n_pulses": 1,
        "n_testing": 0,
        "n_rejected": 0,
        "samples_lost": 0,
        "noise_uv": 10.0,
        "procedure": "",
        "proposal_ma": None,
        "advice": "",
        "fibres": fibres,
        "messages": (),
        "study_path": "",
        "is_finished": False,
    }
    return EngineSnapshot(**(usual | changed))


def test_the_worst_of_the_wanted_fibres_is_told_and_only_while_it_is_about_what_is_given() -> None:
    assert state_of(snapshot()).verdict is GuardVerdict.LOST
    told = state_of(snapshot(), not_wanted={3}, n_over=2, over_text="done")
    assert told.verdict is GuardVerdict.THIN
    assert told.jitter_us == ((1, 17.0),)
    assert (told.n_over, told.over_text, told.intensity_ma) == (2, "done", 2.1)
    assert state_of(snapshot(), not_wanted={1, 2, 3}).verdict is None
    assert state_of(snapshot(is_scanning=True)).verdict is None
    assert state_of(snapshot(state=OutputState.AT_REST)).verdict is None
    asked = state_of(snapshot(prompt=Prompt(4, "Hold the arm straight", ())))
    assert (asked.prompt, asked.prompt_text) == (4, "Hold the arm straight")
