"""A study that is gone on with: a simulated patient is not studied twice at the same places."""

from pathlib import Path

import pytest

from acq.hosting.messages import StudyRequest
from acq.opening import begin_study, prepare_study
from acq.study.store import StudyStore


def places(path: Path, scenario: str, *, resume: bool) -> list[str]:
    """Begin a study or go on with it, and leave it at once; how the devices of its recordings were described."""
    request = StudyRequest(study_path=str(path), scenario=scenario, seed=3, electrode="concentric", resume=resume)
    store, engine = begin_study(prepare_study(request, speed="max"))
    try:
        engine.finish()
    finally:
        store.close()
    with StudyStore.open(path) as kept:
        return [one.device for one in kept.recordings()]


def test_a_resumed_simulation_goes_on_at_the_next_site(tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    first = places(path, "study_mixed", resume=False)
    assert len(first) == 1
    assert "Site 1 of" in first[0]
    assert "Site 2 of" in places(path, "study_mixed", resume=True)[-1]
    third = places(path, "study_mixed", resume=True)
    assert "Site 3 of" in third[-1]
    assert len(set(third)) == 3


@pytest.mark.parametrize("scenario", ["healthy", "study_mixed:4"])
def test_where_there_is_one_site_it_stays(tmp_path: Path, scenario: str) -> None:
    path = tmp_path / "x.study"
    before = places(path, scenario, resume=False)
    assert places(path, scenario, resume=True) == before * 2
