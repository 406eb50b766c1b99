"""Hardware profiles: what they contain, and how they are read and checked."""

from __future__ import annotations

import difflib
import re
import string
import tomllib
import types
import typing
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, ValidationInfo, field_validator, model_validator

from hardware_profiles.hard_limits import (
    MAX_CEILING_MA,
    MAX_CHARGE_NC,
    MAX_LEAD_S,
    MAX_LEASE_S,
    MAX_RATE_HZ,
    MAX_WIDTH_US,
)
from hardware_profiles.wording import LONGEST_VALUE, quote, show

__all__ = [
    "AcquisitionSection",
    "CheckSection",
    "DaqmxTable",
    "DeviceSection",
    "FootAct",
    "FootSwitchSection",
    "GuardSection",
    "HardwareProfile",
    "ProfileError",
    "SafetySection",
    "SerialTable",
    "SoundSection",
    "StimulusSection",
    "list_profiles",
    "load_profile",
]

SCHEMA_VERSION = 1

_PACKAGE = "hardware_profiles"
_SUFFIX = ".toml"
_SCALE_TOLERANCE = 0.01  # of two figures that say the same, one of them rounded
_LARGEST_FILE_BYTES = 1_000_000  # a profile has a few kilobytes; anything larger is another kind of file

# What the command templates of a serial stimulator may mention, and how many of each go into 1 mA or 1 µs.
_TEMPLATE_FIELDS: Mapping[str, Mapping[str, float]] = {
    "set_intensity": {"intensity_ma": 1.0, "intensity_a": 1e-3, "intensity_ua": 1e3},
    "set_width": {"width_us": 1.0, "width_ms": 1e-3, "width_s": 1e-6},
}

# How a number may be written; a width of a billion would fill the memory.
_TEMPLATE_SPEC = re.compile(r"[<>=^]?[+\- ]?0?\d{0,2},?(\.\d{1,2})?[a-zA-Z%]?")

Positive = Annotated[float, Field(gt=0)]
Rate = Annotated[float, Field(gt=0, le=MAX_RATE_HZ)]
Name = Annotated[str, Field(min_length=1)]


class ProfileError(ValueError):
    """A hardware profile that cannot be used. The message is one line: file, key, value, limit and what to do."""


class _Section(BaseModel):
    # Strict: a text "10" or `true` where a number belongs is a mistake in a file that decides on currents.
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class DaqmxTable(_Section):
    """Channels and scales of an NI-DAQmx card."""

    needle_channel: Name
    monitor_channel: Name
    trigger_channel: Name
    trigger_output_channel: Name
    stimulus_output_channel: Name | None = None
    ma_per_v: Positive | None = None
    monitor_ma_per_v: Positive
    input_range_v: Annotated[float, Field(gt=0, le=10)] = 10.0
    output_range_v: Annotated[float, Field(gt=0, le=10)] = 10.0
    trigger_high_v: Annotated[float, Field(gt=0, le=10)] = 5.0
    terminal_configuration: Literal["default", "differential", "rse", "nrse", "pseudo_differential"] = "default"
    input_buffer_s: Annotated[float, Field(ge=1, le=60)] = 10.0
    chunk_s: Annotated[float, Field(ge=0.005, le=0.1)] = 0.02
    grpc_address: str | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        names = [self.needle_channel, self.monitor_channel, self.trigger_channel]
        if len(set(names)) != len(names):
            raise ValueError(f"needle_channel, monitor_channel and trigger_channel must differ, got {', '.join(names)}")
        if self.stimulus_output_channel == self.trigger_output_channel:
            raise ValueError(
                f"stimulus_output_channel and trigger_output_channel must differ, got {self.trigger_output_channel}"
            )
        return self


class SerialTable(_Section):
    """A triggered isolated stimulator whose intensity and width are set over a serial line.

    What goes over the line is lines of printable ASCII that end in `terminator`. With a `checksum`, each line in both
    directions carries two hexadecimal digits right before its terminator: the exclusive or ("xor") or the sum modulo
    256 ("sum8") of all characters before them. With `echo`, the stimulator repeats each line it gets, character for
    character, before anything else. Commands that are "" are not sent.
    """

    port: Name
    baud_rate: Annotated[int, Field(ge=300, le=4_000_000)] = 9600
    byte_size: Annotated[int, Field(ge=7, le=8)] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: Annotated[int, Field(ge=1, le=2)] = 1
    timeout_s: Annotated[float, Field(gt=0, le=5)] = 0.5
    settling_s: Annotated[float, Field(ge=0, le=2)] = 0.02  # from a new intensity to the first trigger that may follow
    terminator: Literal["\n", "\r", "\r\n", "\n\r"] = "\n"
    echo: bool = False
    checksum: Literal["none", "xor", "sum8"] = "none"
    identify: str = "*IDN?"
    expect_identity: Name | None = None  # a part of the answer to `identify`
    clear: str = "*CLS"
    output_on: Name = "OUTP ON"
    output_off: Name = "OUTP OFF"
    query_output: Name | None = None  # answered by 1, 0, ON or OFF
    set_intensity: Name = "SOUR:CURR {intensity_a:.6E}"
    query_intensity: Name = "SOUR:CURR?"
    read_back_unit: Literal["a", "ma", "ua"] = "a"
    # A fifth of the usual step of 0.05 mA: rounding passes, a wrong step does not.
    read_back_tolerance_ma: Annotated[float, Field(gt=0, le=0.1)] = 0.01
    set_width: Name | None = None  # without it the width is set by hand
    query_width: Name | None = None
    read_back_width_unit: Literal["s", "ms", "us"] = "s"
    read_back_width_tolerance_us: Annotated[float, Field(gt=0, le=20)] = 1.0
    query_error: str = "SYST:ERR?"  # answered by 0,"No error" where there is none

    @field_validator(
        "identify",
        "expect_identity",
        "clear",
        "output_on",
        "output_off",
        "query_output",
        "set_intensity",
        "query_intensity",
        "set_width",
        "query_width",
        "query_error",
    )
    @classmethod
    def _check_template(cls, template: str | None, info: ValidationInfo) -> str | None:
        if template is None or info.field_name == "expect_identity":
            return template
        if not (template.isascii() and template.isprintable()):
            raise ValueError("may only have printable ASCII characters; the terminator is added when it is sent")
        fields = _TEMPLATE_FIELDS.get(str(info.field_name))
        if fields is None:
            if "{" in template or "}" in template:
                raise ValueError("has braces, but only set_intensity and set_width are filled in; write it out")
            return template
        known = ", ".join(fields)
        used = set()
        for _, field, spec, conversion in string.Formatter().parse(template):
            if field is None:
                continue
            if field not in fields:
                raise ValueError(f"mentions {{{field}}}, this template may only mention {known}")
            if conversion or not _TEMPLATE_SPEC.fullmatch(spec or ""):
                raise ValueError(f"writes {field} in a way that is not known here; write it like {{{field}:.6E}}")
            used.add(field)
        if not used:
            raise ValueError("must mention " + " or ".join(f"{{{field}}}" for field in sorted(fields)))
        return template

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not (self.identify or self.query_error):
            raise ValueError(
                "identify and query_error must not both be empty; without either, a late answer cannot be told from a "
                "present one"
            )
        if self.expect_identity is not None and not self.identify:
            raise ValueError(f"expect_identity = {self.expect_identity!r} needs identify; write the question there")
        for intensity_ma in _PROBES_MA:
            self.fill_intensity(intensity_ma=intensity_ma)
        for width_us in _PROBES_US:
            self.fill_width(width_us=width_us)
        return self

    def fill_intensity(self, *, intensity_ma: float) -> str:
        """Write the command that sets an intensity.

        Raises
        ------
        ValueError
            When the template writes another number than the intensity, by more than `read_back_tolerance_ma`.
        """
        return _fill("set_intensity", self.set_intensity, intensity_ma, self.read_back_tolerance_ma, "mA")

    def fill_width(self, *, width_us: float) -> str:
        """Write the command that sets a width; empty where there is none.

        Raises
        ------
        ValueError
            When the template writes another number than the width, by more than `read_back_width_tolerance_us`.
        """
        if self.set_width is None:
            return ""
        return _fill("set_width", self.set_width, width_us, self.read_back_width_tolerance_us, "µs")

    def read_intensity_ma(self, number: float) -> float:
        """Convert the number that answers `query_intensity` to milliampere."""
        return number / _TEMPLATE_FIELDS["set_intensity"][f"intensity_{self.read_back_unit}"]

    def read_width_us(self, number: float) -> float:
        """Convert the number that answers `query_width` to microseconds."""
        return number / _TEMPLATE_FIELDS["set_width"][f"width_{self.read_back_width_unit}"]


# Uneven numbers over the whole range show a template that rounds too coarsely or groups digits.
_PROBES_MA = (0.0, 0.0512345, 1.2345678, 9.8765432, MAX_CEILING_MA)
_PROBES_US = (1.0, 40.0, 98.7, 123.4, MAX_WIDTH_US)


def _fill(key: str, template: str, value: float, tolerance: float, unit: str) -> str:
    """Fill a command template with one value, and see that what it writes is that value."""
    parts = []
    for literal, field, spec, _ in string.Formatter().parse(template):
        parts.append(literal)
        if field is None:
            continue
        per_unit = _TEMPLATE_FIELDS[key][field]
        try:
            text = format(value * per_unit, spec or "")
            written = float(text) / per_unit
        except ValueError as exc:
            advice = f"write it like {{{field}:.6E}}"
            raise ValueError(f"{key} = {template!r} cannot write {value:g} {unit}; {advice}") from exc
        if not abs(written - value) <= tolerance:
            raise ValueError(
                f"{key} = {template!r} writes {text} for {value:g} {unit}, off by more than {tolerance:g} {unit}; "
                "give it more digits"
            )
        parts.append(text)
    return "".join(parts)


class DeviceSection(_Section):
    """Which device opens, and the tables of its kind."""

    kind: Name
    daqmx: DaqmxTable | None = None
    serial: SerialTable | None = None
    options: dict[str, str | int | float | bool] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.kind in {"daqmx", "daqmx+serial"} and self.daqmx is None:
            raise ValueError(f"daqmx is missing, a device of kind {self.kind!r} needs the table [device.daqmx]")
        if self.kind == "daqmx+serial" and self.serial is None:
            raise ValueError(f"serial is missing, a device of kind {self.kind!r} needs the table [device.serial]")
        if self.kind == "daqmx" and self.daqmx is not None:
            for key in ("stimulus_output_channel", "ma_per_v"):
                if getattr(self.daqmx, key) is None:
                    raise ValueError(f"daqmx.{key} is missing, a stimulator driven by a voltage needs it")
        return self


class AcquisitionSection(_Section):
    """How the needle is sampled and what a sweep is."""

    sample_rate_hz: Annotated[float, Field(ge=20_000, le=500_000)] = 50_000.0
    band_hz: Annotated[tuple[Positive, Positive], Field(strict=False)] = (500.0, 10_000.0)
    filter_in_program: bool = True  # false where the amplifier has this band already
    sweep_before_ms: Annotated[float, Field(ge=0.5, le=20)] = 2.0
    sweep_after_ms: Annotated[float, Field(ge=5, le=200)] = 20.0
    mains_hz: Literal[50, 60] = 50
    lead_s: Annotated[float, Field(ge=0.01, le=MAX_LEAD_S)] = 0.25
    needle_gain: Positive = 1000.0
    needle_full_scale_uv: Positive = 10_000.0
    needle_quantum_uv: Positive | None = None
    monitor_full_scale_ma: Positive = 25.0
    monitor_quantum_ma: Positive | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        low_hz, high_hz = self.band_hz
        if low_hz >= high_hz:
            raise ValueError(f"band_hz = [{low_hz:g}, {high_hz:g}] must rise; write the high-pass first")
        if high_hz >= self.sample_rate_hz / 2:
            raise ValueError(
                f"band_hz reaches {high_hz:g} Hz, but {self.sample_rate_hz:g} Hz sampling carries less than "
                f"{self.sample_rate_hz / 2:g} Hz; sample faster or lower the upper edge"
            )
        return self


class StimulusSection(_Section):
    """What may be delivered."""

    ceiling_ma: Annotated[float, Field(gt=0, le=MAX_CEILING_MA)]
    step_ma: Positive = 0.05
    coarse_step_ma: Positive = 0.2
    largest_step_ma: Positive = 0.5
    scan_ceiling_ma: Positive | None = None
    rates_hz: Annotated[tuple[Rate, ...], Field(strict=False, min_length=1)] = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0)
    default_rate_hz: Positive = 10.0
    max_rate_hz: Rate = 20.0
    width_us: Annotated[float, Field(gt=0, le=MAX_WIDTH_US)] = 100.0
    max_width_us: Annotated[float, Field(gt=0, le=MAX_WIDTH_US)] = 200.0
    max_charge_nc: Annotated[float, Field(gt=0, le=MAX_CHARGE_NC)] = 1000.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        def at_most(key: str, value: float, limit_key: str, limit: float) -> None:
            if value > limit:
                raise ValueError(f"{key} = {value:g} is above {limit_key} = {limit:g}; lower it")

        at_most("step_ma", self.step_ma, "coarse_step_ma", self.coarse_step_ma)
        at_most("coarse_step_ma", self.coarse_step_ma, "largest_step_ma", self.largest_step_ma)
        at_most("largest_step_ma", self.largest_step_ma, "ceiling_ma", self.ceiling_ma)
        if self.scan_ceiling_ma is not None:
            at_most("scan_ceiling_ma", self.scan_ceiling_ma, "ceiling_ma", self.ceiling_ma)
        for rate_hz in self.rates_hz:
            at_most("rates_hz", rate_hz, "max_rate_hz", self.max_rate_hz)
        if list(self.rates_hz) != sorted(set(self.rates_hz)):
            raise ValueError(f"rates_hz = {list(self.rates_hz)} must rise, each rate once")
        if self.default_rate_hz not in self.rates_hz:
            raise ValueError(f"default_rate_hz = {self.default_rate_hz:g} is not among rates_hz; add it there")
        at_most("width_us", self.width_us, "max_width_us", self.max_width_us)
        at_most("ceiling_ma × width_us", self.ceiling_ma * self.width_us, "max_charge_nc", self.max_charge_nc)
        return self


class GuardSection(_Section):
    """The margin that every stimulus must keep above every fibre's threshold, and how often it is tested."""

    absolute_ma: Positive = 0.5
    relative: Annotated[float, Field(gt=0, le=2)] = 0.20
    combine: Literal["relative", "absolute", "either", "both", "larger", "spread"] = "relative"
    scope: Literal["each", "highest"] = "each"  # highest: all fibres are judged by the one with the least margin
    test_one_in: Annotated[int, Field(ge=0, le=1000)] = 20  # 0: never
    # suspicion: a missed test is repeated, and tests are given at once where the guard doubts the margin; every_miss: a
    # missed test is repeated, nothing else; off: never, as with test_one_in = 0
    test_policy: Literal["suspicion", "every_miss", "off"] = "suspicion"
    most_retests: Annotated[int, Field(ge=1, le=50)] = 20  # tests without a turn of measuring, while in doubt
    most_unanswered: Annotated[int, Field(ge=1, le=10)] = 3  # tests on their way, while in doubt
    doubt_level: Annotated[float, Field(gt=0, lt=1)] = 0.1  # P(margin lost) from which tests are given at once
    may_lower: bool = False  # whether the program may lower the intensity by itself; it never raises it

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.test_one_in in (1, 2):
            raise ValueError(
                f"test_one_in = {self.test_one_in} leaves nothing to measure; use 0 (never) or 3 and above"
            )
        return self


class SafetySection(_Section):
    """The dead man's time, and how closely the monitor must agree with what was commanded."""

    lease_s: Annotated[float, Field(ge=0.05, le=MAX_LEASE_S)] = 0.5
    amplitude_tolerance_relative: Annotated[float, Field(gt=0, le=0.5)] = 0.10
    amplitude_tolerance_ma: Annotated[float, Field(gt=0, le=1)] = 0.05
    onset_tolerance_us: Annotated[float, Field(gt=0, le=1000)] = 100.0
    presence_s: Annotated[float, Field(ge=30, le=3600)] = 600.0  # attended: without any key for so long, output to rest


class CheckSection(_Section):
    """What the self-test on a resistor allows, and how far it goes by itself."""

    up_to_ma: Positive = 2.0  # largest intensity where the user names none; the ceiling binds in any case
    needle_noise_uv: Positive = 20.0  # RMS in the recording band
    mains_uv: Positive = 10.0  # RMS of the mains frequency and its harmonics together
    needle_offset_relative: Annotated[float, Field(gt=0, le=1)] = 0.1  # of full scale
    monitor_noise_ma: Positive = 0.02  # RMS
    leak_ma: Positive = 0.01  # mean between pulses; 10 µA is the usual bound on direct current through a patient (MEM)
    onset_spread_us: Annotated[float, Field(ge=0, le=1000)] = 0.0  # trigger against command; 0: the same to the sample
    monitor_delay_us: Positive = 50.0  # current against trigger
    width_tolerance_us: Positive = 20.0
    gain_tolerance_relative: Annotated[float, Field(gt=0, le=0.5)] = 0.05
    offset_tolerance_ma: Positive = 0.02
    residual_tolerance_relative: Annotated[float, Field(gt=0, le=0.5)] = 0.03  # of the largest intensity, or
    residual_tolerance_ma: Positive = 0.02  # this, whichever is larger
    sample_rate_tolerance_ppm: Positive = 200.0  # card against host
    dead_man_s: Annotated[float, Field(gt=0, le=MAX_LEASE_S + MAX_LEAD_S)] | None = None  # promised, below lease + lead


class SoundSection(_Section):
    """What is heard of a study that somebody attends. Volumes run from 0 to 1; they start low."""

    output: Literal["device", "off"] = "device"  # off: nothing is heard unless the command line asks for it
    needle: Annotated[float, Field(ge=0, le=1)] = 0.3
    tones: Annotated[float, Field(ge=0, le=1)] = 0.4
    spoken: bool = False  # figures in words, with the package pyttsx3 and a voice of the system
    spoken_every_s: Annotated[float, Field(ge=5, le=600)] = 30.0
    device: Name | None = None  # a part of the sound device's name; the usual one without it


# What a foot may ask for. Not more current, and not the end of the study: both are too easily trodden on.
FootAct = Literal[
    "stop", "accept", "begin", "scan", "restore", "lower", "lower coarse", "tests", "mark", "new recording", "leave"
]


class FootSwitchSection(_Section):
    """A switch under the foot: one that types a key, or a contact on a control line of a serial port.

    A contact that `hold` is given to is told by its length: `press` is done when it opens within `hold_s`, `hold` as
    soon as it has been closed for so long. A press that stops acts at once, whatever follows. What types a key has no
    length, so `hold` is for contacts alone.
    """

    kind: Literal["key", "serial"]
    press: FootAct = "accept"
    key: Annotated[str, Field(min_length=1, max_length=24)] | None = None  # of kind "key"
    port: Name | None = None  # of kind "serial", as the rest
    pin: Literal["cts", "dsr", "dcd", "ri"] = "cts"
    normally: Literal["open", "closed"] = "open"
    feed: Literal["rts", "dtr", "both"] = "both"  # the lines that are set to a voltage, for the contact to pass on
    hold: FootAct | Literal["none"] | None = None  # left out: stop
    hold_s: Annotated[float, Field(ge=0.3, le=3)] = 0.6

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.kind == "key":
            if self.key is None:
                raise ValueError('key is missing, a switch that types needs its key; add it, as in key = "f13"')
            if self.key != self.key.strip().lower() or not self.key.isprintable():
                raise ValueError(f"key = {quote(self.key)} is no name of a key; write it small, as in f13 or page up")
            if self.key == "space" and self.press != "stop":
                raise ValueError(f"key = 'space' always stops, so press = {self.press!r} cannot be; choose another key")
            if self.hold is not None:
                raise ValueError(f"hold = {self.hold!r} is for a contact on a serial port; remove it")
        else:
            if self.port is None:
                raise ValueError("port is missing, a contact needs the serial port it hangs on; add it")
            if self.key is not None:
                raise ValueError(f"key = {quote(self.key)} is for a switch that types; remove it, or set kind = 'key'")
            if self.press == "stop" and self.hold not in (None, "none", "stop"):
                raise ValueError(f"hold = {self.hold!r} cannot be where press = 'stop', which acts at once; remove it")
        return self

    @property
    def hold_act(self) -> FootAct | None:
        """What a long press asks for; None where its length does not matter."""
        if self.kind == "key" or self.press == "stop" or self.hold == "none":
            return None
        return self.hold if self.hold is not None else "stop"


class HardwareProfile(_Section):
    """A whole profile; frozen."""

    schema_version: Literal[1]
    name: Name
    description: str = ""
    device: DeviceSection
    acquisition: AcquisitionSection = AcquisitionSection()
    stimulus: StimulusSection
    guard: GuardSection = GuardSection()
    safety: SafetySection = SafetySection()
    check: CheckSection = CheckSection()
    sound: SoundSection = SoundSection()
    foot_switch: FootSwitchSection | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        daqmx, line, switch = self.device.daqmx, self.device.serial, self.foot_switch
        if line is not None and switch is not None and switch.port == line.port:
            raise ValueError(
                f"foot_switch.port = {quote(switch.port)} is the stimulator's own line (device.serial.port); give the "
                "foot switch a port of its own"
            )
        if daqmx is not None and daqmx.ma_per_v is not None:
            reach_ma = daqmx.ma_per_v * daqmx.output_range_v
            if self.stimulus.ceiling_ma > reach_ma:
                raise ValueError(
                    f"stimulus.ceiling_ma = {self.stimulus.ceiling_ma:g} is more than the {reach_ma:g} mA that "
                    "device.daqmx.ma_per_v × output_range_v can drive; lower it"
                )
        if daqmx is not None:
            self._check_scales(daqmx)
        if self.stimulus.ceiling_ma > self.acquisition.monitor_full_scale_ma:
            raise ValueError(
                f"stimulus.ceiling_ma = {self.stimulus.ceiling_ma:g} is above acquisition.monitor_full_scale_ma = "
                f"{self.acquisition.monitor_full_scale_ma:g}, so pulses could not be verified; lower it"
            )
        return self

    def _check_scales(self, daqmx: DaqmxTable) -> None:
        """Two values that say the same must agree: a wrong scale here is a wrong current, or an unseen saturation."""
        acquisition, stimulus = self.acquisition, self.stimulus
        for key, value, says, follows in (
            (
                "needle_full_scale_uv",
                acquisition.needle_full_scale_uv,
                "device.daqmx.input_range_v ÷ needle_gain",
                1e6 * daqmx.input_range_v / acquisition.needle_gain,
            ),
            (
                "monitor_full_scale_ma",
                acquisition.monitor_full_scale_ma,
                "device.daqmx.input_range_v × monitor_ma_per_v",
                daqmx.input_range_v * daqmx.monitor_ma_per_v,
            ),
        ):
            if abs(value - follows) > _SCALE_TOLERANCE * follows:
                raise ValueError(f"acquisition.{key} = {value:g} is not the {follows:g} of {says}; correct one of them")
        if daqmx.stimulus_output_channel is not None:
            n_samples = stimulus.width_us * acquisition.sample_rate_hz / 1e6
            if abs(n_samples - round(n_samples)) > _SCALE_TOLERANCE or round(n_samples) < 1:
                raise ValueError(
                    f"stimulus.width_us = {stimulus.width_us:g} is {n_samples:g} samples at "
                    f"acquisition.sample_rate_hz = {acquisition.sample_rate_hz:g}; the output has whole ones: choose "
                    "another width or rate"
                )


def list_profiles() -> tuple[str, ...]:
    """Names of the profiles that come with the program, sorted."""
    names = [entry.name for entry in resources.files(_PACKAGE).iterdir() if entry.name.endswith(_SUFFIX)]
    return tuple(sorted(name.removesuffix(_SUFFIX) for name in names))


def load_profile(name_or_path: str | Path) -> HardwareProfile:
    """Read and check a profile.

    Parameters
    ----------
    name_or_path : str or Path
        The name of a profile that comes with the program (`list_profiles`), or the path of a TOML file.

    Returns
    -------
    HardwareProfile
        Frozen and within the hard limits.

    Raises
    ------
    ProfileError
        With one line that says which file, which key, which value, which limit, and what to do.
    """
    source, content = _read(name_or_path)
    try:
        data = tomllib.loads(content.decode("utf-8-sig"))  # some editors put a byte-order mark first
    except UnicodeDecodeError as exc:
        raise ProfileError(f"{source}: not a text file in UTF-8; give a TOML profile") from exc
    except (ValueError, RecursionError) as exc:  # also of a number with too many digits, or too many brackets
        raise ProfileError(f"{source}: not valid TOML, {show(str(exc))}; correct that line") from exc
    version = data.get("schema_version")
    if version is None:
        raise ProfileError(f"{source}: schema_version is missing; write schema_version = {SCHEMA_VERSION} at the top")
    if version != SCHEMA_VERSION or isinstance(version, bool):
        raise ProfileError(
            f"{source}: schema_version = {quote(version)}, this program reads version {SCHEMA_VERSION}; convert the "
            "profile"
        )
    try:
        return HardwareProfile.model_validate(data)
    except ValidationError as exc:
        raise ProfileError(f"{source}: {_explain(exc)}") from exc
    except (OverflowError, RecursionError) as exc:
        raise ProfileError(f"{source}: a value is too large or too deep ({show(str(exc))}); correct it") from exc


def _read(name_or_path: str | Path) -> tuple[str, bytes]:
    if isinstance(name_or_path, str) and name_or_path in list_profiles():
        file_name = name_or_path + _SUFFIX
        return file_name, resources.files(_PACKAGE).joinpath(file_name).read_bytes()
    path = Path(name_or_path)
    known = ", ".join(list_profiles())
    if isinstance(name_or_path, str) and path.suffix != _SUFFIX and len(path.parts) <= 1 and not path.exists():
        raise ProfileError(f"no profile {name_or_path!r}; choose one of {known}, or give the path of a TOML file")
    try:
        if path.is_dir():
            raise ProfileError(f"{path}: a folder, not a profile; give a TOML file or one of {known}")
        if path.exists() and not path.is_file():  # a pipe would be waited for
            raise ProfileError(f"{path}: no file; give a TOML file or one of {known}")
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise ProfileError(f"{path}: {path.stat().st_size} bytes are too many for a profile; give a TOML file")
        return str(path), path.read_bytes()
    except FileNotFoundError as exc:
        raise ProfileError(f"{path}: no such file; give a TOML file or one of {known}") from exc
    except (OSError, ValueError) as exc:
        if isinstance(exc, ProfileError):
            raise
        reason = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
        raise ProfileError(f"{path}: cannot be read ({reason}); check the path and its permissions") from exc


def _explain(exc: ValidationError) -> str:
    """Tell the first problem in one line, with the number of further ones."""
    # A misspelt key leaves another one missing; the misspelling is what the reader can act on.
    errors = sorted(exc.errors(include_url=False), key=lambda error: error["type"] != "extra_forbidden")
    text = show(_explain_one(dict(errors[0])))
    further = len(errors) - 1
    return text if not further else f"{text} (and {further} more)"


def _explain_one(error: dict[str, Any]) -> str:
    key = ".".join(show(str(part), LONGEST_VALUE) for part in error["loc"])
    kind: str = error["type"]
    context: Mapping[str, Any] = error.get("ctx", {})
    shown = f"{key} = {quote(error['input'])}"
    if kind == "missing":
        return f"{key} is missing; add it"
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(str(error["loc"][-1]), _known_keys(error["loc"][:-1]), n=1)
        return f"{key} is not a key of a profile; " + (f"did you mean {near[0]}?" if near else "remove it")
    if kind == "value_error":
        own = str(context["error"])
        if isinstance(error["input"], dict):
            return f"{key}.{own}" if key else own
        return f"{shown} {own}; correct it"
    if kind == "finite_number":
        return f"{shown} is not a finite number; give a number"
    for name, words, advice in (
        ("gt", "must be above", "raise it"),
        ("ge", "must be at least", "raise it"),
        ("lt", "must be below", "lower it"),
        ("le", "must be at most", "lower it"),
    ):
        if name in context:
            return f"{shown} {words} {context[name]:g}; {advice}"
    if kind == "literal_error":
        return f"{shown} must be {context['expected']}; choose one"
    if isinstance(error["input"], dict):
        return f"{key} must not be a table; correct it"
    return f"{shown}: {error['msg'][:1].lower()}{error['msg'][1:]}; correct it"


def _known_keys(location: tuple[int | str, ...]) -> list[str]:
    """Keys of the section at a location, for a suggestion."""
    model: type[BaseModel] = HardwareProfile
    for part in location:
        info = model.model_fields.get(str(part))
        if info is None:
            return []
        annotation = info.annotation
        options = typing.get_args(annotation) if isinstance(annotation, types.UnionType) else (annotation,)
        found = [option for option in options if isinstance(option, type) and issubclass(option, BaseModel)]
        if not found:
            return []
        model = found[0]
    return list(model.model_fields)
