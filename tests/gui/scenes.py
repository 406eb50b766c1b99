"""View models filled with an invented study, without an engine: the same seed gives the same figures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from weakref import WeakKeyDictionary

import numpy as np

from acq.display import EndplateReport, EngineSnapshot, FibreSnapshot, SweepReport
from acq.guard.margin import MarginRule
from acq.guard.proposal import Needs
from acq.hosting.messages import News, Started
from acq.records import FibreResponse, FloatArray, GuardVerdict, MissingReason, OutputState, Pulse, PulseKind
from gui.view_model import ViewModel

__all__ = ["Scene", "add_sweep", "make_endplates", "make_model", "make_snapshot", "make_started", "scene_of"]

A, T, L, U = GuardVerdict.ASSURED, GuardVerdict.THIN, GuardVerdict.LOST, GuardVerdict.UNTESTED
_SENTENCES = {
    A: "margin kept",
    T: "less than 20 % above the upper end of its threshold",
    L: "at or below its threshold: 9 of the last 20 stimuli failed",
    U: "never tested: a test pulse or a scan would tell",
}
_SAMPLE_RATE_HZ = 50_000.0
_ONSET_INDEX = 100
_NOISE_UV = 12.0


@dataclass
class Scene:
    """What `add_sweep` goes on from. Threshold and jitter of each fibre are what the verdict asks for."""

    rng: np.random.Generator
    n_samples: int
    verdicts: list[GuardVerdict]
    latency_us: FloatArray
    jitter_us: FloatArray
    amplitude_uv: FloatArray
    intensity_ma: float = 3.0
    rate_hz: float = 10.0
    index: int = 0
    now_s: float = 0.0
    state: OutputState = OutputState.DELIVERING
    responses: list[tuple[FibreResponse, ...]] = field(default_factory=list)


_SCENES: WeakKeyDictionary[ViewModel, Scene] = WeakKeyDictionary()


def scene_of(model: ViewModel) -> Scene:
    """What the model was filled from, to change what comes next."""
    return _SCENES[model]


def make_started(*, muscle: str = "orbicularis oculi", electrode: str = "concentric") -> Started:
    about: dict[str, str | int | float] = {"muscle": muscle} if muscle else {}
    return Started(
        study_path="invented-study.db",
        code="M-017",
        device="simulated",
        is_simulated=True,
        is_replay=False,
        electrode=electrode,
        rule=MarginRule(),
        about=about,
        lease_s=0.5,
        lead_s=0.25,
        ceiling_ma=20.0,
        rates_hz=(0.5, 1.0, 2.0, 5.0, 10.0, 20.0),
    )


def make_model(
    n_fibres: int = 3,
    n_sweeps: int = 120,
    verdicts: Sequence[GuardVerdict] | None = None,
    state: OutputState = OutputState.DELIVERING,
    n_samples: int = 2000,
    seed: int = 7,
    *,
    muscle: str = "orbicularis oculi",
    rates_hz: Sequence[float] = (10.0,),
    n_endplates: int = 8,
    intensity_ma: float = 3.0,
) -> ViewModel:
    """A study that has run for `n_sweeps` sweeps.

    Parameters
    ----------
    verdicts : sequence, optional
        One a fibre; all assured without. Thresholds and margins are such as give that verdict.
    state : OutputState
        Anything but delivering: the sweeps came before the output went there.
    muscle : str
        "" for a study without one, and so without a reference limit.
    rates_hz : sequence of float
        One after the other, each for an equal share of the sweeps.
    n_endplates : int
        Of recordings that ended before this one.
    """
    rng = np.random.default_rng(seed)
    chosen = list(verdicts) if verdicts is not None else [A] * n_fibres
    chosen += [A] * (n_fibres - len(chosen))
    model = ViewModel()
    scene = Scene(
        rng=rng,
        n_samples=n_samples,
        verdicts=chosen[:n_fibres],
        latency_us=3000.0 + 900.0 * np.arange(n_fibres) + rng.uniform(0, 300, n_fibres),
        jitter_us=np.array([18.0, 27.0, 41.0, 14.0, 22.0, 33.0, 25.0, 19.0])[np.arange(n_fibres) % 8],
        amplitude_uv=rng.uniform(350, 900, n_fibres),
        rate_hz=float(rates_hz[0]),
        intensity_ma=intensity_ma,
    )
    _SCENES[model] = scene
    model.start(make_started(muscle=muscle))
    for number in range(n_sweeps):
        scene.rate_hz = float(rates_hz[min(len(rates_hz) - 1, number * len(rates_hz) // max(1, n_sweeps))])
        add_sweep(model, has_snapshot=False)
    scene.state = state
    model.take(
        replace(
            _news(scene),
            snapshot=make_snapshot(scene, recording=model.recording or 1),
            endplates=make_endplates(n_endplates, seed=seed),
        ),
        now_s=scene.now_s,
    )
    return model


def add_sweep(
    model: ViewModel,
    *,
    kind: PulseKind | None = None,
    is_rejected: bool = False,
    missing: MissingReason | None = None,
    has_snapshot: bool = True,
) -> SweepReport:
    """One sweep more.

    Parameters
    ----------
    kind : PulseKind, optional
        One in twenty is a test without.
    missing : MissingReason, optional
        Why every fibre is missing; without, each responds as its verdict has it.
    has_snapshot : bool
        Whether the engine's snapshot of that moment comes with it.
    """
    scene = scene_of(model)
    index, rng = scene.index, scene.rng
    if kind is None:
        kind = PulseKind.TESTING if index % 20 == 19 else PulseKind.MEASURING
    samples_uv = rng.normal(0.0, _NOISE_UV, scene.n_samples)
    time_us = (np.arange(scene.n_samples) - _ONSET_INDEX) * 1e6 / _SAMPLE_RATE_HZ
    samples_uv += 900.0 * np.exp(-np.clip(time_us, 0, None) / 150.0) * (time_us >= 0)
    responses = []
    for fibre, verdict in enumerate(scene.verdicts):
        why = missing if missing is not None else _why(verdict, rng)
        why = MissingReason.REJECTED if is_rejected else why
        has_answered = why is MissingReason.RESPONDED
        shift_us = 40.0 * math.log10(max(scene.rate_hz, 0.1))
        latency_us = scene.latency_us[fibre] + shift_us + rng.normal(0.0, scene.jitter_us[fibre] * 0.886)
        if has_answered:
            samples_uv += scene.amplitude_uv[fibre] * _potential(time_us - latency_us)
        responses.append(
            FibreResponse(
                fibre=fibre + 1,  # identities begin with 1
                pulse_index=index,
                latency_us=float(latency_us) if has_answered else math.nan,
                amplitude_uv=float(scene.amplitude_uv[fibre]) if has_answered else math.nan,
                missing=why,
                verdict=verdict if index >= 15 else U,
            )
        )
    commanded_ma = scene.intensity_ma * (0.83 if kind is PulseKind.TESTING else 1.0)
    sweep = SweepReport(
        recording=1,
        index=index,
        pulse=Pulse(
            index=index,
            onset_sample=round(index * _SAMPLE_RATE_HZ / scene.rate_hz),
            commanded_ma=commanded_ma,
            width_us=100.0,
            kind=kind,
            delivered_ma=commanded_ma * 1.004,
        ),
        onset_s=scene.now_s,
        rate_hz=scene.rate_hz,
        samples_uv=samples_uv.astype(np.float32),
        onset_index=_ONSET_INDEX,
        sample_rate_hz=_SAMPLE_RATE_HZ,
        is_rejected=is_rejected,
        responses=tuple(responses),
    )
    scene.index += 1
    scene.now_s += 1.0 / scene.rate_hz
    scene.responses.append(sweep.responses)
    news = replace(_news(scene), sweeps=(sweep,))
    if has_snapshot:
        news = replace(news, snapshot=make_snapshot(scene))
    model.take(news, now_s=scene.now_s)
    return sweep


def make_snapshot(scene: Scene, *, recording: int = 1) -> EngineSnapshot:
    """What the engine would say now."""
    is_delivering = scene.state is OutputState.DELIVERING
    return EngineSnapshot(
        state=scene.state,
        latch_reason="the current monitor saw no pulse" if scene.state is OutputState.LATCHED_OFF else None,
        device="simulated",
        is_simulated=True,
        is_replay=False,
        recording=recording,
        elapsed_s=scene.now_s,
        intensity_ma=scene.intensity_ma if is_delivering else 0.0,
        delivered_ma=scene.intensity_ma * 1.004 if scene.index else math.nan,
        rate_hz=scene.rate_hz,
        width_us=100.0,
        ceiling_ma=20.0,
        n_pulses=scene.index,
        n_testing=scene.index // 20,
        n_rejected=0,
        samples_lost=0,
        noise_uv=_NOISE_UV,
        procedure="recording, tests one in 20",
        proposal_ma=None,
        advice="go on: every fibre keeps its margin",
        fibres=tuple(_fibre(scene, fibre) for fibre in range(len(scene.verdicts))),
        messages=("recording 1 begins",),
        study_path="invented-study.db",
        is_finished=False,
    )


def make_endplates(n: int, *, seed: int = 7) -> tuple[EndplateReport, ...]:
    """Results of recordings before this one (which is number 1; theirs are 0, −1, …): one in eight not acceptable."""
    rng = np.random.default_rng(seed + 1000)
    reports = []
    for number in range(n):
        mcd_us = float(rng.lognormal(math.log(26.0), 0.35))
        reach = 0.12 * mcd_us
        reports.append(
            EndplateReport(
                recording=-number,
                fibre=1,
                latency_us=3500.0,
                mcd_us=mcd_us,
                mcd_interval_us=(mcd_us - reach, mcd_us + 1.3 * reach),
                n_pairs=60,
                blocking=(0.0, 0.0, 0.05),
                is_acceptable=number % 8 != 7,
                reasons=() if number % 8 != 7 else ("rises too slowly",),
                label=f"{number + 1}.1",
                is_counted=number % 8 != 7,
                why=() if number % 8 != 7 else ("the potential is not acceptable: rises too slowly",),
            )
        )
    return tuple(reports)


def _news(scene: Scene) -> News:
    return News(
        state=scene.state,
        latch_reason=None,
        intensity_ma=scene.intensity_ma if scene.state is OutputState.DELIVERING else 0.0,
        turn_age_s=0.0,
        needs=Needs(),
    )


def _why(verdict: GuardVerdict, rng: np.random.Generator) -> MissingReason:
    chance = {A: 0.0, T: 0.06, L: 0.45, U: 0.02}[verdict]
    if rng.uniform() < chance:
        return MissingReason.STIMULUS if verdict in (L, T) else MissingReason.UNDECIDED
    return MissingReason.ENDPLATE if rng.uniform() < 0.01 else MissingReason.RESPONDED


def _potential(time_us: FloatArray) -> FloatArray:
    """A biphasic potential, 1 from peak to peak, its steepest point at 0."""
    scaled = time_us / 110.0
    shape: FloatArray = -scaled * np.exp(0.5 - 0.5 * scaled**2) / 2.0
    return shape


def _fibre(scene: Scene, fibre: int) -> FibreSnapshot:
    verdict = scene.verdicts[fibre]
    threshold_ma, interval_ma = _threshold(verdict, fibre, scene.intensity_ma)
    latencies_us = np.array([one[fibre].latency_us for one in scene.responses if fibre < len(one)])
    seen_us = latencies_us[np.isfinite(latencies_us)]
    mcd_us = float(np.mean(np.abs(np.diff(seen_us)))) if seen_us.size > 1 else math.nan
    n_missing = int(np.sum(~np.isfinite(latencies_us)))
    share = n_missing / latencies_us.size if latencies_us.size else math.nan
    reach = 1.5 * mcd_us / math.sqrt(max(1, seen_us.size))
    latency_us = float(np.median(seen_us)) if seen_us.size else float(scene.latency_us[fibre])
    margin_ma = None if threshold_ma is None else scene.intensity_ma - threshold_ma
    return FibreSnapshot(
        fibre=fibre + 1,
        latency_us=latency_us,
        amplitude_uv=float(scene.amplitude_uv[fibre]),
        rise_time_us=160.0,
        mcd_us=mcd_us,
        mcd_interval_us=(mcd_us - reach, mcd_us + 1.2 * reach),
        mcd_noise_us=3.0,
        n_pairs=max(0, seen_us.size - 1),
        is_untested=verdict is U,
        n_admitted=0 if verdict is U else max(0, seen_us.size - 15),
        n_responses=seen_us.size,
        n_stimuli=latencies_us.size,
        blocking=(share, 0.5 * share, min(1.0, 2.0 * share)),
        threshold_ma=threshold_ma,
        threshold_interval_ma=interval_ma,
        margin_ma=margin_ma,
        margin_relative=None if margin_ma is None or not threshold_ma else margin_ma / threshold_ma,
        margin_at_least_ma=0.25 * scene.intensity_ma if verdict is U else math.nan,
        verdict=verdict,
        sentence=_SENTENCES[verdict],
        recent_latency_us=tuple(latencies_us[-24:].tolist()),
        window_us=(latency_us - 350.0, latency_us + 450.0),
    )


def _threshold(
    verdict: GuardVerdict, fibre: int, intensity_ma: float
) -> tuple[float | None, tuple[float, float] | None]:
    """A threshold that gives the verdict at the intensity with a margin of 20 %; none while untested."""
    if verdict is U:
        return None, None
    share = {A: 0.60 + 0.03 * (fibre % 6), T: 0.90, L: 1.04}[verdict]
    threshold_ma = share * intensity_ma
    return threshold_ma, (0.96 * threshold_ma, 1.04 * threshold_ma)
