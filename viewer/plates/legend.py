"""The words that go with a picture: which channel is which colour, how long the bar is."""

from __future__ import annotations

import unicodedata

from viewer.plates.paper import RGB
from viewer.plates.source import Shown
from viewer.science.look.scalebar import label as length_label

_WORDS: dict[RGB, str] = {
    (255, 0, 0): "Red",
    (0, 255, 0): "Green",
    (0, 0, 255): "Blue",
    (0, 255, 255): "Cyan",
    (255, 0, 255): "Magenta",
    (255, 255, 0): "Yellow",
}
Colours = tuple[tuple[str, RGB], ...]


def plain_text(text: str) -> str:
    """One line of text without control characters, which no page can show."""
    kept = (" " if ch.isspace() else ch for ch in text)
    return " ".join("".join(ch for ch in kept if unicodedata.category(ch)[0] != "C").split())


def colour_word(colour: RGB) -> str | None:
    """Name of a colour, so that a key needs no colour vision; None for a mixture without one."""
    return _WORDS.get(colour)


def percent(share: float) -> str:
    """An area share as the key says it: a decimal, so that shares of a rock sum to 100 %."""
    if 0 < share < 0.0005:
        return "< 0.1 %"
    return f"{100 * share:.1f} %"


def labelled(shown: tuple[Shown, ...], areas: bool) -> Colours:
    """Name and colour of everything shown; with the area of each where that is asked for and known."""
    return tuple(
        (
            f"{plain_text(one.name)} {percent(one.share)}"
            if areas and one.share is not None
            else plain_text(one.name),
            one.colour,
        )
        for one in shown
    )


def entries(colours: Colours, *, classes: bool = False) -> tuple[tuple[str, RGB], ...]:
    """Key entries: of channels in the order red, green, blue, then any others; of classes as given.

    Returns
    -------
    tuple of (str, (int, int, int))
        ``Red: Fe Kα`` and its colour. The word stands for the colour in a greyscale print.
    """
    if classes:
        return tuple((plain_text(name), colour) for name, colour in colours)
    order = list(_WORDS)
    ranked = sorted(colours, key=lambda one: order.index(one[1]) if one[1] in order else len(order))
    return tuple((_entry(name, colour), colour) for name, colour in ranked)


def _entry(name: str, colour: RGB) -> str:
    word = colour_word(colour)
    name = plain_text(name)
    return f"{word}: {name}" if word else name


def describe(
    colours: Colours,
    *,
    pixel_um: tuple[float, float] | None = None,
    bar_um: float | None = None,
    way_up_deg: float | None = None,
    sampling: str = "",
    classes: bool = False,
    areas: bool = False,
) -> str:
    """Say in words what a picture shows: a start for its caption.

    Parameters
    ----------
    colours : tuple of (str, (int, int, int))
        Name and colour of each channel.
    pixel_um : (float, float), optional
        Width and height of a map pixel.
    bar_um : float, optional
        Length of the scale bar.
    way_up_deg : float, optional
        Stratigraphic up, clockwise from the top of the picture.
    sampling : str
        How map pixels became printed ones.
    classes : bool
        The colours are phases.
    areas : bool
        Their names end in their areas.
    """
    parts = []
    if colours:
        words = "; ".join(text for text, _ in entries(colours, classes=classes))
        parts.append(f"{'Phases: ' if classes else ''}{words}.")
    if colours and areas:
        parts.append("Percentages are of the area shown of the sample, and not of volume or weight.")
    if bar_um is not None:
        parts.append(f"Scale bar {length_label(bar_um)}.")
    if pixel_um is not None:
        x, y = pixel_um
        side = f"{x:.6g} µm" if x == y else f"{x:.6g} × {y:.6g} µm (width × height)"
        parts.append(f"Map pixel {side}.")
    if way_up_deg is not None:
        parts.append(
            "Up is the top of the picture."
            if f"{way_up_deg % 360:.4g}" in ("0", "360")
            else f"Way-up {way_up_deg:.4g}° clockwise from the top."
        )
    if sampling:
        parts.append(sampling)
    return " ".join(parts)
