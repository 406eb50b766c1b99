"""A small study that has something of everything, for what is written for other programs; made in a second."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from acq.exchange.recordings import load_recording, recording_from_store
from acq.offline import RecordingSettings, analyse_recording
from acq.records import Pulse, PulseKind, Sweep
from acq.study.decisions import DecisionKind, Target, keep_decision
from acq.study.rows import STIMULI
from acq.study.store import StudyStore

__all__ = ["BEGUN", "SECRETS", "SecretWords", "damage_a_sweep", "make_exchange_study"]

RECORDINGS = Path(__file__).parent / "recordings"
BEGUN = datetime(2019, 3, 5, 9, 30, tzinfo=UTC)
N_SWEEPS = 60


@dataclass(frozen=True)
class SecretWords:
    """What people have said, and where the files are: none of it may be in an anonymous export."""

    code: str = "QX-7731"
    operator: str = "Opzeta"
    note: str = "Notekappa said so"
    medication: str = "Medrho 60"
    profile: str = "/home/userxi/profiles/Profiota.toml"
    device: str = "recorder at /dev/ttyDevomega"
    insertion: str = "Insertphi below the eyelid"
    mark: str = "Markpsi coughed"
    decision: str = "Decisionchi moved"
    correction: str = "Corrsigma mistyped"
    day: str = "2019-03-0"


SECRETS = SecretWords()


def ticking(step_s: float = 0.25) -> Callable[[], datetime]:
    """A clock that goes on at each look."""
    state = [BEGUN - timedelta(seconds=step_s)]

    def now() -> datetime:
        state[0] += timedelta(seconds=step_s)
        return state[0]

    return now


def make_exchange_study(path: Path) -> Path:
    """Two recordings: converter codes with trigger offsets and a lost pulse; and unrounded samples, days later."""
    now = ticking()
    meta = {
        "code": SECRETS.code,
        "age_years": 93,
        "muscle": "orbicularis oculi",
        "side": "left",
        "stimulation": "extramuscular",
        "skin_temperature_c": 33.5,
        "operator": SECRETS.operator,
        "medication": SECRETS.medication,
        "note": SECRETS.note,
    }
    with StudyStore.create(path, meta=meta, now=now) as store:
        store.add_action("insertion", SECRETS.insertion)
        _add_recording(store, "F1", is_quantised=True, first_index=0)
        store.add_action("mark", SECRETS.mark, sample=90_000, recording=1)
        store.add_event("message", f"mark: {SECRETS.mark}", sample=90_000, recording=1)
        store.correct("note", SECRETS.note + " again", reason=SECRETS.correction)
    late = ticking(step_s=2.0)
    with StudyStore.open(path, "write", now=lambda: late() + timedelta(days=2)) as store:
        _add_recording(store, "A1", is_quantised=False, first_index=500)
        latency_us = float(np.nanmedian(store.results(2)[0].analysis.fibres[0].latency_us))
        keep_decision(store, DecisionKind.SET_ASIDE, Target(2, 1), latency_us=latency_us, reason=SECRETS.decision)
        keep_decision(store, DecisionKind.NOTE, Target(1), reason=SECRETS.note)
    return path


def _add_recording(store: StudyStore, name: str, *, is_quantised: bool, first_index: int) -> None:
    made = load_recording(RECORDINGS / f"{name}.npz")
    settings = RecordingSettings()
    number = store.start_recording(
        profile=SECRETS.profile,
        device=SECRETS.device,
        electrode=made.electrode,
        sample_rate_hz=made.sample_rate_hz,
        band_hz=made.band_hz,
        mains_hz=made.mains_hz,
        quantum_uv=made.quantum_uv if is_quantised else None,
        full_scale_uv=made.full_scale_uv,
        settings=settings,
    )
    rng = np.random.default_rng(11)
    n = min(made.n_sweeps, N_SWEEPS)
    shift_uv = np.zeros(made.sweeps_uv.shape) if is_quantised else rng.normal(0.0, 0.01, made.sweeps_uv.shape)
    offset_us = rng.uniform(-9.0, 9.0, n) if is_quantised else np.zeros(n)
    for k in range(n):
        pulse = Pulse(
            index=first_index + k,
            onset_sample=int(made.onset_sample[k]),
            commanded_ma=float(made.intensity_ma[k]) + 0.003,
            width_us=made.pulse_width_us,
            kind=PulseKind.TESTING if k < 4 else PulseKind.MEASURING,
            delivered_ma=float("nan") if k == 6 else float(made.intensity_ma[k]),
            onset_offset_us=float(offset_us[k]),
        )
        if is_quantised and k == 10:
            store.add_pulse(number, pulse)
            continue
        sweep = Sweep(pulse, made.sweeps_uv[k] + shift_uv[k], made.onset_index, made.sample_rate_hz, k == 12)
        store.add_sweep(number, sweep)
    analysis = analyse_recording(recording_from_store(store, number), settings=settings)
    store.add_result(number, analysis, settings=settings)


def damage_a_sweep(path: Path) -> None:
    """Change a byte of a sweep of the first recording, as a failing disk would."""
    connection = sqlite3.connect(path)
    query = f"SELECT samples FROM {STIMULI.name} WHERE samples IS NOT NULL AND recording = 1 ORDER BY seq LIMIT 1"  # noqa: S608 - a name of ours
    (samples,) = connection.execute(query).fetchone()
    connection.close()
    content = bytearray(path.read_bytes())
    place = content.find(samples[:64])
    assert place > 0
    content[place + 5] ^= 0xFF
    path.write_bytes(content)
