"""What a simulated patient is made of: the scenario, read from TOML and checked before anything uses it.

Defaults carry their source in a comment. PUB: read in the cited publication. SEC: read in a secondary source.
PRACTICE: common practice of the trade. MEM: from memory, not seen. DER: arithmetic on the others.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, ValidationError, model_validator

from acq.errors import ConfigurationError
from hardware_profiles.wording import LONGEST_VALUE, quote, show
from sim_device.scaling import REFERENCE_TEMPERATURE_C, find_amplitude_uv, find_velocity_m_s

__all__ = [
    "STUDY_PREFIX",
    "Artefact",
    "Axon",
    "BlinkReflex",
    "DirectFibre",
    "DirectMuscle",
    "Distant",
    "Electrode",
    "Endplate",
    "Excitable",
    "FWave",
    "Fibre",
    "MuscleMembrane",
    "Noise",
    "Part",
    "QuantalEndplate",
    "ReflexBranch",
    "Resistor",
    "Scenario",
    "Stimulator",
    "StretchJump",
    "StretchRamp",
    "Temperature",
    "ThresholdJump",
    "ThresholdRamp",
    "Voluntary",
    "describe_scenarios",
    "list_files",
    "list_scenarios",
    "load_scenario",
    "read_checked",
]

SCHEMA_VERSION = 1
STUDY_PREFIX = "study_"  # files that hold a whole study, not one site

_LARGEST_FILE_BYTES = 1_000_000  # a scenario has a few kilobytes

_SITE = re.compile(r"(.+):(\d+)")  # "study_healthy:3"
# Names of alternatives that pydantic puts into the place of an error and no file contains.
_TAGS = frozenset({"plain", "safety_factor", "jump", "ramp", "fixed", "uniform", "normal", "lognormal"})

_Positive = Annotated[float, Field(gt=0)]
_NotNegative = Annotated[float, Field(ge=0)]
_Probability = Annotated[float, Field(ge=0, le=1)]


class Part(BaseModel):
    """A table of a file: unknown keys, text for numbers and NaN are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class ThresholdJump(Part):
    """The threshold is multiplied by `factor` at `at_s`, for good: an electrode that moved."""

    kind: Literal["jump"]
    at_s: _NotNegative
    factor: _Positive


class ThresholdRamp(Part):
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


class StretchJump(Part):
    """The muscle is longer by `percent` of its resting length from `at_s` on: the patient moved."""

    kind: Literal["jump"]
    at_s: _NotNegative
    percent: Annotated[float, Field(gt=-50, lt=50)]


class StretchRamp(Part):
    """The muscle lengthens by `percent_per_s` of its resting length from `from_s` to `until_s`, and stays."""

    kind: Literal["ramp"]
    from_s: _NotNegative
    until_s: _Positive
    percent_per_s: float

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.until_s <= self.from_s:
            raise ValueError(f"until_s must lie after from_s ({self.from_s:g}), got {self.until_s:g}")
        if abs(self.percent_per_s) * (self.until_s - self.from_s) >= 50:
            raise ValueError("the ramp would change the length of the muscle by half or more")
        return self


class Endplate(Part):
    """One neuromuscular junction of given jitter and blocking: the kind `plain`."""

    kind: Literal["plain"] = "plain"
    delay_us: _NotNegative = 700.0  # MEM
    # Well inside the healthy range: 12.7 ± 6.1 µs MCD for single endplates, PUB Valls-Canals 2000, Muscle Nerve 23:779.
    jitter_sd_us: _NotNegative = 11.0
    # 0 is Gaussian; a low quantal content skews towards long latencies (MEM).
    skewness: Annotated[float, Field(ge=0, le=3)] = 0.0
    blocking_probability: _Probability = 0.0


class QuantalEndplate(Part):
    """One neuromuscular junction whose jitter and blocking follow from its safety factor: the kind `safety_factor`."""

    kind: Literal["safety_factor"]
    synaptic_delay_us: _NotNegative = 550.0  # terminal to onset of the endplate potential; MEM
    # Mean endplate potential ÷ what fires the fibre. With the defaults below 3.5 has 13 µs of MCD, 1.7 has 41 µs, and
    # 1.2 has 92 µs and blocks in 8 % (DER).
    safety_factor: Annotated[float, Field(gt=0, le=50)] = 3.5  # 2–5 in human muscle, MEM
    quantal_content: Annotated[float, Field(ge=1, le=1000)] = 40.0  # mean number of quanta, rested; 20–60, MEM
    # Of each releasable quantum; 0 is the limit of a Poisson release.
    release_probability: Annotated[float, Field(ge=0, le=0.95)] = 0.5  # MEM
    quantal_size_cv: Annotated[float, Field(ge=0, le=1)] = 0.3  # MEM
    rise_us: _Positive = 700.0  # onset to peak of the endplate potential; MEM
    # Share of the store that one impulse uses up, and how soon it is refilled. 0: no rundown.
    depletion_per_impulse: Annotated[float, Field(ge=0, le=0.5)] = 0.0
    recovery_s: _Positive = 1.0  # MEM


def _find_endplate_kind(value: Any) -> str:
    return str(value.get("kind", "plain") if isinstance(value, Mapping) else getattr(value, "kind", "plain"))


AnyEndplate = Annotated[
    Annotated[Endplate, Tag("plain")] | Annotated[QuantalEndplate, Tag("safety_factor")],
    Discriminator(
        _find_endplate_kind,
        custom_error_type="endplate_kind",
        custom_error_message='kind must be "plain" or "safety_factor"',
    ),
]


class MuscleMembrane(Part):
    """One muscle fibre as the needle sees it, without its endplate."""

    distance_mm: _Positive = 10.0  # endplate, or the point that is stimulated, to needle; MEM
    diameter_um: Annotated[float, Field(gt=0, le=150)] | None = None  # instead of the velocity: 0.05·d + 0.95 m/s
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
    # Slower for a while after a response, beside the gains above; 0 is none.
    subnormal_gain: Annotated[float, Field(ge=0, le=0.5)] = 0.0
    subnormal_memory_ms: _Positive = 3.0  # MEM
    refractory_ms: _Positive = 3.0  # 2.2–4.6 ms, PUB Blijham 2006
    radial_distance_um: Annotated[float, Field(gt=0, le=1000)] | None = None  # instead of the amplitude
    # Above 200 µV is acceptable, PUB workshop abstract WS6.1.
    amplitude_uv: _Positive = 900.0
    # Positive to negative peak as recorded; below 300 µs is acceptable, PUB workshop abstract WS6.1.
    rise_time_us: Annotated[float, Field(ge=90, le=1000)] = 170.0
    width_follows_velocity: bool = False  # then `rise_time_us` is that of the resting fibre at 34 °C
    amplitude_sd_relative: Annotated[float, Field(ge=0, le=0.3)] = 0.01  # from one response to the next; MEM
    latency_drift_us_per_min: float = 0.0  # the muscle stretched or slackened slowly; PRACTICE

    @model_validator(mode="after")
    def _derive(self) -> Self:
        for given, derived, law in (
            ("diameter_um", "velocity_m_s", find_velocity_m_s),
            ("radial_distance_um", "amplitude_uv", find_amplitude_uv),
        ):
            value = getattr(self, given)
            if value is None:
                continue
            found = law(**{given: value})
            if derived in self.model_fields_set and getattr(self, derived) != found:
                raise ValueError(f"{derived} follows from {given}; give one of the two")
            # Frozen for everybody else; this is still the making of it.
            object.__setattr__(self, derived, found)
        return self


class Fibre(MuscleMembrane):
    """One muscle fibre with its endplate, as the needle sees it."""

    endplate: AnyEndplate = Endplate()


class DirectFibre(MuscleMembrane):
    """A muscle fibre that the cathode excites itself, with no endplate between."""


class Excitable(Part):
    """What the cathode can fire: the threshold, how sharp it is, how it moves, and how late the firing is."""

    theta_ma: Annotated[float, Field(gt=0, le=100)]  # fires half the time, at `reference_width_us`
    relative_spread: Annotated[float, Field(gt=0, le=0.2)] = 0.015  # 1–2 %, MEM; cumulative Gaussian, PUB Verveen
    reference_width_us: _Positive = 100.0
    weiss_constant_us: _NotNegative = 459.0  # PUB Mogyoros 1996, Brain 119:439
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


class ReflexBranch(Part):
    """Another branch of the same axon under the cathode: its impulse runs back to the fork and down to the fibres."""

    theta_ma: Annotated[float, Field(gt=0, le=100)]
    detour_us: _Positive  # how much later than the direct way


class FWave(Part):
    """The motoneuron now and then answers the impulse that runs up to it, and the fibres respond a second time."""

    persistence: _Probability = 0.08  # low in the face; the value is MEM
    # Cathode to motoneuron and back: facial F waves come at 8.97 ± 0.53 ms (PUB), compound responses at 3.8 ms (PUB).
    loop_us: _Positive = 5170.0  # DER
    wander_us: _NotNegative = 250.0  # mean of what the motoneuron adds to the shortest loop; MEM


class Axon(Excitable):
    """One motor axon under the cathode, and the muscle fibres of it that the needle sees."""

    conduction_us: _NotNegative = 850.0  # cathode to terminal; MEM
    reflex_branch: Annotated[tuple[ReflexBranch, ...], Field(strict=False)] = ()
    f_wave: FWave | None = None
    fibre: Annotated[tuple[Fibre, ...], Field(strict=False, min_length=1)]

    @model_validator(mode="after")
    def _check(self) -> Self:
        for branch in self.reflex_branch:
            if branch.theta_ma >= self.theta_ma:
                raise ValueError(
                    f"a reflex_branch shows only below the axon's own theta_ma ({self.theta_ma:g}), "
                    f"got theta_ma {branch.theta_ma:g}"
                )
        return self


class DirectMuscle(Excitable):
    """A muscle fibre whose own membrane is excited under the cathode."""

    relative_spread: Annotated[float, Field(gt=0, le=0.2)] = 0.012  # MEM
    weiss_constant_us: _NotNegative = 2000.0  # muscle needs longer pulses than nerve; MEM
    latency_constant_us: _NotNegative = 60.0  # MEM
    fibre: DirectFibre = DirectFibre()


class BlinkReflex(Excitable):
    """A trigeminal afferent under the cathode, and the fibres that answer by way of the brain stem (R1)."""

    # Afferent, brain stem and facial nerve; with endplate and fibre R1 comes at 8–14 ms, SEC Kimura.
    arc_us: _Positive = 6500.0  # MEM
    arc_sd_us: _NotNegative = 400.0  # MEM
    persistence: _Probability = 0.95  # at long intervals; MEM
    # It does not follow beyond about 5 Hz, PRACTICE: at intervals of 0.2 s half are answered.
    half_interval_s: _Positive = 0.2
    steepness: _Positive = 6.0  # MEM
    fibre: Annotated[tuple[Fibre, ...], Field(strict=False, min_length=1)]


class Electrode(Part):
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


class Noise(Part):
    """What the amplifier adds, RMS behind the front end."""

    thermal_uv: _NotNegative = 8.0  # MEM
    flicker_uv: _NotNegative = 3.0  # 1/f in power; MEM
    mains_hz: Annotated[float, Field(ge=40, le=70)] = 50.0
    mains_uv: _NotNegative = 1.0  # fundamental; MEM


class Artefact(Part):
    """The stimulus in the needle channel: the pulse itself and two decaying exponentials, scaled with the current."""

    uv_per_ma: float = -1200.0  # MEM, as all of the artefact
    fast_us: _Positive = 250.0
    slow_us: _Positive = 1200.0
    slow_fraction: _Probability = 0.08


class Distant(Part):
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


class Voluntary(Part):
    """The patient does not relax: Poisson trains of distant potentials that no stimulus evokes."""

    count: Annotated[int, Field(ge=0, le=50)] = 0  # motor units; MEM, as all of this part
    rate_hz: Annotated[float, Field(ge=0, le=50)] = 10.0  # of each
    amplitude_uv: _NotNegative = 40.0  # mean, peak to peak
    rise_from_us: Annotated[float, Field(ge=90, le=1000)] = 250.0
    rise_until_us: Annotated[float, Field(ge=90, le=1000)] = 700.0
    from_s: _NotNegative = 0.0
    until_s: _Positive | None = None  # None: to the end

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.rise_until_us < self.rise_from_us or (self.until_s is not None and self.until_s <= self.from_s):
            raise ValueError("a range of the voluntary activity ends before it begins")
        return self


class Temperature(Part):
    """Of the muscle. All other values hold at 34 °C."""

    muscle_c: Annotated[float, Field(ge=20, le=42)] = REFERENCE_TEMPERATURE_C


class Resistor(Part):
    """No patient: a resistor across the stimulator, of which the needle channel sees a small part."""

    resistance_ohm: _Positive = 1000.0
    tap_ohm: _NotNegative = 0.05  # 1 mA through it is 50 µV in the needle channel

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.tap_ohm > self.resistance_ohm:
            raise ValueError(f"tap_ohm must not exceed resistance_ohm ({self.resistance_ohm:g}), got {self.tap_ohm:g}")
        return self


class Stimulator(Part):
    """The stimulator and the channel that watches its current."""

    max_ma: _Positive = 20.0  # the hardware refuses more
    max_width_us: _Positive = 1000.0
    step_ma: _Positive = 0.001
    monitor_full_scale_ma: _Positive = 25.0  # 16 bits over ± full scale
    monitor_noise_ma: _NotNegative = 0.002  # RMS; MEM


class Scenario(Part):
    """A simulated patient under one electrode position, or a resistor in the patient's place."""

    schema_version: Literal[1]
    name: Annotated[str, Field(pattern=r"^[a-z0-9_]+(:[0-9]+)?$")]  # with a number: that site of a study
    summary: Annotated[str, Field(min_length=1, pattern=r"^[^\n]+$")]
    explanation: str = ""  # what happens, and what the guard should say of it
    axon: Annotated[tuple[Axon, ...], Field(strict=False)] = ()
    direct_muscle: Annotated[tuple[DirectMuscle, ...], Field(strict=False)] = ()
    blink_reflex: Annotated[tuple[BlinkReflex, ...], Field(strict=False)] = ()
    stretch_event: Annotated[
        tuple[Annotated[StretchJump | StretchRamp, Field(discriminator="kind")], ...], Field(strict=False)
    ] = ()
    temperature: Temperature = Temperature()
    electrode: Electrode = Electrode()
    noise: Noise = Noise()
    voluntary: Voluntary = Voluntary()
    artefact: Artefact = Artefact()
    distant: Distant = Distant()
    stimulator: Stimulator = Stimulator()
    resistor: Resistor | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.resistor is not None and (self.n_fibres or self.voluntary.count or self.distant.count):
            raise ValueError("a resistor has no fibres; leave out axon and the like, and set distant.count to 0")
        if self.electrode.kind == "concentric" and any(
            fibre.radial_distance_um is not None for fibre in self.list_fibres()
        ):
            raise ValueError(
                "radial_distance_um gives the amplitude at a single-fibre electrode; with a concentric one give "
                "amplitude_uv instead"
            )
        return self

    def list_fibres(self) -> tuple[MuscleMembrane, ...]:
        """Muscle fibres the needle sees: those of the axons, those excited directly, those of the reflex."""
        return (
            *(fibre for axon in self.axon for fibre in axon.fibre),
            *(part.fibre for part in self.direct_muscle),
            *(fibre for part in self.blink_reflex for fibre in part.fibre),
        )

    @property
    def n_fibres(self) -> int:
        """Muscle fibres the needle sees."""
        return len(self.list_fibres())


def list_scenarios() -> tuple[str, ...]:
    """Names of the scenarios of one site that come with the program, sorted."""
    return tuple(name for name in list_files() if not name.startswith(STUDY_PREFIX))


def describe_scenarios() -> tuple[tuple[str, str, str], ...]:
    """Name, summary and explanation of all that comes with the program: the scenarios, then the studies."""
    # Here, because a study is made of scenarios.
    from sim_device.study_scenario import list_studies, load_study

    sites = [load_scenario(name) for name in list_scenarios()]
    studies = [load_study(name) for name in list_studies()]
    return (
        *((site.name, site.summary, site.explanation) for site in sites),
        *((study.name, study.summary, study.explanation) for study in studies),
    )


def load_scenario(name_or_path: str | Path, *, seed: int = 0) -> Scenario:
    """Read and check a scenario.

    Parameters
    ----------
    name_or_path : str or Path
        A name from `list_scenarios`, or the path of a TOML file (anything with a suffix or a folder in it). With
        `:3` behind it (text only) it is the third site of a study.
    seed : int
        What the sites of a study are drawn with; of no effect otherwise.

    Raises
    ------
    ConfigurationError
        When there is no such scenario or the file does not hold a valid one.
    """
    site = _SITE.fullmatch(name_or_path) if isinstance(name_or_path, str) else None
    if site is not None:
        # Here, because a study is made of scenarios.
        from sim_device.study_scenario import build_study

        sites = build_study(site[1], seed=seed)
        number = int(site[2])
        if not 1 <= number <= len(sites):
            raise ConfigurationError(
                f"study {site[1]!r} has the sites 1 to {len(sites)} with seed {seed}, got {number}; choose one of them"
            )
        return sites[number - 1]
    return read_checked(Scenario, name_or_path, what="scenario", known=list_files())


_Checked = TypeVar("_Checked", bound=Part)


def read_checked(model: type[_Checked], name_or_path: str | Path, *, what: str, known: tuple[str, ...]) -> _Checked:
    """Read a TOML file, one of `known` or any other, into `model`.

    Raises
    ------
    ConfigurationError
        When there is no such file or it does not hold a valid `what`; one line says what is wrong and where.
    """
    text, where = _read(name_or_path, what=what, known=known)
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as exc:  # also of a number with too many digits, or too many brackets
        raise ConfigurationError(f"{what} {where} is not valid TOML: {show(str(exc))}") from exc
    version = content.get("schema_version")
    if version != SCHEMA_VERSION:
        found = "no schema_version" if version is None else f"schema_version {quote(version)}"
        raise ConfigurationError(f"{what} {where} has {found}; this program reads version {SCHEMA_VERSION}")
    if content.get("kind") == "study" and what != "study":
        raise ConfigurationError(f"{what} {where} is a study of several sites; choose one of them, with :1 behind it")
    try:
        return model.model_validate(content)
    except ValidationError as exc:
        raise ConfigurationError(f"{what} {where}: {_explain(exc)}") from exc
    except (ArithmeticError, RecursionError) as exc:
        raise ConfigurationError(f"{what} {where}: a value is too large or too deep ({show(str(exc))})") from exc


def list_files() -> tuple[str, ...]:
    """Names of all the files that come with the program, scenarios and studies, sorted."""
    directory = resources.files("sim_device") / "scenarios"
    return tuple(
        sorted(entry.name.removesuffix(".toml") for entry in directory.iterdir() if entry.name.endswith(".toml"))
    )


def _read(name_or_path: str | Path, *, what: str, known: tuple[str, ...]) -> tuple[str, str]:
    path = Path(name_or_path)
    if isinstance(name_or_path, str) and not path.suffix and path.name == name_or_path:
        if name_or_path not in known:
            raise ConfigurationError(f"there is no {what} {name_or_path!r}; choose one of {', '.join(known)}")
        resource = resources.files("sim_device") / "scenarios" / f"{name_or_path}.toml"
        return resource.read_text(encoding="utf-8"), repr(name_or_path)
    try:
        if path.exists() and not path.is_file():  # a pipe would be waited for
            raise ConfigurationError(f"{what} {path} is no file; give a TOML file")
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise ConfigurationError(f"{what} {path} has too many bytes; give a TOML file of at most a megabyte")
        return path.read_bytes().decode("utf-8-sig"), str(path)  # some editors put a byte-order mark first
    except UnicodeDecodeError as exc:
        raise ConfigurationError(f"{what} {path} is not UTF-8 text") from exc
    except OSError as exc:
        raise ConfigurationError(f"{what} {path} cannot be read: {exc.strerror or exc}") from exc
    except ValueError as exc:  # a null character
        raise ConfigurationError(f"{what} {show(str(path), 200)!r} is no name of a file") from exc


def _explain(exc: ValidationError) -> str:
    """One line for the first thing that is wrong, and how many more there are."""
    errors = exc.errors(include_url=False)
    first = errors[0]
    steps = [show(str(step), LONGEST_VALUE) for step in first["loc"] if step not in _TAGS]
    place = ".".join(steps) or "the file"
    if first["type"] == "extra_forbidden":
        text = f"{place} is not a known key; remove it or correct its spelling"
    elif first["type"] == "missing":
        text = f"{place} is missing; add it"
    else:
        message = first["msg"].removeprefix("Value error, ")
        got = first["input"]
        text = f"{place}: {message}" + (f", got {quote(got)}" if isinstance(got, int | float | str) else "")
    return show(text) + (f" (and {len(errors) - 1} more)" if len(errors) > 1 else "")
