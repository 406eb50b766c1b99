"""How large a study file is, beside the same sweeps in plain files, and beside what their noise alone needs."""

from __future__ import annotations

import gzip
import math
from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from scipy.signal import welch

from acq.study.store import StudyStore
from tests.benchmarks.rows.groups import Size
from tests.benchmarks.rows.row import Limit, Peer, Row, package
from tests.benchmarks.rows.studies import study_of_sites
from tests.potentials import FloatArray

__all__ = ["bits_a_sample", "measure"]

_RATE_HZ = 20.0
_QUIET_MS = 8.0  # the end of each sweep, after the potentials
_SEGMENT = 256


def bits_a_sample(noise: FloatArray, quantum: float) -> tuple[float, float]:
    """Entropy of noise in steps of a quantum: as if white, and with its spectrum known, in bits a sample.

    noise : (n, m) of stretches, in the unit of the quantum.

    Gaussian noise of standard deviation σ needs ½·log2(2πe σ²/q²) at a fine quantum q (T. M. Cover & J. A. Thomas,
    Elements of Information Theory, 2nd ed. 2006, section 8.3). Of coloured noise only what its past does not foretell
    is new: σ² is then the geometric mean of the power spectrum (Kolmogorov's formula, ibid. section 12.5). Both
    sections from memory.
    """
    stretches = noise - noise.mean(axis=1, keepdims=True)
    white = float(np.mean(stretches**2))
    _, power = welch(stretches, fs=1.0, nperseg=min(_SEGMENT, stretches.shape[1]), axis=1, detrend=False)
    # Two-sided, per cycle a sample: its mean is the variance, its geometric mean that of the innovation.
    density = power.mean(axis=0)[1:-1] / 2.0
    coloured = float(np.exp(np.mean(np.log(density))))

    def bits(variance: float) -> float:
        return 0.5 * math.log2(2.0 * math.pi * math.e * variance / quantum**2)

    return bits(white), bits(coloured)


def measure(size: Size) -> Iterator[Row]:
    """All of a study of several sites: samples, pulses, responses, verdicts, acts, results, digests."""
    path = study_of_sites(size)
    with StudyStore.open(path, "read") as store:
        recordings = [one for one in store.recordings() if one.n_sweeps]
        samples_uv = np.concatenate([store.sweeps(one.number).sweeps_uv for one in recordings])
    quantum_uv, rate_hz = recordings[0].quantum_uv, recordings[0].sample_rate_hz
    assert quantum_uv is not None
    codes = np.round(samples_uv / quantum_uv).astype(np.int16)
    n, n_samples = codes.shape
    an_hour = 3600.0 * _RATE_HZ / n / 1e6  # bytes of all → MB an hour

    def parquet(compression: str) -> int:
        out = size.folder / f"codes_{compression}.parquet"
        flat = pa.FixedSizeListArray.from_arrays(pa.array(codes.ravel()), n_samples)
        pq.write_table(pa.table({"codes": flat}), out, compression=compression)
        return out.stat().st_size

    noise_uv = samples_uv[:, -round(_QUIET_MS * 1e-3 * rate_hz) :]
    white, coloured = bits_a_sample(noise_uv, quantum_uv)
    raw = codes.nbytes
    on_disk = path.stat().st_size
    zipped = len(gzip.compress(codes.tobytes(), 6))
    yield Row(
        name="file_an_hour",
        what=f"study file an hour at {_RATE_HZ:g} Hz, sweeps of {n_samples} samples at {rate_hz / 1000:g} kS/s",
        value=on_disk * an_hour, unit="MB", is_more_better=False,
        how=f"{n} sweeps of a study in virtual time, everything in it counted, × {_RATE_HZ:g} Hz × 1 h",
        peers=[
            Peer("the sweeps alone, raw 16 bit", raw * an_hour, "no pulses, responses, record, digests"),
            Peer("… raw 32 bit floats", 2 * raw * an_hour),
            Peer("… 16 bit, gzip", zipped * an_hour),
            Peer(f"… Parquet, zstd ({package('pyarrow')})", parquet("zstd") * an_hour),
        ],
        limit=Limit(f"entropy of the noise, {coloured:.1f} bits a sample (as white noise {white:.1f})",
                    n * n_samples * coloured / 8.0 * an_hour),
        notes=[f"{on_disk / n:.0f} bytes a sweep, {raw / n:.0f} of them samples as they came from the converter"],
        raw={"n_sweeps": n, "file_bytes": on_disk, "raw_int16_bytes": raw, "gzip_bytes": zipped,
             "bits_white": white, "bits_coloured": coloured, "quantum_uv": quantum_uv},
    )  # fmt: skip
