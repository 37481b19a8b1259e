"""Sizes, gaps, type and colours of the window, for the dark and the light scheme.

Every length is a whole number of 4-px steps in logical pixels (hairlines and radii apart). Greys
are neutral: red, green and blue are equal, because colour in this window belongs to the data. There
is one accent; amber and red appear only in messages.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Scheme = Literal["dark", "light"]


@dataclass(frozen=True, kw_only=True)
class Tokens:
    """What every panel is drawn with.

    Attributes
    ----------
    gap_1 .. gap_6 : int
        Distances: 4, 8, 12, 16 and 24 px. ``gap_2`` between controls, ``gap_3`` around a panel.
    control, control_small, row : int
        Heights of inputs and buttons, of small ones, and of list rows.
    icon, icon_small : int
        Sides of icons.
    radius, radius_small : int
        Corner radii of controls and of badges.
    hairline, focus : int
        Widths of borders and of the focus ring.
    type_small, type_body, type_title : float
        Type sizes in points.
    overlay_stroke, overlay_rim : float
        Width of lines drawn over the data, and of the rim on either side of them.
    overlay_handle, pick : int
        Width of a handle, and how near the pointer must come to take hold of something.
    map_ground : str
        Around the map.
    window, raised, sunken : str
        Panels; buttons and headers; inputs and lists.
    hover, pressed : str
        A button under the pointer, and one held down or switched on.
    line, edge, mark : str
        Separators; borders of inputs and buttons; signs that must stand out by themselves (tick
        boxes, slider handles), at least 3 : 1 on a panel.
    text, text_dim, text_off : str
        Text, secondary text (both at least 4.5 : 1 on every surface), text of disabled controls.
    accent, on_accent, select : str
        The one accent, text on it, and the quiet fill of selected rows.
    caution, error : str
        Words and signs of messages.
    overlay_ink, overlay_halo, overlay_accent : str
        Signs drawn over the data, their rim, and what is selected of them; the same in both
        schemes, since the data are.
    """

    scheme: Scheme

    gap_1: int = 4
    gap_2: int = 8
    gap_3: int = 12
    gap_4: int = 16
    gap_6: int = 24
    control: int = 28
    control_small: int = 24
    row: int = 24
    icon: int = 20
    icon_small: int = 16
    radius: int = 4
    radius_small: int = 2
    hairline: int = 1
    focus: int = 1
    scroll_bar: int = 12
    slider_groove: int = 4
    slider_handle: int = 12
    splitter: int = 4
    overlay_stroke: float = 2.0
    overlay_rim: float = 1.25
    overlay_handle: int = 8
    pick: int = 10

    type_small: float = 9.0
    type_body: float = 10.0
    type_title: float = 11.0

    map_ground: str
    window: str
    raised: str
    sunken: str
    hover: str
    pressed: str
    line: str
    edge: str
    mark: str
    text: str
    text_dim: str
    text_off: str
    accent: str
    on_accent: str
    select: str
    caution: str
    error: str

    overlay_ink: str = "#ffffff"
    overlay_halo: str = "#000000"
    overlay_accent: str = "#8ccaff"

    @property
    def surfaces(self) -> tuple[str, ...]:
        """Every ground that text may stand on."""
        return (
            self.map_ground,
            self.window,
            self.raised,
            self.sunken,
            self.hover,
            self.pressed,
            self.select,
        )


DARK = Tokens(
    scheme="dark",
    map_ground="#222222",
    window="#323232",
    raised="#3d3d3d",
    sunken="#292929",
    hover="#464646",
    pressed="#4e4e4e",
    line="#232323",
    edge="#565656",
    mark="#9a9a9a",
    text="#ececec",
    text_dim="#c2c2c2",
    text_off="#858585",
    accent="#68b0ea",
    on_accent="#0e1216",
    select="#2d4a62",
    caution="#efb84a",
    error="#ff948c",
)

LIGHT = Tokens(
    scheme="light",
    map_ground="#d2d2d2",
    window="#ececec",
    raised="#fafafa",
    sunken="#ffffff",
    hover="#e0e0e0",
    pressed="#d4d4d4",
    line="#cccccc",
    edge="#b4b4b4",
    mark="#757575",
    text="#1c1c1c",
    text_dim="#4c4c4c",
    text_off="#909090",
    accent="#17639f",
    on_accent="#ffffff",
    select="#cbe0f2",
    caution="#724a00",
    error="#a01b14",
)

SCHEMES: dict[Scheme, Tokens] = {"dark": DARK, "light": LIGHT}
"""Both schemes by name."""
