"""Pictures with axes: pyqtgraph gives the axes, the zoom and the draggable lines, a layer does the painting.

Only this module imports pyqtgraph.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any, Final

os.environ.setdefault("PYQTGRAPH_QT_LIB", "PyQt5")  # another binding may be installed beside it

import pyqtgraph as pg  # type: ignore[import-untyped]  # ships no types
from PyQt5.QtCore import QPointF, QRectF, QSize, Qt, QTimer
from PyQt5.QtGui import QColor, QPainter, QResizeEvent
from PyQt5.QtWidgets import QGraphicsItem, QLabel, QStyleOptionGraphicsItem, QVBoxLayout, QWidget

from gui.pictures.base import Picture, thin_pen
from gui.themes import Theme
from gui.view_model import ViewModel

__all__ = ["CursorLine", "PlotPicture"]

_ZOOM_STEP: Final = 1.25
_SETTLING_MS: Final = 120  # a zoom or a resize comes in many small steps


class _Layer(QGraphicsItem):
    """What is painted inside the axes, in logical pixels from their upper left corner."""

    def __init__(self, paint: Callable[[QPainter, QRectF], None], parent: QGraphicsItem) -> None:
        super().__init__(parent)
        self._paint = paint
        self._rect = QRectF()

    def set_rect(self, rect: QRectF) -> None:
        """Another size."""
        if rect != self._rect:
            self.prepareGeometryChange()
            self._rect = QRectF(rect)

    def boundingRect(self) -> QRectF:  # noqa: N802 - Qt's name
        """All of the axes' inside."""
        return self._rect

    def paint(
        self,
        painter: QPainter | None,
        option: QStyleOptionGraphicsItem | None,  # noqa: ARG002 - Qt's arguments
        widget: QWidget | None = None,  # noqa: ARG002 - Qt's arguments
    ) -> None:
        """Paint what the picture paints."""
        if painter is not None and not self._rect.isEmpty():
            self._paint(painter, self._rect)


class CursorLine:
    """A line across the axes that can be dragged."""

    def __init__(self, line: Any) -> None:
        self._line = line

    @property
    def place(self) -> float:
        """Where it stands, in the axis's unit."""
        return float(self._line.value())

    def move(self, place: float) -> None:
        """Put it somewhere else."""
        self._line.setValue(place)

    def set_colour(self, colour: str) -> None:
        """Another colour."""
        self._line.setPen(thin_pen(colour))
        self._line.setHoverPen(thin_pen(colour, Qt.PenStyle.DashLine))


class PlotPicture(Picture):
    """A heading, axes with units, and a layer that a picture paints by itself."""

    _x_label = ("", "")  # what, unit
    _y_label = ("", "")
    _has_x_ticks = True
    _zooms_y = True

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(model, theme, parent)
        self._texts: tuple[str, ...] = ()
        self._heading = QLabel(self)
        self._heading.setTextFormat(Qt.TextFormat.PlainText)
        self._heading.setMinimumWidth(1)
        self._plot: Any = pg.PlotWidget(self)
        for part in (self._plot, *self._plot.findChildren(QWidget)):
            part.setAccessibleName(self.title)
        # A ground of one colour is as fast as one that is kept, which would be pixels in a picture saved as lines.
        self._plot.setCacheMode(self._plot.CacheModeFlag.CacheNone)
        self._plot.setFrameShape(pg.QtWidgets.QFrame.NoFrame)
        self._item: Any = self._plot.getPlotItem()
        self._item.hideButtons()
        self._item.setMenuEnabled(False)
        self._box: Any = self._item.getViewBox()
        self._box.setDefaultPadding(0.0)
        self._box.disableAutoRange()
        self._box.setMouseEnabled(x=True, y=self._zooms_y)
        for side, (what, unit) in (("bottom", self._x_label), ("left", self._y_label)):
            axis = self._item.getAxis(side)
            axis.enableAutoSIPrefix(False)
            axis.setLabel(f"{what}, {unit}" if unit else what)
        self._item.layout.setContentsMargins(0, 6, 8, 0)  # half a figure sticks out at the axes' ends
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 2, 4, 2)
        layout.setSpacing(0)
        layout.addWidget(self._heading)
        layout.addWidget(self._plot, 1)
        self._layer = _Layer(self._paint_layer, self._box)
        self._layer.setZValue(-10)  # below the lines that can be dragged
        self._later = QTimer(self)
        self._later.setSingleShot(True)
        self._later.setInterval(_SETTLING_MS)
        self._later.timeout.connect(self.settle)
        self._box.sigResized.connect(self._fit_layer)
        self._box.sigRangeChanged.connect(self._moved)
        self._plot.scene().sigMouseClicked.connect(self._clicked)
        self._plot.scene().sigMouseMoved.connect(self._hovered)
        self._restyle()
        self._home()
        self._fit_layer()

    # ---- axes ----------------------------------------------------------------------------------------------------

    @property
    def x_range(self) -> tuple[float, float]:
        """Ends of the x axis."""
        low, high = self._box.viewRange()[0]
        return float(low), float(high)

    @property
    def y_range(self) -> tuple[float, float]:
        """Ends of the y axis, the lower first."""
        low, high = self._box.viewRange()[1]
        return float(low), float(high)

    def set_x_range(self, low: float, high: float) -> None:
        """Other ends of the x axis."""
        self._box.setXRange(low, high, padding=0.0)

    def set_y_range(self, low: float, high: float) -> None:
        """Other ends of the y axis."""
        self._box.setYRange(low, high, padding=0.0)

    def zoom(self, steps: int) -> None:
        """Nearer along the x axis with positive steps."""
        factor = _ZOOM_STEP**-steps
        centre = self._zoom_centre()
        self._box.scaleBy((factor, 1.0), center=None if centre is None else pg.Point(centre, sum(self.y_range) / 2))

    def reset_zoom(self) -> None:
        """The whole range."""
        self._home()

    def to_widget(self, x: float, y: float) -> QPointF:
        """Where a place of the axes lies in this widget, logical pixels."""
        inside = self._to_layer(x, y)
        return QPointF(self._plot.mapTo(self, self._plot.mapFromScene(self._box.mapToScene(inside))))

    def _to_layer(self, x: float, y: float) -> QPointF:
        rect = self._layer.boundingRect()
        (x0, x1), (y0, y1) = self.x_range, self.y_range
        return QPointF(
            rect.left() + (x - x0) / (x1 - x0) * rect.width(), rect.bottom() - (y - y0) / (y1 - y0) * rect.height()
        )

    def _from_scene(self, place: QPointF) -> QPointF | None:
        """In the axes' units; None outside of them."""
        if not self._box.sceneBoundingRect().contains(place):
            return None
        return QPointF(self._box.mapSceneToView(place))

    def _add_cursor(self, place: float, moved: Callable[[], None]) -> CursorLine:
        line = pg.InfiniteLine(pos=place, angle=90, movable=True)
        line.setZValue(20)
        self._box.addItem(line, ignoreBounds=True)
        line.sigPositionChanged.connect(lambda _line: moved())
        cursor = CursorLine(line)
        cursor.set_colour(self.theme.accent)
        return cursor

    def _drop_cursor(self, cursor: CursorLine) -> None:
        self._box.removeItem(cursor._line)

    # ---- what a picture fills in ---------------------------------------------------------------------------------

    def _home(self) -> None:
        """Set the ranges that it begins with."""

    def _zoom_centre(self) -> float | None:
        """What stays in its place along the x axis; None for the middle."""
        return None

    def _paint_layer(self, painter: QPainter, rect: QRectF) -> None:
        """Paint what is inside the axes."""

    def _clicked_at(self, place: QPointF, *, is_double: bool) -> None:
        """A click inside the axes, in their units."""

    def _hovered_at(self, place: QPointF | None) -> None:
        """The mouse has moved, in the axes' units; None: outside of them."""

    # ---- inside --------------------------------------------------------------------------------------------------

    def _say(self, *texts: str) -> None:
        """The heading: the first that fits; the last is cut off where none does, and read by pointing at it."""
        self._texts = texts
        metrics, room = self._heading.fontMetrics(), max(20, self.width() - 10)
        text = next((one for one in texts if metrics.horizontalAdvance(one) <= room), None)
        if text is None:
            text = metrics.elidedText(texts[-1], Qt.TextElideMode.ElideRight, room) if texts else ""
        if text != self._heading.text():
            self._heading.setText(text)
            self._heading.setToolTip(texts[0] if texts else "")

    def resizeEvent(self, event: QResizeEvent | None) -> None:  # noqa: N802 - Qt's name
        """The heading has more or less room."""
        super().resizeEvent(event)
        self._say(*self._texts)

    def _repaint(self) -> None:
        self._layer.update()

    def settle(self) -> None:
        """Draw at once what waits until a resize or a zoom is over."""
        self._later.stop()
        self._repaint()

    def _moved(self, *_: object) -> None:
        self._later.start()
        self._repaint()

    def _fit_layer(self, *_: object) -> None:
        self._layer.set_rect(QRectF(self._box.rect()))
        self._moved()

    def _clicked(self, event: Any) -> None:
        place = self._from_scene(event.scenePos())
        if place is not None and event.button() == Qt.MouseButton.LeftButton:
            self._clicked_at(place, is_double=bool(event.double()))

    def _hovered(self, place: QPointF) -> None:
        self._hovered_at(self._from_scene(place))

    def _restyle(self) -> None:
        theme = self.theme
        self.setAutoFillBackground(True)
        palette = self.palette()
        palette.setColor(self.backgroundRole(), QColor(theme.panel))
        self.setPalette(palette)
        heading = self._heading.palette()
        heading.setColor(self._heading.foregroundRole(), QColor(theme.text))
        self._heading.setPalette(heading)
        self._heading.setFont(self.letters())
        self._plot.setBackground(QColor(theme.panel))
        small = self.letters(0.85)
        for side in ("bottom", "left"):
            axis = self._item.getAxis(side)
            axis.setPen(thin_pen(theme.line))
            axis.setTextPen(QColor(theme.quiet))
            axis.setTickFont(small)
            axis.label.setFont(small)
            axis.setStyle(tickLength=-4, tickTextOffset=4)
        self._repaint()

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """As much as there is."""
        return self.minimumSizeHint()
