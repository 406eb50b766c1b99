"""What the sound costs: processor time as a share of real time, at the paces at which it looks for samples.

python tests/benchmarks/sound_cost.py [--seconds 60]
"""

import argparse
import time

import numpy as np

from acq.records import GuardVerdict, OutputState
from acq.sound import Sound, SoundSettings, SoundState
from acq.sound.sinks import NullSink
from acq.stream.ring import RingBuffer


def measure(*, sample_rate_hz: int, look_s: float, seconds: int) -> tuple[float, float]:
    """Share of real time, %, and the longest look, ms."""
    rng = np.random.default_rng(1)
    samples = np.zeros((3, sample_rate_hz))
    samples[0] = rng.normal(0.0, 15.0, sample_rate_hz)
    for onset in range(500, sample_rate_hz, sample_rate_hz // 20):
        samples[2, onset : onset + 10] = 5.0
        samples[0, onset : onset + 50] += 4000.0
        samples[0, onset + 400 : onset + 450] += 500.0
    ring = RingBuffer(3, 10 * sample_rate_hz)
    sound = Sound(
        SoundSettings(sink="device"),
        source=ring,
        sample_rate_hz=sample_rate_hz,
        is_virtual_time=True,
        on_message=print,
        open_sink=NullSink,
    )
    sound.start()
    n_look = round(look_s * sample_rate_hz)
    spent_s, longest_s = 0.0, 0.0
    verdicts = list(GuardVerdict)
    for second in range(seconds):
        state = SoundState(output=OutputState.DELIVERING, verdict=verdicts[second // 5 % len(verdicts)])
        for first in range(0, sample_rate_hz, n_look):
            ring.write(samples[:, first : first + n_look], ring.next_sample)
            before_s = time.thread_time()
            sound.note(state)
            sound.turn()
            took_s = time.thread_time() - before_s
            spent_s += took_s
            longest_s = max(longest_s, took_s)
    sound.close()
    return 100 * spent_s / seconds, 1000 * longest_s


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=int, default=60)
    seconds = parser.parse_args().seconds
    print(f"{'samples':>10} {'look':>7} {'of a core':>10} {'longest':>9}")
    for sample_rate_hz in (20_000, 50_000, 100_000):
        for look_s in (0.01, 0.02, 0.05):
            share, longest_ms = measure(sample_rate_hz=sample_rate_hz, look_s=look_s, seconds=seconds)
            print(f"{sample_rate_hz:7d} Hz {1000 * look_s:4.0f} ms {share:8.2f} % {longest_ms:6.2f} ms")


if __name__ == "__main__":
    main()
