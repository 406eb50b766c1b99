from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from acq.study.checks import find_last_check, find_profile_sha256, tell_last_check
from hardware_profiles import load_profile

PROFILE = load_profile("nidaqmx_analogue")
OTHER = load_profile("nidaqmx_serial")


def keep(path: Path, when: str, outcome: str, *, sha256: str | None = None) -> None:
    profile = {"name": "mine", "sha256": sha256 or find_profile_sha256(PROFILE)}
    path.write_text(json.dumps({"profile": profile, "checked_at_utc": when, "outcome": outcome}), encoding="utf-8")


def test_no_folder_holds_no_check(tmp_path: Path) -> None:
    assert find_last_check(PROFILE, tmp_path / "never") is None
    sentence = tell_last_check(None, profile_name="mine.toml")
    assert "Run `suprathresh check --profile mine.toml` on a resistor first" in sentence


def test_the_newest_of_this_profile_counts(tmp_path: Path) -> None:
    keep(tmp_path / "c.json", "2031-05-01T10:00:00+00:00", "fail")
    keep(tmp_path / "a.json", "2031-05-02T10:00:00+00:00", "pass")
    keep(tmp_path / "z.json", "2031-05-03T10:00:00+00:00", "fail", sha256=find_profile_sha256(OTHER))
    found = find_last_check(PROFILE, tmp_path)
    assert found is not None
    assert (found.outcome, found.path.name) == ("pass", "a.json")
    assert found.checked_at_utc == datetime(2031, 5, 2, 10, tzinfo=UTC)
    assert "passed its check on 2031-05-02" in tell_last_check(found, profile_name="mine")


@pytest.mark.parametrize("outcome", ["fail", "interrupted", "unfinished"])
def test_a_check_that_did_not_pass_is_said(tmp_path: Path, outcome: str) -> None:
    keep(tmp_path / "a.json", "2031-05-02T10:00:00+00:00", outcome)
    sentence = tell_last_check(find_last_check(PROFILE, tmp_path), profile_name="mine")
    assert f"did not pass ({outcome})" in sentence


def test_a_profile_that_was_changed_was_never_checked(tmp_path: Path) -> None:
    keep(tmp_path / "a.json", "2031-05-02T10:00:00+00:00", "pass")
    stimulus = PROFILE.stimulus.model_copy(update={"ceiling_ma": 4.5})
    changed = PROFILE.model_copy(update={"stimulus": stimulus})
    assert find_profile_sha256(changed) != find_profile_sha256(PROFILE)
    assert find_last_check(changed, tmp_path) is None


@pytest.mark.parametrize(
    "content", ["", "{", "[]", "null", "{}", '{"profile": 3}', '{"profile": {"sha256": "x"}}', "\x00", "é" * 9]
)
def test_other_files_are_passed_over(tmp_path: Path, content: str) -> None:
    (tmp_path / "x.json").write_bytes(content.encode("latin-1"))
    (tmp_path / "folder.json").mkdir()
    keep(tmp_path / "a.json", "2031-05-02T10:00:00+00:00", "pass")
    keep(tmp_path / "b.json", "no date", "pass")
    found = find_last_check(PROFILE, tmp_path)
    assert found is not None
    assert found.path.name == "a.json"
