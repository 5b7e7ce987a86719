"""The build file: read, written, saved; and the presets that come with the program.

Every refusal is one `SimError` whose place is a path such as
``parts[2].values.esr (bulk)`` after the file's name. Nothing here imports numpy.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from importlib import resources
from pathlib import Path
from typing import Any

import msgspec

from sim.errors import BadField, DocumentError, SimError
from sim.problems import problems, validate
from sim.reading import MAX_BYTES, records_from
from sim.records import (
    FORMAT,
    LEAD_VALUES,
    VERSION,
    Build,
    Change,
    Clip,
    Event,
    Given,
    Lead,
    Mark,
    Option,
    Part,
    Quantity,
)
from sim.resolve import (
    event_index,
    events_of,
    find_port,
    nearest_names,
    option_index,
    resolve,
    resolve_lead,
)
from sim.writing import written

__all__ = [
    "FORMAT",
    "LEAD_VALUES",
    "VERSION",
    "Build",
    "Change",
    "Clip",
    "Event",
    "Given",
    "Lead",
    "Mark",
    "Option",
    "Part",
    "PresetInfo",
    "Quantity",
    "dumps",
    "event_index",
    "events_of",
    "find_port",
    "load",
    "loads",
    "option_index",
    "presets",
    "problems",
    "resolve",
    "resolve_lead",
    "save",
    "validate",
    "write_whole",
]


class PresetInfo(msgspec.Struct, frozen=True):
    """What the list of presets says about one: `options` and `events` are names."""

    id: str
    name: str
    story: str
    options: tuple[str, ...]
    events: tuple[str, ...]


class _Named(msgspec.Struct):
    name: str


class _Head(msgspec.Struct):
    """The few keys of a preset that its line in the list needs."""

    name: str
    story: str = ""
    options: list[_Named] = []
    events: list[_Named] = []


def load(path_or_preset: str | Path, *, checked: bool = True) -> Build:
    """Read a build from a file, or a preset by its id.

    Parameters
    ----------
    path_or_preset : a file, or the id of a preset; a file of that name wins
    checked : also hold values and addresses against what the kinds allow (`validate`);
        False leaves that to the caller, who wants all problems instead of the first

    Raises
    ------
    DocumentError   if it cannot be read or is no build; subclasses say why
    NetworkError    if a lead, an option, an event or a clip names a place that is not there
    """
    name = str(path_or_preset)
    try:
        path = Path(path_or_preset)
        if path.is_dir():
            raise DocumentError(name, "is a folder", "Give a build file or the id of a preset")
        if path.exists():
            with path.open("rb") as file:
                data = file.read(MAX_BYTES + 1)
            return loads(data, path.name, checked=checked)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise DocumentError(name, f"cannot be read: {why}", "Check name and rights") from None
    stored = _preset_files()
    if name in stored:
        return loads(stored[name].read_bytes(), name, checked=checked)
    raise DocumentError(
        name,
        "is neither a file nor a preset",
        nearest_names(name, tuple(stored), "Presets are"),
    )


def presets() -> tuple[PresetInfo, ...]:
    """All presets, by id. Reads only names, checks nothing, so it is quick."""
    found = []
    for id_, file in sorted(_preset_files().items()):
        head = msgspec.json.decode(file.read_bytes(), type=_Head)
        found.append(
            PresetInfo(
                id_,
                head.name,
                head.story,
                tuple(o.name for o in head.options),
                tuple(e.name for e in head.events),
            )
        )
    return tuple(found)


def loads(data: bytes, where: str = "build", *, checked: bool = True) -> Build:
    """A build from the bytes of a file; `where` stands before the place in errors.

    Raises
    ------
    NewerFile       if a later version of the program wrote it
    DocumentError   and its other subclasses, NetworkError: see `load`
    """
    try:
        build = records_from(data)
        if checked:
            validate(build)
    except SimError as error:
        place = f"{where}: {error.where}" if error.where else where
        raise type(error)(place, error.what, error.hint) from None
    return build


def dumps(build: Build) -> bytes:
    """The bytes of a build's file: UTF-8, keys in a fixed order, defaults left out.

    Raises
    ------
    BadField   if a number is not finite or a text is no Unicode
    """
    try:
        return (written(build) + "\n").encode()
    except ValueError:
        raise BadField(
            build.name, "holds a number or text that no file can", "Give finite numbers"
        ) from None


def save(build: Build, path: str | Path) -> None:
    """Write a build as `write_whole` does. Raises as that, and as `dumps`."""
    write_whole(path, dumps(build))


def write_whole(path: str | Path, data: bytes) -> None:
    """Write a file so that the old one stays whole until the new one is.

    Raises
    ------
    DocumentError   if it cannot be written; the old file is untouched
    """
    target = Path(os.path.realpath(path))
    temporary: str | None = None
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name[:50]}.", dir=target.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, _mode(target))
        os.replace(temporary, target)
        temporary = None
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise DocumentError(str(path), f"cannot be written: {why}", "Save elsewhere") from None
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
    _sync_folder(target.parent)


def _mode(target: Path) -> int:
    """Rights of the file that is replaced, or what a new file gets."""
    try:
        return target.stat().st_mode & 0o7777
    except OSError:
        mask = os.umask(0)
        os.umask(mask)
        return 0o666 & ~mask


def _sync_folder(folder: Path) -> None:
    """Make the renaming itself last a power cut, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _preset_files() -> dict[str, Any]:
    try:
        folder = resources.files("presets").joinpath("builds")
        return {
            f.name.removesuffix(".json"): f for f in folder.iterdir() if f.name.endswith(".json")
        }
    except (ModuleNotFoundError, FileNotFoundError):
        return {}
