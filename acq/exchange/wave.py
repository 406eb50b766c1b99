"""WAV files in: 16, 24 and 32 bit and floating point, with a stimulus channel or a file of onsets."""

from __future__ import annotations

import struct
import warnings
from pathlib import Path
from typing import Final

from acq.errors import InputFileError
from acq.exchange.continuous import Continuous, ImportOptions, choose_channel
from acq.exchange.recordings import show

__all__ = ["is_wave", "open_wave"]

LARGEST_BYTES: Final = 1_500_000_000
_MOST_CHANNELS: Final = 256
_FORMATS: Final = {1: "whole numbers", 3: "floating point"}
_EXTENSIBLE: Final = 0xFFFE
# What broken files raise in the library that reads them.
_FILE_ERRORS: Final = (OSError, ValueError, ArithmeticError, LookupError, TypeError, struct.error, MemoryError)


def is_wave(magic: bytes) -> bool:
    """Whether the first bytes of a file are those of a WAV file."""
    return magic[:4] in (b"RIFF", b"RF64") and magic[8:12] == b"WAVE"


def open_wave(path: Path, options: ImportOptions) -> Continuous:
    """Read a WAV file; its channels have no names but their numbers from 1.

    Raises
    ------
    InputFileError
        When it is damaged, of a kind that is not read, or its scale is not told. One line.
    """
    bits = _check_chunks(path)
    if options.uv_per_unit is None:
        raise InputFileError(
            f"{path}: a WAV file does not tell its scale; give --uv-per-unit, microvolts of one step of its samples (of"
            " 1.0 where they are floating point)"
        )
    from scipy.io import wavfile  # here: it takes long to load

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", wavfile.WavFileWarning)  # of chunks that hold no samples
            rate_hz, samples = wavfile.read(path, mmap=bits in (16, 32, 64))
    except _FILE_ERRORS as exc:
        raise InputFileError(
            f"{path}: damaged or of a kind that is not read ({show(str(exc)) or type(exc).__name__}); export it again"
        ) from exc
    samples = samples.reshape(len(samples), -1)
    n_channels = samples.shape[1]
    if samples.dtype.kind not in "if" or samples.shape[0] < 2:
        raise InputFileError(
            f"{path}: has {samples.shape[0]} samples of type {samples.dtype}; 16, 24 or 32 bits or floating point are"
            " read"
        )
    names = [""] * n_channels
    needle = choose_channel(
        path, names, options.needle_channel or "1", what="needle channel", option="--needle-channel"
    )
    stimulus = None
    if options.stimulus_channel is not None:
        stimulus = choose_channel(
            path, names, options.stimulus_channel, what="stimulus channel", option="--stimulus-channel"
        )
    shift = 8 if bits == 24 else 0  # the library puts 24 bits into the upper three bytes of four
    is_whole = samples.dtype.kind == "i"
    codes = samples[:, needle]
    return Continuous(
        name=path.stem,
        kind="WAV",
        needle=codes >> shift if shift else codes,
        sample_rate_hz=float(rate_hz),
        uv_per_unit=options.uv_per_unit,
        quantum_uv=options.uv_per_unit if is_whole else None,
        full_scale_uv=2.0 ** (bits - 1) * options.uv_per_unit if is_whole else None,
        stimulus=None if stimulus is None else samples[:, stimulus],
        stimulus_rate_hz=float(rate_hz),
        stimulus_scale=2.0**-shift,
        ma_per_unit=options.ma_per_unit,
        choices=f"; the file has {n_channels} channel{'s' if n_channels > 1 else ''}",
    )


def _check_chunks(path: Path) -> int:
    """Bits of a sample, after the sizes that the file names were compared with what is there.

    The library would make room for what a damaged header asks for.
    """
    try:
        n_file = path.stat().st_size
        if n_file > LARGEST_BYTES:
            raise InputFileError(f"{path}: has more than {LARGEST_BYTES:,} bytes; split the file")
        bits, position = 0, 12
        with path.open("rb") as stream:
            while True:
                stream.seek(position)
                head = stream.read(8)
                if len(head) < 8:
                    raise InputFileError(f"{path}: damaged: it holds no samples; copy or export it again")
                name, n_chunk = struct.unpack("<4sI", head)
                if name == b"fmt ":
                    content = stream.read(26)
                    if len(content) < 16:
                        raise InputFileError(f"{path}: damaged: its header is cut short; copy or export it again")
                    form, n_channels, _, _, n_block, bits = struct.unpack("<HHIIHH", content[:16])
                    if form == _EXTENSIBLE and len(content) == 26:
                        form = struct.unpack("<H", content[24:26])[0]
                    if form not in _FORMATS or not 1 <= n_channels <= _MOST_CHANNELS or bits not in (16, 24, 32, 64):
                        raise InputFileError(
                            f"{path}: format {form} with {n_channels} channels of {bits} bits is not read; 16, 24 or 32"
                            " bits or floating point are"
                        )
                    if n_block != n_channels * bits // 8:
                        raise InputFileError(f"{path}: damaged: its header contradicts itself; copy or export it again")
                elif name == b"data":
                    if not bits or n_chunk > n_file - position - 8:
                        raise InputFileError(
                            f"{path}: damaged: of {n_chunk:,} bytes of samples {n_file - position - 8:,} are there;"
                            " copy or export it again"
                        )
                    return bits
                position += 8 + n_chunk + n_chunk % 2
    except OSError as exc:
        raise InputFileError(f"{path}: cannot be read ({exc.strerror or exc}); check that you may read it") from exc
