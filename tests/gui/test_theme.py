"""The two schemes: legible, consistent, and applied to real widgets."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files

import pytest
from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QColor, QFont, QIcon, QImage, QPalette
from PySide6.QtWidgets import (
    QApplication,
    QComboBox,
    QDoubleSpinBox,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QPushButton,
    QSpinBox,
    QTextEdit,
    QToolButton,
)

from viewer.panels import icons, theme
from viewer.panels.parts import inset
from viewer.panels.tokens import DARK, LIGHT, SCHEMES, Tokens

BOTH = pytest.mark.parametrize("tokens", [DARK, LIGHT], ids=["dark", "light"])


def luminance(colour: str) -> float:
    """Relative luminance: WCAG 2.1, "relative luminance"."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio: WCAG 2.1, "contrast ratio"."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.fixture
def dressed(qapp: QApplication) -> Iterator[QApplication]:
    yield qapp
    qapp.setStyleSheet("")


def test_contrast_by_published_pairs() -> None:
    # WCAG 2.1: black on white is 21 : 1; #767676 is the lightest grey that passes AA on white
    # (from memory).
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@BOTH
def test_text_passes_aa_on_every_surface(tokens: Tokens) -> None:
    for ground in tokens.surfaces:
        for name in ("text", "text_dim"):
            assert contrast(getattr(tokens, name), ground) >= 4.5, (name, ground)
    assert contrast(tokens.on_accent, tokens.accent) >= 4.5
    for ground in (tokens.window, tokens.raised, tokens.sunken):
        for name in ("caution", "error", "accent"):
            assert contrast(getattr(tokens, name), ground) >= 4.5, (name, ground)


@BOTH
def test_signs_stand_out(tokens: Tokens) -> None:
    # WCAG 2.1, success criterion 1.4.11: 3 : 1 for what is needed to tell a control.
    for ground in (tokens.window, tokens.sunken):
        assert contrast(tokens.mark, ground) >= 3.0
        assert contrast(tokens.accent, ground) >= 3.0


@BOTH
def test_greys_are_neutral(tokens: Tokens) -> None:
    for ground in (tokens.map_ground, tokens.window, tokens.raised, tokens.sunken, tokens.text):
        assert ground[1:3] == ground[3:5] == ground[5:7]


@BOTH
def test_lengths_lie_on_the_grid(tokens: Tokens) -> None:
    for name in ("gap_1", "gap_2", "gap_3", "gap_4", "gap_6", "control", "control_small", "row"):
        assert getattr(tokens, name) % 4 == 0


@BOTH
def test_signs_of_controls_have_the_colours_of_the_scheme(tokens: Tokens) -> None:
    folder = files("resources") / "icons" / "controls"
    for name in ("tick", "dash", "dot"):
        assert tokens.on_accent in (folder / f"{name}-{tokens.scheme}.svg").read_text()
    grey = "#878787"
    for name in ("down", "up", "right", "close", "float", "tick"):
        assert grey in (folder / f"{name}.svg").read_text()
    for ground in (tokens.window, tokens.sunken, tokens.raised):
        assert contrast(grey, ground) >= 3.0


@BOTH
def test_sheet_names_files_that_exist(tokens: Tokens) -> None:
    import re
    from pathlib import Path

    sheet = theme.style_sheet(tokens)
    named = re.findall(r"url\(([^)]+)\)", sheet)
    assert named
    assert all(Path(path).is_file() for path in named)
    assert "$" not in sheet


@BOTH
def test_apply_dresses_widgets(dressed: QApplication, qtbot, tokens: Tokens) -> None:  # type: ignore[no-untyped-def]
    theme.apply(dressed, tokens.scheme)
    assert theme.current() is tokens
    assert dressed.palette().color(QPalette.ColorRole.Window) == QColor(tokens.window)
    button = QPushButton("Gather")
    button.setProperty("kind", "primary")
    qtbot.addWidget(button)
    button.resize(120, tokens.control_small)
    button.show()
    assert button.grab().toImage().pixelColor(8, 12) == QColor(tokens.accent)
    label = QLabel("Nothing yet")
    label.setProperty("tone", "dim")
    qtbot.addWidget(label)
    label.ensurePolished()
    assert label.palette().color(QPalette.ColorRole.WindowText) == QColor(tokens.text_dim)


@BOTH
def test_controls_in_a_row_are_of_one_height(dressed: QApplication, qtbot, tokens: Tokens) -> None:  # type: ignore[no-untyped-def]
    theme.apply(dressed, tokens.scheme)
    for kind in (QSpinBox, QDoubleSpinBox, QComboBox, QLineEdit, QPushButton):
        control = kind()
        qtbot.addWidget(control)
        control.ensurePolished()
        assert control.sizeHint().height() == tokens.control_small, kind.__name__


@BOTH
def test_number_of_a_spin_box_is_off_its_border(dressed: QApplication, qtbot, tokens: Tokens) -> None:  # type: ignore[no-untyped-def]
    theme.apply(dressed, tokens.scheme)
    spin, line = inset(QSpinBox()), QLineEdit("1")
    spin.setValue(1)
    lefts = []
    for control in (spin, line):
        qtbot.addWidget(control)
        control.resize(120, tokens.control_small)
        control.show()
        image = control.grab().toImage()
        ground = QColor(tokens.sunken)
        lefts.append(
            next(
                x
                for x in range(2, 60)
                if any(image.pixelColor(x, y) != ground for y in range(4, 20))
            )
        )
    assert lefts[0] == lefts[1]


@BOTH
@pytest.mark.parametrize("kind", [QTextEdit, QPlainTextEdit, QLineEdit])
def test_disabled_text_lies_on_the_panel(  # type: ignore[no-untyped-def]
    dressed: QApplication, qtbot, tokens: Tokens, kind
) -> None:
    theme.apply(dressed, tokens.scheme)
    text = kind()
    qtbot.addWidget(text)
    text.resize(120, 60)
    text.show()
    for on, ground in ((True, tokens.sunken), (False, tokens.window)):
        text.setEnabled(on)
        assert text.grab().toImage().pixelColor(60, 40) == QColor(ground)


def test_first_start_follows_the_system(dressed: QApplication) -> None:
    hints = dressed.styleHints()
    for wanted, scheme in (
        (Qt.ColorScheme.Light, "light"),
        (Qt.ColorScheme.Dark, "dark"),
    ):
        hints.setColorScheme(wanted)
        if hints.colorScheme() != wanted:
            pytest.skip("this platform has no colour scheme to set")
        assert theme.apply(dressed).scheme == scheme
    hints.unsetColorScheme()


def test_no_choice_of_the_system_means_dark(dressed: QApplication) -> None:
    if dressed.styleHints().colorScheme() == Qt.ColorScheme.Unknown:
        assert theme.apply(dressed) is SCHEMES["dark"]


def test_figures_keeps_the_face(qapp: QApplication) -> None:
    font = QFont(qapp.font())
    wide = theme.figures(font)
    assert wide.family() == font.family()
    assert wide.pointSizeF() == font.pointSizeF()
    assert "tnum" in [bytes(tag.toString()).decode() for tag in wide.featureTags()]


# Icons -------------------------------------------------------------------------------------------


def shades(image: QImage) -> set[str]:
    """Colours of the wholly covered pixels."""
    found = set()
    for y in range(image.height()):
        for x in range(image.width()):
            colour = image.pixelColor(x, y)
            if colour.alpha() == 255:
                found.add(colour.name())
    return found


def test_every_icon_is_drawn_on_the_grid() -> None:
    assert len(icons.names()) > 45
    for name in icons.names():
        svg = (files("resources") / "icons" / f"{name}.svg").read_text()
        assert 'viewBox="0 0 20 20"' in svg, name
        assert 'stroke-width="1.5"' in svg, name
        assert "currentColor" in svg, name
        # One colour only: everything else is `none`.
        assert "#" not in svg, name


def test_every_icon_shows_something_and_keeps_within_its_box(dressed: QApplication) -> None:
    theme.apply(dressed, "dark")
    for name in icons.names():
        image = icons.pixmap(name, 40).toImage()
        covered = [
            (x, y) for x in range(40) for y in range(40) if image.pixelColor(x, y).alpha() > 128
        ]
        assert len(covered) > 40, name
        # A stroke that is cut off by the box shows as a run along the box's edge.
        edge = [p for p in covered if 0 in p or 39 in p]
        assert len(edge) < 8, name


def test_icons_follow_scheme_and_state(dressed: QApplication, qtbot) -> None:  # type: ignore[no-untyped-def]
    size = QSize(40, 40)
    drawn = icons.icon("plus")
    for tokens in (DARK, LIGHT):
        theme.apply(dressed, tokens.scheme)
        assert shades(drawn.pixmap(size).toImage()) == {tokens.text}
        assert shades(drawn.pixmap(size, QIcon.Mode.Disabled).toImage()) == {tokens.text_off}
        on = drawn.pixmap(size, QIcon.Mode.Normal, QIcon.State.On).toImage()
        assert shades(on) == {tokens.accent}
    button = QToolButton()
    button.setIcon(drawn)
    button.setIconSize(QSize(20, 20))
    qtbot.addWidget(button)
    button.resize(28, 28)
    button.show()
    for tokens in (DARK, LIGHT):
        theme.apply(dressed, tokens.scheme)
        assert tokens.text in shades(button.grab().toImage())


def test_message_icons_keep_their_colour(dressed: QApplication) -> None:
    theme.apply(dressed, "dark")
    image = icons.icon("warning", DARK.caution).pixmap(QSize(40, 40)).toImage()
    assert shades(image) == {DARK.caution}


def test_unknown_icon_is_refused(qapp: QApplication) -> None:
    with pytest.raises(KeyError, match="no-such-icon"):
        icons.icon("no-such-icon")
