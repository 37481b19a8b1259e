"""The map on the screen: a picture, what is drawn over it, and the pointer's tools.

``python -m viewer.panels.map.map_view`` shows it alone with an invented picture.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from PySide6.QtCore import QEvent, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QEnterEvent,
    QFocusEvent,
    QKeyEvent,
    QMouseEvent,
    QNativeGestureEvent,
    QPainter,
    QPaintEvent,
    QResizeEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import QWidget

from viewer.desk.measures.result import Drawn, Overlay
from viewer.panels import theme
from viewer.panels.map import arrow_item, outline_item, scale_bar_item
from viewer.panels.map.lens import Lens
from viewer.panels.map.line_tool import LineTool
from viewer.panels.map.marks_item import Describe, MarksItem
from viewer.panels.map.outline_item import Polygons
from viewer.panels.map.outline_tool import OutlineTool
from viewer.panels.map.overlay_item import OverlayItem
from viewer.panels.map.overview_item import OverviewItem
from viewer.panels.map.paint_tool import PaintTool
from viewer.panels.map.painted_item import Group, PaintedItem
from viewer.panels.map.protocol import Picture
from viewer.panels.map.region_tool import RegionTool
from viewer.panels.map.shape_tool import EditTool, UnitTool
from viewer.panels.map.shapes import DRAW_TOOLS, MapShapes
from viewer.panels.map.tiles_item import TilesItem
from viewer.panels.map.tools import Kind, PickTool, Point, RulerTool, Snapper, Tool, Touch, say
from viewer.panels.map.view_state import ViewState
from viewer.panels.map.way_up_tool import WayUpTool
from viewer.science.look.orient import Orientation
from viewer.science.measure.ruler import Snap
from viewer.store.documents import Mark

TOOLS: tuple[str, ...] = (
    "hand",
    "distance",
    "polyline",
    "angle",
    "perpendicular",
    "thickness",
    "outline",
    "way-up",
    "paint",
    "region",
    *DRAW_TOOLS,
)
"""Names that `MapView.set_tool` takes."""

ZOOM_STEP = 2**0.5
"""Of a press of + or −."""

WHEEL_DOUBLE = 480.0
"""Eighths of a degree of the wheel that double the scale: four notches."""

CLOSEST = 64.0
"""Most logical pixels that a stored pixel is magnified to."""

FARTHEST = 4.0
"""Times the fitted scale at which zooming out ends."""

BRUSH = 12.0
"""Logical pixels that the brush's radius has when it is first taken up."""

PAN_STEP = 0.1
"""Part of the view that an arrow key pans by."""


class MapView(QWidget):
    """Shows a `Picture` with marks, and lets the user move about, measure and draw.

    Positions in all signals and methods are µm on the stored map, whichever way it is displayed.

    Attributes
    ----------
    marks : MarksItem
    shapes : MapShapes
        Units and lines, and what the tools that draw them made.

    Signals
    -------
    hovered(x_um, y_um, row, column)
        The pointer is over the map.
    hover_left()
        It is no more.
    view_changed(QRectF, float)
        Visible part of the stored map (µm), and µm to a logical pixel.
    mark_drawn(kind, points, second, snaps)
        As the fields of `Mark`.
    mark_moved(id, points, second, snaps, finished)
        While an end is dragged, `finished` false; once more at its end, true.
    mark_picked(id)
        A mark was clicked; empty: none.
    mark_hovered(id)
        The pointer is on a mark; empty: on none.
    mark_activated(id)
        A mark was double-clicked.
    mark_removed(id)
        Delete was pressed with a mark selected.
    outline_edited(polygons, finished)
        As `MapSetup.outline`.
    way_up_drawn(degrees)
        Clockwise from the top of the displayed map.
    stroke_drawn(points, radius_um, erase)
        A line painted with a round brush, or (`erase`) taken away.
    region_drawn(points)
        Corners of a closed region.
    tool_changed(name)
        Another tool is on (the user left one with Escape, for instance).
    hint_changed(text)
        What the tool expects next.
    failed(text)
        Part of the picture could not be read.
    """

    hovered = Signal(float, float, int, int)
    hover_left = Signal()
    view_changed = Signal(QRectF, float)
    mark_drawn = Signal(str, object, object, object)
    mark_moved = Signal(str, object, object, object, bool)
    mark_picked = Signal(str)
    mark_hovered = Signal(str)
    mark_activated = Signal(str)
    mark_removed = Signal(str)
    outline_edited = Signal(object, bool)
    way_up_drawn = Signal(float)
    stroke_drawn = Signal(object, float, bool)
    region_drawn = Signal(object)
    tool_changed = Signal(str)
    hint_changed = Signal(str)
    failed = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setAccessibleName("Map")
        self.setMinimumSize(QSize(64, 64))
        self._tiles = TilesItem(self.update, self.failed.emit)
        self._overview = OverviewItem(self._tiles)
        self.marks = MarksItem(lambda mark: "")
        self.shapes = MapShapes(self.update, self)
        self._map_id = "map"
        self._orientation = Orientation()
        self._outline: Polygons = ()
        self._show_outline = False
        self._painted = PaintedItem()
        self._overlay = OverlayItem(self.update)
        self._on_overlay: Drawn | None = None
        self._brush_um: float | None = None
        self._snap: Snapper | None = None
        self._empty = ""
        self._overlays = True
        self._tool_name = "hand"
        self._tool: Tool = PickTool(self)
        self._hint = ""
        self._space = False
        self._held = False
        self._pan: tuple[QPointF, Lens] | None = None
        self._steering = False
        self._pointer: QPointF | None = None
        self._over = False
        self._state = ViewState()
        self._state.changed.connect(self._looked)
        loader = self._tiles.loader
        self.destroyed.connect(lambda *_: loader.close())

    # What is shown -----------------------------------------------------------------------------

    @property
    def picture(self) -> Picture | None:
        """What is shown."""
        return self._tiles.picture

    def set_picture(
        self,
        picture: Picture | None,
        orientation: Orientation | None = None,
        map_id: str = "map",
    ) -> None:
        """Show a picture; None shows the text of `set_empty`.

        A picture with the key of the one before is only coloured anew. One of the same map keeps
        the view; another map is shown whole.

        Parameters
        ----------
        picture : Picture or None
        orientation : Orientation, optional
            Left out: as it is.
        map_id : str
            Put into marks that are being drawn.
        """
        before = self.picture
        kept = (
            before is not None
            and picture is not None
            and map_id == self._map_id
            and (before.shape, before.pixel_um) == (picture.shape, picture.pixel_um)
        )
        self._map_id = map_id
        self._tiles.set_picture(picture)
        if not kept:
            self._tool.cancel()
        if orientation is not None:
            self.set_orientation(orientation)
        if picture is not None and not kept:
            self.fit()
            self._brush_um = None
            if self._tool_name == "paint":
                self._brush_um = self.brush_um
            self._looked()
        self._set_cursor()
        self.say_hint()
        self.update()

    def recolour(self) -> None:
        """The picture's colours are others now: paint what is in view anew, loading nothing."""
        self._tiles.recolour()

    @property
    def orientation(self) -> Orientation:
        """How the map is laid on the screen."""
        return self._orientation

    def set_orientation(self, orientation: Orientation) -> None:
        """Lay the map otherwise; what is in the middle stays there."""
        if orientation == self._orientation:
            return
        turned = (orientation.quarter_turns, orientation.mirror) != (
            self._orientation.quarter_turns,
            self._orientation.mirror,
        )
        self._orientation = orientation
        if turned and self.picture is not None:
            if self._state.fitted:
                self.fit()
            self._looked()
        self.update()

    def set_empty(self, text: str) -> None:
        """What is written where there is no picture."""
        self._empty = text
        self.update()

    def set_overlays(self, shown: bool) -> None:
        """Show or hide the scale bar, the arrow and the overview."""
        self._overlays = shown
        self.update()

    # Where one looks ---------------------------------------------------------------------------

    @property
    def map_um(self) -> tuple[float, float]:
        """Width and height of the stored map (µm); (1, 1) without a picture."""
        picture = self.picture
        if picture is None:
            return (1.0, 1.0)
        return (picture.shape[1] * picture.pixel_um[0], picture.shape[0] * picture.pixel_um[1])

    @property
    def lens(self) -> Lens:
        """The present view."""
        picture = self.picture
        return Lens(
            map_um=self.map_um,
            pixel_um=picture.pixel_um if picture is not None else (1.0, 1.0),
            orientation=self._orientation,
            centre_um=self._state.centre_um,
            um_per_px=self._state.um_per_px,
            size_px=(max(self.width(), 1), max(self.height(), 1)),
            ratio=self.devicePixelRatioF(),
        )

    @property
    def view_state(self) -> ViewState:
        """Centre and scale; hand it to `link` of another view."""
        return self._state

    def link(self, state: ViewState) -> None:
        """Look where others look that hold the same state, from now on together."""
        self._state.changed.disconnect(self._looked)
        self._state = state
        self._state.changed.connect(self._looked)
        self._looked()

    def fit(self) -> None:
        """Show the whole map, and go on showing it when the view is resized."""
        if self.picture is None:
            return
        w, h = self.map_um
        margin = float(theme.current().gap_2)
        self._state.move((w / 2, h / 2), self.lens.fitted(margin), fitted=True)

    def one_to_one(self) -> None:
        """One stored pixel to one pixel of the screen, about the middle."""
        if self.picture is not None:
            px, py = self.picture.pixel_um
            self._zoom_to((px * py) ** 0.5 * self.devicePixelRatioF(), None)

    def zoom(self, factor: float, at: QPointF | None = None) -> None:
        """Magnify.

        Parameters
        ----------
        factor : float
            Above 1 to come closer.
        at : QPointF, optional
            Position in the view that stays where it is; the middle where left out.
        """
        self._zoom_to(self._state.um_per_px / factor, at)

    def zoom_in(self) -> None:
        """One step closer."""
        self.zoom(ZOOM_STEP)

    def zoom_out(self) -> None:
        """One step back."""
        self.zoom(1 / ZOOM_STEP)

    def go_to(self, x_um: float, y_um: float, um_per_px: float | None = None) -> None:
        """Bring a position to the middle."""
        if self.picture is None:
            return
        scale = self._state.um_per_px if um_per_px is None else self._limited(um_per_px)
        self._state.move(self.within((x_um, y_um)), scale, fitted=False)

    def viewport_window(self) -> tuple[slice, slice]:
        """Rows and columns of the stored pixels in view; empty without a picture."""
        if self.picture is None:
            return slice(0, 0), slice(0, 0)
        return self.lens.window()

    def _limited(self, um_per_px: float) -> float:
        picture = self.picture
        if picture is None:
            return um_per_px
        px, py = picture.pixel_um
        farthest = self.lens.fitted() * FARTHEST
        closest = min((px * py) ** 0.5 / CLOSEST, farthest / 16)
        return min(max(um_per_px, closest), farthest)

    def _zoom_to(self, um_per_px: float, at: QPointF | None) -> None:
        if self.picture is None:
            return
        scale = self._limited(um_per_px)
        centre = self._state.centre_um
        if at is not None:
            lens = self.lens
            x, y = lens.to_map(at)
            # The same step from the middle, in the new scale.
            part = scale / lens.um_per_px
            centre = self.within((x + (centre[0] - x) * part, y + (centre[1] - y) * part))
        self._state.move(centre, scale, fitted=False)

    def _pan_by(self, dx: float, dy: float) -> None:
        """Move the view by a part of its width and height, as displayed."""
        lens = self.lens
        middle = QPointF(lens.size_px[0] * (0.5 + dx), lens.size_px[1] * (0.5 + dy))
        self._state.move(self.within(lens.to_map(middle)), lens.um_per_px, fitted=False)

    def _looked(self) -> None:
        self.update()
        if self.picture is not None:
            lens = self.lens
            self.view_changed.emit(lens.visible_um, lens.um_per_px)

    # Marks, outline, tools ---------------------------------------------------------------------

    def set_marks(self, marks: Sequence[Mark]) -> None:
        """Show these marks; those of other maps are left out by the caller."""
        self.marks.set_marks(marks)
        tool = self._tool
        if isinstance(tool, PickTool):
            tool.hovered = None
        self.update()

    def set_describe(self, describe: Describe) -> None:
        """Where the text of a mark's reading comes from. Called again when it changes."""
        self.marks.describe = describe
        self.marks.forget_texts()
        self.update()

    def select_mark(self, mark_id: str | None) -> None:
        """Draw a mark as the selected one; says no signal."""
        self.marks.selected = mark_id or None
        self.update()

    def glow(self, mark_id: str | None) -> None:
        """Make a mark glow, or none."""
        if (mark_id or None) != self.marks.glowing:
            self.marks.glowing = mark_id or None
            self.update()

    def mark_at(self, at: QPointF) -> str | None:
        """Id of the mark at a position of the view, for a context menu."""
        hit = self.marks.hit(self.lens, at)
        return hit.mark.id if hit else None

    def set_outline(self, polygons: Polygons, *, shown: bool = False) -> None:
        """The sample's outline.

        Parameters
        ----------
        shown : bool
            Draw its line while it is not being edited too.
        """
        self._outline = polygons
        self._show_outline = shown
        if isinstance(self._tool, OutlineTool):
            self._tool.set_polygons(polygons)
        self.update()

    def set_painted(self, groups: Sequence[Group]) -> None:
        """Show what is painted on this map.

        Parameters
        ----------
        groups : sequence of (Painted, (red, green, blue))
            Strokes and outlines, each group in its colour (0..255); later ones lie on top.
        """
        if tuple(groups) != self._painted.groups:
            self._painted.groups = tuple(groups)
            self.update()

    @property
    def overlay(self) -> Overlay | None:
        """What a measurement draws over the map."""
        return self._overlay.overlay

    def set_overlay(self, overlay: Overlay | None) -> None:
        """Draw what a measurement found over the map, with the scale of its colours, or nothing."""
        if overlay is not self._overlay.overlay:
            self._overlay.set_overlay(overlay)
            self._on_overlay = None
            self.update()

    def light_overlay(self, shape: Drawn | None) -> None:
        """Bring a shape of the overlay to the fore, as if it were pointed at; None for none."""
        if shape is not self._on_overlay:
            self._on_overlay = shape
            self.update()

    @property
    def brush_um(self) -> float:
        """Radius of the brush, µm; a handy size on the screen until it is changed."""
        if self._brush_um is None:
            return self._within_brush(BRUSH * self.lens.um_per_px)
        return self._brush_um

    @brush_um.setter
    def brush_um(self, radius: float) -> None:
        self._brush_um = self._within_brush(radius)
        self.say_hint()
        self.update()

    def _within_brush(self, radius: float) -> float:
        """From half a pixel, which paints single pixels, to half the map."""
        picture = self.picture
        least = min(picture.pixel_um) / 2 if picture is not None else 0.5
        return min(max(radius, least), max(max(self.map_um) / 2, least))

    def set_snap(self, snap: Snapper | None) -> None:
        """Snap ends that are placed from now on; None leaves them where the hand put them."""
        self._snap = snap

    @property
    def tool(self) -> str:
        """Name of the tool that is on."""
        return self._tool_name

    @property
    def hint(self) -> str:
        """What the tool expects next."""
        return self._hint

    def set_tool(self, name: str) -> None:
        """Take up a tool.

        Raises
        ------
        ValueError
            The name is none of `TOOLS`.
        """
        if name not in TOOLS:
            raise ValueError(f"no tool is called {name!r}")
        if name == self._tool_name:
            return
        self._tool.cancel()
        self._held = False
        self._tool_name = name
        if name == "hand":
            self._tool = PickTool(self)
        elif name == "outline":
            self._tool = OutlineTool(self, self._outline)
        elif name == "way-up":
            self._tool = WayUpTool(self)
        elif name == "paint":
            self._brush_um = self.brush_um
            self._tool = PaintTool(self)
        elif name == "region":
            self._tool = RegionTool(self)
        elif name == "unit":
            self._tool = UnitTool(self, self.shapes)
        elif name == "edit":
            self._tool = EditTool(self, self.shapes)
        elif name in DRAW_TOOLS:
            self._tool = LineTool(self, self.shapes, name)
        else:
            kinds: dict[str, Kind] = {
                "distance": "distance",
                "polyline": "polyline",
                "angle": "angle",
                "perpendicular": "perpendicular",
                "thickness": "thickness",
            }
            self._tool = RulerTool(self, kinds[name])
        self.mark_hovered.emit("")
        self.shapes.point_at("")
        self._set_cursor()
        self.tool_changed.emit(name)
        self.say_hint()
        self.update()

    # What tools work on (see `tools.Stage`) ----------------------------------------------------

    def redraw(self) -> None:
        """Something that a tool draws has changed."""
        self.update()

    def say_hint(self) -> None:
        """The tool's hint may be another now."""
        hint = self._tool.hint if self.picture is not None else ""
        if hint != self._hint:
            self._hint = hint
            self.hint_changed.emit(hint)

    def draft(self, kind: Kind, points: Sequence[Point], second: Sequence[Point]) -> Mark:
        """A mark that is not kept yet."""
        return Mark(id="draft", map=self._map_id, kind=kind, points=tuple(points), second=tuple(second))

    def snapped(self, spot: Point, along: Point | None) -> tuple[Point, Snap | None]:
        """A position after snapping and how well it is known; unchanged and None without."""
        found = self._snap(*spot, along) if self._snap else None
        return found if found is not None else (spot, None)

    def within(self, spot: Point) -> Point:
        """The nearest position on the map."""
        w, h = self.map_um
        return min(max(spot[0], 0.0), w), min(max(spot[1], 0.0), h)

    def mark_done(
        self,
        kind: Kind,
        points: Sequence[Point],
        second: Sequence[Point],
        snaps: Sequence[Snap | None],
    ) -> None:
        """A mark is drawn."""
        kept = tuple(snaps) if any(s is not None for s in snaps) else ()
        self.mark_drawn.emit(kind, tuple(points), tuple(second), kept)

    def mark_going(self, mark: Mark, finished: bool) -> None:
        """A mark is being moved, or has been."""
        self.mark_moved.emit(mark.id, mark.points, mark.second, mark.snaps, finished)

    def pick(self, mark_id: str | None) -> None:
        """A mark is selected by the pointer, or none."""
        if mark_id != self.marks.selected:
            self.marks.selected = mark_id
            self.mark_picked.emit(mark_id or "")
            self.update()

    def outline_going(self, polygons: Polygons, finished: bool) -> None:
        """The outline is being edited, or has been."""
        self._outline = polygons
        self.outline_edited.emit(polygons, finished)

    def way_up_done(self, degrees: float) -> None:
        """The way-up arrow is drawn."""
        self.way_up_drawn.emit(degrees)

    def stroke_done(self, points: Sequence[Point], radius_um: float, erase: bool) -> None:
        """A stroke of the brush is painted."""
        self.stroke_drawn.emit(tuple(points), radius_um, erase)

    def region_done(self, points: Sequence[Point]) -> None:
        """A region is drawn."""
        self.region_drawn.emit(tuple(points))

    # Pointer -----------------------------------------------------------------------------------

    def _touch(self, event: QMouseEvent) -> Touch:
        keys = event.modifiers()
        return Touch(
            at=event.position(),
            spot=self.within(self.lens.to_map(event.position())),
            shift=bool(keys & Qt.KeyboardModifier.ShiftModifier),
            ctrl=bool(keys & Qt.KeyboardModifier.ControlModifier),
            alt=bool(keys & Qt.KeyboardModifier.AltModifier),
        )

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Start what the button means here."""
        self._press(event, double=False)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        """The second press of a double click."""
        self._press(event, double=True)

    def _press(self, event: QMouseEvent, *, double: bool) -> None:
        if self.picture is None:
            return
        button = event.button()
        if button == Qt.MouseButton.MiddleButton:
            self._pan = (event.position(), self.lens)
        elif button == Qt.MouseButton.LeftButton:
            if self._space:
                self._pan = (event.position(), self.lens)
            elif self._overlays and self._overview.holds(self.lens, event.position()):
                self._steering = True
                self._steer(event.position())
            else:
                touch = self._touch(event)
                hit = self.marks.hit(self.lens, touch.at) if double else None
                shape = self.shapes.hit(self.lens, touch.at) if double else ""
                if hit is not None and isinstance(self._tool, PickTool):
                    self.mark_activated.emit(hit.mark.id)
                elif shape and isinstance(self._tool, PickTool):
                    self.shapes.activated.emit(shape)
                elif (self._tool.double if double else self._tool.press)(touch):
                    self._held = True
                else:
                    self._pan = (event.position(), self.lens)
        self._set_cursor()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Pan, draw, or say what is under the pointer."""
        self._pointer = event.position()
        if self.picture is None:
            return
        self._release_lost(event)
        if self._pan is not None:
            start, lens = self._pan
            x, y = lens.to_map(start)
            to_x, to_y = lens.to_map(event.position())
            centre = lens.centre_um[0] + x - to_x, lens.centre_um[1] + y - to_y
            self._state.move(self.within(centre), self._state.um_per_px, fitted=False)
        elif self._steering:
            self._steer(event.position())
        else:
            before = self._hovered_mark()
            self._tool.move(self._touch(event), self._held)
            if self._hovered_mark() != before:
                self.mark_hovered.emit(self._hovered_mark())
            self._hover_overlay()
        self._set_cursor()
        self._say_pointer()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """End a pan or hand the release to the tool."""
        button = event.button()
        if button == Qt.MouseButton.MiddleButton:
            self._pan = None
        elif button == Qt.MouseButton.LeftButton:
            self._steering = False
            self._pan = None
            if self._held:
                self._held = False
                self._tool.release(self._touch(event))
        self._set_cursor()

    def _release_lost(self, event: QMouseEvent) -> None:
        """A button that was let go where this view could not hear of it is up all the same."""
        if not event.buttons() & (Qt.MouseButton.LeftButton | Qt.MouseButton.MiddleButton):
            self._pan = None
            self._steering = False
            if self._held:
                self._held = False
                self._tool.release(self._touch(event))

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Zoom about the pointer."""
        turn = event.angleDelta()
        step = turn.y() or turn.x()
        if step:
            self.zoom(2.0 ** (step / WHEEL_DOUBLE), event.position())
            self._say_pointer()
        event.accept()

    def enterEvent(self, event: QEnterEvent) -> None:
        """Say where the pointer is."""
        self._pointer = event.position()
        self._say_pointer()

    def leaveEvent(self, event: QEvent) -> None:
        """The pointer is elsewhere."""
        self._pointer = None
        self._hover_overlay()
        self._tool.leave()
        self._say_pointer()

    def event(self, event: QEvent) -> bool:
        """Take the pinch of a touchpad, and keys that a dialog would take for itself."""
        if (
            isinstance(event, QNativeGestureEvent)
            and event.gestureType() == Qt.NativeGestureType.ZoomNativeGesture
        ):
            self.zoom(max(1.0 + event.value(), 0.1), event.position())
            return True
        return super().event(event)

    def _steer(self, at: QPointF) -> None:
        x, y = self._overview.to_map(self.lens, at)
        self._state.move((x, y), self._state.um_per_px, fitted=False)

    def _hovered_mark(self) -> str:
        tool = self._tool
        hit = tool.hovered if isinstance(tool, PickTool) else None
        return hit.mark.id if hit else ""

    def _hover_overlay(self) -> None:
        """See which shape of the overlay the pointer is on: only the hand asks what things are."""
        on = None
        if self._pointer is not None and isinstance(self._tool, PickTool) and not self._hovered_mark():
            on = self._overlay.hit(self.lens, self._pointer)
        # Its words go with the pointer.
        if on is not None or self._on_overlay is not None:
            self.update()
        self._on_overlay = on

    def _say_pointer(self) -> None:
        over = None
        if self.picture is not None and self._pointer is not None:
            lens = self.lens
            x, y = lens.to_map(self._pointer)
            over = lens.pixel_at(x, y)
        if over is not None:
            self._over = True
            self.hovered.emit(x, y, *over)
        elif self._over:
            self._over = False
            self.hover_left.emit()

    def _set_cursor(self) -> None:
        if self.picture is None:
            shape = Qt.CursorShape.ArrowCursor
        elif self._pan is not None:
            shape = Qt.CursorShape.ClosedHandCursor
        elif self._space:
            shape = Qt.CursorShape.OpenHandCursor
        elif self._pointer is not None and (
            self._steering or (self._overlays and self._overview.holds(self.lens, self._pointer))
        ):
            shape = Qt.CursorShape.ArrowCursor
        else:
            shape = self._tool.cursor
        if self.cursor().shape() != shape:
            self.setCursor(shape)

    # Keys --------------------------------------------------------------------------------------

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Keys of the tool first, then those of the view."""
        key = event.key()
        if self.picture is None:
            super().keyPressEvent(event)
            return
        if key == Qt.Key.Key_Space:
            self._space = True
            self._set_cursor()
            return
        if key == Qt.Key.Key_Escape:
            if not self._tool.cancel():
                if self._tool_name != "hand":
                    self.set_tool("hand")
                else:
                    self.pick(None)
                    self.shapes.pick("", False)
            self._held = False
            self._set_cursor()
            return
        if self._tool.key(key):
            self._set_cursor()
            return
        if (
            key in (Qt.Key.Key_Delete, Qt.Key.Key_Backspace)
            and self.marks.selected
            and self._tool_name == "hand"
        ):
            self.mark_removed.emit(self.marks.selected)
            return
        if (
            key in (Qt.Key.Key_Delete, Qt.Key.Key_Backspace)
            and self.shapes.shown
            and self.shapes.selected
            and self._tool_name == "hand"
        ):
            self.shapes.removed.emit(self.shapes.selected[0])
            return
        steps: dict[int, Callable[[], None]] = {
            Qt.Key.Key_Plus: self.zoom_in,
            Qt.Key.Key_Equal: self.zoom_in,
            Qt.Key.Key_Minus: self.zoom_out,
            Qt.Key.Key_0: self.fit,
            Qt.Key.Key_1: self.one_to_one,
            Qt.Key.Key_Left: partial(self._pan_by, -PAN_STEP, 0.0),
            Qt.Key.Key_Right: partial(self._pan_by, PAN_STEP, 0.0),
            Qt.Key.Key_Up: partial(self._pan_by, 0.0, -PAN_STEP),
            Qt.Key.Key_Down: partial(self._pan_by, 0.0, PAN_STEP),
        }
        plain = not event.modifiers() & (
            Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.AltModifier
        )
        step = steps.get(key) if plain else None
        if step is None:
            super().keyPressEvent(event)
            return
        step()
        self._say_pointer()

    def keyReleaseEvent(self, event: QKeyEvent) -> None:
        """The space bar gives the pointer back to the tool."""
        if event.key() == Qt.Key.Key_Space and not event.isAutoRepeat():
            self._space = False
            self._set_cursor()
        super().keyReleaseEvent(event)

    def focusOutEvent(self, event: QFocusEvent) -> None:
        """A key that is let go elsewhere is not heard here."""
        self._space = False
        self._set_cursor()
        super().focusOutEvent(event)

    # Drawing -----------------------------------------------------------------------------------

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Keep a fitted map fitted."""
        super().resizeEvent(event)
        if self.picture is None:
            return
        scale = self._state.um_per_px
        if self._state.fitted:
            self.fit()
        if self._state.um_per_px == scale:
            self._looked()

    def changeEvent(self, event: QEvent) -> None:
        """Another scheme has another ground."""
        super().changeEvent(event)
        if event.type() in (QEvent.Type.PaletteChange, QEvent.Type.FontChange):
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw the picture and everything over it."""
        painter = QPainter(self)
        try:
            self._paint(painter)
        finally:
            # A painter that outlives a fault takes the process down with it.
            painter.end()

    def _paint(self, painter: QPainter) -> None:
        tokens = theme.current()
        picture = self.picture
        if picture is None:
            painter.fillRect(self.rect(), QColor(tokens.map_ground))
            painter.setPen(QColor(tokens.text_dim))
            painter.drawText(
                self.rect().adjusted(24, 24, -24, -24),
                int(Qt.AlignmentFlag.AlignCenter) | int(Qt.TextFlag.TextWordWrap),
                self._empty,
            )
            return
        lens = self.lens
        self._tiles.want(lens)
        covered = QRectF(0, 0, *lens.map_um).contains(lens.window_um)
        # Without its coarsest level the picture has holes for a moment: the ground shows there.
        if not covered or not self._tiles.based:
            painter.fillRect(self.rect(), QColor(tokens.map_ground))
        self._tiles.paint(painter, lens)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        font = theme.figures(self.font())
        if self._show_outline and not isinstance(self._tool, OutlineTool):
            outline_item.paint(painter, lens, self._outline, handles=False)
        self._painted.paint(painter, lens)
        self.shapes.paint(painter, lens, font)
        self._overlay.paint(painter, lens, self._on_overlay)
        tool = self._tool
        hovered = tool.hovered if isinstance(tool, PickTool) else None
        self.marks.paint(painter, lens, font, hovered)
        tool.paint(painter, lens, font)
        if self._overlays:
            scale_bar_item.paint(painter, lens, font)
            if self._orientation.way_up_deg is not None:
                arrow_item.paint(painter, self._orientation.way_up_deg, font)
            self._overview.paint(painter, lens)
        self._overlay.paint_scale(painter, lens, font)
        if self._on_overlay is not None and self._pointer is not None:
            say(painter, lens, font, self._pointer, self._on_overlay.words)


def main() -> None:
    """Show the view alone; T takes up the next tool."""
    import sys
    from itertools import cycle

    from PySide6.QtGui import QKeySequence, QShortcut
    from PySide6.QtWidgets import QApplication

    from viewer.panels.map.synthetic import SyntheticPicture, describe_plainly

    app = QApplication(sys.argv)
    theme.apply(app)
    view = MapView()
    view.resize(1200, 800)
    view.setWindowTitle("Map view")
    view.set_describe(describe_plainly)
    view.set_picture(SyntheticPicture(), Orientation(way_up_deg=20.0))
    marks: list[Mark] = []

    def add(kind: Kind, points: tuple[Point, ...], second: tuple[Point, ...], _: object) -> None:
        marks.append(Mark(id=f"mark-{len(marks)}", map="map", kind=kind, points=points, second=second))
        view.set_marks(marks)

    view.mark_drawn.connect(add)
    view.hint_changed.connect(view.setWindowTitle)
    view.show()
    names = cycle((*TOOLS[1:], TOOLS[0]))
    QShortcut(QKeySequence("T"), view, lambda: view.set_tool(next(names)))
    sys.exit(app.exec())


if __name__ == "__main__":
    main()
