"""The first page: begin a study, come back to one, go on with one, or play a recording."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Final

from PyQt5.QtCore import Qt, QTimer, pyqtSignal
from PyQt5.QtGui import QResizeEvent, QShowEvent
from PyQt5.QtWidgets import (
    QApplication,
    QBoxLayout,
    QDialog,
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLayout,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from acq.errors import ConfigurationError
from acq.hosting.messages import StudyRequest
from acq.study.about import ELECTRODES, SIDES, STIMULATIONS
from acq.study.checks import default_check_path, find_last_check, tell_last_check
from acq.study.copying import make_code
from acq.study.store import default_study_path
from gui.controls import Button, Choice, Tick, letter_height, letter_width, make_style_sheet, set_look
from gui.dialogs import CautionsDialog, ErrorBar, make_cautions
from gui.settings import Settings
from gui.study_entry import (
    LIMITS_NONE,
    StudyEntry,
    check_entry,
    describe_limit,
    describe_profile,
    find_limits,
    find_muscles,
    find_recent_studies,
    make_replay_request,
)
from gui.themes import Theme
from hardware_profiles import ProfileError, list_profiles, load_profile
from sim_device.scenario import describe_scenarios

__all__ = ["StartPage"]

_OTHER_FILE: Final = "other file …"
_STUDY_FILES: Final = "Studies (*.study);;All files (*)"
_RECORDING_FILES: Final = "Recordings (*.npz *.study);;All files (*)"
_PROFILE_FILES: Final = "Hardware profiles (*.toml);;All files (*)"
_ACKNOWLEDGED: Final = "I have &read the cautions"
_N_RECENT: Final = 8
_USUAL_PATIENT: Final = "healthy"
_PAIR: Final = 3  # columns of the form that a label and its field take: label, field, what stands beside it
_OPTIONAL: Final = ("skin_temperature_c", "operator", "medication", "note")
_NOT_SAID: Final = "–"
_WIDE_LETTERS: Final = 125  # in a row, before the two columns have no room beside each other
_Field = QLineEdit | Choice
_Rows = tuple[tuple[tuple[str, str, _Field, QWidget | None], ...], ...]  # name, label, field, what stands beside it


class StartPage(QWidget):
    """What the program shows first. It begins nothing by itself: it says what was asked for.

    Nothing is delivered while it is shown, so that a space is a space in its fields; it presses no button all the same.

    Parameters
    ----------
    theme : Theme
    settings : Settings, optional
        What was chosen last; `settings` holds what is chosen now.
    now : callable
        The time, for the names of new files.

    Signals
    -------
    study_requested : StudyRequest
        Checked. On real hardware somebody has confirmed that a person is there.
    replay_requested : ReplayRequest
    resume_requested : str
        Path of a study file.
    result_requested : str
        Path of a study file whose result is to be shown.
    attach_requested : str
        Where a running study listens, as it was given to `set_running`.
    bench_requested
    """

    study_requested = pyqtSignal(object)
    replay_requested = pyqtSignal(object)
    resume_requested = pyqtSignal(str)
    result_requested = pyqtSignal(str)
    attach_requested = pyqtSignal(str)
    bench_requested = pyqtSignal()

    def __init__(
        self,
        theme: Theme,
        settings: Settings | None = None,
        *,
        now: Callable[[], datetime] = datetime.now,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self.setObjectName("start page")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)  # a widget of one's own has no ground otherwise
        self.setAccessibleName("Begin a study, or go on with one")
        self.settings = settings if settings is not None else Settings()
        self._theme = theme
        self._now = now
        self._error_labels: dict[str, QLabel] = {}
        self._fields: dict[str, QWidget] = {}
        self._is_for_patient = False
        outer = QVBoxLayout(self)
        title = _label("suprathresh", look="title")
        self._subtitle = _label("at rest, 0 mA: nothing is connected yet", look="quiet")
        head = QHBoxLayout()
        head.addWidget(title)
        head.addWidget(self._subtitle, 0, Qt.AlignmentFlag.AlignBottom)
        head.addStretch(1)
        outer.addLayout(head)
        self._content = QWidget()
        columns = self._columns = QBoxLayout(QBoxLayout.Direction.LeftToRight, self._content)
        columns.setContentsMargins(0, 0, 0, 0)
        columns.addLayout(self._make_new_study(), 5)
        columns.addLayout(self._make_others(), 3)
        self._scroll = QScrollArea()
        self._scroll.setWidgetResizable(True)
        self._scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._scroll.setWidget(self._content)
        outer.addWidget(self._scroll, 1)
        self.error_bar = ErrorBar(theme)
        outer.addWidget(self.error_bar)
        outer.addLayout(self._make_foot())
        self._set_tab_order()
        self.set_theme(theme)
        self._follow_profile()
        self.set_running([])
        self.acknowledged.setFocus()
        app = QApplication.instance()
        if isinstance(app, QApplication):
            app.focusChanged.connect(self._follow_focus)

    # ---- what it is made of --------------------------------------------------------------------------------------

    def _make_new_study(self) -> QVBoxLayout:
        column = QVBoxLayout()
        column.addWidget(_label("New study", look="head"))
        form = self._form = QGridLayout()
        for column_of_field in (1, _PAIR + 1):
            form.setColumnStretch(column_of_field, 1)
        self._make_fields()
        rows: _Rows = (
            (("code", "&Code", self.code, self.new_code), ("age_years", "A&ge, years", self.age, None)),
            (("muscle", "&Muscle", self.muscle, None), ("side", "Si&de", self.side, None)),
            (
                ("electrode", "&Electrode", self.electrode, None),
                ("stimulation", "Stim&ulation", self.stimulation, None),
            ),
            (("limits", "Limi&ts", self.limits, None),),
        )
        optional: _Rows = (
            (
                ("skin_temperature_c", "S&kin temperature, °C", self.temperature, None),
                ("operator", "Operator", self.operator, None),
            ),
            (("medication", "Medication", self.medication, None),),
            (("note", "Note", self.note, None),),
        )
        device: _Rows = (
            (("profile", "Hardware &profile", self.profile, None),),
            (("scenario", "S&imulated patient", self.scenario, None),),
            (("folder", "Kept in", self.folder, self.choose_folder),),
        )
        row = self._add_rows(rows, 0)
        form.addWidget(self.more, row, 0, 1, 2 * _PAIR, Qt.AlignmentFlag.AlignLeft)
        self._optional_parts: list[QWidget] = []
        before = set(self._content_of(form))
        row = self._add_rows(optional, row + 1)
        self._optional_parts = [part for part in self._content_of(form) if part not in before]
        self._add_rows(device, row)
        column.addLayout(form)
        self._unfold(self.settings.shows_more)
        self.cautions = make_cautions()
        column.addWidget(self.cautions)
        self.acknowledged = Tick(_ACKNOWLEDGED)
        self._fields["cautions"] = self.acknowledged
        row_of_tick = QHBoxLayout()
        row_of_tick.addWidget(self.acknowledged, 1)
        row_of_tick.addWidget(_label("Enter sets it, Enter again starts", look="quiet"))
        column.addLayout(row_of_tick)
        self._error_labels["cautions"] = self._add_error("cautions")
        column.addWidget(self._error_labels["cautions"])
        column.addStretch(1)
        self._connect_fields()
        self._follow_limits()
        return column

    def _make_fields(self) -> None:
        settings = self.settings
        self.code = QLineEdit(make_code())
        self.code.setMaxLength(64)
        self.new_code = Button("&Another")
        self.new_code.setAccessibleName("Another code")
        self.new_code.clicked.connect(lambda: self.code.setText(make_code()))
        self.age = QLineEdit()
        self.age.setMaxLength(10)
        self.age.setPlaceholderText("may be left empty")
        self.muscle = Choice()
        self.muscle.setEditable(True)
        self.muscle.addItems(["", *find_muscles()])
        self.muscle.setCurrentText(settings.muscle)
        line = self.muscle.lineEdit()
        if line is not None:
            line.setPlaceholderText("choose, or write another; may be left empty")
        self.side, self.stimulation, self.electrode = Choice(), Choice(), Choice()
        for choice, words in ((self.side, SIDES), (self.stimulation, STIMULATIONS)):
            choice.addItem(_NOT_SAID, "")
            for word in words:
                choice.addItem(word, word)
        self.stimulation.setCurrentIndex(max(0, self.stimulation.findData(settings.stimulation)))
        for name, shown in ELECTRODES.items():
            self.electrode.addItem(shown, name)
        self.electrode.setCurrentIndex(self.electrode.findData(settings.electrode))
        self.limits = Choice()
        self._limits_wanted = settings.limits
        self.more = Button("")
        self.more.setAccessibleName("Further fields")
        self.more.clicked.connect(lambda: self._unfold(not self.settings.shows_more))
        self.temperature, self.operator, self.medication, self.note = (QLineEdit() for _ in _OPTIONAL)
        self.temperature.setMaxLength(10)
        self.operator.setMaxLength(80)
        self.operator.setPlaceholderText("a code or initials")
        self.operator.setText(settings.operator)
        self.medication.setPlaceholderText("what acts on the endplate, and when it was taken last")
        self.medication.setMaxLength(600)
        self.note.setMaxLength(600)
        self.profile = Choice()
        for name in list_profiles():
            self.profile.addItem(name, name)
        if self.profile.findData(settings.profile) < 0 and Path(settings.profile).is_file():
            self.profile.addItem(Path(settings.profile).name, settings.profile)
        self.profile.addItem(_OTHER_FILE, None)
        self.profile.setCurrentIndex(max(0, self.profile.findData(settings.profile)))
        if self.profile.currentData() != settings.profile:
            self.profile.setCurrentIndex(self.profile.findData("simulated"))
        self._profile_before = self.profile.currentIndex()
        self.scenario = Choice()
        self.scenario.addItem(settings.scenario, settings.scenario)  # the others when the page is there
        self.folder = QLineEdit(str(self._folder()))
        self.folder.setReadOnly(True)
        self.choose_folder = Button("C&hoose …")
        self.choose_folder.setAccessibleName("Choose the folder of the studies")
        self.choose_folder.clicked.connect(self._choose_folder)

    def _connect_fields(self) -> None:
        self.profile.activated.connect(self._choose_profile)
        self.acknowledged.toggled.connect(self._follow_acknowledged)
        for name in ("code", "age_years", *_OPTIONAL):
            field = self._fields[name]
            if isinstance(field, QLineEdit):
                field.textChanged.connect(lambda _, name=name: self._show_wrong(name, ""))
        self.muscle.editTextChanged.connect(lambda: self._show_wrong("muscle", ""))
        self.age.textChanged.connect(self._follow_limits)
        self.muscle.editTextChanged.connect(self._follow_limits)
        self.stimulation.currentIndexChanged.connect(self._follow_limits)
        self.electrode.currentIndexChanged.connect(self._follow_limits)
        self.limits.activated.connect(self._choose_limits)
        self.limits.currentIndexChanged.connect(lambda: self.limits.setToolTip(self.limits.currentText()))

    def _add_rows(self, rows: _Rows, first: int) -> int:
        """Add rows of one field, or of two beside each other; the number of the next free row."""
        for number, fields in enumerate(rows):
            for place, (name, label, field, beside) in enumerate(fields):
                n_columns = 2 * _PAIR - 1 if len(fields) == 1 else _PAIR - 1
                self._add_field(first + 2 * number, place * _PAIR, n_columns, name, label, field, beside)
        return first + 2 * len(rows)

    def _add_field(
        self, row: int, at: int, n_columns: int, name: str, text: str, field: _Field, beside: QWidget | None
    ) -> None:
        label = _label(text)
        label.setBuddy(field)
        field.setObjectName(name)
        field.setAccessibleName(text.replace("&", ""))
        self._form.addWidget(label, row, at)
        self._form.addWidget(field, row, at + 1, 1, n_columns - (beside is not None))
        if beside is not None:
            self._form.addWidget(beside, row, at + n_columns)
        error = self._add_error(name)
        self._form.addWidget(error, row + 1, at + 1, 1, n_columns)
        self._fields[name] = field
        self._error_labels[name] = error

    def _optional_fields(self) -> tuple[QLineEdit, ...]:
        return (self.temperature, self.operator, self.medication, self.note)

    def _content_of(self, form: QGridLayout) -> list[QWidget]:
        found = []
        for index in range(form.count()):
            item = form.itemAt(index)
            widget = item.widget() if item is not None else None
            if widget is not None:
                found.append(widget)
        return found

    def _unfold(self, is_open: bool) -> None:
        """Show the fields that may well stay empty, or fold them away; what is in them stays."""
        self.settings = self.settings.model_copy(update={"shows_more": is_open})
        for part in self._optional_parts:
            is_error = part.objectName().startswith("error of ")
            part.setVisible(is_open and not (is_error and isinstance(part, QLabel) and not part.text()))
        n_filled = sum(bool(field.text().strip()) for field in self._optional_fields())
        filled = f"   ({n_filled} filled in)" if n_filled and not is_open else ""
        self.more.setText(f"{'▾' if is_open else '▸'} &Further: skin temperature, operator, medication, note{filled}")

    def _add_error(self, name: str) -> QLabel:
        label = _label("", look="wrong")
        label.setObjectName(f"error of {name}")
        label.setWordWrap(True)
        label.setTextFormat(Qt.TextFormat.PlainText)
        label.hide()
        return label

    def _make_others(self) -> QVBoxLayout:
        column = QVBoxLayout()
        self._running_title = _label("Running now: come &back to", look="head")
        self.running = self._make_list("Studies that run")
        self._running_title.setBuddy(self.running)
        self.running.itemActivated.connect(self._attach)
        column.addWidget(self._running_title)
        column.addWidget(self.running)
        title = _label("Go on with a study", look="head")
        column.addWidget(title)
        label = _label("&Last ones; Enter opens")
        self.recent = self._make_list("Studies of the folder, newest first")
        label.setBuddy(self.recent)
        self.recent.itemActivated.connect(self._resume_recent)
        self._no_recent = _label("None in the folder yet.", look="quiet")
        column.addWidget(label)
        column.addWidget(self.recent, 4)
        column.addWidget(self._no_recent)
        self.open_study = Button("&Open a study …")
        self.open_study.clicked.connect(self._open_study)
        self.view_result = Button("&View a result …")
        self.view_result.setAccessibleName("View the result of the chosen study, or of another")
        self.view_result.clicked.connect(self._view_result)
        row = QHBoxLayout()
        row.addWidget(self.open_study, 1)
        row.addWidget(self.view_result, 1)
        column.addLayout(row)
        column.addWidget(_label("Without a patient", look="head"))
        self.replay = Button("Pla&y a recording …")
        self.replay.clicked.connect(self._replay)
        self.recording = QLineEdit()
        self.recording.setMaxLength(10)
        self.recording.setPlaceholderText("the only one")
        self.recording.setAccessibleName("Recording of a study file, by its number")
        self.recording.textChanged.connect(lambda: self._show_wrong("replay", ""))
        n_label = _label("&number")
        n_label.setBuddy(self.recording)
        row = QHBoxLayout()
        row.addWidget(self.replay)
        row.addWidget(n_label)
        row.addWidget(self.recording, 1)
        column.addLayout(row)
        self._error_labels["replay"] = self._add_error("replay")
        self._fields["replay"] = self.replay
        column.addWidget(self._error_labels["replay"])
        self.bench = Button("Bench test of the &whole chain")
        self.bench.clicked.connect(self.bench_requested)
        column.addWidget(self.bench)
        column.addStretch(1)
        return column

    def _make_list(self, name: str) -> QListWidget:
        made = QListWidget()
        made.setAccessibleName(name)
        made.setTabKeyNavigation(False)
        made.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        return made

    def _make_foot(self) -> QHBoxLayout:
        foot = QHBoxLayout()
        self._foot_text = _label("", look="quiet")
        self._foot_text.setWordWrap(True)
        foot.addWidget(self._foot_text, 1)
        self._busy = _label("", look="head")
        self._busy.setWordWrap(True)
        self._busy.hide()
        foot.addWidget(self._busy, 1)
        self.start = Button("&Start", is_main=True)
        self.start.clicked.connect(self._start)
        foot.addWidget(self.start)
        return foot

    def _set_tab_order(self) -> None:
        order: tuple[QWidget, ...] = (
            self.code,
            self.new_code,
            self.age,
            self.muscle,
            self.side,
            self.electrode,
            self.stimulation,
            self.limits,
            self.more,
            self.temperature,
            self.operator,
            self.medication,
            self.note,
            self.profile,
            self.scenario,
            self.choose_folder,
            self.acknowledged,
            self.start,
            self.running,
            self.recent,
            self.open_study,
            self.view_result,
            self.replay,
            self.recording,
            self.bench,
        )
        self.folder.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        for first, second in itertools.pairwise(order):
            QWidget.setTabOrder(first, second)

    # ---- what it is told -----------------------------------------------------------------------------------------

    def set_theme(self, theme: Theme) -> None:
        """Other colours, other letters."""
        self._theme = theme
        self.setStyleSheet(make_style_sheet(theme))
        self.start.setMinimumWidth(letter_width(theme) * 28)
        self.start.setMinimumHeight(letter_height(theme) * 2)
        self.running.setFixedHeight(letter_height(theme) * 4)
        self.recent.setMinimumHeight(letter_height(theme) * 8)
        gap = letter_height(theme) // 3
        for layout in self.findChildren(QLayout):
            layout.setSpacing(gap)
        self._columns.setSpacing(6 * gap)
        self._arrange()
        self.error_bar.set_theme(theme)

    def set_running(self, studies: list[tuple[str, str]]) -> None:
        """Show the studies that run and wait for a screen: for each where it listens, and what it is."""
        self.running.clear()
        for address, text in studies:
            item = QListWidgetItem(text)
            item.setData(Qt.ItemDataRole.UserRole, address)
            self.running.addItem(item)
        for widget in (self._running_title, self.running):
            widget.setVisible(bool(studies))
        if studies:
            self.running.setCurrentRow(0)
            self.running.setFocus()  # a study that runs comes before one to begin

    def show_error(self, text: str) -> None:
        """Show why the engine refused, in the words it has; an empty text takes it away."""
        self.error_bar.show_error(text)

    def set_busy(self, text: str) -> None:
        """Say what goes on, and take nothing more until `clear_busy`."""
        self._content.setEnabled(False)
        self.start.setEnabled(False)
        self._busy.setText(text)
        self._busy.show()
        self._foot_text.hide()

    def clear_busy(self) -> None:
        """Take what is asked for again."""
        self._content.setEnabled(True)
        self.start.setEnabled(True)
        self._busy.hide()
        self._foot_text.show()

    def refresh(self) -> None:
        """Look again which studies there are, and, the first time, which simulated patients."""
        self._fill_patients()
        self.recent.clear()
        for study in find_recent_studies(self._folder(), most=_N_RECENT):
            what = f"   {study.trouble}" if study.trouble else ""
            if study.n_endplates is not None:
                what += f"   {study.n_endplates} endplate{'' if study.n_endplates == 1 else 's'}"
            what += f"   {study.muscle}" if study.muscle else ""
            item = QListWidgetItem(f"{study.code or study.path.name}   {study.begun_at:%Y-%m-%d %H:%M}{what}")
            item.setData(Qt.ItemDataRole.UserRole, str(study.path))
            item.setToolTip(f"{study.path}{what}")
            self.recent.addItem(item)
        self.recent.setVisible(bool(self.recent.count()))
        self._no_recent.setVisible(not self.recent.count())

    def _follow_focus(self, before: QWidget | None, now: QWidget | None) -> None:
        """Scroll to what has the focus, but for the first: the page is read from its beginning."""
        if before is not None and now is not None and self._content.isAncestorOf(now):
            self._scroll.ensureWidgetVisible(now)

    def _fill_patients(self) -> None:
        if self.scenario.count() > 1:
            return
        chosen = self.scenario.currentData()
        known = describe_scenarios()
        self.scenario.clear()
        for name, summary, _ in known:
            self.scenario.addItem(f"{name}: {summary}", name)
        if self.scenario.findData(chosen) < 0 and Path(chosen).is_file():
            self.scenario.addItem(Path(chosen).name, chosen)
        found = self.scenario.findData(chosen)
        self.scenario.setCurrentIndex(found if found >= 0 else self.scenario.findData(_USUAL_PATIENT))

    def resizeEvent(self, event: QResizeEvent | None) -> None:  # noqa: N802 - Qt's name
        """Beside each other where there is room, else below each other."""
        super().resizeEvent(event)
        self._arrange()

    def _arrange(self) -> None:
        is_wide = self.width() >= _WIDE_LETTERS * letter_width(self._theme)
        direction = QBoxLayout.Direction.LeftToRight if is_wide else QBoxLayout.Direction.TopToBottom
        self._columns.setDirection(direction)

    def showEvent(self, event: QShowEvent | None) -> None:  # noqa: N802 - Qt's name
        """Look which studies and patients there are, once the page is there: it takes a moment."""
        super().showEvent(event)
        QTimer.singleShot(0, self.refresh)

    # ---- what is asked for ---------------------------------------------------------------------------------------

    def entry(self) -> StudyEntry:
        """The fields as they are filled in."""
        return StudyEntry(
            code=self.code.text(),
            age_years=self.age.text(),
            muscle=self.muscle.currentText(),
            side=str(self.side.currentData()),
            stimulation=str(self.stimulation.currentData()),
            skin_temperature_c=self.temperature.text(),
            operator=self.operator.text(),
            medication=self.medication.text(),
            note=self.note.text(),
            limits=str(self.limits.currentData() or ""),
            electrode=str(self.electrode.currentData()),
            profile=str(self.profile.currentData()),
            scenario=str(self.scenario.currentData()),
            folder=self.settings.folder,
            is_acknowledged=self.acknowledged.isChecked(),
        )

    def _start(self) -> None:
        self.show_error("")
        request, wrong = check_entry(self.entry(), now=self._now())
        for name in self._error_labels:
            self._show_wrong(name, wrong.get(name, ""))
        if request is None:
            if wrong.keys() & set(_OPTIONAL):
                self._unfold(True)
            field = self._fields[next(iter(wrong))]
            field.setFocus()
            self._scroll.ensureWidgetVisible(field)
            self._scroll.ensureWidgetVisible(self._error_labels[next(iter(wrong))])
            return
        if self._is_for_patient:
            if not self.confirm_person(request):
                return
            request = replace(request, person_present=True)
        self._keep_choices()
        self.study_requested.emit(request)

    def confirm_person(self, request: StudyRequest) -> bool:
        """Ask, before real hardware, whether a licensed person is there."""
        known = ""
        with suppress(ProfileError, OSError):
            profile = load_profile(request.profile_name)
            check = find_last_check(profile, default_check_path(self._now()).parent)
            known = tell_last_check(check, profile_name=request.profile_name)
        dialog = CautionsDialog(self._theme, last_check=known, parent=self.window())
        try:
            return dialog.exec_() == int(QDialog.DialogCode.Accepted)
        finally:
            dialog.deleteLater()

    def _follow_acknowledged(self, is_set: bool) -> None:
        self._show_wrong("cautions", "")
        if is_set:
            self.start.setFocus()

    def _keep_choices(self) -> None:
        entry = self.entry()
        self.settings = self.settings.model_copy(
            update={
                "profile": entry.profile,
                "scenario": entry.scenario,
                "muscle": " ".join(entry.muscle.split()),
                "electrode": entry.electrode,
                "stimulation": entry.stimulation,
                "operator": " ".join(entry.operator.split()),
                "limits": "" if entry.limits == LIMITS_NONE else entry.limits,
            }
        )

    def _follow_limits(self) -> None:
        """Offer the limits that fit what is filled in; what was chosen stays where it still fits."""
        self._show_wrong("limits", "")
        try:
            found = find_limits(self.entry())
        except ConfigurationError as exc:
            self._show_wrong("limits", str(exc))
            return
        self.limits.clear()
        if found.chosen is None:
            self.limits.addItem(f"none: {found.reason}" if found.reason else "none", "")
        else:
            self.limits.addItem(f"proposed: {describe_limit(found.chosen)}", "")
        for row, limit in enumerate((found.chosen, *found.others)):
            if limit is None:
                continue
            if row:
                self.limits.addItem(describe_limit(limit), limit.name)
            self.limits.setItemData(
                self.limits.count() - 1,
                " ".join(part for part in (found.reason if not row else "", limit.notes) if part),
                Qt.ItemDataRole.ToolTipRole,
            )
        if found.chosen is not None:
            self.limits.addItem("none", LIMITS_NONE)
        self.limits.setCurrentIndex(max(0, self.limits.findData(self._limits_wanted)))

    def _choose_limits(self, index: int) -> None:
        self._limits_wanted = str(self.limits.itemData(index) or "")

    def _show_wrong(self, name: str, sentence: str) -> None:
        label = self._error_labels[name]
        label.setText(f"◆ {sentence}" if sentence else "")
        label.setVisible(bool(sentence))
        self._fields[name].setAccessibleDescription(sentence)

    def _choose_profile(self, index: int) -> None:
        if self.profile.itemData(index) is None:
            path = self._ask_for_file("A hardware profile", "", _PROFILE_FILES)
            if path:
                known = self.profile.findData(path)
                if known < 0:
                    known = self.profile.count() - 1
                    self.profile.insertItem(known, Path(path).name, path)
                self.profile.setCurrentIndex(known)
            else:
                self.profile.setCurrentIndex(self._profile_before)
        self._profile_before = self.profile.currentIndex()
        self._follow_profile()

    def _follow_profile(self) -> None:
        """Say what the profile is for, and show what goes with it."""
        try:
            description, is_simulated = describe_profile(str(self.profile.currentData()))
        except ConfigurationError as exc:
            self._show_wrong("profile", str(exc))
            self._foot_text.setText("")
            return
        self._show_wrong("profile", "")
        self._is_for_patient = not is_simulated
        self.scenario.setEnabled(is_simulated)
        self.profile.setToolTip(description)
        set_look(self._foot_text, "quiet" if is_simulated else "strong")  # somebody will be stimulated
        self._foot_text.setText(
            "Simulated patient: nothing is connected, nobody is stimulated."
            if is_simulated
            else f"{description}. Start opens the hardware, at rest and 0 mA, after one more question."
        )

    def _folder(self) -> Path:
        return Path(self.settings.folder) if self.settings.folder else default_study_path(self._now()).parent

    def _choose_folder(self) -> None:
        options = QFileDialog.Options(QFileDialog.Option.DontUseNativeDialog) | QFileDialog.Option.ShowDirsOnly
        path = QFileDialog.getExistingDirectory(self, "The folder of the studies", str(self._folder()), options)
        if path:
            self.settings = self.settings.model_copy(update={"folder": path})
            self.folder.setText(path)
            self._show_wrong("folder", "")
            self.refresh()

    def _ask_for_file(self, title: str, folder: str, kinds: str) -> str:
        # The system's own dialog would keep the keys to itself, the stop among them.
        options = QFileDialog.Options(QFileDialog.Option.DontUseNativeDialog)
        return QFileDialog.getOpenFileName(self, title, folder, kinds, options=options)[0]

    def _open_study(self) -> None:
        path = self._ask_for_file("A study to go on with", str(self._folder()), _STUDY_FILES)
        if path:
            self._resume(path)

    def _view_result(self) -> None:
        item = self.recent.currentItem()
        if item is not None and item.isSelected():
            path = str(item.data(Qt.ItemDataRole.UserRole))
        else:
            path = self._ask_for_file("The study whose result is shown", str(self._folder()), _STUDY_FILES)
        if path:
            self.show_error("")
            self.result_requested.emit(path)

    def _resume_recent(self, item: QListWidgetItem) -> None:
        self._resume(str(item.data(Qt.ItemDataRole.UserRole)))

    def _resume(self, path: str) -> None:
        self.show_error("")
        self.resume_requested.emit(path)

    def _attach(self, item: QListWidgetItem) -> None:
        self.show_error("")
        self.attach_requested.emit(str(item.data(Qt.ItemDataRole.UserRole)))

    def _replay(self) -> None:
        self._show_wrong("replay", "")
        path = self._ask_for_file("A recording to play", str(self._folder()), _RECORDING_FILES)
        if not path:
            return
        try:
            request = make_replay_request(path, self.recording.text())
        except ConfigurationError as exc:
            self._show_wrong("replay", str(exc))
            return
        self.show_error("")
        self.replay_requested.emit(request)


def _label(text: str, *, look: str = "") -> QLabel:
    label = QLabel(text)
    label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Maximum)
    if look:
        set_look(label, look)
    return label
