"""The modal log on the screen: hover a band to read it, save it as a picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from PySide6.QtCore import QEvent, QMarginsF, QPointF, QRectF, QSize, QSizeF, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QImage,
    QMouseEvent,
    QPageSize,
    QPainter,
    QPaintEvent,
    QPdfWriter,
    QPen,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from viewer.errors import InputError
from viewer.panels import theme
from viewer.panels.sort.modes_log_draw import Frame, Ink, draw_log
from viewer.panels.sort.modes_words import interval, value
from viewer.plates.whole_file import whole_file
from viewer.science.measure.modal_log import Band, ModalLog
from viewer.science.measure.mode import Mode

RGB = tuple[int, int, int]
PAPER = Ink("#000000", "#303030", "#606060", "#ffffff")
WIDTH_MM = 90.0
"""Of the picture that is saved: one column of a journal."""

HEIGHT_MM = 140.0


class ModalLogView(QWidget):
    """Shows a modal log.

    Signals
    -------
    told(str)
        What the pointer is over, a few words; empty for nothing.
    hovered(str)
        Phase under the pointer, empty for none.
    """

    told = Signal(str)
    hovered = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.log: ModalLog | None = None
        self._colours: dict[str, RGB] = {}
        self._frame: Frame | None = None
        self._lit = ""
        self._at: tuple[Band, Mode | None] | None = None
        self.setMouseTracking(True)
        self.setFont(theme.figures(self.font()))
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAccessibleName("Modal log")

    def sizeHint(self) -> QSize:
        return QSize(320, 420)

    def minimumSizeHint(self) -> QSize:
        return QSize(200, 160)

    def show_log(self, log: ModalLog | None, colours: Mapping[str, RGB]) -> None:
        """Show another log."""
        self.log, self._colours = log, dict(colours)
        self._point(None)
        self.update()

    def light(self, phase: str) -> None:
        """Lift one phase out; empty for none."""
        if phase != self._lit:
            self._lit = phase
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        if self.log is None:
            return
        tokens = theme.current()
        ink = Ink(tokens.text, tokens.text_dim, tokens.mark, tokens.window)
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        self._frame = draw_log(
            painter, QRectF(self.rect()), self.log, self._colours, ink, self._lit
        )
        if self._at is not None:
            band = self._at[0]
            top, bottom = self._frame.y(band.top_um), self._frame.y(band.bottom_um)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setPen(QPen(QColor(tokens.accent), 2))
            bands = self._frame.bands
            painter.drawRect(QRectF(bands.left(), top, bands.width(), bottom - top))

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self.log is not None and self._frame is not None:
            self._point(self._frame.at(self.log, event.position()))

    def leaveEvent(self, event: QEvent) -> None:
        self._point(None)
        super().leaveEvent(event)

    def _point(self, at: tuple[Band, Mode | None] | None) -> None:
        if at == self._at:
            return
        self._at = at
        self.told.emit("" if at is None else _words(*at))
        self.hovered.emit(at[1].phase if at is not None and at[1] is not None else "")
        self.update()

    # -- pictures -------------------------------------------------------------------------------

    def save(self, path: str | Path, names: Sequence[str] = ()) -> Path:
        """Save the log as a picture on white, one column wide, with its key.

        Parameters
        ----------
        path : path
            Ends in ``.pdf`` or ``.png``.
        names : sequence of str
            Phases in the key; left out, those that occur.

        Raises
        ------
        InputError
            There is no log, or the name ends otherwise.
        ResourceError
            The disk is full.
        """
        path = Path(path)
        if self.log is None:
            raise InputError("There is no modal log to save.", where=str(path))
        kind = path.suffix.lower()
        if kind not in (".pdf", ".png"):
            raise InputError(
                f"A picture of the log cannot be written as «{path.suffix}».",
                where=str(path),
                hint="Use .pdf or .png.",
            )
        shown = list(names) or _occurring(self.log)
        with whole_file(path, overwrite=True, what="picture") as part:
            if kind == ".pdf":
                self._save_pdf(str(part), shown)
            else:
                self._save_png(str(part), shown)
        return path

    def _save_pdf(self, path: str, names: Sequence[str]) -> None:
        writer = QPdfWriter(path)
        writer.setPageSize(
            QPageSize(QSizeF(WIDTH_MM, HEIGHT_MM), QPageSize.Unit.Millimeter)
        )
        writer.setPageMargins(QMarginsF(0, 0, 0, 0))
        writer.setResolution(1200)
        writer.setTitle("Modal log")
        painter = QPainter(writer)
        # Drawn in points, as type is.
        scale = 1200 / 72
        painter.scale(scale, scale)
        self._paint_page(painter, names)
        painter.end()

    def _save_png(self, path: str, names: Sequence[str]) -> None:
        scale = 600 / 72
        size = QSize(round(WIDTH_MM / 25.4 * 600), round(HEIGHT_MM / 25.4 * 600))
        image = QImage(size, QImage.Format.Format_RGB32)
        image.fill(QColor("#ffffff"))
        image.setDotsPerMeterX(round(600 / 0.0254))
        image.setDotsPerMeterY(round(600 / 0.0254))
        painter = QPainter(image)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.scale(scale, scale)
        self._paint_page(painter, names)
        painter.end()
        if not image.save(path, "PNG"):  # type: ignore[call-overload]
            raise InputError("The picture could not be written.", where=path)

    def _paint_page(self, painter: QPainter, names: Sequence[str]) -> None:
        assert self.log is not None
        font = QFont(self.font())
        # On a page drawn in points, a pixel is a point.
        font.setPixelSize(7)
        painter.setFont(font)
        metrics = QFontMetricsF(font)
        width, height = WIDTH_MM / 25.4 * 72, HEIGHT_MM / 25.4 * 72
        lines = _key_lines(names, metrics, width - 12)
        key = (metrics.height() + 2) * len(lines)
        area = QRectF(4, 4, width - 8, height - 12 - key)
        draw_log(painter, area, self.log, self._colours, PAPER)
        y = area.bottom() + 6
        for line in lines:
            x = 6.0
            for name in line:
                painter.setPen(QPen(QColor(PAPER.line), 0.5))
                painter.setBrush(QColor(*self._colours.get(name, (128, 128, 128))))
                painter.drawRect(QRectF(x, y, 6, 6))
                painter.setPen(QColor(PAPER.text))
                painter.drawText(QPointF(x + 9, y + 6), name)
                x += 9 + metrics.horizontalAdvance(name) + 8
            y += metrics.height() + 2


def _words(band: Band, mode: Mode | None) -> str:
    place = f"{band.bottom_um / 1000:.4g} to {band.top_um / 1000:.4g} mm"
    if band.modes is None:
        return f"{place}: nothing is sorted here"
    if mode is None:
        return f"{place}: {band.modes.counted:,} pixels"
    range_ = interval(mode)
    text = f"{place}: {mode.phase} {value(mode)} %"
    return f"{text} ({range_})" if range_ else text


def _occurring(log: ModalLog) -> list[str]:
    seen = {m.phase for b in log.bands if b.modes is not None for m in b.modes.modes if m.pixels}
    return [name for name in log.phases if name in seen]


def _key_lines(names: Sequence[str], metrics: QFontMetricsF, width: float) -> list[list[str]]:
    lines: list[list[str]] = [[]]
    used = 0.0
    for name in names:
        takes = 17 + metrics.horizontalAdvance(name)
        if lines[-1] and used + takes > width:
            lines.append([])
            used = 0.0
        lines[-1].append(name)
        used += takes
    return lines
