"""What the screen remembers between two starts. Nothing of it is needed: a broken file costs a line, no more."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path
from typing import Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from PyQt5.QtCore import QStandardPaths

from hardware_profiles.wording import show

__all__ = ["FILE_NAME", "Settings", "read_settings", "settings_folder", "write_settings"]

FILE_NAME: Final = "screen.json"
_FOLDER: Final = "suprathresh"
_LARGEST_FILE_BYTES: Final = 100_000


class Settings(BaseModel):
    """Look of the screen, and what was chosen last. Nothing of a patient.

    font_scale : letters beside the system's own. folder : of the studies, None for the usual one. operator : who uses
    this computer, as a code or initials. limits : name of those chosen last, empty for those that are proposed.
    shows_more : the fields that may well stay empty are unfolded.
    """

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True)

    theme: Literal["dark", "bright"] = "dark"
    font_scale: float = Field(default=1.0, ge=0.5, le=3.0, allow_inf_nan=False)
    profile: str = Field(default="simulated", min_length=1, max_length=1000)
    scenario: str = Field(default="healthy", min_length=1, max_length=1000)
    muscle: str = Field(default="", max_length=60)
    electrode: Literal["single_fibre", "concentric"] = "single_fibre"
    stimulation: Literal["", "extramuscular", "intramuscular"] = ""
    operator: str = Field(default="", max_length=60)
    limits: str = Field(default="", max_length=100)
    shows_more: bool = False
    folder: str | None = Field(default=None, min_length=1, max_length=1000)


def settings_folder() -> Path:
    """The folder for the user's own settings, as this system has it; it need not exist yet."""
    base = QStandardPaths.writableLocation(QStandardPaths.StandardLocation.GenericConfigLocation)
    return (Path(base) if base else Path.home()) / _FOLDER


def read_settings(path: Path | None = None) -> tuple[Settings, str]:
    """Read what was kept, and a warning of one line, empty as a rule.

    Where a value cannot be used the others hold all the same. No file is no reason for a warning.

    Parameters
    ----------
    path : Path, optional
        Of the file; default: the one in `settings_folder`.
    """
    path = settings_folder() / FILE_NAME if path is None else path
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            return (
                Settings(),
                f"{path}: too large for a file of settings; the usual ones hold until it is written anew.",
            )
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return Settings(), ""
    except OSError as exc:
        return Settings(), f"{path}: cannot be read ({exc.strerror or exc}); the usual settings hold."
    except (ValueError, RecursionError) as exc:
        return (
            Settings(),
            f"{path}: is no JSON ({show(str(exc), 120)}); the usual settings hold until it is written anew.",
        )
    if not isinstance(data, dict):
        return Settings(), f"{path}: holds no settings; the usual ones hold until it is written anew."
    return _take_good_ones(data, path)


def _take_good_ones(data: dict[str, Any], path: Path) -> tuple[Settings, str]:
    try:
        return Settings.model_validate(data), ""
    except ValidationError as exc:
        bad = sorted({str(error["loc"][0]) for error in exc.errors(include_url=False)})
    kept = Settings.model_validate({name: value for name, value in data.items() if name not in bad})
    return kept, f"{path}: {', '.join(bad)} cannot be used; the usual setting holds there until it is written anew."


def write_settings(settings: Settings, path: Path | None = None) -> str:
    """Keep the settings; whole or not at all. Gives a warning of one line where that fails, empty as a rule.

    Parameters
    ----------
    path : Path, optional
        Of the file; default: the one in `settings_folder`.
    """
    path = settings_folder() / FILE_NAME if path is None else path
    unfinished = path.with_name(f".{path.name}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        unfinished.write_text(settings.model_dump_json(indent=2) + "\n", encoding="utf-8")
        unfinished.replace(path)
    except OSError as exc:
        with suppress(OSError):
            unfinished.unlink(missing_ok=True)
        return f"{path}: cannot be written ({exc.strerror or exc}); the settings are not kept."
    return ""
