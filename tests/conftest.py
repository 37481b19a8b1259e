"""The tests open windows that nobody sees, whatever display there is."""

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
