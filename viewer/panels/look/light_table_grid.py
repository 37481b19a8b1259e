"""The cells of the light table: painted together, zoomed and panned together."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QEvent, QPoint, QPointF, QRect, QRectF, QSize, Qt, QTimer, Signal
from PySide6.QtGui import (
    QColor,
    QContextMenuEvent,
    QDrag,
    QFont,
    QFontMetricsF,
    QHelpEvent,
    QImage,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QResizeEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import QAbstractScrollArea, QApplication, QFrame, QToolTip, QWidget

from viewer.panels.look.block_loader import BlockLoader, Window
from viewer.panels.look.digits import tidy
from viewer.panels.look.ink import CHANNELS, Ink, see_through
from viewer.panels.look.layers import LayerEntry, details, mime
from viewer.panels.look.menus import cell_menu
from viewer.panels.look.parts import paint_badge, paint_flag
from viewer.panels.look.table_view import TableMap, TableView, columns_for
from viewer.panels.qt import typing_focus
from viewer.panels.theme import current, figures

LEAST_CELL = 150.0
CAPTION, GAP = 24.0, 8.0
MARGIN = 0.5
"""Part of the view that is read beyond each edge, so that a short pan reads nothing."""


class TableSource(Protocol):
    """Where the light table gets its pixels and their brightness."""

    def load(self, layer_id: str, level: int, rows: slice, cols: slice) -> npt.NDArray[Any]:
        """Codes ``uint8`` or ``uint16`` of a window of a level. Called on a worker thread."""

    def lut(self, layer_id: str, level: int) -> npt.NDArray[np.uint8]:
        """Brightness of each code of a level."""

    def values(self, layer_id: str, level: int) -> npt.NDArray[np.float64]:
        """Value of each code of a level; NaN for «no value»."""


@dataclass
class _Block:
    window: Window
    codes: npt.NDArray[Any]
    image: QImage | None = None
    grey: npt.NDArray[np.uint8] | None = None


@dataclass
class _Cell:
    layer: LayerEntry
    rect: QRect
    base: _Block | None = None
    fine: _Block | None = None
    picture: QPixmap | None = None
    error: str = ""


class LightTableGrid(QAbstractScrollArea):
    """All layers side by side.

    Signals
    -------
    selected(str)
        A cell was clicked.
    opened(str)
        A cell was double-clicked, or Enter was pressed on it.
    slot_requested(str, int)
        A layer is to become red (0), green (1) or blue (2).
    pointed(object)
        Displayed position (x, y) in µm under the mouse, or None.
    view_changed()
    """

    selected = Signal(str)
    opened = Signal(str)
    slot_requested = Signal(str, int)
    pointed = Signal(object)
    view_changed = Signal()

    def __init__(self, source: TableSource, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.viewport().setMouseTracking(True)
        self.setAccessibleName("Light table")
        self._source = source
        self._loader = BlockLoader(source.load, self)
        self._loader.loaded.connect(self._take)
        self._loader.failed.connect(self._fail)
        self._map: TableMap | None = None
        self._cells: list[_Cell] = []
        self._view: TableView | None = None
        self._fitted = True
        self._columns = 0
        self._slots: tuple[str | None, ...] = (None, None, None)
        self._current: str | None = None
        self._hover: int | None = None
        self._point: tuple[float, float] | None = None
        self._press: QPointF | None = None
        self._press_cell: int | None = None
        self._press_view: TableView | None = None
        self._panning = False
        self._ask = QTimer(self)
        self._ask.setSingleShot(True)
        self._ask.setInterval(20)
        self._ask.timeout.connect(self._request)

    # -- what is shown ---------------------------------------------------------------------------

    def set_map(self, table_map: TableMap | None, layers: Iterable[LayerEntry]) -> None:
        """Show the layers of a map, in this order. Pixels of layers that stay are kept."""
        same = table_map == self._map
        turned = (
            not same
            and table_map is not None
            and self._map is not None
            and (table_map.shape, table_map.pixel_um) == (self._map.shape, self._map.pixel_um)
        )
        kept = {c.layer.id: c for c in self._cells} if same or turned else {}
        self._map = table_map
        if not same:
            self._view = None
        cells = []
        for layer in layers if table_map is not None else ():
            old = kept.get(layer.id)
            cell = _Cell(layer, QRect())
            if old is not None and old.layer.content == layer.content:
                cell.base, cell.fine = old.base, old.fine
                if turned:
                    for block in (cell.base, cell.fine):
                        if block is not None:
                            block.image = None
            cells.append(cell)
        self._cells = cells
        self._hover = None
        self._lay_out()

    def set_slots(self, layers: tuple[str | None, str | None, str | None]) -> None:
        """Mark which layers are red, green and blue."""
        if layers != self._slots:
            self._slots = layers
            self.viewport().update()

    def set_current(self, layer_id: str | None) -> None:
        """Mark a layer; says nothing back."""
        self._current = layer_id
        self.viewport().update()

    def set_columns(self, columns: int) -> None:
        """Cells in a row; 0 lets the room decide."""
        self._columns = columns
        self._lay_out()

    def recolour(self, layer_id: str | None = None) -> None:
        """The brightness of a layer (of all: None) changed: paint it anew from the same codes."""
        for cell in self._cells:
            if layer_id in (None, cell.layer.id):
                cell.picture = None
        self.viewport().update()

    def stop(self) -> None:
        """Wait for the worker; call before the project is closed."""
        self._ask.stop()
        self._loader.stop()

    @property
    def view(self) -> TableView | None:
        """What every cell shows."""
        return self._view

    def set_view(self, view: TableView) -> None:
        """Move all cells."""
        if self._map is None or not self._cells:
            return
        view = view.held_to(*self._map.shown_um)
        if view == self._view:
            return
        self._view = view
        self._fitted = view == self._fit()
        for cell in self._cells:
            cell.picture = None
        self._ask.start()
        self.viewport().update()
        self.view_changed.emit()

    def fit(self) -> None:
        """Show the whole map in every cell."""
        if self._map is not None and self._cells:
            self.set_view(self._fit())

    def zoom(self, factor: float, at: tuple[float, float] | None = None) -> None:
        """Zoom all cells (above 1: closer), about a displayed position or the centre."""
        if self._view is None or self._map is None:
            return
        most = self._fit().um_per_px
        least = min(self._map.pixel_um) / 24.0
        at = at if at is not None else (self._view.x, self._view.y)
        view = self._view.zoomed(factor, at, least, most)
        if view.um_per_px >= most * (1 - 1e-9):
            view = self._fit()
        self.set_view(view)

    def layer_ids(self) -> list[str]:
        """Layers in the order shown."""
        return [cell.layer.id for cell in self._cells]

    def picture_rect(self, layer_id: str) -> QRectF:
        """A layer's picture in the viewport."""
        return self._picture_rect(next(c for c in self._cells if c.layer.id == layer_id))

    def caption_rect(self, layer_id: str) -> QRectF:
        """A layer's caption in the viewport."""
        return self._caption_rect(next(c for c in self._cells if c.layer.id == layer_id))

    def reading(self, layer_id: str) -> tuple[float, bool] | None:
        """Value of a layer under the mouse, and True where it is a mean of several pixels."""
        cell = next((c for c in self._cells if c.layer.id == layer_id), None)
        if cell is None or self._map is None or self._point is None or self._view is None:
            return None
        level = self._map.level_for(self._view.um_per_px / self.devicePixelRatioF())
        for block in (cell.fine, cell.base):
            # A block of another level is left from an earlier zoom: all cells read alike.
            if block is None or (block is cell.fine and block.window.level != level):
                continue
            found = self._map.pixel_at(*self._point, block.window.level)
            if found is None:
                return None
            row, col = found[0] - block.window.row, found[1] - block.window.col
            if 0 <= row < block.codes.shape[0] and 0 <= col < block.codes.shape[1]:
                table = self._source.values(layer_id, block.window.level)
                return float(table[int(block.codes[row, col])]), block.window.level > 0
        return None

    @property
    def pointing(self) -> bool:
        """True while the mouse is over a place of the map."""
        return self._point is not None

    @property
    def averaged(self) -> int:
        """Side of the square of pixels that a reading is the mean of; 1: single pixels."""
        if self._map is None or self._view is None:
            return 1
        return 2 ** self._map.level_for(self._view.um_per_px / self.devicePixelRatioF())

    def sizeHint(self) -> QSize:
        return QSize(900, 600)

    # -- layout ----------------------------------------------------------------------------------

    def _aspect(self) -> float:
        if self._map is None:
            return 0.6
        width, height = self._map.shown_um
        return min(max(height / width, 0.3), 1.25)

    def _lay_out(self) -> None:
        room = self.viewport().size()
        aspect = self._aspect()
        columns = self._columns or columns_for(
            len(self._cells), room.width(), room.height(), aspect, CAPTION, GAP, LEAST_CELL
        )
        columns = max(1, min(columns, max(1, len(self._cells))))
        width = max(40.0, (room.width() - GAP * (columns + 1)) / columns)
        rows = math.ceil(len(self._cells) / columns)
        height = width * aspect
        if rows and not self._columns:
            # Where everything fits, nothing may stick out by the rounding of a row.
            left = (room.height() - GAP * (rows + 1)) / rows - CAPTION
            if left >= LEAST_CELL * aspect:
                height = min(height, left)
        for index, cell in enumerate(self._cells):
            row, col = divmod(index, columns)
            rect = QRect(
                round(GAP + col * (width + GAP)),
                round(GAP + row * (height + CAPTION + GAP)),
                int(width),
                int(height + CAPTION),
            )
            if rect.size() != cell.rect.size():
                cell.picture = None
            cell.rect = rect
        total = int(GAP + rows * (height + CAPTION + GAP))
        bar = self.verticalScrollBar()
        bar.setRange(0, max(0, total - room.height()))
        bar.setPageStep(room.height())
        bar.setSingleStep(int((height + CAPTION + GAP) / 3))
        if self._cells and self._map is not None:
            fit = self._fit()
            if self._view is None or self._fitted:
                # The whole map goes on being shown when the cells change their size.
                self._fitted = True
                self._view = fit
                for cell in self._cells:
                    cell.picture = None
        self._ask.start()
        self.viewport().update()

    def _fit(self) -> TableView:
        assert self._map is not None
        size = self._picture_size()
        return TableView.fit(*self._map.shown_um, size.width(), size.height())

    def _picture_size(self) -> QSize:
        if not self._cells:
            return QSize(1, 1)
        size = self._cells[0].rect.size()
        return QSize(max(1, size.width()), max(1, size.height() - int(CAPTION)))

    def _picture_rect(self, cell: _Cell) -> QRectF:
        size = self._picture_size()
        top = cell.rect.top() - self.verticalScrollBar().value() + CAPTION
        return QRectF(cell.rect.left(), top, size.width(), size.height())

    def _caption_rect(self, cell: _Cell) -> QRectF:
        top = cell.rect.top() - self.verticalScrollBar().value()
        return QRectF(cell.rect.left(), top, cell.rect.width(), CAPTION)

    def _visible(self) -> list[_Cell]:
        port = self.viewport().rect()
        offset = self.verticalScrollBar().value()
        return [c for c in self._cells if c.rect.translated(0, -offset).intersects(port)]

    def _cell_at(self, pos: QPointF) -> int | None:
        point = QPoint(int(pos.x()), int(pos.y()) + self.verticalScrollBar().value())
        return next((i for i, c in enumerate(self._cells) if c.rect.contains(point)), None)

    # -- pixels ----------------------------------------------------------------------------------

    def _request(self) -> None:
        """Ask for what the visible cells lack: first a coarse whole, then the level in view."""
        if self._map is None or self._view is None:
            return
        size = self._picture_size()
        shown = self._view.rect(size.width(), size.height())
        level = self._map.level_for(self._view.um_per_px / self.devicePixelRatioF())
        coarsest = len(self._map.level_shapes) - 1
        rows, cols = self._map.level_shapes[coarsest]
        bases, fines = [], []
        for cell in self._visible():
            if not cell.layer.ready or cell.error:
                continue
            whole = Window(cell.layer.id, coarsest, 0, rows, 0, cols)
            if cell.base is None:
                bases.append(whole)
            if level == coarsest:
                continue
            if cell.fine is None or not cell.fine.window.holds(
                self._map.window(cell.layer.id, level, shown, 0.0)
            ):
                fines.append(self._map.window(cell.layer.id, level, shown, MARGIN))
        self._loader.want([*bases, *fines])

    def _take(self, window: Window, codes: npt.NDArray[Any]) -> None:
        cell = next((c for c in self._cells if c.layer.id == window.layer), None)
        if cell is None or self._map is None:
            return
        block = _Block(window, codes)
        if window.level == len(self._map.level_shapes) - 1:
            cell.base = block
        else:
            cell.fine = block
        cell.picture = None
        self.viewport().update(self._picture_rect(cell).toAlignedRect())

    def _fail(self, window: Window, why: str) -> None:
        for cell in self._cells:
            if cell.layer.id == window.layer:
                cell.error = why
        self.viewport().update()

    def _image(self, block: _Block) -> QImage:
        table = self._source.lut(block.window.layer, block.window.level)
        # The table is compared by identity: a source hands out a new one when the stretch changes.
        if block.image is None or block.grey is not table:
            assert self._map is not None
            grey = np.ascontiguousarray(self._map.orientation.apply(table[block.codes]))
            height, width = grey.shape
            block.image = QImage(
                grey.tobytes(), width, height, width, QImage.Format.Format_Grayscale8
            ).copy()
            block.grey = table
        return block.image

    def _paint_picture(self, cell: _Cell) -> QPixmap:
        assert self._map is not None
        assert self._view is not None
        size = self._picture_size()
        ratio = self.devicePixelRatioF()
        picture = QPixmap(size * ratio)
        picture.setDevicePixelRatio(ratio)
        ink = Ink.now()
        picture.fill(ink.map_ground)
        painter = QPainter(picture)
        shown = self._view.rect(size.width(), size.height())
        level = self._map.level_for(self._view.um_per_px / ratio)
        blocks = []
        fine = cell.fine
        if level == len(self._map.level_shapes) - 1:
            fine = None
        if cell.base is not None and (
            fine is None
            or not fine.window.holds(self._map.window(cell.layer.id, fine.window.level, shown, 0.0))
        ):
            blocks.append(cell.base)
        if fine is not None:
            blocks.append(fine)
        for block in blocks:
            left, top, right, bottom = self._map.window_um(block.window)
            x0, y0 = self._view.pixel(left, top, size.width(), size.height())
            x1, y1 = self._view.pixel(right, bottom, size.width(), size.height())
            image = self._image(block)
            # Larger than life, pixels are shown as what they are: squares.
            painter.setRenderHint(
                QPainter.RenderHint.SmoothPixmapTransform, (x1 - x0) * ratio < 1.5 * image.width()
            )
            painter.drawImage(QRectF(x0, y0, x1 - x0, y1 - y0), image)
        painter.end()
        return picture

    # -- painting --------------------------------------------------------------------------------

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self.viewport())
        ink = Ink.now()
        painter.fillRect(event.rect(), ink.map_ground)
        if not self._cells:
            self._paint_empty(painter, ink)
            return
        for cell in self._visible():
            if cell.rect.translated(0, -self.verticalScrollBar().value()).intersects(event.rect()):
                self._paint_cell(painter, ink, cell)

    def _paint_empty(self, painter: QPainter, ink: Ink) -> None:
        painter.setPen(ink.dim)
        painter.drawText(
            self.viewport().rect().adjusted(24, 24, -24, -24),
            Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap,
            "No channels to look at yet.\n\n"
            "Gather element maps into this project: all channels then show here side by side.",
        )

    def _paint_cell(self, painter: QPainter, ink: Ink, cell: _Cell) -> None:
        rect = self._picture_rect(cell)
        if not cell.layer.ready or cell.error or (cell.base is None and cell.fine is None):
            painter.fillRect(rect, ink.ground)
            painter.setPen(ink.error if cell.error else ink.dim)
            text = cell.error or ("Reading" if cell.layer.ready else "Being computed")
            painter.drawText(
                rect.adjusted(6, 6, -6, -6),
                Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap,
                text,
            )
        else:
            if cell.picture is None:
                cell.picture = self._paint_picture(cell)
            painter.drawPixmap(rect.topLeft(), cell.picture)
            self._paint_crosshair(painter, rect)
        hovered = self._hover is not None and self._cells[self._hover] is cell
        self._paint_caption(painter, ink, cell, hovered)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        frame = QRectF(cell.rect.translated(0, -self.verticalScrollBar().value()))
        if cell.layer.id == self._current:
            painter.setPen(QPen(ink.accent, 2.0))
            painter.drawRect(frame.adjusted(-1, -1, 1, 1))
        elif hovered:
            painter.setPen(QPen(ink.line, 1.0))
            painter.drawRect(frame.adjusted(-0.5, -0.5, 0.5, 0.5))

    def _paint_crosshair(self, painter: QPainter, rect: QRectF) -> None:
        if self._point is None or self._view is None:
            return
        x, y = self._view.pixel(*self._point, rect.width(), rect.height())
        x, y = rect.left() + x, rect.top() + y
        if not rect.contains(QPointF(x, y)):
            return
        x, y = round(x), round(y)
        arm, hole = 9, 3
        tokens = current()
        for colour, width in ((tokens.overlay_halo, 3.0), (tokens.overlay_ink, 1.0)):
            painter.setPen(QPen(see_through(QColor(colour), 0.9 if width == 1.0 else 0.5), width))
            for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                painter.drawLine(
                    QPointF(x + dx * hole, y + dy * hole), QPointF(x + dx * arm, y + dy * arm)
                )

    def _font(self, *, bold: bool = False) -> QFont:
        font = figures(self.font())
        font.setPointSizeF(current().type_small)
        font.setBold(bold)
        return font

    def _paint_caption(self, painter: QPainter, ink: Ink, cell: _Cell, hovered: bool) -> None:
        rect = self._caption_rect(cell)
        painter.fillRect(rect, ink.select if cell.layer.id == self._current else ink.panel)
        left, right = rect.left() + 6.0, rect.right() - 6.0
        layer = cell.layer
        for index, slot in enumerate(self._slots):
            if slot == layer.id:
                paint_badge(painter, QRectF(left, rect.center().y() - 6.5, 13, 13), CHANNELS[index],
                       "RGB"[index], self._font(bold=True))  # fmt: skip
                left += 16
        if layer.warned:
            box = self._flag_rect(cell)
            paint_flag(painter, box, grave=layer.grave)
            right = box.left() - 5
        reading = self.reading(layer.id)
        plain = self._font()
        metrics = QFontMetricsF(plain)
        if reading is not None:
            value, mean = reading
            span = (layer.maximum or 0.0) - (layer.minimum or 0.0)
            text = tidy(value, span, whole=not mean and (layer.integer or value.is_integer()))
            if mean and not math.isnan(value):
                text = f"≈ {text}"
            painter.setFont(plain)
            painter.setPen(ink.text)
            width = metrics.horizontalAdvance(text)
            painter.drawText(
                QRectF(right - width, rect.top(), width + 1, rect.height()),
                Qt.AlignmentFlag.AlignVCenter,
                text,
            )
            right -= width + 6
        bold = self._font(bold=True)
        painter.setFont(bold)
        painter.setPen(ink.text)
        wide = QFontMetricsF(bold)
        room = max(0.0, right - left)
        name = wide.elidedText(layer.name, Qt.TextElideMode.ElideRight, room)
        painter.drawText(
            QRectF(left, rect.top(), room, rect.height()), Qt.AlignmentFlag.AlignVCenter, name
        )
        left += wide.horizontalAdvance(name) + 6
        side = layer.element_name or (layer.recipe if layer.kind == "derived" else "")
        if side not in ("", layer.name) and right - left > 24:
            painter.setFont(plain)
            painter.setPen(ink.dim)
            painter.drawText(
                QRectF(left, rect.top(), right - left, rect.height()),
                Qt.AlignmentFlag.AlignVCenter,
                metrics.elidedText(side, Qt.TextElideMode.ElideRight, right - left),
            )

    def _flag_rect(self, cell: _Cell) -> QRectF:
        rect = self._caption_rect(cell)
        return QRectF(rect.right() - 22, rect.center().y() - 8, 16, 16)

    # -- mouse, wheel, keys ----------------------------------------------------------------------

    def _set_point(self, pos: QPointF | None) -> None:
        index = None if pos is None else self._cell_at(pos)
        point = None
        if pos is not None and index is not None and self._view is not None:
            rect = self._picture_rect(self._cells[index])
            if rect.contains(pos) and self._map is not None:
                at = self._view.at(
                    pos.x() - rect.left(), pos.y() - rect.top(), rect.width(), rect.height()
                )
                width, height = self._map.shown_um
                if 0 <= at[0] < width and 0 <= at[1] < height:
                    point = at
        if (index, point) != (self._hover, self._point):
            self._hover, self._point = index, point
            self.viewport().update()
            self.pointed.emit(point)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        index = self._cell_at(event.position())
        if index is None or event.button() not in (
            Qt.MouseButton.LeftButton,
            Qt.MouseButton.MiddleButton,
        ):
            return
        self._press, self._press_cell, self._press_view = event.position(), index, self._view
        self._panning = False

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self._press is None or self._press_cell is None:
            self._set_point(event.position())
            self._point_cursor(event.position())
            return
        moved = event.position() - self._press
        far = moved.manhattanLength() >= QApplication.startDragDistance()
        cell = self._cells[self._press_cell]
        if not self._panning and far and self._caption_rect(cell).contains(self._press):
            self._press = None
            self._drag(cell)
        elif (self._panning or far) and self._press_view is not None:
            if not self._panning:
                self.viewport().setCursor(Qt.CursorShape.ClosedHandCursor)
            self._panning = True
            start = self._press_view
            self.set_view(
                TableView(
                    start.x - moved.x() * start.um_per_px,
                    start.y - moved.y() * start.um_per_px,
                    start.um_per_px,
                )
            )

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        pressed, panned = self._press_cell, self._panning
        held = self._press is not None
        self._press = self._press_cell = self._press_view = None
        self._panning = False
        if held and not panned and pressed is not None and pressed < len(self._cells):
            self._select(pressed)
        self._set_point(event.position())
        self._point_cursor(event.position())

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        index = self._cell_at(event.position())
        if index is not None and event.button() == Qt.MouseButton.LeftButton:
            self._press = None
            self._select(index)
            self.opened.emit(self._cells[index].layer.id)

    def _select(self, index: int) -> None:
        layer_id = self._cells[index].layer.id
        self._current = layer_id
        rect = self._cells[index].rect
        bar = self.verticalScrollBar()
        if rect.top() - GAP < bar.value():
            bar.setValue(int(rect.top() - GAP))
        elif rect.bottom() + GAP > bar.value() + self.viewport().height():
            bar.setValue(int(rect.bottom() + GAP - self.viewport().height()))
        self.viewport().update()
        self.selected.emit(layer_id)

    def _drag(self, cell: _Cell) -> None:
        drag = QDrag(self)
        drag.setMimeData(mime(cell.layer.id))
        if cell.picture is not None:
            thumb = cell.picture.scaledToWidth(
                int(96 * self.devicePixelRatioF()), Qt.TransformationMode.SmoothTransformation
            )
            drag.setPixmap(thumb)
            drag.setHotSpot(QPoint(12, 12))
        drag.exec(Qt.DropAction.CopyAction)

    def _point_cursor(self, pos: QPointF) -> None:
        index = self._cell_at(pos)
        shape = Qt.CursorShape.ArrowCursor
        if index is not None:
            on_caption = self._caption_rect(self._cells[index]).contains(pos)
            shape = Qt.CursorShape.OpenHandCursor if on_caption else Qt.CursorShape.CrossCursor
        self.viewport().setCursor(shape)

    def wheelEvent(self, event: QWheelEvent) -> None:
        index = self._cell_at(event.position())
        turned = event.angleDelta().y()
        if index is not None and self._view is not None:
            rect = self._picture_rect(self._cells[index])
            if rect.contains(event.position()):
                at = self._view.at(
                    event.position().x() - rect.left(),
                    event.position().y() - rect.top(),
                    rect.width(),
                    rect.height(),
                )
                self.zoom(2.0 ** (turned / 240.0), at)
                self._set_point(event.position())
                event.accept()
                return
        super().wheelEvent(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        key = Qt.Key(event.key())
        slots = {
            Qt.Key.Key_1: 0, Qt.Key.Key_R: 0,
            Qt.Key.Key_2: 1, Qt.Key.Key_G: 1,
            Qt.Key.Key_3: 2, Qt.Key.Key_B: 2,
        }  # fmt: skip
        at = self._hover
        ids = self.layer_ids()
        chosen = ids.index(self._current) if self._current in ids else None
        if at is None:
            at = chosen
        plain = not event.modifiers() & ~Qt.KeyboardModifier.KeypadModifier
        if plain and key in slots and at is not None:
            self.slot_requested.emit(ids[at], slots[key])
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and chosen is not None:
            self.opened.emit(ids[chosen])
        elif key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal):
            self.zoom(1.5, self._point)
        elif key == Qt.Key.Key_Minus:
            self.zoom(1 / 1.5, self._point)
        elif key in (Qt.Key.Key_0, Qt.Key.Key_Home):
            self.fit()
        elif ids and key in (Qt.Key.Key_Left, Qt.Key.Key_Right, Qt.Key.Key_Up, Qt.Key.Key_Down):
            top = self._cells[0].rect.top()
            columns = sum(1 for c in self._cells if c.rect.top() == top)
            step = {
                Qt.Key.Key_Left: -1,
                Qt.Key.Key_Right: 1,
                Qt.Key.Key_Up: -columns,
                Qt.Key.Key_Down: columns,
            }[key]
            target = 0 if chosen is None else chosen + step
            if 0 <= target < len(ids):
                self._select(target)
        else:
            super().keyPressEvent(event)

    def contextMenuEvent(self, event: QContextMenuEvent) -> None:
        pos = QPointF(self.viewport().mapFromGlobal(event.globalPos()))
        index = self._cell_at(pos)
        if index is None:
            return
        layer = self._cells[index].layer
        menu = cell_menu(
            layer,
            self,
            alone=lambda: self.opened.emit(layer.id),
            slot=lambda n: self.slot_requested.emit(layer.id, n),
        )
        menu.popup(event.globalPos())

    def viewportEvent(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.ToolTip and isinstance(event, QHelpEvent):
            self._tip(event)
            return True
        if event.type() == QEvent.Type.Enter and not typing_focus(QApplication.focusWidget()):
            # Keys 1, 2 and 3 are for the cell under the pointer: no click is needed before them.
            self.setFocus(Qt.FocusReason.MouseFocusReason)
        if event.type() == QEvent.Type.Leave:
            self._set_point(None)
        return super().viewportEvent(event)

    def _tip(self, event: QHelpEvent) -> None:
        pos = QPointF(event.pos())
        index = self._cell_at(pos)
        if index is None:
            QToolTip.hideText()
            return
        cell = self._cells[index]
        if cell.layer.warned and self._flag_rect(cell).adjusted(-4, -4, 4, 4).contains(pos):
            words = "\n".join(flag.words for flag in cell.layer.flags)
            QToolTip.showText(event.globalPos(), words, self.viewport())
        elif self._caption_rect(cell).contains(pos):
            QToolTip.showText(
                event.globalPos(),
                details(cell.layer)
                + self._mean_words()
                + "<br>Drag onto red, green or blue. Double-click the picture to see it alone.",
                self.viewport(),
            )
        else:
            QToolTip.hideText()

    def _mean_words(self) -> str:
        side = self.averaged
        if side == 1:
            return "<br>The number is the value of the pixel under the mouse."
        return (
            f"<br>≈ is the mean of {side} × {side} px under the mouse, as drawn here; the status bar "
            "reads the one pixel. Come closer (+) to read single pixels."
        )

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._lay_out()

    def scrollContentsBy(self, dx: int, dy: int) -> None:
        self._ask.start()
        self.viewport().update()

    def changeEvent(self, event: QEvent) -> None:
        if event.type() == QEvent.Type.PaletteChange:
            self.recolour()
        super().changeEvent(event)
