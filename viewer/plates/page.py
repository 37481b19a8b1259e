"""What goes on the page of a plate, and where: pure geometry, in millimetres.

The map stands alone; everything else is written above and below it, so that nothing ever covers a
pixel. A `Layout` is a list of plain shapes and texts that a raster and a PDF draw alike.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Literal, NamedTuple

import msgspec

from viewer.errors import InputError
from viewer.plates.legend import Colours, entries, plain_text
from viewer.plates.paper import PAPERS, RGB, Paper, PaperName, readable
from viewer.plates.resolution import MM_PER_INCH, POINTS_PER_INCH
from viewer.plates.source import Rectangle
from viewer.plates.typeface import text_width_mm
from viewer.science.look.scalebar import label as length_label
from viewer.science.look.scalebar import nice_length

SMALLEST_TEXT_PT = 6.0
"""Common practice of journals: no smaller text at print size."""

MM_PER_POINT = MM_PER_INCH / POINTS_PER_INCH

# Of the typeface, in ems: height of a capital, depth of a g, distance of lines.
CAP, DEPTH, PITCH = 0.729, 0.236, 1.35

GAP_MM = 2.2
"""Between the map and what is written above and below it."""

_SPREAD_MM = 4.0  # between things that stand side by side
_LEADING_MM = 0.7  # between entries of the key in a column
_SWATCH_LEADING_MM = 0.9  # between entries of a key of phases
_SWATCH_ASPECT = 1.8
_BAR_MM = 0.8  # thickness of the scale bar
_BAR_SHARE, _BAR_LONGEST_MM = 0.3, 45.0
_DIAL_MM = 5.0  # side of the square in which the way-up arrow turns
_NARROWEST_MM = 25.0
_LEAST_MAP_MM = 3.0


class Page(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How a composite is to be printed.

    Attributes
    ----------
    width_mm : float or None
        Width of the page, margins included. None: wide enough that one printed pixel is one map
        pixel at `dpi` (of a map with square pixels).
    dpi : float
        Pixels an inch of a raster; the most that a PDF or SVG holds of the map.
    paper : {"light", "dark"}
    margin_mm : float
        On all four sides.
    max_height_mm : float, optional
        The map is drawn smaller, centred on the page, where the page would become taller.
    font_pt : float
        Size of all text but the title, which is a seventh larger.
    title, caption : str
        Above the map, and under its key. Wrapped to the width.
    names, bar, arrow : bool
        Draw the channel names or the key of the phases, the scale bar, the way-up (where it is set).
    areas : bool
        Say in the key which part of the area each phase takes up.
    bar_um : float, optional
        Length of the scale bar; by default the longest of 1, 2 or 5 times a power of ten that takes up
        at most three tenths of the map.
    window_um : (float, float, float, float), optional
        Left, top, right, bottom in µm on the stored map; the whole map by default.
    """

    width_mm: float | None = 180.0
    dpi: float = 300.0
    paper: PaperName = "light"
    margin_mm: float = 2.0
    max_height_mm: float | None = None
    font_pt: float = 7.0
    title: str = ""
    caption: str = ""
    names: bool = True
    bar: bool = True
    arrow: bool = True
    areas: bool = False
    bar_um: float | None = None
    window_um: Rectangle | None = None

    def __post_init__(self) -> None:
        _within("width", self.width_mm, 20, 2000, "mm")
        _within("resolution", self.dpi, 50, 2400, "dpi")
        _within("margin", self.margin_mm, 0, 50, "mm")
        _within("largest height", self.max_height_mm, 20, 2000, "mm")
        _within("text size", self.font_pt, 3, 72, "pt")
        if self.bar_um is not None and not (math.isfinite(self.bar_um) and self.bar_um > 0):
            raise InputError("A scale bar has a length above 0 µm.", where="scale bar")
        if self.paper not in PAPERS:
            raise InputError("The paper is light or dark.", where="paper")
        if self.width_mm is not None and self.width_mm - 2 * self.margin_mm < _NARROWEST_MM * 0.7:
            raise InputError(
                f"A page {self.width_mm:g} mm wide has no room between margins of "
                f"{self.margin_mm:g} mm.",
                where="page",
            )


class Box(NamedTuple):
    """A filled rectangle: left, top, width, height in mm, y down."""

    x: float
    y: float
    w: float
    h: float
    colour: RGB = (0, 0, 0)


class Text(NamedTuple):
    """A line of text that starts at `x`, with its baseline at `y`, in mm."""

    x: float
    y: float
    text: str
    size_pt: float
    colour: RGB
    bold: bool = False
    align: Literal["left", "center"] = "left"


class Arrow(NamedTuple):
    """An arrow of a length in mm about a centre, at degrees clockwise from up."""

    x: float
    y: float
    length: float
    degrees: float
    colour: RGB


Item = Box | Text | Arrow


class Layout(NamedTuple):
    """A page: its size in mm, where the map is, and everything around it.

    `bar` is the scale bar's rectangle and `bar_um` its length on the rock, where there is one.
    """

    width: float
    height: float
    map: Box
    paper: Paper
    items: tuple[Item, ...]
    bar: Box | None
    bar_um: float | None


def lay_out(
    page: Page,
    shape: tuple[int, int],
    pixel_um: tuple[float, float] | None,
    colours: Colours,
    way_up_deg: float | None,
    *,
    classes: bool = False,
) -> Layout:
    """Set a page.

    Parameters
    ----------
    page : Page
    shape : (int, int)
        Rows and columns of the map as displayed.
    pixel_um : (float, float) or None
        Width and height of a displayed pixel. None: squares of unknown size, and no scale bar.
    colours : tuple of (str, (int, int, int))
        Name and colour of each channel, or phase.
    way_up_deg : float or None
        Clockwise from the top of the displayed map.
    classes : bool
        The colours are phases: a key of swatches, in their order, instead of names in their colours.

    Raises
    ------
    InputError
        The page has no room for the map, or the scale bar is longer than the map.
    """
    rows, cols = shape
    across, down = pixel_um or (1.0, 1.0)
    aspect = (rows * down) / (cols * across)
    if page.width_mm is None:
        # Counted in pixels, so that no rounding later gives the map one more or one less.
        step = MM_PER_INCH / page.dpi
        margins = 2 * round(page.margin_mm / step)
        map_width = cols * step
        width = (max(cols, math.ceil(_NARROWEST_MM / step)) + margins) * step
    else:
        width = page.width_mm
        map_width = width - 2 * page.margin_mm
    scale = None if pixel_um is None else cols * across
    key = _Key(entries(colours, classes=classes) if page.names else (), classes)
    for _ in range(4):  # a smaller map has a shorter bar, which may change the rows below it
        layout = _set(page, width, map_width, map_width * aspect, scale, key, way_up_deg)
        excess = layout.height - (page.max_height_mm or math.inf)
        if excess <= 1e-9:
            return layout
        map_width = (layout.map.h - excess) / aspect
        if layout.map.h - excess < _LEAST_MAP_MM or map_width < _LEAST_MAP_MM:
            break
    raise InputError(
        f"A page {page.max_height_mm:g} mm tall has no room for this map and its text.",
        where="page",
        hint="Allow a taller page, or leave out the caption.",
    )


def _set(
    page: Page,
    width: float,
    map_w: float,
    map_h: float,
    extent_um: float | None,
    key: _Key,
    way_up_deg: float | None,
) -> Layout:
    paper = PAPERS[page.paper]
    left, inner = page.margin_mm, width - 2 * page.margin_mm
    items: list[Item] = []
    y = page.margin_mm
    title = _wrap(page.title, inner, page.font_pt * 8 / 7, bold=True)
    if title:
        items += _lines(title, left, y, page.font_pt * 8 / 7, paper.ink, bold=True)
        y += _height(len(title), page.font_pt * 8 / 7) + GAP_MM - DEPTH * page.font_pt * MM_PER_POINT
    map_box = Box(left + (inner - map_w) / 2, y, map_w, map_h, paper.ground)
    y += map_h

    bar, bar_um = None, None
    blocks: list[_Block] = []
    if page.arrow and way_up_deg is not None:
        blocks.append(_dial(way_up_deg, page.font_pt, paper))
    if page.bar and extent_um is not None:
        bar_um = _bar_length(page, extent_um, map_w)
        blocks.append(_bar(bar_um, bar_um / extent_um * map_w, page.font_pt, paper))
    size = page.font_pt
    if key.classes:
        keys = [_swatch(text, colour, size, paper, inner) for text, colour in key.entries]
    else:
        keys = [_key(text, colour, size, paper, inner) for text, colour in key.entries]
    for row in _rows(keys, blocks, inner, _columns if key.classes else _flow):
        y += GAP_MM
        for block, x in row.placed:
            items += [_moved(item, left + x, y) for item in block.items]
            if block.bar is not None:
                found = _moved(block.bar, left + x, y)
                bar = found if isinstance(found, Box) else None
        y += row.height
    caption = _wrap(page.caption, inner, page.font_pt)
    if caption:
        y += GAP_MM
        items += _lines(caption, left, y, page.font_pt, paper.ink)
        y += _height(len(caption), page.font_pt)
    return Layout(width, y + page.margin_mm, map_box, paper, tuple(items), bar, bar_um)


class _Key(NamedTuple):
    """What the key says, and whether it is of phases."""

    entries: tuple[tuple[str, RGB], ...]
    classes: bool


class _Block(NamedTuple):
    """Things that keep together, placed from their own top left."""

    width: float
    height: float
    items: tuple[Item, ...]
    bar: Box | None = None


class _Row(NamedTuple):
    height: float
    placed: tuple[tuple[_Block, float], ...]


_Set = Callable[[list["_Block"], float], "_Row"]


def _rows(
    keys: list[_Block], blocks: list[_Block], inner: float, flow: _Set
) -> list[_Row]:
    """Names from the left, bar and arrow at the right; below one another where the page is narrow."""
    right = sum(b.width for b in blocks) + _SPREAD_MM * max(0, len(blocks) - 1)
    if blocks and right > inner:
        return [*_rows(keys, [], inner, flow), *(_row([b], inner) for b in blocks)]
    room = inner - (right + _SPREAD_MM if blocks else 0.0)
    if blocks and keys and max(k.width for k in keys) > room:
        return [*_rows(keys, [], inner, flow), _row(blocks, inner)]
    if not keys and not blocks:
        return []
    names = flow(keys, room)
    tail = _row(blocks, inner)
    if flow is _columns and blocks:
        # A long key may be lower above the bar, with the whole width for its columns, than beside it.
        alone = _columns(keys, inner)
        if alone.height + GAP_MM + tail.height < names.height:
            return [alone, tail]
    return [_Row(max(names.height, tail.height), (*names.placed, *tail.placed))]


def _row(blocks: list[_Block], inner: float) -> _Row:
    """Blocks side by side against the right edge."""
    placed: list[tuple[_Block, float]] = []
    x = inner
    for block in reversed(blocks):
        placed.append((block, x - block.width))
        x -= block.width + _SPREAD_MM
    return _Row(max((b.height for b in blocks), default=0.0), tuple(placed))


def _flow(keys: list[_Block], room: float) -> _Row:
    """Key entries side by side where one line holds them all, else in a column."""
    beside = sum(k.width for k in keys) + _SPREAD_MM * max(0, len(keys) - 1) <= room
    placed: list[tuple[_Block, float]] = []
    x = y = 0.0
    for key in keys:
        items = tuple(_moved(item, 0.0, y) for item in key.items)
        placed.append((key._replace(items=items), x))
        if beside:
            x += key.width + _SPREAD_MM
        else:
            y += key.height + _LEADING_MM
    tallest = max((k.height for k in keys), default=0.0)
    return _Row(tallest if beside else max(0.0, y - _LEADING_MM), tuple(placed))


def _columns(keys: list[_Block], room: float) -> _Row:
    """Key entries in as many columns as fit, read down one after the other; in one line if they can.

    Columns are filled evenly, so that the last is not left with a single entry.
    """
    one_line = _flow(keys, room)
    if len(keys) < 2 or len({block.items[0].y for block, _ in one_line.placed}) == 1:
        return one_line
    for count in range(len(keys) - 1, 0, -1):
        ends = [-(-len(keys) * i // count) for i in range(count + 1)]
        columns = [keys[a:b] for a, b in pairwise(ends)]
        widths = [max(k.width for k in column) for column in columns]
        if count == 1 or sum(widths) + _SPREAD_MM * (len(widths) - 1) <= room:
            break
    placed: list[tuple[_Block, float]] = []
    x = tallest = 0.0
    for column, wide in zip(columns, widths, strict=True):
        y = 0.0
        for key in column:
            items = tuple(_moved(item, 0.0, y) for item in key.items)
            placed.append((key._replace(items=items), x))
            y += key.height + _SWATCH_LEADING_MM
        tallest = max(tallest, y - _SWATCH_LEADING_MM)
        x += wide + _SPREAD_MM
    return _Row(tallest, tuple(placed))


def _swatch(text: str, colour: RGB, size_pt: float, paper: Paper, inner: float) -> _Block:
    """A swatch in exactly the map's colour, in a hairline of ink, and the name in ink."""
    high = CAP * size_pt * MM_PER_POINT
    wide = _SWATCH_ASPECT * high
    line = 0.15
    indent = wide + 1.2
    lines = _wrap(text, inner - indent, size_pt)
    items: list[Item] = [
        Box(0, 0, wide, high, paper.ink),
        Box(line, line, wide - 2 * line, high - 2 * line, colour),
        *_lines(lines, indent, 0.0, size_pt, paper.ink),
    ]
    width = indent + max((text_width_mm(one, size_pt) for one in lines), default=0.0)
    return _Block(width, _height(max(1, len(lines)), size_pt), tuple(items))


def _key(text: str, colour: RGB, size_pt: float, paper: Paper, inner: float) -> _Block:
    side = CAP * size_pt * MM_PER_POINT
    line = 0.15  # a hairline, so that a square of the paper's colour still shows
    indent = side + 1.0
    lines = _wrap(text, inner - indent, size_pt)
    items: list[Item] = [
        Box(0, 0, side, side, paper.ink),
        Box(line, line, side - 2 * line, side - 2 * line, colour),
        *_lines(lines, indent, 0.0, size_pt, readable(colour, paper)),
    ]
    width = indent + max((text_width_mm(one, size_pt) for one in lines), default=0.0)
    return _Block(width, _height(max(1, len(lines)), size_pt), tuple(items))


def _bar(bar_um: float, length: float, size_pt: float, paper: Paper) -> _Block:
    label = length_label(bar_um)
    wide = max(length, text_width_mm(label, size_pt))
    bar = Box((wide - length) / 2, 0.0, length, _BAR_MM, paper.ink)
    baseline = _BAR_MM + 1.0 + CAP * size_pt * MM_PER_POINT
    text = Text(wide / 2, baseline, label, size_pt, paper.ink, align="center")
    return _Block(wide, baseline + DEPTH * size_pt * MM_PER_POINT, (bar, text), bar)


def _dial(degrees: float, size_pt: float, paper: Paper) -> _Block:
    label = "way up"
    cap = CAP * size_pt * MM_PER_POINT
    items: tuple[Item, ...] = (
        Arrow(_DIAL_MM / 2, _DIAL_MM / 2, _DIAL_MM, degrees, paper.ink),
        Text(_DIAL_MM + 0.8, (_DIAL_MM + cap) / 2, label, size_pt, paper.ink),
    )
    return _Block(_DIAL_MM + 0.8 + text_width_mm(label, size_pt), _DIAL_MM, items)


def _bar_length(page: Page, extent_um: float, map_w: float) -> float:
    if page.bar_um is None:
        return nice_length(extent_um, min(_BAR_SHARE, _BAR_LONGEST_MM / map_w))[0]
    if page.bar_um > extent_um:
        raise InputError(
            f"A scale bar of {length_label(page.bar_um)} is longer than the map, "
            f"which is {length_label(extent_um)} wide.",
            where="scale bar",
        )
    return page.bar_um


def _lines(
    lines: list[str], x: float, top: float, size_pt: float, colour: RGB, bold: bool = False
) -> list[Item]:
    em = size_pt * MM_PER_POINT
    return [
        Text(x, top + (CAP + i * PITCH) * em, line, size_pt, colour, bold)
        for i, line in enumerate(lines)
    ]


def _height(lines: int, size_pt: float) -> float:
    return (CAP + (lines - 1) * PITCH + DEPTH) * size_pt * MM_PER_POINT


def _wrap(text: str, room: float, size_pt: float, bold: bool = False) -> list[str]:
    """Break text into lines that fit, at spaces where there are any; its own line breaks stay."""
    lines: list[str] = []
    for paragraph in text.splitlines():
        line = ""
        for word in plain_text(paragraph).split():
            joined = f"{line} {word}" if line else word
            if text_width_mm(joined, size_pt, bold) <= room:
                line = joined
                continue
            if line:
                lines.append(line)
            *full, line = _chopped(word, room, size_pt, bold)
            lines += full
        if line:
            lines.append(line)
    return lines


def _chopped(word: str, room: float, size_pt: float, bold: bool) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and text_width_mm(pieces[-1] + letter, size_pt, bold) > room:
            pieces.append("")
        pieces[-1] += letter
    return pieces


def _moved(item: Item, dx: float, dy: float) -> Item:
    return item._replace(x=item.x + dx, y=item.y + dy)


def _within(what: str, value: float | None, low: float, high: float, unit: str) -> None:
    if value is not None and not (low <= value <= high):
        raise InputError(
            f"The {what} must lie between {low:g} and {high:g} {unit}.", where=f"{what} {value:g}"
        )
