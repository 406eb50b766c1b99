"""What pictures of sweeps share: the part of time and the amplitude shown, and an image to write pixels into."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from PyQt5.QtGui import QImage

from acq.records import FloatArray
from gui.pictures.base import nice_step
from gui.view_model import ViewModel

__all__ = ["AmplitudeScale", "argb_image", "home_ms", "opaque"]

_ARTEFACT_MS: Final = 1.0  # the stimulus itself is larger than anything that is looked for
_EMPTY_MS: Final = (-1.0, 20.0)
_BEFORE_MS: Final = -1.0
_AFTER_MS: Final = 2.0  # behind the latest fibre
_STEP_MS: Final = 5.0  # so that the axis hardly ever moves
_LEAST_MS: Final = 10.0
_LEAST_UV: Final = 50.0
_HEADROOM: Final = 1.15
_SMALLER: Final = 0.35  # the scale shrinks only where so little of it is used
_SWEEPS_UNTIL_SMALLER: Final = 50


def home_ms(model: ViewModel, *, least_ms: float = _LEAST_MS) -> tuple[float, float]:
    """The part of the sweep that is shown at first: all of it, or up to a little after the latest fibre.

    Parameters
    ----------
    least_ms : float
        It ends there or later.
    """
    time_ms = model.sweeps.time_ms
    if time_ms.size < 2:
        return _EMPTY_MS
    low, high = max(float(time_ms[0]), _BEFORE_MS), float(time_ms[-1])
    ends_us = [one.now.window_us[1] for one in model.fibres if math.isfinite(one.now.window_us[1])]
    if ends_us:
        wanted_ms = math.ceil((max(ends_us) / 1000 + _AFTER_MS) / _STEP_MS) * _STEP_MS
        high = min(high, max(least_ms, _LEAST_MS, wanted_ms))
    return low, max(high, low + 0.1)


class AmplitudeScale:
    """Largest amplitude shown, µV: grows at once, shrinks late, and in round steps, so that it hardly ever moves."""

    def __init__(self) -> None:
        self.top_uv = _LEAST_UV
        self._n_small = 0

    def take(self, time_ms: FloatArray, samples_uv: npt.NDArray[np.float32]) -> bool:
        """Look at a sweep; True where the scale has changed."""
        start = int(np.searchsorted(time_ms, _ARTEFACT_MS))
        part = samples_uv[start:] if start < samples_uv.size else samples_uv
        largest = float(np.max(np.abs(part), initial=0.0)) if part.size else 0.0
        if not math.isfinite(largest):
            finite = part[np.isfinite(part)]
            largest = float(np.max(np.abs(finite), initial=0.0))
        wanted_uv = nice_step(max(_LEAST_UV, _HEADROOM * largest))
        if wanted_uv > self.top_uv:
            self.top_uv, self._n_small = wanted_uv, 0
            return True
        self._n_small = self._n_small + 1 if largest < _SMALLER * self.top_uv else 0
        if self._n_small < _SWEEPS_UNTIL_SMALLER or wanted_uv >= self.top_uv:
            return False
        self.top_uv, self._n_small = wanted_uv, 0
        return True


def argb_image(n_columns: int, n_rows: int) -> tuple[QImage, npt.NDArray[np.uint32]]:
    """An image, all of it clear, and its pixels (n_rows, n_columns) as 0xAARRGGBB, to be written into."""
    image = QImage(n_columns, n_rows, QImage.Format.Format_ARGB32_Premultiplied)
    image.fill(0)
    memory: Any = image.bits()
    memory.setsize(image.sizeInBytes())
    pixels: npt.NDArray[np.uint32] = np.frombuffer(memory, dtype=np.uint32).reshape(n_rows, n_columns)
    return image, pixels


def opaque(colour: str) -> int:
    """A colour as a pixel."""
    return 0xFF000000 | int(colour.removeprefix("#"), 16)
