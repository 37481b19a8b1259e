"""The look bench: wires its panels to the desk.

The panels know nothing of the desk, and the desk nothing of them. Everything that the user does goes
through `Desk.set_look`, so that it can be undone; everything shown is read back from the desk.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QObject, QTimer, Signal
from PySide6.QtGui import QAction, QColor, QImage, QKeySequence, QPixmap

from viewer.desk import deriving
from viewer.desk.desk import Desk
from viewer.desk.suggest import find_triple, structures
from viewer.errors import GrainlightError
from viewer.panels import icons
from viewer.panels.latest import Latest
from viewer.panels.look.channel_list import ChannelList, MapEntry
from viewer.panels.look.composite_panel import CompositePanel
from viewer.panels.look.derive_dialog import DeriveDialog, Preview
from viewer.panels.look.derive_preview import preview
from viewer.panels.look.desk_layers import DeskSource, entry, table_map
from viewer.panels.look.digits import decimals, grouped, lean, share
from viewer.panels.look.histogram_dock import HistogramCard, LinkedHistograms
from viewer.panels.look.ink import CHANNELS
from viewer.panels.look.layers import SLOTS, LayerEntry
from viewer.panels.look.light_table import LightTable
from viewer.panels.look.look_panel import LookPanel
from viewer.panels.look.single_panel import SinglePanel
from viewer.science.look.colour import COLOUR_MAPS, colour_map
from viewer.science.look.histogram import Histogram
from viewer.science.look.stretch import Stretch
from viewer.science.look.structure import Triple
from viewer.science.progress import Progress
from viewer.science.sort.recipe import Recipe
from viewer.store.documents import Composite, MapLook, Panel
from viewer.store.project import LayerFile

Mode = Literal["table", "single", "composite", "phases"]
Window = tuple[slice, slice]

MODES: tuple[tuple[Mode, str, str, str, str], ...] = (
    ("table", "Light table", "Table", "F2", "All layers side by side"),
    ("single", "Single layer", "Single", "F3", "One layer through a colour map"),
    ("composite", "Composite", "Composite", "F4", "Three layers as red, green and blue"),
    ("phases", "Phase map", "Phases", "F5", "Every sorted pixel in its phase's colour"),
)


class LookBench(QObject):
    """The look bench of an open project.

    Attributes
    ----------
    channels : ChannelList
        For the left side of the window.
    table : LightTable
        For the middle, while `mode` is ``table``.
    panel : LookPanel
        For the right side: composite panel, single panel.
    histograms : LinkedHistograms
        To be docked under the map.
    derive : DeriveDialog
        Opened by `new_layer`; a window of its own.
    modes, commands : list of QAction
        For the menu and the tool strip.

    Signals
    -------
    picture_changed()
        The map view is to show ``desk.picture(map_id)``.
    mode_changed(str)
        ``table``, ``single``, ``composite`` or ``phases``: what the middle shows.
    map_changed(str)
        Another map is looked at.
    """

    picture_changed = Signal()
    mode_changed = Signal(str)
    map_changed = Signal(str)

    def __init__(self, desk: Desk, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self._map_id: str | None = None
        self._mode: Mode | None = None
        self._stretches: dict[str, Stretch] = {}
        self._entries: dict[str, LayerEntry] = {}
        self._structures: dict[str, float] = {}
        self._pins: dict[str, list[str]] = {}
        self._window: Window | None = None
        self._in_view: dict[str, Histogram] = {}
        self._selected: dict[str, Histogram] = {}
        self._reasoned: frozenset[str | None] = frozenset()
        self._latest = Latest(self)
        self._latest.failed.connect(lambda _, why: desk.said.emit("error", why))
        self.source = DeskSource(desk)

        self.channels = ChannelList()
        self.table = LightTable(self.source)
        self.composite = CompositePanel(self.source.histogram, self.source.suggested)
        self.single = SinglePanel({name: colour_map(name) for name in COLOUR_MAPS})
        self.modes: list[QAction] = []
        for mode, text, short, key, tip in MODES:
            action = QAction(text, self)
            action.setIconText(short)
            action.setIcon(icons.icon(mode))
            action.setCheckable(True)
            action.setShortcut(QKeySequence(key))
            action.setToolTip(f"{tip} ({key})")
            action.triggered.connect(lambda _=False, m=mode: self.set_mode(m))
            self.modes.append(action)
        self.panel = LookPanel(self.composite, self.single)
        self.histograms = LinkedHistograms()
        self.derive = DeriveDialog(self._preview)
        self.new_layer = QAction(icons.icon("derive"), "New layer…", self)
        self.new_layer.setShortcut(QKeySequence("Ctrl+L"))
        self.new_layer.setToolTip(
            "Make a layer from others: formula, smoothing, sum, principal component (Ctrl+L)"
        )
        self.new_layer.triggered.connect(self.open_derive)
        if desk.readonly:
            self.new_layer.setEnabled(False)
            self.new_layer.setText("New layer (not while open for reading)")
            self.new_layer.setToolTip("The project is open for reading: no layer can be made in it")
        self.clear_range = QAction("Clear the lit range", self)
        self.clear_range.setShortcut(QKeySequence("Ctrl+Shift+L"))
        self.clear_range.setToolTip("Light nothing up (Ctrl+Shift+L)")
        self.clear_range.setEnabled(False)
        self.clear_range.triggered.connect(self._douse)
        self.commands = [
            self.new_layer,
            self.clear_range,
            self.composite.cycle,
            self.composite.cycle_back,
            self.composite.swap_rg,
            self.composite.swap_gb,
            self.composite.swap_rb,
            self.single.previous_action,
            self.single.next_action,
        ]
        self._count_soon = _timer(self, 120, self._count_view)
        self._select_soon = _timer(self, 120, self._count_selected)
        self._connect_panels()
        self._connect_desk()
        self._list_maps()

    def _connect_panels(self) -> None:
        self.channels.map_chosen.connect(self.set_map)
        self.channels.layer_chosen.connect(self.table.grid.set_current)
        self.channels.layer_chosen.connect(self._follow)
        self.channels.layer_opened.connect(self.show_alone)
        self.channels.slot_requested.connect(self.send)
        self.channels.remove_requested.connect(self._remove)
        self.table.selected.connect(self.channels.set_current)
        self.table.selected.connect(lambda _: self._show_cards())
        self.table.opened.connect(self.show_alone)
        self.table.slot_requested.connect(self.send)
        self.composite.composite_changed.connect(self._set_composite)
        self.composite.suggest.connect(self.suggest)
        self.composite.automatic.connect(self._auto_slot)
        self.composite.save.connect(self._save)
        self.composite.chosen.connect(
            lambda chosen: self._set_composite(chosen, f"Show {chosen.name}", True)
        )
        self.composite.delete.connect(lambda n: self._try(lambda: self._desk.delete_composite(n)))
        self.single.layer_chosen.connect(self.show_alone)
        self.single.colours_chosen.connect(lambda name: self._edit("Choose colours", colours=name))
        self.single.stretch_changed.connect(self._stretch_single)
        self.single.automatic.connect(self._auto_single)
        self.histograms.stretch_changed.connect(self._stretch_key)
        self.histograms.range_selected.connect(self._light)
        self.histograms.range_cleared.connect(self._douse)
        self.histograms.pinned.connect(self._pin)
        self.histograms.unpinned.connect(self._unpin)
        self.derive.recipe_ready.connect(self._derive)

    def _connect_desk(self) -> None:
        self._desk.changed.connect(self._document_changed)
        self._desk.layers_changed.connect(self._layers_changed)
        self._desk.maps_changed.connect(self._list_maps)
        self._desk.histogram_changed.connect(self._histogram_changed)
        self._desk.lit_changed.connect(self._lit_changed)

    def close(self) -> None:
        """Stop all reading and let the desk go; call before the desk is closed."""
        for signal, slot in (
            (self._desk.changed, self._document_changed),
            (self._desk.layers_changed, self._layers_changed),
            (self._desk.maps_changed, self._list_maps),
            (self._desk.histogram_changed, self._histogram_changed),
            (self._desk.lit_changed, self._lit_changed),
        ):
            signal.disconnect(slot, missing_ok=True)
        self._count_soon.stop()
        self._select_soon.stop()
        self.table.grid.stop()
        self._latest.stop()
        self.derive.close()

    # -- what the shell asks for -----------------------------------------------------------------

    @property
    def map_id(self) -> str | None:
        """The map that is looked at."""
        return self._map_id

    @property
    def mode(self) -> Mode:
        """What the middle of the window shows."""
        return "table" if self._map_id is None else self._desk.look(self._map_id).mode

    @property
    def busy(self) -> bool:
        """True while something is counted in the background."""
        return self._latest.busy or self._count_soon.isActive() or self._select_soon.isActive()

    def set_map(self, map_id: str | None) -> None:
        """Look at another map."""
        if map_id == self._map_id:
            return
        self._map_id = map_id
        self._window = None
        self._in_view.clear()
        self._selected.clear()
        self.source.set_map(map_id)
        self.composite.set_reason("")
        self._list_layers()
        self._show_look()
        if map_id is not None:
            self._lit_changed(map_id)
            self.map_changed.emit(map_id)

    def set_mode(self, mode: Mode) -> None:
        """Show the light table, one layer, or the composite."""
        name = next(text for key, text, *_ in MODES if key == mode)
        self._edit(f"Show {name.lower()}", mode=mode)
        self._check_modes()

    def set_window(self, window: Window | None) -> None:
        """Rows and columns of level 0 that the map view shows; counted after a moment's rest."""
        if window != self._window:
            self._window = window
            self._count_soon.start()

    def show_alone(self, layer_id: str) -> None:
        """Show one layer over the map view."""
        if self._map_id is None or layer_id not in self._entries:
            return
        look = self._desk.look(self._map_id)
        stretches = dict(look.stretches)
        stretches.setdefault(layer_id, self.source.suggested(layer_id))
        name = self._entries[layer_id].name
        self._edit(f"Show {name}", mode="single", layer=layer_id, stretches=stretches)

    def send(self, layer_id: str, slot: int) -> None:
        """Make a layer red (0), green (1) or blue (2)."""
        if layer_id in self._entries:
            self.composite.send(layer_id, slot)

    def suggest(self) -> None:
        """Find three layers that make a good composite; they show when they are found."""
        if self._map_id is None:
            return
        map_id = self._map_id
        found = self._desk.maps[map_id]

        def done(triple: Triple) -> None:
            if map_id != self._map_id:
                return
            panels = [
                Panel(layer=layer_id, stretch=self.source.suggested(layer_id))
                for layer_id in triple.ids
            ]
            red, green, blue = panels
            self._reasoned = frozenset(triple.ids)
            self.composite.set_reason(triple.reason)
            self._edit(
                "Suggest a composite",
                mode="composite",
                composite=Composite(red=red, green=green, blue=blue),
            )

        self._latest.ask("suggest", lambda progress: find_triple(found, progress), done)

    def open_derive(self) -> None:
        """Open the panel that describes a new layer."""
        self.derive.show()
        self.derive.raise_()
        self.derive.activateWindow()
        self.derive.setFocus()

    # -- edits -----------------------------------------------------------------------------------

    def _try(self, call: Callable[[], object]) -> bool:
        try:
            call()
        except GrainlightError as error:
            self._desk.say(error)
            self._show_look()
            return False
        return True

    def _edit(self, label: str, *, merge: str | None = None, **changes: object) -> None:
        if self._map_id is None:
            return
        map_id = self._map_id
        look = msgspec.structs.replace(self._desk.look(map_id), **changes)
        self._try(lambda: self._desk.set_look(label, map_id, look, merge=merge))

    def _set_composite(self, composite: Composite, label: str, finished: bool) -> None:
        if self._map_id is None:
            return
        table = self._desk.look(self._map_id).mode == "table"
        # Three layers are chosen on the light table without leaving it.
        mode: Mode = "table" if table and label.startswith("Choose") else "composite"
        self._edit(
            label,
            merge=None if finished and not self._dragging(label) else f"look:{label}",
            composite=composite,
            mode=mode,
        )
        if finished:
            self._desk.end_merge()

    def _dragging(self, label: str) -> bool:
        return label.startswith("Stretch")

    def _stretch_slot(self, slot: int, stretch: Stretch, finished: bool) -> None:
        if self._map_id is None:
            return
        composite = self._desk.look(self._map_id).composite
        panel = composite.panels[slot]
        if panel is None:
            return
        new = msgspec.structs.replace(
            composite, **{SLOTS[slot]: msgspec.structs.replace(panel, stretch=stretch)}
        )
        self._edit(f"Stretch {SLOTS[slot]}", merge=f"look:Stretch {SLOTS[slot]}", composite=new)
        if finished:
            self._desk.end_merge()

    def _stretch_layer(self, layer_id: str, stretch: Stretch, finished: bool) -> None:
        if self._map_id is None or layer_id not in self._entries:
            return
        stretches = {**self._desk.look(self._map_id).stretches, layer_id: stretch}
        name = self._entries[layer_id].name
        self._edit(f"Stretch {name}", merge=f"look:Stretch {layer_id}", stretches=stretches)
        if finished:
            self._desk.end_merge()

    def _stretch_single(self, stretch: Stretch, finished: bool) -> None:
        layer_id = self._single_layer()
        if layer_id is not None:
            self._stretch_layer(layer_id, stretch, finished)

    def _stretch_key(self, key: str, stretch: Stretch, finished: bool) -> None:
        if key in SLOTS:
            self._stretch_slot(SLOTS.index(key), stretch, finished)
        elif key == "single":
            self._stretch_single(stretch, finished)
        else:
            self._stretch_layer(key.partition(":")[2], stretch, finished)

    def _auto_slot(self, slot: int) -> None:
        panel = self.composite.composite.panels[slot]
        if panel is not None:
            self._stretch_slot(slot, self.source.suggested(panel.layer), True)

    def _auto_single(self) -> None:
        layer_id = self._single_layer()
        if layer_id is not None:
            self._stretch_layer(layer_id, self.source.suggested(layer_id), True)

    def _save(self, composite: Composite) -> None:
        if self._try(lambda: self._desk.save_composite(composite)):
            self._edit(f"Name composite {composite.name}", composite=composite)

    def _light(self, layer_id: str, low: float, high: float) -> None:
        if self._map_id is not None:
            self._desk.light(self._map_id, layer_id, low, high)

    def _douse(self) -> None:
        if self._map_id is not None:
            self._desk.douse(self._map_id)

    def _follow(self, layer_id: str) -> None:
        """In the single view the list's arrow keys go through the layers."""
        if self.mode == "single":
            self.show_alone(layer_id)
        else:
            self._show_cards()

    def _pin(self, layer_id: str) -> None:
        if self._map_id is not None:
            pins = self._pins.setdefault(self._map_id, [])
            if layer_id not in pins:
                pins.append(layer_id)
            self._show_cards()
            self._count_soon.start()
            self._select_soon.start()

    def _unpin(self, layer_id: str) -> None:
        pins = self._pins.get(self._map_id or "", [])
        if layer_id in pins:
            pins.remove(layer_id)
        self._show_cards()

    def _derive(self, name: str, recipe: Recipe) -> None:
        map_id = self._map_id
        if map_id is None:
            return
        try:
            deriving.derive(self._desk, map_id, name, recipe)
        except GrainlightError as error:
            self.derive.refuse(str(error))
        else:
            self.derive.close()

    def _remove(self, layer_id: str) -> None:
        map_id = self._map_id
        if map_id is not None:
            self._try(lambda: deriving.remove(self._desk, map_id, layer_id))

    def _preview(self, recipe: Recipe, done: Callable[[Preview | str], None]) -> None:
        map_id = self._map_id
        if map_id is None:
            done("There is no map to work on.")
            return

        def work(progress: Progress) -> Preview | str:
            try:
                return preview(self._desk, map_id, recipe, progress)
            except GrainlightError as error:
                return str(error)

        self._latest.ask("preview", work, done)

    # -- what the desk tells ---------------------------------------------------------------------

    def _document_changed(self, name: str) -> None:
        if name == "look":
            self._show_look()
        elif name == "setup" and self._map_id is not None:
            self._in_view.clear()
            self._selected.clear()
            self._show_table()
            self._show_look()
            self._count_soon.start()
            self._select_soon.start()

    def _layers_changed(self, map_id: str) -> None:
        if map_id == self._map_id:
            self.source.forget()
            self._in_view.clear()
            self._selected.clear()
            self._list_layers()
            self._show_look()

    def _histogram_changed(self, map_id: str, layer_id: str) -> None:
        if map_id == self._map_id:
            self.table.grid.recolour(layer_id)
            self._show_look()

    def _lit_changed(self, map_id: str) -> None:
        if map_id != self._map_id:
            return
        lit = self._desk.lit(map_id)
        self.histograms.set_lit(lit, *self._lit_words(lit))
        self.clear_range.setEnabled(lit is not None)
        if lit is not None:
            self._select_soon.start()
        elif self._selected or self._latest.busy:
            # A lasso that is being drawn comes by here at every vertex: nothing to do then.
            self._latest.drop("selected")
            self._selected.clear()
            self._show_cards()
        self.picture_changed.emit()

    def _lit_words(self, lit: tuple[str, float, float] | None) -> tuple[str, str]:
        """How many pixels are lit, short and in full; empty where nothing is."""
        counted = None if lit is None else self.source.histogram(lit[0])
        if lit is None or counted is None or lit[0] not in self._entries:
            return "", ""
        layer_id, low, high = lit
        number = counted.count_between(low, high)
        layer = self._entries[layer_id]
        span = (layer.maximum or 0.0) - (layer.minimum or 0.0)
        low_text, high_text = (lean(round(v, decimals(span)), span) for v in (low, high))
        short = f"{grouped(int(number))} px, {share(number, counted.total)}"
        return short, f"{layer.name} from {low_text} to {high_text} lights up {short} of what counts"

    def _list_maps(self) -> None:
        maps = self._desk.maps
        if self._map_id not in maps:
            self.set_map(next(iter(maps), None))
        self.channels.set_maps(
            [
                MapEntry(
                    m.id,
                    m.name,
                    f"{m.shape[1]} × {m.shape[0]} pixels of {m.pixel_um[0]:g} µm",
                )
                for m in maps.values()
            ],
            self._map_id,
        )
        self._list_layers()
        self._show_look()

    # -- showing ---------------------------------------------------------------------------------

    def _list_layers(self) -> None:
        layers = {} if self._map_id is None else self._desk.maps[self._map_id].layers
        self._entries = {x.id: entry(x, self._structures.get(x.info.content)) for x in layers.values()}
        entries = tuple(self._entries.values())
        self.channels.set_layers(entries)
        self.composite.set_layers(entries)
        self.single.set_layers(entries)
        self.histograms.set_layers(entries)
        self.derive.set_layers(entries)
        self._show_table()
        if self._map_id is not None:
            self._read_swatches()
            self._judge_structure()

    def _show_table(self) -> None:
        if self._map_id is None:
            self.table.set_map(None, ())
        else:
            found = self._desk.maps[self._map_id]
            self.table.set_map(table_map(self._desk, found), self._entries.values())

    def _show_look(self) -> None:
        look = MapLook() if self._map_id is None else self._desk.look(self._map_id)
        ids = tuple(None if p is None else p.layer for p in look.composite.panels)
        slots = (ids[0], ids[1], ids[2])
        if frozenset(ids) != self._reasoned:
            # The sentence is about three layers; it says nothing of others.
            self.composite.set_reason("")
        self.composite.set_composite(look.composite)
        self.composite.set_saved(self._desk.state.look.composites)
        layer_id = self._single_layer()
        if layer_id is not None:
            self.single.show_layer(
                layer_id,
                look.stretches.get(layer_id, Stretch()),
                self.source.histogram(layer_id),
                look.colours,
            )
        self.channels.set_slots(slots)
        self.table.grid.set_slots(slots)
        if look.stretches != self._stretches:
            self._stretches = look.stretches
            self.table.grid.recolour()
        self._show_cards()
        if look.mode != self._mode:
            self._mode = look.mode
            self._check_modes()
            self.panel.show_mode(look.mode)
            self.single.set_stepping(look.mode == "single")
            self.mode_changed.emit(look.mode)
        self.picture_changed.emit()

    def _check_modes(self) -> None:
        for action, (mode, *_) in zip(self.modes, MODES, strict=True):
            action.setChecked(mode == self.mode)
            action.setEnabled(self._map_id is not None)

    def _single_layer(self) -> str | None:
        if self._map_id is None or not self._entries:
            return None
        layer_id = self._desk.look(self._map_id).layer
        return layer_id if layer_id in self._entries else next(iter(self._entries))

    def _carded(self) -> list[tuple[str, str, Stretch, QColor | None, npt.NDArray[np.uint8] | None]]:
        """Key, layer, stretch, sign and ramp of each histogram that is due."""
        if self._map_id is None:
            return []
        look = self._desk.look(self._map_id)
        due: list[tuple[str, str, Stretch, QColor | None, npt.NDArray[np.uint8] | None]] = []
        if look.mode == "single":
            layer_id = self._single_layer()
            if layer_id is not None:
                stretch = look.stretches.get(layer_id, Stretch())
                due.append(("single", layer_id, stretch, None, colour_map(look.colours)))
        else:
            for slot, panel in enumerate(look.composite.panels):
                if panel is not None and panel.layer in self._entries:
                    due.append((SLOTS[slot], panel.layer, panel.stretch, CHANNELS[slot], _ramp(slot)))
            chosen = self.channels.current_layer()
            if look.mode == "table" and not due and chosen in self._entries:
                # Before there is a composite, the table's chosen cell can be stretched.
                stretch = self.source.stretch(chosen)
                due.append((f"layer:{chosen}", chosen, stretch, None, None))
        shown = {layer_id for _, layer_id, *_ in due}
        for layer_id in self._pins.get(self._map_id, []):
            if layer_id in self._entries and layer_id not in shown:
                due.append((f"pin:{layer_id}", layer_id, self.source.stretch(layer_id), None, None))
        return due

    def _show_cards(self) -> None:
        outlined = self._map_id is not None and bool(self._desk.setup(self._map_id).outline)
        self.histograms.set_outlined(outlined)
        self.histograms.set_cards(
            HistogramCard(
                key=key,
                layer=self._entries[layer_id],
                stretch=stretch,
                whole=self.source.histogram(layer_id),
                view=self._in_view.get(layer_id),
                selection=self._selected.get(layer_id),
                colour=colour,
                ramp=ramp,
                pinned=key.startswith("pin:"),
            )
            for key, layer_id, stretch, colour, ramp in self._carded()
        )
        lit = self._lit()
        self.histograms.set_lit(lit, *self._lit_words(lit))
        due = {layer_id for _, layer_id, *_ in self._carded()}
        if self._window is not None and not due <= set(self._in_view):
            self._count_soon.start()
        if lit is not None and not due <= set(self._selected):
            self._select_soon.start()

    def _lit(self) -> tuple[str, float, float] | None:
        return None if self._map_id is None else self._desk.lit(self._map_id)

    # -- the background --------------------------------------------------------------------------

    def _count_view(self) -> None:
        map_id, window = self._map_id, self._window
        if map_id is None or window is None:
            self._in_view.clear()
            self._show_cards()
            return
        rows, cols = window
        if rows.stop - rows.start < 1 or cols.stop - cols.start < 1:
            return
        self._count("view", self._take_view, map_id, window=window)

    def _take_view(self, counted: dict[str, Histogram]) -> None:
        self._in_view = counted
        self._show_cards()

    def _count_selected(self) -> None:
        map_id, lit = self._map_id, self._lit()
        if map_id is None or lit is None:
            return
        found = self._desk.maps[map_id]
        if lit[0] not in found.layers:
            return
        within = (found.layers[lit[0]], lit[1], lit[2])
        self._count("selected", self._take_selected, map_id, within=within)

    def _count(
        self,
        key: str,
        take: Callable[[dict[str, Histogram]], None],
        map_id: str,
        *,
        window: tuple[slice, slice] | None = None,
        within: tuple[LayerFile, float, float] | None = None,
    ) -> None:
        """Count the layers that have a plot, of which only the latest answer counts."""
        found = self._desk.maps[map_id]
        due = [layer_id for _, layer_id, *_ in self._carded()]
        if not due:
            return

        def work(progress: Progress) -> dict[str, Histogram]:
            return {
                layer_id: self._desk.count(
                    map_id, found.layers[layer_id], window=window, within=within, progress=progress
                )
                for layer_id in due
            }

        self._latest.ask(key, work, take)

    def _take_selected(self, counted: dict[str, Histogram]) -> None:
        self._selected = counted
        self._show_cards()

    def _read_swatches(self) -> None:
        assert self._map_id is not None
        map_id, layers = self._map_id, dict(self._desk.maps[self._map_id].layers)

        def work(progress: Progress) -> dict[str, npt.NDArray[np.generic]]:
            out = {}
            for done, layer in enumerate(layers.values()):
                progress(done / len(layers))
                rows, cols = layer.shapes[-1]
                out[layer.id] = layer.codes(layer.levels - 1, slice(0, rows), slice(0, cols))
            return out

        def done(codes: dict[str, npt.NDArray[np.generic]]) -> None:
            if map_id != self._map_id:
                return
            orientation = self._desk.setup(map_id).orientation
            for layer_id, block in codes.items():
                if layer_id not in self._entries:
                    continue
                level = layers[layer_id].levels - 1
                grey = orientation.apply(self.source.lut(layer_id, level)[block])
                self.channels.set_swatch(layer_id, _swatch(grey))

        self._latest.ask("swatches", work, done)

    def _judge_structure(self) -> None:
        assert self._map_id is not None
        map_id = self._map_id
        found = self._desk.maps[map_id]
        missing = [x for x in found.layers.values() if x.info.content not in self._structures]
        if not missing:
            return

        def done(by_id: dict[str, float]) -> None:
            # Kept by content, so that a layer that is worked out anew is judged anew.
            self._structures.update({x.info.content: by_id[x.id] for x in missing})
            if map_id == self._map_id:
                self._list_layers()

        self._latest.ask("structure", lambda progress: structures(missing, progress), done)


@lru_cache(maxsize=3)
def _ramp(slot: int) -> npt.NDArray[np.uint8]:
    """Black to the pure colour of a slot."""
    ramp = np.zeros((256, 3), np.uint8)
    ramp[:, slot] = np.arange(256)
    return ramp


def _swatch(grey: npt.NDArray[np.uint8]) -> QPixmap:
    """A picture no wider than a list's swatch needs, cut to its shape about the middle."""
    rows, cols = grey.shape
    width, height = 30, 18
    if cols * height > rows * width:
        keep = max(1, rows * width // height)
        grey = grey[:, (cols - keep) // 2 : (cols - keep) // 2 + keep]
    else:
        keep = max(1, cols * height // width)
        grey = grey[(rows - keep) // 2 : (rows - keep) // 2 + keep]
    held = np.ascontiguousarray(grey)
    rows, cols = held.shape
    image = QImage(held.tobytes(), cols, rows, cols, QImage.Format.Format_Grayscale8).copy()
    return QPixmap.fromImage(image)


def _timer(parent: QObject, milliseconds: int, call: Callable[[], None]) -> QTimer:
    timer = QTimer(parent)
    timer.setSingleShot(True)
    timer.setInterval(milliseconds)
    timer.timeout.connect(call)
    return timer


def main() -> None:
    """Show the bench on a project of made-up layers, without a map view."""
    import tempfile
    from pathlib import Path

    from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

    from viewer.panels.look.trial import Trial, show
    from viewer.panels.qt import Poster

    with tempfile.TemporaryDirectory() as folder:
        poster = Poster()
        desk = Desk.open(Trial().write(Path(folder) / "trial.maps.h5"), poster.post)
        benches = []

        def build() -> QWidget:
            bench = LookBench(desk)
            benches.append(bench)
            window = QWidget()
            middle = QVBoxLayout()
            middle.addWidget(bench.table, 1)
            middle.addWidget(bench.histograms)
            bench.histograms.setFixedHeight(190)
            row = QHBoxLayout(window)
            row.setContentsMargins(0, 0, 0, 0)
            row.addWidget(bench.channels)
            row.addLayout(middle, 1)
            row.addWidget(bench.panel)
            window.resize(1500, 900)
            return window

        show(build)
        for bench in benches:
            bench.close()
        poster.close()
        desk.close()


if __name__ == "__main__":
    main()
