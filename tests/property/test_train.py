"""Whatever is asked of the train in whatever order, its pulses come in order, in time, and never too fast."""

import itertools
import math
from collections import deque
from dataclasses import dataclass

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from acq.errors import SafetyViolationError
from acq.records import Pulse, PulseKind
from acq.safety.limits import Limits
from acq.stimulus.test_pulses import TestPulsePolicy
from acq.stimulus.train import ConstantIntensity, Train
from acq.stimulus.waveform import render_waveform

MAX_RATE_HZ = 20.0
LIMITS = Limits(
    ceiling_ma=10.0,
    largest_step_ma=0.5,
    scan_ceiling_ma=5.0,
    max_width_us=200.0,
    max_rate_hz=MAX_RATE_HZ,
    max_charge_nc=1000.0,
)
REPEATABLE = settings.get_profile("repeatable")

# The last two are no whole multiple of the fastest rate: there rounding to the nearest sample would be too fast.
SAMPLE_RATES_HZ = st.sampled_from([20_000.0, 44_100.0, 50_000.0, 51_200.0, 50_003.0, 50_010.0])
RATES_HZ = st.sampled_from([1.0, 2.0, 5.0, 10.0, 15.0, 20.0]) | st.floats(0.1, MAX_RATE_HZ)
WIDTHS_US = st.sampled_from([20.0, 50.0, 100.0, 200.0])
KINDS = st.sampled_from(list(PulseKind))


@dataclass
class ScriptedPolicy:
    """Gives what a list says, over and over, and notes what it was asked."""

    script: list[tuple[float, PulseKind] | None]

    def __post_init__(self) -> None:
        self.asked: list[int] = []

    def next(self, index: int) -> tuple[float, PulseKind] | None:
        decision = self.script[len(self.asked) % len(self.script)]
        self.asked.append(index)
        return decision


SCRIPTS = st.lists(st.none() | st.tuples(st.floats(0.0, 10.0), KINDS), min_size=1, max_size=6)


class TrainMachine(RuleBasedStateMachine):
    """Calls of every kind in any order, against what the train was told last."""

    @initialize(
        sample_rate_hz=SAMPLE_RATES_HZ,
        rate_hz=RATES_HZ,
        width_us=WIDTHS_US,
        first_sample=st.integers(0, 100_000),
        first_index=st.integers(0, 1000),
        script=SCRIPTS,
    )
    def begin(
        self,
        sample_rate_hz: float,
        rate_hz: float,
        width_us: float,
        first_sample: int,
        first_index: int,
        script: list[tuple[float, PulseKind] | None],
    ) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.policy = ScriptedPolicy(script)
        self.rate_hz, self.width_us = rate_hz, width_us
        self.train = Train(
            sample_rate_hz=sample_rate_hz,
            rate_hz=rate_hz,
            width_us=width_us,
            policy=self.policy,
            limits=LIMITS,
            first_sample=first_sample,
            first_index=first_index,
        )
        self.first_index = first_index
        self.decided_to = first_sample  # nothing may come before it any more
        self.issued: list[Pulse] = []
        self.slot: int | None = None  # the newest moment decided on; None: the next one is free
        self.n_skipped = 0

    @property
    def period(self) -> int:
        return self.train.period_samples

    def _due(self) -> int:
        """The next moment, from the sentence "one period after the last one, and not before what is decided"."""
        due = self.decided_to if self.slot is None else max(self.slot + self.period, self.decided_to)
        if self.issued:  # a slot without a pulse may have been followed by a faster rate
            least = math.ceil(self.sample_rate_hz / MAX_RATE_HZ - 1e-6)
            due = max(due, self.issued[-1].onset_sample + least)
        return due

    def _issue(self, horizon: int, earliest: int | None) -> None:
        if earliest is not None and earliest > self.decided_to:
            self.n_skipped += len(range(self._due(), earliest, self.period))
            self.decided_to = earliest
        n_asked = len(self.policy.asked)
        pulses = self.train.pulses_until(horizon, earliest_sample=earliest)
        remaining = deque(pulses)
        while (due := self._due()) < horizon:
            decision = self.policy.script[n_asked % len(self.policy.script)]
            n_asked += 1
            self.slot = due
            if decision is None:
                continue
            pulse = remaining.popleft()
            assert pulse.onset_sample == due
            assert (pulse.commanded_ma, pulse.kind) == decision
            assert pulse.width_us == self.width_us
            assert pulse.index == self.first_index + len(self.issued)
            assert math.isnan(pulse.delivered_ma)
            self.issued.append(pulse)
        assert not remaining
        assert len(self.policy.asked) == n_asked
        self.decided_to = max(self.decided_to, horizon)

    @rule(ahead=st.integers(-5000, 200_000))
    def issue(self, ahead: int) -> None:
        self._issue(max(0, self.decided_to + ahead), None)

    @rule(pause=st.integers(-5000, 3_000_000), ahead=st.integers(0, 50_000))
    def issue_after_a_pause(self, pause: int, ahead: int) -> None:
        earliest = max(0, self.decided_to + pause)
        n_before = len(self.issued)
        self._issue(earliest + ahead, earliest)
        # However long the pause, no more than what the time left holds: never a burst.
        assert len(self.issued) - n_before <= 1 + ahead // self.period

    @rule(pause=st.integers(-5000, 3_000_000))
    def resume(self, pause: int) -> None:
        sample = max(0, self.decided_to + pause)
        self.train.resume(sample)
        self.decided_to = max(self.decided_to, sample)
        self.slot = self.issued[-1].onset_sample if self.issued else None

    @rule(rate_hz=RATES_HZ)
    def change_the_rate(self, rate_hz: float) -> None:
        self.train.set_rate_hz(rate_hz)
        self.rate_hz = rate_hz

    @rule(rate_hz=st.sampled_from([0.0, -1.0, 20.000001, 1e9, math.nan, math.inf, -math.inf]))
    def ask_for_a_rate_outside_the_limits(self, rate_hz: float) -> None:
        try:
            self.train.set_rate_hz(rate_hz)
        except SafetyViolationError:
            return
        raise AssertionError(f"{rate_hz} Hz was taken")

    @rule(width_us=WIDTHS_US)
    def change_the_width(self, width_us: float) -> None:
        self.train.set_width_us(width_us)
        self.width_us = width_us

    @rule(width_us=st.sampled_from([0.0, -1.0, 200.001, math.nan, math.inf]))
    def ask_for_a_width_outside_the_limits(self, width_us: float) -> None:
        try:
            self.train.set_width_us(width_us)
        except SafetyViolationError:
            return
        raise AssertionError(f"{width_us} µs was taken")

    @rule(script=SCRIPTS)
    def change_the_policy(self, script: list[tuple[float, PulseKind] | None]) -> None:
        self.policy = ScriptedPolicy(script)
        self.train.set_policy(self.policy)

    @invariant()
    def no_two_pulses_are_closer_than_the_limit(self) -> None:
        least = self.sample_rate_hz / MAX_RATE_HZ - 1e-6
        assert all(b.onset_sample - a.onset_sample >= least for a, b in itertools.pairwise(self.issued))

    @invariant()
    def it_is_what_it_was_told(self) -> None:
        assert (self.train.rate_hz, self.train.width_us) == (self.rate_hz, self.width_us)
        assert self.train.policy is self.policy
        assert self.train.next_index == self.first_index + len(self.issued)
        assert self.train.intensity_ma == (self.issued[-1].commanded_ma if self.issued else 0.0)
        assert self.train.n_skipped == self.n_skipped
        # The nearest whole period, or the next longer one where the nearest would be too fast.
        exact = self.sample_rate_hz / self.rate_hz
        assert abs(self.period - exact) <= 0.5 or (exact < self.period < exact + 1)
        assert self.sample_rate_hz / self.period <= MAX_RATE_HZ * (1 + 1e-9)


TestTrain = TrainMachine.TestCase
TestTrain.settings = settings(REPEATABLE, max_examples=150, stateful_step_count=30)


@settings(REPEATABLE, max_examples=150)
@given(
    sample_rate_hz=SAMPLE_RATES_HZ,
    rate_hz=RATES_HZ,
    first_sample=st.integers(0, 10_000),
    n_samples=st.integers(0, 400_000),
    cuts=st.lists(st.integers(0, 400_000), max_size=20),
)
def test_the_pulses_do_not_depend_on_the_horizons(
    sample_rate_hz: float, rate_hz: float, first_sample: int, n_samples: int, cuts: list[int]
) -> None:
    def make() -> Train:
        return Train(
            sample_rate_hz=sample_rate_hz,
            rate_hz=rate_hz,
            width_us=100.0,
            policy=ConstantIntensity(1.5),
            limits=LIMITS,
            first_sample=first_sample,
        )

    end = first_sample + n_samples
    whole, train = make().pulses_until(end), make()
    parts = [pulse for cut in [*sorted(cut for cut in cuts if cut < end), end] for pulse in train.pulses_until(cut)]
    # Pulses with a NaN in them are never equal; what decides on a pulse is.
    assert [(p.index, p.onset_sample) for p in parts] == [(p.index, p.onset_sample) for p in whole]
    assert [p.onset_sample for p in whole] == list(range(first_sample, end, train.period_samples))
    assert train.n_skipped == 0


@settings(REPEATABLE, max_examples=100)
@given(
    rate_hz=RATES_HZ,
    width_us=WIDTHS_US,
    intensities_ma=st.lists(st.floats(0.0, 10.0), min_size=1, max_size=5),
    lengths=st.lists(st.integers(2, 9000), min_size=1, max_size=20),
)
def test_the_waveform_of_a_train_has_its_charge_and_ends_each_chunk_at_zero(
    rate_hz: float, width_us: float, intensities_ma: list[float], lengths: list[int]
) -> None:
    fs_hz, ma_per_v = 50_000.0, 2.0
    policy = ScriptedPolicy([(intensity_ma, PulseKind.MEASURING) for intensity_ma in intensities_ma])
    train = Train(
        sample_rate_hz=fs_hz, rate_hz=rate_hz, width_us=width_us, policy=policy, limits=LIMITS, first_sample=1
    )
    position, waiting, written, chunks = 0, [], [], []
    for n_samples in lengths:
        waiting += train.pulses_until(position + n_samples + 1)
        chunk = render_waveform(
            waiting, first_sample=position, n_samples=n_samples, sample_rate_hz=fs_hz, ma_per_v=ma_per_v
        )
        assert not chunk[:, [0, -1]].any()
        position += chunk.shape[1]
        written += [pulse for pulse in waiting if pulse.onset_sample < position]
        waiting = [pulse for pulse in waiting if pulse.onset_sample >= position]
        chunks.append(chunk)
        # As the device says it: the first sample of the next chunk is zero, so a pulse begins after it.
        waiting += train.pulses_until(position + 1, earliest_sample=position + 1)
    waveform = np.hstack(chunks)
    n_width = round(width_us * fs_hz / 1e6)
    expected = np.zeros_like(waveform)
    for pulse in written:
        expected[0, pulse.onset_sample : pulse.onset_sample + n_width] = pulse.commanded_ma / ma_per_v
        expected[1, pulse.onset_sample : pulse.onset_sample + n_width] = 5.0
    np.testing.assert_array_equal(waveform, expected)


@settings(REPEATABLE, max_examples=300)
@given(
    one_in=st.integers(3, 30),
    rate_hz=RATES_HZ,
    most_retests=st.integers(1, 12),
    lead=st.integers(0, 6),
    batch=st.integers(1, 4),
    missed=st.lists(st.booleans(), min_size=1, max_size=60),
)
def test_tests_in_a_row_are_bounded_whatever_the_answers(
    one_in: int, rate_hz: float, most_retests: int, lead: int, batch: int, missed: list[bool]
) -> None:
    policy = TestPulsePolicy(working_ma=1.8, testing_ma=1.5, one_in=one_in, rate_hz=rate_hz, most_retests=most_retests)
    n_row, answered = 0, 0
    for index in range(300):
        intensity_ma, kind = policy.next(index)
        assert intensity_ma == (1.5 if kind is PulseKind.TESTING else 1.8)
        n_row = n_row + 1 if kind is PulseKind.TESTING else 0
        assert n_row <= 1 + most_retests
        if index % batch == 0:  # answers arrive in blocks, in the order of the pulses
            for known in range(answered, max(answered, index - lead + 1)):
                policy.observe(known, is_missed=missed[known % len(missed)])
                answered = known + 1
