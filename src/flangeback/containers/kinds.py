"""What a file is, by its content."""

from __future__ import annotations

from enum import StrEnum

from flangeback.containers.file import FileHead
from flangeback.containers.heif import exif_item
from flangeback.containers.jpeg import START, exif_block, read_head
from flangeback.containers.tiff import BIG_MAGIC, MAGIC, SUB_DIRECTORIES, Block, Damaged, Directory


class FileKind(StrEnum):
    """The structures that frames come in."""

    JPEG = "JPEG"
    TIFF = "TIFF"
    RAW = "TIFF-structured raw"
    BIG_TIFF = "BigTIFF"
    HEIF = "HEIF"
    OTHER_RAW = "raw of a structure that isn't edited"

    @property
    def is_raw(self) -> bool:
        return self in (FileKind.RAW, FileKind.OTHER_RAW)


_DISGUISES = frozenset([MAGIC, 0x55, 0x4F52, 0x5352])
"""Numbers that raw files built like TIFF carry in the place of its 42 (common practice, from
memory)."""

_STILL_BRANDS = frozenset(
    [b"heic", b"heix", b"heim", b"heis", b"hevc", b"mif1", b"msf1", b"avif", b"avis"]
)
"""Brands of still pictures in the ISO base media file format (ISO/IEC 23008-12, annex B; AV1 Image
File Format, section 6)."""

_OTHER_RAW_MARKS = (
    (6, b"HEAPCCDR"),
    (8, b"CCD-RAW"),
    (0, b"FOVb"),
    (0, b"\0MRM"),
    (4, b"ftypcrx "),
)
"""Where and by what other raw structures are known (common practice, from memory)."""

_DNG_VERSION, _SUBFILE_TYPE, _PHOTOMETRIC = 0xC612, 0x00FE, 0x0106
_COLOUR_FILTER_ARRAY, _LINEAR_RAW = 32803, 34892
"""PhotometricInterpretation of raw data (TIFF/EP, ISO 12234-2; DNG specification)."""


def kind_of(file: FileHead) -> FileKind | None:
    """The structure of a file, None for one that isn't a frame's."""
    head = file.read(0, 16)
    if head.startswith(START):
        return FileKind.JPEG
    if any(head[at : at + len(mark)] == mark for at, mark in _OTHER_RAW_MARKS):
        return FileKind.OTHER_RAW
    if head[4:8] == b"ftyp" and _brands(file) & _STILL_BRANDS:
        return FileKind.HEIF
    if head[:2] in (b"II", b"MM"):
        return _tiff_kind(file)
    return None


def block_of(file: FileHead, kind: FileKind) -> Block | None:
    """The TIFF block that holds a file's Exif data; None without one. Raises Damaged."""
    if kind == FileKind.JPEG:
        found = exif_block(file, read_head(file))
        return None if found is None else found.block
    if kind == FileKind.HEIF:
        item = exif_item(file)
        return None if item is None else item.block
    return None if kind == FileKind.OTHER_RAW else Block(file)


def _brands(file: FileHead) -> set[bytes]:
    """The major and compatible brands of an ISO base media file."""
    size = int.from_bytes(file.read(0, 4), "big")
    box = file.read(8, min(size, 512))
    return {box[at : at + 4] for at in (0, *range(8, len(box) - 3, 4))}


def _tiff_kind(file: FileHead) -> FileKind | None:
    block = Block(file) if file.size >= 16 else None
    if block is None or block.magic not in _DISGUISES | {BIG_MAGIC}:
        return None
    if block.is_big:
        return FileKind.BIG_TIFF
    if block.magic != MAGIC:
        return FileKind.RAW
    try:
        return FileKind.RAW if _holds_raw(block) else FileKind.TIFF
    except Damaged:
        return FileKind.RAW  # Nobody can tell: what isn't plainly a picture isn't written into.


def _holds_raw(block: Block) -> bool:
    """Whether a TIFF holds raw data: it says so, or its main picture is only a preview."""
    main = block.main()
    if main.find(_DNG_VERSION) is not None:
        return True
    subfile = block.number(main.find(_SUBFILE_TYPE))
    if subfile is not None and int(subfile) & 1:
        return True
    at = [int(value) for value in block.numbers(main.find(SUB_DIRECTORIES))[:8] if value]
    return any(_is_raw_picture(block, found) for found in (main, *map(block.directory, at)))


def _is_raw_picture(block: Block, directory: Directory) -> bool:
    kind = block.number(directory.find(_PHOTOMETRIC))
    return kind in (_COLOUR_FILTER_ARRAY, _LINEAR_RAW)
