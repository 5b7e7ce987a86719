"""The canvas on the frame: parts, leads, tray, placing and dragging."""

from app.wiring.outline import OutlineTree
from app.wiring.view import FrameView

__all__ = ["FrameView", "OutlineTree"]
