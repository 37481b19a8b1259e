"""Units and lines of the map that is measured on: drawing them, naming them, making one of another.

The panel draws nothing on the map: it says which tool is wanted, takes what the map view drew, and
keeps it, one undo step each.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QStackedWidget, QVBoxLayout, QWidget

from viewer.desk import drawing
from viewer.desk.desk import Desk
from viewer.desk.drawing import Edit
from viewer.desk.measures.inputs import up_of
from viewer.errors import GrainlightError
from viewer.panels import theme
from viewer.panels.measure.draw_tools import HAND, DrawTools
from viewer.panels.measure.drawn_list import DrawnList
from viewer.panels.measure.drawn_words import groups_of, selection_words
from viewer.science.measure.region import Points, Polygons

WIDTH_PX = 20.0
"""Width of the first traverse on a map, in pixels."""

_EMPTY = (
    "Nothing is drawn on this map yet.\n\n"
    "Draw contacts along the edges of layers, units around them, and traverses across: thickness, "
    "sharpness, trends and all else are measured on these."
)


class DrawnPanel(QWidget):
    """Draws and lists the units, contacts and traverses of a map.

    Signals
    -------
    tool_chosen(str)
        Tool of the map view to take up, "hand" when it is put down.
    glow(str)
        Id of the shape to light up on the map, empty for none.
    go_to(str)
        Id of the shape that the user looks for.
    selection_changed(list)
        Ids of the shapes that are selected.
    followed_changed(object)
        What lines follow between clicks (`Followed`), None for straight lines.
    width_changed(float)
        Full width of traverses that are drawn from now on (µm).
    map_changed(object)
        Id of the map whose shapes are listed, None for none.
    """

    tool_chosen = Signal(str)
    glow = Signal(str)
    go_to = Signal(str)
    selection_changed = Signal(list)
    followed_changed = Signal(object)
    width_changed = Signal(float)
    map_changed = Signal(object)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self.map_id: str | None = None
        self._open = True
        self._width_um = 0.0
        self.tools = DrawTools()
        self.tools.tool_chosen.connect(self.tool_chosen)
        self.tools.followed_changed.connect(self.followed_changed)
        self.tools.width_edited.connect(self._width_edited)
        self.list = DrawnList()
        self.list.chosen.connect(self._chosen)
        self.list.pointed.connect(self.glow)
        self.list.go_to_wanted.connect(self.go_to)
        # Queued: the list is filled anew, which must not happen while its editor is being closed.
        self.list.renamed.connect(self.rename, Qt.ConnectionType.QueuedConnection)
        self.list.remove_wanted.connect(self.remove)
        self._build()
        desk.changed.connect(self._desk_changed)
        desk.layers_changed.connect(self._layers_changed)
        desk.phases_changed.connect(self._layers_changed)
        self._refill()

    def _build(self) -> None:
        tokens = theme.current()
        self.empty = QLabel(_EMPTY)
        self.empty.setProperty("tone", "dim")
        self.empty.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.empty.setWordWrap(True)
        self.pages = QStackedWidget()
        self.pages.addWidget(self.empty)
        self.pages.addWidget(self.list)
        self.between = self._button(
            "Contact", "Make the contact that the two selected units share", self.contact_between
        )
        self.unit = self._button(
            "Unit", "Make a unit of the band between the two selected lines", self.unit_between
        )
        self.merge = self._button("Merge", "Make one unit of those that are selected", self.merge_units)
        self.split = self._button(
            "Split",
            "Split the selected unit along the selected line, or along one that is drawn next",
            self.split_by_line,
        )
        self.show_it = self._button("Go to", "Bring it into view (Return)", self._go_to)
        self.name = self._button("Rename", "Give it another name (F2)", self.list.edit_name)
        self.turn = self._button("Turn round", "Let the line run from its other end", self.turn_line)
        self.delete = self._button("Delete", "Take it off the map (Delete)", self._delete)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(tokens.gap_2)
        column.addWidget(self.tools)
        column.addWidget(self.pages, 1)
        self.caption = QLabel()
        self.caption.setProperty("tone", "dim")
        self.caption.setWordWrap(True)
        column.addWidget(self.caption)
        for buttons in (
            (self.between, self.unit, self.merge, self.split),
            (self.show_it, self.name, self.turn, self.delete),
        ):
            row = QHBoxLayout()
            row.setSpacing(tokens.gap_1)
            for button in buttons:
                row.addWidget(button, 1)
            column.addLayout(row)

    def _button(self, words: str, tip: str, press: Callable[[], object]) -> QPushButton:
        button = QPushButton(words)
        button.setToolTip(tip)
        button.clicked.connect(lambda _on=False: press())
        return button

    def close(self) -> bool:
        """Let the desk go."""
        if self._open:
            self._open = False
            self.desk.changed.disconnect(self._desk_changed)
            self.desk.layers_changed.disconnect(self._layers_changed)
            self.desk.phases_changed.disconnect(self._layers_changed)
        return super().close()

    # What the window and the map view tell ------------------------------------------------------

    def set_map(self, map_id: str | None) -> None:
        """List and draw what is on this map from now on."""
        if map_id == self.map_id:
            return
        self.map_id = map_id
        if map_id is not None:
            pixel = max(self.desk.maps[map_id].pixel_um)
            self.tools.show_pixel(pixel)
            self._set_width(WIDTH_PX * pixel)
        self._show_edges()
        self._refill()
        self.map_changed.emit(map_id)

    @property
    def selected(self) -> list[str]:
        """Ids of what is selected."""
        return self.list.selected

    @property
    def width_um(self) -> float:
        """Full width of traverses that are drawn from now on (µm)."""
        return self._width_um

    def select(self, ids: Sequence[str]) -> None:
        """Select these."""
        self.list.select(ids)

    def pick(self, shape_id: str, add: bool) -> None:
        """A shape was clicked on the map; `add`: beside those that are selected, or no more."""
        if not add:
            self.select([shape_id] if shape_id else [])
        elif shape_id in self.selected:
            self.select([x for x in self.selected if x != shape_id])
        else:
            self.select([*self.selected, shape_id])

    def follow_width(self, width_um: float) -> None:
        """The map view draws traverses of another width now."""
        self._width_um = width_um
        self.tools.show_width(width_um)

    # Edits --------------------------------------------------------------------------------------

    def add_line(self, kind: str, points: Points) -> None:
        """Keep a contact or a traverse that was drawn."""
        map_id = self.map_id
        if map_id is not None:
            width = self._width_um if kind == "traverse" else 0.0
            self._do(
                lambda: drawing.add_line(
                    self.desk.state,
                    map_id,
                    "traverse" if kind == "traverse" else "contact",
                    points,
                    width_um=width,
                    size_um=self._size,
                )
            )

    def add_unit(self, points: Points) -> None:
        """Keep a unit that was drawn."""
        self._add_unit(lambda: (points,))

    def add_band(self, first: Points, second: Points) -> None:
        """Keep a unit that was drawn as a band."""
        from viewer.science.measure.region import band

        self._add_unit(lambda: band(first, second, self._size))

    def _add_unit(self, outline: Callable[[], Polygons | tuple[Points, ...]]) -> None:
        map_id = self.map_id
        if map_id is not None:
            self._do(
                lambda: drawing.add_unit(
                    self.desk.state,
                    map_id,
                    outline(),
                    size_um=self._size,
                    keep_clear=self.tools.clear_of_others.isChecked(),
                )
            )

    def split_along(self, points: Points) -> None:
        """Split along a line that was drawn: the selected unit, else the one that it runs through."""
        map_id = self.map_id
        if map_id is None:
            return
        units = self._selected_units()

        def edit() -> Edit:
            one = units[0] if len(units) == 1 else drawing.to_split(self.desk.state, map_id, points).id
            return drawing.split_unit(self.desk.state, one, points, self._up())

        self._do(edit)

    def reshape(self, shape_id: str, parts: Sequence[Points]) -> None:
        """Keep the points that a shape was given."""
        state = self.desk.state
        if shape_id in {u.id for u in state.units.units}:
            self._do(lambda: drawing.reshape_unit(state, shape_id, parts, size_um=self._size))
        elif shape_id in {x.id for x in state.lines.lines}:
            self._do(lambda: drawing.move_line(state, shape_id, parts[0], self._size))

    def set_width(self, line_id: str, width_um: float) -> None:
        """Give a traverse another full width (µm)."""
        state = self.desk.state
        self._do(lambda: drawing.set_width(state, line_id, width_um), merge=f"width {line_id}")

    def rename(self, shape_id: str, name: str) -> None:
        """Give a shape another name."""
        if not self._do(lambda: drawing.rename(self.desk.state, shape_id, name)):
            self._refill()

    def remove(self, ids: Sequence[str]) -> None:
        """Take shapes off the map."""
        if ids:
            self._do(lambda: drawing.remove(self.desk.state, ids))

    def contact_between(self) -> None:
        """Make the contact that the two selected units share."""
        map_id, units = self.map_id, self._selected_units()
        if map_id is not None and len(units) == 2:
            self._do(lambda: drawing.contact_between(self.desk, map_id, units[0], units[1]))

    def unit_between(self) -> None:
        """Make a unit of the band between the two selected lines."""
        lines = self._selected_lines()
        if len(lines) == 2:
            one, other = lines
            clear = self.tools.clear_of_others.isChecked()
            self._do(
                lambda: drawing.unit_between(self.desk.state, one, other, self._size, keep_clear=clear)
            )

    def merge_units(self) -> None:
        """Make one unit of those that are selected."""
        units = self._selected_units()
        if self.map_id is not None and len(units) > 1:
            pixel = self.desk.maps[self.map_id].pixel_um
            self._do(lambda: drawing.merge_units(self.desk.state, units, pixel))

    def split_by_line(self) -> None:
        """Split the selected unit along the selected line; without a line, take up the tool for one."""
        lines = self._selected_lines()
        if len(lines) == 1:
            self.split_along(drawing.line_by_id(self.desk.state, lines[0]).points)
        else:
            self.tool_chosen.emit("split")

    def turn_line(self) -> None:
        """Let the selected line run from its other end."""
        lines = self._selected_lines()
        if len(lines) == 1:
            self._do(lambda: drawing.turn_line(self.desk.state, lines[0]))

    def _do(self, edit: Callable[[], Edit], *, merge: str | None = None) -> bool:
        """Do an edit and select what came of it; False where it cannot be done, which is said."""
        try:
            ids = drawing.apply(self.desk, edit(), merge=merge)
        except GrainlightError as error:
            self.desk.said.emit("caution", str(error))
            return False
        if ids:
            self.select(ids)
        return True

    def _up(self) -> tuple[float, float] | None:
        """Way-up on the stored map; None where nobody has said it."""
        map_id = self.map_id
        if map_id is None or self.desk.setup(map_id).orientation.way_up_deg is None:
            return None
        return up_of(self.desk, map_id)

    @property
    def _size(self) -> tuple[float, float] | None:
        return self.desk.maps[self.map_id].size_um if self.map_id is not None else None

    def _selected_units(self) -> list[str]:
        units = {u.id for u in self.desk.state.units.units}
        return [x for x in self.selected if x in units]

    def _selected_lines(self) -> list[str]:
        lines = {x.id for x in self.desk.state.lines.lines}
        return [x for x in self.selected if x in lines]

    # Showing ------------------------------------------------------------------------------------

    def _desk_changed(self, document: str) -> None:
        if document in ("units", "lines", "setup"):
            self._refill()
        elif document in ("schemes", "key"):
            self._show_edges()

    def _layers_changed(self, map_id: str) -> None:
        if map_id == self.map_id:
            self._show_edges()

    def _refill(self) -> None:
        writable = self.desk.readonly is None
        groups = groups_of(self.desk, self.map_id) if self.map_id in self.desk.maps else ()
        self.list.show_groups(groups, writable=writable)
        self.pages.setCurrentWidget(self.list if any(g.entries for g in groups) else self.empty)
        self.tools.set_writable(self.desk.readonly)
        self._show_commands()

    def _show_edges(self) -> None:
        found = self.desk.maps.get(self.map_id) if self.map_id is not None else None
        if found is None or self.map_id is None:
            self.tools.show_edges((), ())
            return
        sorting = self.desk.sorting
        phases = [(p.name, sorting.colour(p.name)) for p in sorting.scheme(self.map_id).phases]
        self.tools.show_edges(phases, [(x.id, x.name) for x in found.layers.values()])

    def _chosen(self, ids: list[str]) -> None:
        self._show_commands()
        widths = [
            x.width_um for x in self.desk.state.lines.lines if x.id in ids and x.kind == "traverse"
        ]
        if len(ids) == 1 and widths:
            self.tools.show_width(widths[0])
        else:
            self.tools.show_width(self._width_um)
        self.selection_changed.emit(ids)

    def _show_commands(self) -> None:
        units, lines = len(self._selected_units()), len(self._selected_lines())
        write = self.desk.readonly is None
        self.between.setEnabled(write and (units, lines) == (2, 0))
        self.unit.setEnabled(write and (units, lines) == (0, 2))
        self.merge.setEnabled(write and units > 1 and lines == 0)
        self.split.setEnabled(write and units == 1 and lines <= 1)
        self.show_it.setEnabled(units + lines == 1)
        self.name.setEnabled(write and units + lines == 1)
        self.turn.setEnabled(write and (units, lines) == (0, 1))
        self.delete.setEnabled(write and units + lines > 0)
        self.caption.setText(selection_words(units, lines))

    def _width_edited(self, width_um: float) -> None:
        chosen = self.selected
        lines = self.desk.state.lines.lines
        if len(chosen) == 1 and any(x.id == chosen[0] and x.kind == "traverse" for x in lines):
            self.set_width(chosen[0], width_um)
        self._set_width(width_um)

    def _set_width(self, width_um: float) -> None:
        self._width_um = width_um
        self.tools.show_width(width_um)
        self.width_changed.emit(width_um)

    def _go_to(self) -> None:
        if len(self.selected) == 1:
            self.go_to.emit(self.selected[0])

    def _delete(self) -> None:
        self.remove(self.selected)

    def put_down(self) -> None:
        """Choose no tool."""
        if self.tools.tool != HAND:
            self.tools.put_down()
