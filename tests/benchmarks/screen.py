"""A map view without a display, and how to wait for it: shared by the rows that end on the screen."""

from __future__ import annotations

import time

from PySide6.QtCore import QEventLoop
from PySide6.QtWidgets import QApplication

from viewer.panels.map.map_view import MapView

WIDTH, HEIGHT = 1920, 1080


def application() -> QApplication:
    """The application, made where there is none yet."""
    found = QApplication.instance()
    return found if isinstance(found, QApplication) else QApplication(["benchmarks"])


def full_screen() -> MapView:
    """A view of 1920 x 1080 pixels, shown."""
    view = MapView()
    view.resize(WIDTH, HEIGHT)
    view.show()
    return view


def settle(view: MapView, longest: float = 60.0) -> None:
    """Let the view load everything that it shows, and paint it.

    Raises
    ------
    TimeoutError
        It is still loading after `longest` seconds.
    """
    app = application()
    loader = view._tiles.loader
    end = time.perf_counter() + longest
    view.repaint()
    while True:
        app.processEvents(QEventLoop.ProcessEventsFlag.AllEvents, 5)
        if loader.idle:
            # What has just arrived may ask for more.
            view.repaint()
            if loader.idle:
                return
        if time.perf_counter() > end:
            raise TimeoutError("the picture is not whole yet")


def close(view: MapView) -> None:
    """Take the view away, with its threads."""
    view.close()
    view.deleteLater()
    application().processEvents()
