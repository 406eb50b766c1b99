import math

import pytest

from acq.clock import VirtualClock
from acq.safety.lease import Lease


def test_a_lease_lives_while_it_is_renewed() -> None:
    clock = VirtualClock()
    lease = Lease(clock, 0.5)
    assert not lease.is_alive
    assert not lease.renew()
    lease.begin()
    for _ in range(10):
        clock.sleep_s(0.49)
        assert lease.is_alive
        assert lease.renew()
    assert lease.remaining_s == pytest.approx(0.5)


def test_a_lease_that_ran_out_stays_out_until_begun_anew() -> None:
    clock = VirtualClock()
    lease = Lease(clock, 0.5)
    lease.begin()
    clock.sleep_s(0.5)
    assert not lease.renew()
    assert not lease.is_alive
    assert lease.remaining_s == 0.0
    lease.begin()
    assert lease.is_alive


def test_a_lease_can_be_given_up() -> None:
    lease = Lease(VirtualClock(), 0.5)
    lease.begin()
    lease.end()
    assert not lease.is_alive
    assert not lease.renew()


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_a_duration_must_be_positive_and_finite(value: float) -> None:
    with pytest.raises(ValueError, match="duration_s"):
        Lease(VirtualClock(), value)
