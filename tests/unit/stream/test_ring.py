import threading

import numpy as np
import pytest

from acq.records import FloatArray
from acq.stream.ring import RingBuffer

N_CHANNELS = 3


def block(first: int, n: int) -> FloatArray:
    """Samples that say which channel and which index they are."""
    return np.arange(N_CHANNELS)[:, None] * 1e6 + np.arange(first, first + n)


def test_what_was_written_is_read_across_the_wrap() -> None:
    ring = RingBuffer(N_CHANNELS, 100)
    for first in range(0, 1000, 30):
        ring.write(block(first, 30), first)
        begin = max(0, first + 30 - 100)
        read = ring.read(begin, first + 30 - begin)
        assert read.is_complete
        assert read.first_sample == begin
        np.testing.assert_array_equal(read.samples, block(begin, first + 30 - begin))
    assert ring.next_sample == 1020
    assert ring.oldest_sample == 920
    assert ring.overrun_count == 0
    assert ring.lost_count == 0


def test_a_read_is_a_copy_and_a_write_takes_one() -> None:
    ring = RingBuffer(N_CHANNELS, 100)
    written = block(0, 50)
    ring.write(written, 0)
    written[:] = -1.0
    first = ring.read(0, 50).samples
    np.testing.assert_array_equal(first, block(0, 50))
    first[:] = -2.0
    ring.write(block(50, 100), 50)
    np.testing.assert_array_equal(ring.read(50, 100).samples, block(50, 100))


def test_overwritten_samples_are_said_to_be_gone_and_counted() -> None:
    ring = RingBuffer(N_CHANNELS, 100)
    ring.write(block(0, 80), 0)
    ring.read(0, 30)
    ring.write(block(80, 60), 80)  # 0 to 39 fall out, 30 to 39 unread
    assert ring.overrun_count == 10
    read = ring.read(20, 100)
    assert read.gone == ((20, 40),)
    assert not read.is_complete
    assert np.isnan(read.samples[:, :20]).all()
    np.testing.assert_array_equal(read.samples[:, 20:], block(40, 80))
    ring.write(block(140, 80), 140)  # 40 to 119 fall out, all read
    assert ring.overrun_count == 10


def test_a_block_larger_than_the_ring_leaves_its_end_and_counts_the_rest() -> None:
    ring = RingBuffer(N_CHANNELS, 100)
    ring.write(block(0, 250), 0)
    assert ring.overrun_count == 150
    assert ring.oldest_sample == 150
    np.testing.assert_array_equal(ring.read(150, 100).samples, block(150, 100))


def test_samples_the_device_lost_are_gone_and_counted() -> None:
    ring = RingBuffer(N_CHANNELS, 100)
    ring.write(block(0, 20), 0)
    ring.write(block(25, 20), 25)
    ring.write(block(47, 3), 47)
    assert ring.lost_count == 7
    assert ring.overrun_count == 0
    read = ring.read(0, 50)
    assert read.gone == ((20, 25), (45, 47))
    is_gone = np.isnan(read.samples[0])
    np.testing.assert_array_equal(np.flatnonzero(is_gone), [20, 21, 22, 23, 24, 45, 46])
    np.testing.assert_array_equal(read.samples[:, ~is_gone], block(0, 50)[:, ~is_gone])
    ring.write(block(50, 100), 50)  # the places of the gaps are good again
    assert ring.read(50, 100).is_complete


@pytest.mark.parametrize("n_gap", [99, 100, 101, 1000])
def test_a_gap_as_long_as_the_ring_leaves_nothing_of_before(n_gap: int) -> None:
    ring = RingBuffer(N_CHANNELS, 100)
    ring.write(block(0, 100), 0)
    ring.read(0, 100)
    first = 100 + n_gap
    ring.write(block(first, 10), first)
    assert ring.lost_count == n_gap
    read = ring.read(first - 80, 90)
    assert read.gone == ((first - 80, first),)
    np.testing.assert_array_equal(read.samples[:, 80:], block(first, 10))


def test_samples_before_the_beginning_are_gone() -> None:
    ring = RingBuffer(N_CHANNELS, 100, first_sample=10)
    ring.write(block(10, 20), 10)
    read = ring.read(-5, 20)
    assert read.gone == ((-5, 10),)
    np.testing.assert_array_equal(read.samples[:, 15:], block(10, 5))


def test_what_has_not_come_cannot_be_read() -> None:
    ring = RingBuffer(N_CHANNELS, 100)
    ring.write(block(0, 20), 0)
    with pytest.raises(ValueError, match="only those before 20 have come"):
        ring.read(15, 6)
    with pytest.raises(ValueError, match="n_samples"):
        ring.read(0, -1)
    assert ring.read(20, 0).samples.shape == (N_CHANNELS, 0)


def test_a_block_that_does_not_fit_is_refused() -> None:
    ring = RingBuffer(N_CHANNELS, 100)
    ring.write(block(0, 20), 0)
    with pytest.raises(ValueError, match="at least 20"):
        ring.write(block(19, 5), 19)
    with pytest.raises(ValueError, match="shape"):
        ring.write(np.zeros((2, 5)), 20)
    with pytest.raises(ValueError, match="shape"):
        ring.write(np.zeros(5), 20)
    with pytest.raises(ValueError, match="n_channels"):
        RingBuffer(0, 10)
    with pytest.raises(ValueError, match="capacity"):
        RingBuffer(1, 0)
    assert ring.next_sample == 20


def test_a_writing_and_a_reading_thread_lose_nothing() -> None:
    n_total, capacity = 60_000, 5000
    ring = RingBuffer(N_CHANNELS, capacity)
    got: list[FloatArray] = []
    room = threading.Semaphore(8)  # keeps the writer within the ring, as a paced device does

    def write() -> None:
        for first in range(0, n_total, 500):
            assert room.acquire(timeout=30)
            ring.write(block(first, 500), first)

    writer = threading.Thread(target=write)
    writer.start()
    for first in range(0, n_total, 500):
        assert ring.wait_for(first + 499, 30.0)
        read = ring.read(first, 500)
        assert read.is_complete
        got.append(read.samples)
        room.release()
    writer.join(30)
    np.testing.assert_array_equal(np.hstack(got), block(0, n_total))
    assert ring.overrun_count == 0


def test_waiting_ends_without_a_sample() -> None:
    ring = RingBuffer(N_CHANNELS, 100)
    ring.write(block(0, 5), 0)
    assert ring.wait_for(4, 0.0)
    assert not ring.wait_for(5, 0.0)
