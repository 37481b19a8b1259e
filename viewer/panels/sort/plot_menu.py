"""Menus of a plot's axes: which layer, on which scale."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from PySide6.QtGui import QActionGroup
from PySide6.QtWidgets import QMenu, QWidget

from viewer.panels.sort.plot_source import PlotLayer
from viewer.science.sort.scheme import Axis, Scale

SCALES: tuple[tuple[Scale, str, str], ...] = (
    ("linear", "Linear", "Values as they are"),
    ("sqrt", "Square root", "Square roots: counts scatter alike at any height"),
    ("log", "Logarithm", "Ratios look alike at any height; values of 0 or less are left out"),
)


def layer_actions(
    menu: QMenu,
    layers: Iterable[PlotLayer],
    chosen: str | None,
    taken: Iterable[str],
    choose: Callable[[str], None],
) -> None:
    """List layers in a menu, measured ones first; those in `taken` cannot be chosen."""
    taken = set(taken)
    group = QActionGroup(menu)
    layers = list(layers)
    for derived in (False, True):
        of_kind = [x for x in layers if x.derived is derived]
        if derived and of_kind and len(of_kind) < len(layers):
            menu.addSeparator()
        for layer in of_kind:
            action = menu.addAction(layer.name.replace("&", "&&"))
            action.setCheckable(True)
            action.setChecked(layer.name == chosen)
            action.setEnabled(layer.name not in taken)
            group.addAction(action)
            action.triggered.connect(lambda _=False, n=layer.name: choose(n))


def axis_menu(
    parent: QWidget,
    axis: Axis,
    other: Axis,
    layers: Iterable[PlotLayer],
    choose: Callable[[Axis], None],
    swap: Callable[[], None],
) -> QMenu:
    """What a click on an axis's label offers: layer, scale, swapping the axes.

    Choosing the layer of the other axis swaps the two.
    """
    menu = QMenu(parent)
    menu.setToolTipsVisible(True)

    def take(name: str) -> None:
        if name == other.layer:
            swap()
        else:
            choose(Axis(layer=name, scale=axis.scale))

    group = QActionGroup(menu)
    for scale, words, tip in SCALES:
        action = menu.addAction(words)
        action.setCheckable(True)
        action.setChecked(scale == axis.scale)
        action.setToolTip(tip)
        group.addAction(action)
        action.triggered.connect(
            lambda _=False, s=scale: choose(Axis(layer=axis.layer, scale=s))
        )
    menu.addSeparator()
    action = menu.addAction("Swap the axes")
    action.triggered.connect(swap)
    menu.addSeparator()
    layer_actions(menu, layers, axis.layer, (), take)
    return menu
