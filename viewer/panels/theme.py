"""The one place that turns `Tokens` into Qt's palette and style sheet.

Widgets read their colours from the palette, or from `current` when the palette has no role for what
they paint. Both follow a change of scheme at once: Qt sends every widget a ``PaletteChange``.

Two dynamic properties are understood by the style sheet: ``tone`` on a label (``dim``, ``title``,
``caution``, ``error``) and ``kind`` on a button (``primary`` for the one that goes on, ``flat`` for
one that shows its edge only under the pointer).
"""

from __future__ import annotations

import sys
from importlib.resources import files
from string import Template

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QFont, QPalette
from PySide6.QtWidgets import QApplication

from viewer.panels.tokens import DARK, SCHEMES, Scheme, Tokens

_current: Tokens = DARK


def current() -> Tokens:
    """Tokens of the scheme that is on."""
    return _current


def system_scheme(app: QApplication) -> Scheme:
    """The system's own choice; dark where it has none."""
    light = app.styleHints().colorScheme() == Qt.ColorScheme.Light
    return "light" if light else "dark"


def apply(app: QApplication, scheme: Scheme | None = None) -> Tokens:
    """Dress the application.

    Parameters
    ----------
    app : QApplication
    scheme : {"dark", "light"}, optional
        None follows the system.

    Returns
    -------
    Tokens
        Of the scheme that is now on.
    """
    global _current
    tokens = SCHEMES[scheme or system_scheme(app)]
    _current = tokens
    app.setStyle("Fusion")
    font = app.font()
    font.setPointSizeF(tokens.type_body)
    app.setFont(font)
    app.setPalette(palette(tokens))
    app.setStyleSheet(style_sheet(tokens))
    if "pyqtgraph" in sys.modules:
        configure_plots(tokens)
    return tokens


def configure_plots(tokens: Tokens | None = None) -> None:
    """Give pyqtgraph the scheme's colours; a panel that plots calls this before it builds a plot.

    pyqtgraph is loaded here and not with the theme, so that the window opens without it.
    """
    import pyqtgraph as pg

    tokens = tokens or _current
    pg.setConfigOptions(
        background=tokens.sunken, foreground=tokens.text_dim, antialias=True, useOpenGL=False
    )


def figures(font: QFont) -> QFont:
    """The same font with figures of one width, for read-outs and tables that change in place."""
    out = QFont(font)
    # Older Qt has no access to font features; its default fonts have figures of one width already.
    if hasattr(out, "setFeature"):
        out.setFeature(QFont.Tag("tnum"), 1)
    return out


def palette(tokens: Tokens) -> QPalette:
    """Qt's palette for a scheme."""
    role, group = QPalette.ColorRole, QPalette.ColorGroup
    out = QPalette()
    roles = {
        role.Window: tokens.window,
        role.WindowText: tokens.text,
        role.Base: tokens.sunken,
        role.AlternateBase: tokens.window,
        role.Text: tokens.text,
        role.PlaceholderText: tokens.text_dim,
        role.Button: tokens.raised,
        role.ButtonText: tokens.text,
        role.BrightText: tokens.error,
        role.ToolTipBase: tokens.raised,
        role.ToolTipText: tokens.text,
        role.Highlight: tokens.accent,
        role.HighlightedText: tokens.on_accent,
        role.Accent: tokens.accent,
        role.Link: tokens.accent,
        role.LinkVisited: tokens.accent,
        role.Light: tokens.hover,
        role.Midlight: tokens.raised,
        role.Mid: tokens.edge,
        role.Dark: tokens.line,
        role.Shadow: tokens.line,
    }
    for key, colour in roles.items():
        out.setColor(key, QColor(colour))
    for key in (role.WindowText, role.Text, role.ButtonText, role.PlaceholderText):
        out.setColor(group.Disabled, key, QColor(tokens.text_off))
    out.setColor(group.Disabled, role.Highlight, QColor(tokens.edge))
    out.setColor(group.Disabled, role.HighlightedText, QColor(tokens.text_off))
    return out


def style_sheet(tokens: Tokens) -> str:
    """Qt's style sheet for a scheme."""
    controls = str(files("resources") / "icons" / "controls").replace("\\", "/")
    values: dict[str, object] = {
        name: getattr(tokens, name) for name in tokens.__dataclass_fields__
    }
    # Qt measures heights without the border and the padding.
    values["input"] = tokens.control_small - 2 * tokens.hairline
    values["button"] = tokens.control_small - 2 * tokens.hairline
    values["spin"] = tokens.control_small - 2 * tokens.hairline - 3  # to which Qt adds 3
    values["combo_text"] = tokens.gap_1 + 2  # which Qt adds to that of a line edit
    values["half_handle"] = tokens.slider_handle // 2
    values["handle_out"] = (tokens.slider_handle - tokens.slider_groove) // 2
    values["controls"] = controls
    return _SHEET.substitute(values)


_SHEET = Template(
    """
/* Text */
QLabel { background: transparent; }
QLabel[tone="dim"] { color: $text_dim; }
QLabel[tone="title"] { font-size: ${type_title}pt; font-weight: 600; }
QLabel[tone="caution"] { color: $caution; }
QLabel[tone="error"] { color: $error; }
QLabel:disabled { color: $text_off; }
QToolTip {
    color: $text; background: $raised; border: ${hairline}px solid $edge;
    padding: ${gap_1}px ${gap_2}px;
}

/* Frame of the window */
QMainWindow, QDialog { background: $window; }
QMainWindow::separator { background: $line; width: ${gap_1}px; height: ${gap_1}px; }
QMainWindow::separator:hover { background: $accent; }
QSplitter::handle { background: $line; }
QSplitter::handle:horizontal { width: ${splitter}px; }
QSplitter::handle:vertical { height: ${splitter}px; }
QSplitter::handle:hover { background: $accent; }
QDockWidget {
    titlebar-close-icon: url($controls/close.svg);
    titlebar-normal-icon: url($controls/float.svg);
}
QDockWidget::title {
    background: $window; padding: ${gap_1}px ${gap_2}px; text-align: left;
    border-bottom: ${hairline}px solid $line;
}
QDockWidget::close-button, QDockWidget::float-button {
    border: none; background: transparent; padding: 0px; border-radius: ${radius_small}px;
}
QDockWidget::close-button:hover, QDockWidget::float-button:hover { background: $hover; }
QStatusBar { background: $window; border-top: ${hairline}px solid $line; }
QStatusBar::item { border: none; }
QToolBar {
    background: $window; border: none; border-bottom: ${hairline}px solid $line;
    padding: ${gap_1}px; spacing: ${gap_1}px;
}
QToolBar:vertical { border-bottom: none; border-right: ${hairline}px solid $line; }
QToolBar::separator { background: $edge; width: ${hairline}px; margin: ${gap_1}px; }
QToolBar:vertical::separator { height: ${hairline}px; width: auto; }

/* Menus */
QMenuBar { background: $window; border-bottom: ${hairline}px solid $line; }
QMenuBar::item { background: transparent; padding: ${gap_1}px ${gap_2}px; }
QMenuBar::item:selected { background: $hover; }
QMenu {
    background: $raised; border: ${hairline}px solid $edge; padding: ${gap_1}px 0px;
}
QMenu::item { padding: ${gap_1}px ${gap_6}px ${gap_1}px ${gap_2}px; }
QMenu::icon { padding-left: ${gap_2}px; }
QMenu::item:selected { background: $accent; color: $on_accent; }
QMenu::item:disabled { color: $text_off; background: transparent; }
QMenu::separator { height: ${hairline}px; background: $edge; margin: ${gap_1}px 0px; }
QMenu::indicator { width: 16px; height: 16px; margin-left: ${gap_1}px; }
QMenu::indicator:checked { image: url($controls/tick.svg); }
QMenu::indicator:checked:selected { image: url($controls/tick-$scheme.svg); }
QMenu::right-arrow {
    image: url($controls/right.svg); width: 12px; height: 12px; margin-right: ${gap_1}px;
}

/* Buttons */
QPushButton {
    background: $raised; color: $text; border: ${hairline}px solid $edge;
    border-radius: ${radius}px; padding: 0px ${gap_3}px; min-height: ${button}px;
}
QPushButton:hover { background: $hover; }
QPushButton:pressed, QPushButton:checked { background: $pressed; }
QPushButton:checked { border-color: $accent; }
QPushButton:focus { border-color: $accent; }
QPushButton:disabled { color: $text_off; background: $window; }
QPushButton[kind="primary"] {
    background: $accent; color: $on_accent; border-color: $accent; font-weight: 600;
}
QPushButton[kind="primary"]:hover { border-color: $text; }
QPushButton[kind="primary"]:focus { border-color: $text; }
QPushButton[kind="primary"]:disabled {
    background: $raised; color: $text_off; border-color: $edge;
}
QPushButton[kind="flat"] { background: transparent; border-color: transparent; }
QPushButton[kind="flat"]:hover { background: $hover; }
QPushButton[kind="flat"]:focus { border-color: $accent; }
QPushButton::menu-indicator {
    image: url($controls/down.svg); width: 12px; height: 12px;
    subcontrol-position: right center; right: ${gap_1}px;
}
QToolButton {
    background: transparent; color: $text; border: ${hairline}px solid transparent;
    border-radius: ${radius}px; padding: 3px;
}
QToolButton:hover { background: $hover; }
QToolButton:pressed { background: $pressed; }
QToolButton:checked { background: $select; border-color: $accent; }
QToolButton:focus { border-color: $accent; }
QToolButton:disabled { color: $text_off; }
QToolButton[popupMode="1"] { padding-right: ${gap_4}px; }
QToolButton[popupMode="2"] { padding-right: ${gap_4}px; }
QToolButton::menu-button { border: none; width: ${gap_3}px; }
QToolButton::menu-arrow, QToolButton::menu-indicator {
    image: url($controls/down.svg); width: 12px; height: 12px;
}
QToolButton::menu-indicator { subcontrol-position: right center; right: 2px; }
QCheckBox, QRadioButton, QGroupBox { spacing: ${gap_2}px; }
QCheckBox::indicator, QRadioButton::indicator, QGroupBox::indicator,
QAbstractItemView::indicator {
    width: 14px; height: 14px; border: ${hairline}px solid $mark; background: $sunken;
    border-radius: ${radius_small}px;
}
QRadioButton::indicator { border-radius: 7px; }
QCheckBox::indicator:hover, QRadioButton::indicator:hover { border-color: $text; }
QCheckBox::indicator:focus, QRadioButton::indicator:focus { border-color: $accent; }
QCheckBox::indicator:checked, QGroupBox::indicator:checked,
QAbstractItemView::indicator:checked {
    background: $accent; border-color: $accent; image: url($controls/tick-$scheme.svg);
}
QCheckBox::indicator:indeterminate, QAbstractItemView::indicator:indeterminate {
    background: $accent; border-color: $accent; image: url($controls/dash-$scheme.svg);
}
QRadioButton::indicator:checked {
    background: $accent; border-color: $accent; image: url($controls/dot-$scheme.svg);
}
QCheckBox::indicator:disabled, QRadioButton::indicator:disabled {
    border-color: $edge; background: $window;
}

/* Inputs */
QLineEdit, QAbstractSpinBox, QComboBox, QTextEdit, QPlainTextEdit {
    background: $sunken; color: $text; border: ${hairline}px solid $edge;
    border-radius: ${radius}px; selection-background-color: $accent;
    selection-color: $on_accent;
}
QLineEdit, QAbstractSpinBox, QComboBox {
    min-height: ${input}px; padding: 0px ${gap_1}px;
}
QAbstractSpinBox { min-height: ${spin}px; }
QLineEdit:hover, QAbstractSpinBox:hover, QComboBox:hover { border-color: $mark; }
QLineEdit:focus, QAbstractSpinBox:focus, QComboBox:focus, QTextEdit:focus,
QPlainTextEdit:focus, QComboBox:on { border-color: $accent; }
QLineEdit:disabled, QAbstractSpinBox:disabled, QComboBox:disabled, QTextEdit:disabled,
QPlainTextEdit:disabled {
    color: $text_off; background: $window;
}
QLineEdit[wrong="true"], QAbstractSpinBox[wrong="true"] { border-color: $error; }
QComboBox QLineEdit {
    border: none; min-height: 0px; padding: 0px; background: transparent;
}
QComboBox { padding-left: ${combo_text}px; padding-right: 0px; combobox-popup: 0; }
QComboBox::drop-down { border: none; width: 20px; }
QComboBox::down-arrow { image: url($controls/down.svg); width: 12px; height: 12px; }
QComboBox QAbstractItemView {
    background: $raised; border: ${hairline}px solid $edge; outline: none;
    selection-background-color: $accent; selection-color: $on_accent;
}
QComboBox QAbstractItemView::item { padding: ${gap_1}px; }
QAbstractSpinBox::up-button, QAbstractSpinBox::down-button {
    border: none; background: transparent; width: 16px; subcontrol-origin: border;
}
QAbstractSpinBox::up-button { subcontrol-position: top right; }
QAbstractSpinBox::down-button { subcontrol-position: bottom right; }
QAbstractSpinBox::up-button:hover, QAbstractSpinBox::down-button:hover { background: $hover; }
QAbstractSpinBox::up-arrow { image: url($controls/up.svg); width: 10px; height: 10px; }
QAbstractSpinBox::down-arrow { image: url($controls/down.svg); width: 10px; height: 10px; }
QSlider::groove:horizontal {
    height: ${slider_groove}px; background: $edge; border-radius: 2px;
}
QSlider::groove:vertical { width: ${slider_groove}px; background: $edge; border-radius: 2px; }
QSlider::sub-page:horizontal, QSlider::add-page:vertical {
    background: $accent; border-radius: 2px;
}
QSlider::sub-page:disabled, QSlider::add-page:vertical:disabled { background: $edge; }
QSlider::handle {
    width: ${slider_handle}px; height: ${slider_handle}px; background: $text_dim;
    border-radius: ${half_handle}px;
}
QSlider::handle:horizontal { margin: -${handle_out}px 0px; }
QSlider::handle:vertical { margin: 0px -${handle_out}px; }
QSlider::handle:hover, QSlider::handle:focus { background: $text; }
QSlider::handle:disabled { background: $edge; }
QProgressBar {
    background: $edge; border: none; border-radius: 2px; min-height: 4px; max-height: 4px;
    color: transparent;
}
QProgressBar::chunk { background: $accent; border-radius: 2px; }
QGroupBox {
    border: none; border-top: ${hairline}px solid $edge; margin-top: ${gap_3}px;
    padding-top: ${gap_3}px; font-weight: 600;
}
QGroupBox::title { subcontrol-origin: margin; left: 0px; padding-right: ${gap_2}px; }

/* Tabs */
QTabWidget::pane { border: none; border-top: ${hairline}px solid $line; }
QTabBar { background: transparent; }
QTabBar::tab {
    background: transparent; color: $text_dim; border: none;
    border-bottom: 2px solid transparent; padding: ${gap_1}px ${gap_3}px;
}
QTabBar::tab:hover { color: $text; background: $hover; }
QTabBar::tab:selected { color: $text; border-bottom-color: $accent; }
QTabBar::tab:disabled { color: $text_off; }
QTabBar::close-button { image: url($controls/close.svg); }

/* Lists and tables */
QAbstractItemView {
    background: $sunken; alternate-background-color: $window; color: $text;
    selection-background-color: $select; selection-color: $text; outline: none;
}
QListView, QTreeView, QTableView, QListWidget, QTreeWidget, QTableWidget {
    border: ${hairline}px solid $line; gridline-color: $line;
}
QListView::item, QTreeView::item { padding: ${gap_1}px; }
QListView::item:hover, QTreeView::item:hover { background: $hover; }
QListView::item:selected, QTreeView::item:selected, QTableView::item:selected {
    background: $select; color: $text;
}
QTableView::item { padding: 0px ${gap_1}px; }
QTableView::item:focus { border: ${hairline}px solid $accent; }
QTreeView::branch:has-children:!has-siblings:closed,
QTreeView::branch:closed:has-children:has-siblings { image: url($controls/right.svg); }
QTreeView::branch:open:has-children:!has-siblings,
QTreeView::branch:open:has-children:has-siblings { image: url($controls/down.svg); }
QHeaderView { background: $raised; border: none; }
QHeaderView::section {
    background: $raised; color: $text_dim; border: none; padding: ${gap_1}px ${gap_2}px;
    font-weight: 400;
    border-right: ${hairline}px solid $line; border-bottom: ${hairline}px solid $line;
}
QHeaderView::section:hover { color: $text; }
QHeaderView::up-arrow { image: url($controls/up.svg); width: 10px; height: 10px; }
QHeaderView::down-arrow { image: url($controls/down.svg); width: 10px; height: 10px; }
QTableCornerButton::section { background: $raised; border: none; }

/* Scrolling */
QScrollArea { border: none; }
QScrollBar { background: transparent; border: none; margin: 0px; }
QScrollBar:vertical { width: ${scroll_bar}px; }
QScrollBar:horizontal { height: ${scroll_bar}px; }
QScrollBar::handle { background: $edge; border-radius: 4px; margin: 2px; }
QScrollBar::handle:vertical { min-height: ${gap_6}px; }
QScrollBar::handle:horizontal { min-width: ${gap_6}px; }
QScrollBar::handle:hover, QScrollBar::handle:pressed { background: $mark; }
QScrollBar::add-line, QScrollBar::sub-line { width: 0px; height: 0px; }
QScrollBar::add-page, QScrollBar::sub-page { background: transparent; }
QAbstractScrollArea::corner { background: transparent; border: none; }
"""
)
