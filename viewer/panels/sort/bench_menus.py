"""The menus of a phase and of a population."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtWidgets import QMenu

from viewer.panels.qt import plain_menu_text
from viewer.panels.sort.phase_list import UNSORTED
from viewer.panels.sort.population_strip import JOINS

if TYPE_CHECKING:
    from viewer.panels.sort.bench import SortBench


def phase_menu(bench: SortBench, phase_id: str) -> QMenu:
    """What can be done with a phase."""
    menu = QMenu(bench.panel)
    menu.setToolTipsVisible(True)
    if phase_id == UNSORTED:
        menu.addAction("What is left: add phases to make it less").setEnabled(False)
        return menu
    rows, ids = bench.phases.phases, [p.id for p in bench.scheme.phases]
    menu.addAction("Rename\tEnter", partial(rows.rename, phase_id))
    menu.addAction("Colour…", partial(bench.choose_colour, phase_id))
    menu.addSeparator()
    up = menu.addAction("Move up\tAlt+Up", partial(rows.step, phase_id, -1))
    down = menu.addAction("Move down\tAlt+Down", partial(rows.step, phase_id, 1))
    menu.addSeparator()
    menu.addAction("Duplicate", bench.duplicate_phase)
    menu.addAction("Delete\tDel", partial(bench.delete_phase, phase_id))
    for action in menu.actions():
        action.setEnabled(bench.writable)
    up.setEnabled(bench.writable and ids[0] != phase_id)
    down.setEnabled(bench.writable and ids[-1] != phase_id)
    return menu


def population_menu(bench: SortBench, population_id: str) -> QMenu:
    """What can be done with a population."""
    menu = QMenu(bench.panel)
    menu.setToolTipsVisible(True)
    menu.addAction("Rename\tEnter", partial(bench.phases.populations.rename, population_id))
    menu.addAction("Edit the outline", partial(bench.use_tool, population_id, "edit"))
    menu.addAction("Invert", partial(bench.use_tool, population_id, "invert"))
    lit = menu.addAction("Keep lit", partial(bench.use_tool, population_id, "eye"))
    menu.addSeparator()
    menu.addAction("New phase of it…", partial(bench.ask_name, population_id))
    into = menu.addMenu("Add to phase")
    for phase in bench.scheme.phases:
        sub = into.addMenu(plain_menu_text(phase.name))
        sub.setToolTipsVisible(True)
        for how, text, tip in JOINS:
            sub.addAction(text, partial(bench.join, population_id, phase.id, how)).setToolTip(tip)
    menu.addSeparator()
    menu.addAction("Duplicate", bench.duplicate_population)
    menu.addAction("Delete\tDel", partial(bench.delete_population, population_id))
    for action in menu.actions():
        action.setEnabled(bench.writable)
    lit.setEnabled(True)
    into.setEnabled(bench.writable and bool(bench.scheme.phases))
    return menu
