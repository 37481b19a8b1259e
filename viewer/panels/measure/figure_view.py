"""A figure of a measurement on the screen: what the page shows, and what the pointer is near."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PySide6.QtCore import QEvent, QPoint, QPointF, QRectF, QSettings, QSize, Qt, Signal
from PySide6.QtGui import (
    QAction,
    QActionGroup,
    QColor,
    QContextMenuEvent,
    QGuiApplication,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QResizeEvent,
)
from PySide6.QtWidgets import (
    QDialog,
    QFileDialog,
    QMenu,
    QSizePolicy,
    QToolButton,
    QToolTip,
    QVBoxLayout,
    QWidget,
)

from viewer.errors import GrainlightError
from viewer.panels import theme
from viewer.panels.icons import icon
from viewer.panels.measure.scene_painter import lay_out_for_screen, paint, picture
from viewer.panels.qt import plain_tip
from viewer.plates.chart import Figure, Rose, Strip
from viewer.plates.scene import Scene
from viewer.plates.scene_scale import reading
from viewer.plates.strip_scene import ends

_FORMATS = "PDF (*.pdf);;SVG (*.svg);;PNG (*.png)"


class FigureView(QWidget):
    """Draws one figure, tells the numbers near the pointer, and saves it.

    With the keyboard, left and right go from number to number.

    Signals
    -------
    said(str, str)
        Level (``info``, ``error``) and words, of what was saved or why it was not.
    """

    said = Signal(str, str)

    def __init__(self, figure: Figure | None = None, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._figure: Figure | None = None
        self._scene: Scene | None = None
        self._drawn: QPixmap | None = None
        self._near: int | None = None
        self.stem = "figure"
        self.setMouseTracking(True)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.more = QToolButton(self)
        self.more.setIcon(icon("export"))
        self.more.setIconSize(QSize(theme.current().icon_small, theme.current().icon_small))
        self.more.setToolTip("Save or copy this figure")
        self.more.setAccessibleName("Save or copy this figure")
        self.more.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        self.more.setMenu(self._menu())
        self.set_figure(figure)

    # -- what is shown ----------------------------------------------------------------------------

    @property
    def figure(self) -> Figure | None:
        """What is shown."""
        return self._figure

    def set_figure(self, figure: Figure | None, stem: str = "") -> None:
        """Show a figure.

        Parameters
        ----------
        stem : str
            Beginning of the names of its files.
        """
        self._figure = figure
        if figure is not None:
            self.stem = f"{stem}-{figure.name}" if stem else figure.name
            note = f". {figure.note}" if figure.note else ""
            self.setAccessibleName(figure.title)
            self.setAccessibleDescription(f"{figure.title}{note}")
        self.more.setVisible(figure is not None)
        self._forget()

    def sizeHint(self) -> QSize:
        return QSize(480, 480 if isinstance(self._figure, Rose) else 340)

    def minimumSizeHint(self) -> QSize:
        return QSize(240, 200 if isinstance(self._figure, Rose) else 160)

    def scene(self) -> Scene | None:
        """The figure as it is laid out now."""
        if self._scene is None and self._figure is not None:
            room = self.more.width()
            self._scene = lay_out_for_screen(self._figure, self.width(), self.height(), room)
        return self._scene

    def _forget(self) -> None:
        self._scene = self._drawn = self._near = None
        self.update()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.more.adjustSize()
        self.more.move(self.width() - self.more.width() - theme.current().gap_1, theme.current().gap_1)
        self._forget()

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() in (QEvent.Type.PaletteChange, QEvent.Type.FontChange):
            self._forget()

    def paintEvent(self, event: QPaintEvent) -> None:
        scene = self.scene()
        painter = QPainter(self)
        if scene is None:
            painter.fillRect(self.rect(), QColor(theme.current().sunken))
            return
        ratio = self.devicePixelRatioF()
        if self._drawn is None or self._drawn.devicePixelRatio() != ratio:
            # Drawn once: moving the pointer only adds a ring to it.
            self._drawn = QPixmap(self.size() * ratio)
            self._drawn.setDevicePixelRatio(ratio)
            once = QPainter(self._drawn)
            paint(once, scene)
            once.end()
        painter.drawPixmap(0, 0, self._drawn)
        if self.hasFocus():
            painter.setPen(QPen(QColor(theme.current().accent), theme.current().focus))
            painter.drawRect(self.rect().adjusted(0, 0, -1, -1))
        if self._near is not None:
            x, y = scene.spots.at[self._near].tolist()
            tokens = theme.current()
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setPen(QPen(QColor(tokens.sunken), 4.0))
            painter.drawEllipse(QPointF(x, y), 5.5, 5.5)
            painter.setPen(QPen(QColor(tokens.accent), 2.0))
            painter.drawEllipse(QPointF(x, y), 5.5, 5.5)

    # -- the pointer ------------------------------------------------------------------------------

    def words_at(self, at: QPointF) -> str:
        """What is to be read near a place of the widget; empty where nothing is near."""
        near = self._spot_near(at)
        scene = self.scene()
        if scene is None:
            return ""
        if near is not None:
            return scene.spots.tell(near)
        if isinstance(self._figure, Strip) and QRectF(*scene.frame).contains(at):
            return _pixel_words(self._figure, scene, at)
        return ""

    def _spot_near(self, at: QPointF) -> int | None:
        scene = self.scene()
        if scene is None or not len(scene.spots.at):
            return None
        away = np.hypot(scene.spots.at[:, 0] - at.x(), scene.spots.at[:, 1] - at.y())
        nearest = int(np.argmin(away))
        reach = 4 * theme.current().pick if isinstance(self._figure, Rose) else 2 * theme.current().pick
        return nearest if away[nearest] <= reach else None

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        super().mouseMoveEvent(event)
        near = self._spot_near(event.position())
        if near != self._near:
            self._near = near
            self.update()
        words = self.words_at(event.position())
        if words:
            QToolTip.showText(event.globalPosition().toPoint() + QPoint(8, 12), plain_tip(words), self)
        else:
            QToolTip.hideText()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        steps = {Qt.Key.Key_Right: 1, Qt.Key.Key_Left: -1}
        scene, step = self.scene(), steps.get(Qt.Key(event.key()))
        if step is None or scene is None or not len(scene.spots.at):
            super().keyPressEvent(event)
            return
        last = len(scene.spots.at) - 1
        near = self._near + step if self._near is not None else (0 if step > 0 else last)
        self._near = min(max(near, 0), last)
        at = QPointF(*scene.spots.at[self._near].tolist()).toPoint() + QPoint(8, 12)
        QToolTip.showText(self.mapToGlobal(at), plain_tip(scene.spots.tell(self._near)), self)
        self.update()

    def leaveEvent(self, event: QEvent) -> None:
        super().leaveEvent(event)
        self._near = None
        QToolTip.hideText()
        self.update()

    # -- saving -----------------------------------------------------------------------------------

    def contextMenuEvent(self, event: QContextMenuEvent) -> None:
        if self._figure is not None:
            self.more.menu().popup(event.globalPos())

    def _menu(self) -> QMenu:
        from viewer.plates.chart_page import WIDTHS_MM

        menu = QMenu(self)
        save = QAction(icon("export"), "Save figure…", self)
        save.triggered.connect(self.pick_figure_file)
        large = QAction(icon("full-screen"), "Show large", self)
        large.triggered.connect(self.show_large)
        copy = QAction(icon("copy"), "Copy picture", self)
        copy.triggered.connect(self.copy_picture)
        numbers = QAction(icon("csv"), "Save numbers…", self)
        numbers.triggered.connect(self.pick_numbers_file)
        for action, tip in (
            (large, "Open it in a window of its own (double-click)"),
            (save, "Write it as PDF, SVG or PNG, at a width that journals print"),
            (copy, "Put it on the clipboard, black on white"),
            (numbers, "Write every number that is drawn as a table (CSV)"),
        ):
            action.setToolTip(tip)
            menu.addAction(action)
        menu.setToolTipsVisible(True)
        menu.addSection("Printed width")
        self.widths = QActionGroup(self)
        for name, width in {"as suits the figure": 0.0, **WIDTHS_MM}.items():
            words = f"{name[0].upper()}{name[1:]}" + (f" ({width:g} mm)" if width else "")
            action = QAction(words, self, checkable=True)
            action.setData(width)
            self.widths.addAction(action)
            menu.addAction(action)
        menu.aboutToShow.connect(self._show_width)
        self.widths.triggered.connect(
            lambda action: QSettings().setValue("measure/figure_mm", action.data())
        )
        return menu

    def show_large(self) -> None:
        """Open the figure in a window of its own, which stays until it is closed."""
        if self._figure is None:
            return
        window = QDialog(self.window())
        window.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        window.setWindowTitle(self._figure.title)
        view = FigureView()
        view.set_figure(self._figure)
        view.stem = self.stem
        view.said.connect(self.said)
        column = QVBoxLayout(window)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(view)
        window.resize(*((720, 760) if isinstance(self._figure, Rose) else (960, 600)))
        window.show()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        super().mouseDoubleClickEvent(event)
        self.show_large()

    def _show_width(self) -> None:
        chosen = _stored_width()
        for action in self.widths.actions():
            action.setChecked(action.data() == chosen)

    def pick_figure_file(self) -> None:
        """Let the user choose where to save the figure."""
        if self._figure is None:
            return
        file, chosen = QFileDialog.getSaveFileName(
            self, "Save the figure", str(_folder() / f"{self.stem}.pdf"), _FORMATS
        )
        if file:
            ending = f".{chosen.split(' ')[0].lower()}" if chosen else ".pdf"
            self.save_figure(file if Path(file).suffix else f"{file}{ending}")

    def save_figure(self, path: str | Path) -> bool:
        """Write the figure at the chosen width; True where that worked."""
        from viewer.plates.chart_page import write_figure

        if self._figure is None:
            return False
        try:
            written = write_figure(path, self._figure, width_mm=_stored_width() or None)
        except GrainlightError as error:
            self.said.emit("error", str(error))
            return False
        QSettings().setValue("measure/folder", str(written.parent))
        self.said.emit("info", f"Wrote {written}.")
        return True

    def pick_numbers_file(self) -> None:
        """Let the user choose where to save the numbers."""
        if self._figure is None:
            return
        file, _ = QFileDialog.getSaveFileName(
            self, "Save the numbers", str(_folder() / f"{self.stem}.csv"), "Tables (*.csv)"
        )
        if file:
            self.save_numbers(file if Path(file).suffix else f"{file}.csv")

    def save_numbers(self, path: str | Path) -> bool:
        """Write every number that is drawn; True where that worked."""
        from viewer.plates.figure_table import figure_table
        from viewer.plates.tables import write_table

        if self._figure is None:
            return False
        try:
            written = write_table(path, *figure_table(self._figure))
        except GrainlightError as error:
            self.said.emit("error", str(error))
            return False
        QSettings().setValue("measure/folder", str(written.parent))
        self.said.emit("info", f"Wrote {written}.")
        return True

    def copy_picture(self) -> None:
        """Put the figure on the clipboard, black on white."""
        if self._figure is not None:
            QGuiApplication.clipboard().setImage(picture(self._figure, self.width(), self.height()))
            self.said.emit("info", "Copied the figure.")


def _pixel_words(strip: Strip, scene: Scene, at: QPointF) -> str:
    frame = scene.frame
    rows, columns = strip.pixels.shape
    right, up = (at.x() - frame.x) / frame.w, (frame.bottom - at.y()) / frame.h
    column, row = min(int(right * columns), columns - 1), min(int(up * rows), rows - 1)
    lines = []
    for axis, share, count in ((strip.x, right, columns), (strip.y, up, rows)):
        low, high = ends(axis, count)
        lines.append(f"{axis.label}: {reading(low + share * (high - low), axis.unit)}")
    value = float(strip.pixels[row, column])
    lines.append(f"{strip.value.label}: {reading(value, strip.value.unit)}")
    return "\n".join(lines)


def _folder() -> Path:
    return Path(str(QSettings().value("measure/folder", str(Path.home()))))


def _stored_width() -> float:
    """Width chosen for saved figures in mm; 0 for what suits each."""
    stored = QSettings().value("measure/figure_mm", 0.0)
    try:
        return float(stored)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return 0.0


def main() -> None:
    """Show one figure of every sort."""
    import sys

    from PySide6.QtWidgets import QApplication, QTabWidget

    from viewer.panels.measure import figure_examples

    app = QApplication(sys.argv)
    theme.apply(app)
    tabs = QTabWidget()
    for figure in figure_examples.figures():
        tabs.addTab(FigureView(figure), figure.title)
    tabs.resize(760, 520)
    tabs.show()
    app.exec()


if __name__ == "__main__":
    main()
