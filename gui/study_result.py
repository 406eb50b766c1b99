"""The result of a study file that no engine has open: read, and decided on, in a thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from PyQt5.QtCore import QObject, pyqtSignal

from acq.errors import SuprathreshError
from gui.result_view import ResultData

if TYPE_CHECKING:
    from acq.study.result import StudyResult
    from acq.study.store import StudyStore

__all__ = ["StudyFileResult", "decide_in_file", "read_result"]


def read_result(path: Path) -> ResultData:
    """What a study file comes to.

    Raises
    ------
    SuprathreshError
        When it cannot be read, or is open in another program.
    """
    # Only here: they bring the whole model of a study with them.
    from acq.study.store import StudyStore

    with StudyStore.open(path) as store:
        return _look_at(store)


def decide_in_file(path: Path, label: str, kind: str, reason: str) -> tuple[ResultData, str]:
    """Keep a decision; what the study comes to then, and what was decided, in a sentence.

    Raises
    ------
    SuprathreshError
        When it cannot be kept.
    """
    from acq.study.result import decide
    from acq.study.store import StudyStore

    with StudyStore.open(path, "write") as store:
        said = decide(store, label, kind, reason)
        return _look_at(store), said


def _look_at(store: StudyStore) -> ResultData:
    from acq.study.result import make_result, report_endplates

    made: StudyResult = make_result(store)
    about, damage = made.study.about, made.study.damage
    parts = (about.code, about.muscle, about.side, f"{about.begun_at:%Y-%m-%d}" if about.begun_at is not None else "")
    return ResultData(
        title="   ".join(["Result", *(part for part in parts if part)]),
        endplates=report_endplates(made.study),
        summary=made.summary,
        limits=made.limits,
        is_over=True,
        can_decide=not damage,
    )


class StudyFileResult(QObject):
    """The result of one study file; what takes a moment is done beside the screen.

    Signals
    -------
    changed : ResultData
    told : str
        What was decided, in a sentence.
    failed : str
        Why something could not be done, in a line.
    """

    changed = pyqtSignal(object)
    told = pyqtSignal(str)
    failed = pyqtSignal(str)

    def __init__(self, path: Path, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.path = path
        self._turn = threading.Lock()  # one after the other: a file is open once

    def read(self) -> None:
        """Read it; `changed` follows."""
        self._begin(lambda: (read_result(self.path), ""))

    def decide(self, label: str, kind: str, reason: str) -> None:
        """Keep a decision; `told` and `changed` follow."""
        self._begin(lambda: decide_in_file(self.path, label, kind, reason))

    def _begin(self, work: Callable[[], tuple[ResultData, str]]) -> None:
        def run() -> None:
            try:
                with self._turn:
                    data, said = work()
            except SuprathreshError as exc:
                self.failed.emit(str(exc))
                return
            self.changed.emit(data)
            if said:
                self.told.emit(said)

        threading.Thread(target=run, name="reading a result", daemon=True).start()
