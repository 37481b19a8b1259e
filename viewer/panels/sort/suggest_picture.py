"""A small picture of suggested classes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QImage, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from viewer.panels.theme import current
from viewer.science.look.orient import Orientation

Rgb = tuple[int, int, int]


class ClassPicture(QWidget):
    """Classes in their colours, laid as the map is; one can be brought out.

    Row and column 0 are the stored map's.
    """

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setMinimumHeight(120)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAccessibleName("Preview")
        self._classes: npt.NDArray[np.uint8] | None = None
        self._grey: npt.NDArray[np.uint8] | None = None
        self._colours: list[Rgb] = []
        self._chosen: frozenset[int] = frozenset()
        self._orientation = Orientation()
        self._aspect = 1.0
        self._image: QImage | None = None
        self._words = ""

    def show_words(self, words: str) -> None:
        """Show words in place of a picture."""
        self._classes = self._grey = self._image = None
        self._words = words
        self.update()

    def show_classes(
        self,
        classes: npt.NDArray[np.uint8],
        colours: list[Rgb],
        orientation: Orientation,
        pixel_um: tuple[float, float],
    ) -> None:
        """Show class numbers (0 none); class k has ``colours[k - 1]``."""
        self._classes, self._grey, self._colours = classes, None, colours
        self._orientation, self._aspect = orientation, pixel_um[0] / pixel_um[1]
        self._chosen = frozenset()
        self._make()

    def show_grey(
        self,
        share: npt.NDArray[np.float32],
        orientation: Orientation,
        pixel_um: tuple[float, float],
    ) -> None:
        """Show shares of 0 to 1, black to white; nothing where there is none."""
        self._classes = None
        self._grey = (np.nan_to_num(np.clip(share, 0, 1)) * 255).astype(np.uint8)
        self._orientation, self._aspect = orientation, pixel_um[0] / pixel_um[1]
        self._make()

    def bring_out(self, numbers: frozenset[int]) -> None:
        """Dim all classes but these; none: dim nothing."""
        if numbers != self._chosen:
            self._chosen = numbers
            self._make()

    def _make(self) -> None:
        if self._classes is not None:
            table = np.zeros((256, 3), np.uint8)
            ground = QColor(current().map_ground)
            table[:] = (ground.red(), ground.green(), ground.blue())
            for k, colour in enumerate(self._colours, start=1):
                table[k] = colour
            if self._chosen:
                others = np.ones(256, bool)
                others[list(self._chosen)] = False
                table[others] = (table[others].mean(axis=1, keepdims=True) * 0.3).astype(np.uint8)
            pixels = table[self._classes]
        elif self._grey is not None:
            pixels = np.repeat(self._grey[..., None], 3, axis=2)
        else:
            return
        if self._orientation.mirror:
            pixels = pixels[:, ::-1]
        pixels = np.ascontiguousarray(np.rot90(pixels, -self._orientation.quarter_turns))
        rows, cols = pixels.shape[:2]
        self._image = QImage(
            pixels.tobytes(), cols, rows, 3 * cols, QImage.Format.Format_RGB888
        ).copy()
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw the picture as large as there is room."""
        tokens = current()
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(tokens.map_ground))
        if self._image is None:
            painter.setPen(QColor(tokens.text_dim))
            flags = int(Qt.AlignmentFlag.AlignCenter) | int(Qt.TextFlag.TextWordWrap)
            painter.drawText(self.rect().adjusted(16, 8, -16, -8), flags, self._words)
            return
        aspect = 1 / self._aspect if self._orientation.swaps_axes else self._aspect
        width, height = self._image.width() * aspect, float(self._image.height())
        scale = min(self.width() / width, self.height() / height)
        room = QRectF(0, 0, width * scale, height * scale)
        room.moveCenter(QRectF(self.rect()).center())
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        painter.drawImage(room, self._image)
