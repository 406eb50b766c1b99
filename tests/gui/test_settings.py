import json
from pathlib import Path

import pytest

from gui.settings import FILE_NAME, Settings, read_settings, settings_folder, write_settings


def test_what_was_kept_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "folder" / FILE_NAME
    kept = Settings(
        theme="bright", font_scale=1.5, profile="x.toml", muscle="frontalis", electrode="concentric", folder="/s"
    )
    assert write_settings(kept, path) == ""
    assert read_settings(path) == (kept, "")
    assert [one.name for one in path.parent.iterdir()] == [FILE_NAME]


def test_no_file_is_no_reason_for_a_warning(tmp_path: Path) -> None:
    assert read_settings(tmp_path / FILE_NAME) == (Settings(), "")


@pytest.mark.parametrize("content", [b"", b"{", b"\xff\xfe", b"[1]", b"3", b"[" * 90_000, b" " * 200_000])
def test_a_broken_file_costs_one_line(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / FILE_NAME
    path.write_bytes(content)
    settings, warning = read_settings(path)
    assert settings == Settings()
    assert warning.startswith(f"{path}: ")
    assert "\n" not in warning
    assert write_settings(Settings(theme="bright"), path) == ""
    assert read_settings(path) == (Settings(theme="bright"), "")


def test_one_bad_value_leaves_the_others(tmp_path: Path) -> None:
    path = tmp_path / FILE_NAME
    path.write_text(json.dumps({"theme": "pink", "font_scale": 1.25, "muscle": 7, "folder": "/a", "of_a_newer_one": 1}))
    settings, warning = read_settings(path)
    assert settings == Settings(font_scale=1.25, folder="/a")
    assert "muscle, theme cannot be used" in warning


@pytest.mark.parametrize("scale", ["NaN", "Infinity", "0.1", "9", '"1"', "true", "1" + "0" * 400])
def test_letters_of_an_impossible_size_are_not_taken(tmp_path: Path, scale: str) -> None:
    path = tmp_path / FILE_NAME
    path.write_text(f'{{"font_scale": {scale}, "theme": "bright"}}')
    settings, warning = read_settings(path)
    assert settings == Settings(theme="bright")
    assert "font_scale" in warning


def test_a_folder_that_cannot_be_written_costs_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    warning = write_settings(Settings(), tmp_path / "file" / FILE_NAME)
    assert "cannot be written" in warning
    assert "\n" not in warning


def test_a_folder_in_place_of_the_file_costs_one_line(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).mkdir()
    assert "cannot be read" in read_settings(tmp_path / FILE_NAME)[1]
    assert "cannot be written" in write_settings(Settings(), tmp_path / FILE_NAME)
    assert [one.name for one in tmp_path.iterdir()] == [FILE_NAME]


def test_the_folder_is_the_programs_own() -> None:
    assert settings_folder().name == "suprathresh"
    assert settings_folder().is_absolute()
