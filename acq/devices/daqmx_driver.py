"""The NI-DAQmx driver, on this computer or behind a DAQ service, with its errors translated.

The only importer of `nidaqmx`, and only when a driver is wanted: the program runs without it.
"""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Iterator
from typing import Any, Final

from acq.devices.daqmx_errors import DEAD_SERVER, UNAVAILABLE, explain_driver_error, explain_server_error
from acq.devices.service_token import METADATA_KEY, VARIABLE, read_token
from acq.errors import ConfigurationError, DeviceError, install_hint

__all__ = ["DaqmxDriver", "check_address"]

_CALL_LIMIT_S: Final = 1.0  # beyond the time-out of the call itself; the driver's time-outs do not bind a frozen server
_RESET_LIMIT_S: Final = 20.0
_CONNECT_S: Final = 3.0  # a service on the same network answers within milliseconds
_UNAUTHENTICATED: Final = 16  # status code of gRPC, https://grpc.io/docs/guides/status-codes/
_INSTALL: Final = install_hint("hardware")

# The same input cannot be said to a driver that is not there.
_NO_DRIVER: Final = (
    "the NI-DAQmx driver is not installed on this computer; install it, give --server HOST:PORT of one that has it, or "
    "try the program with --device simulated"
)


def check_address(server: str) -> None:
    """Refuse what is no "HOST:PORT".

    Raises
    ------
    ConfigurationError
        With an example.
    """
    host, colon, port = server.rpartition(":")
    if not (host and colon and port.isascii() and port.isdigit() and 0 < int(port) < 65_536):
        raise ConfigurationError(f"server {server!r} is no address; write HOST:PORT, such as 192.168.0.5:31763")
    if ":" in host and not (host.startswith("[") and host.endswith("]")):
        raise ConfigurationError(f"server {server!r}: write an IPv6 address in brackets, such as [::1]:31763")


class DaqmxDriver:
    """The driver, here or behind a service. Any thread may call any method.

    Every call to a service has a limit, and takes along the token of the environment, if there is one.

    Parameters
    ----------
    server : str or None
        "HOST:PORT" of a DAQ service; None for the driver of this computer, which no network is needed for.

    Raises
    ------
    ConfigurationError
        When the driver's package is not here, or the address or the token is none.
    DeviceError
        When no service answers.
    """

    def __init__(self, server: str | None) -> None:
        self._server = server
        self._channel: Any = None
        self.is_dead = False
        if server is not None:
            check_address(server)
        try:
            import nidaqmx
            import nidaqmx.constants
            import nidaqmx.errors
            import nidaqmx.stream_readers
            import nidaqmx.stream_writers
            import nidaqmx.system
        except ImportError as exc:
            raise ConfigurationError(
                f"the package of the driver, {exc.name or 'nidaqmx'}, cannot be imported ({exc}); {_INSTALL}"
            ) from exc
        # Several lines on standard error each, about what is no error. Once and for all: where a warning is caught is
        # a matter of the whole process, and several threads call.
        warnings.simplefilter("ignore", nidaqmx.errors.DaqWarning)
        self.nidaqmx: Any = nidaqmx
        self._options: Any = None
        if server is not None:
            self._connect(server)

    def _connect(self, server: str) -> None:
        try:
            import grpc
        except ImportError as exc:
            raise ConfigurationError(
                f"{exc.name or 'grpc'}, needed for a DAQ service, cannot be imported ({exc}); {_INSTALL}"
            ) from exc
        token = read_token()
        beside = () if token is None else ((METADATA_KEY, token),)

        class Companion(grpc.UnaryUnaryClientInterceptor):  # type: ignore[misc] # grpc carries no types
            """Gives every call a limit and the token.

            The driver's client sets no limit, and a frozen server would hold it for ever.
            """

            def intercept_unary_unary(self, continuation: Any, client_call_details: Any, request: Any) -> Any:
                limit_s = _CALL_LIMIT_S + max(0.0, float(getattr(request, "timeout", 0.0)))
                if str(client_call_details.method).endswith("ResetDevice"):
                    limit_s = _RESET_LIMIT_S
                metadata = (*(client_call_details.metadata or ()), *beside)
                return continuation(client_call_details._replace(timeout=limit_s, metadata=metadata), request)

        # Straight to the service: a proxy would hold up the output, and learn the token.
        self._channel = grpc.insecure_channel(server, options=(("grpc.enable_http_proxy", 0),))
        try:
            grpc.channel_ready_future(self._channel).result(timeout=_CONNECT_S)
        except grpc.FutureTimeoutError as exc:
            self.disconnect()
            raise explain_server_error(UNAVAILABLE, "", doing="connecting", server=server) from exc
        channel = grpc.intercept_channel(self._channel, Companion())
        self._options = self.nidaqmx.GrpcSessionOptions(channel, session_name="")

    def make_task(self) -> Any:
        """A new, empty task."""
        return self.nidaqmx.Task(grpc_options=self._options) if self._options is not None else self.nidaqmx.Task()

    def find_system(self) -> Any:
        """The driver's own object for the cards it sees."""
        system = self.nidaqmx.system.System
        return system.local() if self._options is None else system.remote(self._options)

    def reset(self, card: str) -> None:
        """Abort every task on a card, whoever made it; its outputs go to 0 V."""
        self.find_system().devices[card].reset_device()

    @contextlib.contextmanager
    def calling(self, doing: str) -> Iterator[None]:
        """Translate what the driver raises inside."""
        errors = self.nidaqmx.errors
        try:
            yield
        except errors.DaqError as exc:
            done = getattr(exc, "samps_per_chan_read", None)
            done = getattr(exc, "samps_per_chan_written", None) if done is None else done
            raise explain_driver_error(exc.error_code, str(exc), doing=doing, samples_done=done) from exc
        except errors.RpcError as exc:
            code = exc.rpc_code.value[0] if hasattr(exc.rpc_code, "value") else int(exc.rpc_code)
            if code == _UNAUTHENTICATED:
                raise DeviceError(f"{doing}: {self._explain_refusal()}", code=code) from exc
            self.is_dead = self.is_dead or code in DEAD_SERVER
            raise explain_server_error(code, str(exc.description), doing=doing, server=str(self._server)) from exc
        except errors.Error as exc:  # no driver, or not on this system
            raise DeviceError(f"{doing}: {_NO_DRIVER}") from exc

    def _explain_refusal(self) -> str:
        what = "asks for a token and none is set" if read_token() is None else f"refuses the token in {VARIABLE}"
        return f"the DAQ service at {self._server} {what}; set {VARIABLE} to the token it printed at its start"

    def disconnect(self) -> None:
        """Close the connection to the service. Idempotent."""
        if self._channel is not None:
            self._channel.close()
            self._channel = None
