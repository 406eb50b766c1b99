"""Windows without a display, letters of one size everywhere."""

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("QT_FONT_DPI", "96")
os.environ.setdefault("PYQTGRAPH_QT_LIB", "PyQt5")
