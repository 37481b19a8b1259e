"""The picture itself: tiles that are loaded, coloured and drawn."""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from typing import Any

from PySide6.QtCore import QRectF
from PySide6.QtGui import QPainter

from viewer.panels.map import brush
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

    def lacking(self, stamp: int, start: int, stop: int) -> list[tuple[int, int]]:
        """Bands of rows that must be coloured before rows `start` to `stop` can be shown."""
        rows = self.block.shape[0]
        if self.stamp != stamp:
            self.stamp, self.done = stamp, (0, 0)
        low, high = self.done
        if low <= start and stop <= high:
            return []
        if not isinstance(self.block, Strips):
            return [(0, rows)]
        start = start // BAND * BAND
        stop = min(-(-stop // BAND) * BAND, rows)
        if low == high:
            return [(start, stop)]
        # What is coloured stays one piece: a gap between it and the new rows is coloured too.
        return [band for band in ((start, low), (high, stop)) if band[0] < band[1]]

    def colour(self, picture: Picture, start: int, stop: int) -> None:
        """Colour rows `start` to `stop`, one of the bands that `lacking` named."""
        if self.pixels is None:
            self.pixels = Pixels(*self.block.shape)
        low, high = self.done
        if (start, stop) == (0, self.block.shape[0]):
            picture.paint(self.block, self.pixels.array)
            self.done = (start, stop)
            return
        picture.paint(self.block.strip(start, stop), self.pixels.array[start:stop])
        self.done = (start, stop) if low == high else (min(start, low), max(stop, high))


@dataclass(frozen=True)
class _Piece:
    """Part of a tile that is drawn: rows and columns of the tile."""

    store: _Store
    tile: Tile
    top: int
    bottom: int
    left: int
    right: int


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
        pieces: list[_Piece | None] = []
        if self._former is not None:
            pieces += [_piece(self._former, tile, seen) for tile in self._former.base]
        level = store.grid.level_for(lens.um_per_px / lens.ratio)
        sharp: list[_Piece | None] = []
        for tile in store.grid.within(level, seen):
            if tile in store.tiles:
                sharp.append(_piece(store, tile, seen))
                continue
            for coarser in tile.over(store.grid.levels):
                if coarser in store.tiles:
                    area = seen.intersected(store.grid.place(tile))
                    pieces.append(_piece(store, coarser, area))
                    break
        _draw(painter, lens, [piece for piece in (*pieces, *sharp) if piece])
        painter.restore()

    def paint_base(self, painter: QPainter, lens: Lens) -> None:
        """Draw the coarsest level alone, for the overview."""
        store = self._store
        if store is None:
            return
        painter.save()
        painter.setTransform(lens.transform, True)
        painter.setClipRect(QRectF(0, 0, *lens.map_um))
        pieces = [
            _piece(store, tile, store.grid.place(tile))
            for tile in store.base
            if tile in store.tiles
        ]
        _draw(painter, lens, [piece for piece in pieces if piece])
        painter.restore()


def _piece(store: _Store, tile: Tile, area: QRectF) -> _Piece | None:
    """The part of a tile that lies in an area (µm); None where it is empty."""
    place = store.grid.place(tile)
    area = area.intersected(place)
    if area.isEmpty():
        return None
    px, py = store.grid.pixel(tile.level)
    rows, cols = store.tiles[tile].block.shape
    # Whole pixels of the tile, so that neighbours share an edge to the last bit.
    left = max(math.floor((area.left() - place.left()) / px + 1e-6), 0)
    top = max(math.floor((area.top() - place.top()) / py + 1e-6), 0)
    right = min(math.ceil((area.right() - place.left()) / px - 1e-6), cols)
    bottom = min(math.ceil((area.bottom() - place.top()) / py - 1e-6), rows)
    if right <= left or bottom <= top:
        return None
    return _Piece(store, tile, top, bottom, left, right)


def _draw(painter: QPainter, lens: Lens, pieces: list[_Piece]) -> None:
    """Colour what needs it, then draw in order."""
    _colour(pieces)
    for piece in pieces:
        store, tile = piece.store, piece.tile
        pixels = store.tiles[tile].pixels
        assert pixels is not None
        px, py = store.grid.pixel(tile.level)
        magnified = (px * py) ** 0.5 * lens.ratio / lens.um_per_px
        # One stored pixel on one of the screen is drawn as it is.
        crisp = tile.level == 0 and (magnified >= CRISP or abs(magnified - 1.0) < 1e-9)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform, not crisp)
        first_row, first_col = (part.start for part in store.grid.span(tile))
        wide, high = piece.right - piece.left, piece.bottom - piece.top
        painter.drawImage(
            QRectF(
                (first_col + piece.left) * px, (first_row + piece.top) * py, wide * px, high * py
            ),
            pixels.image,
            QRectF(piece.left, piece.top, wide, high),
        )


def _colour(pieces: list[_Piece]) -> None:
    rows: dict[tuple[int, Tile], tuple[_Store, int, int]] = {}
    for piece in pieces:
        key = (id(piece.store), piece.tile)
        _, top, bottom = rows.get(key, (piece.store, piece.top, piece.bottom))
        rows[key] = (piece.store, min(top, piece.top), max(bottom, piece.bottom))
    jobs: list[brush.Job] = []
    for (_, tile), (store, top, bottom) in rows.items():
        loaded = store.tiles[tile]
        bands = loaded.lacking(store.stamp, top, bottom)
        if bands:
            jobs.append(partial(_colour_bands, loaded, store.picture, bands))
    brush.colour(jobs)


def _colour_bands(loaded: _Loaded, picture: Picture, bands: list[tuple[int, int]]) -> None:
    for start, stop in bands:
        loaded.colour(picture, start, stop)
