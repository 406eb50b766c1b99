"""What the analysis may be told; every default has its reason beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["LATE_MS", "AnalysisSettings"]

LATE_MS: Final = 7.5  # below the shortest facial F waves (8.97 ± 0.53 ms) and R1 of the blink reflex (8–14 ms, Kimura)


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysisSettings:
    """Settings of the waveform analysis.

    Raises
    ------
    ValueError
        When a value is out of its range.
    """

    earliest_latency_ms: float = 1.5
    """Nothing before this is searched: the stimulus artefact is there. Intramuscular stimulation gives about 2 ms."""

    detection_sd: float = 5.0
    """A peak counts as an event from this many noise SDs on; one in 3.5 million Gaussian samples reaches it."""

    max_fibres: int = 6
    """More potentials than this in one sweep are no single-fibre recording."""

    fit_band_hz: tuple[float, float] = (200.0, 8000.0)
    """Frequencies that time a potential (lower ones only shape it); its spectrum peaks near 1.6 kHz (Gath & Stålberg
    1975)."""

    recording_band_hz: tuple[float, float] | None = None
    """Digital recording filter (high-pass, low-pass); None where the front end has filtered already."""

    interval_tolerance: float = 0.1
    """Two responses are comparable when the intervals before them differ by less than this fraction."""

    direct_mcd_us: float = 5.0
    """Below this MCD the muscle fibre itself was stimulated (criterion in Front Neurol 2023,
    10.3389/fneur.2023.1118510)."""

    def __post_init__(self) -> None:
        if not 0 < self.earliest_latency_ms < 1000:
            raise ValueError(f"earliest_latency_ms must lie between 0 and 1000, got {self.earliest_latency_ms}")
        if not 3 <= self.detection_sd <= 20:
            raise ValueError(f"detection_sd must lie between 3 and 20, got {self.detection_sd}")
        if not 1 <= self.max_fibres <= 12:
            raise ValueError(f"max_fibres must lie between 1 and 12, got {self.max_fibres}")
        for name in ("fit_band_hz", "recording_band_hz"):
            band = getattr(self, name)
            if band is not None and not 0 < band[0] < band[1]:
                raise ValueError(f"{name} must be (low, high) with 0 < low < high, got {band}")
        if not 0 < self.interval_tolerance < 1:
            raise ValueError(f"interval_tolerance must lie between 0 and 1, got {self.interval_tolerance}")
