from __future__ import annotations

import pytest

from acq.errors import ConfigurationError
from sim_device.fault import (
    CardFault,
    CoercedRate,
    ExtraPulse,
    InputUnplugged,
    LateBlock,
    LostSamples,
    OmittedPulse,
    RefusedRoute,
    RefusedStart,
    ReservedCard,
    StalledServer,
    Unplugged,
    WrongAmplitude,
    describe_faults,
    parse_fault,
)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("unplug@12.5", Unplugged(at_s=12.5)),
        (" unplug-input@0 ", InputUnplugged(at_s=0.0)),
        ("wrong@10:factor=1.5", WrongAmplitude(at_s=10.0, factor=1.5)),
        ("wrong@10:factor=0,duration_s=2", WrongAmplitude(at_s=10.0, factor=0.0, duration_s=2.0)),
        ("omit@1:count=3", OmittedPulse(at_s=1.0, count=3)),
        ("extra@3:intensity_ma=2,width_us=50", ExtraPulse(at_s=3.0, intensity_ma=2.0, width_us=50.0)),
        ("lose@1:duration_s=0.1", LostSamples(at_s=1.0, duration_s=0.1)),
        ("late@1:late_s=0.2", LateBlock(at_s=1.0, late_s=0.2)),
        ("stall@5:duration_s=3", StalledServer(at_s=5.0, duration_s=3.0)),
        (
            "stall@5:duration_s=3,rpcs=ReadAnalogF64+StopTask",
            StalledServer(at_s=5.0, duration_s=3.0, rpcs=("ReadAnalogF64", "StopTask")),
        ),
        ("reserved", ReservedCard()),
        ("no-route", RefusedRoute()),
        ("no-start:count=2", RefusedStart(count=2)),
        ("coerce:rate_hz=49000", CoercedRate(rate_hz=49_000.0)),
    ],
)
def test_written_form(text: str, fault: CardFault) -> None:
    assert parse_fault(text) == fault


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "'' is not known; choose one of unplug, "),
        ("explode@3", "'explode' is not known; choose one of "),
        ("unplug", "at_s is missing; write @SECONDS after the word"),
        ("unplug@", "at_s must be a number, got ''"),
        ("unplug@soon", "at_s must be a number, got 'soon'"),
        ("unplug@-1", "at_s must be a finite number above 0, got -1"),
        ("unplug@nan", "at_s must be a finite number above 0, got nan"),
        ("unplug@3:factor=2", "'factor' is not known; after the colon unplug takes nothing"),
        ("wrong@3", "factor is missing; write factor=… after a colon"),
        ("omit@3:count=2.5", "count must be a number, got '2.5'"),
        ("omit@3:count=0", "count must be a finite number above 0, got 0"),
        ("extra@3:intensity_ma=inf", "intensity_ma must be a finite number above 0, got inf"),
        ("extra@3:intensity_ma=1,at_s=4", "'at_s' is not known"),
    ],
)
def test_bad_forms_are_explained_in_one_line(text: str, message: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        parse_fault(text)
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_every_described_form_can_be_written() -> None:
    """With numbers for the places that are open."""
    forms = [form for form, _ in describe_faults()]
    assert len(forms) == 16
    for form in forms:
        text = form.replace("SECONDS", "1").replace("rpcs=…", "rpcs=StopTask").replace("…", "2")
        parse_fault(text.replace("[", "").replace("]", ""))
        shortest = text
        while "[" in shortest:
            shortest = shortest[: shortest.index("[")] + shortest[shortest.index("]") + 1 :]
        parse_fault(shortest)
