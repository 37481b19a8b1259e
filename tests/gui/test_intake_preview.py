"""The intake preview: real files, real widgets, and nothing written."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PySide6.QtCore import QMimeData, QPoint, QPointF, QSettings, Qt, QUrl
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import QApplication, QFileDialog, QLineEdit
from pytestqt.qtbot import QtBot

from viewer.desk.gather import GatherPlan, gather
from viewer.errors import InputError
from viewer.intake.base import ArrayReader, Candidate, PixelSize
from viewer.panels import theme
from viewer.panels.intake import table
from viewer.panels.intake.draft import (
    Draft,
    Line,
    duplicates,
    ground_is_stated,
    line_of,
    made_unique,
    pixel_caution,
    pixel_problem,
    problem,
    size_groups,
    why_not_resample,
)
from viewer.panels.intake.length_edit import parse_length
from viewer.panels.intake.preview import IntakePreview
from viewer.panels.intake.sample import sample_of, take_sample
from viewer.store.project import Project


@pytest.fixture(scope="module", autouse=True)
def _dressed(qapp: QApplication, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = str(tmp_path_factory.mktemp("settings"))
    QSettings.setDefaultFormat(QSettings.Format.IniFormat)
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, folder)
    qapp.setOrganizationName("grainlight-tests")
    theme.apply(qapp, "dark")


def write_map(path: Path, shape: tuple[int, int] = (60, 90), um: float | None = 20.0) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    seed = sum(path.name.encode())
    values = np.random.default_rng(seed).poisson(50, shape).astype(np.uint16)
    if um is None:
        tifffile.imwrite(path, values)
    else:
        # TIFF 6.0, tags 282, 283 and 296: pixels to a centimetre.
        per_cm = (1e4 / um, 1e4 / um)
        tifffile.imwrite(path, values, resolution=per_cm, resolutionunit="CENTIMETER")
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for element in ("Fe", "Mg", "Cr"):
        write_map(tmp_path / "upper" / f"upper {element} K.tif")
    return tmp_path / "upper"


@pytest.fixture
def page(qtbot: QtBot) -> Iterator[IntakePreview]:
    preview = IntakePreview()
    qtbot.addWidget(preview)
    preview.show()
    yield preview
    preview.reject()


def look(qtbot: QtBot, page: IntakePreview, *paths: Path) -> None:
    page.add_paths(paths)
    qtbot.waitUntil(lambda: not page._worker.busy, timeout=20_000)


def row_of(page: IntakePreview, name: str) -> int:
    rows = range(page.model.rowCount())
    return next(row for row in rows if page.model.line(row).name == name)


def edit_cell(qtbot: QtBot, page: IntakePreview, row: int, column: int, text: str) -> None:
    index = page.model.index(row, column)
    page.table.setCurrentIndex(index)
    page.table.edit(index)
    editor = page.table.viewport().findChildren(QLineEdit)[-1]
    editor.selectAll()
    qtbot.keyClicks(editor, text)
    qtbot.keyClick(editor, Qt.Key.Key_Return)
    # Qt commits the text from its event queue, after the editor has had the key itself.
    QApplication.processEvents()


# -- from files to a plan -----------------------------------------------------------------------


def test_empty_page_says_what_to_do(page: IntakePreview) -> None:
    assert page.pages.currentWidget() is page.drop_page
    assert not page.gather_button.isEnabled()
    assert "Add files" in page.gather_button.toolTip()


def test_a_folder_is_recognised(qtbot: QtBot, page: IntakePreview, folder: Path) -> None:
    look(qtbot, page, folder)
    assert sorted(line.name for line in page.draft.lines) == ["Cr", "Fe", "Mg"]
    assert {line.element for line in page.draft.lines} == {"Fe", "Mg", "Cr"}
    assert {line.line for line in page.draft.lines} == {"K"}
    assert page.form.pixel_x.value == pytest.approx(20.0, rel=1e-6)
    assert "TIFF" in page.form.hint.text()
    assert page.form.name_edit.text() == "upper"
    assert page.gather_button.isEnabled()
    assert page.gather_button.text() == "Gather 3 channels"
    iron = page.draft.lines[row_of(page, "Fe")]
    values = tifffile.imread(folder / "upper Fe K.tif")
    assert iron.low is not None
    assert iron.high is not None
    assert values.min() <= iron.low < iron.high <= values.max()
    index = page.model.index(row_of(page, "Fe"), table.NAME)
    assert page.model.data(index, Qt.ItemDataRole.DecorationRole) is not None


def test_nothing_is_written_before_gather(
    qtbot: QtBot, page: IntakePreview, folder: Path, tmp_path: Path
) -> None:
    before = sorted(tmp_path.rglob("*"))
    look(qtbot, page, folder)
    page.reject()
    assert sorted(tmp_path.rglob("*")) == before


def test_the_plan_can_be_gathered(
    qtbot: QtBot, page: IntakePreview, folder: Path, tmp_path: Path
) -> None:
    look(qtbot, page, folder)
    edit_cell(qtbot, page, row_of(page, "Fe"), table.NAME, "iron")
    edit_cell(qtbot, page, row_of(page, "iron"), table.ELEMENT, "mn")
    edit_cell(qtbot, page, row_of(page, "iron"), table.LINE, "La")
    edit_cell(qtbot, page, row_of(page, "iron"), table.UNIT, "cps")
    with qtbot.waitSignal(page.gather_requested) as caught:
        qtbot.mouseClick(page.gather_button, Qt.MouseButton.LeftButton)
    (plan,) = caught.args
    assert isinstance(plan, GatherPlan)
    assert not page.isVisible()
    assert plan.target == tmp_path / "upper.maps.h5"
    assert not plan.into
    map_id = gather(plan)
    with Project.open(plan.target, write=False) as project:
        found = project.maps[map_id]
        assert found.name == "upper"
        assert found.pixel_um == pytest.approx((20.0, 20.0), rel=1e-6)
        (layer,) = (x for x in found.layers.values() if x.name == "iron")
        assert (layer.element, layer.line, layer.unit) == ("Mn", "La", "cps")
        stored = layer.values(slice(0, 60), slice(0, 90))
        np.testing.assert_array_equal(stored, tifffile.imread(folder / "upper Fe K.tif"))


def test_dropping_a_folder(qtbot: QtBot, page: IntakePreview, folder: Path) -> None:
    mime = QMimeData()
    mime.setUrls([QUrl.fromLocalFile(str(folder))])
    none, left = Qt.KeyboardModifier.NoModifier, Qt.MouseButton.LeftButton
    copy = Qt.DropAction.CopyAction
    over = QDragEnterEvent(QPoint(50, 50), copy, mime, left, none)
    page.dragEnterEvent(over)
    assert over.isAccepted()
    page.dropEvent(QDropEvent(QPointF(50, 50), copy, mime, left, none))
    qtbot.waitUntil(lambda: len(page.draft.lines) == 3, timeout=20_000)


def test_text_is_not_dropped(page: IntakePreview) -> None:
    mime = QMimeData()
    mime.setText("Fe")
    none, left = Qt.KeyboardModifier.NoModifier, Qt.MouseButton.LeftButton
    over = QDragEnterEvent(QPoint(5, 5), Qt.DropAction.CopyAction, mime, left, none)
    over.ignore()
    page.dragEnterEvent(over)
    assert not over.isAccepted()


def test_files_can_be_picked(
    qtbot: QtBot, page: IntakePreview, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = [str(path) for path in sorted(folder.iterdir())]
    monkeypatch.setattr(QFileDialog, "getOpenFileNames", lambda *_a, **_k: (files, ""))
    qtbot.mouseClick(page.drop_page.files_button, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: len(page.draft.lines) == 3, timeout=20_000)
    assert page.form.name_edit.text() == "upper"


# -- ticks --------------------------------------------------------------------------------------


def test_space_ticks_every_selected_row(qtbot: QtBot, page: IntakePreview, folder: Path) -> None:
    look(qtbot, page, folder)
    page.table.selectAll()
    qtbot.keyClick(page.table, Qt.Key.Key_Space)
    assert [line.use for line in page.draft.lines] == [False] * 3
    assert page.trouble == "Tick at least one channel."
    page.table.selectRow(1)
    qtbot.keyClick(page.table, Qt.Key.Key_Space)
    assert [line.use for line in page.draft.lines] == [False, True, False]
    assert page.gather_button.text() == "Gather 1 channel"


def test_a_tick_leaves_a_channel_out(qtbot: QtBot, page: IntakePreview, folder: Path) -> None:
    look(qtbot, page, folder)
    index = page.model.index(row_of(page, "Mg"), table.NAME)
    unchecked = Qt.CheckState.Unchecked
    assert page.model.setData(index, unchecked.value, Qt.ItemDataRole.CheckStateRole)
    with qtbot.waitSignal(page.gather_requested) as caught:
        page.gather_button.click()
    assert sorted(channel.name for channel in caught.args[0].channels) == ["Cr", "Fe"]


# -- pixel size ---------------------------------------------------------------------------------


def test_an_unknown_pixel_size_is_asked_for(
    qtbot: QtBot, page: IntakePreview, tmp_path: Path
) -> None:
    write_map(tmp_path / "bare" / "Fe.tif", um=None)
    look(qtbot, page, tmp_path / "bare")
    assert page.form.pixel_x.text() == ""
    assert not page.gather_button.isEnabled()
    assert page.status.text() == "Give the pixel size in µm."
    assert page.model.index(0, table.PIXEL).data() == "not given"
    qtbot.keyClicks(page.form.pixel_x, "12,5")
    cell = page.model.index(0, table.PIXEL)
    assert (cell.data(), cell.data(table.SECOND_ROLE)) == ("12.5 µm", "as given above")
    assert page.gather_button.isEnabled()
    with qtbot.waitSignal(page.gather_requested) as caught:
        page.gather_button.click()
    assert caught.args[0].pixel_um == (12.5, 12.5)


def test_pixels_need_not_be_square(qtbot: QtBot, page: IntakePreview, folder: Path) -> None:
    look(qtbot, page, folder)
    assert not page.form.pixel_y.isEnabled()
    page.form.square.click()
    page.form.pixel_y.selectAll()
    qtbot.keyClicks(page.form.pixel_y, "25")
    assert page.draft.pixel_x == pytest.approx(20.0, rel=1e-6)
    assert page.draft.pixel_y == 25.0
    assert "the files say 20" in page.form.hint.text()
    page.form.square.click()
    assert page.draft.pixel_y == page.draft.pixel_x


@pytest.mark.parametrize("text", ["0", "-5", "abc", ""])
def test_an_impossible_pixel_size_cannot_be_gathered(
    qtbot: QtBot, page: IntakePreview, folder: Path, text: str
) -> None:
    look(qtbot, page, folder)
    page.form.pixel_x.selectAll()
    qtbot.keyClick(page.form.pixel_x, Qt.Key.Key_Delete)
    qtbot.keyClicks(page.form.pixel_x, text)
    assert not page.gather_button.isEnabled()
    assert page.form.pixel_x.property("wrong")


@pytest.mark.parametrize("text", ["0.005", "2000"])
def test_an_absurd_pixel_size_must_be_meant(
    qtbot: QtBot, page: IntakePreview, folder: Path, text: str
) -> None:
    look(qtbot, page, folder)
    page.form.pixel_x.selectAll()
    qtbot.keyClicks(page.form.pixel_x, text)
    assert page.form.hint.property("tone") == "caution"
    assert page.form.insist.isVisible()
    assert not page.gather_button.isEnabled()
    page.form.insist.click()
    with qtbot.waitSignal(page.gather_requested) as caught:
        page.gather_button.click()
    assert caught.args[0].pixel_um[0] == float(text)


def test_files_that_disagree_leave_the_size_open(
    qtbot: QtBot, page: IntakePreview, tmp_path: Path
) -> None:
    write_map(tmp_path / "two" / "Fe.tif", um=20.0)
    write_map(tmp_path / "two" / "Mg.tif", um=5.0)
    look(qtbot, page, tmp_path / "two")
    assert page.draft.pixel_x is None
    assert "disagree" in page.form.hint.text()


# -- several sizes ------------------------------------------------------------------------------


def test_mixed_sizes_can_be_resampled(qtbot: QtBot, page: IntakePreview, tmp_path: Path) -> None:
    write_map(tmp_path / "mixed" / "Fe.tif", (60, 90), 20.0)
    write_map(tmp_path / "mixed" / "Mg.tif", (30, 45), 40.0)
    look(qtbot, page, tmp_path / "mixed")
    assert page.sizes_view.isVisible()
    assert "2 different sizes" in page.status.text()
    assert not page.gather_button.isEnabled()
    assert page.draft.grid is None  # values are interpolated only for whoever asks for it
    finest = next(button for button, grid in page.sizes_view._choices if grid == "finest")
    assert finest.text() == (
        "Bring all onto the finest grid (90 × 60 px); "
        "by their pixel sizes they cover the same ground"
    )
    assert not page.sizes_view.caution.isVisible()
    page.sizes_view.choose("finest")
    assert page.sizes_view.caution.isVisible()
    assert "no counts any more" in page.sizes_view.caution.text()
    assert "do not say" not in page.sizes_view.caution.text()
    assert page.draft.pixel_x == pytest.approx(20.0, rel=1e-6)
    with qtbot.waitSignal(page.gather_requested) as caught:
        page.gather_button.click()
    plan = caught.args[0]
    assert plan.shape == (60, 90)
    assert [channel.name for channel in plan.resampled] == ["Mg"]
    notes = [page.model.words(line) for line in page.draft.lines]
    assert [("interpolated" in note) for note in notes] == [False, True]


@pytest.mark.parametrize(("fine_um", "coarse_um"), [(None, None), (20.0, None), (None, 40.0)])
def test_like_proportions_alone_prove_no_ground(
    qtbot: QtBot,
    page: IntakePreview,
    tmp_path: Path,
    fine_um: float | None,
    coarse_um: float | None,
) -> None:
    write_map(tmp_path / "mixed" / "Fe.tif", (60, 90), fine_um)
    write_map(tmp_path / "mixed" / "Mg.tif", (30, 45), coarse_um)
    look(qtbot, page, tmp_path / "mixed")
    assert not ground_is_stated(page.draft)
    finest = next(button for button, grid in page.sizes_view._choices if grid == "finest")
    assert finest.text().startswith("If they cover the same ground: bring all onto")
    assert not finest.isChecked()
    page.sizes_view.choose("finest")
    # A pixel size that is given here is no word of the files.
    qtbot.keyClicks(page.form.pixel_x, "20")
    assert not ground_is_stated(page.draft)
    assert page.sizes_view.caution.text().startswith("The files do not say")
    assert "no counts any more" in page.sizes_view.caution.text()


def test_one_size_can_be_chosen(qtbot: QtBot, page: IntakePreview, tmp_path: Path) -> None:
    write_map(tmp_path / "mixed" / "Fe.tif", (60, 90), 20.0)
    write_map(tmp_path / "mixed" / "Mg.tif", (30, 45), 40.0)
    look(qtbot, page, tmp_path / "mixed")
    page.sizes_view.choose((30, 45))
    assert page.draft.pixel_x == pytest.approx(40.0, rel=1e-6)
    with qtbot.waitSignal(page.gather_requested) as caught:
        page.gather_button.click()
    assert [channel.name for channel in caught.args[0].channels] == ["Mg"]


def test_other_ground_cannot_be_resampled(
    qtbot: QtBot, page: IntakePreview, tmp_path: Path
) -> None:
    write_map(tmp_path / "mixed" / "Fe.tif", (60, 90), 20.0)
    write_map(tmp_path / "mixed" / "Mg.tif", (40, 45), 40.0)
    look(qtbot, page, tmp_path / "mixed")
    finest = next(button for button, grid in page.sizes_view._choices if grid == "finest")
    assert not finest.isEnabled()
    assert "Mg" in finest.text()


def test_leaving_the_odd_one_out_settles_it(
    qtbot: QtBot, page: IntakePreview, tmp_path: Path
) -> None:
    write_map(tmp_path / "mixed" / "Fe.tif", (60, 90), 20.0)
    write_map(tmp_path / "mixed" / "Mg.tif", (30, 45), 40.0)
    look(qtbot, page, tmp_path / "mixed")
    page.table.selectRow(row_of(page, "Mg"))
    qtbot.keyClick(page.table, Qt.Key.Key_Space)
    assert not page.sizes_view.isVisible()
    assert page.gather_button.isEnabled()


# -- names --------------------------------------------------------------------------------------


def test_names_that_meet_are_numbered_apart(
    qtbot: QtBot, page: IntakePreview, folder: Path, tmp_path: Path
) -> None:
    look(qtbot, page, folder)
    write_map(tmp_path / "again" / "Fe K.tif")
    look(qtbot, page, tmp_path / "again")
    names = [line.name for line in page.draft.lines]
    assert sorted(names) == ["Cr", "Fe", "Fe (2)", "Mg"]
    note = page.model.index(row_of(page, "Fe (2)"), table.NOTES)
    assert "became Fe (2)" in page.model.data(note)
    assert page.gather_button.isEnabled()


def test_a_name_given_twice_is_marked_and_can_be_mended(
    qtbot: QtBot, page: IntakePreview, folder: Path
) -> None:
    look(qtbot, page, folder)
    edit_cell(qtbot, page, row_of(page, "Mg"), table.NAME, "fe")
    assert not page.gather_button.isEnabled()
    assert "called" in page.status.text()
    index = page.model.index(row_of(page, "fe"), table.NAME)
    assert page.model.data(index, table.TONE_ROLE) == "error"
    qtbot.mouseClick(page.number_apart_button, Qt.MouseButton.LeftButton)
    assert page.gather_button.isEnabled()
    assert not page.number_apart_button.isVisible()


# -- bad files ----------------------------------------------------------------------------------


def test_bad_files_are_rows_and_good_ones_stay_usable(
    qtbot: QtBot, page: IntakePreview, folder: Path
) -> None:
    (folder / "upper Ti K.tif").write_bytes(b"")
    whole = (folder / "upper Fe K.tif").read_bytes()
    (folder / "upper Zn K.tif").write_bytes(whole[: len(whole) // 3])
    (folder / "upper Mn K.tif").write_bytes(b"\x89 no picture")
    look(qtbot, page, folder)
    wrong = [line for line in page.draft.lines if line.error]
    assert {line.source.split(".")[0] for line in wrong} == {
        "upper Ti K",
        "upper Zn K",
        "upper Mn K",
    }
    assert all(len(line.error) > 10 for line in wrong)
    assert "3 not readable" in page.files_label.text()
    row = next(at for at in range(page.model.rowCount()) if page.model.line(at).error)
    assert page.model.data(page.model.index(row, table.NAME), Qt.ItemDataRole.CheckStateRole) is None
    assert page.model.data(page.model.index(row, table.NOTES), table.TONE_ROLE) == "error"
    assert page.gather_button.text() == "Gather 3 channels"
    assert page.gather_button.isEnabled()


def test_nothing_readable_says_so_and_asks_for_nothing(
    qtbot: QtBot, page: IntakePreview, tmp_path: Path
) -> None:
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / "Fe K.tif").write_bytes(b"")
    look(qtbot, page, tmp_path / "bad")
    assert page.form.hint.text() == "None of these files can be read."
    assert page.trouble == "None of these files can be read."
    assert not page.sizes_view.isVisible()


def test_with_no_channel_ticked_the_form_says_so(
    qtbot: QtBot, page: IntakePreview, folder: Path
) -> None:
    look(qtbot, page, folder)
    page.table.selectAll()
    qtbot.keyClick(page.table, Qt.Key.Key_Space)
    assert page.form.hint.text() == "Tick at least one channel."


def test_what_is_no_element_is_said_and_not_gathered(
    qtbot: QtBot, page: IntakePreview, folder: Path
) -> None:
    look(qtbot, page, folder)
    row = row_of(page, "Fe")
    edit_cell(qtbot, page, row, table.ELEMENT, "xq")
    cell = page.model.index(row, table.ELEMENT)
    assert cell.data() == "Xq"
    assert cell.data(table.TONE_ROLE) == "error"
    assert cell.data(Qt.ItemDataRole.ToolTipRole).startswith("Xq is no element.")
    assert page.about_line.text().startswith("Fe: Xq is no element.")
    assert page.trouble.startswith("Xq is no element.")
    assert not page.gather_button.isEnabled()
    edit_cell(qtbot, page, row, table.ELEMENT, "Ni")
    assert page.gather_button.isEnabled()


def test_escape_asks_before_it_drops_corrections(
    qtbot: QtBot, page: IntakePreview, folder: Path
) -> None:
    look(qtbot, page, folder)
    edit_cell(qtbot, page, row_of(page, "Fe"), table.UNIT, "cps")
    qtbot.keyClick(page.table, Qt.Key.Key_Escape)
    assert page.isVisible()
    assert page.status.text() == "Press Esc again to drop your corrections."
    # Whoever goes on is asked anew.
    page.table.selectRow(0)
    qtbot.keyClick(page.table, Qt.Key.Key_Space)
    assert "Esc" not in page.status.text()
    qtbot.keyClick(page.form.name_edit, Qt.Key.Key_Escape)
    assert page.isVisible()
    qtbot.keyClick(page.form.name_edit, Qt.Key.Key_Escape)
    assert not page.isVisible()


@pytest.mark.parametrize("cleared", [False, True])
def test_escape_closes_at_once_where_nothing_was_corrected(
    qtbot: QtBot, page: IntakePreview, folder: Path, cleared: bool
) -> None:
    look(qtbot, page, folder)
    if cleared:
        edit_cell(qtbot, page, row_of(page, "Fe"), table.UNIT, "cps")
        page.clear()
    qtbot.keyClick(page, Qt.Key.Key_Escape)
    assert not page.isVisible()


def test_a_path_that_is_not_there_is_a_row(
    qtbot: QtBot, page: IntakePreview, tmp_path: Path
) -> None:
    look(qtbot, page, tmp_path / "nowhere")
    assert page.draft.lines[0].error
    assert page.trouble == "None of these files can be read."


def test_a_file_that_breaks_while_it_is_sampled(qtbot: QtBot, tmp_path: Path) -> None:
    from viewer.intake.formats import Survey

    def broken() -> ArrayReader:
        raise InputError("Rows 3 to 4 cannot be read.", where="late.tif")

    late = a_candidate("late", opens=broken)
    page = IntakePreview(look=lambda _paths: Survey(candidates=(late,)))
    qtbot.addWidget(page)
    look(qtbot, page, tmp_path)
    assert page.draft.lines[0].error == "Rows 3 to 4 cannot be read."
    page.reject()


# -- where to -----------------------------------------------------------------------------------


def test_a_project_is_never_replaced(
    qtbot: QtBot, page: IntakePreview, folder: Path, tmp_path: Path
) -> None:
    (tmp_path / "upper.maps.h5").write_bytes(b"precious")
    look(qtbot, page, folder)
    assert page.destination.target_edit.text() == str(tmp_path / "upper (2).maps.h5")
    page.destination.target_edit.selectAll()
    qtbot.keyClicks(page.destination.target_edit, str(tmp_path / "upper"))
    assert "is there already" in page.status.text()
    assert not page.gather_button.isEnabled()


def test_into_the_open_project(qtbot: QtBot, folder: Path, tmp_path: Path) -> None:
    here = tmp_path / "sill.maps.h5"
    page = IntakePreview(here, ["upper"])
    qtbot.addWidget(page)
    page.show()
    look(qtbot, page, folder)
    assert page.form.name_edit.text() == "upper (2)"
    page.destination.to_open.click()
    assert not page.destination.target_edit.isEnabled()
    with qtbot.waitSignal(page.gather_requested) as caught:
        page.gather_button.click()
    assert caught.args[0].into
    assert caught.args[0].target == here


def test_clear_starts_over(qtbot: QtBot, page: IntakePreview, folder: Path) -> None:
    look(qtbot, page, folder)
    page.clear_button.click()
    assert page.pages.currentWidget() is page.drop_page
    look(qtbot, page, folder)
    assert len(page.draft.lines) == 3


# -- the parts ----------------------------------------------------------------------------------


def a_candidate(
    name: str,
    shape: tuple[int, int] = (60, 90),
    um: float | None = 20.0,
    opens: object = None,
) -> Candidate:
    values = np.arange(shape[0] * shape[1], dtype=np.uint16).reshape(shape)
    return Candidate(
        path=Path(f"{name}.tif"),
        inner="",
        name=name,
        shape=shape,
        dtype=values.dtype,
        pixel_um=None if um is None else PixelSize(um, um),
        open=opens or (lambda: ArrayReader(name, values)),  # type: ignore[arg-type]
    )


def lines(*candidates: Candidate) -> tuple[Line, ...]:
    return tuple(line_of(candidate, key) for key, candidate in enumerate(candidates))


def test_groups_come_finest_first() -> None:
    groups = size_groups(lines(a_candidate("a", (30, 45)), a_candidate("b"), a_candidate("c")))
    assert [group.shape for group in groups] == [(60, 90), (30, 45)]
    assert groups[0].keys == (1, 2)


def test_extents_without_pixel_sizes_compare_by_proportion() -> None:
    same = Draft(lines=lines(a_candidate("a", um=None), a_candidate("b", (30, 45), None)))
    assert why_not_resample(same) == ""
    other = Draft(lines=lines(a_candidate("a", um=None), a_candidate("b", (30, 60), None)))
    assert "b" in why_not_resample(other)


@pytest.mark.parametrize(
    ("shape", "um", "fits"),
    [((30, 45), 40.0, True), ((30, 45), 40.3, True), ((30, 45), 41.0, False),
     ((30, 46), 40.0, False)],
)  # fmt: skip
def test_extents_agree_within_a_hundredth(shape: tuple[int, int], um: float, fits: bool) -> None:
    draft = Draft(lines=lines(a_candidate("a"), a_candidate("b", shape, um)))
    assert (why_not_resample(draft) == "") is fits


def test_names_differ_whatever_the_case() -> None:
    same = lines(a_candidate("Fe"), a_candidate("FE"), a_candidate("Fe (2)"))
    assert duplicates(same) == {0, 1}
    assert made_unique(same) == {1: "FE (3)"}


def test_problems_come_one_at_a_time(tmp_path: Path) -> None:
    draft = Draft()
    assert problem(draft) == "Add files to gather."
    draft = Draft(lines=lines(a_candidate("Fe")))
    assert "name" in problem(draft)


def test_pixel_sizes_in_words() -> None:
    assert pixel_problem(None)
    assert pixel_problem(0.0)
    assert pixel_problem(float("inf"))
    assert not pixel_problem(20.0)
    assert not pixel_caution(0.01, 1000.0)
    assert "mm" in pixel_caution(0.0099)
    assert pixel_caution(20.0, 1000.1)


@pytest.mark.parametrize(
    ("text", "value"),
    [("20", 20.0), ("0,5", 0.5), (" 12.5 µm", 12.5), ("1e1", 10.0), ("", None), ("µm", None),
     ("nan", None), ("inf", None), ("1 000", None)],
)  # fmt: skip
def test_lengths_as_they_are_typed(text: str, value: float | None) -> None:
    assert parse_length(text) == value


def test_a_sample_reads_few_rows() -> None:
    asked: list[tuple[int, int]] = []

    class Counting(ArrayReader):
        def rows(self, start: int, stop: int) -> np.ndarray:
            asked.append((start, stop))
            return super().rows(start, stop)

    values = np.arange(5000 * 300, dtype=np.float32).reshape(5000, 300)
    candidate = a_candidate("long", (5000, 300), opens=lambda: Counting("long", values))
    sample = take_sample(candidate, size=96)
    assert len(asked) <= 96
    assert all(stop - start == 1 for start, stop in asked)
    assert asked == sorted(asked)
    assert max(sample.grey.shape) <= 96


def test_a_sample_is_stretched_and_knows_its_gaps() -> None:
    values = np.linspace(0.0, 100.0, 101).reshape(1, -1).repeat(3, axis=0)
    values[0, 0] = np.nan
    sample = sample_of(values)
    assert (sample.low, sample.high) == (0.0, 100.0)
    assert sample.grey[0, 0] == 0
    assert sample.grey[1, 0] == 0
    assert sample.grey[1, -1] == 255
    # 1st and 99th percentile are 1 and 99: the middle is half-way between.
    assert sample.grey[1, 50] == 128
    assert sample.missing == pytest.approx(1 / 303)
    assert sample.cautions


@pytest.mark.parametrize("value", [0.0, -7.5, 1e308])
def test_a_flat_sample_is_mid_grey(value: float) -> None:
    sample = sample_of(np.full((4, 5), value))
    assert (sample.grey == 128).all()
    assert "Every value" in sample.cautions[0]


def test_the_largest_numbers_do_not_overflow() -> None:
    sample = sample_of(np.array([[-1.7e308, 1.7e308]]))
    assert sample.grey.tolist() == [[0, 255]]


def test_a_sample_without_numbers_says_so() -> None:
    sample = sample_of(np.full((4, 5), np.nan))
    assert sample.low is None
    assert "number" in sample.cautions[0]
