"""Whatever is in a profile, a scenario, a study plan or a kept check: it is read, or refused in one clear line."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import strategies as st

from acq.errors import ConfigurationError
from acq.study.checks import find_last_check, find_profile_sha256, tell_last_check
from hardware_profiles import ProfileError, load_profile
from sim_device.scenario import load_scenario
from sim_device.study_scenario import load_sites
from tests.fuzz import profile_input, scenario_input
from tests.fuzz.mutation import mutated_bytes, mutated_toml
from tests.fuzz.outcome import read_or_refuse
from tests.fuzz.search import search

PROFILES = profile_input.make_seeds()
SCENARIOS = scenario_input.make_seeds()


@pytest.mark.timeout(3600)
def test_mutated_profiles(full: bool, tmp_path: Path) -> None:
    search(lambda data: profile_input.feed(data, tmp_path), mutated_toml(PROFILES), n=50_000 if full else 400)


@pytest.mark.timeout(3600)
def test_mutated_scenarios(full: bool, tmp_path: Path) -> None:
    search(lambda data: scenario_input.feed(data, tmp_path), mutated_toml(SCENARIOS), n=50_000 if full else 400)


def make_check(**changes: Any) -> bytes:
    profile = load_profile("simulated")
    document = {
        "profile": {"sha256": find_profile_sha256(profile)},
        "checked_at_utc": "2031-05-04T10:00:00+00:00",
        "outcome": "pass",
    }
    return json.dumps(document | changes).encode()


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.sampled_from(("2031-05-04", "0001-01-01")),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=5,
)


@pytest.mark.timeout(3600)
def test_mutated_kept_checks(full: bool, tmp_path: Path) -> None:
    """One that cannot be read is passed over, and the sound one beside it is found."""
    profile = load_profile("simulated")
    (tmp_path / "sound.json").write_bytes(make_check())
    changed = st.builds(
        lambda key, value: make_check(**{key: value}),
        st.sampled_from(("profile", "checked_at_utc", "outcome")),
        JSON_VALUES,
    )

    def feed(data: bytes) -> bool:
        (tmp_path / "mutated.json").write_bytes(data)
        found = find_last_check(profile, tmp_path)
        assert found is not None
        sentence = tell_last_check(found, profile_name="simulated")
        assert sentence.isprintable()
        return found.path.name == "mutated.json"

    moment = st.datetimes(timezones=st.none() | st.timezones()).map(
        lambda at: make_check(checked_at_utc=at.isoformat())
    )
    search(feed, changed | moment | mutated_bytes([make_check()]), n=20_000 if full else 300)


# ---- the smallest examples of what was found -------------------------------------------------------------------------

CHANGED_PROFILES = [
    (b"ceiling_ma = ", b"ceiling_ma = " + b"1" * 5_000 + b" #", "not valid TOML"),
    (b"schema_version = 1", b"schema_version = 0x" + b"f" * 5_000, "schema_version"),
    (b"ceiling_ma = ", b"ceiling_ma = " + b"[" * 3_000 + b"]" * 3_000 + b" #", "not valid TOML"),
    (b"[stimulus]", b'[stimulus]\n"\\u001b[2J" = 1', "is not a key of a profile"),
    (b"[stimulus]", b'[stimulus]\n"' + b"k" * 20_000 + b'" = 1', "is not a key of a profile"),
    (b"parity = ", b'parity = "' + b"x" * 50_000 + b'" #', "device.serial.parity"),
    (b"set_intensity = ", b'set_intensity = "{intensity_a:1000000000}" #', "writes intensity_a in a way"),
    (b"set_intensity = ", b'set_intensity = "{intensity_ma:.300000000f}" #', "writes intensity_ma in a way"),
]


@pytest.mark.parametrize(("old", "new", "words"), CHANGED_PROFILES)
def test_profiles_that_broke_the_reading(tmp_path: Path, old: bytes, new: bytes, words: str) -> None:
    text = next(seed for seed in PROFILES if b"set_intensity" in seed)
    path = tmp_path / "mine.toml"
    path.write_bytes(text.replace(old, new, 1))
    profile, line = read_or_refuse(lambda: load_profile(path), (ProfileError,))
    assert profile is None
    assert words in line


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"summary", b"k = " + b"1" * 5_000 + b"\nsummary"),
        (b"summary", b"k = " + b"[" * 3_000 + b"]" * 3_000 + b"\nsummary"),
        (b"summary", b'"\\u001b[2J" = 1\nsummary'),
        (b"schema_version = 1", b"schema_version = 0x" + b"f" * 5_000),
        (b"summary", b'"' + b"k" * 20_000 + b'" = 1\nsummary'),
    ],
)
@pytest.mark.parametrize("name", ["single", "study_healthy"])
def test_scenarios_that_broke_the_reading(tmp_path: Path, name: str, old: bytes, new: bytes) -> None:
    text = next(seed for seed in SCENARIOS if f'name = "{name}"'.encode() in seed)
    sites = scenario_input.read(text.replace(old, new, 1), tmp_path)
    assert sites is None


def test_a_scenario_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    assert scenario_input.feed(b"\xef\xbb\xbf" + SCENARIOS[0], tmp_path)


def test_names_that_are_none() -> None:
    for name in ("a\0b.toml", "a/\0.toml"):
        with pytest.raises(ProfileError, match="cannot be read"):
            load_profile(name)
        with pytest.raises(ConfigurationError, match="is no name of a file"):
            load_scenario(name)
        with pytest.raises(ConfigurationError):
            load_sites(name, seed=0)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="Windows has no pipes in folders")
@pytest.mark.timeout(20)
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "pipe.toml"
    os.mkfifo(path)
    with pytest.raises(ProfileError, match="no file"):
        load_profile(path)
    with pytest.raises(ConfigurationError, match="is no file"):
        load_sites(path, seed=0)
    os.mkfifo(tmp_path / "pipe.json")
    assert find_last_check(load_profile("simulated"), tmp_path) is None


@pytest.mark.parametrize(
    "changes",
    [
        {"checked_at_utc": "2031-05-04T10:00:00"},
        {"checked_at_utc": "0001-01-01T00:00:00+00:00"},
        {"outcome": "pass\n\u001b[2J"},
        {"outcome": ["pass"]},
    ],
)
def test_kept_checks_that_broke_the_search(tmp_path: Path, changes: dict[str, Any]) -> None:
    (tmp_path / "a.json").write_bytes(make_check())
    (tmp_path / "b.json").write_bytes(make_check(**changes))
    (tmp_path / "c.json").write_bytes(b"[" * 100_000)
    found = find_last_check(load_profile("simulated"), tmp_path)
    assert found is not None
    assert found.path.name == "a.json"
