"""A recording made elsewhere, kept in a study with its result."""

from __future__ import annotations

from dataclasses import replace

from acq.exchange.recordings import Recording
from acq.offline import RecordingSettings
from acq.records import RecordingAnalysis, Sweep
from acq.study.store import IMPORTED, StudyStore

__all__ = ["add_recording"]


def add_recording(
    store: StudyStore, recording: Recording, analysis: RecordingAnalysis, settings: RecordingSettings, *, kind: str
) -> int:
    """Write a recording and its result into a study that is open for writing.

    Parameters
    ----------
    settings : RecordingSettings
        That it was analysed with.
    kind : str
        What the format it came in is called.

    Returns
    -------
    int
        The number of the recording.

    Raises
    ------
    StudyFileError
        When it cannot be written.
    """
    number = store.start_recording(
        profile=IMPORTED,
        device=f"imported from {kind}",
        electrode=recording.electrode,
        sample_rate_hz=recording.sample_rate_hz,
        band_hz=recording.band_hz,
        mains_hz=recording.mains_hz,
        quantum_uv=recording.quantum_uv,
        full_scale_uv=recording.full_scale_uv,
        settings=settings,
    )
    told = "; ".join((f"{recording.n_sweeps} sweeps from {kind}", *recording.damage))
    store.add_event("imported", told, recording=number)
    commanded_ma, delivered_ma = recording.commanded_ma, recording.delivered_ma
    for k, pulse in enumerate(recording.pulses()):
        store.add_sweep(
            number,
            Sweep(
                pulse=replace(
                    pulse,
                    commanded_ma=pulse.commanded_ma if commanded_ma is None else float(commanded_ma[k]),
                    delivered_ma=pulse.delivered_ma if delivered_ma is None else float(delivered_ma[k]),
                ),
                samples_uv=recording.sweeps_uv[k],
                onset_index=recording.onset_index,
                sample_rate_hz=recording.sample_rate_hz,
                is_damaged=bool(recording.is_damaged[k]),
            ),
        )
    store.add_result(number, analysis, settings=settings)
    return number
