"""What readers that no code here relies on find in a source and in its copy, held side by side.

ExifRead, the Exiv2 library, Pillow, pillow-heif, rawpy, and the commands of
[support.reader_commands], as far as they are there: an absent one says nothing.
"""

from __future__ import annotations

import hashlib
import io
import signal
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from flangeback.copies.proof_files import locate
from flangeback.copies.prove import read_exif
from flangeback.formats import Damaged
from support.gear import IN_EXIF
from support.reader_commands import Reader, Seen, commands_for, unlike
from support.readers import by_exifread, by_exiv2, is_standard, pixels

WRITTEN = {*IN_EXIF, "Lens", "LensInfo"}
"""What the values are called in Exif and XMP (CIPA DC-008 and DC-010); LensInfo is DNG's too."""
OF_A_LENS = ("LensID", "LensDistortInfo", "LensProfile", "LensManufacturer", "CameraProfiles")
"""Properties of XMP that go with another lens."""
POINTERS = (
    "ExifTag",
    "ExifOffset",
    "EXIFIFDOffset",
    "Tag 0x8769",
    "Tag 0xC630",
    "0xa405",
    "MetadataDate",
)
PACKETS = ("XMLPacket", "ApplicationNotes")
"""The XMP packet's bytes in a TIFF; what it says is compared property by property."""
FOLLOWING = ("PreviewImageStart", "PreviewImageInfo", "MakerNote")
"""The place of a preview behind the block, which has to follow when that grows (the proof finds the
preview at the new place)."""
_MANDATORY = {
    *("XResolution", "YResolution", "ResolutionUnit", "YCbCrPositioning", "ExifVersion"),
    *("ComponentsConfiguration", "FlashPixVersion", "FlashpixVersion", "ColorSpace"),
    *("ExifImageWidth", "ExifImageLength", "PixelXDimension", "PixelYDimension"),
}
"""What a block that is made new has (CIPA DC-008, 4.6.8), by the readers' names."""


def _exif(data: bytes, path: Path) -> Seen:
    return {name: found for name, found in by_exifread(data).items() if is_standard(name)}


def _exiv2(data: bytes, path: Path) -> Seen:
    import pyexiv2

    seen = dict(by_exiv2(data))
    try:
        with pyexiv2.ImageData(data) as image:
            seen |= image.read_xmp() | image.read_iptc()
            seen["ICC"] = image.read_icc() or b""
    except RuntimeError:
        pass
    return seen


def _pillow(data: bytes, path: Path) -> Seen:
    found = pixels(data)
    return {} if found is None else {"pixels": hashlib.sha256(found).hexdigest()}


def _heif(data: bytes, path: Path) -> Seen:
    import pillow_heif

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
            plane = hashlib.sha256(bytes(image.data)).hexdigest()
            return {"pixels": plane, "has Exif": bool(image.info.get("exif"))}
    except (ValueError, RuntimeError, SyntaxError, EOFError, OSError):
        return {}


def _raw(data: bytes, path: Path) -> Seen:
    import rawpy

    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            return {"raw": hashlib.sha256(raw.raw_image.tobytes()).hexdigest()}
    except (rawpy.LibRawError, ValueError):
        return {}


_LIBRARIES: Mapping[str, Reader] = {"ExifRead": _exif, "Exiv2": _exiv2, "Pillow": _pillow}
_LIBRARIES_BY_KIND: Mapping[str, Mapping[str, Reader]] = {
    "heif": {"pillow-heif": _heif},
    "raw-tiff": {"rawpy": _raw},
}


def harm(source: Path, copy: Path, kind: str, *, by_commands: bool = True) -> Iterator[str]:
    """In words, each thing that a reader finds otherwise in the copy and that no value says."""
    before, after = source.read_bytes(), copy.read_bytes()
    readers = {**_LIBRARIES, **_LIBRARIES_BY_KIND.get(kind, {})}
    if by_commands:
        readers |= commands_for(kind)
        yield from unlike(source, copy, kind)
    beyond, was_text = _beyond(source, kind), _is_directory_a_text(before)
    for name, read in readers.items():
        old, new = _quietly(read, before, source), _quietly(read, after, copy)
        had_block = any(tag.startswith(("EXIF ", "Exif.", "Image ")) for tag in old)
        for tag in sorted(old.keys() | new.keys()):
            if was_text and tag not in old:
                continue
            if tag in _DECODED:
                # What couldn't be decoded may be by now: a wrong checksum is right.
                is_harm = tag in old and old[tag] != new.get(tag)
            else:
                is_harm = (old.get(tag) or None) != (new.get(tag) or None)
                is_harm &= _last(tag) not in beyond and not _may_change(tag, had_block=had_block)
                # Of a mangled MakerNote or list of directories readers make what they will.
                is_ours = is_standard(tag) and "SubIFD" not in tag
                is_harm &= by_commands or is_ours or tag.startswith(("Xmp.", "Iptc."))
            if is_harm:
                yield f"{name}: {tag}: {str(old.get(tag))[:60]} -> {str(new.get(tag))[:60]}"


def _is_directory_a_text(data: bytes) -> bool:
    """Whether the Exif directory is kept as a text, in which strict readers find nothing."""
    return not by_exiv2(data).get("Exif.Image.ExifTag", "0").isdigit()


_DECODED = ("pixels", "raw")


LONGEST = 3.0
"""Seconds of CPU: readers go through billions of values where a count says so."""


def _quietly(read: Reader, data: bytes, path: Path) -> Seen:
    try:
        with _in_time():
            return read(data, path)
    except Exception:  # A reader that fails on a damaged file raises almost anything.
        return {}


@contextmanager
def _in_time() -> Iterator[None]:
    """Stops what takes longer, where the system has such a timer."""
    if not hasattr(signal, "setitimer"):
        yield
        return
    signal.signal(signal.SIGPROF, _stop)
    signal.setitimer(signal.ITIMER_PROF, LONGEST)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)


def _stop(*_: object) -> None:
    raise TimeoutError


def _beyond(source: Path, kind: str) -> set[str]:
    """The tags whose values run past the end of the Exif block: other bytes than the file's own."""
    try:
        with source.open("rb") as file:
            found = read_exif(locate(kind, file)).overrunning
    except Damaged:
        return set()
    return {_last(tag) for tag in found}


def _last(tag: str) -> str:
    words = tag.replace(".", " ").split("/")[-1].split(":")[-1].split("[")[0].split()
    return words[-1] if words else ""


def _may_change(tag: str, *, had_block: bool) -> bool:
    last = _last(tag)
    if last in WRITTEN or tag.endswith((*POINTERS, *PACKETS, *FOLLOWING)):
        return True
    if any(one in tag for one in OF_A_LENS):
        return True
    return last in _MANDATORY and not had_block
