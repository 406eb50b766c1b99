"""What a simulated patient is made of: the scenario, read from TOML and checked before anything uses it.

Defaults carry their source in a comment. PUB: read in the cited publication. SEC: read in a secondary source.
PRACTICE: common practice of the trade. MEM: from memory, not seen. DER: arithmetic on the others.
"""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from acq.errors import ConfigurationError

__all__ = [
    "Artefact",
    "Axon",
    "Distant",
    "Electrode",
    "Endplate",
    "Fibre",
    "Noise",
    "Scenario",
    "Stimulator",
    "ThresholdJump",
    "ThresholdRamp",
    "list_scenarios",
    "load_scenario",
]

SCHEMA_VERSION = 1

_Positive = Annotated[float, Field(gt=0)]
_NotNegative = Annotated[float, Field(ge=0)]
_Probability = Annotated[float, Field(ge=0, le=1)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class ThresholdJump(_Part):
    """The threshold is multiplied by `factor` at `at_s`, for good: an electrode that moved."""

    kind: Literal["jump"]
    at_s: _NotNegative
    factor: _Positive


class ThresholdRamp(_Part):
    """The threshold changes by `percent_per_s` of its value at the beginning, from `from_s` to `until_s`, and stays."""

    kind: Literal["ramp"]
    from_s: _NotNegative
    until_s: _Positive
    percent_per_s: float

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.until_s <= self.from_s:
            raise ValueError(f"until_s must lie after from_s ({self.from_s:g}), got {self.until_s:g}")
        if 1 + self.percent_per_s / 100 * (self.until_s - self.from_s) <= 0:
            raise ValueError("the ramp would bring the threshold to zero or below")
        return self


class Endplate(_Part):
    """One neuromuscular junction."""

    delay_us: _NotNegative = 700.0  # MEM
    # Well inside the healthy range: 12.7 ± 6.1 µs MCD for single endplates, PUB Valls-Canals 2000, Muscle Nerve 23:779.
    jitter_sd_us: _NotNegative = 11.0
    # 0 is Gaussian; a low quantal content skews towards long latencies (MEM).
    skewness: Annotated[float, Field(ge=0, le=3)] = 0.0
    blocking_probability: _Probability = 0.0


class Fibre(_Part):
    """One muscle fibre with its endplate, as the needle sees it."""

    endplate: Endplate = Endplate()
    distance_mm: _Positive = 10.0  # endplate to needle; MEM
    # At rest; 0.05·d + 0.95 m/s with d = 40 µm, PUB Blijham 2006, J Appl Physiol 100:1837.
    velocity_m_s: _Positive = 2.95
    # Such that 6.6 → 28 per second is +12.3 %, PUB Muscle Nerve 2008 (sternocleidomastoid); the value is DER.
    velocity_gain: _NotNegative = 0.101
    # Such that intermittent blocking at threshold adds about 40 µs, PUB "Jitter of the stimulated motor axon", Muscle
    # Nerve 1992 (journal MEM); the value is DER.
    velocity_memory_s: _Positive = 0.5
    # Such that the second of two responses 8 ms apart is 15 % faster (10–20 % at 6–10 ms, PUB Blijham 2006); DER.
    early_gain: _NotNegative = 0.17
    early_memory_ms: _Positive = 10.0
    refractory_ms: _Positive = 3.0  # 2.2–4.6 ms, PUB Blijham 2006
    # Above 200 µV is acceptable, PUB workshop abstract WS6.1.
    amplitude_uv: _Positive = 900.0
    # Positive to negative peak as recorded; below 300 µs is acceptable, PUB workshop abstract WS6.1.
    rise_time_us: Annotated[float, Field(ge=90, le=1000)] = 170.0
    amplitude_sd_relative: Annotated[float, Field(ge=0, le=0.3)] = 0.01  # from one response to the next; MEM
    latency_drift_us_per_min: float = 0.0  # the muscle stretched or slackened slowly; PRACTICE


class Axon(_Part):
    """One motor axon under the cathode, and the muscle fibres of it that the needle sees."""

    theta_ma: Annotated[float, Field(gt=0, le=100)]  # fires half the time, at `reference_width_us`
    relative_spread: Annotated[float, Field(gt=0, le=0.2)] = 0.015  # 1–2 %, MEM; cumulative Gaussian, PUB Verveen
    reference_width_us: _Positive = 100.0
    weiss_constant_us: _NotNegative = 459.0  # PUB Mogyoros 1996, Brain 119:439
    conduction_us: _NotNegative = 850.0  # cathode to terminal; MEM
    latency_constant_us: _NotNegative = 33.0  # membrane charging; DER from axon models
    # Keeps the axon's own jitter at threshold at about 5 µs, PUB Muscle Nerve 1992 as above; the value is DER.
    latency_softening: _Positive = 0.07
    refractory_ms: _Positive = 2.75  # 2.5–3.0 ms, PUB
    # 10 min at 8 Hz raise the threshold by 9.9 %, recovering over 15–20 min, PUB J Physiol 2004;558:341; values DER.
    activity_rise_per_discharge: _NotNegative = 3.6e-5
    activity_recovery_s: _Positive = 480.0
    drift_percent_per_min: float = 0.0
    diffusion_percent_per_sqrt_s: Annotated[float, Field(ge=0, le=10)] = 0.0
    threshold_event: Annotated[
        tuple[Annotated[ThresholdJump | ThresholdRamp, Field(discriminator="kind")], ...], Field(strict=False)
    ] = ()
    fibre: Annotated[tuple[Fibre, ...], Field(strict=False, min_length=1)]


class Electrode(_Part):
    """The needle and its amplifier."""

    kind: Literal["single_fibre", "concentric"] = "single_fibre"
    high_pass_hz: _Positive = 500.0  # PUB workshop abstract WS6.1
    low_pass_hz: _Positive = 10_000.0  # MEM
    full_scale_uv: _Positive = 10_000.0  # 16 bits over ± full scale

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.low_pass_hz <= self.high_pass_hz:
            raise ValueError(
                f"low_pass_hz must be above high_pass_hz ({self.high_pass_hz:g}), got {self.low_pass_hz:g}"
            )
        return self


class Noise(_Part):
    """What the amplifier adds, RMS behind the front end."""

    thermal_uv: _NotNegative = 8.0  # MEM
    flicker_uv: _NotNegative = 3.0  # 1/f in power; MEM
    mains_hz: Annotated[float, Field(ge=40, le=70)] = 50.0
    mains_uv: _NotNegative = 1.0  # fundamental; MEM


class Artefact(_Part):
    """The stimulus in the needle channel: the pulse itself and two decaying exponentials, scaled with the current."""

    uv_per_ma: float = -1200.0  # MEM, as all of the artefact
    fast_us: _Positive = 250.0
    slow_us: _Positive = 1200.0
    slow_fraction: _Probability = 0.08


class Distant(_Part):
    """Remote fibres that the same stimulus excites: small, slow, locked to the stimulus, and no fibre of the study."""

    count: Annotated[int, Field(ge=0, le=50)] = 6  # MEM, as all of this part
    amplitude_uv: _NotNegative = 12.0  # mean, peak to peak
    rise_time_us: Annotated[float, Field(ge=200, le=1000)] = 600.0
    latency_from_us: _Positive = 2500.0
    latency_until_us: _Positive = 8000.0
    theta_from_ma: _Positive = 0.4
    theta_until_ma: _Positive = 3.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.latency_until_us < self.latency_from_us or self.theta_until_ma < self.theta_from_ma:
            raise ValueError("a range of the distant activity ends before it begins")
        return self


class Stimulator(_Part):
    """The stimulator and the channel that watches its current."""

    max_ma: _Positive = 20.0  # the hardware refuses more
    max_width_us: _Positive = 1000.0
    step_ma: _Positive = 0.001
    monitor_full_scale_ma: _Positive = 25.0  # 16 bits over ± full scale
    monitor_noise_ma: _NotNegative = 0.002  # RMS; MEM


class Scenario(_Part):
    """A simulated patient under one electrode position."""

    schema_version: Literal[1]
    name: Annotated[str, Field(pattern=r"^[a-z0-9_]+$")]
    summary: Annotated[str, Field(min_length=1)]
    axon: Annotated[tuple[Axon, ...], Field(strict=False)] = ()
    electrode: Electrode = Electrode()
    noise: Noise = Noise()
    artefact: Artefact = Artefact()
    distant: Distant = Distant()
    stimulator: Stimulator = Stimulator()

    @property
    def n_fibres(self) -> int:
        """Muscle fibres the needle sees."""
        return sum(len(axon.fibre) for axon in self.axon)


def list_scenarios() -> tuple[str, ...]:
    """Names of the scenarios that come with the program, sorted."""
    directory = resources.files("sim_device") / "scenarios"
    return tuple(
        sorted(entry.name.removesuffix(".toml") for entry in directory.iterdir() if entry.name.endswith(".toml"))
    )


def load_scenario(name_or_path: str | Path) -> Scenario:
    """Read and check a scenario.

    Parameters
    ----------
    name_or_path : str or Path
        A name from `list_scenarios`, or the path of a TOML file (anything with a suffix or a folder in it).

    Raises
    ------
    ConfigurationError
        When there is no such scenario or the file does not hold a valid one.
    """
    text, where = _read(name_or_path)
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise ConfigurationError(f"scenario {where} is not valid TOML: {exc}") from exc
    version = content.get("schema_version")
    if version != SCHEMA_VERSION:
        found = "no schema_version" if version is None else f"schema_version {version!r}"
        raise ConfigurationError(f"scenario {where} has {found}; this program reads version {SCHEMA_VERSION}")
    try:
        return Scenario.model_validate(content)
    except ValidationError as exc:
        raise ConfigurationError(f"scenario {where}: {_explain(exc)}") from exc


def _read(name_or_path: str | Path) -> tuple[str, str]:
    path = Path(name_or_path)
    if isinstance(name_or_path, str) and not path.suffix and path.name == name_or_path:
        known = list_scenarios()
        if name_or_path not in known:
            raise ConfigurationError(f"there is no scenario {name_or_path!r}; choose one of {', '.join(known)}")
        resource = resources.files("sim_device") / "scenarios" / f"{name_or_path}.toml"
        return resource.read_text(encoding="utf-8"), repr(name_or_path)
    try:
        return path.read_text(encoding="utf-8"), str(path)
    except UnicodeDecodeError as exc:
        raise ConfigurationError(f"scenario {path} is not UTF-8 text") from exc
    except OSError as exc:
        raise ConfigurationError(f"scenario {path} cannot be read: {exc.strerror or exc}") from exc


def _explain(exc: ValidationError) -> str:
    """One line for the first thing that is wrong, and how many more there are."""
    errors = exc.errors(include_url=False)
    first = errors[0]
    place = ".".join(str(step) for step in first["loc"]) or "the file"
    if first["type"] == "extra_forbidden":
        text = f"{place} is not a known key; remove it or correct its spelling"
    elif first["type"] == "missing":
        text = f"{place} is missing; add it"
    else:
        message = first["msg"].removeprefix("Value error, ")
        shown = first["input"]
        text = f"{place}: {message}" + (f", got {shown!r}" if isinstance(shown, int | float | str) else "")
    return text + (f" (and {len(errors) - 1} more)" if len(errors) > 1 else "")
