"""A whole simulated study: distributions instead of values, from which the sites of one patient are drawn.

A study is a TOML file like a scenario; `build_study` draws as many electrode positions as it takes to see the wanted
number of endplates, each a `Scenario` of its own. Same file, same seed: same patient.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import Field, ValidationError, model_validator
from scipy.special import ndtr, ndtri

from acq.errors import ConfigurationError
from hardware_profiles import HardwareProfile
from hardware_profiles.wording import LONGEST_VALUE, show
from sim_device.scenario import (
    STUDY_PREFIX,
    Artefact,
    Distant,
    Electrode,
    Noise,
    Part,
    Scenario,
    Stimulator,
    Temperature,
    list_files,
    load_scenario,
    read_checked,
)

__all__ = ["Study", "build_study", "choose_scenario", "list_studies", "load_sites", "load_study"]

_MCD_PER_SD = 2 / math.sqrt(math.pi)
_MOST_SITES = 200  # a study that needs more has its weights wrong
_DRAWS_FOR_SPACING = 50  # then the fibres stay as near to each other as the last draw had them

_Share = Annotated[float, Field(ge=0, le=1)]
_Values = dict[str, Any]


class Fixed(Part):
    """Always the same value."""

    kind: Literal["fixed"]
    value: float

    def draw(self, rng: np.random.Generator) -> float:
        """Draw one value."""
        rng.random()  # as many draws as the others make
        return self.value


class Uniform(Part):
    """Every value from `low` to `high` equally likely."""

    kind: Literal["uniform"]
    low: float
    high: float

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.high <= self.low:
            raise ValueError(f"high must be above low ({self.low:g}), got {self.high:g}")
        return self

    def draw(self, rng: np.random.Generator) -> float:
        """Draw one value."""
        return float(self.low + (self.high - self.low) * rng.random())


class Normal(Part):
    """Gaussian, cut at `low` and `high`; mean and SD are those before the cut."""

    kind: Literal["normal"]
    mean: float
    sd: Annotated[float, Field(gt=0)]
    low: float
    high: float

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.low < self.mean < self.high:
            raise ValueError(
                f"the mean must lie between low ({self.low:g}) and high ({self.high:g}), got {self.mean:g}"
            )
        return self

    def draw(self, rng: np.random.Generator) -> float:
        """Draw one value."""
        return (
            _draw_between(rng, low=(self.low - self.mean) / self.sd, high=(self.high - self.mean) / self.sd) * (self.sd)
            + self.mean
        )


class LogNormal(Part):
    """Skewed to the right, cut at `low` and `high`; mean and SD are those of the values before the cut."""

    kind: Literal["lognormal"]
    mean: Annotated[float, Field(gt=0)]
    sd: Annotated[float, Field(gt=0)]
    low: Annotated[float, Field(gt=0)]
    high: Annotated[float, Field(gt=0)]

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.low < self.mean < self.high:
            raise ValueError(
                f"the mean must lie between low ({self.low:g}) and high ({self.high:g}), got {self.mean:g}"
            )
        return self

    def draw(self, rng: np.random.Generator) -> float:
        """Draw one value."""
        sigma = math.sqrt(math.log1p((self.sd / self.mean) ** 2))
        mu = math.log(self.mean) - sigma**2 / 2
        low, high = (math.log(self.low) - mu) / sigma, (math.log(self.high) - mu) / sigma
        return math.exp(mu + sigma * _draw_between(rng, low=low, high=high))


def _draw_between(rng: np.random.Generator, *, low: float, high: float) -> float:
    """A standard normal deviate between two bounds: one draw."""
    first, last = float(ndtr(low)), float(ndtr(high))
    return float(ndtri(first + (last - first) * rng.random()))


Distribution = Annotated[Fixed | Uniform | Normal | LogNormal, Field(discriminator="kind")]


class SitePlan(Part):
    """What is seen at one electrode position."""

    # Weights of one, two, three … fibres.
    fibre_weights: Annotated[tuple[Annotated[float, Field(ge=0)], ...], Field(strict=False, min_length=1, max_length=6)]
    same_axon_probability: _Share = 0.5  # a further fibre hangs on the axon before it
    least_apart_us: Annotated[float, Field(ge=0)] = 700.0  # between the latencies of two fibres, where that can be had

    @model_validator(mode="after")
    def _check(self) -> Self:
        if sum(self.fibre_weights) <= 0:
            raise ValueError("fibre_weights must not all be zero")
        return self


class AxonPlan(Part):
    """How the axons differ; what is left out is as in a scenario."""

    theta_ma: Distribution
    relative_spread: Distribution | None = None
    conduction_us: Distribution | None = None
    drift_percent_per_min: Distribution | None = None
    diffusion_percent_per_sqrt_s: Distribution | None = None


class FibrePlan(Part):
    """How the fibres differ; what is left out is as in a scenario."""

    distance_mm: Distribution
    rise_time_us: Distribution
    diameter_um: Distribution | None = None
    radial_distance_um: Distribution | None = None
    amplitude_uv: Distribution | None = None


class PlainEndplates(Part):
    """Endplates of the kind `plain`, given by their MCD."""

    kind: Literal["plain"]
    weight: Annotated[float, Field(gt=0)] = 1.0
    mcd_us: Distribution
    delay_us: Distribution | None = None

    def draw(self, rng: np.random.Generator) -> _Values:
        """Draw one endplate."""
        values: _Values = {"kind": self.kind, "jitter_sd_us": self.mcd_us.draw(rng) / _MCD_PER_SD}
        return values | _draw_given(self, ("delay_us",), rng)


class QuantalEndplates(Part):
    """Endplates of the kind `safety_factor`."""

    kind: Literal["safety_factor"]
    weight: Annotated[float, Field(gt=0)] = 1.0
    safety_factor: Distribution
    quantal_content: Distribution | None = None
    depletion_per_impulse: Distribution | None = None
    recovery_s: Distribution | None = None
    synaptic_delay_us: Distribution | None = None

    def draw(self, rng: np.random.Generator) -> _Values:
        """Draw one endplate."""
        names = ("safety_factor", "quantal_content", "depletion_per_impulse", "recovery_s", "synaptic_delay_us")
        return {"kind": self.kind} | _draw_given(self, names, rng)


def _draw_given(plan: Part, names: tuple[str, ...], rng: np.random.Generator) -> _Values:
    given = {name: getattr(plan, name) for name in names}
    return {name: distribution.draw(rng) for name, distribution in given.items() if distribution is not None}


class Trouble(Part):
    """Shares of the sites at which something is in the way; rounded up, so that whatever has a share is there."""

    direct_muscle: _Share = 0.0  # a fibre beside the others is excited itself
    axon_reflex: _Share = 0.0
    f_wave: _Share = 0.0
    blink_reflex: _Share = 0.0
    dislodged: _Share = 0.0  # every threshold jumps up
    drift: _Share = 0.0  # every threshold creeps up
    stretch: _Share = 0.0  # the muscle is longer from some moment on
    voluntary: _Share = 0.0  # the patient tenses for a while
    cold: _Share = 0.0
    faint: _Share = 0.0  # small potentials in more noise


class Study(Part):
    """A simulated patient with as many electrode positions as it takes."""

    schema_version: Literal[1]
    kind: Literal["study"]
    name: Annotated[str, Field(pattern=r"^[a-z0-9_]+$")]
    summary: Annotated[str, Field(min_length=1, pattern=r"^[^\n]+$")]
    explanation: str = ""
    n_endplates: Annotated[int, Field(ge=1, le=200)] = 30  # the aim of a study, PUB workshop abstract WS6.1
    site: SitePlan
    axon: AxonPlan
    fibre: FibrePlan
    endplate: Annotated[
        tuple[Annotated[PlainEndplates | QuantalEndplates, Field(discriminator="kind")], ...],
        Field(strict=False, min_length=1),
    ]
    trouble: Trouble = Trouble()
    temperature: Temperature = Temperature()
    electrode: Electrode = Electrode()
    noise: Noise = Noise()
    artefact: Artefact = Artefact()
    distant: Distant = Distant()
    stimulator: Stimulator = Stimulator()

    @model_validator(mode="after")
    def _check(self) -> Self:
        fibre = self.fibre
        if fibre.radial_distance_um is not None and fibre.amplitude_uv is not None:
            raise ValueError("fibre.amplitude_uv follows from fibre.radial_distance_um; give one of the two")
        return self


def list_studies() -> tuple[str, ...]:
    """Names of the studies that come with the program, sorted."""
    return tuple(name for name in list_files() if name.startswith(STUDY_PREFIX))


def load_study(name_or_path: str | Path) -> Study:
    """Read and check the plan of a study.

    Parameters
    ----------
    name_or_path : str or Path
        A name from `list_studies`, or the path of a TOML file.

    Raises
    ------
    ConfigurationError
        When there is no such study or the file does not hold a valid one.
    """
    return read_checked(Study, name_or_path, what="study", known=list_studies())


def build_study(name_or_path: str | Path, *, seed: int) -> tuple[Scenario, ...]:
    """Draw the sites of a study; together they have the number of endplates that the plan asks for.

    Parameters
    ----------
    name_or_path : str or Path
        As for `load_study`.
    seed : int
        Zero or above. Same seed, same sites.

    Returns
    -------
    tuple of Scenario
        One for each electrode position; `name` is what `load_scenario` takes, as in "study_healthy:3".

    Raises
    ------
    ConfigurationError
        When there is no such study, the file is not valid, or it draws values that no scenario takes.
    """
    plan = load_study(name_or_path)
    if seed < 0:
        raise ConfigurationError(f"the seed of a study must be zero or above, got {seed}")
    size_seed, trouble_seed, *_ = seeds = np.random.SeedSequence(seed).spawn(2 + _MOST_SITES)
    sizes = _draw_sizes(plan, np.random.default_rng(size_seed))
    troubles = _spread_troubles(plan.trouble, len(sizes), np.random.default_rng(trouble_seed))
    sites = []
    for number, (size, trouble, site_seed) in enumerate(zip(sizes, troubles, seeds[2:], strict=False), start=1):
        values = _draw_site(plan, size, np.random.default_rng(site_seed))
        rng = np.random.default_rng(site_seed.spawn(1)[0])
        for name in trouble:
            _TROUBLES[name](values, rng)
        axons = "one axon" if len(values["axon"]) == 1 else f"{len(values['axon'])} axons"
        fibres = "one fibre" if size == 1 else f"{size} fibres"
        extra = "".join(f"; {_TROUBLE_WORDS[name]}" for name in trouble)
        values |= {
            "schema_version": 1,
            "name": f"{plan.name}:{number}",
            "summary": f"Site {number} of {len(sizes)} of {plan.name}: {fibres} on {axons}{extra}",
            "explanation": plan.explanation,
        }
        try:
            sites.append(Scenario.model_validate(values))
        except ValidationError as exc:
            first = exc.errors(include_url=False)[0]
            place = ".".join(str(step) for step in first["loc"]) or "the site"
            raise ConfigurationError(
                f"study {show(plan.name, LONGEST_VALUE)} draws what no scenario takes, at site {number}: {place}: "
                f"{show(first['msg'])}; "
                "narrow the distribution"
            ) from exc
    return tuple(sites)


def load_sites(name_or_path: str | Path, *, seed: int) -> tuple[Scenario, ...]:
    """Read a scenario, which is one site, or draw all the sites of a study.

    Parameters
    ----------
    name_or_path : str or Path
        As for `load_scenario`; the name or path of a study without a number behind it stands for all of its sites.
    seed : int

    Raises
    ------
    ConfigurationError
        As `load_scenario` and `build_study`.
    """
    if _is_study(name_or_path):
        return build_study(name_or_path, seed=seed)
    return (load_scenario(name_or_path, seed=seed),)


def choose_scenario(profile: HardwareProfile, *, scenario: str | None, seed: int | None) -> tuple[str, int]:
    """What is simulated: as the user says, else by the profile's `device.options`, else `healthy` with seed 0.

    Raises
    ------
    ConfigurationError
        When the profile names something else, or either is of another kind.
    """
    defaults = dict(profile.device.options)
    chosen: object = scenario if scenario is not None else defaults.get("scenario", "healthy")
    number: object = seed if seed is not None else defaults.get("seed", 0)
    unknown = sorted(defaults.keys() - {"scenario", "seed"})
    if unknown:
        raise ConfigurationError(
            f"profile {profile.name}: device.options.{unknown[0]} is not known to the simulated device; "
            "it takes scenario and seed"
        )
    if not isinstance(chosen, str):
        raise ConfigurationError(f"scenario must be a name or a path, got {chosen!r}")
    if isinstance(number, bool) or not isinstance(number, int) or number < 0:
        raise ConfigurationError(f"seed must be a whole number, zero or above, got {number!r}")
    return chosen, number


def _is_study(name_or_path: str | Path) -> bool:
    if isinstance(name_or_path, str) and name_or_path in list_studies():
        return True
    try:
        path = Path(name_or_path)
        return path.is_file() and tomllib.loads(path.read_bytes().decode("utf-8-sig")).get("kind") == "study"
    except (OSError, ValueError, RecursionError):
        return False  # whoever reads it as a scenario says what is wrong


def _draw_sizes(plan: Study, rng: np.random.Generator) -> list[int]:
    """Fibres at each site; the last has what is still wanted."""
    weights = np.array(plan.site.fibre_weights)
    sizes: list[int] = []
    while sum(sizes) < plan.n_endplates:
        size = 1 + int(rng.choice(weights.size, p=weights / weights.sum()))
        sizes.append(min(size, plan.n_endplates - sum(sizes)))
    return sizes


def _spread_troubles(trouble: Trouble, n_sites: int, rng: np.random.Generator) -> list[list[str]]:
    """Which troubles each site has."""
    found: list[list[str]] = [[] for _ in range(n_sites)]
    for name in _TROUBLES:
        order = rng.permutation(n_sites)
        for site in order[: math.ceil(getattr(trouble, name) * n_sites)]:
            found[site].append(name)
    return found


def _draw_site(plan: Study, size: int, rng: np.random.Generator) -> _Values:
    names = ("theta_ma", "relative_spread", "conduction_us", "drift_percent_per_min", "diffusion_percent_per_sqrt_s")
    axons: list[_Values] = []
    for _ in range(size):
        own = _draw_given(plan.axon, names, rng) | {"fibre": []}
        if not axons or rng.random() >= plan.site.same_axon_probability:
            axons.append(own)
        axons[-1]["fibre"].append({"endplate": _draw_endplate(plan, rng)})
    for _ in range(_DRAWS_FOR_SPACING):
        for axon in axons:
            for fibre in axon["fibre"]:
                fibre |= _draw_given(plan.fibre, tuple(FibrePlan.model_fields), rng)
        latencies_us = np.sort([_estimate_latency_us(axon, fibre) for axon in axons for fibre in axon["fibre"]])
        if size == 1 or np.diff(latencies_us).min() >= plan.site.least_apart_us:
            break
    shared = ("temperature", "electrode", "noise", "artefact", "distant", "stimulator")
    return {"axon": axons} | {name: getattr(plan, name).model_dump() for name in shared}


def _draw_endplate(plan: Study, rng: np.random.Generator) -> _Values:
    weights = np.array([kind.weight for kind in plan.endplate])
    return plan.endplate[int(rng.choice(weights.size, p=weights / weights.sum()))].draw(rng)


def _estimate_latency_us(axon: Mapping[str, Any], fibre: Mapping[str, Any]) -> float:
    """Roughly, for keeping fibres apart."""
    velocity_m_s = 2.95 if "diameter_um" not in fibre else 0.05 * fibre["diameter_um"] + 0.95
    return float(axon.get("conduction_us", 850.0) + 700.0 + 1e3 * fibre["distance_mm"] / velocity_m_s)


# What is in the way at a site. All ranges MEM.


def _add_direct_muscle(values: _Values, rng: np.random.Generator) -> None:
    values["direct_muscle"] = [
        {
            "theta_ma": max(axon["theta_ma"] for axon in values["axon"]) * rng.uniform(1.1, 1.4),
            "fibre": {"distance_mm": rng.uniform(4.0, 14.0), "rise_time_us": rng.uniform(140.0, 200.0)},
        }
    ]


def _add_axon_reflex(values: _Values, rng: np.random.Generator) -> None:
    axon = values["axon"][0]
    theta_ma = axon["theta_ma"]
    axon["reflex_branch"] = [{"theta_ma": theta_ma, "detour_us": rng.uniform(600.0, 1800.0)}]
    axon["theta_ma"] = theta_ma * rng.uniform(1.3, 1.7)


def _add_f_wave(values: _Values, rng: np.random.Generator) -> None:
    values["axon"][0]["f_wave"] = {"persistence": rng.uniform(0.05, 0.3), "loop_us": rng.uniform(4700.0, 5600.0)}


def _add_blink_reflex(values: _Values, rng: np.random.Generator) -> None:
    values["blink_reflex"] = [
        {
            "theta_ma": values["axon"][0]["theta_ma"] * rng.uniform(0.8, 1.2),
            "arc_us": rng.uniform(5500.0, 7500.0),
            "fibre": [{"distance_mm": rng.uniform(6.0, 12.0), "rise_time_us": rng.uniform(140.0, 200.0)}],
        }
    ]


def _dislodge(values: _Values, rng: np.random.Generator) -> None:
    event = {"kind": "jump", "at_s": rng.uniform(15.0, 40.0), "factor": rng.uniform(1.2, 1.6)}
    for axon in values["axon"]:
        axon["threshold_event"] = [event]


def _let_drift(values: _Values, rng: np.random.Generator) -> None:
    for axon in values["axon"]:
        axon |= {"drift_percent_per_min": rng.uniform(4.0, 15.0), "diffusion_percent_per_sqrt_s": 0.3}


def _stretch(values: _Values, rng: np.random.Generator) -> None:
    from_s = rng.uniform(10.0, 30.0)
    percent = rng.uniform(1.0, 4.0)
    values["stretch_event"] = [
        {"kind": "jump", "at_s": from_s, "percent": percent},
        {"kind": "ramp", "from_s": from_s + 10.0, "until_s": from_s + 30.0, "percent_per_s": -percent / 20.0},
    ]


def _tense(values: _Values, rng: np.random.Generator) -> None:
    from_s = rng.uniform(0.0, 30.0)
    values["voluntary"] = {
        "count": 6,
        "amplitude_uv": rng.uniform(20.0, 80.0),
        "from_s": from_s,
        "until_s": from_s + 20.0,
    }


def _cool(values: _Values, rng: np.random.Generator) -> None:
    values["temperature"] = {"muscle_c": rng.uniform(27.0, 31.0)}


def _make_faint(values: _Values, rng: np.random.Generator) -> None:
    values["noise"] = values["noise"] | {"thermal_uv": 14.0}
    for axon in values["axon"]:
        for fibre in axon["fibre"]:
            fibre.pop("radial_distance_um", None)
            fibre["amplitude_uv"] = rng.uniform(120.0, 260.0)


_TROUBLES: Mapping[str, Callable[[_Values, np.random.Generator], None]] = {
    "direct_muscle": _add_direct_muscle,
    "axon_reflex": _add_axon_reflex,
    "f_wave": _add_f_wave,
    "blink_reflex": _add_blink_reflex,
    "dislodged": _dislodge,
    "drift": _let_drift,
    "stretch": _stretch,
    "voluntary": _tense,
    "cold": _cool,
    "faint": _make_faint,
}
_TROUBLE_WORDS: Mapping[str, str] = {
    "direct_muscle": "another fibre excited directly",
    "axon_reflex": "an axon reflex",
    "f_wave": "F waves",
    "blink_reflex": "a blink reflex",
    "dislodged": "the cathode is dislodged",
    "drift": "thresholds creep up",
    "stretch": "the muscle is stretched",
    "voluntary": "the patient tenses",
    "cold": "a cold muscle",
    "faint": "small potentials",
}
