"""Faults that simulated devices can be told to have, at moments of their sample clock.

The first group holds for every simulated device; the second is what a card behind a driver can do besides. Times count
from the start of sampling.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass

from acq.errors import ConfigurationError

__all__ = [
    "CardFault",
    "CoercedRate",
    "ExtraPulse",
    "Fault",
    "InputOverrun",
    "InputUnplugged",
    "LateBlock",
    "LostSamples",
    "OmittedPulse",
    "OutputUnderrun",
    "OutputUnplugged",
    "RefusedRoute",
    "RefusedStart",
    "ReservedCard",
    "Saturation",
    "StalledServer",
    "Unplugged",
    "WrongAmplitude",
    "describe_faults",
    "parse_fault",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unplugged:
    """From `at_s` on the device is gone: nothing is delivered, and reading raises `DeviceError`."""

    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongAmplitude:
    """Pulses from `at_s` on, for `duration_s`, are delivered with `factor` times the current."""

    at_s: float
    factor: float
    duration_s: float = float("inf")


@dataclass(frozen=True, slots=True, kw_only=True)
class OmittedPulse:
    """The first `count` pulses at or after `at_s` are not delivered."""

    at_s: float
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraPulse:
    """A pulse nobody asked for, at `at_s`, lease or no lease."""

    at_s: float
    intensity_ma: float
    width_us: float = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LostSamples:
    """The samples of `duration_s` from `at_s` on are lost; the patient goes on.

    The simulated device counts them as an overrun. The card says nothing: the stream goes on as if they had not been.
    """

    at_s: float
    duration_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Saturation:
    """The needle channel stays at full scale for `duration_s`."""

    at_s: float
    duration_s: float


Fault = Unplugged | WrongAmplitude | OmittedPulse | ExtraPulse | LostSamples | Saturation


@dataclass(frozen=True, slots=True, kw_only=True)
class InputUnplugged:
    """From `at_s` on the inputs are gone, and with them the clock that the outputs may run on."""

    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputUnplugged:
    """From `at_s` on the outputs are gone, at 0 V; the inputs go on."""

    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class InputOverrun:
    """At `at_s` the card loses samples that were not fetched yet: the next read fails with -200279."""

    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputUnderrun:
    """At `at_s` the output buffer is lost: -200290, the output stays at its last value."""

    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StalledServer:
    """Calls that begin within `duration_s` from `at_s` on hang until then; `rpcs` are their names, empty: all."""

    at_s: float
    duration_s: float
    rpcs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LateBlock:
    """The first read that ends at or after `at_s` answers `late_s` after its samples have come."""

    at_s: float
    late_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReservedCard:
    """Another program holds the card: -50103 until it lets go. From the beginning on; `at_s` does not matter."""

    at_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedRoute:
    """The outputs cannot be clocked by the inputs' sample clock: -89136. From the beginning on."""

    at_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedStart:
    """The first `count` starts are refused with -200175, as by hardware that does not respond."""

    at_s: float = 0.0
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class CoercedRate:
    """Whatever rate is asked for, the inputs sample at `rate_hz`. From the beginning on."""

    at_s: float = 0.0
    rate_hz: float


CardFault = (
    Fault
    | InputUnplugged
    | OutputUnplugged
    | InputOverrun
    | OutputUnderrun
    | StalledServer
    | LateBlock
    | ReservedCard
    | RefusedRoute
    | RefusedStart
    | CoercedRate
)

_WORDS: dict[str, tuple[Callable[..., CardFault], str]] = {
    "unplug": (Unplugged, "the whole card is gone"),
    "unplug-input": (InputUnplugged, "the inputs are gone, and the clock with them"),
    "unplug-output": (OutputUnplugged, "the outputs are gone, at 0 V"),
    "overrun": (InputOverrun, "samples that nobody has fetched are overwritten"),
    "underrun": (OutputUnderrun, "the output buffer is lost; the output stays where it is"),
    "stall": (StalledServer, "the service hangs; rpcs=A+B hangs only these calls"),
    "late": (LateBlock, "one read answers late"),
    "wrong": (WrongAmplitude, "the stimulator delivers another current than was asked for"),
    "omit": (OmittedPulse, "pulses are not delivered"),
    "extra": (ExtraPulse, "a pulse that nobody asked for"),
    "saturate": (Saturation, "the needle channel is at full scale"),
    "lose": (LostSamples, "samples are lost without a word"),
    "reserved": (ReservedCard, "another program holds the card"),
    "no-route": (RefusedRoute, "the inputs' sample clock cannot clock the outputs"),
    "no-start": (RefusedStart, "starting is refused"),
    "coerce": (CoercedRate, "the card samples at another rate than was asked for"),
}


def describe_faults() -> tuple[tuple[str, str], ...]:
    """How each fault is written, and what it does."""
    rows = []
    for word, (kind, meaning) in _WORDS.items():
        needed, free = [], []
        at = ""
        for item in dataclasses.fields(kind):  # type: ignore[arg-type]  # every kind is one of the classes above
            is_needed = item.default is dataclasses.MISSING
            if item.name == "at_s":
                at = "@SECONDS" if is_needed else ""
            elif is_needed:
                needed.append(f"{item.name}=…")
            else:
                free.append(f"{item.name}=…")
        rows.append((f"{word}{at}{_join(needed, free)}", meaning))
    return tuple(rows)


def _join(needed: list[str], free: list[str]) -> str:
    text = "".join(("," if index else ":") + argument for index, argument in enumerate(needed))
    for argument in free:
        text += f"[{',' if text else ':'}{argument}]"
    return text


def parse_fault(text: str) -> CardFault:
    """Read a fault from the form `word@seconds:name=value,name=value`.

    Examples: `unplug@12.5`, `wrong@10:factor=1.5`, `stall@5:duration_s=3,rpcs=ReadAnalogF64`, `no-route`.

    Raises
    ------
    ConfigurationError
        When it is not a fault, lacks a value or has one that cannot be.
    """
    head, _, tail = text.strip().partition(":")
    word, has_time, time = head.partition("@")
    if word not in _WORDS:
        raise ConfigurationError(f"fault {text!r}: {word!r} is not known; choose one of {', '.join(_WORDS)}")
    kind = _WORDS[word][0]
    fields = {item.name: item for item in dataclasses.fields(kind)}  # type: ignore[arg-type]  # as above
    given = {"at_s": time} if has_time else {}
    for part in filter(None, tail.split(",")):
        name, _, value = part.partition("=")
        if name not in fields or name == "at_s":
            known = ", ".join(key for key in fields if key != "at_s") or "nothing"
            raise ConfigurationError(f"fault {text!r}: {name!r} is not known; after the colon {word} takes {known}")
        given[name] = value
    values = {name: _read_value(text, name, str(fields[name].type), value) for name, value in given.items()}
    missing = [name for name, item in fields.items() if item.default is dataclasses.MISSING and name not in values]
    if missing:
        how = "write @SECONDS after the word" if missing[0] == "at_s" else f"write {missing[0]}=… after a colon"
        raise ConfigurationError(f"fault {text!r}: {missing[0]} is missing; {how}")
    return kind(**values)


def _read_value(text: str, name: str, kind: str, value: str) -> float | int | tuple[str, ...]:
    if kind.startswith("tuple"):
        return tuple(filter(None, value.split("+")))
    try:
        number = int(value) if kind == "int" else float(value)
    except ValueError as exc:
        raise ConfigurationError(f"fault {text!r}: {name} must be a number, got {value!r}") from exc
    lowest = 0 if name == "at_s" or name == "factor" else 1e-6
    if math.isnan(number) or number < lowest or (math.isinf(number) and name != "duration_s"):
        raise ConfigurationError(f"fault {text!r}: {name} must be a finite number above 0, got {value}")
    return number
