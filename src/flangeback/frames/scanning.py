"""From a folder to its frames."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path, PurePath

from flangeback.errors import InputError
from flangeback.formats import BY_SUFFIX
from flangeback.frames.lens_data import lens_data_of_packet, lens_fields
from flangeback.frames.model import MANIFEST, Frame, without_suffix
from flangeback.frames.reading import damaged_frame, recognised_frame
from flangeback.system import open_file, read_text_file
from flangeback.workers import spread_each

_SIDECAR = ".xmp"
_BEGINNINGS = frozenset([b"{", b"\0", b""])
"""Of a manifest: a line, or what a power cut left."""
_OF_SYSTEMS = frozenset(["system volume information", "lost+found", "$recycle.bin"])
"""Folders that operating systems keep on disks of their own (common practice)."""
_LEFT_BY_SYSTEMS = frozenset(["thumbs.db", "desktop.ini"])
"""Files that they leave in folders (common practice); others have names that begin with a dot."""
COPIES = "a folder of copies"
_HIDDEN = "its name begins with a dot"


def scan(folder: Path, progress: Callable[[int], None] | None = None) -> tuple[Frame, ...]:
    """Every frame of the folder and the folders below, in the order of their names.

    A file is a frame's by its content (JPEG, TIFF, HEIF, AVIF, raw), whatever its suffix. One
    whose content isn't, but whose suffix is such a format's, or that of another frame in the
    folder, comes back damaged. Names that start with a dot are passed over, and so are links to
    folders, folders of copies and those that can't be listed. `progress` is called with the count
    of files so far.

    Raises InputError when there is no such folder, when it can't be read, or has no frames.
    """
    found = frames_of(folder, files_below(folder), progress)
    if not found:
        expected = "pictures or raw files, at any depth"
        raise InputError.at(folder, "there are no frames in it", expected)
    return found


def files_below(folder: Path, but: Collection[str] = ()) -> Sequence[str]:
    """Every file that `scan` looks at, relative to the folder, in the order of their names.

    Those in `but` are left out. What operating systems leave is passed over, and so are folders
    that flangeback filled; a folder that can't be listed stands for what is in it.

    Raises InputError when there is no such folder, or it can't be read.
    """
    if not folder.is_dir():
        raise InputError.at(folder, "there is no such folder", "the folder with the frames")
    # In two steps, as pairs of both would take more memory for each file.
    return sorted(sorted(name for name in _files(folder) if name not in but), key=str.casefold)


def frames_of(
    folder: Path, files: Sequence[str], progress: Callable[[int], None] | None = None
) -> tuple[Frame, ...]:
    """The frames among some of the folder's files, in the order of their names; see [scan].

    Files that may be one frame's have to be given together. Raises InputError for what can't be
    read.
    """
    found = list(_read(folder, files, progress))
    frames = sorted(_together(_with_sidecars(folder, found, files)), key=lambda one: one.file)
    return tuple(sorted(frames, key=lambda one: one.file.casefold()))


def _files(folder: Path) -> Iterator[str]:
    unlisted = []

    def note(error: OSError) -> None:
        if Path(error.filename) == folder:
            raise InputError.at(error.filename, f"can't be read: {error.strerror}")
        unlisted.append(Path(error.filename).relative_to(folder).as_posix())

    for at, folders, names in os.walk(folder, onerror=note):
        folders[:] = [name for name in folders if _why_passed_over(Path(at) / name) is None]
        below = Path(at).relative_to(folder).as_posix()
        lead = "" if below == "." else below + "/"
        yield from (lead + name for name in names if not _is_hidden(name))
    yield from unlisted


def _is_hidden(name: str) -> bool:
    return name.startswith(".") or name.lower() in _LEFT_BY_SYSTEMS


def is_of_copies(folder: Path) -> bool:
    """Whether flangeback filled it, as far as can be seen: by a manifest, and no file called so."""
    try:
        with open_file(folder / MANIFEST) as file:
            return file.read(1) in _BEGINNINGS
    except OSError:  # In a folder that may not be looked into there is none to be seen.
        return os.path.lexists(folder / MANIFEST)


def passed_over(folder: Path) -> list[tuple[str, str]]:
    """What scans pass over below a folder, relative to it, and why.

    That is folders, but for hidden ones, and pictures whose names begin with a dot.
    """
    found = []
    for at, folders, names in os.walk(folder):
        place = Path(at)
        why = {name: _why_passed_over(place / name) for name in folders}
        why |= {name: _HIDDEN for name in names if _is_hidden_picture(name)}
        found += [
            ((place / name).relative_to(folder).as_posix(), reason)
            for name, reason in why.items()
            if reason
        ]
        folders[:] = [name for name in folders if why[name] is None]
    return sorted(found)


def _why_passed_over(folder: Path) -> str | None:
    """Why nobody looks into a folder; empty for a hidden one, None where somebody does."""
    if folder.is_symlink():
        return "a link to a folder"
    if folder.name.startswith("."):
        return ""
    if folder.name.lower() in _OF_SYSTEMS:
        return "the system's own"
    return COPIES if is_of_copies(folder) else None


def _is_hidden_picture(name: str) -> bool:
    """What macOS keeps of a file beside it begins with `._` (common practice)."""
    return name[0] == "." and name[1:2] != "_" and PurePath(name).suffix.lower() in BY_SUFFIX


def _read(
    folder: Path, files: Sequence[str], progress: Callable[[int], None] | None
) -> Iterator[Frame]:
    """The frames among the files, and the damaged ones, known by their suffix."""
    formats = dict(BY_SUFFIX)
    others: dict[str, str | None] = {}
    count = 0
    names = [file for file in files if not file.lower().endswith(_SIDECAR)]
    read = spread_each(partial(_frame, folder), names)
    for file, (frame, why) in zip(names, read, strict=True):
        if frame is None:
            others[file] = why
            continue
        # A raw file that lost its content is still known by its fellows.
        if frame.format.is_raw:
            formats.setdefault(_suffix(file), frame.format)
        count += 1
        if progress:
            progress(count)
        yield frame
    for file, why in others.items():
        format_ = formats.get(_suffix(file))
        if format_ is not None and why is not None:
            yield Frame(file, folder, damage=why, format=format_)
        elif format_ is not None and (folder / file).is_file():
            yield damaged_frame(folder, file, format_)


def _suffix(file: str) -> str:
    return os.path.splitext(file)[1].lower()  # noqa: PTH122


def _frame(folder: Path, file: str) -> tuple[Frame | None, str | None]:
    """The frame; None where the file isn't one, with the reason where it can't be read."""
    try:
        return recognised_frame(folder, file), None
    except OSError as error:
        path = folder / file
        if os.path.exists(path) and not path.is_file():  # noqa: PTH110
            return None, None  # A pipe, say, or a folder that can't be listed.
        return None, f"can't be read: {error.strerror or error}"


def _with_sidecars(folder: Path, frames: Iterable[Frame], files: Sequence[str]) -> Iterator[Frame]:
    """The frames with the XMP files beside them: NAME.EXT.xmp before NAME.xmp."""
    there = {file.casefold(): file for file in files if file.lower().endswith(_SIDECAR)}
    for frame in frames:
        stem = without_suffix(frame.file)
        names = dict.fromkeys((frame.file + _SIDECAR, stem + _SIDECAR))
        found = (there[name.casefold()] for name in names if name.casefold() in there)
        # A link that leads nowhere has nothing to go with the frame.
        sidecars = tuple(file for file in found if (folder / file).is_file())
        if not sidecars:
            yield frame
            continue
        beside = [lens_data_of_packet(_content(folder / file)) for file in sidecars]
        yield replace(frame, sidecars=sidecars, **lens_fields(*frame.stated, *beside))


def _content(sidecar: Path) -> bytes:
    """Empty where it can't be read, which is said when it is to be merged."""
    try:
        return read_text_file(sidecar)
    except (FileNotFoundError, InputError):
        return b""


def _together(frames: Iterable[Frame]) -> Iterator[Frame]:
    """A picture and a raw file with one stem and one time as one frame."""
    by_stem: dict[str, list[Frame]] = defaultdict(list)
    for frame in frames:
        by_stem[without_suffix(frame.file).casefold()].append(frame)
    for files in by_stem.values():
        files.sort(key=lambda frame: frame.format.rank)
        yield from _pairs(files)


def _pairs(files: Sequence[Frame]) -> Iterator[Frame]:
    first, rest = files[0], files[1:]
    companions = tuple(other for other in rest if _one_frame(first, other))
    yield replace(first, companions=companions) if companions else first
    yield from (other for other in rest if other not in companions)


def _one_frame(picture: Frame, raw: Frame) -> bool:
    """Whether a picture and a raw file were made by one release.

    Never two pictures, or two damaged files, and not at two times or by two bodies.
    """
    if not raw.format.is_raw or picture.format.is_raw or picture.damage or raw.damage:
        return False
    if picture.model and raw.model and picture.model != raw.model:
        return False
    if picture.time is None or raw.time is None:
        return True
    return picture.time.at.replace(microsecond=0) == raw.time.at.replace(microsecond=0)
