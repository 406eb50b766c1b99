"""What is heard of a study, over the engine: a WAV file in virtual time, muted and louder by key."""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
import pytest

from acq.acts import ActName, do_act
from acq.engine import Engine
from acq.sound import SoundSettings
from acq.unattended import scan_and_accept
from tests.procedure_runs import begun


def heard(path: Path) -> tuple[np.ndarray, int]:
    with wave.open(str(path)) as file:
        samples = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768.0
        return samples, file.getframerate()


def seconds(engine: Engine, duration_s: float) -> None:
    end_s = engine.elapsed_s + duration_s
    engine.run(lambda: engine.elapsed_s >= end_s)


def test_the_file_lasts_as_long_as_the_study_and_muted_is_silent(tmp_path: Path) -> None:
    path = tmp_path / "study.wav"
    with begun("single", seed=1) as (engine, _):
        engine.attach_sound(SoundSettings(sink=str(path)))
        assert scan_and_accept(engine, up_to_ma=None) is not None
        seconds(engine, 2.0)
        assert engine.make_snapshot().sound == "on"
        do_act(engine, ActName.SOUND)
        muted_s = engine.elapsed_s
        seconds(engine, 3.0)
        assert engine.make_snapshot().sound == "muted"
        do_act(engine, ActName.SOUND)
        on_s = engine.elapsed_s
        seconds(engine, 2.0)
        engine.finish()
        lasted_s = engine.elapsed_s
    samples, rate = heard(path)
    # A tone that sounds at the end is finished.
    assert lasted_s - 0.2 <= samples.size / rate <= lasted_s + 1.5
    assert np.abs(samples).max() <= 0.85
    silent = samples[int((muted_s + 0.5) * rate) : int((on_s - 0.2) * rate)]
    assert not silent.any()
    assert np.abs(samples[: int(muted_s * rate)]).max() > 0.005


def test_louder_and_quieter_stay_within_their_bounds(tmp_path: Path) -> None:
    with begun("single", seed=1) as (engine, _):
        engine.attach_sound(SoundSettings(sink=str(tmp_path / "one.wav"), needle=0.3, tones=0.95))
        do_act(engine, ActName.LOUDER)
        sound = engine.sound
        assert sound is not None
        assert (sound.needle_volume, sound.tone_volume) == (0.4, 1.0)
        for _ in range(12):
            do_act(engine, ActName.QUIETER)
        assert (sound.needle_volume, sound.tone_volume) == (0.0, 0.0)


@pytest.mark.parametrize("act", [ActName.SOUND, ActName.LOUDER, ActName.QUIETER, ActName.SAY])
def test_without_sound_the_keys_say_so(act: ActName) -> None:
    with begun("single", seed=1) as (engine, _):
        do_act(engine, act)
        seconds(engine, 0.2)
        assert "no sound" in engine.last_message
        assert engine.make_snapshot().sound == ""
