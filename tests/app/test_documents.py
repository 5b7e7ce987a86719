"""Files: open, save, dirty mark, and work that survives a crash."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from msgspec.structs import replace

from app.documents import ChangedOnDisk, Documents
from app.workbench import Workbench
from sim.build import Build, load, save
from sim.errors import DocumentError, SimError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pytestqt.qtbot import QtBot

SAMPLE = "board_6s_digital"


@pytest.fixture
def bench(qtbot: QtBot) -> Workbench:
    return Workbench(load(SAMPLE))


@pytest.fixture
def documents(bench: Workbench, tmp_path: Path) -> Iterator[Documents]:
    made = Documents(bench, tmp_path / "data", bench)
    yield made
    made.close()


def rename(bench: Workbench, name: str) -> None:
    bench.do("Rename", replace(bench.build, name=name))


def test_save_open_same_build(bench: Workbench, documents: Documents, tmp_path: Path) -> None:
    rename(bench, "Mine")
    saved = bench.build
    documents.save_as(tmp_path / "mine.json")
    documents.new()
    assert bench.build == Build(name="New build")
    documents.open(tmp_path / "mine.json")
    assert bench.build == saved
    assert bench.path == (tmp_path / "mine.json").resolve()


def test_dirty_mark(qtbot: QtBot, bench: Workbench, documents: Documents, tmp_path: Path) -> None:
    assert not documents.dirty
    with qtbot.waitSignal(documents.dirty_changed) as signal:
        rename(bench, "Changed")
    assert signal.args == [True]
    bench.undo_stack.undo()
    assert not documents.dirty
    bench.undo_stack.redo()
    documents.save_as(tmp_path / "a.json")
    assert not documents.dirty
    bench.undo_stack.undo()
    assert documents.dirty


def test_save_without_a_name_asks_for_one(documents: Documents) -> None:
    assert documents.save() is False


def test_a_broken_file_leaves_bench_and_file_alone(
    bench: Workbench, documents: Documents, tmp_path: Path
) -> None:
    rename(bench, "Precious")
    broken = tmp_path / "broken.json"
    broken.write_text('{"format": "rippletree-build", "version": 1, "name": "x", "parst": []}')
    before = broken.read_bytes()
    with pytest.raises(SimError) as error:
        documents.open(broken)
    assert "broken.json" in str(error.value)
    assert "parst" in str(error.value)
    assert broken.read_bytes() == before
    assert bench.build.name == "Precious"
    assert documents.dirty


def test_a_file_that_cannot_be_written_says_so(documents: Documents, tmp_path: Path) -> None:
    with pytest.raises(DocumentError):
        documents.save_as(tmp_path / "no such folder" / "a.json")
    assert documents.recent == []


def test_recent_files(bench: Workbench, documents: Documents, tmp_path: Path) -> None:
    first, second = tmp_path / "first.json", tmp_path / "second.json"
    documents.save_as(first)
    documents.save_as(second)
    documents.open(first)
    assert documents.recent == [first.resolve(), second.resolve()]
    second.unlink()
    assert documents.recent == [first.resolve()]


def test_unsaved_work_is_kept_after_a_while(
    qtbot: QtBot, bench: Workbench, documents: Documents
) -> None:
    with qtbot.waitSignal(documents.autosaved, timeout=10_000):
        rename(bench, "Kept")
    copies = list((documents.folder / "unsaved").glob("*.json"))
    assert [load(copy).name for copy in copies] == ["Kept"]


def test_no_copy_stays_after_save_or_close(
    bench: Workbench, documents: Documents, tmp_path: Path
) -> None:
    rename(bench, "Kept")
    documents.autosave()
    documents.save_as(tmp_path / "a.json")
    assert list((documents.folder / "unsaved").glob("*.json")) == []
    rename(bench, "Again")
    documents.autosave()
    documents.close()
    assert list((documents.folder / "unsaved").iterdir()) == []


# Another window that keeps unsaved work, says so, and is then killed or waits.
WINDOW = """
import os, sys
from pathlib import Path
from PySide6.QtCore import QCoreApplication
app = QCoreApplication([])
from msgspec.structs import replace
from app.documents import ChangedOnDisk, Documents
from app.workbench import Workbench
from sim.build import load
bench = Workbench(load("board_6s_digital"))
documents = Documents(bench, Path(sys.argv[1]))
documents.save_as(Path(sys.argv[2]))
bench.do("Rename", replace(bench.build, name="Lost and found"))
documents.autosave()
print("kept", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def other_window(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", WINDOW, str(tmp_path / "data"), str(tmp_path / "origin.json")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == "kept\n"
            yield process
        finally:
            process.kill()


def test_work_of_a_killed_window_is_offered(
    bench: Workbench,
    documents: Documents,
    other_window: subprocess.Popen[str],
    tmp_path: Path,
) -> None:
    other_window.kill()
    other_window.wait()
    (recovery,) = documents.recoveries()
    assert recovery.build.name == "Lost and found"
    documents.recover(recovery)
    assert bench.build.name == "Lost and found"
    assert bench.path == (tmp_path / "origin.json").resolve()
    # Neither the file nor the work is touched until the user saves.
    assert documents.dirty
    assert load(tmp_path / "origin.json").name != "Lost and found"
    assert documents.recoveries() == []


def test_work_of_a_window_that_runs_is_not_offered(
    documents: Documents, other_window: subprocess.Popen[str]
) -> None:
    assert documents.recoveries() == []


def test_work_can_be_let_go(documents: Documents, other_window: subprocess.Popen[str]) -> None:
    other_window.kill()
    other_window.wait()
    (recovery,) = documents.recoveries()
    documents.discard(recovery)
    assert documents.recoveries() == []


def test_a_copy_cut_short_is_passed_over(documents: Documents) -> None:
    (documents.folder / "unsaved" / "half.json").write_text('{"format": "ripple')
    assert documents.recoveries() == []


def test_a_file_changed_by_another_program_is_noticed_and_not_written_over(
    qtbot: QtBot, bench: Workbench, documents: Documents, tmp_path: Path
) -> None:
    path = tmp_path / "mine.json"
    documents.save_as(path)
    rename(bench, "My work")
    other = replace(bench.build, name="Theirs")
    with qtbot.waitSignal(documents.changed_on_disk, timeout=5000):
        save(other, path)
    with pytest.raises(ChangedOnDisk):
        documents.save()
    assert load(path).name == "Theirs"
    documents.read_again()
    assert bench.build.name == "Theirs"
    assert not documents.dirty
    bench.undo_stack.undo()
    assert bench.build.name == "My work"
    assert documents.dirty
    assert documents.save()
    assert load(path).name == "My work"


def test_what_this_window_saves_is_no_news_to_it(
    qtbot: QtBot, bench: Workbench, documents: Documents, tmp_path: Path
) -> None:
    documents.save_as(tmp_path / "mine.json")
    told: list[int] = []
    documents.changed_on_disk.connect(lambda: told.append(1))
    for k in range(3):
        rename(bench, f"Step {k}")
        documents.save()
        (tmp_path / "a neighbour.txt").write_text(str(k))
        qtbot.wait(300)
    assert told == []


def test_a_file_written_in_place_and_one_that_goes_are_noticed(
    qtbot: QtBot, bench: Workbench, documents: Documents, tmp_path: Path
) -> None:
    path = tmp_path / "mine.json"
    documents.save_as(path)
    with qtbot.waitSignal(documents.changed_on_disk, timeout=5000):
        path.write_bytes(path.read_bytes() + b"\n")
    with qtbot.waitSignal(documents.gone_from_disk, timeout=5000):
        path.unlink()
    documents.save()
    assert load(path) == bench.build


def test_two_windows_on_one_file_notice_each_other(
    qtbot: QtBot,
    bench: Workbench,
    documents: Documents,
    other_window: subprocess.Popen[str],
    tmp_path: Path,
) -> None:
    with qtbot.waitSignal(documents.shared):
        documents.open(tmp_path / "origin.json")
    other_window.kill()
    other_window.wait()
    told: list[int] = []
    documents.shared.connect(lambda: told.append(1))
    documents.open(tmp_path / "origin.json")
    assert told == []
