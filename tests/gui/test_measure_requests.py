"""What can be measured, asked for on the bench: real widgets, the measuring itself stood in for."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import tifffile
from msgspec.structs import replace
from PySide6.QtCore import QPoint, QPointF, QSettings, Qt
from PySide6.QtGui import QWheelEvent
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from viewer.desk.desk import Desk
from viewer.desk.gather import gather, plan
from viewer.desk.measures.keep import add_to_ledger
from viewer.desk.measures.result import Drawn, Finding, Overlay, Result
from viewer.desk.phase_image import PhaseImage
from viewer.desk.sorting import SortWork
from viewer.errors import InputError
from viewer.intake.formats import scan
from viewer.panels import theme
from viewer.panels.measure import run_strip
from viewer.panels.measure.bench import MeasureBench
from viewer.panels.measure.forms import FORMS, GROUPS
from viewer.panels.measure.request_names import LAYERS, LINES, PHASES, UNITS
from viewer.panels.measure.requests_panel import RequestsPanel
from viewer.panels.qt import Poster
from viewer.science.look.orient import Orientation
from viewer.science.measure.registry import KINDS
from viewer.science.progress import Progress
from viewer.science.sort.scheme import Phase, Population, Range, Scheme, Term
from viewer.store.documents import Line, Lines, MapSetup, Unit, Units
from viewer.store.requests import (
    REQUESTS,
    ContactRequest,
    GradientRequest,
    LayerThicknessRequest,
    LocalThicknessRequest,
    Request,
    RimsRequest,
    SharpnessRequest,
    TraverseRequest,
    UndulationRequest,
    ZoningRequest,
)

BASE = ((100.0, 800.0), (1900.0, 820.0))
TOP = ((100.0, 400.0), (1900.0, 380.0))
ACROSS = ((1000.0, 100.0), (1000.0, 1100.0))
SEAM = ((100.0, 400.0), (1900.0, 380.0), (1900.0, 820.0), (100.0, 800.0))
VIEW = (200.0, 200.0, 800.0, 600.0)


@pytest.fixture(scope="module")
def project_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Gather two maps of 2 × 1.2 mm with a step half-way up."""
    folder = tmp_path_factory.mktemp("maps")
    random = np.random.default_rng(3)
    for name, low, high in (("Fe", 40, 400), ("Mg", 300, 20)):
        means = np.full((60, 100), low, float)
        means[30:] = high
        tifffile.imwrite(folder / f"{name} K.tif", random.poisson(means).astype(np.uint16))
    target = folder / "sill.maps.h5"
    gather(plan(scan([folder]), target, name="Upper face", pixel_um=(20.0, 20.0)))
    with Desk.open(target, inline=True) as desk:
        desk.gather(plan(scan([folder]), target, name="Lower face", pixel_um=(20.0, 20.0)))
    return target


@pytest.fixture(scope="module", autouse=True)
def _dressed(qapp: QApplication, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = str(tmp_path_factory.mktemp("settings"))
    QSettings.setDefaultFormat(QSettings.Format.IniFormat)
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, folder)
    qapp.setOrganizationName("grainlight-tests")
    theme.apply(qapp, "dark")


@pytest.fixture
def desk(project_file: Path, tmp_path: Path) -> Iterator[Desk]:
    copy = tmp_path / "sill.maps.h5"
    copy.write_bytes(project_file.read_bytes())
    with Desk.open(copy, inline=True) as opened:
        yield opened


@pytest.fixture
def map_id(desk: Desk) -> str:
    return desk.map("Upper face").id


@pytest.fixture
def bench(qtbot: QtBot, desk: Desk, map_id: str) -> MeasureBench:
    made = MeasureBench(desk)
    qtbot.addWidget(made)
    made.resize(380, 760)
    made.set_map(map_id)
    made.set_view(VIEW)
    made.show()
    return made


@pytest.fixture
def panel(bench: MeasureBench) -> RequestsPanel:
    return bench.requests


class Measured:
    """Stands in for the measuring: keeps what was asked for, and answers it."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, Request]] = []
        self.trouble: Exception | None = None
        self.overlay: Overlay | None = Overlay((Drawn(np.array(BASE)),))

    def __call__(self, desk: Desk, map_id: str, request: Request, progress: Progress) -> Result:
        self.asked.append((map_id, request))
        progress(0.5, "half-way")
        if self.trouble is not None:
            raise self.trouble
        finding = Finding("length", 412.0, 380.0, 451.0, "95 % interval", 7, "µm")
        return Result(map_id, request, "base", (finding,), "with a rule", overlay=self.overlay)


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> Measured:
    made = Measured()
    monkeypatch.setattr(run_strip, "run", made)
    return made


def draw(desk: Desk, map_id: str) -> None:
    """Two contacts, a traverse and a unit; which way is up."""
    lines = (
        Line(id="b", map=map_id, name="base", kind="contact", points=BASE),
        Line(id="t", map=map_id, name="top", kind="contact", points=TOP),
        Line(id="x", map=map_id, name="across", kind="traverse", points=ACROSS, width_um=200.0),
    )
    units = Units(units=(Unit(id="u", map=map_id, name="seam", polygons=(SEAM,)),))
    desk.apply("Draw", lines=Lines(lines=lines), units=units)
    desk.set_setup("Up", map_id, MapSetup(orientation=Orientation(way_up_deg=0.0)))


def sort(desk: Desk, map_id: str) -> None:
    """Two phases, by iron."""
    scheme = Scheme(
        populations=(
            Population(id="i", name="I", gate=Range(layer="Fe", low=200.0)),
            Population(id="l", name="L", gate=Range(layer="Fe", high=199.0)),
        ),
        phases=(
            Phase(id="a", name="Chromite", rules=((Term(population="i"),),)),
            Phase(id="b", name="Olivine", rules=((Term(population="l"),),)),
        ),
    )
    desk.sorting.set_scheme("Sort", map_id, scheme)


def layer(desk: Desk, map_id: str, element: str) -> str:
    return desk.layer(map_id, element).name


# -- the list -----------------------------------------------------------------------------------


def test_every_kind_that_is_asked_for_has_a_row_and_a_form(panel: RequestsPanel) -> None:
    listed = [name for _title, names in GROUPS for name in names]
    assert sorted(listed) == sorted(REQUESTS) == sorted(FORMS)
    assert list(panel.list.rows) == listed
    for name, row in panel.list.rows.items():
        assert KINDS[name].question in row.toolTip()
        assert row.accessibleName() == KINDS[name].title


def test_a_row_opens_its_form_and_back_leads_to_the_list(qtbot: QtBot, panel: RequestsPanel) -> None:
    qtbot.mouseClick(panel.list.rows["rims"], Qt.MouseButton.LeftButton)
    assert panel.kind == "rims"
    assert panel.page.title.text() == KINDS["rims"].title
    assert panel.page.question.text() == KINDS["rims"].question
    panel.page.back.click()
    assert panel.form is None
    qtbot.keyClick(panel.list.rows["contact"], Qt.Key.Key_Return)
    assert panel.kind == "contact"


def test_rulers_stand_above_the_list_and_show_what_they_read(bench: MeasureBench, map_id: str) -> None:
    from viewer.store.documents import Mark

    assert bench.page == "measure"
    assert bench.tools.isVisible()
    assert not bench.reading.isVisible()
    bench.add_mark(Mark(id="m", map=map_id, kind="distance", points=((100, 100), (400, 100))))
    assert bench.reading.isVisible()
    assert bench.reading.text.text().startswith("D1")
    bench.reading.go.click()
    assert bench.page == "ledger"
    assert [row.mark for row in bench.view.selected] == ["m"]


def test_keys_of_rulers_work_on_every_page(qtbot: QtBot, bench: MeasureBench) -> None:
    bench.activateWindow()
    qtbot.waitUntil(bench.isActiveWindow)
    for page in ("draw", "measure", "ledger"):
        bench.show_page(page)
        bench.tools.put_down()
        qtbot.keyClick(bench, Qt.Key.Key_D)
        assert bench.tools.tool == "distance"


# -- what is missing ----------------------------------------------------------------------------


@pytest.mark.parametrize("kind", sorted(FORMS))
def test_an_empty_map_says_what_is_missing(panel: RequestsPanel, kind: str) -> None:
    panel.show_kind(kind)
    assert panel.form is not None
    assert panel.form.lack is not None
    assert panel.run.words.isVisible()
    assert not panel.run.go.isEnabled()


def test_a_missing_line_offers_its_tool(qtbot: QtBot, bench: MeasureBench) -> None:
    bench.requests.show_kind("contact")
    assert bench.requests.run.mend.text() == "Draw a contact"
    with qtbot.waitSignal(bench.tool_wanted) as caught:
        bench.requests.run.mend.click()
    assert caught.args == ["contact"]
    bench.requests.show_kind("traverse")
    with qtbot.waitSignal(bench.tool_wanted) as caught:
        bench.requests.run.mend.click()
    assert caught.args == ["traverse"]


def test_the_form_comes_back_once_its_line_is_drawn(
    bench: MeasureBench, desk: Desk, map_id: str
) -> None:
    tools: list[str] = []
    bench.tool_wanted.connect(tools.append)
    bench.requests.show_kind("contact")
    bench.requests.run.mend.click()
    bench.show_page("draw")  # as the window does for a tool that draws
    draw(desk, map_id)
    assert bench.page == "measure"
    assert tools == ["contact", "hand"]
    assert bench.requests.form is not None
    assert bench.requests.form.request() == ContactRequest(line="base")
    # Who turned to drawing by himself stays there.
    bench.buttons["draw"].click()
    desk.undo()
    desk.redo()
    assert bench.page == "draw"


def test_way_up_is_asked_for_and_never_assumed(
    qtbot: QtBot, bench: MeasureBench, desk: Desk, map_id: str, measured: Measured
) -> None:
    draw(desk, map_id)
    desk.set_setup("Forget", map_id, MapSetup())
    panel = bench.requests
    panel.show_kind("layer-thickness")
    assert panel.form is not None
    panel.form.show_request(LayerThicknessRequest(unit="seam"))
    assert "up" in panel.run.words.text()
    assert not panel.run.go.isEnabled()
    panel.measure()
    assert measured.asked == []
    with qtbot.waitSignal(bench.tool_wanted) as caught:
        panel.run.mend.click()
    assert caught.args == ["way-up"]
    desk.set_setup("Up", map_id, MapSetup(orientation=Orientation(way_up_deg=0.0)))
    assert panel.run.go.isEnabled()
    assert not panel.run.mend.isVisible()


def test_a_form_that_counts_phases_waits_for_sorting(
    panel: RequestsPanel, desk: Desk, map_id: str
) -> None:
    panel.show_kind("local-thickness")
    assert "sorted" in panel.run.words.text()
    sort(desk, map_id)
    assert panel.run.go.isEnabled()
    assert panel.form is not None
    assert panel.form.request() == LocalThicknessRequest(phase="Chromite")


def test_nothing_is_sorted_for_a_form_that_nobody_looks_at(
    bench: MeasureBench, desk: Desk, map_id: str
) -> None:
    panel = bench.requests
    bench.show_page("ledger")
    panel.show_kind("local-thickness")
    sort(desk, map_id)
    assert desk.sorting.latest(map_id) is None
    bench.show_page("measure")
    assert desk.sorting.latest(map_id) is not None
    assert panel.run.go.isEnabled()


def test_host_and_rim_are_never_guessed(panel: RequestsPanel, desk: Desk, map_id: str) -> None:
    draw(desk, map_id)
    sort(desk, map_id)
    panel.show_kind("rims")
    assert "host" in panel.run.words.text()
    form = panel.form
    assert form is not None
    form.show_request(RimsRequest(host="Chromite", rim="Chromite"))
    assert "same" in panel.run.words.text()
    form.show_request(RimsRequest(host="Chromite", rim="Olivine"))
    assert form.lack is None


def test_every_name_of_a_request_is_known_as_one() -> None:
    """A field that names something must be among those that a result is said to rest on."""
    known = {*LINES, *LAYERS, *PHASES, *UNITS}
    numbers = {"view_um", "at_um", "open_as_zero", "follow", "log", "bins", "bound", "class_deg"}
    for request in REQUESTS.values():
        for field in request.__struct_fields__:
            measured = field in numbers or field.endswith(("_um", "_um2", "_deg"))
            assert measured or field in known, f"{request.kind}: {field}"


# -- forms and requests -------------------------------------------------------------------------

_ASKED: tuple[Callable[[str], Request], ...] = (
    lambda _fe: ContactRequest(line="top"),
    lambda _fe: ContactRequest(line="base", step_um=120.0),
    lambda fe: SharpnessRequest(line="top", layer=fe),
    lambda fe: SharpnessRequest(
        line="top", layer=fe, reach_um=900.0, beam_um=4.25, window_um=500.0, follow=False, unit="seam"
    ),
    lambda _fe: GradientRequest(line="top", phase="Olivine", reach_um=900.0, view_um=VIEW),
    lambda _fe: UndulationRequest(line="base", shortest_um=100.0, longest_um=1000.0),
    lambda _fe: LayerThicknessRequest(lower="base", upper="top", spacing_um=50.0, cut_deg=72.5),
    lambda _fe: LayerThicknessRequest(unit="seam"),
    lambda _fe: LocalThicknessRequest(phase="Olivine", unit="seam"),
    lambda _fe: RimsRequest(host="Olivine", rim="Chromite"),
    lambda _fe: RimsRequest(
        host="Olivine", rim="Chromite", class_deg=30.0, smallest_um2=4000.0, open_as_zero=True
    ),
    lambda fe: TraverseRequest(
        lines=("across",), layers=(fe,), phases=("Olivine",), only_in="Chromite", width_um=150.0,
        step_um=20.0, contact="base", bound=12.5, log=True,
    ),
    lambda fe: ZoningRequest(phase="Olivine", layer=fe),
    lambda fe: ZoningRequest(
        phase="Olivine", layer=fe, with_rims=("Chromite",), at_um=(300.0, 250.0), bins=12,
        smallest_um2=9000.0,
    ),
)  # fmt: skip


@pytest.mark.parametrize("asked", _ASKED)
def test_a_request_goes_through_its_form_unchanged(
    panel: RequestsPanel, desk: Desk, map_id: str, asked: Callable[[str], Request]
) -> None:
    draw(desk, map_id)
    sort(desk, map_id)
    request = asked(layer(desk, map_id, "Fe"))
    panel.show_kind(request.kind)
    form = panel.form
    assert form is not None
    form.show_request(request)
    assert form.lack is None
    assert form.request() == request
    # What was left to the program is left to it again after another request was shown.
    for other in _ASKED:
        before = other(layer(desk, map_id, "Fe"))
        if before.kind == request.kind:
            form.show_request(before)
    form.show_request(request)
    assert form.request() == request


def test_numbers_that_do_not_go_together_are_explained(
    panel: RequestsPanel, desk: Desk, map_id: str, measured: Measured
) -> None:
    draw(desk, map_id)
    panel.show_kind("undulation")
    assert panel.form is not None
    panel.form.show_request(UndulationRequest(line="base", shortest_um=900.0, longest_um=100.0))
    panel.run.go.click()
    assert measured.asked == []
    assert "not shorter" in panel.run.words.text()


def test_a_box_shows_what_is_left_to_the_program(
    qtbot: QtBot, panel: RequestsPanel, desk: Desk, map_id: str
) -> None:
    draw(desk, map_id)
    panel.show_kind("contact")
    assert panel.form is not None
    box = panel.form.step  # type: ignore[attr-defined]
    panel.form.open_more(True)
    assert box.text() == "chosen"
    box.selectAll()
    qtbot.keyClicks(box, "80")
    qtbot.keyClick(box, Qt.Key.Key_Return)
    assert panel.form.request() == ContactRequest(line="base", step_um=80.0)
    assert box.text() == "80 µm"
    assert panel.form.fold.text() == "Further settings (1 given)"
    box.selectAll()
    qtbot.keyClick(box, Qt.Key.Key_Delete)
    qtbot.keyClick(box, Qt.Key.Key_Return)
    assert panel.form.request() == ContactRequest(line="base")


def test_choosers_follow_the_document(panel: RequestsPanel, desk: Desk, map_id: str) -> None:
    draw(desk, map_id)
    panel.show_kind("contact")
    form = panel.form
    assert form is not None
    form.show_request(ContactRequest(line="top"))
    lines = desk.state.lines.lines
    renamed = tuple(replace(x, name="upper") if x.id == "t" else x for x in lines)
    desk.apply("Rename", lines=Lines(lines=renamed))
    assert form.request() == ContactRequest(line="upper")
    desk.apply("Delete", lines=Lines(lines=tuple(x for x in lines if x.id != "t")))
    # Another is not taken in its place.
    assert form.lack is not None
    assert "upper" in form.lack.words
    desk.undo()
    assert form.lack is None
    assert form.request() == ContactRequest(line="upper")


def test_a_unit_that_is_gone_is_not_the_whole_map(
    panel: RequestsPanel, desk: Desk, map_id: str
) -> None:
    draw(desk, map_id)
    sort(desk, map_id)
    panel.show_kind("local-thickness")
    assert panel.form is not None
    panel.form.show_request(LocalThicknessRequest(phase="Olivine", unit="seam"))
    desk.apply("Delete", units=Units())
    assert panel.form.lack is not None
    assert not panel.run.go.isEnabled()


def test_what_is_in_view_is_taken_down_when_asked(bench: MeasureBench, desk: Desk, map_id: str) -> None:
    draw(desk, map_id)
    sort(desk, map_id)
    bench.requests.show_kind("local-thickness")
    form = bench.requests.form
    assert form is not None
    assert form.region is not None
    form.region.setCurrentIndex(1)
    form.region.activated.emit(1)
    assert form.request().view_um == VIEW
    moved = (0.0, 0.0, 500.0, 500.0)
    bench.set_view(moved)
    assert form.request().view_um == moved


def test_several_layers_are_ticked_with_the_list_open(
    qtbot: QtBot, panel: RequestsPanel, desk: Desk, map_id: str
) -> None:
    draw(desk, map_id)
    panel.show_kind("traverse")
    form = panel.form
    assert form is not None
    box = form.layers  # type: ignore[attr-defined]
    qtbot.mouseClick(box, Qt.MouseButton.LeftButton, pos=QPoint(20, 10))
    assert box.ticks.isVisible()
    for at in range(2):
        place = box.ticks.visualItemRect(box.ticks.item(at)).center()
        qtbot.mouseClick(box.ticks.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert box.ticks.isVisible()
    assert len(box.values) == 2
    assert box.words == ", ".join(box.values)
    qtbot.keyClick(box.ticks, Qt.Key.Key_Space)
    assert len(box.values) == 1
    qtbot.keyClick(box.ticks, Qt.Key.Key_Escape)
    assert not box.ticks.isVisible()
    # The only traverse is taken without being chosen.
    assert form.request() == TraverseRequest(lines=("across",), layers=box.values)


def test_a_phase_is_no_rim_of_its_own(panel: RequestsPanel, desk: Desk, map_id: str) -> None:
    sort(desk, map_id)
    fe = layer(desk, map_id, "Fe")
    panel.show_kind("zoning")
    assert panel.form is not None
    panel.form.show_request(ZoningRequest(phase="Olivine", layer=fe, with_rims=("Olivine",)))
    assert "itself" in panel.run.words.text()
    assert not panel.run.go.isEnabled()


def test_a_tick_on_what_is_gone_can_be_taken_off(panel: RequestsPanel, desk: Desk, map_id: str) -> None:
    draw(desk, map_id)
    fe = layer(desk, map_id, "Fe")
    panel.show_kind("traverse")
    form = panel.form
    assert form is not None
    form.show_request(TraverseRequest(lines=("across",), layers=(fe,)))
    box = form.lines  # type: ignore[attr-defined]
    other = Line(id="y", map=map_id, name="along", kind="traverse", points=BASE)
    desk.apply("Draw another", lines=Lines(lines=(other,)))
    assert box.missing == ("across",)
    assert form.lack is not None
    assert "across" in form.lack.words
    assert form.lack.tool == "traverse"
    assert [box.ticks.item(at).text() for at in range(2)] == ["along", "«across» is not here"]
    box.ticks.itemClicked.emit(box.ticks.item(1))
    # Now there is one to choose from.
    assert form.request() == TraverseRequest(lines=("along",), layers=(fe,))
    assert form.lack is None


# -- measuring ----------------------------------------------------------------------------------


def test_a_result_is_shown_and_its_overlay_handed_on(
    qtbot: QtBot, bench: MeasureBench, desk: Desk, map_id: str, measured: Measured
) -> None:
    draw(desk, map_id)
    panel = bench.requests
    overlays: list[object] = []
    bench.overlay_changed.connect(overlays.append)
    panel.show_kind("contact")
    assert not panel.result.isVisible()
    panel.run.go.click()
    assert measured.asked == [(map_id, ContactRequest(line="base"))]
    assert panel.result.isVisible()
    assert overlays == [measured.overlay]
    # Each kind keeps its own; the list shows none.
    panel.show_kind("undulation")
    assert not panel.result.isVisible()
    panel.show_kind("contact")
    assert panel.result.isVisible()
    panel.show_list()
    assert overlays == [measured.overlay, None, measured.overlay, None]


def test_the_form_folds_away_for_the_result_and_comes_back(
    qtbot: QtBot, panel: RequestsPanel, desk: Desk, map_id: str, measured: Measured
) -> None:
    draw(desk, map_id)
    panel.show_kind("contact")
    form, page = panel.form, panel.page
    assert form is not None
    assert form.isVisible()
    assert not page.settings.isVisible()
    panel.run.go.click()
    assert not form.isVisible()
    page.settings.click()
    assert form.isVisible()
    assert panel.result.isVisible()
    page.settings.click()
    assert not form.isVisible()
    # Ctrl+Return measures either way; what is missing brings the form back.
    qtbot.waitUntil(panel.run.go.isVisible)
    desk.apply("Delete", lines=Lines())
    assert form.isVisible()
    assert panel.result.isVisible()


def test_a_result_belongs_to_its_map(
    bench: MeasureBench, desk: Desk, map_id: str, measured: Measured
) -> None:
    draw(desk, map_id)
    panel = bench.requests
    panel.show_kind("contact")
    panel.measure()
    bench.set_map(desk.map("Lower face").id)
    assert not panel.result.isVisible()
    assert panel.form is not None
    assert panel.form.lack is not None
    bench.set_map(map_id)
    assert panel.result.isVisible()


def test_why_nothing_came_of_it_is_said_at_the_form(
    panel: RequestsPanel, desk: Desk, map_id: str, measured: Measured
) -> None:
    draw(desk, map_id)
    measured.trouble = InputError("The contacts cross.", where="base, top", hint="Draw them apart.")
    panel.show_kind("contact")
    panel.measure()
    assert "The contacts cross." in panel.run.words.text()
    assert "Draw them apart." in panel.run.words.text()
    assert panel.run.go.isEnabled()
    assert not panel.result.isVisible()
    measured.trouble = None
    panel.measure()
    assert panel.run.words.text() == ""


def test_a_result_grows_old_when_its_line_moves(
    panel: RequestsPanel, desk: Desk, map_id: str, measured: Measured
) -> None:
    draw(desk, map_id)
    panel.show_kind("contact")
    panel.measure()
    lines = desk.state.lines.lines

    def with_points(line_id: str) -> Lines:
        moved = tuple(replace(x, points=ACROSS) if x.id == line_id else x for x in lines)
        return Lines(lines=moved)

    desk.apply("Move another", lines=with_points("t"))
    assert not panel.run.words.isVisible()
    desk.apply("Move", lines=with_points("b"))
    assert "changed" in panel.run.words.text()
    desk.undo()
    assert not panel.run.words.isVisible()


def test_a_row_is_measured_again_as_it_was_asked_for(
    bench: MeasureBench, desk: Desk, map_id: str, measured: Measured
) -> None:
    draw(desk, map_id)
    request = ContactRequest(line="top", step_um=75.0)
    old = add_to_ledger(desk, measured(desk, map_id, request, lambda *_: None))
    measured.asked.clear()
    bench.show_page("ledger")
    bench.view.selectRow(0)
    assert bench.ledger.again.isVisible()
    bench.ledger.again.click()
    assert bench.page == "measure"
    assert measured.asked == [(map_id, request)]
    assert bench.requests.form is not None
    assert bench.requests.form.request() == request
    # The new answer takes the old one's place.
    assert bench.requests.answer is not None
    add_to_ledger(desk, bench.requests.answer.result)
    (row,) = desk.state.ledger.rows
    assert row.request == request
    assert row.id != old[0].id


def test_a_row_of_another_map_asks_for_that_map(
    qtbot: QtBot, bench: MeasureBench, desk: Desk, map_id: str, measured: Measured
) -> None:
    draw(desk, map_id)
    add_to_ledger(desk, measured(desk, map_id, ContactRequest(line="top"), lambda *_: None))
    measured.asked.clear()
    bench.set_map(desk.map("Lower face").id)
    bench.show_page("ledger")
    bench.view.selectRow(0)
    bench.map_wanted.connect(bench.set_map)
    bench.ledger.again.click()
    assert bench.map_id == map_id
    assert measured.asked == [(map_id, ContactRequest(line="top"))]


def test_a_rulers_row_is_not_measured_again(bench: MeasureBench, map_id: str) -> None:
    from viewer.store.documents import Mark

    bench.add_mark(Mark(id="m", map=map_id, kind="distance", points=((100, 100), (400, 100))))
    bench.show_page("ledger")
    assert not bench.ledger.again.isVisible()


def test_a_row_lights_up_the_line_that_it_tells_of(
    qtbot: QtBot, bench: MeasureBench, desk: Desk, map_id: str, measured: Measured
) -> None:
    draw(desk, map_id)
    sort(desk, map_id)
    for request in (
        ContactRequest(line="Top"),
        LocalThicknessRequest(phase="Olivine", unit="seam"),
        LocalThicknessRequest(phase="Olivine"),
    ):
        add_to_ledger(desk, measured(desk, map_id, request, lambda *_: None))
    glowing: list[str] = []
    bench.drawn.glow.connect(glowing.append)
    bench.show_page("ledger")
    QApplication.processEvents()
    for at in range(3):
        place = bench.view.visualRect(bench.view.model().index(at, 0)).center()
        qtbot.mouseMove(bench.view.viewport(), place + QPoint(3, 0))
    assert glowing == ["t", "u", ""]
    with qtbot.waitSignal(bench.drawn.go_to) as caught:
        bench.view.selectRow(0)
    assert caught.args == ["t"]


def test_the_wheel_scrolls_the_form_and_turns_no_field_in_passing(
    qtbot: QtBot, bench: MeasureBench, desk: Desk, map_id: str
) -> None:
    draw(desk, map_id)
    panel = bench.requests
    panel.show_kind("contact")
    form = panel.form
    assert form is not None
    form.open_more(True)
    before = form.request()
    bench.setFocus()
    for field in (form.line, form.step):  # type: ignore[attr-defined]
        place = QPointF(10.0, 10.0)
        wheel = QWheelEvent(
            place,
            QPointF(field.mapToGlobal(QPoint(10, 10))),
            QPoint(),
            QPoint(0, -120),
            Qt.MouseButton.NoButton,
            Qt.KeyboardModifier.NoModifier,
            Qt.ScrollPhase.NoScrollPhase,
            False,
        )
        QApplication.sendEvent(field, wheel)
    assert form.request() == before


# -- jobs ---------------------------------------------------------------------------------------


def test_measuring_goes_on_beside_the_window_and_can_be_stopped(
    qtbot: QtBot, project_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = tmp_path / "sill.maps.h5"
    copy.write_bytes(project_file.read_bytes())
    begun, go_on = threading.Event(), threading.Event()

    def slow(_desk: Desk, map_id: str, request: Request, progress: Progress) -> Result:
        progress(0.25, "tracing")
        begun.set()
        assert go_on.wait(10)
        progress(0.75, "tracing")
        return Result(map_id, request, "base", (), "")

    monkeypatch.setattr(run_strip, "run", slow)
    poster = Poster()
    with Desk.open(copy, post=poster.post) as desk:
        map_id = desk.map("Upper face").id
        draw(desk, map_id)
        bench = MeasureBench(desk)
        qtbot.addWidget(bench)
        bench.set_map(map_id)
        bench.show()
        panel = bench.requests
        panel.show_kind("contact")
        panel.run.go.click()
        assert panel.run.running
        assert begun.wait(10)
        qtbot.waitUntil(lambda: panel.run.bar.value() == 250)
        assert panel.run.doing.text() == "tracing"
        assert panel.run.stop.isVisible()
        assert not panel.run.go.isVisible()
        panel.run.stop.click()
        go_on.set()
        qtbot.waitUntil(lambda: not panel.run.running)
        assert "Stopped" in panel.run.words.text()
        assert not panel.result.isVisible()
        # What is measured while one turns to another kind is told, and found on its page.
        said: list[str] = []
        desk.said.connect(lambda _level, text: said.append(text))
        go_on.clear()
        panel.run.go.click()
        panel.show_kind("undulation")
        # One at a time: to measure a row again meanwhile is refused in words, and changes nothing.
        panel.measure_again(ContactRequest(line="top"))
        assert "Something is being measured" in said.pop()
        assert panel.kind == "undulation"
        go_on.set()
        qtbot.waitUntil(lambda: not panel.run.running)
        assert "Contact" in said[0]
        assert not panel.result.isVisible()
        panel.show_kind("contact")
        assert panel.result.isVisible()
        bench.close()
    poster.close()


def test_measuring_again_waits_for_sorting(
    qtbot: QtBot,
    project_file: Path,
    tmp_path: Path,
    measured: Measured,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    copy = tmp_path / "sill.maps.h5"
    copy.write_bytes(project_file.read_bytes())
    go_on = threading.Event()
    poster = Poster()
    with Desk.open(copy, post=poster.post) as desk:
        sort_map = desk.sorting.work

        def slow(work: SortWork, progress: Progress) -> PhaseImage:
            assert go_on.wait(10)
            return sort_map(work, progress)

        monkeypatch.setattr(desk.sorting, "work", slow)
        map_id = desk.map("Upper face").id
        draw(desk, map_id)
        sort(desk, map_id)
        bench = MeasureBench(desk)
        qtbot.addWidget(bench)
        bench.set_map(map_id)
        bench.show()
        request = LocalThicknessRequest(phase="Olivine")
        bench.requests.measure_again(request)
        assert "being sorted" in bench.requests.run.words.text()
        assert measured.asked == []
        go_on.set()
        qtbot.waitUntil(lambda: measured.asked == [(map_id, request)])
        qtbot.waitUntil(lambda: not bench.requests.run.running)
        bench.close()
    poster.close()


def test_closing_lets_the_desk_go(qtbot: QtBot, desk: Desk, map_id: str) -> None:
    bench = MeasureBench(desk)
    qtbot.addWidget(bench)
    bench.set_map(map_id)
    bench.requests.show_kind("contact")
    bench.close()
    bench.close()
    draw(desk, map_id)
    assert bench.requests.form is not None
    assert bench.requests.form.lack is not None
