"""The menu that opens on a layer, wherever it is listed."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QMenu, QWidget

from viewer.panels.look.layers import SLOTS, LayerEntry


def cell_menu(
    layer: LayerEntry,
    parent: QWidget,
    *,
    alone: Callable[[], None],
    slot: Callable[[int], None],
    show_details: Callable[[], None] | None = None,
    remove: Callable[[], None] | None = None,
) -> QMenu:
    """Build the menu of one layer.

    Parameters
    ----------
    alone, slot, show_details, remove : callable
        What the entries do; `slot` gets 0, 1 or 2. An entry without a callable is left out.
    """
    menu = QMenu(parent)
    menu.setToolTipsVisible(True)
    action = menu.addAction("Show alone", alone)
    action.setToolTip("One channel over the whole map view")
    menu.addSeparator()
    for index, colour in enumerate(SLOTS):
        action = menu.addAction(f"To {colour}\t{index + 1}", partial(slot, index))
        action.setToolTip(f"Show this layer as the {colour} of the composite")
    menu.addSeparator()
    menu.addAction("Copy name", lambda: QGuiApplication.clipboard().setText(layer.name))
    if show_details is not None:
        menu.addAction("Details", show_details)
    if remove is not None and layer.kind == "derived":
        menu.addSeparator()
        menu.addAction("Remove derived layer", remove)
    return menu
