"""The two schemes: legible, consistent, and applied to real widgets."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QFont, QPalette
from PySide6.QtWidgets import QApplication, QLabel, QPushButton

from viewer.panels import theme
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
