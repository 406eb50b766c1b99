"""Direct muscle stimulation: sure, perhaps, not to be told, not excluded."""

import numpy as np
import pytest

from acq.analysis.origin import OriginFinding, judge_origin
from acq.records import Origin


def _judge(mcd_us: float, interval_us: tuple[float, float], noise_us: float) -> OriginFinding:
    n = 60
    return judge_origin(
        np.full(n, 4000.0),
        onset_s=np.arange(n) / 10.0,
        usable=np.ones(n, dtype=bool),
        mcd_us=mcd_us,
        mcd_interval_us=interval_us,
        mcd_noise_us=noise_us,
        # Below 5 µs the muscle fibre itself was stimulated: criterion in Front Neurol 2023, 10.3389/fneur.2023.1118510
        # (PUB). The resolution must be better than 2 µs: Trontelj 1986, J Neurol Neurosurg Psychiatry 49:677 (PUB).
        direct_mcd_us=5.0,
    )


@pytest.mark.parametrize(
    ("mcd_us", "interval_us", "noise_us", "origin", "words"),
    [
        (2.7, (2.3, 3.2), 0.7, Origin.DIRECT_MUSCLE, "MCD 2.7 µs (2.3–3.2), below 5 µs: direct muscle stimulation"),
        (4.6, (3.9, 5.4), 0.7, Origin.UNDECIDED, "not surely below 5 µs: may be direct"),
        (2.7, (1.0, 3.9), 2.4, Origin.UNDECIDED, "timing noise alone gives 2.4 µs: it must be below 2 µs"),
        (5.4, (4.6, 6.3), 0.7, Origin.ENDPLATE, "is not excluded"),
        (12.0, (10.0, 14.0), 3.0, Origin.ENDPLATE, ""),
    ],
)
def test_direct_stimulation(
    mcd_us: float, interval_us: tuple[float, float], noise_us: float, origin: Origin, words: str
) -> None:
    found = _judge(mcd_us, interval_us, noise_us)
    assert found.origin is origin
    assert words in found.evidence
    assert bool(found.evidence) is bool(words)


def test_one_pair_makes_nothing_sure() -> None:
    found = _judge(1.0, (float("nan"), float("nan")), 0.5)
    assert found.origin is Origin.UNDECIDED
    assert "nan" not in found.evidence
