"""The Qt binding itself: a release of it once lost a reference to None at every call."""

from __future__ import annotations

import sys

from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QApplication


def test_calls_that_return_nothing_do_not_wear_out_none(qapp: QApplication) -> None:
    timer = QTimer()
    before = sys.getrefcount(None)
    for _ in range(2000):
        timer.stop()
    assert before - sys.getrefcount(None) < 1000
