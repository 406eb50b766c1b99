"""Each tone is known by its pitch and by its rhythm, is quiet, begins and ends softly; the right one sounds."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.records import FloatArray, GuardVerdict, OutputState
from acq.sound.condition import SoundState, standing_cue, worst_verdict
from acq.sound.mixing import CEILING, Mixer
from acq.sound.schedule import ToneSchedule
from acq.sound.settings import SoundSettings
from acq.sound.tones import TONES, Cue, render_tone

RATE_HZ = 48_000
PAIRS = list(itertools.combinations(Cue, 2))
DELIVERING = OutputState.DELIVERING


def loudness(samples: FloatArray, *, step_s: float = 0.005) -> FloatArray:
    """RMS in steps, of the whole tone: its rhythm, without its pitch."""
    n = round(step_s * RATE_HZ)
    steps = samples[: samples.size // n * n].reshape(-1, n)
    rms: FloatArray = np.sqrt(np.mean(steps**2, axis=1))
    return rms


def find_notes(samples: FloatArray) -> list[tuple[float, float]]:
    """Beginning and length of each note, s."""
    is_on = np.concatenate(([False], loudness(samples) > 0.1 * np.max(loudness(samples)), [False]))
    edges = np.flatnonzero(np.diff(is_on.astype(int))) * 0.005
    return list(zip(edges[::2], np.diff(edges)[::2], strict=True))


def find_pitch_hz(samples: FloatArray) -> float:
    padded = np.zeros(1 << 18)
    padded[: samples.size] = samples
    return float(np.argmax(np.abs(np.fft.rfft(padded))) * RATE_HZ / padded.size)


def first_note(cue: Cue) -> FloatArray:
    return render_tone(cue, rate_hz=RATE_HZ)[: round(TONES[cue].notes[0].duration_s * RATE_HZ)]


@pytest.mark.parametrize("cue", Cue)
def test_the_spectrum_has_the_pitch(cue: Cue) -> None:
    assert find_pitch_hz(first_note(cue)) == pytest.approx(TONES[cue].notes[0].pitch_hz, rel=0.01)


@pytest.mark.parametrize(("one", "other"), PAIRS)
def test_two_tones_differ_in_pitch_by_more_than_half_a_semitone(one: Cue, other: Cue) -> None:
    ratio = find_pitch_hz(first_note(one)) / find_pitch_hz(first_note(other))
    assert abs(12 * math.log2(ratio)) > 0.5


@pytest.mark.parametrize(("one", "other"), PAIRS)
def test_two_tones_differ_in_rhythm_alone(one: Cue, other: Cue) -> None:
    # For who cannot tell pitches: other numbers of notes, or notes and pauses that differ by half and more.
    notes, others = (find_notes(render_tone(cue, rate_hz=RATE_HZ)) for cue in (one, other))
    if len(notes) != len(others):
        return
    times = np.array(
        [
            [
                *note,
            ]
            for note in notes
        ]
    )
    other_times = np.array(
        [
            [
                *note,
            ]
            for note in others
        ]
    )
    gaps, other_gaps = np.diff(times[:, 0]), np.diff(other_times[:, 0])
    ratios = np.concatenate((times[:, 1] / other_times[:, 1], gaps / other_gaps))
    assert np.max(np.abs(np.log2(ratios))) > 0.55, (notes, others)


@pytest.mark.parametrize("cue", Cue)
def test_a_tone_is_bounded_short_and_has_no_click(cue: Cue) -> None:
    samples = render_tone(cue, rate_hz=RATE_HZ)
    assert np.max(np.abs(samples)) <= TONES[cue].level <= 1.0
    assert samples.size / RATE_HZ < 1.3
    assert abs(samples[0]) < 1e-3
    assert abs(samples[-1]) < 1e-3
    # DER: no jump beyond the steepest slope of its sines, 2π f A summed over the harmonics.
    steepest = max(
        2 * math.pi * note.pitch_hz * (1 + 2 * 0.25 + 3 * 0.1) / 1.35 / RATE_HZ * TONES[cue].level
        for note in TONES[cue].notes
    )
    padded = np.concatenate(([0.0], samples, [0.0]))
    assert np.max(np.abs(np.diff(padded))) <= steepest


def test_lost_is_the_loudest_the_most_urgent_and_comes_again_soonest() -> None:
    others = [tone for cue, tone in TONES.items() if cue is not Cue.LOST]
    lost = TONES[Cue.LOST]
    assert lost.urgency > max(tone.urgency for tone in others)
    assert lost.repeat_s < min(tone.repeat_s for tone in others)
    assert lost.level >= max(tone.level for tone in others)
    assert math.isinf(TONES[Cue.ASSURED].repeat_s)


def test_at_its_usual_volume_a_tone_is_quiet() -> None:
    # Louder than -30 dB below full scale no tone is, on the average of its loudest 50 ms.
    settings = SoundSettings()
    for cue in Cue:
        mixer = Mixer(rate_hz=RATE_HZ, needle=settings.needle, tones=settings.tones)
        assert max(loudness(play(mixer, cue, 1.0), step_s=0.05)) < 10 ** (-30 / 20), cue


# ---- which, and when -------------------------------------------------------------------------------------------------


def state_for(cue: Cue) -> tuple[SoundState, SoundState]:
    """What is told before, and what makes the tone sound."""
    calm = SoundState(output=DELIVERING)
    verdicts = {
        Cue.ASSURED: GuardVerdict.ASSURED,
        Cue.THIN: GuardVerdict.THIN,
        Cue.LOST: GuardVerdict.LOST,
        Cue.UNTESTED: GuardVerdict.UNTESTED,
    }
    if cue in verdicts:
        return calm, SoundState(output=DELIVERING, verdict=verdicts[cue])
    return calm, {
        Cue.AT_REST: SoundState(output=OutputState.AT_REST),
        Cue.LATCHED_OFF: SoundState(output=OutputState.LATCHED_OFF),
        Cue.ASKED: SoundState(output=DELIVERING, prompt=1),
        Cue.OVER: SoundState(output=DELIVERING, n_over=1),
    }[cue]


def play(mixer: Mixer, cue: Cue, duration_s: float) -> FloatArray:
    for state in state_for(cue):
        mixer.note(state)
    return mixer.process(np.zeros(round(duration_s * RATE_HZ)))


@pytest.mark.parametrize("cue", Cue)
def test_a_change_is_heard_at_once_and_as_its_own_tone(cue: Cue) -> None:
    heard = play(Mixer(rate_hz=RATE_HZ, needle=1.0, tones=1.0), cue, 2.0)
    tone = render_tone(cue, rate_hz=RATE_HZ)
    np.testing.assert_allclose(heard[: tone.size], 0.25 * tone, atol=1e-12)


def starts(states: list[tuple[float, SoundState]], until_s: float) -> list[tuple[float, Cue]]:
    """Which tones begin, and when."""
    schedule = ToneSchedule(rate_hz=1000)
    found, waiting = [], list(states)
    for at in range(round(until_s * 1000)):
        while waiting and waiting[0][0] * 1000 <= at:
            schedule.note(waiting.pop(0)[1], at=at)
        cue = schedule.take(at)
        if cue is not None:
            found.append((at / 1000, cue))
    return found


def test_each_comes_again_at_its_own_pace() -> None:
    for cue in Cue:
        times = [at for at, one in starts([(0.0, state) for state in state_for(cue)], 61.0) if one is cue]
        expected = 1 if math.isinf(TONES[cue].repeat_s) else math.floor(61.0 / TONES[cue].repeat_s) + 1
        assert len(times) == expected, cue


def test_at_rest_at_the_beginning_of_a_study_is_no_news() -> None:
    assert starts([(0.0, SoundState())], 30.0) == []


def test_what_is_worse_breaks_in_and_what_is_better_waits_a_calm_second() -> None:
    thin, lost, assured = (
        SoundState(output=DELIVERING, verdict=verdict)
        for verdict in (GuardVerdict.THIN, GuardVerdict.LOST, GuardVerdict.ASSURED)
    )
    assert starts([(0.0, thin), (0.2, lost), (1.5, assured)], 20.0) == [
        (0.0, Cue.THIN),
        (0.2, Cue.LOST),
        (2.5, Cue.ASSURED),
    ]
    # Back and forth: that it is assured is not said before it stays so.
    wavering = [(0.5 * n, lost if n % 2 == 0 else assured) for n in range(20)]
    assert {cue for _, cue in starts(wavering, 10.0)} == {Cue.LOST}


def test_a_stop_is_heard_at_once_in_the_middle_of_a_warning() -> None:
    lost = SoundState(output=DELIVERING, verdict=GuardVerdict.LOST)
    assert starts([(0.0, lost), (0.3, SoundState())], 10.0) == [(0.0, Cue.LOST), (0.3, Cue.AT_REST)]


def test_a_question_waits_for_a_warning_and_each_is_said() -> None:
    lost = GuardVerdict.LOST
    lost_state = SoundState(output=DELIVERING, verdict=lost)
    asked = [SoundState(output=DELIVERING, verdict=lost, prompt=number) for number in (1, 2)]
    found = starts([(0.0, lost_state), (0.1, asked[0]), (2.0, asked[1])], 4.0)
    assert [cue for _, cue in found] == [Cue.LOST, Cue.ASKED, Cue.ASKED, Cue.LOST]
    lost_s = render_tone(Cue.LOST, rate_hz=1000).size / 1000
    assert found[1][0] > lost_s


@settings(max_examples=30)
@given(
    st.lists(
        st.tuples(
            st.floats(0.0, 5.0),
            st.sampled_from([*OutputState]),
            st.sampled_from([None, *GuardVerdict]),
            st.sampled_from([None, 1, 2]),
        ),
        max_size=10,
    ),
    st.lists(st.integers(1, 239_999), max_size=10),
)
def test_the_mix_is_the_same_however_it_is_cut_up(
    told: list[tuple[float, OutputState, GuardVerdict | None, int | None]], cuts: list[int]
) -> None:
    rng = np.random.default_rng(2)
    needle = np.clip(rng.normal(0.0, 0.3, 240_000), -1.0, 1.0)
    notes = {
        round(at_s * RATE_HZ): SoundState(output=output, verdict=verdict, prompt=prompt)
        for at_s, output, verdict, prompt in told
    }

    def run(extra: list[int]) -> FloatArray:
        mixer = Mixer(rate_hz=RATE_HZ, needle=0.5, tones=1.0)
        edges = sorted({0, 240_000, *(min(at, 240_000) for at in notes), *extra})
        pieces = []
        for first, stop in itertools.pairwise(edges):
            if first in notes:
                mixer.note(notes[first])
            pieces.append(mixer.process(needle[first:stop]))
        return np.concatenate(pieces)

    whole, cut = run([]), run(cuts)
    np.testing.assert_allclose(cut, whole, atol=1e-9)
    assert np.max(np.abs(whole)) <= CEILING < 1.0


def test_breaking_in_and_turning_down_leave_no_click() -> None:
    mixer = Mixer(rate_hz=RATE_HZ, needle=0.0, tones=1.0)
    pieces = [play(mixer, Cue.LATCHED_OFF, 0.123)]
    mixer.note(SoundState(output=DELIVERING, verdict=GuardVerdict.LOST))
    pieces.append(mixer.process(np.zeros(3000)))
    # What was broken into is gone after 5 ms.
    np.testing.assert_allclose(pieces[-1][240:], 0.25 * render_tone(Cue.LOST, rate_hz=RATE_HZ)[240:3000], atol=1e-9)
    mixer.set_volume(needle=0.0, tones=0.2)
    pieces.append(mixer.process(np.zeros(1500)))
    mixer.mute(True)
    muted = mixer.process(np.zeros(24_000))
    steepest = 2 * math.pi * 932.33 * 1.8 / 1.35 / RATE_HZ * 0.25
    # Two tones overlap for 5 ms, and a gain over 5 ms adds its own slope.
    assert np.max(np.abs(np.diff(np.concatenate([*pieces, muted])))) < 2 * steepest + 0.25 / 240
    # At once: 5 ms, after which there is nothing at all.
    assert np.max(np.abs(muted[240:])) == 0.0


def test_the_worst_is_said() -> None:
    assert worst_verdict([]) is None
    assert worst_verdict([GuardVerdict.ASSURED, GuardVerdict.UNTESTED]) is GuardVerdict.UNTESTED
    assert worst_verdict([*GuardVerdict]) is GuardVerdict.LOST
    assert standing_cue(SoundState(output=OutputState.LATCHED_OFF, verdict=GuardVerdict.LOST)) is Cue.LATCHED_OFF
    assert standing_cue(SoundState(output=DELIVERING)) is None
    assert standing_cue(SoundState(output=OutputState.AT_REST, verdict=GuardVerdict.LOST)) is Cue.AT_REST
    assert standing_cue(SoundState(output=OutputState.AT_REST, verdict=GuardVerdict.THIN, is_replay=True)) is Cue.THIN
    assert standing_cue(SoundState(output=OutputState.AT_REST, is_replay=True)) is None
