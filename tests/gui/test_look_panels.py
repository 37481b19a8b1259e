"""Composite panel, single panel, stretch controls, channel list and the panel for new layers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QDragEnterEvent, QDropEvent, QFontMetricsF
from PySide6.QtWidgets import QApplication, QWidget
from pytestqt.qtbot import QtBot

from viewer.panels import theme
from viewer.panels.look.channel_list import ChannelList, MapEntry, eye_rect
from viewer.panels.look.composite_panel import CompositePanel
from viewer.panels.look.derive_dialog import DeriveDialog, Preview
from viewer.panels.look.layers import Flag, LayerEntry, details, dragged, mime, ordered
from viewer.panels.look.single_panel import SinglePanel
from viewer.panels.look.stretch_controls import StretchControls
from viewer.science.look.histogram import Histogram
from viewer.science.look.stretch import Stretch
from viewer.science.sort.recipe import Component, Formula, Gaussian, Recipe, Total
from viewer.store.documents import Composite, Panel


def layer(name: str, number: int | None = None, **more: object) -> LayerEntry:
    values: dict[str, object] = {"dtype": "uint16", "minimum": 0.0, "maximum": 255.0, **more}
    return LayerEntry(id=name, name=name, number=number, **values)  # type: ignore[arg-type]


LAYERS = (
    layer("Fe", 26, element_name="Iron", structure=3.0),
    layer("Mg", 12, element_name="Magnesium", structure=9.0),
    layer(
        "Ca",
        20,
        flags=(Flag(short="saturated", words="Many pixels are at the limit.", severity="error"),),
    ),
    layer("Mg number", kind="derived", dtype="float32", maximum=1.0),
)


def histogram(_: str = "") -> Histogram:
    return Histogram(np.arange(1, 257), np.arange(256.0))


@pytest.fixture(autouse=True, scope="module")
def _dressed(qapp: QApplication) -> None:
    theme.apply(qapp, "dark")


def drop(target: QWidget, layer_id: str) -> bool:
    """Drop a layer on a widget as Qt does: enter, then drop; True where it was taken."""
    data, at = mime(layer_id), QPoint(5, 5)
    enter = QDragEnterEvent(
        at, Qt.DropAction.CopyAction, data, Qt.MouseButton.LeftButton,
        Qt.KeyboardModifier.NoModifier,
    )  # fmt: skip
    enter.ignore()
    QApplication.sendEvent(target, enter)
    if not enter.isAccepted():
        return False
    event = QDropEvent(
        QPointF(at), Qt.DropAction.CopyAction, data, Qt.MouseButton.LeftButton,
        Qt.KeyboardModifier.NoModifier,
    )  # fmt: skip
    QApplication.sendEvent(target, event)
    return True


# -- layers --------------------------------------------------------------------------------------


def test_orders() -> None:
    names = [x.name for x in ordered(LAYERS, "name")]
    assert names == ["Ca", "Fe", "Mg", "Mg number"]
    assert [x.name for x in ordered(LAYERS, "number")] == ["Mg", "Ca", "Fe", "Mg number"]
    assert [x.name for x in ordered(LAYERS, "structure")][:2] == ["Mg", "Fe"]


def test_a_dragged_layer_carries_its_id() -> None:
    assert dragged(mime("Fe Kα")) == "Fe Kα"


def test_details_escape_what_a_file_name_may_hold() -> None:
    text = details(layer("a", source="<b>&x.tif"))
    assert "&lt;b&gt;&amp;x.tif" in text


# -- stretch -------------------------------------------------------------------------------------


@pytest.fixture
def controls(qtbot: QtBot) -> StretchControls:
    widget = StretchControls(expanded=True)
    qtbot.addWidget(widget)
    widget.set_histogram(histogram(), whole_numbers=True)
    widget.show()
    return widget


def typed(qtbot: QtBot, box: QWidget, text: str) -> None:
    box.setFocus()
    box.selectAll()  # type: ignore[attr-defined]
    qtbot.keyClicks(box, text)
    qtbot.keyClick(box, Qt.Key.Key_Return)


def test_typed_ends_are_told_once(controls: StretchControls, qtbot: QtBot) -> None:
    told: list[tuple[Stretch, bool]] = []
    controls.stretch_changed.connect(lambda s, done: told.append((s, done)))
    typed(qtbot, controls.low, "2.5")
    assert told == [(Stretch(low=2.5), True)]


def test_decimal_comma_is_read(controls: StretchControls, qtbot: QtBot) -> None:
    typed(qtbot, controls.low, "2,5")
    assert controls.stretch.low == 2.5


def test_crossed_ends_are_marked_and_not_told(controls: StretchControls, qtbot: QtBot) -> None:
    told: list[Stretch] = []
    controls.stretch_changed.connect(lambda s, _: told.append(s))
    typed(qtbot, controls.low, "99.5")
    assert told == []
    assert controls.low.property("wrong") is True
    typed(qtbot, controls.low, "1")
    assert controls.low.property("wrong") is False


def test_by_value_keeps_what_is_shown_and_back(controls: StretchControls) -> None:
    controls.set_stretch(Stretch(low=10.0, high=90.0))
    controls.by.setCurrentIndex(1)
    assert controls.stretch.by == "value"
    held = histogram()
    assert controls.stretch.low == pytest.approx(held.percentile(10.0), abs=0.51)
    controls.by.setCurrentIndex(0)
    assert controls.stretch.by == "percentile"
    assert controls.stretch.low == pytest.approx(10.0, abs=1.0)
    assert controls.stretch.high == pytest.approx(90.0, abs=1.0)


def test_slider_drag_tells_false_then_true(controls: StretchControls, qtbot: QtBot) -> None:
    told: list[tuple[float, bool]] = []
    controls.stretch_changed.connect(lambda s, done: told.append((s.gamma, done)))
    slider = controls.gamma_slider
    y = slider.height() // 2
    start, end = QPoint(slider.width() // 2, y), QPoint(slider.width() * 3 // 4, y)
    qtbot.mousePress(slider, Qt.MouseButton.LeftButton, pos=start)
    qtbot.mouseMove(slider, QPoint((start.x() + end.x()) // 2, y))
    qtbot.mouseMove(slider, end)
    qtbot.mouseRelease(slider, Qt.MouseButton.LeftButton, pos=end)
    assert told[0][1] is False
    assert told[-1][1] is True
    assert told[-1][0] > 1.5


def test_reset_and_folded_summary(controls: StretchControls, qtbot: QtBot) -> None:
    controls.set_stretch(Stretch(gamma=2.0, curve="asinh", invert=True, weight=0.5))
    assert controls.more.text() == "asinh, γ 2.00, × 0.50, inverted"
    with qtbot.waitSignal(controls.stretch_changed) as told:
        controls.reset.click()
    assert told.args == [Stretch(), True]
    assert controls.more.text() == "Linear"


def test_showing_says_nothing(controls: StretchControls, qtbot: QtBot) -> None:
    with qtbot.assertNotEmitted(controls.stretch_changed):
        controls.set_stretch(Stretch(low=3.0, high=200.0, by="value", gamma=1.7, curve="log"))
        controls.set_histogram(None)
    assert controls.curve.currentData() == "log"


def test_wheel_over_an_unfocused_box_changes_nothing(controls: StretchControls) -> None:
    from PySide6.QtGui import QWheelEvent

    controls.by.setFocus()
    event = QWheelEvent(
        QPointF(5, 5), QPointF(5, 5), QPoint(), QPoint(0, 120), Qt.MouseButton.NoButton,
        Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase, False,
    )  # fmt: skip
    before = controls.stretch
    controls.low.clearFocus()
    QApplication.sendEvent(controls.low, event)
    assert controls.stretch == before


# -- composite -----------------------------------------------------------------------------------


@pytest.fixture
def panel(qtbot: QtBot) -> CompositePanel:
    widget = CompositePanel(histogram, lambda _: Stretch(low=2.0, high=98.0))
    qtbot.addWidget(widget)
    widget.resize(320, 800)
    widget.set_layers(LAYERS)
    widget.set_composite(
        Composite(red=Panel(layer="Fe"), green=Panel(layer="Mg"), blue=Panel(layer="Ca"))
    )
    widget.show()
    return widget


def layers_of(composite: Composite) -> list[str | None]:
    return [None if p is None else p.layer for p in composite.panels]


def test_drop_on_a_slot(panel: CompositePanel, qtbot: QtBot) -> None:
    with qtbot.waitSignal(panel.composite_changed) as told:
        assert drop(panel.slots[2].layer, "Mg number")
    composite, label, finished = told.args
    assert layers_of(composite) == ["Fe", "Mg", "Mg number"]
    assert composite.blue.stretch == Stretch(low=2.0, high=98.0)
    assert (label, finished) == ("Choose blue", True)


def test_other_drags_are_refused(panel: CompositePanel) -> None:
    from PySide6.QtCore import QMimeData

    data = QMimeData()
    data.setText("hello")
    enter = QDragEnterEvent(
        QPoint(5, 5), Qt.DropAction.CopyAction, data, Qt.MouseButton.LeftButton,
        Qt.KeyboardModifier.NoModifier,
    )  # fmt: skip
    enter.ignore()
    QApplication.sendEvent(panel.slots[0].layer, enter)
    assert not enter.isAccepted()


def test_key_cycles_the_colours(panel: CompositePanel, qtbot: QtBot) -> None:
    panel.activateWindow()
    qtbot.waitActive(panel)
    qtbot.keyClick(panel, Qt.Key.Key_X)
    assert layers_of(panel.composite) == ["Ca", "Fe", "Mg"]
    qtbot.keyClick(panel, Qt.Key.Key_X, Qt.KeyboardModifier.ShiftModifier)
    assert layers_of(panel.composite) == ["Fe", "Mg", "Ca"]
    panel.swap_rg.trigger()
    assert layers_of(panel.composite) == ["Mg", "Fe", "Ca"]


def test_stretches_travel_with_their_layers(panel: CompositePanel) -> None:
    own = Stretch(low=5.0, high=95.0, gamma=2.0)
    panel.set_composite(Composite(red=Panel(layer="Fe", stretch=own), green=Panel(layer="Mg")))
    panel.cycle.trigger()
    assert panel.composite.green == Panel(layer="Fe", stretch=own)
    assert layers_of(panel.composite) == [None, "Fe", "Mg"]


def test_a_colour_can_be_left_out(panel: CompositePanel) -> None:
    panel.slots[0].clear.click()
    assert layers_of(panel.composite) == [None, "Mg", "Ca"]
    assert not panel.slots[0].controls.isEnabled()


def test_save_needs_a_name_and_layers(panel: CompositePanel, qtbot: QtBot) -> None:
    assert not panel.save_button.isEnabled()
    qtbot.keyClicks(panel.name, "  Oxides ")
    with qtbot.waitSignal(panel.save) as told:
        qtbot.keyClick(panel.name, Qt.Key.Key_Return)
    assert told.args[0].name == "Oxides"
    panel.set_composite(Composite(name="Oxides"))
    assert not panel.save_button.isEnabled()


def test_saved_composites_are_offered(panel: CompositePanel, qtbot: QtBot) -> None:
    assert not panel.saved.isEnabled()
    kept = Composite(name="Oxides & more", red=Panel(layer="Fe"))
    panel.set_saved([kept])
    with qtbot.waitSignal(panel.chosen) as told:
        panel.saved.menu().actions()[0].trigger()
    assert told.args == [kept]
    with qtbot.waitSignal(panel.delete) as gone:
        panel.saved.menu().actions()[-1].menu().actions()[0].trigger()
    assert gone.args == ["Oxides & more"]


def test_panel_fits_a_narrow_column(panel: CompositePanel) -> None:
    panel.set_reason("Three layers " * 12)
    for slot in panel.slots:
        slot.controls.set_expanded(False)
    assert panel.minimumSizeHint().width() <= 320
    assert panel.heightForWidth(320) <= 640 or panel.minimumSizeHint().height() <= 640
    for slot in panel.slots:
        slot.controls.set_expanded(True)
    assert panel.minimumSizeHint().height() <= 900


def test_every_control_says_what_it_does(panel: CompositePanel) -> None:
    from PySide6.QtWidgets import QAbstractButton, QAbstractSpinBox, QComboBox, QSlider

    silent = [
        widget.__class__.__name__
        for kind in (QAbstractButton, QAbstractSpinBox, QComboBox, QSlider)
        for widget in panel.findChildren(kind)
        if not widget.toolTip()
    ]
    assert silent == []


# -- single --------------------------------------------------------------------------------------


@pytest.fixture
def single(qtbot: QtBot) -> SinglePanel:
    grey = np.repeat(np.arange(256, dtype=np.uint8)[:, None], 3, axis=1)
    widget = SinglePanel({"grey": grey, "other": grey[::-1]})
    qtbot.addWidget(widget)
    widget.set_layers(LAYERS)
    widget.show_layer("Fe", Stretch(), histogram(), "grey")
    widget.show()
    return widget


def test_faults_are_told_in_words(single: SinglePanel) -> None:
    assert single.flags.texts() == ["No faults were found in this layer."]
    single.show_layer("Ca", Stretch(), histogram())
    assert single.flags.texts() == ["Many pixels are at the limit."]


def test_page_keys_go_round_the_layers(single: SinglePanel) -> None:
    chosen: list[str] = []
    single.layer_chosen.connect(chosen.append)
    single.previous_action.trigger()
    single.next_action.trigger()
    assert chosen == ["Mg number", "Mg"]


def test_choosing_colours(single: SinglePanel, qtbot: QtBot) -> None:
    with qtbot.waitSignal(single.colours_chosen) as told:
        single.colours.setFocus()
        qtbot.keyClick(single.colours, Qt.Key.Key_Down)
    assert told.args == ["other"]
    with qtbot.assertNotEmitted(single.colours_chosen):
        single.show_layer("Fe", Stretch(), histogram(), "grey")


# -- list ----------------------------------------------------------------------------------------


@pytest.fixture
def listed(qtbot: QtBot) -> ChannelList:
    widget = ChannelList()
    qtbot.addWidget(widget)
    widget.resize(260, 500)
    widget.set_maps([MapEntry("a", "Front"), MapEntry("b", "Back")], "a")
    widget.set_layers(LAYERS)
    widget.show()
    return widget


def click(qtbot: QtBot, listed: ChannelList, layer_id: str) -> None:
    at = listed.row_rect(layer_id).center()
    qtbot.mouseClick(listed.view.viewport(), Qt.MouseButton.LeftButton, pos=at)


def test_click_chooses_and_keys_send_to_colours(listed: ChannelList, qtbot: QtBot) -> None:
    with qtbot.waitSignal(listed.layer_chosen) as told:
        click(qtbot, listed, "Mg")
    assert told.args == ["Mg"]
    for key, slot in ((Qt.Key.Key_1, 0), (Qt.Key.Key_3, 2)):
        with qtbot.waitSignal(listed.slot_requested) as sent:
            qtbot.keyClick(listed.view, key)
        assert sent.args == ["Mg", slot]
    with qtbot.waitSignal(listed.layer_opened) as opened:
        qtbot.keyClick(listed.view, Qt.Key.Key_Return)
    assert opened.args == ["Mg"]


def test_whole_numbers_are_written_whole_whatever_they_are_stored_as() -> None:
    def text(low: float, high: float) -> str:
        return LayerEntry(id="x", name="x", dtype="float32", minimum=low, maximum=high).range_text

    assert text(0.0, 87.0) == "0 to 87"
    assert text(0.0, 1.0) == "0 to 1"
    assert text(0.25, 1.0) == "0.25 to 1"
    assert text(100.0, 1000.0) == "100 to 1000"


def test_a_badge_never_stands_in_place_of_the_name(
    listed: ChannelList, qtbot: QtBot, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert listed.minimumWidth() >= 180
    drawn: list[str] = []
    real = QFontMetricsF.elidedText

    def spy(self: QFontMetricsF, text: str, *rest: Any) -> str:
        drawn.append(real(self, text, *rest))
        return drawn[-1]

    monkeypatch.setattr(QFontMetricsF, "elidedText", spy)
    listed.resize(listed.minimumWidth(), 500)
    listed.set_slots(("Mg number", "Mg number", "Mg"))
    listed.grab()
    assert {"Mg", "Mg number"} <= set(drawn)


def test_eye_opens(listed: ChannelList, qtbot: QtBot) -> None:
    at = eye_rect(listed.row_rect("Ca")).center()
    with qtbot.waitSignal(listed.layer_opened) as told:
        qtbot.mouseClick(listed.view.viewport(), Qt.MouseButton.LeftButton, pos=at)
    assert told.args == ["Ca"]


def test_filter_by_element_and_flag(listed: ChannelList, qtbot: QtBot) -> None:
    qtbot.keyClicks(listed.filter, "magnes")
    assert listed.view.model().rowCount() == 1
    listed.filter.setText("satur")
    assert listed.view.model().index(0, 0).data() == "Ca"
    listed.filter.setText("nothing at all")
    assert listed.note.text() == "No layer holds these words."


def test_chosen_layer_stays_when_the_list_changes(listed: ChannelList, qtbot: QtBot) -> None:
    click(qtbot, listed, "Mg")
    with qtbot.assertNotEmitted(listed.layer_chosen):
        listed.set_layers(LAYERS[::-1])
    assert listed.current_layer() == "Mg"


def test_rows_are_dragged_as_layers(listed: ChannelList) -> None:
    model = listed.view.model()
    data = model.mimeData([model.index(1, 0)])
    assert dragged(data) == "Mg"


def test_maps_are_chosen(listed: ChannelList, qtbot: QtBot) -> None:
    with qtbot.waitSignal(listed.map_chosen) as told:
        listed.maps.setFocus()
        qtbot.keyClick(listed.maps, Qt.Key.Key_Down)
    assert told.args == ["b"]


def test_empty_list_says_what_to_do(qtbot: QtBot) -> None:
    widget = ChannelList()
    qtbot.addWidget(widget)
    assert "Gather" in widget.note.text()


# -- new layer -----------------------------------------------------------------------------------

Answer = Callable[[Preview | str], None]


@pytest.fixture
def derive(qtbot: QtBot) -> DeriveDialog:
    def preview(recipe: Recipe, done: Answer) -> None:
        done(Preview(np.zeros((20, 40), np.uint8), f"note on {recipe.title()}"))

    widget = DeriveDialog(preview)
    qtbot.addWidget(widget)
    widget.set_layers(LAYERS)
    widget.show()
    return widget


def test_formula_is_checked_while_it_is_typed(derive: DeriveDialog, qtbot: QtBot) -> None:
    qtbot.keyClicks(derive.formula.edit, "Mg / (Mg + Fee)")
    qtbot.waitUntil(lambda: "Fee" in derive.formula.message.text(), timeout=20000)
    assert "Character 12" in derive.formula.message.text()
    marks = derive.formula.edit.extraSelections()
    assert [mark.cursor.selectedText() for mark in marks] == ["Fee"]
    assert not derive.make.isEnabled()
    qtbot.keyClick(derive.formula.edit, Qt.Key.Key_Left)
    qtbot.keyClick(derive.formula.edit, Qt.Key.Key_Backspace)
    qtbot.waitUntil(derive.make.isEnabled, timeout=20000)
    assert derive.recipe == Formula(expression="Mg / (Mg + Fe)")


def test_names_are_inserted_in_brackets_where_needed(derive: DeriveDialog) -> None:
    derive.formula.insert_function("sqrt")
    derive.formula.insert_name("Mg number")
    assert derive.formula.text() == "sqrt([Mg number])"


def test_name_follows_the_recipe_until_it_is_typed(derive: DeriveDialog, qtbot: QtBot) -> None:
    derive.formula.set_text("Mg/Fe")
    assert derive.name.text() == "Mg / Fe"
    derive.name.selectAll()
    qtbot.keyClicks(derive.name, "ratio")
    derive.formula.set_text("Mg/Ca")
    assert derive.name.text() == "ratio"
    with qtbot.waitSignal(derive.recipe_ready) as told:
        derive.make.click()
    assert told.args == ["ratio", Formula(expression="Mg/Ca")]


def test_typing_replaces_the_name_that_filled_itself_in(derive: DeriveDialog, qtbot: QtBot) -> None:
    derive.show()
    derive.activateWindow()
    qtbot.waitUntil(derive.isActiveWindow, timeout=5000)
    derive.formula.set_text("Mg/Fe")
    derive.formula.edit.setFocus()
    qtbot.mouseClick(derive.name, Qt.MouseButton.LeftButton)
    qtbot.keyClicks(derive.name, "ratio")
    assert derive.name.text() == "ratio"
    derive.formula.edit.setFocus()
    qtbot.mouseClick(derive.name, Qt.MouseButton.LeftButton)
    qtbot.keyClicks(derive.name, "s")
    assert derive.name.text() != "s"


def test_a_taken_name_is_refused(derive: DeriveDialog, qtbot: QtBot) -> None:
    derive.formula.set_text("Mg/Fe")
    derive.name.selectAll()
    qtbot.keyClicks(derive.name, "mg NUMBER")
    assert not derive.make.isEnabled()
    assert "already" in derive.note.text()


def test_other_kinds_of_layer(derive: DeriveDialog) -> None:
    derive.tabs.setCurrentIndex(1)
    derive.kind.setCurrentIndex(1)
    derive.sigma.setValue(2.5)
    assert derive.recipe == Gaussian(input="Ca", sigma_px=2.5)
    derive.tabs.setCurrentIndex(2)
    assert derive.recipe == Total(inputs=("Ca", "Fe", "Mg"))
    derive.summed.tick_all(False)
    assert derive.recipe is None
    assert "two layers" in derive.note.text()
    derive.tabs.setCurrentIndex(3)
    derive.index.setValue(2)
    assert derive.recipe == Component(inputs=("Ca", "Fe", "Mg"), index=1)


def test_late_answers_are_dropped(qtbot: QtBot) -> None:
    answers: list[Answer] = []
    widget = DeriveDialog(lambda _, done: answers.append(done))
    qtbot.addWidget(widget)
    widget.set_layers(LAYERS)
    widget.formula.set_text("Mg/Fe")
    qtbot.waitUntil(lambda: len(answers) == 1, timeout=20000)
    widget.formula.set_text("Mg/Ca")
    qtbot.waitUntil(lambda: len(answers) == 2, timeout=20000)
    answers[1]("second")
    answers[0]("first")
    assert widget.picture.text() == "second"
