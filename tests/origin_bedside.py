"""The simulated patient at a bedside without engine: what a procedure asks for becomes sweeps, and these are analysed.

Scenarios of late potentials with their parameters varied: persistence, thresholds, detour, jitter, size.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from importlib import resources
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from acq.exchange.recordings import Recording
from acq.offline import analyse_recording
from acq.procedures.conductor import stretch_of
from acq.procedures.contract import ProcedureOptions, ProcedureResult
from acq.procedures.origin_test import OriginTest
from acq.records import Origin, PulseKind
from sim_device.patient import Patient, PatientTruth
from sim_device.scenario import Scenario
from tests.origin_patients import Followed, follow

__all__ = ["VARIED", "Run", "run_bedside", "vary"]

FloatArray = npt.NDArray[np.float64]
_RATE_HZ = 50_000.0
_BEFORE, _AFTER = 100, 1000
_QUANTUM_UV = 0.30517578125
_FULL_SCALE_UV = 10_000.0


class Run(NamedTuple):
    """What came out, and what really happened. duration_s : from the first stimulus to the last."""

    result: ProcedureResult
    truth: PatientTruth
    followed: Followed
    duration_s: float


class _Bedside:
    """Stimuli in, sweeps kept."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.patient = Patient(scenario, seed=seed, sample_rate_hz=_RATE_HZ)
        self.sweeps: list[FloatArray] = []
        self.onsets: list[int] = []

    def answer(self, ma: float, time_s: float, interval_s: float) -> list[float]:  # noqa: ARG002
        """Deliver a pulse; the latencies of all fibres, their late responses behind them."""
        onset = round(time_s * _RATE_HZ)
        potentials = self.patient.stimulate(
            onset_s=onset / _RATE_HZ, onset_sample=onset, intensity_ma=ma, width_us=100.0
        )
        samples = self.patient.take_noise(_BEFORE + _AFTER)
        artefact = self.patient.find_artefact(width_samples=5)[:_AFTER]
        samples[_BEFORE : _BEFORE + artefact.size] += ma * artefact
        for one in potentials:
            position = _BEFORE + one.latency_us * 1e-6 * _RATE_HZ
            one.template.add_to(samples, position=position, amplitude=one.amplitude_uv)
        self.sweeps.append(np.rint(np.clip(samples, -_FULL_SCALE_UV, _FULL_SCALE_UV) / _QUANTUM_UV) * _QUANTUM_UV)
        self.onsets.append(onset)
        by_origin = dict.fromkeys(Origin, math.nan)
        for one in potentials:
            by_origin[one.origin] = one.latency_us
        return [by_origin[origin] for origin in Origin if origin is not Origin.UNDECIDED]


def run_bedside(scenario: Scenario, *, seed: int, usual_ma: float, limit_ma: float = 5.0) -> Run:
    """Run the origin test on a simulated patient and work out its result from the analysis of its sweeps."""
    bedside = _Bedside(scenario, seed)
    procedure = OriginTest(ProcedureOptions())
    followed = follow(procedure, bedside.answer, usual_ma=usual_ma, limit_ma=limit_ma)
    n = followed.onset_s.size
    recording = Recording(
        sweeps_uv=np.array(bedside.sweeps), onset_index=_BEFORE, sample_rate_hz=_RATE_HZ,
        intensity_ma=followed.intensity_ma, onset_sample=np.array(bedside.onsets, dtype=np.int64),
        rate_hz=followed.rate_hz, pulse_width_us=100.0, band_hz=(500.0, 10_000.0), mains_hz=50.0,
        electrode="single_fibre", sweep_number=np.arange(n, dtype=np.int64), full_scale_uv=_FULL_SCALE_UV,
        kinds=(PulseKind.TESTING,) * n,
    )  # fmt: skip
    result = procedure.conclude(stretch_of(recording, analyse_recording(recording)))
    return Run(result, bedside.patient.truth(), followed, float(followed.onset_s[-1] - followed.onset_s[0]))


# ---- scenarios varied ------------------------------------------------------------------------------------------------


def _read(name: str) -> dict[str, Any]:
    text = (resources.files("sim_device") / "scenarios" / f"{name}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _vary_fibres(rng: np.random.Generator, plain: dict[str, Any]) -> None:
    """Size, place and noise, of every fibre."""
    plain["noise"] = {"thermal_uv": float(rng.uniform(5.0, 14.0))}
    for axon in (*plain.get("axon", ()), *plain.get("blink_reflex", ())):
        for fibre in axon["fibre"]:
            fibre["amplitude_uv"] = float(rng.uniform(300.0, 1500.0))
            fibre["rise_time_us"] = float(rng.uniform(130.0, 230.0))


def _jitter(rng: np.random.Generator) -> dict[str, Any]:
    return {"jitter_sd_us": float(rng.uniform(8.0, 28.0)), "delay_us": float(rng.uniform(600.0, 800.0))}


def _axon_reflex(rng: np.random.Generator, plain: dict[str, Any]) -> float:
    axon = plain["axon"][0]
    ratio = float(rng.uniform(1.35, 2.2))
    axon["theta_ma"] = ratio
    axon["reflex_branch"] = [{"theta_ma": 1.0, "detour_us": float(rng.uniform(500.0, 3500.0))}]
    axon["fibre"][0] |= {"endplate": _jitter(rng), "distance_mm": float(rng.uniform(6.0, 13.0))}
    return 1.25 if ratio > 1.5 or rng.random() < 0.5 else 1.25 * ratio


def _blink_reflex(rng: np.random.Generator, plain: dict[str, Any]) -> float:
    reflex = plain["blink_reflex"][0]
    reflex |= {
        "theta_ma": float(rng.uniform(0.6, 1.2)), "persistence": float(rng.uniform(0.65, 0.98)),
        "arc_us": float(rng.uniform(6000.0, 9500.0)), "arc_sd_us": float(rng.uniform(200.0, 600.0)),
        "half_interval_s": float(rng.uniform(0.15, 0.3)), "steepness": float(rng.uniform(4.0, 8.0)),
    }  # fmt: skip
    return 1.4


def _f_wave(rng: np.random.Generator, plain: dict[str, Any]) -> float:
    plain["axon"][0]["f_wave"] = {
        "persistence": float(rng.uniform(0.07, 0.22)), "loop_us": float(rng.uniform(4900.0, 6000.0)),
        "wander_us": float(rng.uniform(120.0, 500.0)),
    }  # fmt: skip
    plain["axon"][0]["fibre"][0] |= {"endplate": _jitter(rng), "distance_mm": float(rng.uniform(6.0, 9.0))}
    return 1.3


def _direct_muscle(rng: np.random.Generator, plain: dict[str, Any]) -> float:
    theta_ma = float(rng.uniform(0.9, 1.6))
    plain["direct_muscle"][0]["theta_ma"] = theta_ma
    plain["direct_muscle"][0]["fibre"] |= {
        "distance_mm": float(rng.uniform(6.0, 13.0)), "amplitude_uv": float(rng.uniform(500.0, 1500.0)),
    }  # fmt: skip
    plain["axon"][0]["fibre"][0] |= {"endplate": _jitter(rng), "distance_mm": float(rng.uniform(15.0, 18.0))}
    return 1.25 * max(theta_ma, 1.0)


def _healthy(rng: np.random.Generator, plain: dict[str, Any]) -> float:
    for axon in plain["axon"]:
        for fibre in axon["fibre"]:
            fibre["endplate"] = _jitter(rng)
    return 1.75


def _single(rng: np.random.Generator, plain: dict[str, Any]) -> float:
    plain["axon"][0]["fibre"][0] |= {"endplate": _jitter(rng), "distance_mm": float(rng.uniform(5.0, 16.0))}
    return 1.25


def _myasthenic(rng: np.random.Generator, plain: dict[str, Any]) -> float:
    for axon in plain["axon"]:
        for fibre in axon["fibre"]:
            fibre["endplate"] |= {
                "jitter_sd_us": float(rng.uniform(30.0, 75.0)),
                "blocking_probability": float(rng.uniform(0.0, 0.35)),
            }
    return 1.75


VARIED: dict[str, tuple[Callable[[np.random.Generator, dict[str, Any]], float], Origin]] = {
    "healthy": (_healthy, Origin.ENDPLATE),
    "single": (_single, Origin.ENDPLATE),
    "myasthenic": (_myasthenic, Origin.ENDPLATE),
    "direct_muscle": (_direct_muscle, Origin.DIRECT_MUSCLE),
    "axon_reflex": (_axon_reflex, Origin.AXON_REFLEX),
    "f_wave": (_f_wave, Origin.F_WAVE),
    "blink_reflex": (_blink_reflex, Origin.BLINK_REFLEX),
}


def vary(name: str, seed: int) -> tuple[Scenario, float]:
    """A scenario with other parameters, and the intensity it is usually stimulated at."""
    rng = np.random.default_rng([seed, list(VARIED).index(name)])
    plain = _read(name)
    _vary_fibres(rng, plain)
    usual_ma = VARIED[name][0](rng, plain)
    return Scenario.model_validate(plain), usual_ma
