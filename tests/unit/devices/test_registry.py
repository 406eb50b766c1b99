from importlib.metadata import EntryPoint, EntryPoints
from pathlib import Path

import pytest

from acq.devices import registry
from acq.devices.contract import Device
from acq.devices.registry import DeviceOptions, list_devices, open_device, read_profile
from acq.errors import ConfigurationError

PROFILE = read_profile("simulated")


def use(monkeypatch: pytest.MonkeyPatch, **points: str) -> None:
    found = EntryPoints(EntryPoint(name, value, registry.DEVICE_GROUP) for name, value in points.items())
    monkeypatch.setattr(registry, "entry_points", lambda *, group: found.select(group=group))


def test_the_simulated_device_is_there_and_opens() -> None:
    assert "simulated" in list_devices()
    device = open_device("simulated", PROFILE, DeviceOptions(scenario="healthy", seed=1, speed="max"))
    assert isinstance(device, Device)
    about = device.describe()
    assert [channel.name for channel in about.channels] == ["needle", "monitor", "trigger"]
    assert about.is_simulated
    assert about.is_virtual_time
    assert about.sample_rate_hz == PROFILE.acquisition.sample_rate_hz


def test_an_unknown_kind_says_what_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    use(monkeypatch, one="a:b", another="c:d")
    with pytest.raises(ConfigurationError, match=r"no device of kind 'none'; there are: another, one$"):
        open_device("none", PROFILE, DeviceOptions())
    use(monkeypatch)
    with pytest.raises(ConfigurationError, match="none at all"):
        open_device("none", PROFILE, DeviceOptions())


@pytest.mark.parametrize("value", ["no_such_module_anywhere:make", "acq.devices.registry:no_such_function"])
def test_a_device_that_cannot_be_loaded_says_so(monkeypatch: pytest.MonkeyPatch, value: str) -> None:
    use(monkeypatch, broken=value)
    with pytest.raises(ConfigurationError, match="'broken' cannot be loaded") as caught:
        open_device("broken", PROFILE, DeviceOptions())
    assert "\n" not in str(caught.value)


def test_what_is_no_device_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    use(monkeypatch, wrong="builtins:max")
    monkeypatch.setattr("builtins.max", lambda profile, options: (profile, options))
    with pytest.raises(ConfigurationError, match="gave a tuple, which is no device"):
        open_device("wrong", PROFILE, DeviceOptions())


def test_options_are_checked() -> None:
    with pytest.raises(ConfigurationError, match="speed = 'fast'"):
        DeviceOptions(speed="fast")  # type: ignore[arg-type]  # what is being tested
    with pytest.raises(ConfigurationError, match="seed = -1"):
        DeviceOptions(seed=-1)


def test_a_profile_refused_is_an_error_of_this_program(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="no such file"):
        read_profile(tmp_path / "absent.toml")
