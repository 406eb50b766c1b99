"""What each format costs a latency, in microseconds: recordings written, read back, analysed, and compared.

    python -m tests.benchmarks.import_study [--recordings A1 H1]

"fine" is the same recording as an amplifier without converter steps would have given it (a dither of one step), so that
every format has something to round.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from acq.exchange.continuous import ImportOptions
from acq.exchange.edf import read_edf, write_edf
from acq.exchange.incoming import read_foreign
from acq.exchange.recordings import Recording, load_recording
from acq.offline import analyse_recording
from acq.records import FloatArray, RecordingAnalysis
from tests.foreign_files import lay_out, write_csv, write_edf_by_pyedflib, write_wav

RECORDINGS = Path(__file__).parents[1] / "recordings"
_STEP_UV = 0.3


def latencies_us(analysis: RecordingAnalysis, n: int) -> FloatArray:
    return np.stack([fibre.latency_us[:n] for fibre in analysis.fibres])


def read_back(recording: Recording, fine: Recording, folder: Path) -> Iterator[tuple[str, Recording, Recording]]:
    """Name of the way, what was written, what came back."""
    for name, one in (("codes", recording), ("fine", fine)):
        for ending in ("edf", "bdf"):
            path = folder / f"{name}.{ending}"
            write_edf(one, path)
            yield f"own {ending}, {name}", one, read_edf(path)
    rate_hz = round(recording.sample_rate_hz)
    needle_uv, current_ma, onsets = lay_out(recording)
    for bits in (16, 24, 32):
        path = write_wav(folder / f"{bits}.wav", [needle_uv / _STEP_UV, 1000 * current_ma], rate_hz=rate_hz, bits=bits)
        options = ImportOptions(stimulus_channel="2", uv_per_unit=_STEP_UV, ma_per_unit=0.001)
        yield f"WAV {bits} bit, codes", recording, read_foreign(path, options)[1][0]
    needle_uv = lay_out(fine)[0]
    columns = {"time_s": np.arange(needle_uv.size) / rate_hz, "needle_uv": needle_uv, "current_ma": current_ma}
    for n_decimals in range(4):
        path = write_csv(folder / f"{n_decimals}.csv", columns, n_decimals=(6, n_decimals, 4))
        options = ImportOptions(needle_channel="needle_uv", stimulus_channel="current_ma")
        yield f"CSV {10.0**-n_decimals:g} µV, fine", fine, read_foreign(path, options)[1][0]
        path.unlink()
    for ending in ("edf", "bdf"):
        path = write_edf_by_pyedflib(
            folder / f"other.{ending}",
            needle_uv,
            current_ma,
            rate_hz=rate_hz,
            range_uv=10_000,
            range_ma=10,
            onset_s=onsets / rate_hz,
        )
        yield f"pyedflib {ending}, fine", fine, read_foreign(path, ImportOptions(stimulus_channel="Stim"))[1][0]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--recordings", nargs="+", default=["A1", "H1"])
    given = parser.parse_args()
    print(f"{'recording':10} {'way':26} {'step µV':>9} {'median µs':>10} {'largest µs':>11} {'other answers':>14}")
    for name in given.recordings:
        recording = load_recording(RECORDINGS / f"{name}.npz")
        dither_uv = np.random.default_rng(3).uniform(-_STEP_UV / 2, _STEP_UV / 2, recording.sweeps_uv.shape)
        fine = replace(recording, sweeps_uv=recording.sweeps_uv + dither_uv, quantum_uv=None)
        with tempfile.TemporaryDirectory() as folder:
            for way, written, read in read_back(recording, fine, Path(folder)):
                n = read.n_sweeps  # pyedflib leaves out the last part of a second
                part = {
                    key: getattr(written, key)[:n]
                    for key in ("sweeps_uv", "intensity_ma", "onset_sample", "rate_hz", "sweep_number", "kinds")
                }
                before = latencies_us(analyse_recording(replace(written, is_damaged=written.is_damaged[:n], **part)), n)
                after = latencies_us(analyse_recording(read), n)
                away = np.abs(after - before)
                n_other = int(np.sum(np.isfinite(after) != np.isfinite(before)))
                step = f"{read.quantum_uv:.4g}" if read.quantum_uv is not None else "–"
                print(
                    f"{name:10} {way:26} {step:>9} {np.nanmedian(away):10.4f} {np.nanmax(away):11.4f} {n_other:14}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
