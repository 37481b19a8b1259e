"""The painted part of a histogram plot: bars, ramp, and handles that are dragged."""

from __future__ import annotations

from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QEvent, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFocusEvent,
    QFont,
    QFontMetricsF,
    QHelpEvent,
    QImage,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPolygonF,
    QResizeEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import QSizePolicy, QToolTip, QWidget

from viewer.panels.look.digits import decimals, grouped, lean, share, ticks, tidy
from viewer.panels.look.histogram_scale import (
    Bars,
    CountAxis,
    ValueAxis,
    axis_range,
    bars,
    lay_out,
    top_of,
)
from viewer.panels.look.ink import Ink, see_through
from viewer.panels.theme import current, figures
from viewer.science.look.histogram import Histogram
from viewer.science.look.stretch import Stretch, apply

Handle = Literal["low", "mid", "high"]
Grip = Literal["low", "mid", "high", "ramp", "range"]

GUTTER, MARGIN = 52.0, 8.0
LANE, RAMP, TICKS = 17.0, 9.0, 16.0
REACH = 6.0
"""Pixels from a handle's line within which a press takes hold of it."""


class HistogramCanvas(QWidget):
    """Histogram of one layer with the edges of its stretch on it.

    Signals
    -------
    stretch_changed(Stretch, bool)
        The new stretch, by value; True once the drag has ended.
    range_selected(float, float)
        Lowest and highest value of the range to light up, while it is dragged.
    range_cleared()
    zoomed()
        The axis was set by hand (wheel).
    """

    stretch_changed = Signal(object, bool)
    range_selected = Signal(float, float)
    range_cleared = Signal()
    zoomed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setToolTip(
            "Drag the edges to set the darkest and the brightest value, the middle handle for the "
            "gamma, the ramp to shift both edges.\n"
            "Shift+drag lights up a range of values on the map; Esc or right-click clears it.\n"
            "Arrow keys move the marked handle (Ctrl: faster), Up and Down choose it; wheel zooms."
        )
        self._whole: Histogram | None = None
        self._view: Histogram | None = None
        self._selection: Histogram | None = None
        self._stretch = Stretch()
        self._resolved: Stretch | None = None
        self._ramp: npt.NDArray[np.uint8] | None = None
        self._whole_numbers = False
        self._log = False
        self._full = False
        self._counts = False
        self._selecting = False
        self._range: tuple[float, float] | None = None
        self._axis: tuple[float, float] | None = None
        self._active: Handle = "low"
        self._grip: Grip | None = None
        self._grip_value = 0.0
        self._grip_start: tuple[float, float] = (0.0, 1.0)
        self._hover: QPointF | None = None
        self._drawn: dict[str, Bars] = {}

    # -- what is shown ---------------------------------------------------------------------------

    @property
    def stretch(self) -> Stretch:
        """The stretch as it was set or dragged."""
        return self._stretch

    @property
    def selected_range(self) -> tuple[float, float] | None:
        """The range that is lit up."""
        return self._range

    def set_histograms(
        self,
        whole: Histogram | None,
        view: Histogram | None = None,
        selection: Histogram | None = None,
        *,
        whole_numbers: bool = False,
    ) -> None:
        """Show a layer: its pixels in the outline, in the window and in the selection."""
        shown = (self._whole, self._view, self._selection)
        if all(a is b for a, b in zip((whole, view, selection), shown, strict=True)):
            return
        fresh = whole is not self._whole
        self._whole, self._view, self._selection = whole, view, selection
        self._whole_numbers = whole_numbers
        self._resolve()
        if fresh and self._grip is None:
            self._axis = None
        self._redraw()

    def set_stretch(self, stretch: Stretch) -> None:
        """Show a stretch; says nothing back. Ignored for the handle being dragged."""
        if stretch == self._stretch:
            return
        self._stretch = stretch
        self._resolve()
        if self._grip is None and self._resolved is not None and self._axis is not None:
            low, high = self._axis
            if not (low <= self._resolved.low <= high and low <= self._resolved.high <= high):
                self._axis = None
                self._drawn.clear()
        self.update()

    def set_ramp(self, colours: npt.NDArray[np.uint8] | None) -> None:
        """Colours from dark to bright, ``uint8[n, 3]`` RGB; None for black to white."""
        if colours is not self._ramp:
            self._ramp = colours
            self.update()

    def set_log(self, log: bool) -> None:
        """Logarithmic count axis, or linear."""
        self._log = log
        self.update()

    def set_full_range(self, full: bool) -> None:
        """Span every value that occurs, or the central 99.8 % of the pixels."""
        self._full = full
        self._axis = None
        self._redraw()

    def set_counts(self, counts: bool) -> None:
        """Bars as counts, or each population as parts of its own total."""
        self._counts = counts
        self.update()

    def set_selecting(self, selecting: bool) -> None:
        """Let a plain drag choose a range, as Shift does."""
        self._selecting = selecting
        self._point_cursor(self._hover)

    def set_range(self, span: tuple[float, float] | None) -> None:
        """Show a range as lit up; says nothing back."""
        if self._grip != "range" and span != self._range:
            self._range = span
            self.update()

    def sizeHint(self) -> QSize:
        return QSize(380, 170)

    def minimumSizeHint(self) -> QSize:
        return QSize(230, 110)

    # -- geometry --------------------------------------------------------------------------------

    def plot_rect(self) -> QRectF:
        """Where the bars are drawn."""
        return QRectF(
            GUTTER,
            LANE,
            max(20.0, self.width() - GUTTER - MARGIN),
            max(10.0, self.height() - LANE - RAMP - TICKS - 3.0),
        )

    def axis(self) -> ValueAxis:
        """The axis of values as it is drawn now."""
        if self._axis is None:
            keep = (self._resolved.low, self._resolved.high) if self._resolved else None
            self._axis = axis_range(self._whole, full=self._full, keep=keep)
        plot = self.plot_rect()
        return ValueAxis(*self._axis, plot.left(), plot.width())

    def handle_values(self) -> dict[Handle, float]:
        """Value at each handle; empty without a histogram."""
        if self._resolved is None:
            return {}
        return {
            "low": self._resolved.low,
            "mid": float(self._resolved.midpoint),
            "high": self._resolved.high,
        }

    def _bars(self, which: str, histogram: Histogram | None) -> Bars | None:
        if histogram is None or histogram.total == 0:
            return None
        if which not in self._drawn:
            axis = self.axis()
            self._drawn[which] = bars(histogram, axis.low, axis.high, int(axis.width))
        return self._drawn[which]

    def _resolve(self) -> None:
        self._resolved = None
        if self._whole is not None and self._whole.total > 0:
            self._resolved = self._stretch.resolve(self._whole)

    def _redraw(self) -> None:
        self._drawn.clear()
        self.update()

    # -- painting --------------------------------------------------------------------------------

    def paintEvent(self, event: QPaintEvent) -> None:
        ink = Ink.now()
        painter = QPainter(self)
        plot = self.plot_rect()
        painter.fillRect(plot, ink.ground)
        whole = self._bars("whole", self._whole)
        if whole is None:
            painter.setPen(ink.dim)
            painter.drawText(plot, Qt.AlignmentFlag.AlignCenter, "No values to show in this layer.")
            return
        view = self._bars("view", self._view)
        selection = self._bars("selection", self._selection)
        scale = self._count_axis([b for b in (whole, view, selection) if b is not None])
        self._paint_counts(painter, ink, plot, scale)
        self._paint_range(painter, ink, plot)
        painter.save()
        painter.setClipRect(plot.adjusted(0, -1, 0, 1))
        self._paint_bars(painter, plot, scale, whole, ink.fill, None)
        if view is not None:
            self._paint_bars(painter, plot, scale, view, None, ink.text)
        if selection is not None:
            self._paint_bars(painter, plot, scale, selection, see_through(ink.accent, 0.40), ink.accent)
        painter.restore()
        self._paint_ramp(painter, ink, plot)
        self._paint_ticks(painter, ink, plot)
        self._paint_handles(painter, ink, plot)
        if self._grip is None:
            # While a range is dragged its numbers stand in the row's head: no box over the peaks.
            self._paint_readout(painter, ink, plot)
        if self.hasFocus():
            painter.setPen(see_through(ink.accent, 0.7))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(plot.adjusted(-0.5, -0.5, 0.5, 0.5))

    def _count_axis(self, shown: list[Bars]) -> CountAxis:
        heights = [b.counts if self._counts else b.shares for b in shown]
        floor = 0.5 if self._counts else 0.5 / max(b.total for b in shown)
        if self._log:
            top = max(1e-300, *(float(h.max()) for h in heights)) * 1.15
            return CountAxis(max(top, 2.0 * floor), floor, True)
        top = max(top_of(h) for h in heights) * 1.06
        return CountAxis(top, floor, False)

    def _paint_bars(
        self,
        painter: QPainter,
        plot: QRectF,
        scale: CountAxis,
        drawn: Bars,
        fill: QColor | None,
        line: QColor | None,
    ) -> None:
        axis = self.axis()
        part = scale.part(drawn.counts if self._counts else drawn.shares)
        x = np.rint(axis.left + (drawn.edges - axis.low) / (axis.high - axis.low) * axis.width)
        y = plot.bottom() - np.rint(part * plot.height())
        corners_x = np.repeat(x, 2)[1:-1]
        corners_y = np.repeat(y, 2)
        outline = QPolygonF()
        outline.append(QPointF(corners_x[0], plot.bottom()))
        for px, py in zip(corners_x.tolist(), corners_y.tolist(), strict=True):
            outline.append(QPointF(px, py))
        outline.append(QPointF(corners_x[-1], plot.bottom()))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        if fill is not None:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(fill)
            painter.drawPolygon(outline)
        if line is not None:
            painter.setPen(QPen(line, 1.0))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawPolyline(outline)
        if not scale.log:
            heights = drawn.counts if self._counts else drawn.shares
            marked = -np.inf
            for index in np.flatnonzero(heights > scale.top * 1.0001).tolist():
                middle = 0.5 * (x[index] + x[index + 1])
                if middle - marked > 10:
                    self._paint_cut(painter, plot, middle)
                    marked = middle

    def _paint_cut(self, painter: QPainter, plot: QRectF, x: float) -> None:
        """Mark a bar that goes on above the plot."""
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(Ink.now().text)
        top = plot.top() + 1
        painter.drawPolygon(
            QPolygonF([QPointF(x, top), QPointF(x - 4, top + 5), QPointF(x + 4, top + 5)])
        )
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)

    def _paint_counts(self, painter: QPainter, ink: Ink, plot: QRectF, scale: CountAxis) -> None:
        metrics = QFontMetricsF(self._small(painter))
        if scale.log:
            decades = np.arange(np.ceil(np.log10(scale.floor)), np.log10(scale.top) + 1e-9)
            room = max(1, int(plot.height() // (1.6 * metrics.height())))
            step = max(1, int(np.ceil(len(decades) / room)))
            marks = [float(10.0**d) for d in decades[::-1][::step]]
        else:
            marks = ticks(0.0, scale.top, max(1, int(plot.height() // (2.2 * metrics.height()))))
        for mark in marks:
            y = plot.bottom() - round(float(scale.part(np.array([mark]))[0]) * plot.height())
            if not self._counts:
                text = f"{100 * mark:.6f}".rstrip("0").rstrip(".") + "\u2009%"
            elif mark >= 10000:
                text = f"{mark / 1e6:g}M" if mark >= 1e6 else f"{mark / 1e3:g}k"
            else:
                text = f"{mark:g}"
            if 100 * mark < 1e-4 and not self._counts and mark > 0:
                text = f"{100 * mark:.0e}\u2009%"
            painter.setPen(ink.line)
            painter.drawLine(QPointF(plot.left(), y), QPointF(plot.right(), y))
            painter.setPen(ink.dim)
            box = QRectF(0, y - 8, GUTTER - 5, 16)
            box.moveTop(min(max(box.top(), plot.top() - 4), plot.bottom() - 11))
            painter.drawText(box, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, text)

    def _paint_range(self, painter: QPainter, ink: Ink, plot: QRectF) -> None:
        if self._range is None:
            return
        axis = self.axis()
        left, right = axis.clamped_x(self._range[0]), axis.clamped_x(self._range[1])
        painter.fillRect(
            QRectF(left, plot.top(), max(1.0, right - left), plot.height()),
            see_through(ink.accent, 0.22),
        )
        painter.setPen(QPen(ink.accent, 1.0, Qt.PenStyle.DotLine))
        for x in (round(left), round(right)):
            painter.drawLine(QPointF(x, plot.top()), QPointF(x, plot.bottom()))

    def _paint_ramp(self, painter: QPainter, ink: Ink, plot: QRectF) -> None:
        strip = QRectF(plot.left(), plot.bottom() + 2, plot.width(), RAMP)
        width = max(1, int(plot.width() * self.devicePixelRatioF()))
        axis = self.axis()
        if self._resolved is not None:
            values = axis.low + (np.arange(width) + 0.5) / width * (axis.high - axis.low)
            # The weight dims a composite's channel; the ramp shows the curve at full weight.
            bright = apply(values, msgspec.structs.replace(self._resolved, weight=1.0))
            level = np.clip(np.nan_to_num(bright), 0.0, 1.0)
            if self._ramp is None:
                grey = np.floor(level * 255 + 0.5).astype(np.uint8)
                rgb = np.repeat(grey[:, None], 3, axis=1)
            else:
                last = len(self._ramp) - 1
                rgb = self._ramp[np.floor(level * last + 0.5).astype(np.intp), :3]
            line = np.ascontiguousarray(rgb)[None]
            image = QImage(line.data, width, 1, 3 * width, QImage.Format.Format_RGB888)
            painter.drawImage(strip, image)
        painter.setPen(ink.line)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(strip.adjusted(0, 0, -1, -1))

    def _paint_ticks(self, painter: QPainter, ink: Ink, plot: QRectF) -> None:
        metrics = QFontMetricsF(self._small(painter))
        axis = self.axis()
        span = axis.high - axis.low
        wide = max(
            metrics.horizontalAdvance(tidy(v, span, whole=self._whole_numbers))
            for v in (axis.low, axis.high)
        )
        top = plot.bottom() + 2 + RAMP
        painter.setPen(ink.dim)
        edge = plot.left()
        marks = ticks(axis.low, axis.high, max(1, int(axis.width // (wide + 22))))
        step = marks[1] - marks[0] if len(marks) > 1 else span
        for mark in marks:
            text = _tick_text(mark, step)
            width = metrics.horizontalAdvance(text)
            x = axis.x(mark)
            start = min(max(x - width / 2, edge), plot.right() + MARGIN - width)
            if start < edge:
                continue
            painter.drawLine(QPointF(round(x), top), QPointF(round(x), top + 2))
            painter.drawText(
                QRectF(start, top + 2, width + 1, TICKS - 1), Qt.AlignmentFlag.AlignLeft, text
            )
            edge = start + width + 6

    def _label_boxes(self, metrics: QFontMetricsF) -> dict[Handle, tuple[QRectF, str]]:
        """Box and text of each handle's value, kept apart and within the widget."""
        values = self.handle_values()
        if not values:
            return {}
        axis = self.axis()
        span = axis.high - axis.low
        names: list[Handle] = ["low", "mid", "high"]
        texts = {n: lean(_rounded(values[n], span), span, whole=self._whole_numbers) for n in names}
        widths = {n: metrics.horizontalAdvance(texts[n]) + 8.0 for n in names}
        lane_left, lane_right = 1.0, self.width() - 1.0
        if sum(widths.values()) + 8 > lane_right - lane_left:
            names.remove("mid")
        centres = [axis.clamped_x(values[n]) for n in names]
        starts = lay_out(centres, [widths[n] for n in names], lane_left, lane_right)
        return {
            name: (QRectF(start, 0.5, widths[name], LANE - 3.0), texts[name])
            for name, start in zip(names, starts, strict=True)
        }

    def _paint_handles(self, painter: QPainter, ink: Ink, plot: QRectF) -> None:
        values = self.handle_values()
        if not values:
            return
        axis = self.axis()
        boxes = self._label_boxes(QFontMetricsF(self._small(painter)))
        foot = plot.bottom() + 2 + RAMP
        for name in ("mid", "low", "high"):
            x = round(axis.clamped_x(values[name]))
            held = self._grip == name or (self.hasFocus() and self._active == name)
            colour = ink.accent if held else ink.text
            style = Qt.PenStyle.DashLine if name == "mid" else Qt.PenStyle.SolidLine
            painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
            painter.setPen(QPen(see_through(colour, 0.9), 1.0, style))
            painter.drawLine(QPointF(x, LANE - 3), QPointF(x, foot))
            painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
            painter.setPen(QPen(ink.ground, 1.0))
            painter.setBrush(colour)
            y = plot.bottom() + 2 + RAMP / 2
            if name == "mid":
                shape = [(0, -5.5), (5.5, 0), (0, 5.5), (-5.5, 0)]
            elif name == "low":
                shape = [(0, -6), (7, 0), (0, 6)]
            else:
                shape = [(0, -6), (-7, 0), (0, 6)]
            painter.drawPolygon(QPolygonF([QPointF(x + dx, y + dy) for dx, dy in shape]))
            if name in boxes:
                box, text = boxes[name]
                painter.setPen(Qt.PenStyle.NoPen)
                painter.setBrush(ink.accent if held else see_through(ink.text, 0.14))
                painter.drawRoundedRect(box, 3, 3)
                painter.setPen(ink.on_accent if held else ink.text)
                painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)

    def readout(self) -> str:
        """Value, count and share of the bin under the mouse; empty elsewhere."""
        whole = self._bars("whole", self._whole)
        if whole is None or self._hover is None:
            return ""
        axis = self.axis()
        value = axis.value(self._hover.x())
        index = int(np.searchsorted(whole.edges, value, side="right")) - 1
        if not 0 <= index < len(whole.counts):
            return ""
        low, high = float(whole.edges[index]), float(whole.edges[index + 1])
        span = axis.high - axis.low
        middle = 0.5 * (low + high)
        single = self._whole_numbers and high - low <= 1.0 + 1e-9
        text = lean(round(middle) if single else middle, span, whole=self._whole_numbers)
        count = round(float(whole.counts[index]))
        out = f"{text}:  {grouped(count)} pixels, {share(whole.counts[index], whole.total)}"
        for name, drawn in (
            ("in view", self._drawn.get("view")),
            ("lit", self._drawn.get("selection")),
        ):
            if drawn is not None and drawn.total:
                at = int(np.searchsorted(drawn.edges, value, side="right")) - 1
                if 0 <= at < len(drawn.counts):
                    out += f"\n{name}:  {share(drawn.counts[at], drawn.total)}"
        return out

    def _paint_readout(self, painter: QPainter, ink: Ink, plot: QRectF) -> None:
        if self._hover is None or not plot.contains(self._hover):
            return
        text = self.readout()
        if not text:
            return
        metrics = QFontMetricsF(self._small(painter))
        size = metrics.boundingRect(QRectF(0, 0, 1000, 100), 0, text).size()
        box = QRectF(0, plot.top() + 3, size.width() + 10, size.height() + 4)
        if self._hover.x() > plot.center().x():
            box.moveLeft(plot.left() + 3)
        else:
            box.moveRight(plot.right() - 3)
        painter.setPen(QPen(ink.line, 1.0))
        painter.setBrush(see_through(ink.panel, 0.93))
        painter.drawRect(box)
        painter.setPen(ink.text)
        painter.drawText(box.adjusted(5, 2, -5, -2), Qt.AlignmentFlag.AlignLeft, text)
        painter.setPen(QPen(see_through(ink.text, 0.55), 1.0))
        x = round(self._hover.x())
        painter.drawLine(QPointF(x, plot.top()), QPointF(x, plot.bottom()))

    def _small_font(self) -> QFont:
        font = figures(self.font())
        font.setPointSizeF(current().type_small)
        return font

    def _small(self, painter: QPainter) -> QFont:
        font = self._small_font()
        painter.setFont(font)
        return font

    # -- mouse and keys --------------------------------------------------------------------------

    def _grip_at(self, pos: QPointF, selecting: bool) -> Grip | None:
        values = self.handle_values()
        if not values:
            return "range" if selecting else None
        plot = self.plot_rect()
        axis = self.axis()
        for name, (box, _) in self._label_boxes(QFontMetricsF(self._small_font())).items():
            if box.contains(pos):
                return name
        on_ramp = plot.bottom() <= pos.y() <= plot.bottom() + 4 + RAMP
        if selecting and not on_ramp:
            return "range" if plot.adjusted(-2, 0, 2, 0).contains(pos) else None
        if LANE - 3 <= pos.y() <= plot.bottom() + 4 + RAMP:
            near: list[tuple[float, int, Grip]] = []
            handles: tuple[Handle, ...] = ("low", "high", "mid")
            for order, handle in enumerate(handles):
                away = abs(pos.x() - axis.clamped_x(values[handle]))
                if away <= REACH:
                    near.append((round(away, 1), order, handle))
            if near:
                return min(near)[2]
        low, high = axis.clamped_x(values["low"]), axis.clamped_x(values["high"])
        if on_ramp and low < pos.x() < high:
            return "ramp"
        return None

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.button() == Qt.MouseButton.RightButton:
            self.clear_range()
            event.accept()
            return
        if event.button() != Qt.MouseButton.LeftButton or self._whole is None:
            return
        shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        self._grip = self._grip_at(event.position(), self._selecting or shift)
        if self._grip is None:
            return
        QToolTip.hideText()
        axis = self.axis()
        self._grip_value = axis.value(event.position().x())
        if self._resolved is not None:
            self._grip_start = (self._resolved.low, self._resolved.high)
        if self._grip in ("low", "mid", "high"):
            self._active = self._grip
            # The offset of the press from the handle is kept: taking hold moves nothing.
            self._grip_value -= self.handle_values()[self._grip]
        elif self._grip == "range":
            self._take_range_edge(axis, event.position().x())
        self._point_cursor(event.position())
        self.update()

    def _take_range_edge(self, axis: ValueAxis, x: float) -> None:
        """Drag an edge of the present range where the press is on one, else begin a new range."""
        if self._range is None:
            return
        for edge, other in (self._range, self._range[::-1]):
            if abs(axis.x(edge) - x) <= REACH:
                self._grip_value = other
                return

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        self._hover = event.position()
        if self._grip is None:
            self._point_cursor(event.position())
            self.update()
            return
        self._drag_to(event.position().x(), finished=False)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if self._grip is None or event.button() != Qt.MouseButton.LeftButton:
            return
        grip = self._grip
        self._drag_to(event.position().x(), finished=True)
        self._grip = None
        if grip == "range" and self._range is not None and self._range[0] == self._range[1]:
            self.clear_range()
        self._point_cursor(event.position())
        self.update()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        if self._grip_at(event.position(), False) is None:
            self._axis = None
            self._redraw()

    def _drag_to(self, x: float, *, finished: bool) -> None:
        axis = self.axis()
        if self._grip == "range":
            x = min(max(x, axis.left), axis.left + axis.width)
            value = axis.value(x)
            low, high = sorted((self._grip_value, value))
            self._range = (low, high)
            self.range_selected.emit(low, high)
            self.update()
            return
        if self._resolved is None:
            return
        if self._grip == "ramp":
            shift = axis.value(x) - self._grip_value
            low, high = self._grip_start
            self._emit_edges(low + shift, high + shift, finished)
        elif self._grip is not None:
            self._move_handle(self._grip, axis.value(x) - self._grip_value, finished)

    def _move_handle(self, handle: Grip, value: float, finished: bool) -> None:
        if self._resolved is None:
            return
        axis = self.axis()
        least = (axis.high - axis.low) / max(axis.width, 1.0)
        low, high = self._resolved.low, self._resolved.high
        if handle == "low":
            self._emit_edges(min(value, high - least), high, finished)
        elif handle == "high":
            self._emit_edges(low, max(value, low + least), finished)
        elif handle == "mid":
            # Half brightness stays off the edges: there the gamma would run to 0 or to infinity.
            inner = 0.02 * (high - low)
            value = min(max(value, low + inner), high - inner)
            self._emit(self._resolved.with_midpoint(value), finished)

    def _emit_edges(self, low: float, high: float, finished: bool) -> None:
        if self._resolved is None:
            return
        span = self.axis().high - self.axis().low
        low, high = _rounded(low, span), _rounded(high, span)
        if low >= high:
            return
        self._emit(msgspec.structs.replace(self._resolved, low=low, high=high), finished)

    def _emit(self, stretch: Stretch, finished: bool) -> None:
        self._stretch = stretch
        self._resolve()
        self.update()
        self.stretch_changed.emit(stretch, finished)

    def clear_range(self) -> None:
        """Put out the lit range."""
        if self._range is not None:
            self._range = None
            self.update()
        self.range_cleared.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        key = event.key()
        order: list[Handle] = ["low", "mid", "high"]
        if key == Qt.Key.Key_Escape and self._range is not None:
            self.clear_range()
        elif key in (Qt.Key.Key_Up, Qt.Key.Key_Down):
            step = -1 if key == Qt.Key.Key_Up else 1
            self._active = order[(order.index(self._active) + step) % 3]
            self.update()
        elif key in (Qt.Key.Key_Left, Qt.Key.Key_Right) and self._resolved is not None:
            axis = self.axis()
            fast = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
            by = (axis.high - axis.low) / axis.width * (10 if fast else 1)
            value = self.handle_values()[self._active]
            self._move_handle(self._active, value + (by if key == Qt.Key.Key_Right else -by), True)
        else:
            super().keyPressEvent(event)

    def wheelEvent(self, event: QWheelEvent) -> None:
        turned = event.angleDelta().y()
        if turned == 0 or self._whole is None:
            event.ignore()
            return
        axis = self.axis()
        centre = axis.value(event.position().x())
        factor = 0.8 ** (turned / 120)
        low = centre + (axis.low - centre) * factor
        high = centre + (axis.high - centre) * factor
        widest = axis_range(self._whole, full=True)
        low, high = max(low, widest[0]), min(high, widest[1])
        if high - low > 1e-9 * max(1e-300, widest[1] - widest[0]):
            self._axis = (low, high)
            self._redraw()
            self.zoomed.emit()
        event.accept()

    def event(self, event: QEvent) -> bool:
        if (
            event.type() == QEvent.Type.ToolTip
            and isinstance(event, QHelpEvent)
            and self.plot_rect().contains(QPointF(event.pos()))
        ):
            # Over the bars the read-out speaks; the long tip would cover what is looked at.
            QToolTip.hideText()
            return True
        return super().event(event)

    def leaveEvent(self, event: QEvent) -> None:
        self._hover = None
        self.update()

    def focusInEvent(self, event: QFocusEvent) -> None:
        self.update()

    def focusOutEvent(self, event: QFocusEvent) -> None:
        self.update()

    def resizeEvent(self, event: QResizeEvent) -> None:
        self._redraw()

    def changeEvent(self, event: QEvent) -> None:
        if event.type() in (QEvent.Type.PaletteChange, QEvent.Type.FontChange):
            self.update()
        super().changeEvent(event)

    def _point_cursor(self, pos: QPointF | None) -> None:
        if pos is None:
            return
        grip = self._grip or self._grip_at(pos, self._selecting)
        shape = {
            None: Qt.CursorShape.ArrowCursor,
            "range": Qt.CursorShape.CrossCursor,
            "ramp": Qt.CursorShape.OpenHandCursor,
        }.get(grip, Qt.CursorShape.SizeHorCursor)
        if self._grip == "ramp":
            shape = Qt.CursorShape.ClosedHandCursor
        self.setCursor(shape)


def _rounded(value: float, span: float) -> float:
    """The value at the precision it is written with, so that every panel shows the same."""
    return round(value, decimals(span))


def _tick_text(mark: float, step: float) -> str:
    if mark != 0 and (abs(mark) >= 1e6 or abs(step) < 1e-4):
        text = f"{mark:.3g}".replace("e+0", "e").replace("e+", "e").replace("e-0", "e-")
    else:
        places = max(0, int(np.ceil(-np.log10(step) - 1e-9))) if step > 0 else 0
        text = f"{mark:.{places}f}"
    return text.replace("-", "\u2212")
