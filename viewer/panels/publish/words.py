"""The words for a caption: what is shown, how it was stretched, and which way is up."""

from __future__ import annotations

from viewer.desk.phases_picture import PhasesPicture
from viewer.desk.plate_source import OrientedPicture
from viewer.panels.publish.choice import Choice
from viewer.plates.legend import describe, labelled, plain_text
from viewer.plates.source import displayed_pixel, window_of
from viewer.science.look.stretch import Stretch


def caption_words(source: OrientedPicture, choice: Choice) -> str:
    """Say what a picture shows, with what it takes to make it again from the same numbers."""
    window = window_of(source, choice.window_um)
    words = describe(
        labelled(source.present(window.rows, window.cols), choice.areas),
        pixel_um=displayed_pixel(source),
        way_up_deg=source.orientation.way_up_deg,
        classes=source.classes,
        areas=choice.areas,
    )
    return " ".join(part for part in (words, stretch_words(source), see_through(source)) if part)


def see_through(source: OrientedPicture) -> str:
    """Say how far the colours of phases are mixed with a picture below them; empty where none is."""
    picture = source.picture
    if not isinstance(picture, PhasesPicture) or picture.below is None or picture.opacity >= 1.0:
        return ""
    below = ", ".join(plain_text(name) for name, _ in picture.below.names)
    return f"Phases cover {100 * picture.opacity:.0f} % of a composite of {below}."


def stretch_words(source: OrientedPicture) -> str:
    """Say between which values each layer that is shown goes from black to full brightness.

    Examples
    --------
    ``Stretch, black to bright: Fe 20 to 420 counts, linear, gamma 1; Mg 0 to 300 counts, log,
    gamma 1.2, inverted.``
    """
    picture = source.picture
    if isinstance(picture, PhasesPicture):
        return ""
    told = [
        f"{plain_text(layer.name)} {_one(stretch, plain_text(layer.unit))}"
        for layer, stretch in zip(picture.layers, picture.stretches, strict=True)
        if layer is not None
    ]
    if not told:
        return ""
    ends = "ends of the colours" if picture.colours is not None else "black to bright"
    return f"Stretch, {ends}: {'; '.join(told)}."


def _one(stretch: Stretch, unit: str) -> str:
    mark = "%" if stretch.by == "percentile" else ""
    ends = f"{_number(stretch.low)}{mark} to {_number(stretch.high)}{mark}"
    if unit and not mark:
        ends += f" {unit}"
    more = [stretch.curve, f"gamma {stretch.gamma:.4g}"]
    if stretch.invert:
        more.append("inverted")
    if stretch.weight != 1.0:
        more.append(f"weight {stretch.weight:.4g}")
    return ", ".join([ends, *more])


def _number(value: float) -> str:
    return f"{value:.0f}" if value == int(value) and abs(value) < 1e7 else f"{value:.5g}"
