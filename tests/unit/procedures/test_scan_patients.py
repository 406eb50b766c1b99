"""The threshold scan on a few whole simulated patients; many of them in `tests/benchmarks/scan_study.py`."""

import math

import numpy as np
import pytest

from tests.benchmarks.scan_study import STUDIES, ScanRun, run_patient

N_PATIENTS = 6
_REQUIRED = 1.2  # the usual margin


@pytest.fixture(scope="module")
def runs() -> list[ScanRun]:
    return [run_patient(STUDIES[k % len(STUDIES)], 1000 + k, n_recorded=30) for k in range(N_PATIENTS)]


def test_the_proposal_keeps_the_margin_over_every_fibre(runs: list[ScanRun]) -> None:
    for one in runs:
        assert one.proposal_ma is not None
        assert one.wanted
        assert not one.overlooked
        assert one.proposal_ma >= _REQUIRED * max(fibre.theta_ma for fibre in one.wanted) - 1e-9
        # Not at the price of much more current than is needed: two spreads, an interval's half, a step of the device.
        assert one.proposal_ma <= 1.15 * _REQUIRED * max(fibre.theta_ma for fibre in one.wanted) + 0.05


def test_the_guard_then_calls_every_fibre_assured(runs: list[ScanRun]) -> None:
    for one in runs:
        assert all(fibre.is_assured_once for fibre in one.wanted)
        assert all(fibre.is_assured for fibre in one.wanted if fibre.is_in_view_still)


def test_thresholds_are_within_three_percent_after_few_stimuli(runs: list[ScanRun]) -> None:
    fibres = [fibre for one in runs for fibre in one.wanted]
    known = [fibre for fibre in fibres if math.isfinite(fibre.estimate_ma)]
    # Fibres of one axon that block are known by the others of it.
    assert len(known) >= 0.9 * len(fibres)
    errors = np.abs([fibre.estimate_ma / fibre.theta_ma - 1.0 for fibre in known])
    assert np.mean(errors <= 0.03) >= 0.95
    assert np.mean([fibre.interval_ma[0] <= fibre.theta_ma <= fibre.interval_ma[1] for fibre in known]) >= 0.9
    # Stimuli for one axon that does not block: 12; for three together: 23 (DER: simulation of searches).
    for one in runs:
        n_axons = len({fibre.axon for fibre in one.wanted})
        if n_axons == 1 and all(fibre.blocking < 0.1 for fibre in one.wanted):
            assert np.all(np.abs(np.array(one.wanted[0].course_ma[12:]) / one.wanted[0].theta_ma - 1.0) <= 0.035)


def test_the_same_patient_gives_the_same_scan(runs: list[ScanRun]) -> None:
    assert run_patient(runs[0].study, runs[0].seed, n_recorded=5).proposal_ma == runs[0].proposal_ma
