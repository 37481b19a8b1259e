"""Open the window."""

from __future__ import annotations

import sys
from pathlib import Path


def run(project: str | Path | None = None) -> int:
    """Open the window, with a project or without; returns when it is closed."""
    from PySide6.QtCore import QSettings
    from PySide6.QtWidgets import QApplication

    from viewer import __version__
    from viewer.desk.warm import warm_up_soon
    from viewer.panels import theme
    from viewer.panels.shell.window import MainWindow

    app = QApplication.instance() or QApplication(sys.argv[:1])
    assert isinstance(app, QApplication)
    app.setOrganizationName("Grainlight")
    app.setApplicationName("Grainlight")
    app.setApplicationVersion(__version__)
    app.setDesktopFileName("grainlight")
    kept = str(QSettings().value("window/scheme", ""))
    theme.apply(app, "light" if kept == "light" else "dark" if kept == "dark" else None)
    window = MainWindow()
    window.show()
    if project is None:
        warm_up_soon()
    else:
        window.open_project(Path(project))
    return app.exec()


def main() -> int:
    """Entry point of ``grainlight-window``."""
    return run(sys.argv[1] if len(sys.argv) > 1 else None)


if __name__ == "__main__":
    raise SystemExit(main())
