"""A plot that the pointer works on: zoom and pan, drawing and editing gates, reading values out."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from PySide6.QtCore import QEvent, QPoint, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QFocusEvent, QKeyEvent, QMouseEvent, QResizeEvent, QWheelEvent
from PySide6.QtWidgets import QToolButton, QWidget

from viewer.panels import icons
from viewer.panels.latest import Latest
from viewer.panels.sort.plot_counting import CountedPlot
from viewer.panels.sort.plot_draw import TOOLS, Drawing, Span, drawing
from viewer.panels.sort.plot_edit import GateEditor
from viewer.panels.sort.plot_outlines import Outlined
from viewer.panels.sort.plot_shape import Which, turned
from viewer.panels.sort.plot_source import PlotSource
from viewer.science.sort.gates import crosses_itself
from viewer.science.sort.scheme import Gate, Plot, Polygon, Ternary

FRAME_MS = 16
"""Gates that are being drawn are told of no more often than this."""


class PlotCanvas(CountedPlot):
    """One plot.

    Signals
    -------
    gate_drawing(object)
        The gate as drawn so far, no more than once a frame; None when it was given up.
    gate_drawn(object)
        A finished gate.
    gate_edited(str, object, bool)
        Id of the population, its gate, and whether the drag has ended.
    population_hovered(str)
        Id of the population whose outline is under the pointer; empty for none.
    population_clicked(str)
    plot_changed(object)
        The user chose other axes: the new `Plot`.
    menu_wanted(QPoint)
        The plot's menu was asked for, at a place on the screen.
    escaped()
        Esc, with nothing to give up in this plot.
    """

    gate_drawing = Signal(object)
    gate_drawn = Signal(object)
    gate_edited = Signal(str, object, bool)
    population_hovered = Signal(str)
    population_clicked = Signal(str)
    plot_changed = Signal(object)
    menu_wanted = Signal(QPoint)
    escaped = Signal()

    def __init__(
        self,
        source: PlotSource,
        plot: Plot,
        latest: Latest | None = None,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(source, plot, latest, parent)
        self.viewport().setMouseTracking(True)
        self._tool = "pan"
        self._populations: tuple[Outlined, ...] = ()
        self._drawing: Drawing | None = None
        self._editor: GateEditor | None = None
        self._edited: tuple[str, bool] | None = None
        self._panning: tuple[QPointF, bool, bool] | None = None
        self._pressed: QPointF | None = None
        self._space = False
        self._hover: QPointF | None = None
        self._over = ""
        self._frame = self._timer(FRAME_MS, self._tell)
        self._untold: list[Gate | None] = []
        self.menu_button = QToolButton(self)
        self.menu_button.setIcon(icons.icon("more"))
        self.menu_button.setIconSize(QSize(16, 16))
        self.menu_button.setAutoRaise(True)
        self.menu_button.setToolTip("Axes, scale, fit, and closing this plot")
        self.menu_button.setAccessibleName("Plot menu")
        self.menu_button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.menu_button.clicked.connect(
            lambda: self.menu_wanted.emit(
                self.menu_button.mapToGlobal(self.menu_button.rect().bottomLeft())
            )
        )

    # -- for subclasses --------------------------------------------------------------------------

    def _read_out(self, at: QPointF) -> str:
        """Words for what is at a position."""
        raise NotImplementedError

    def _press_beside(self, at: QPointF, event: QMouseEvent) -> bool:
        """Press outside the plot's rectangle; True where that meant something."""
        return False

    def _hover_beside(self, at: QPointF | None) -> None:
        """The pointer moved, on or beside the plot; None when it left."""

    # -- what is shown ---------------------------------------------------------------------------

    def set_source(self, source: PlotSource) -> None:
        """Plot another map."""
        self._source = source
        self._fitted = False
        self.set_plot(self._plot)

    def set_plot(self, plot: Plot) -> None:
        """Show other axes."""
        self._cancel_drawing()
        self.draft.show_waiting(None, plot)
        self._show_plot(plot)
        self.set_populations(self._populations)
        self.refresh()

    def set_populations(self, populations: Iterable[Outlined]) -> None:
        """Show outlines."""
        self._populations = tuple(populations)
        self.outlines.set_populations(self._populations, self._plot)
        if self._edited is not None:
            self.edit(self._edited[0])

    def glow(self, ids: Iterable[str]) -> None:
        """Make outlines stand out."""
        self.outlines.set_glowing(ids)

    def drop_waiting(self) -> None:
        """Take away the finished gate that is drawn: it is a population now, or is not wanted."""
        self.draft.show_waiting(None, self._plot)
        self.readout.set_hint("")

    @property
    def waiting(self) -> Gate | None:
        """A finished gate that is still drawn."""
        return self.draft.waiting

    def edit(self, population_id: str | None) -> bool:
        """Show a population with handles; False where this plot cannot."""
        found = None if population_id is None else self.outlines.find(population_id)
        if population_id is None or found is None or found[1].own is None:
            self._editor = None
            self._edited = None
        else:
            own = found[1].own
            swapped = own != found[0].gate and own == turned(found[0].gate)
            if self._edited is not None and self._edited[0] == population_id and self._editor:
                self._editor.set_gate(own)
            else:
                self._editor = GateEditor(self, own)
            self._edited = (population_id, swapped)
        self.outlines.set_hidden(None if self._edited is None else self._edited[0])
        self.draft.show_editor(self._editor)
        self._say_hint()
        return self._editor is not None

    @property
    def edited(self) -> str | None:
        """Id of the population that has handles."""
        return None if self._edited is None else self._edited[0]

    def resizeEvent(self, event: QResizeEvent | None) -> None:
        super().resizeEvent(event)
        if hasattr(self, "menu_button"):
            self.menu_button.move(self.width() - self.menu_button.sizeHint().width() - 1, 1)

    # -- mouse and keys --------------------------------------------------------------------------

    @property
    def _held(self) -> bool:
        return self._pressed is not None

    def set_tool(self, tool: str) -> None:
        """Take up a tool: one of `TOOLS`."""
        if tool not in TOOLS:
            raise ValueError(f"{tool!r} is none of {TOOLS}")
        if tool != self._tool:
            self._cancel_drawing()
            self._tool = tool
        self._drawing = drawing(tool, self)
        self.draft.show_drawing(self._drawing)
        self._say_hint()
        self._point_cursor()

    @property
    def tool(self) -> str:
        """The tool that is on."""
        return self._tool

    @property
    def drawn(self) -> Drawing | None:
        """The drawing that is going on, or would begin with the next press."""
        return self._drawing

    def _cancel_drawing(self) -> None:
        if self._drawing is not None:
            self._drawing.cancel()
        self._pressed = None

    def mousePressEvent(self, event: QMouseEvent) -> None:
        at = event.position()
        self.setFocus(Qt.FocusReason.MouseFocusReason)
        if event.button() == Qt.MouseButton.RightButton:
            if self._drawing is not None and self._drawing.busy:
                return
            self.menu_wanted.emit(event.globalPosition().toPoint())
            return
        rect = self._rect()
        left = event.button() == Qt.MouseButton.LeftButton
        if event.button() == Qt.MouseButton.MiddleButton or (left and self._space):
            self._begin_pan(at, rect)
            return
        if not left:
            return
        if not rect.contains(at):
            if not self._press_beside(at, event):
                self._begin_pan(at, rect)
            return
        self._pressed = QPointF(at)
        busy = self._drawing is not None and self._drawing.busy
        if self._editor is not None and not busy and self._editor.press(
            at, inside=self._tool == "pan"
        ):
            self._redraw()
            return
        if self._drawing is not None:
            self.drop_waiting()
            self._drawing.press(at, even=_even(event))
            self._redraw()
            return
        self._begin_pan(at, rect)

    def _begin_pan(self, at: QPointF, rect: QRectF) -> None:
        """Move the plot; beside the plot, along the axis that the press is beside."""
        locked = self._plot.ternary is not None or rect.contains(at)
        x = locked or rect.left() <= at.x() <= rect.right()
        y = locked or rect.top() <= at.y() <= rect.bottom()
        self._panning = (QPointF(at), x, y)
        self._pressed = QPointF(at)
        self._point_cursor()

    def _begin_span(self, at: QPointF, which: Which) -> None:
        """Draw a range on the histogram beside the plot, whatever the tool."""
        self._cancel_drawing()
        self.drop_waiting()
        self._pressed = QPointF(at)
        self._drawing = Span(self)
        self._drawing.press(at, margin=which)
        self.draft.show_drawing(self._drawing)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        at = event.position()
        self._hover = QPointF(at)
        if self._panning is not None:
            last, x, y = self._panning
            if self._pressed is None or (at - self._pressed).manhattanLength() > 2:
                dx, dy = self.lens.per_px
                step = at - last
                self.box.translateBy(
                    x=-step.x() * dx if x else None, y=step.y() * dy if y else None
                )
                self._panning = (QPointF(at), x, y)
                self._pressed = None
            return
        if self._editor is not None and (self._editor.busy or not self._held):
            self._editor.move(at)
        if self._drawing is not None and not (self._editor is not None and self._editor.busy):
            self._drawing.move(at, held=self._held, even=_even(event))
        if not self._held:
            self._look_for_outline(at)
            self._hover_beside(at)
            self._read()
        self._redraw()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        at = event.position()
        pressed, self._pressed = self._pressed, None
        if self._panning is not None:
            self._panning = None
            left = event.button() == Qt.MouseButton.LeftButton
            if pressed is not None and left and self._rect().contains(at) and not self._space:
                # A click that moved nothing chooses what is under it, or lets go of what was chosen.
                self.population_clicked.emit(self.outlines.hit(at))
            self._point_cursor()
            return
        if event.button() != Qt.MouseButton.LeftButton:
            return
        if self._editor is not None and self._editor.busy:
            self._editor.release(at)
        elif self._drawing is not None and pressed is not None:
            self._drawing.release(at)
            if isinstance(self._drawing, Span) and self._tool != "range":
                self.set_tool(self._tool)
        self._redraw()
        self._read()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        at = event.position()
        if event.button() != Qt.MouseButton.LeftButton:
            return
        self._pressed = QPointF(at)
        if self._drawing is not None and self._drawing.busy:
            self._drawing.double(at)
        elif self._editor is not None and self._editor.double(at):
            pass
        elif not self._rect().contains(at) and self._press_beside(at, event):
            return
        elif self._tool == "pan":
            self.fit()
        self._redraw()

    def leaveEvent(self, event: QEvent) -> None:
        self._hover = None
        self.readout.set_words("", QPointF())
        self._hover_beside(None)
        self._set_over("")

    def wheelEvent(self, event: QWheelEvent) -> None:
        turned_by = event.angleDelta().y() or event.angleDelta().x()
        if turned_by == 0 or (self._drawing is not None and self._drawing.busy and self._held):
            event.ignore()
            return
        at = event.position()
        rect = self._rect()
        below, beside = at.y() > rect.bottom(), at.x() < rect.left()
        locked = self._plot.ternary is not None
        self.zoom(
            0.85 ** (turned_by / 120.0), at, x=locked or not beside, y=locked or not below
        )
        event.accept()

    def event(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.ShortcutOverride and isinstance(event, QKeyEvent):
            # Keys that mean something here do not reach the window's commands.
            own = (Qt.Key.Key_Escape, Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Backspace,
                   Qt.Key.Key_Delete, Qt.Key.Key_Space, Qt.Key.Key_0)  # fmt: skip
            plain = event.modifiers() & ~Qt.KeyboardModifier.KeypadModifier
            if event.key() in own and plain == Qt.KeyboardModifier.NoModifier:
                event.accept()
                return True
        return bool(super().event(event))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        key = event.key()
        if key == Qt.Key.Key_Space:
            self._space = True
            self._point_cursor()
        elif key == Qt.Key.Key_Escape:
            self.give_up()
        elif any(t is not None and t.key(key) for t in (self._drawing, self._editor)):
            self._redraw()
        elif key == Qt.Key.Key_0:
            self.fit()
        elif key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal, Qt.Key.Key_Minus):
            nearer = key != Qt.Key.Key_Minus
            rect = self._rect()
            on = self._hover is not None and rect.contains(self._hover)
            at = self._hover if on and self._hover is not None else rect.center()
            self.zoom(0.8 if nearer else 1.25, at)
        elif key in _ARROWS:
            across, up = _ARROWS[Qt.Key(key)]
            lens = self.lens
            self.box.translateBy(
                x=across * 0.1 * (lens.x[1] - lens.x[0]), y=up * 0.1 * (lens.y[1] - lens.y[0])
            )
        else:
            event.ignore()

    def keyReleaseEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Space and not event.isAutoRepeat():
            self._space = False
            self._point_cursor()
        else:
            event.ignore()

    def give_up(self) -> None:
        """Esc: give up what is being drawn, then what is waiting, then the tool."""
        if any(t is not None and t.cancel() for t in (self._drawing, self._editor)):
            self._pressed = None
        elif self.waiting is not None:
            self.drop_waiting()
            self.gate_drawing.emit(None)
        else:
            self.escaped.emit()
        self._redraw()

    def focusInEvent(self, event: QFocusEvent) -> None:
        super().focusInEvent(event)
        self.frame_item.set_focused(True)

    def focusOutEvent(self, event: QFocusEvent) -> None:
        super().focusOutEvent(event)
        self._space = False
        self.frame_item.set_focused(False)

    # -- what drawings and the editor say -------------------------------------------------------

    def drafting(self, gate: Gate | None) -> None:
        """As `Stage.drafting`: told once a frame."""
        self._show_span(gate)
        self._queue(gate)
        self._redraw()

    def drafted(self, gate: Gate) -> None:
        """As `Stage.drafted`."""
        self._untold.clear()
        self._frame.stop()
        self._show_span(None)
        self.draft.show_waiting(gate, self._plot)
        self._caution(gate)
        self.gate_drawn.emit(gate)

    def editing(self, gate: Gate, finished: bool) -> None:
        """As `EditStage.editing`."""
        assert self._edited is not None
        self._caution(gate)
        stored = turned(gate) if self._edited[1] else gate
        self.gate_edited.emit(self._edited[0], stored, finished)
        self._redraw()

    def _queue(self, gate: Gate | None) -> None:
        """Tell of a gate now, or at the end of the frame in which another was told of."""
        self._untold = [gate]
        if not self._frame.isActive():
            self._tell()

    def _tell(self) -> None:
        if self._untold:
            gate = self._untold.pop()
            self._frame.start()
            self._caution(gate)
            self.gate_drawing.emit(gate)

    def _show_span(self, gate: Gate | None) -> None:
        """Mark a range on the histograms beside the plot."""

    def _caution(self, gate: Gate | None) -> None:
        """Say that an outline crosses itself, where it does."""
        if isinstance(gate, Polygon | Ternary) and crosses_itself(np.array(gate.points)):
            self.readout.set_hint(
                "The outline crosses itself: what it runs round twice is left out.", caution=True
            )
        else:
            self._say_hint()

    def _say_hint(self) -> None:
        if self._editor is not None:
            self.readout.set_hint("")
        elif self._drawing is not None and self._tool == "polygon" and self._drawing.busy:
            self.readout.set_hint("Enter or double-click closes · Backspace takes back")
        elif self._tool in ("ellipse", "range") and self._plot.ternary is not None:
            self.readout.set_hint("Here, draw a lasso or a polygon.")
        else:
            self.readout.set_hint("")

    # -- hovering --------------------------------------------------------------------------------

    def _redraw(self) -> None:
        self.draft.update()
        self._point_cursor()

    def _read(self) -> None:
        at = self._hover
        busy = self._drawing is not None and self._drawing.busy
        if at is None or busy or self._held or not self._rect().contains(at):
            self.readout.set_words("", QPointF())
            return
        self.readout.set_words(self._read_out(at), at)

    def _look_for_outline(self, at: QPointF) -> None:
        busy = self._drawing is not None and self._drawing.busy
        held = self._editor is not None and self._editor.hold is not None
        self._set_over("" if busy or held else self.outlines.hit(at))

    def _set_over(self, population_id: str) -> None:
        if population_id != self._over:
            self._over = population_id
            self.population_hovered.emit(population_id)

    def _point_cursor(self) -> None:
        cursor = Qt.CursorShape
        shape = cursor.ArrowCursor
        inside = self._hover is None or self._rect().contains(self._hover)
        if self._panning is not None:
            shape = cursor.ClosedHandCursor
        elif self._space:
            shape = cursor.OpenHandCursor
        elif not inside:
            shape = self._cursor_beside()
        elif self._editor is not None and self._editor.hold is not None and (
            self._editor.hold.part != "inside" or self._tool == "pan"
        ):
            shape = self._editor.cursor
        elif self._tool != "pan":
            usable = self._plot.ternary is None or self._tool in ("lasso", "polygon")
            shape = cursor.CrossCursor if usable else cursor.ForbiddenCursor
        elif self._over:
            shape = cursor.PointingHandCursor
        self.viewport().setCursor(shape)

    def _cursor_beside(self) -> Qt.CursorShape:
        """The pointer's shape beside the plot."""
        return Qt.CursorShape.ArrowCursor

    # -- end -------------------------------------------------------------------------------------

    def close_down(self) -> None:
        """As `CountedPlot.close_down`."""
        super().close_down()
        self._frame.stop()
        self._drawing = self._editor = None
        self.draft.show_drawing(None)
        self.draft.show_editor(None)


_ARROWS = {
    Qt.Key.Key_Left: (-1, 0),
    Qt.Key.Key_Right: (1, 0),
    Qt.Key.Key_Up: (0, 1),
    Qt.Key.Key_Down: (0, -1),
}


def _even(event: QMouseEvent) -> bool:
    return bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
