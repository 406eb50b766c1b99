"""The manual's pictures, made anew by the program itself: ``python -m tests.manual_pictures [NAME…]``.

Each is a scripted study on a simulated patient, so the same command gives the same picture, whichever computer it is
run on (letters aside). They are reduced to few colours, which keeps the program small. The page of a report needs a
library that draws PDF: ``pip install pypdfium2``.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from PIL import Image

FOLDER: Final = Path(__file__).parents[1] / "acq" / "manual" / "images"
LARGEST_BYTES: Final = 120_000
_COLOURS: Final = 192
_SCAN: Final = ("0 scan", "8 accept")
_BOARD_PX: Final = 388  # the head and the rows of the fibres, without the pictures below
_REPORT_WIDTH_PX: Final = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What a picture shows. height_px : of its upper part, where the rest is of no interest."""

    scenario: str
    at_s: float
    steps: tuple[str, ...] = ()
    options: tuple[str, ...] = ()
    height_px: int | None = None

    def command(self, path: Path) -> list[str]:
        """The command of the program that makes it."""
        steps = [word for step in self.steps for word in ("--do", step)]
        return [
            *("screen", "--picture", str(path), "--scenario", self.scenario, "--seed", "1", "--theme", "bright"),
            *("--at", f"{self.at_s:g}", *self.options, *steps),
        ]


def _site_after_site(n: int, each_s: float) -> tuple[str, ...]:
    """Recordings at so many sites of a simulated study, one after another."""
    steps: list[str] = []
    for at in range(n):
        begin_s = each_s * at
        steps += [f"{begin_s + 0.5:g} scan", f"{begin_s + 16:g} accept"]
        if at + 1 < n:
            steps.append(f"{begin_s + each_s:g} new recording")
    return tuple(steps)


_FRONTALIS: Final = ("--muscle", "frontalis", "--electrode", "concentric")
_SITE_S: Final = 34.0
SCENES: Final = {
    "start": Scene(scenario="healthy", at_s=1, steps=("0.5 stop",), options=_FRONTALIS),
    "scan": Scene(scenario="healthy", at_s=7.5, steps=("0 scan",), options=_FRONTALIS),
    "recording": Scene(scenario="healthy", at_s=30, steps=_SCAN, options=_FRONTALIS),
    "assured": Scene(scenario="healthy", at_s=30, steps=_SCAN, height_px=_BOARD_PX),
    "thin": Scene(
        scenario="healthy", at_s=22, steps=(*_SCAN, "20 lower", "20.3 lower", "20.6 lower"), height_px=_BOARD_PX
    ),
    "lost": Scene(scenario="dislodged", at_s=66, steps=_SCAN, height_px=_BOARD_PX),
    "untested": Scene(scenario="healthy", at_s=215, steps=(*_SCAN, "12 tests"), height_px=_BOARD_PX),
    "misses": Scene(scenario="myasthenic", at_s=45, steps=("0 scan", "14 accept"), options=_FRONTALIS),
    "procedures": Scene(scenario="healthy", at_s=25, steps=(*_SCAN, "24 procedures")),
    "rate-series": Scene(scenario="healthy", at_s=330, steps=(*_SCAN, "24 procedures", "24.5 choose 5")),
    "result": Scene(
        scenario="study_mixed",
        at_s=8 * _SITE_S + 20,
        steps=(*_site_after_site(8, _SITE_S), f"{8 * _SITE_S:g} new recording"),
        options=("--muscle", "orbicularis oculi", "--result"),
    ),
}
_STUDY: Final = (
    *("study", "--scenario", "study_mixed", "--seed", "4", "--recordings", "14", "--stimuli", "90", "--speed", "max"),
    *("--muscle", "orbicularis oculi", "--side", "left", "--age", "47", "--temperature", "33.5", "--code", "S-01"),
)


def _run(*arguments: str) -> None:
    subprocess.run([sys.executable, "-m", "acq.cli", *arguments], check=True, stdout=subprocess.DEVNULL)


def _keep(image: Image.Image, name: str) -> None:
    path = FOLDER / f"{name}.png"
    image.convert("RGB").quantize(_COLOURS, dither=Image.Dither.NONE).save(path, optimize=True)
    n_bytes = path.stat().st_size
    assert n_bytes <= LARGEST_BYTES, f"{path.name}: {n_bytes} bytes"
    sys.stdout.write(f"{path.name} {n_bytes // 1000} kB\n")


def _make_screen(name: str, folder: Path) -> None:
    scene = SCENES[name]
    path = folder / f"{name}.png"
    _run(*scene.command(path))
    with Image.open(path) as image:
        height = scene.height_px or image.height
        _keep(image.crop((0, 0, image.width, height)), name)


def _make_report(folder: Path) -> None:
    import pypdfium2  # only this picture needs it

    study, report = folder / "s-01.study", folder / "s-01.pdf"
    _run(*_STUDY, "--study", str(study))
    _run("report", str(study), str(report))
    document = pypdfium2.PdfDocument(str(report))
    page = document[0]
    _keep(page.render(scale=_REPORT_WIDTH_PX / page.get_width()).to_pil(), "report")
    document.close()


def main(names: list[str]) -> None:
    """Make those named, or all of them."""
    unknown = set(names) - {*SCENES, "report"}
    assert not unknown, f"no picture of that name: {', '.join(sorted(unknown))}"
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        for name in names or [*SCENES, "report"]:
            (_make_report(Path(folder)) if name == "report" else _make_screen(name, Path(folder)))


if __name__ == "__main__":
    main(sys.argv[1:])
