"""The voice's process: `python voice.py FOLDER`, without the rest of the program.

A sentence a line in, the path of a WAV file a line out. Where the system's voice writes no WAV it speaks by itself, and
the line says "said".
"""

from __future__ import annotations

import importlib
import os
import sys
import time
import wave
from pathlib import Path
from typing import Final

__all__ = ["main"]

_WORDS_A_MINUTE: Final = 170
_MISSING_STATUS: Final = 3
_WRITTEN_S: Final = 2.0
_LOOK_EVERY_S: Final = 0.02


def main() -> int:
    """Speak until the standard input ends."""
    folder = Path(sys.argv[1])
    # The library writes sentences of its own to the standard output.
    answers = os.fdopen(os.dup(1), "w", encoding="ascii")
    os.dup2(2, 1)
    try:
        engine = importlib.import_module("pyttsx3").init()
        engine.setProperty("rate", _WORDS_A_MINUTE)
    except Exception:  # noqa: BLE001 - whatever it lacks, there is no voice
        return _MISSING_STATUS
    for number, line in enumerate(sys.stdin):
        path = folder / f"{number}.wav"
        engine.save_to_file(line.strip(), str(path))
        engine.runAndWait()
        answer = str(path)
        if not _is_written(path):
            engine.say(line.strip())
            engine.runAndWait()
            answer = "said"
        answers.write(answer + "\n")
        answers.flush()
    return 0


def _is_written(path: Path) -> bool:
    """Whether there is a whole WAV file; some voices come back before it is written, others write another kind."""
    for _ in range(round(_WRITTEN_S / _LOOK_EVERY_S)):
        try:
            with path.open("rb") as raw:
                head = raw.read(4)
            if len(head) == 4 and head != b"RIFF":
                return False
            with wave.open(str(path), "rb") as file:
                n_bytes = file.getnframes() * file.getnchannels() * file.getsampwidth()
            if 0 < n_bytes < path.stat().st_size:
                return True
        except (OSError, EOFError, wave.Error):
            pass  # not yet
        time.sleep(_LOOK_EVERY_S)
    return False


if __name__ == "__main__":
    sys.exit(main())
