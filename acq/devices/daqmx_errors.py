"""What the NI-DAQmx driver reports, as errors of this program with a sentence that says what to do.

Codes and their meaning: NI-DAQmx, header file NIDAQmx.h and the enumeration `nidaqmx.error_codes.DAQmxErrors`. Which of
them a card reports when, say, its cable is pulled is knowledge of the trade; several are therefore taken alike.
"""

from __future__ import annotations

from typing import Final

from acq.errors import DeviceError, DeviceTimeoutError, OverrunError

__all__ = ["DEAD_SERVER", "ROUTE_REFUSED", "TIMEOUT", "UNAVAILABLE", "explain_driver_error", "explain_server_error"]

TIMEOUT: Final = -200284  # SAMPLES_NOT_YET_AVAILABLE

# The output cannot be clocked by the input's sample clock on this card; another way is tried.
ROUTE_REFUSED: Final = frozenset(
    {
        -89120,
        -89121,
        -89124,
        -89125,
        -89136,
        -89137,
        -89138,
        -89139,
        -89140,
        -200040,
        -200041,
        -200368,
        -200369,
        -200370,
    }
)

_GONE = frozenset(
    {
        *(-200045, -200324, -201003, -200220, -88705, -88709, -88710, -89130, -50405, -50802, -50808, -200175, -201390),
        -200088,  # "invalid task": in mid-run the task went with its card
    }
)
_OVERRUN = frozenset(
    {-200279, -200222, -200613, -200283, -200361, -209829, -200010, -200714, -200019, -201319, -200004}
)
_DRY = frozenset({-200290, -200621, -200016, -200018})
_RESERVED = frozenset({-50103, -50105, -200022, -201105, -201352, -201420, -200587})

_CHANNELS = "correct the channels under [device.daqmx]"
_SENTENCES: Final[dict[int, str]] = {
    -200292: "the output took no samples in time; close other programs that load this computer, and start again",
    -200170: f"a channel of the profile does not exist on this card; {_CHANNELS}",
    -200099: f"a channel of the profile names nothing on this card; {_CHANNELS}",
    -200430: f"a channel of the profile is of another kind than it is used as; {_CHANNELS}",
    -200489: f"a channel of the profile is named twice; {_CHANNELS}",
    -200003: f"a channel of the profile is named twice; {_CHANNELS}",
    -200558: f"the channels of the profile are on several cards; {_CHANNELS}",
    -200077: "the card does not offer a value of the profile (a range, a rate or a terminal configuration); correct it "
    "under [device.daqmx]",
    -200759: "the card's output does not reach output_range_v; lower it, and stimulus.ceiling_ma with it",
    -200490: "a voltage is outside the range of the output; lower stimulus.ceiling_ma or correct device.daqmx.ma_per_v",
    -200081: "the card cannot sample three channels that fast; lower acquisition.sample_rate_hz",
    -200332: "the card cannot sample that fast; lower acquisition.sample_rate_hz",
    -200335: "the card cannot sample three channels that fast; lower acquisition.sample_rate_hz",
    -200331: "the card cannot sample that slowly; raise acquisition.sample_rate_hz",
    -200452: "the card does not know a setting that this program needs; use another card, or a newer driver",
    -50352: "no memory for the card's buffers; lower device.daqmx.input_buffer_s",
    -200251: "no free transfer channel on this card; close other programs that use it",
}

# gRPC status codes, https://grpc.io/docs/guides/status-codes/
_CANCELLED, _DEADLINE_EXCEEDED, _UNIMPLEMENTED, UNAVAILABLE = 1, 4, 12, 14
DEAD_SERVER: Final = frozenset({_DEADLINE_EXCEEDED, UNAVAILABLE, _CANCELLED})


def explain_driver_error(code: int, text: str, *, doing: str, samples_done: int | None = None) -> DeviceError:
    """Make an error of this program from one of the driver.

    Parameters
    ----------
    code : int
        The driver's code, negative.
    text : str
        The driver's own words; their first sentence is kept where this program has none.
    doing : str
        What was being done, as in "reading samples".
    samples_done : int, optional
        Samples per channel transferred before.

    Returns
    -------
    DeviceError
        `DeviceTimeoutError` for a time-out, `OverrunError` for lost input; one line.
    """
    kind: type[DeviceError] = DeviceError
    if code == TIMEOUT:
        kind, sentence = DeviceTimeoutError, "the card gave no samples in time; check its clock and its cable"
    elif code in _GONE:
        sentence = "the card is gone (unplugged, switched off, or under another name); connect it and start again"
    elif code in _OVERRUN:
        kind, sentence = (
            OverrunError,
            "samples were lost because they were not fetched in time; close other programs that load this computer, "
            "and start again",
        )
    elif code in _DRY:
        sentence = (
            "the output ran dry because this program did not write in time; the output is at 0. Close other programs "
            "that load this computer, or raise acquisition.lead_s, and start again"
        )
    elif code in _RESERVED:
        sentence = (
            "another program, or one that died, holds the card; close that program, or reset the card with "
            "`suprathresh devices --reset NAME`"
        )
    elif code in ROUTE_REFUSED:
        sentence = "the card cannot pass its input clock to its output; use a card on which both share a clock"
    else:
        sentence = _SENTENCES.get(
            code, f"the driver says: {_first_sentence(text)}; put that right, and look its code up if it is not clear"
        )
    return kind(f"{doing}: {sentence} (code {code})", code=code, samples_done=samples_done)


def explain_server_error(code: int, text: str, *, doing: str, server: str) -> DeviceError:
    """Make an error of this program from one of the connection to a DAQ service.

    Parameters
    ----------
    code : int
        Status code of gRPC.
    text : str
        The client's own words.
    doing : str
        What was being done.
    server : str
        Address of the service.
    """
    if code == UNAVAILABLE:
        return DeviceError(
            f"{doing}: no DAQ service answers at {server}; start it there, check the network, or correct --server",
            code=code,
        )
    if code in (_DEADLINE_EXCEEDED, _CANCELLED):
        return DeviceTimeoutError(
            f"{doing}: the DAQ service at {server} has stalled; the output there runs dry to 0. Start it anew",
            code=code,
        )
    if code == _UNIMPLEMENTED:
        return DeviceError(
            f"{doing}: the DAQ service at {server} does not support this; install a newer one", code=code
        )
    return DeviceError(
        f"{doing}: the DAQ service at {server} says: {_first_sentence(text)}; put that right there", code=code
    )


def _first_sentence(text: str) -> str:
    """The first sentence of a driver's message, on one line, without its end."""
    line = " ".join(text.split("\n\n", 1)[0].split())
    sentence = line if line.isprintable() else ascii(line)[1:-1]  # a service may say anything
    return (sentence.split(". ", 1)[0].rstrip(".") or "nothing further")[:200]
