"""The picture itself: tiles that are loaded, coloured and drawn."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Iterable
from typing import Any

from PySide6.QtCore import QRectF
from PySide6.QtGui import QPainter

from viewer.panels.map.lens import Lens
from viewer.panels.map.loader import Loader
from viewer.panels.map.protocol import Picture, Strips
from viewer.panels.map.tiles import Grid, Tile
from viewer.panels.qt import Pixels

CACHE_BYTES = 192 * 2**20
"""Memory for loaded tiles of one view."""

PIXEL_BYTES = 11
"""A loaded pixel: three 16-bit codes, a mask, and four bytes for the screen."""

MARGIN = 128
"""Pixels around the view that are loaded ahead."""

BAND = 64
"""Rows are coloured in bands of so many, so that a short pan seldom has to colour."""

CRISP = 1.5
"""Screen pixels to a stored one from which on stored pixels are drawn as sharp squares."""


class _Loaded:
    """A tile in memory and how much of it is coloured."""

    __slots__ = ("block", "done", "pixels", "stamp")

    def __init__(self, block: Any) -> None:
        self.block = block
        self.pixels: Pixels | None = None
        self.stamp = -1
        self.done = (0, 0)

    @property
    def bytes(self) -> int:
        return int(self.block.shape[0] * self.block.shape[1] * PIXEL_BYTES)

    def colour(self, picture: Picture, stamp: int, start: int, stop: int) -> Pixels:
        """Make sure that rows `start` to `stop` show the present colours."""
        rows, columns = self.block.shape
        if self.pixels is None:
            self.pixels = Pixels(rows, columns)
        if self.stamp != stamp:
            self.stamp, self.done = stamp, (0, 0)
        low, high = self.done
        if low <= start and stop <= high:
            return self.pixels
        start = start // BAND * BAND
        stop = min(-(-stop // BAND) * BAND, rows)
        if not isinstance(self.block, Strips):
            picture.paint(self.block, self.pixels.array)
            self.done = (0, rows)
        elif low == high:
            self._band(picture, start, stop)
            self.done = (start, stop)
        else:
            if start < low:
                self._band(picture, start, low)
            if stop > high:
                self._band(picture, high, stop)
            self.done = (min(start, low), max(stop, high))
        return self.pixels

    def _band(self, picture: Picture, start: int, stop: int) -> None:
        assert self.pixels is not None
        picture.paint(self.block.strip(start, stop), self.pixels.array[start:stop])


class _Store:
    """Tiles of one picture, the longest unused dropped first."""

    def __init__(self, picture: Picture) -> None:
        self.picture = picture
        self.grid = Grid(picture.shape, picture.pixel_um, picture.levels)
        self.base = self.grid.all(picture.levels - 1)
        self.tiles: OrderedDict[Tile, _Loaded] = OrderedDict()
        self.bytes = 0
        self.stamp = 0

    @property
    def based(self) -> bool:
        """True where the coarsest level is loaded whole: there is something to show everywhere."""
        return all(tile in self.tiles for tile in self.base)

    def put(self, tile: Tile, block: Any) -> None:
        old = self.tiles.pop(tile, None)
        if old is not None:
            self.bytes -= old.bytes
        self.tiles[tile] = _Loaded(block)
        self.bytes += self.tiles[tile].bytes

    def touch(self, tiles: Iterable[Tile]) -> None:
        for tile in tiles:
            if tile in self.tiles:
                self.tiles.move_to_end(tile)

    def trim(self, keep: set[Tile], limit: int) -> None:
        for tile in list(self.tiles):
            if self.bytes <= limit:
                return
            if tile not in keep:
                self.bytes -= self.tiles.pop(tile).bytes


class TilesItem:
    """Draws a `Picture` through a `Lens`.

    Parameters
    ----------
    changed : callable
        Called when there is something new to draw.
    failed : callable
        Called with a text when part of the picture could not be read.
    """

    def __init__(self, changed: Callable[[], None], failed: Callable[[str], None]) -> None:
        self._changed = changed
        self._store: _Store | None = None
        self._former: _Store | None = None
        self._shown: set[Tile] = set()
        self.cache_bytes = CACHE_BYTES
        self.loader = Loader(self._arrived, failed)

    @property
    def picture(self) -> Picture | None:
        """What is shown."""
        return self._store.picture if self._store else None

    @property
    def based(self) -> bool:
        """True where the coarsest level is loaded whole: there is something to show everywhere."""
        return self._store is not None and self._store.based

    @property
    def stamp(self) -> tuple[int, int]:
        """Changes whenever the coarsest level looks other than before."""
        store = self._store
        return (0, 0) if store is None else (id(store), store.stamp * 2 + int(store.based))

    @property
    def loaded_bytes(self) -> int:
        """Memory of the loaded tiles."""
        return self._store.bytes if self._store else 0

    def set_picture(self, picture: Picture | None) -> None:
        """Show another picture. One of the same key is only coloured anew."""
        store = self._store
        if picture is None:
            self._store = self._former = None
            return
        if store is not None and store.picture.key == picture.key:
            store.picture = picture
            self.loader.follow(picture)
            self.recolour()
            return
        # Until the coarsest level of the new one is there, the old one stays: no blank flash.
        same_map = store is not None and (
            (store.picture.shape, store.picture.pixel_um) == (picture.shape, picture.pixel_um)
        )
        if not same_map:
            self._former = None
        elif store is not None and store.based:
            self._former = store
        self._store = _Store(picture)
        self.loader.start(picture, self._store.grid)

    def recolour(self) -> None:
        """Colour what is in view anew at the next drawing."""
        if self._store is not None:
            self._store.stamp += 1
            self._changed()

    # Loading -----------------------------------------------------------------------------------

    def want(self, lens: Lens) -> None:
        """Ask for what the view needs and lacks."""
        store = self._store
        if store is None:
            return
        level = store.grid.level_for(lens.um_per_px / lens.ratio)
        seen = lens.visible_um
        visible = [] if seen.isEmpty() else store.grid.within(level, seen)
        ahead = [] if seen.isEmpty() else store.grid.within(level, seen, MARGIN)
        self._shown = {*visible, *ahead, *store.base}
        store.touch(visible)
        wanted = dict.fromkeys([*store.base, *visible, *ahead])
        self.loader.want([tile for tile in wanted if tile not in store.tiles])
        store.trim(self._shown, self.cache_bytes)

    def _arrived(self, loaded: list[tuple[Picture, Tile, Any]]) -> None:
        store = self._store
        if store is None:
            return
        fresh = [(tile, block) for key, tile, block in loaded if key.key == store.picture.key]
        for tile, block in fresh:
            store.put(tile, block)
        if store.based:
            self._former = None
        store.trim(self._shown, self.cache_bytes)
        if fresh:
            self._changed()

    # Drawing -----------------------------------------------------------------------------------

    def paint(self, painter: QPainter, lens: Lens) -> None:
        """Draw all of the picture that is in view."""
        store = self._store
        seen = lens.visible_um
        if store is None or seen.isEmpty():
            return
        painter.save()
        painter.setTransform(lens.transform, True)
        painter.setClipRect(QRectF(0, 0, *lens.map_um))
        painter.setCompositionMode(QPainter.CompositionMode.CompositionMode_Source)
        if self._former is not None:
            self._paint_former(painter, lens, seen)
        level = store.grid.level_for(lens.um_per_px / lens.ratio)
        ready = []
        for tile in store.grid.within(level, seen):
            if tile in store.tiles:
                ready.append(tile)
                continue
            for coarser in tile.over(store.grid.levels):
                if coarser in store.tiles:
                    area = seen.intersected(store.grid.place(tile))
                    self._paint_tile(painter, lens, store, coarser, area)
                    break
        for tile in ready:
            self._paint_tile(painter, lens, store, tile, seen)
        painter.restore()

    def paint_base(self, painter: QPainter, lens: Lens) -> None:
        """Draw the coarsest level alone, for the overview."""
        store = self._store
        if store is None:
            return
        painter.save()
        painter.setTransform(lens.transform, True)
        painter.setClipRect(QRectF(0, 0, *lens.map_um))
        for tile in store.base:
            if tile in store.tiles:
                self._paint_tile(painter, lens, store, tile, store.grid.place(tile))
        painter.restore()

    def _paint_former(self, painter: QPainter, lens: Lens, seen: QRectF) -> None:
        former = self._former
        assert former is not None
        for tile in former.base:
            self._paint_tile(painter, lens, former, tile, seen)

    @staticmethod
    def _paint_tile(
        painter: QPainter, lens: Lens, store: _Store, tile: Tile, area: QRectF
    ) -> None:
        """Draw the part of a tile that lies in an area (µm)."""
        place = store.grid.place(tile)
        area = area.intersected(place)
        if area.isEmpty():
            return
        loaded = store.tiles[tile]
        px, py = store.grid.pixel(tile.level)
        rows, cols = loaded.block.shape
        # Whole pixels of the tile, so that neighbours share an edge to the last bit.
        left = max(int((area.left() - place.left()) / px + 1e-6), 0)
        top = max(int((area.top() - place.top()) / py + 1e-6), 0)
        right = min(-int(-((area.right() - place.left()) / px - 1e-6) // 1), cols)
        bottom = min(-int(-((area.bottom() - place.top()) / py - 1e-6) // 1), rows)
        if right <= left or bottom <= top:
            return
        pixels = loaded.colour(store.picture, store.stamp, top, bottom)
        magnified = (px * py) ** 0.5 * lens.ratio / lens.um_per_px
        # One stored pixel on one of the screen is drawn as it is.
        crisp = tile.level == 0 and (magnified >= CRISP or abs(magnified - 1.0) < 1e-9)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform, not crisp)
        first_row, first_col = (part.start for part in store.grid.span(tile))
        painter.drawImage(
            QRectF(
                (first_col + left) * px,
                (first_row + top) * py,
                (right - left) * px,
                (bottom - top) * py,
            ),
            pixels.image,
            QRectF(left, top, right - left, bottom - top),
        )
