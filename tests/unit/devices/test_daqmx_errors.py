from __future__ import annotations

import grpc
import pytest
from nidaqmx.error_codes import DAQmxErrors

from acq.devices import daqmx_errors
from acq.devices.daqmx_errors import explain_driver_error, explain_server_error
from acq.errors import DeviceError, DeviceTimeoutError, OverrunError

# The enumeration of the public package is the reference for what a code means.
GONE = ["DEVICE_REMOVED", "DEV_ABSENT_OR_UNAVAILABLE", "DEV_CANNOT_BE_ACCESSED", "INVALID_DEVICE_ID", "INVALID_TASK"]
GONE += ["PAL_TRANSFER_ABORTED", "PAL_USB_TRANSACTION_ERROR", "HARDWARE_NOT_RESPONDING", "RUNTIME_ABORTED_ROUTING"]
OVERRUN = ["SAMPLES_NO_LONGER_AVAILABLE", "ACQ_STOPPED_TO_PREVENT_INPUT_BUFFER_OVERWRITE", "INPUT_FIFO_OVERFLOW"]
OVERRUN += ["INPUT_FIFO_OVERFLOW_2", "ACQ_STOPPED_DRIVER_CANT_XFER_DATA_FAST_ENOUGH"]
DRY = [
    "GEN_STOPPED_TO_PREVENT_REGEN_OF_OLD_SAMPLES",
    "OUTPUT_FIFO_UNDERFLOW",
    "OUTPUT_FIFO_UNDERFLOW_2",
    "DAC_UNDERFLOW",
]


def explain(name: str) -> DeviceError:
    return explain_driver_error(DAQmxErrors[name].value, "The driver's words.", doing="reading", samples_done=7)


@pytest.mark.parametrize("name", GONE)
def test_a_card_that_is_gone(name: str) -> None:
    error = explain(name)
    assert type(error) is DeviceError
    assert "the card is gone" in str(error)
    assert "connect it" in str(error)


@pytest.mark.parametrize("name", OVERRUN)
def test_lost_input(name: str) -> None:
    error = explain(name)
    assert isinstance(error, OverrunError)
    assert error.samples_done == 7


@pytest.mark.parametrize("name", DRY)
def test_an_output_that_ran_dry(name: str) -> None:
    assert "ran dry" in str(explain(name))
    assert "raise acquisition.lead_s" in str(explain(name))


def test_time_out() -> None:
    error = explain("SAMPLES_NOT_YET_AVAILABLE")
    assert isinstance(error, DeviceTimeoutError)
    assert error.code == daqmx_errors.TIMEOUT


@pytest.mark.parametrize("name", ["PAL_RESOURCE_RESERVED", "RESOURCE_ALREADY_RESERVED"])
def test_a_card_in_use(name: str) -> None:
    assert "another program" in str(explain(name))


@pytest.mark.parametrize("name", ["ROUTE_NOT_SUPPORTED_BY_HW", "ROUTE_NOT_SUPPORTED_BY_HW_ROUTING"])
def test_routes_that_are_refused(name: str) -> None:
    assert DAQmxErrors[name].value in daqmx_errors.ROUTE_REFUSED


def test_every_code_of_the_table_exists_and_is_in_one_class_only() -> None:
    classes = [
        daqmx_errors._GONE,
        daqmx_errors._OVERRUN,
        daqmx_errors._DRY,
        daqmx_errors._RESERVED,
        daqmx_errors.ROUTE_REFUSED,
        frozenset(daqmx_errors._SENTENCES),
        frozenset({daqmx_errors.TIMEOUT}),
    ]
    everything = [code for members in classes for code in members]
    assert len(everything) == len(set(everything))
    for code in everything:
        DAQmxErrors(code)


def test_every_error_is_one_line_with_its_code() -> None:
    text = "Something happened here. And more about it.\n\nTask Name: x\n\nStatus Code: y"
    for code in DAQmxErrors:
        message = str(explain_driver_error(code.value, text, doing="writing"))
        assert message.startswith("writing: ")
        assert message.endswith(f"(code {code.value})")
        assert "\n" not in message
        assert len(message) < 300


def test_an_unknown_error_keeps_the_first_sentence_of_the_driver() -> None:
    message = str(explain_driver_error(-1, "A thing broke. Much else.\n\nTask Name: t", doing="reading"))
    assert message == (
        "reading: the driver says: A thing broke; put that right, and look its code up if it is not clear (code -1)"
    )


@pytest.mark.parametrize(
    ("status", "words"),
    [
        (grpc.StatusCode.UNAVAILABLE, "no DAQ service answers at box:1"),
        (grpc.StatusCode.DEADLINE_EXCEEDED, "has stalled"),
        (grpc.StatusCode.UNIMPLEMENTED, "does not support this"),
        (grpc.StatusCode.INTERNAL, "says: words"),
    ],
)
def test_a_service_that_does_not_do_its_part(status: grpc.StatusCode, words: str) -> None:
    error = explain_server_error(status.value[0], "words", doing="reading", server="box:1")
    assert words in str(error)
    assert "\n" not in str(error)
    assert isinstance(error, DeviceTimeoutError) == (status is grpc.StatusCode.DEADLINE_EXCEEDED)
