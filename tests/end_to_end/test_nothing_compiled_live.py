"""No stimulus waits for the compiler: a study calls its kernels only with arguments they were prepared for."""

from __future__ import annotations

from pathlib import Path

import pytest

from acq.analysis.compiled import kernels
from acq.preparing import prepare_analysis
from sim_device.virtual_study import make_virtual_study


@pytest.mark.parametrize("scenario", ["myasthenic", "dislodged"])
def test_a_study_compiles_nothing_once_it_is_prepared(tmp_path: Path, scenario: str) -> None:
    prepare_analysis()
    before = {kernel.name: set(kernel.dispatcher.signatures) for kernel in kernels()}
    assert any(before.values())
    made = make_virtual_study(tmp_path / "a.study", scenario=scenario, seed=1, n_stimuli=60)
    assert made.path.exists()
    for kernel in kernels():
        assert kernel.name in before, f"{kernel.name} is imported in the middle of a study"
        new = set(kernel.dispatcher.signatures) - before[kernel.name]
        assert not new, f"{kernel.name} was compiled in the middle of a study, for {new}"
