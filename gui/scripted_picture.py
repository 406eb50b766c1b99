"""The screen of a scripted study as a picture, without a display."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from acq.errors import ConfigurationError
from acq.hosting.messages import Act, Leaving, Shown, StudyRequest
from gui.scripted import ScriptedStudy, parse_step

__all__ = ["NoLine", "save_scripted_picture"]

_REPORT_EVERY_S: Final = 1.0


@contextmanager
def _no_failures() -> Iterator[None]:
    """What fails where something is painted fails here as well: half a picture is none."""
    failures: list[BaseException] = []
    before = sys.excepthook
    sys.excepthook = lambda _kind, value, _trace: failures.append(value)
    try:
        yield
    finally:
        sys.excepthook = before
    if failures:
        raise failures[0]


class NoLine:
    """The way to an engine that is in this process and asks nobody."""

    def send(self, message: Act | Shown | Leaving) -> bool:  # noqa: ARG002 - the shape of an EngineLine
        """Nobody listens."""
        return True

    def close(self) -> None:
        """Nothing to hang up."""

    def last_words(self) -> str:
        """None."""
        return ""


def save_scripted_picture(
    request: StudyRequest,
    path: Path,
    *,
    at_s: float,
    steps: Sequence[str] = (),
    size: tuple[int, int] = (1280, 800),
    theme: str = "dark",
    letters: float = 1.0,
    shows_result: bool = False,
    report: Callable[[float], None] = lambda _: None,
) -> None:
    """Run a simulated study in virtual time and save the screen as it is after `at_s` seconds.

    Parameters
    ----------
    path : Path
        `.png`, or `.svg`.
    steps : sequence of str
        What is done and when, see `gui.scripted.parse_step`; a scan, and each proposal accepted, without any.
    size : (int, int)
        Of the window, in its own pixels.
    shows_result : bool
        The result where the pictures are otherwise.
    report : callable
        Told now and then how far the study is, in seconds.

    Raises
    ------
    SuprathreshError
        In one line for the user.
    """
    script = sorted((parse_step(text) for text in steps), key=lambda step: step.at_s) if steps else None
    if path.suffix.lower() not in (".png", ".svg"):
        raise ConfigurationError(f"{path.name}: a picture is saved as .png or .svg; choose one of the two")
    if not path.parent.is_dir():
        raise ConfigurationError(f"{path.parent}: there is no such folder; make it, or choose another")
    if script and script[-1].at_s > at_s:
        raise ConfigurationError(
            f"the step at {script[-1].at_s:g} s comes after the picture at {at_s:g} s; give a later moment for it"
        )
    # As large on every computer, whatever its screen is like.
    for name in ("QT_SCALE_FACTOR", "QT_SCREEN_SCALE_FACTORS", "QT_AUTO_SCREEN_SCALE_FACTOR", "QT_DEVICE_PIXEL_RATIO"):
        os.environ.pop(name, None)
    os.environ["QT_QPA_PLATFORM"] = "offscreen"
    os.environ["QT_FONT_DPI"] = "96"
    # Only here: the platform must have been chosen before.
    from gui.application import make_application
    from gui.export import save_picture
    from gui.key_map import DEFAULT_KEYS, Command
    from gui.themes import THEMES, with_font_scale
    from gui.window import StudyWindow

    application = make_application()
    with ScriptedStudy.begin(request, steps=script) as study:
        shown_s = 0.0
        study.run_to(shown_s)
        while shown_s < at_s and not study.engine.is_finished:
            shown_s = min(at_s, shown_s + _REPORT_EVERY_S)
            study.run_to(shown_s)
            report(shown_s)
        look = with_font_scale(THEMES[theme], letters)
        window = StudyWindow(
            study.model, NoLine(), theme=look, key_map=DEFAULT_KEYS, now_s=lambda: study.engine.elapsed_s
        )
        window.end_card.setVisible(study.model.ended is not None)
        window.resize(*size)
        with _no_failures():
            window.show()
            window.tick()
            if shows_result:
                window.do(Command.RESULT)
            for _ in range(2):  # sizes follow what is shown, and what is in them follows the sizes
                application.processEvents()
            for picture in window.pictures:
                picture.settle()
            window.head.are_keys_elsewhere = False
            if path.suffix.lower() == ".svg":
                save_picture(window, path, theme=look, palette=look)
            elif not window.grab().save(str(path)):
                raise ConfigurationError(f"{path}: the picture cannot be written; choose a folder you may write to")
        window.end()
        window.deleteLater()
