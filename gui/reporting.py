"""Reports, made by a program of their own: the screen goes on, and a report that fails takes nothing with it."""

from __future__ import annotations

import itertools
import sys
from pathlib import Path
from typing import Final

from PyQt5.QtCore import QObject, QProcess, QProcessEnvironment, QTimer, QUrl, pyqtSignal
from PyQt5.QtGui import QDesktopServices

__all__ = ["ReportMaker", "free_path", "open_path"]

_KINDS: Final = {"pdf": "PDF", "html": "HTML"}
_STEP_MS: Final = 1000


def free_path(study: Path, kind: str) -> Path:
    """Where the report of a study goes: beside it, under a name that is not taken."""
    first = study.with_suffix(f".{kind}")
    numbered = (study.with_name(f"{study.stem}-{number}.{kind}") for number in itertools.count(2))
    return next(path for path in itertools.chain((first,), numbered) if not path.exists())


def open_path(path: str) -> bool:
    """Open a file with whatever the system opens it with; False where there is nothing."""
    return QDesktopServices.openUrl(QUrl.fromLocalFile(path))


class ReportMaker(QObject):
    """Makes one report at a time, by the command that makes them in a terminal.

    Parameters
    ----------
    command : sequence of str, optional
        Program and arguments before the study's path; this program's own command without.

    Signals
    -------
    told : str
        How it goes, a line.
    made : str
        Path of the report.
    failed : str
        Why there is none, a line.
    """

    told = pyqtSignal(str)
    made = pyqtSignal(str)
    failed = pyqtSignal(str)

    def __init__(self, parent: QObject | None = None, *, command: tuple[str, ...] | None = None) -> None:
        super().__init__(parent)
        self._command = command if command is not None else (sys.executable, "-P", "-m", "acq.cli", "report")
        self._process: QProcess | None = None
        self._path = Path()
        self._what = ""
        self._n_steps = 0
        self._timer = QTimer(self)
        self._timer.setInterval(_STEP_MS)
        self._timer.timeout.connect(self._tell)

    @property
    def is_busy(self) -> bool:
        """Whether one is being made."""
        return self._process is not None

    def make(self, study: str, kind: str) -> None:
        """Make the report of a study that no program has open; nothing where one is being made.

        Parameters
        ----------
        kind : str
            "pdf" or "html".
        """
        if self._process is not None:
            return
        self._path, self._what, self._n_steps = free_path(Path(study), kind), _KINDS[kind], 0
        process = self._process = QProcess(self)
        environment = QProcessEnvironment.systemEnvironment()
        environment.insert("PYTHONIOENCODING", "utf-8")
        process.setProcessEnvironment(environment)
        process.finished.connect(lambda code, status: self._end(code, status))
        process.errorOccurred.connect(self._follow_error)
        program, *arguments = self._command
        self._tell()
        self._timer.start()
        process.start(program, [*arguments, study, str(self._path)])

    def end(self) -> None:
        """Break off what is being made."""
        process, self._process = self._process, None
        self._timer.stop()
        if process is not None:
            process.blockSignals(True)
            process.kill()
            process.waitForFinished(2000)
            process.deleteLater()

    def _tell(self) -> None:
        passed = f" {self._n_steps} s" if self._n_steps else ""
        self._n_steps += 1
        self.told.emit(f"the report ({self._what}) is being made …{passed}")

    def _follow_error(self, error: QProcess.ProcessError) -> None:
        if error == QProcess.ProcessError.FailedToStart:
            self._end(-1, QProcess.ExitStatus.CrashExit)

    def _end(self, code: int, status: QProcess.ExitStatus) -> None:
        process, self._process = self._process, None
        self._timer.stop()
        if process is None:
            return
        words = bytes(process.readAllStandardError().data()).decode("utf-8", errors="replace")
        process.deleteLater()
        if code == 0 and status == QProcess.ExitStatus.NormalExit and self._path.is_file():
            self.made.emit(str(self._path))
            return
        lines = [line.strip() for line in words.splitlines() if line.strip()]
        why = lines[-1].removeprefix("suprathresh: ") if lines else "the program that makes it did not say why"
        self.failed.emit(f"no report: {why}")
