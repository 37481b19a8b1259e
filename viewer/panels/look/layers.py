"""What the look bench knows of a layer, and how a layer is dragged from one panel to another."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from PySide6.QtCore import QByteArray, QMimeData

from viewer.panels.look.digits import lean

MIME = "application/x-grainlight-layer"
"""MIME type of a dragged layer: its id in UTF-8."""

SLOTS = ("red", "green", "blue")
"""The three colours of a composite, in the order of keys 1, 2 and 3."""

SortKey = Literal["name", "number", "structure"]


@dataclass(frozen=True, kw_only=True)
class Flag:
    """Something about a layer that its user should know before trusting it.

    Attributes
    ----------
    short : str
        One or two words, for a badge.
    words : str
        The whole sentence.
    severity : {"info", "caution", "error"}
        ``error`` where numbers measured on the layer would be wrong; ``info`` is told with the
        layer's details and gets no badge.
    """

    short: str
    words: str
    severity: Literal["info", "caution", "error"] = "caution"


@dataclass(frozen=True, kw_only=True)
class LayerEntry:
    """A channel or derived layer, as the panels list it.

    Attributes
    ----------
    number : int or None
        Atomic number of the element, None where the layer is no single element.
    structure : float or None
        Structure against noise: larger where the picture shows more than counting noise.
    ready : bool
        False while a derived layer is being computed.
    content : str
        Names the pixels: another content is other pixels under the same id.
    """

    id: str
    name: str
    kind: Literal["channel", "derived"] = "channel"
    element: str = ""
    element_name: str = ""
    line: str = ""
    number: int | None = None
    unit: str = ""
    dtype: str = ""
    source: str = ""
    recipe: str = ""
    minimum: float | None = None
    maximum: float | None = None
    mean: float | None = None
    nan: int = 0
    negative: int = 0
    size: int = 0
    structure: float | None = None
    flags: tuple[Flag, ...] = ()
    ready: bool = True
    content: str = ""

    @property
    def integer(self) -> bool:
        """True where the layer holds whole numbers."""
        return "int" in self.dtype

    @property
    def grave(self) -> bool:
        """True where numbers measured on the layer would be wrong."""
        return any(flag.severity == "error" for flag in self.flags)

    @property
    def warned(self) -> bool:
        """True where the layer gets a badge."""
        return any(flag.severity != "info" for flag in self.flags)

    @property
    def caption(self) -> str:
        """Name of the element and the line, or the layer's own name."""
        if self.element_name:
            return f"{self.element_name} {self.line}".rstrip()
        return self.name

    @property
    def range_text(self) -> str:
        """Smallest to largest value, short enough for a list."""
        if self.minimum is None or self.maximum is None:
            return "no values" if self.ready else "computing"
        span = self.maximum - self.minimum
        low = lean(self.minimum, span, whole=self.integer)
        return f"{low} to {lean(self.maximum, span, whole=self.integer)}"


def details(layer: LayerEntry, *, flags: bool = True) -> str:
    """Everything known of a layer, as rich text; with the words of its flags unless left out."""
    span = (layer.maximum or 0.0) - (layer.minimum or 0.0)

    def number(value: float | None) -> str:
        return "none" if value is None else lean(value, span, whole=layer.integer)

    rows = [
        ("Kind", "Derived layer" if layer.kind == "derived" else "Channel"),
        ("Element", f"{layer.element_name or layer.element} {layer.line}".strip()),
        ("Made by", layer.recipe),
        ("Source", layer.source),
        ("Numbers", layer.dtype),
        ("Unit", layer.unit),
        ("Smallest", number(layer.minimum)),
        ("Largest", number(layer.maximum)),
        ("Mean", number(layer.mean)),
        ("Pixels", f"{layer.size:,}".replace(",", "\u2009") if layer.size else ""),
        ("No value (NaN)", f"{layer.nan:,}".replace(",", "\u2009")),
        ("Below zero", f"{layer.negative:,}".replace(",", "\u2009") if layer.negative else ""),
        ("Structure : noise", "" if layer.structure is None else f"{layer.structure:.2f}"),
    ]
    cells = "".join(
        f"<tr><td style='padding-right:8px'>{name}</td><td>{_escape(text)}</td></tr>"
        for name, text in rows
        if text
    )
    words = "".join(f"<br>{_escape(flag.words)}" for flag in layer.flags) if flags else ""
    return f"<b>{_escape(layer.name)}</b><table>{cells}</table>{words}"


def ordered(layers: Iterable[LayerEntry], key: SortKey) -> list[LayerEntry]:
    """Layers by name, by atomic number, or by structure against noise (most first).

    Layers that lack what is sorted by come last, by name. Derived layers follow the channels in the
    first two orders.
    """

    def rank(layer: LayerEntry) -> tuple[float, float, str]:
        name = layer.name.casefold()
        derived = float(layer.kind == "derived")
        if key == "number":
            return (derived, float(layer.number) if layer.number else float("inf"), name)
        if key == "structure":
            return (0.0, float("inf") if layer.structure is None else -layer.structure, name)
        return (derived, 0.0, name)

    return sorted(layers, key=rank)


def mime(layer_id: str) -> QMimeData:
    """Pack a layer's id for a drag."""
    data = QMimeData()
    data.setData(MIME, QByteArray(layer_id.encode()))
    data.setText(layer_id)
    return data


def dragged(data: QMimeData) -> str | None:
    """Id of the layer being dragged, None where something else is."""
    if not data.hasFormat(MIME):
        return None
    return bytes(data.data(MIME).data()).decode(errors="replace")


def _escape(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
