"""What a project holds, as JSON and as tables for a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec

from viewer.desk.desk import Desk
from viewer.desk.drawing import lines_of
from viewer.store.project import ONLY_READING, LayerFile

if TYPE_CHECKING:
    from rich.console import RenderableType


def describe(desk: Desk) -> dict[str, Any]:
    """Everything but the pixels, ready for JSON."""
    return {
        "project": str(desk.path),
        "readonly": desk.readonly,
        "remarks": list(desk.project.remarks),
        "maps": [
            {
                **msgspec.to_builtins(m.info),
                "setup": msgspec.to_builtins(desk.setup(m.id)),
                "layers": [_layer(x) for x in m.layers.values()],
                "phases": [p.name for p in desk.sorting.scheme(m.id).phases],
                "units": [u.name for u in desk.sorting.units(m.id)],
                "lines": [
                    {"name": x.name, "kind": x.kind, "points": len(x.points), "width_um": x.width_um}
                    for x in lines_of(desk.state, m.id)
                ],
            }
            for m in desk.maps.values()
        ],
        "composites": [msgspec.to_builtins(c) for c in desk.state.look.composites],
        "key": msgspec.to_builtins(desk.sorting.key.entries),
        "derived": [msgspec.to_builtins(d) for d in desk.state.derived.layers],
        "marks": len(desk.state.marks.marks),
        "ledger": [msgspec.to_builtins(r) for r in desk.state.ledger.rows],
    }


def _layer(layer: LayerFile) -> dict[str, Any]:
    return {
        **msgspec.to_builtins(layer.info),
        "dtype": str(layer.dtype),
        "stats": msgspec.to_builtins(layer.stats),
        "flags": [msgspec.to_builtins(f) for f in layer.flags],
    }


def tables(desk: Desk) -> list[RenderableType]:
    """The same for a person, a table a map."""
    from rich.markup import escape
    from rich.table import Table
    from rich.text import Text

    out: list[RenderableType] = [Text(str(desk.path))]
    if desk.readonly and desk.readonly != ONLY_READING:
        out.append(Text(f"Opened for reading. {desk.readonly}"))
    for m in desk.maps.values():
        rows, cols = m.shape
        (px, py), (width, height) = m.pixel_um, m.size_um
        up = desk.setup(m.id).orientation.way_up_deg
        title = (
            f"{m.name}: {cols} x {rows} pixels of {px:g} x {py:g} µm, "
            f"{width / 1000:.4g} x {height / 1000:.4g} mm, "
            f"way-up {'not set' if up is None else f'{up:g}°'}"
        )
        table = Table(box=None, pad_edge=False)
        for head, side in (
            ("layer", "left"),
            ("element", "left"),
            ("type", "left"),
            ("least", "right"),
            ("mean", "right"),
            ("greatest", "right"),
            ("no value", "right"),
            ("quality", "left"),
        ):
            table.add_column(head, justify=side)  # type: ignore[arg-type]
        for x in m.layers.values():
            s = x.stats
            numbers = (s.minimum, s.mean, s.maximum)
            table.add_row(
                escape(x.name),
                " ".join(t for t in (x.element, x.line) if t) or x.kind,
                str(x.dtype),
                *("" if v is None else f"{v:.4g}" for v in numbers),
                f"{s.missing:,}" if s.missing else "",
                escape("; ".join(f.kind for f in x.flags if f.severity != "info")),
            )
        out += [Text(""), Text(title), table]
        for what, names in (
            ("phases", [p.name for p in desk.sorting.scheme(m.id).phases]),
            ("units", [u.name for u in desk.sorting.units(m.id)]),
            ("contacts", [x.name for x in lines_of(desk.state, m.id, "contact")]),
            ("traverses", [x.name for x in lines_of(desk.state, m.id, "traverse")]),
        ):
            if names:
                out.append(Text(f"{what}: {', '.join(names)}"))
    composites = ", ".join(c.name for c in desk.state.look.composites)
    out.append(Text(""))
    out.append(Text(f"composites: {composites or 'none saved'}"))
    out.append(Text(f"measurements: {len(desk.state.ledger.rows)}"))
    return out
