"""A picture of every state of the window: ``python -m tests.gui.shots FOLDER``.

The pictures are there to be looked at. Those that the README shows are written into
``resources/guide`` as well when ``--readme`` is given.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
from PIL import Image
from PySide6.QtCore import QSettings, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QWidget

from viewer.desk.demo_measures import ASKED
from viewer.panels import theme
from viewer.panels.shell.window import MainWindow

FOR_README = (
    "light-table",
    "composite",
    "ruler",
    "intake",
    "sort",
    "lasso",
    "modal-log",
    "rims",
    "sharpness",
    "traverse",
    "layer-thickness",
)


class Studio:
    """Takes pictures of a window in one scheme."""

    def __init__(self, app: QApplication, folder: Path, scheme: str) -> None:
        self._app = app
        self._folder = folder
        self._scheme = scheme

    def wait(self, ready: Callable[[], bool] = lambda: True, least: float = 0.4) -> None:
        """Let the window work until it is ready and at rest."""
        start = time.monotonic()
        while time.monotonic() - start < least or not ready():
            self._app.processEvents()
            time.sleep(0.005)
            if time.monotonic() - start > 60:
                raise TimeoutError("the window did not come to rest")

    def shoot(self, widget: QWidget, name: str) -> Path:
        """Write one picture."""
        path = self._folder / f"{name}-{self._scheme}.png"
        if not widget.grab().save(str(path)):
            raise OSError(f"could not write {path}")
        print(path)
        return path


def session(studio: Studio, project: Path, maps: Path) -> dict[str, Path]:
    """Go through the window as a user would, taking pictures."""
    taken: dict[str, Path] = {}
    window = MainWindow()
    window.resize(1440, 900)
    window.show()

    def shoot(name: str, widget: QWidget | None = None, least: float = 0.8) -> None:
        space = window.workspace
        studio.wait(lambda: space is None or not space.look.busy, least)
        taken[name] = studio.shoot(widget or window, name)

    shoot("welcome")
    assert window.open_project(project)
    space = window.workspace
    assert space is not None
    look = space.look
    shoot("composite", least=2.5)
    look.set_mode("table")
    shoot("light-table", least=3)
    look.set_mode("single")
    shoot("single-layer", least=1.5)
    look.set_mode("composite")
    assert space.map_id is not None
    cr = space.desk.layer(space.map_id, "Cr").id
    space.desk.light(space.map_id, cr, 150.0, 500.0)
    shoot("lit-range", least=1.5)
    space.desk.douse(space.map_id)
    space.show_bench("measure")
    space.measure.select_mark(space.desk.state.marks.marks[0].id)
    shoot("ruler", least=1.5)
    space.take_tool("outline")
    shoot("outline", least=0.8)
    space.take_tool("hand")
    space.show_bench("look")
    space.turn(1)
    shoot("turned", least=1.5)
    space.desk.undo()
    sort_bench(studio, window, shoot)
    measure_bench(studio, window, shoot)
    look.open_derive()
    shoot("derive", look.derive, least=1)
    look.derive.close()
    window.open_export()
    if window._export is not None:
        shoot("export", window._export, least=3)
        window._export.close()
    window.open_intake([maps])
    assert window._intake is not None
    shoot("intake", window._intake, least=4)
    window._intake.close()
    window.show_shortcuts()
    assert window._sheet is not None
    shoot("shortcuts", window._sheet)
    window._sheet.close()
    window.close()
    return taken


def sort_bench(studio: Studio, window: MainWindow, shoot: Callable[..., None]) -> None:
    """The sort bench: plots, a lasso half drawn, modes, the modal log, the key, the dialogs."""
    space = window.workspace
    assert space is not None
    bench, look = space.sort, space.look

    def settle() -> None:
        studio.wait(lambda: not bench.busy and not bench.modes.busy, 1.5)

    space.measure.select_mark("")
    look.set_mode("phases")
    space.show_bench("sort")
    settle()
    shoot("sort")
    look.set_mode("composite")
    plot = next(p for p in bench.board.canvases if p.plot.x and p.plot.x.layer == "Si")
    bench.board.set_tool("lasso")
    view = plot.viewport()
    turns = np.linspace(0, 4.9, 40)
    points = [plot.lens.to_view(300 + 75 * np.cos(a), 335 + 58 * np.sin(a)).toPoint() for a in turns]
    left, none = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
    QTest.mousePress(view, left, none, points[0])
    for point in points[1:]:
        QTest.mouseMove(view, point)
        studio.wait(least=0.01)
    studio.wait(least=1.0)
    shoot("lasso")
    QTest.mouseRelease(view, left, none, points[-1])
    settle()
    shoot("lasso-named")
    space.desk.undo()
    bench.board.set_tool("pan")
    look.set_mode("phases")
    bench.show_page("modes")
    settle()
    shoot("modes")
    bench.modes.tabs.setCurrentIndex(1)
    settle()
    shoot("modal-log")
    bench.show_page("key")
    space.desk.set_vision("deutan")
    settle()
    shoot("key")
    space.desk.set_vision("none")
    bench.show_page("phases")
    bench.open_suggest()
    assert bench._suggest is not None
    bench._suggest.clusters.seek.click()
    studio.wait(lambda: bool(bench._suggest and bench._suggest.clusters.accept.isEnabled()), 2.0)
    shoot("suggest", bench._suggest)
    bench.open_calibrate()
    studio.wait(least=1.0)
    shoot("calibrate", bench._calibrate)
    look.set_map(space.desk.map("Slab face B").id)
    bench.open_scheme("apply")
    assert bench._schemes is not None
    bench._schemes.maps.setCurrentIndex(1)
    bench._schemes.maps.activated.emit(1)
    studio.wait(lambda: bool(bench._schemes and bench._schemes.accept.isEnabled()), 3.0)
    shoot("scheme", bench._schemes)
    for dialog in (bench._suggest, bench._calibrate, bench._schemes):
        assert dialog is not None
        dialog.close()
    look.set_map(space.desk.map("Slab face A").id)
    look.set_mode("composite")
    space.show_bench("look")


def measure_bench(studio: Studio, window: MainWindow, shoot: Callable[..., None]) -> None:
    """The measure bench: what is drawn, the list of questions, and an answer of every kind."""
    space = window.workspace
    assert space is not None
    bench, look = space.measure, space.look
    look.set_mode("composite")
    space.show_bench("measure")
    bench.show_page("draw")
    contact = next(x for x in space.desk.state.lines.lines if x.kind == "contact")
    bench.drawn.select([contact.id])
    space.take_tool("edit")
    shoot("draw", least=1.5)
    space.take_tool("hand")
    bench.drawn.select([])
    bench.show_page("measure")
    shoot("measure")
    for request in ASKED:
        kind = request.kind
        look.set_mode("phases" if kind in ("rims", "local-thickness", "zoning") else "composite")
        space.ask(kind)
        if kind in ("rims", "traverse"):
            shoot(f"{kind}-form")
        bench.requests.measure_again(request)
        studio.wait(lambda: not bench.requests.run.running, 1.0)
        shoot(kind, least=1.0)
    bench.show_page("ledger")
    shoot("ledger")
    look.set_mode("composite")
    space.show_bench("look")


def main() -> None:
    """Take every picture in both schemes."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("folder", type=Path)
    words.add_argument("--readme", action="store_true", help="renew the README's pictures too")
    words.add_argument("--project", type=Path, help="a demo project made before")
    args = words.parse_args()
    args.folder.mkdir(parents=True, exist_ok=True)
    app = QApplication([])
    app.setOrganizationName("Grainlight")
    app.setApplicationName("Grainlight shots")
    with tempfile.TemporaryDirectory() as temporary:
        scratch = Path(temporary)
        QSettings.setDefaultFormat(QSettings.Format.IniFormat)
        QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, temporary)
        if args.project is None:
            from viewer.desk.demo import build

            project = build(scratch / "demo").project
        else:
            project = scratch / "demo" / args.project.name
            shutil.copytree(args.project.parent, project.parent)
        for scheme in ("dark", "light"):
            theme.apply(app, scheme)  # type: ignore[arg-type]
            studio = Studio(app, args.folder, scheme)
            taken = session(studio, project, project.parent / "maps" / "face-A")
            if args.readme and scheme == "dark":
                guide = Path(__file__).parents[2] / "resources" / "guide"
                guide.mkdir(exist_ok=True)
                for name in FOR_README:
                    # 256 colours: a third of the size, and no eye tells.
                    picture = Image.open(taken[name]).convert("RGB")
                    few = picture.quantize(256, dither=Image.Dither.NONE)
                    few.save(guide / f"{name}.png", optimize=True)


if __name__ == "__main__":
    main()
