"""What leaves the program on paper: a report, and a card to solder by."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject
from PySide6.QtWidgets import QFileDialog, QWidget

from app.panels.answer_row import VERDICT_CAUTION
from app.solver.errand import Errand

if TYPE_CHECKING:
    from app.notices import Strip
    from app.workbench import Workbench

_ENDINGS = (".pdf", ".html", ".htm")
_FILTER = "PDF (*.pdf);;HTML (*.html)"


class Paperwork(QObject):
    """Asks for a name, has the pages worked out beside the window, and saves them."""

    def __init__(self, workbench: Workbench, strip: Strip, parent: QWidget) -> None:
        super().__init__(parent)
        self._workbench = workbench
        self._strip = strip
        self._window = parent
        self._errand: Errand | None = None

    def report(self) -> None:
        """Two pages to hand over, about the present option."""
        self._write("report", card=False)

    def card(self) -> None:
        """A card with legs in true size to solder by."""
        self._write("card", card=True)

    def stop(self) -> None:
        """End what is being worked out; no file is written then."""
        if self._errand is not None:
            self._errand.stop()
            self._errand = None
            self._strip.hide()

    def _write(self, what: str, *, card: bool) -> None:
        bench = self._workbench
        folder = Path.home() if bench.path is None else bench.path.parent
        name, _ = QFileDialog.getSaveFileName(
            self._window, f"Save the {what} as", str(folder / f"{what}.pdf"), _FILTER
        )
        if not name:
            return
        path = Path(name) if Path(name).suffix else Path(name + ".pdf")
        if path.suffix.lower() not in _ENDINGS:
            self._strip.say(f"{path.name} is neither .pdf nor .html. Give one of them.", [])
            return
        self.stop()
        option = None if bench.option is None else bench.option + 1
        arguments = {"option": option, "path": str(path), "card": card}
        errand = Errand("report", bench.build, arguments, self)
        remedies = [("Stop", self.stop)]
        errand.moved.connect(
            lambda share: self._strip.say(f"Working out the {what}: {share:.0%}", remedies)
        )
        errand.failed.connect(lambda words: self._strip.say(words, []))
        errand.done.connect(lambda data: self._save(path, data))
        self._strip.say(f"Working out the {what}…", remedies)
        self._errand = errand

    def _save(self, path: Path, data: bytes) -> None:
        self._errand = None
        try:
            path.write_bytes(data)
        except OSError as error:
            self._strip.say(f"{path}: cannot be written: {error.strerror}. Try another name.", [])
            return
        self._strip.say(f"Saved as {path.name}. {VERDICT_CAUTION}", [])
