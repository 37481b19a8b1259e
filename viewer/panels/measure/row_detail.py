"""Everything about one measurement: its numbers, how they were made, what to beware of."""

from __future__ import annotations

from html import escape

from PySide6.QtCore import QEvent, Qt
from PySide6.QtWidgets import QLabel, QScrollArea, QVBoxLayout, QWidget

from viewer.desk.measuring import shown
from viewer.panels import theme
from viewer.science.measure.registry import KINDS
from viewer.science.measure.ruler import format_length
from viewer.store.documents import Row

_DETAILS = {
    "minimum_um": "Smallest",
    "maximum_um": "Largest",
    "sd_um": "Standard deviation",
    "spacing_um": "Stations every",
    "drawn_um": "As drawn",
    "placed_by_hand_px": "Ends placed to",
    "edge_low_percent": "Edge pixels: at least",
    "edge_high_percent": "Edge pixels: at most",
    "total_low_percent": "With edge pixels, from",
    "total_high_percent": "With edge pixels, to",
    "weight_percent": "Weight",
    "weight_low_percent": "Weight, from",
    "weight_high_percent": "Weight, to",
    "pixels": "Pixels",
    "block_um": "Block length",
    "bootstrap_low_percent": "Block bootstrap alone, from",
    "bootstrap_high_percent": "Block bootstrap alone, to",
    "binomial_low_percent": "Pixels taken as independent, from",
    "binomial_high_percent": "Pixels taken as independent, to",
    "relative_accuracy_percent": "Relative accuracy",
}
"""Details worth a line, and what they are called."""

_ENDINGS = {
    "_um2": " µm²", "_mm2": " mm²", "_um": " µm", "_deg": "°", "_percent": " %", "_px": " px"
}  # fmt: skip
"""Endings of columns' names that stand for units."""

_SHORT = 24
"""Letters that fit beside a number."""


class RowDetail(QScrollArea):
    """Shows one row of the ledger; the text can be selected and copied."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        tokens = theme.current()
        self.setWidgetResizable(True)
        self.setMinimumHeight(8 * self.fontMetrics().lineSpacing())
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._row: Row | None = None
        self._count = 0
        self.text = QLabel()
        self.text.setTextFormat(Qt.TextFormat.RichText)
        self.text.setWordWrap(True)
        self.text.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
        self.text.setTextInteractionFlags(
            Qt.TextInteractionFlag.TextSelectableByMouse
            | Qt.TextInteractionFlag.TextSelectableByKeyboard
        )
        body = QWidget()
        column = QVBoxLayout(body)
        column.setContentsMargins(0, tokens.gap_2, tokens.gap_2, 0)
        column.addWidget(self.text, 1)
        self.setWidget(body)
        self.show_row(None, 0)

    def show_row(self, row: Row | None, count: int) -> None:
        """Show a row; without one, say how many of how many are selected.

        Parameters
        ----------
        count : int
            Rows selected.
        """
        self._row, self._count = row, count
        self.text.setText(_page(row, count))

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange:
            self.text.setText(_page(self._row, self._count))


def _page(row: Row | None, count: int) -> str:
    tokens = theme.current()
    if row is None:
        words = f"{count} rows are selected." if count > 1 else "Select a row to see how it was made."
        return f'<span style="color:{tokens.text_dim}">{words}</span>'
    kind = KINDS.get(row.kind)
    numbers = shown(row)
    unit = numbers.unit if numbers.unit == "°" else f" {numbers.unit}"
    parts = [
        f"<p><b>{escape(row.label)}</b> · {escape(kind.title if kind else row.kind)}<br>"
        f'<span style="font-size:{tokens.type_title}pt">{numbers.value}{unit}</span></p>',
        _table(_facts(row, numbers.low, numbers.high, unit)),
    ]
    if numbers.low and len(row.uncertainty) > _SHORT:
        parts.append(f"<p>Interval: {escape(row.uncertainty)}.</p>")
    parts.append(f"<p>{escape(row.method)}</p>")
    if kind is not None:
        parts.append(f'<p style="color:{tokens.caution}">{escape(kind.caution)}</p>')
        sources = "<br>".join(escape(source) for source in kind.sources)
        parts.append(f'<p style="color:{tokens.text_dim}">Sources:<br>{sources}</p>')
    parts.append(f'<p style="color:{tokens.text_dim}">{escape(row.program)}, {escape(row.made)}</p>')
    return "".join(parts)


def _facts(row: Row, low: str, high: str, unit: str) -> list[tuple[str, str]]:
    interval = row.uncertainty or "Interval"
    if low and high:
        # What takes a line of its own is told below.
        facts = [(interval if len(interval) <= _SHORT else "Interval", f"{low} to {high}{unit}")]
    else:
        facts = [("Interval", interval)]
    facts.append(("n", f"{row.n:,}"))
    for key, name in _named(row).items():
        number = row.detail.get(key)
        if number is not None:
            facts.append((name, _with_unit(number, key)))
    facts.append(("Excluded", row.excluded or "nothing"))
    return facts


def _named(row: Row) -> dict[str, str]:
    """Details that get a line, and what they are called: all of a row that was asked for."""
    if row.request is None:
        return _DETAILS
    return {key: _DETAILS.get(key) or _plain(key) for key in row.detail}


def _plain(key: str) -> str:
    """A column's name as words, without its unit: ``theil_sen_um`` as ``Theil sen``."""
    ending = next((e for e in _ENDINGS if key.endswith(e)), "")
    text = key.removesuffix(ending).replace("_", " ").strip() or key
    return text[0].upper() + text[1:]


def _with_unit(number: float, key: str) -> str:
    ending = next((e for e in _ENDINGS if key.endswith(e)), "")
    if ending == "_um":
        return format_length(number, number, number)
    if ending in ("_deg", "_um2", "_mm2"):
        return f"{number:.4g}{_ENDINGS[ending]}"
    if key.endswith("_percent"):
        return f"{number:.4g} %"
    if key == "pixels":
        return f"{number:,.0f}"
    return f"{number:.3g} px" if key.endswith("_px") else f"{number:.4g}"


def _table(facts: list[tuple[str, str]]) -> str:
    tokens = theme.current()
    rows = "".join(
        f'<tr><td style="color:{tokens.text_dim}; padding-right:{tokens.gap_3}px">{escape(name)}'
        f"</td><td>{escape(value)}</td></tr>"
        for name, value in facts
    )
    return f'<table cellspacing="0" cellpadding="0">{rows}</table>'
