"""Centre and scale of a view; several views that hold the same one pan and zoom together."""

from __future__ import annotations

from PySide6.QtCore import QObject, Signal


class ViewState(QObject):
    """What part of a map is in view.

    Signals
    -------
    changed()
        Centre or scale are others now.
    """

    changed = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._centre = (0.0, 0.0)
        self._um_per_px = 1.0
        self.fitted = True
        """The whole map is shown, and goes on being so when a view is resized."""

    @property
    def centre_um(self) -> tuple[float, float]:
        """Stored position in the middle of the view."""
        return self._centre

    @property
    def um_per_px(self) -> float:
        """µm to a logical pixel."""
        return self._um_per_px

    def move(self, centre_um: tuple[float, float], um_per_px: float, *, fitted: bool) -> None:
        """Look elsewhere."""
        self.fitted = fitted
        if (centre_um, um_per_px) == (self._centre, self._um_per_px):
            return
        self._centre = centre_um
        self._um_per_px = um_per_px
        self.changed.emit()
