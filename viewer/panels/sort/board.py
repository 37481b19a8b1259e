"""The board of plots: every scatterplot of a map, linked with one another and with the map."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import msgspec
from PySide6.QtCore import QEvent, QPoint, QSize, Qt, QTimer, Signal
from PySide6.QtGui import QFocusEvent, QKeyEvent, QShowEvent
from PySide6.QtWidgets import QMenu, QVBoxLayout, QWidget

from viewer.desk.desk import Desk
from viewer.desk.where import Where
from viewer.errors import GrainlightError
from viewer.panels import theme
from viewer.panels.latest import Latest
from viewer.panels.look.digits import grouped
from viewer.panels.sort.board_add import AddPlot
from viewer.panels.sort.board_empty import EmptyBoard
from viewer.panels.sort.board_grid import PlotGrid
from viewer.panels.sort.board_suggest import pairs_of
from viewer.panels.sort.board_tools import TOOLS, BoardTools
from viewer.panels.sort.plot_shape import layers_on, plot_of, seen
from viewer.panels.sort.plot_source import DeskSource, PlotLayer
from viewer.science.progress import Progress
from viewer.science.sort.scheme import Axis, Gate, Painted, Plot, Population, Range

if TYPE_CHECKING:
    from viewer.panels.sort.plot_canvas import PlotCanvas
    from viewer.panels.sort.plot_outlines import Outlined

FIRST = 2
"""Plots that are opened where the scheme has none."""

LIVE_MS = 66
"""While a gate is being drawn, the plots follow no more often than this: the map comes first."""

REST_MS = 150
"""Rest after the map was moved, after which «In view» is counted anew."""


class PlotBoard(QWidget):
    """Plots of one map on a desk.

    The plots that are open are part of the map's scheme. Suggested ones become so with the first
    change.

    Signals
    -------
    gate_drawing(object)
        The gate as drawn so far; None when it was given up. Its pixels are lit already.
    gate_drawn(object)
        A finished gate. It stays drawn until the scheme changes.
    gate_edited(str, object, bool)
        Id of a population, its new gate, and whether the drag has ended.
    population_hovered(str)
        Id of the population whose outline is under the pointer; empty for none.
    population_selected(str)
        Id of the population whose outline was clicked; empty for none.
    tool_changed(str)
    """

    gate_drawing = Signal(object)
    gate_drawn = Signal(object)
    gate_edited = Signal(str, object, bool)
    population_hovered = Signal(str)
    population_selected = Signal(str)
    tool_changed = Signal(str)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._desk = desk
        self._map: str | None = None
        self._source: DeskSource | None = None
        self._canvases: list[PlotCanvas] = []
        self._plots: tuple[Plot, ...] = ()
        self._own: dict[str, tuple[Plot, ...]] = {}
        self._pairs: dict[str, list[tuple[str, str]]] = {}
        self._only: int | None = None
        self._tool = "pan"
        self._edited: str | None = None
        self._glowing: str | None = None
        self._window: tuple[slice, slice] | None = None
        self._mine: Gate | None = None
        self._over = ""
        self._before: Where | None = None
        self._awake = False
        self._populations: tuple[Population, ...] = ()
        self._latest = Latest(self)
        self._pointed = Latest(self)
        self._latest.failed.connect(self._failed)
        self._rest = QTimer(self)
        self._rest.setSingleShot(True)
        self._rest.setInterval(REST_MS)
        self._rest.timeout.connect(self._refresh)

        self._soon = QTimer(self)
        self._soon.setSingleShot(True)
        self._soon.setInterval(LIVE_MS)
        self._soon.timeout.connect(self._show_lit)

        tokens = theme.current()
        self.tools = BoardTools(self)
        self.grid = PlotGrid(tokens.gap_1)
        self.empty = EmptyBoard()
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(0)
        box.addWidget(self.tools)
        box.addWidget(self.grid, 1)
        box.addWidget(self.empty, 1)
        self.tools.tool_chosen.connect(self.set_tool)
        self.tools.add_plot.connect(lambda: self._offer(2))
        self.tools.add_ternary.connect(lambda: self._offer(3))
        self.tools.where.chosen.connect(self._choose_where)
        self.empty.suggest.connect(self.suggest)
        self.empty.add.connect(lambda: self._offer(2))
        desk.changed.connect(self._document_changed)
        desk.layers_changed.connect(self._layers_changed)
        desk.phases_changed.connect(self._phases_changed)
        desk.lit_changed.connect(self._lit_changed)
        self._arrange()

    # -- what the bench asks for -----------------------------------------------------------------

    @property
    def map_id(self) -> str | None:
        """The map that is plotted."""
        return self._map

    @property
    def plots(self) -> tuple[Plot, ...]:
        """The plots that are open, in order."""
        return self._plots

    @property
    def canvases(self) -> list[PlotCanvas]:
        """The plots' widgets, in order."""
        return list(self._canvases)

    @property
    def busy(self) -> bool:
        """True while something is being counted."""
        waiting = self._rest.isActive() or self._soon.isActive()
        return waiting or self._latest.busy or any(c.busy for c in self._canvases)

    def set_map(self, map_id: str | None) -> None:
        """Plot another map."""
        if map_id == self._map:
            return
        self._map = map_id
        self._source = None if map_id is None else DeskSource(self._desk, map_id)
        self._window = None
        self._only = None
        self._edited = None
        self._mine = None
        self._over = ""
        self._before = None
        self._clear()
        self.tools.where.set_choice(("map", ""))
        self._offer_where()
        if self._source is not None and map_id is not None:
            self._source.lit = self._desk.lit_where(map_id)
        if self._awake:
            self._begin()

    def set_window(self, window: tuple[slice, slice] | None) -> None:
        """Tell which rows and columns of the map are in view; None: none are."""
        if window != self._window:
            self._window = window
            if self.tools.where.choice[0] == "view":
                self._rest.start()

    def set_cross(self, row: int, col: int) -> None:
        """Show where a pixel of the map lies in every plot."""
        source = self._source
        if source is None or not self._canvases or not self.isVisible():
            return
        names = list(dict.fromkeys(n for c in self._canvases for n in layers_on(c.plot)))

        def work(_progress: Progress) -> dict[str, float]:
            return source.values_at(names, row, col)

        self._pointed.ask("cross", work, self._show_cross)

    def clear_cross(self) -> None:
        """The pointer has left the map."""
        self._pointed.drop("cross")
        self._show_cross(None)

    def set_tool(self, name: str) -> None:
        """Take up a tool in every plot: ``pan``, ``lasso``, ``polygon``, ``ellipse``, ``range``."""
        if name not in [t[0] for t in TOOLS]:
            raise ValueError(f"{name!r} is no tool of the plots")
        changed = name != self._tool
        self._tool = name
        self.tools.set_tool(name)
        for canvas in self._canvases:
            canvas.set_tool(name)
        if changed:
            self.tool_changed.emit(name)

    @property
    def tool(self) -> str:
        """The tool that is on."""
        return self._tool

    def edit_population(self, population_id: str | None) -> None:
        """Show a population with handles, in a plot of its axes; opens one where none is open."""
        if population_id is not None and self._map is not None:
            try:
                population = self._desk.sorting.scheme(self._map).population(population_id)
            except KeyError:
                population_id = None
            else:
                self._open_for(population)
        self._edited = population_id
        for canvas in self._canvases:
            canvas.edit(population_id)

    def glow(self, which: str | None) -> None:
        """Make a population, or those of a phase, stand out; by id. None: none does."""
        self._glowing = which
        ids: set[str] = set()
        if which is not None and self._map is not None:
            scheme = self._desk.sorting.scheme(self._map)
            ids = {p.id for p in scheme.populations if p.id == which}
            for phase in scheme.phases:
                if phase.id == which:
                    ids |= {t.population for rule in phase.rules for t in rule}
        for canvas in self._canvases:
            canvas.glow(ids)

    def suggest(self) -> None:
        """Open the pairs of channels that tell most, as a job of little time."""
        map_id = self._map
        if map_id is None or len(self._desk.maps[map_id].channels) < 2:
            self._arrange()
            return
        desk = self._desk

        def done(pairs: list[tuple[str, str]]) -> None:
            if map_id != self._map:
                return
            self._pairs[map_id] = pairs
            if not self._plots:
                self._own[map_id] = tuple(
                    Plot(x=Axis(layer=a), y=Axis(layer=b)) for a, b in pairs[:FIRST]
                )
                self._follow()

        self._latest.ask("suggest", lambda progress: pairs_of(desk, map_id, progress), done)
        self._arrange()

    def _begin(self) -> None:
        """Show the map's plots, or find some."""
        self._follow()
        if not self._plots and self._map is not None and self._map not in self._own:
            self.suggest()

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        if not self._awake:
            # Nothing is counted, and the plotting library not loaded, before the board is looked at.
            self._awake = True
            self._begin()

    def sizeHint(self) -> QSize:
        return QSize(800, 380)

    def minimumSizeHint(self) -> QSize:
        return QSize(320, 236)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        letter = event.text().upper()
        for name, _icon, _words, key, _tip in TOOLS:
            if letter == key and event.modifiers() == Qt.KeyboardModifier.NoModifier:
                self.set_tool(name)
                return
        super().keyPressEvent(event)

    def event(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.ShortcutOverride and isinstance(event, QKeyEvent):
            # With the keys on the board, its letters are meant and not those of the map's rulers.
            plain = event.modifiers() == Qt.KeyboardModifier.NoModifier
            if plain and event.text().upper() in [t[3] for t in TOOLS]:
                event.accept()
                return True
        return bool(super().event(event))

    def focusInEvent(self, event: QFocusEvent) -> None:
        super().focusInEvent(event)
        shown = [c for c in self._canvases if c.isVisible()]
        if shown:
            shown[0].setFocus(event.reason())

    def close(self) -> bool:
        """Let the desk go; the board shows nothing any more."""
        self._desk.changed.disconnect(self._document_changed, missing_ok=True)
        self._desk.layers_changed.disconnect(self._layers_changed, missing_ok=True)
        self._desk.phases_changed.disconnect(self._phases_changed, missing_ok=True)
        self._desk.lit_changed.disconnect(self._lit_changed, missing_ok=True)
        self._rest.stop()
        self._soon.stop()
        self._clear()
        self._latest.stop()
        self._pointed.stop()
        self._source = None
        self._map = None
        return super().close()

    # -- open plots ------------------------------------------------------------------------------

    def add(self, plot: Plot) -> None:
        """Open a plot."""
        self._only = None
        self._store((*self._plots, plot), "Open a plot")
        if plot.ternary is not None and plot.weights == (1.0, 1.0, 1.0) and self._canvases:
            from viewer.panels.sort.ternary_view import TernaryPlot

            last = self._canvases[-1]
            if isinstance(last, TernaryPlot):
                last.spread()

    def remove(self, index: int) -> None:
        """Close a plot."""
        self._only = None
        self._store(self._plots[:index] + self._plots[index + 1 :], "Close a plot")

    def change(self, index: int, plot: Plot) -> None:
        """Show other axes in a plot."""
        plots = list(self._plots)
        plots[index] = plot
        self._store(tuple(plots), "Change the axes of a plot")

    def show_only(self, index: int | None) -> None:
        """Give one plot all the room; None shows all again."""
        self._only = index
        self._arrange()

    def _store(self, plots: tuple[Plot, ...], label: str) -> None:
        """Keep the open plots with the scheme; a project that cannot be written keeps them here."""
        assert self._map is not None
        self._own[self._map] = plots
        if self._desk.readonly is None:
            scheme = self._desk.sorting.scheme(self._map)
            try:
                self._desk.sorting.set_scheme(
                    label, self._map, msgspec.structs.replace(scheme, plots=plots), merge="plots"
                )
            except GrainlightError as error:
                self._desk.say(error)
        self._follow()

    def _follow(self) -> None:
        """Show the plots of the scheme, or those that are not stored in it."""
        if not self._awake:
            return
        plots: tuple[Plot, ...] = ()
        if self._map is not None:
            plots = self._desk.sorting.scheme(self._map).plots
            if not plots or self._desk.readonly is not None:
                plots = self._own.get(self._map, ())
        if plots != self._plots:
            self._set_plots(plots)
        self._show_populations()
        self._arrange()

    def _set_plots(self, plots: tuple[Plot, ...]) -> None:
        old = dict(enumerate(zip(self._plots, self._canvases, strict=True)))
        self._plots = plots
        kept: list[PlotCanvas | None] = [None] * len(plots)
        # A plot that is still open keeps its widget, and with it its zoom; so does one of which only
        # the axes changed.
        for place, plot in enumerate(plots):
            same = [n for n, (p, _) in old.items() if p == plot]
            if same:
                at = min(same, key=lambda n: abs(n - place))
                kept[place] = old.pop(at)[1]
        for place, plot in enumerate(plots):
            if kept[place] is None and place in old:
                was, canvas = old[place]
                if (was.ternary is None) == (plot.ternary is None):
                    del old[place]
                    canvas.set_plot(plot)
                    kept[place] = canvas
        for _was, canvas in old.values():
            self._drop(canvas)
        self._canvases = [
            self._make(plot) if canvas is None else canvas
            for canvas, plot in zip(kept, plots, strict=True)
        ]

    def _make(self, plot: Plot) -> PlotCanvas:
        # Loaded with the first plot: the window opens without the plotting library.
        from viewer.panels.sort.plot_view import ScatterPlot
        from viewer.panels.sort.ternary_view import TernaryPlot

        assert self._source is not None
        kind = ScatterPlot if plot.ternary is None else TernaryPlot
        canvas = kind(self._source, plot, self._latest, self.grid.inner)
        canvas.set_tool(self._tool)
        canvas.gate_drawing.connect(self._drawing)
        canvas.gate_drawn.connect(lambda gate: self._drawn(canvas, gate))
        canvas.gate_edited.connect(self._editing)
        canvas.population_hovered.connect(self._hovered)
        canvas.population_clicked.connect(self._clicked)
        canvas.plot_changed.connect(lambda p: self.change(self._canvases.index(canvas), p))
        canvas.menu_wanted.connect(lambda at: self._menu(canvas, at))
        canvas.escaped.connect(self._escaped)
        canvas.lit_counted.connect(self._lit_counted)
        return canvas

    def _drop(self, canvas: PlotCanvas) -> None:
        canvas.close_down()
        canvas.hide()
        canvas.setParent(None)
        canvas.deleteLater()

    def _clear(self) -> None:
        for canvas in self._canvases:
            self._drop(canvas)
        self._canvases = []
        self._plots = ()
        self.grid.set_shown([])

    def _arrange(self) -> None:
        if self._only is not None and self._only >= len(self._canvases):
            self._only = None
        shown = self._canvases if self._only is None else [self._canvases[self._only]]
        self.grid.set_shown(shown)
        layers = 0 if self._map is None else len(self._desk.maps[self._map].layers)
        self.empty.set_state(layers=layers, working=self._latest.waits("suggest"))
        self.grid.setVisible(bool(shown))
        self.empty.setVisible(not shown)
        for button in (self.tools.plot_button, self.tools.ternary_button):
            button.setEnabled(layers >= (2 if button is self.tools.plot_button else 3))

    def _open_for(self, population: Population) -> None:
        """See that a plot is open in which a population can be edited."""
        for index, plot in enumerate(self._plots):
            shown = seen(population.gate, plot)
            if shown is not None and shown.own is not None:
                if self._only is not None and self._only != index:
                    self.show_only(None)
                return
        wanted = plot_of(population.gate)
        if isinstance(population.gate, Range):
            wanted = self._plot_with(population.gate.layer)
        if wanted is not None:
            self.add(wanted)

    def _plot_with(self, layer: str) -> Plot | None:
        """A plot of a layer against one that is worth it."""
        assert self._source is not None, "a map is plotted"
        for pair in self._pairs.get(self._source.map_id, ()):
            if layer in pair:
                return Plot(x=Axis(layer=pair[0]), y=Axis(layer=pair[1]))
        other = next((x.name for x in self._source.layers() if x.name != layer), None)
        return None if other is None else Plot(x=Axis(layer=layer), y=Axis(layer=other))

    # -- menus -----------------------------------------------------------------------------------

    def _offer(self, corners: int) -> None:
        if self._source is None or self._map is None:
            return
        layers = self._source.layers()
        if len(layers) < corners:
            return
        panel = AddPlot(layers, self._worth(layers, corners), corners, self)
        panel.chosen.connect(self.add)
        button = self.tools.plot_button if corners == 2 else self.tools.ternary_button
        panel.open_below(button)

    def _worth(self, layers: tuple[PlotLayer, ...], corners: int) -> list[tuple[str, ...]]:
        """Pairs or triples that are not open yet."""
        assert self._map is not None
        pairs = self._pairs.get(self._map, [])
        if corners == 2:
            open_ = {frozenset(layers_on(p)) for p in self._plots if p.ternary is None}
            closed: list[tuple[str, ...]] = [p for p in pairs if frozenset(p) not in open_]
            return closed[:4]
        triples: list[tuple[str, ...]] = []
        for one, other in pairwise(pairs):
            names = tuple(dict.fromkeys((*one, *other)))[:3]
            if len(names) == 3 and all(set(names) != set(t) for t in triples):
                triples.append(names)
        return triples[:2]

    def plot_menu(self, canvas: PlotCanvas) -> QMenu:
        """What a plot's menu offers."""
        from viewer.panels.sort.plot_view import ScatterPlot
        from viewer.panels.sort.ternary_view import EQUAL, TernaryPlot

        index = self._canvases.index(canvas)
        menu = QMenu(self)
        menu.setToolTipsVisible(True)
        if isinstance(canvas, ScatterPlot):
            for which, words in (("x", "Axis across"), ("y", "Axis up")):
                sub = canvas.axis_menu(which)
                sub.setTitle(words)
                menu.addMenu(sub)
            menu.addAction("Swap the axes", canvas.swap)
        elif isinstance(canvas, TernaryPlot):
            for corner, words in enumerate(("Lower left corner", "Lower right corner", "Top corner")):
                sub = canvas.corner_menu(corner)
                sub.setTitle(words)
                menu.addMenu(sub)
            menu.addAction("Spread the clouds", canvas.spread).setToolTip(
                "Weigh the layers so that each has a third of the plot, on the mean"
            )
            menu.addAction("Equal weights", lambda: canvas.set_weights(EQUAL))
        menu.addSeparator()
        menu.addAction("Fit\t0", canvas.fit).setToolTip(
            "Show nearly all pixels: a few of extraordinary values do not count"
        )
        if isinstance(canvas, ScatterPlot):
            menu.addAction("Show all values", canvas.show_all).setToolTip(
                "From the lowest to the highest value that occurs"
            )
        menu.addSeparator()
        only = menu.addAction("Only this plot")
        only.setCheckable(True)
        only.setChecked(self._only == index)
        only.setEnabled(len(self._canvases) > 1)
        only.triggered.connect(lambda on: self.show_only(index if on else None))
        menu.addAction("Close this plot", lambda: self.remove(index))
        return menu

    def _menu(self, canvas: PlotCanvas, at: QPoint) -> None:
        self.plot_menu(canvas).popup(at)

    # -- where -----------------------------------------------------------------------------------

    def _offer_where(self) -> None:
        units: list[tuple[str, str]] = []
        phases: list[tuple[str, str]] = []
        if self._map is not None:
            units = [(u.id, u.name) for u in self._desk.sorting.units(self._map)]
            phases = [(p.id, p.name) for p in self._desk.sorting.scheme(self._map).phases]
        if not self.tools.where.set_offered(units, phases):
            self._refresh()

    def _choose_where(self, kind: str, which: str) -> None:
        if kind == "phase" and self._map is not None:
            # The phase is counted as the map is sorted now; a newer sorting counts it anew.
            self._desk.sorting.image(self._map)
        self._refresh()

    def _where(self) -> Where:
        kind, which = self.tools.where.choice
        if kind == "view" and self._window is not None:
            return Where.view(*self._window)
        if kind == "unit":
            return Where.unit(which)
        if kind == "phase":
            return Where.phase(which)
        return Where.map()

    def _refresh(self) -> None:
        if self._source is None:
            return
        self._source.where = self._where()
        for canvas in self._canvases:
            canvas.refresh()

    # -- what the plots say ----------------------------------------------------------------------

    def _drawing(self, gate: Gate | None) -> None:
        self._light(gate)
        self.gate_drawing.emit(gate)

    def _drawn(self, canvas: PlotCanvas, gate: Gate) -> None:
        for other in self._canvases:
            if other is not canvas:
                other.drop_waiting()
        self._light(gate)
        self.gate_drawn.emit(gate)

    def _editing(self, population_id: str, gate: Gate, finished: bool) -> None:
        assert self._map is not None
        inverted = self._desk.sorting.scheme(self._map).population(population_id).inverted
        self._light(gate, inverted)
        self.gate_edited.emit(population_id, gate, finished)

    def _light(self, gate: Gate | None, inverted: bool = False) -> None:
        """Light up a gate's pixels on the map and in the other plots."""
        if self._map is None:
            return
        if gate is not None:
            self._mine = gate
            self._desk.light_gate(self._map, gate, inverted)
        elif self._mine is not None:
            self._mine = None
            self._desk.douse(self._map)

    def _hovered(self, population_id: str) -> None:
        if self._map is not None and population_id:
            if not self._over:
                self._before = self._desk.lit_where(self._map)
            population = self._desk.sorting.scheme(self._map).population(population_id)
            self._desk.light_gate(self._map, population.gate, population.inverted)
        elif self._map is not None and self._over:
            before, self._before = self._before, None
            self._relight(before)
        self._over = population_id
        ids = {population_id} if population_id else set()
        for canvas in self._canvases:
            canvas.glow(ids)
        if not population_id:
            self.glow(self._glowing)
        self.population_hovered.emit(population_id)

    def _relight(self, where: Where | None) -> None:
        """Light up again what was lit before the pointer came upon an outline."""
        assert self._map is not None
        if where is None:
            self._desk.douse(self._map)
        elif where.within is not None:
            self._desk.light_gate(self._map, where.within, where.inverted)
        elif where.kind == "phase":
            self._desk.light_phase(self._map, where.id)
        elif where.kind == "region":
            self._desk.light_region(self._map, where.outlines)

    def _clicked(self, population_id: str) -> None:
        if population_id != (self._edited or ""):
            self.edit_population(population_id or None)
            self.population_selected.emit(population_id)

    def _escaped(self) -> None:
        """Esc with nothing begun: put out the light, let go of the population, or of the tool."""
        if self._mine is not None:
            self._light(None)
        elif self._edited is not None:
            self._clicked("")
        elif self._only is not None:
            self.show_only(None)
        else:
            self.set_tool("pan")

    def _lit_counted(self, pixels: int | None) -> None:
        words = ""
        if pixels is not None:
            words = f"{grouped(pixels)} {'pixel' if pixels == 1 else 'pixels'} lit"
        self.tools.words.setText(words)

    def _show_cross(self, values: dict[str, float] | None) -> None:
        for canvas in self._canvases:
            canvas.set_values(values)

    # -- what the desk says ----------------------------------------------------------------------

    def _document_changed(self, document: str) -> None:
        if self._map is None or self._map not in self._desk.maps:
            return
        if document == "schemes":
            populations = self._desk.sorting.scheme(self._map).populations
            if populations != self._populations:
                # What was drawn has its name now.
                for canvas in self._canvases:
                    canvas.drop_waiting()
            self._follow()
            self._offer_where()
        elif document == "key":
            self._show_populations()
        elif document == "units":
            self._offer_where()
            if self.tools.where.choice[0] == "unit":
                self._refresh()
        elif document == "setup":
            self._refresh()

    def _layers_changed(self, map_id: str) -> None:
        if map_id == self._map:
            for canvas in self._canvases:
                canvas.set_plot(canvas.plot)
            self._arrange()

    def _phases_changed(self, map_id: str) -> None:
        if map_id == self._map and self.tools.where.choice[0] == "phase":
            self._refresh()

    def _lit_changed(self, map_id: str) -> None:
        if map_id != self._map or self._source is None:
            return
        self._source.lit = self._desk.lit_where(map_id)
        if self._source.lit is None:
            self._mine = None
            self.tools.words.setText("")
        if self._mine is None:
            self._soon.stop()
            self._show_lit()
        elif not self._soon.isActive():
            self._soon.start()

    def _show_lit(self) -> None:
        for canvas in self._canvases:
            canvas.refresh_lit(live=True)

    def _show_populations(self) -> None:
        if self._map is not None:
            self._populations = self._desk.sorting.scheme(self._map).populations
        outlined = self._outlined()
        for canvas in self._canvases:
            canvas.set_populations(outlined)
        if self._edited is not None:
            if self._edited not in {p.id for p in outlined}:
                self._edited = None
            for canvas in self._canvases:
                canvas.edit(self._edited)

    def _outlined(self) -> tuple[Outlined, ...]:
        """Populations with the colour of the first phase that uses each."""
        if self._map is None or not self._canvases:
            return ()
        from viewer.panels.sort.plot_outlines import Outlined

        scheme = self._desk.sorting.scheme(self._map)
        colours: dict[str, tuple[int, int, int]] = {}
        for phase in scheme.phases:
            for rule in phase.rules:
                for term in rule:
                    if not term.negated:
                        colours.setdefault(term.population, self._desk.sorting.colour(phase.name))
        return tuple(
            Outlined(p.id, p.name, p.gate, p.inverted, colours.get(p.id))
            for p in scheme.populations
            if not isinstance(p.gate, Painted)
        )

    def _failed(self, key: str, text: str) -> None:
        if key == "suggest":
            self._arrange()
            self._desk.said.emit("caution", text)


def main() -> None:
    """Show the board of a small made-up slab."""
    import tempfile
    from pathlib import Path

    from PySide6.QtWidgets import QApplication

    from viewer.desk.demo import build
    from viewer.panels.look.trial import show
    from viewer.panels.qt import Poster

    folder = tempfile.TemporaryDirectory()

    def make() -> QWidget:
        app = QApplication.instance()
        assert app is not None, "made when the application runs"
        poster = Poster(app)
        desk = Desk.open(build(Path(folder.name), scale=0.2).project, poster.post)
        board = PlotBoard(desk)

        def end() -> None:
            board.close()
            desk.close()
            folder.cleanup()

        app.aboutToQuit.connect(end)
        board.set_map(next(iter(desk.maps)))
        board.resize(800, 380)
        return board

    show(make)


if __name__ == "__main__":
    main()
