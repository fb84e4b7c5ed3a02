"""TIFF-structured files laid out as bytes: TIFF, DNG, raw in disguise, BigTIFF (TIFF 6.0, section
2; TIFF/EP, ISO 12234-2; the DNG specification), and what in a copy of one may differ."""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from support.gear import TAG_NUMBERS
from support.plain_jpeg import exif_rows, rows

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL, IFD = 1, 2, 3, 4, 5, 7, 10, 13
XMP = 0x02BC
_FORMS = {1: "B", 2: "B", 3: "H", 4: "I", 5: "I", 7: "B", 10: "i", 13: "I", 16: "Q", 18: "Q"}


@dataclass(frozen=True)
class Item:
    """An entry to be: `values` are numbers, flat (a rational is two)."""

    tag: int
    type: int
    values: Sequence[int]

    def packed(self, order: str) -> bytes:
        return struct.pack(f"{order}{len(self.values)}{_FORMS[self.type]}", *self.values)

    @property
    def count(self) -> int:
        return len(self.values) // (2 if self.type in (RATIONAL, SRATIONAL) else 1)


@dataclass(frozen=True)
class Ref:
    """An entry that points to chunks by name: directories or blobs."""

    tag: int
    to: tuple[str, ...]
    type: int = LONG


@dataclass(frozen=True)
class Dir:
    """A directory to be; `next` names the one that follows it in the chain."""

    entries: Sequence[Item | Ref]
    next: str | None = None


@dataclass(frozen=True)
class Laid:
    """The file, and where each directory, blob and value out of line lies."""

    data: bytes
    at: Mapping[str, int]


def text(tag: int, value: str) -> Item:
    return Item(tag, ASCII, (*value.encode(), 0))


def lay(
    chunks: Mapping[str, Dir | bytes],
    *,
    order: str = "<",
    magic: int = 42,
    values_first: bool = False,
    gap: int = 0,
    big: bool = False,
) -> Laid:
    """The chunks in the order given; `main` is the first directory. Values out of line follow
    their directory, or stand before it; `gap` bytes of junk lie before each chunk."""
    word, count, room = (8, "Q", 8) if big else (4, "H", 4)
    pointer = "Q" if big else "I"
    out = bytearray(16 if big else 8)
    at: dict[str, int] = {}
    pending: list[tuple[str, Dir]] = []
    for name, chunk in chunks.items():
        out += bytes(0xA5 for _ in range(gap))
        out += bytes(len(out) % 2)
        if isinstance(chunk, bytes):
            at[name] = len(out)
            out += chunk
            continue
        size = struct.calcsize("<" + count) + (20 if big else 12) * len(chunk.entries) + word
        if not values_first:
            at[name] = len(out)
            out += bytes(size)
        for entry in chunk.entries:
            length = _length(entry, order, word)
            if length > room:
                out += bytes(len(out) % 2)
                at[f"{name}/{entry.tag:#06x}"] = len(out)
                out += bytes(length)
        if values_first:
            out += bytes(len(out) % 2)
            at[name] = len(out)
            out += bytes(size)
        pending.append((name, chunk))
    out[:2] = b"II" if order == "<" else b"MM"
    head = struct.pack(order + "HHHQ", 43, 8, 0, at["main"]) if big else struct.pack(
        order + "HI", magic, at["main"]
    )  # fmt: skip
    out[2 : 2 + len(head)] = head
    for name, chunk in pending:
        rows = struct.pack(order + count, len(chunk.entries))
        for entry in chunk.entries:
            data = _bytes(entry, at, order, pointer if big else "I")
            kind = 16 if big and isinstance(entry, Ref) and entry.type == LONG else entry.type
            number = len(entry.to) if isinstance(entry, Ref) else entry.count
            rows += struct.pack(order + "HH" + pointer, entry.tag, kind, number)
            if len(data) > room:
                place = at[f"{name}/{entry.tag:#06x}"]
                out[place : place + len(data)] = data
                rows += struct.pack(order + pointer, place)
            else:
                rows += data.ljust(room, b"\0")
        rows += struct.pack(order + pointer, at[chunk.next] if chunk.next else 0)
        out[at[name] : at[name] + len(rows)] = rows
    return Laid(bytes(out), at)


def _length(entry: Item | Ref, order: str, word: int) -> int:
    return word * len(entry.to) if isinstance(entry, Ref) else len(entry.packed(order))


def _bytes(entry: Item | Ref, at: Mapping[str, int], order: str, pointer: str) -> bytes:
    if isinstance(entry, Item):
        return entry.packed(order)
    return b"".join(struct.pack(order + pointer, at[name]) for name in entry.to)


NOTE_SIZE = 90


def note(order: str, at: int) -> bytes:
    """A MakerNote whose directory's offsets count from the file's start."""
    rows = struct.pack(order + "H", 2)
    rows += struct.pack(order + "HHII", 0x0007, 2, 20, at + 30)
    rows += struct.pack(order + "HHII", 0x0020, 7, 40, at + 50)
    return rows + bytes(4) + b"Kestrin K7 fw 1.04".ljust(20, b"\0") + bytes(range(100, 140))


TAKEN = "2026:05:17 09:13:00"
MAIN = (text(0x010F, "Kestrin"), text(0x0110, "Kestrin K7"), Item(0x0112, SHORT, (1,)))
EXIF = (
    Item(0x829A, RATIONAL, (1, 125)),
    Item(0x829D, RATIONAL, (0, 0)),
    Item(0x8827, SHORT, (200,)),
    text(0x9003, TAKEN),
    Item(0x920A, RATIONAL, (50, 1)),
    text(0xA434, "----"),
)
"""What a body without lens contact writes."""


def plain_raw(
    order: str = "<",
    magic: int = 42,
    *,
    exif: Sequence[Item] | None = EXIF,
    taken: str | None = None,
    values_first: bool = False,
    gap: int = 0,
    mark: bool = True,
) -> Laid:
    """A raw file: a preview in the main directory, raw data in a SubIFD, a second directory in
    the chain, a MakerNote with absolute offsets, pixels between the directories."""
    main: list[Item | Ref] = [Item(0x00FE, LONG, (1,))] if mark else []
    main += [*MAIN, Ref(0x0111, ("preview",)), Item(0x0117, LONG, (300,))]
    main.append(Ref(0x014A, ("raw", "mask")))
    chunks: dict[str, Dir | bytes] = {}
    if exif is not None:
        entries = [text(0x9003, taken) if taken and e.tag == 0x9003 else e for e in exif]
        full = [*entries, Item(0x927C, UNDEFINED, bytes(NOTE_SIZE))]
        main.append(Ref(0x8769, ("exif",)))
        chunks["exif"] = Dir(sorted(full, key=lambda e: e.tag))
    pixels = bytes((7 * n + 3) % 251 for n in range(2048))
    chunks = {
        "main": Dir(main, next="second"),
        "preview": pixels[:300],
        **chunks,
        "raw": Dir(_raw_entries("pixels", 32, 32), next=None),
        "pixels": pixels,
        "mask": Dir([Item(0x00FE, LONG, (4,)), Item(0x0100, SHORT, (1,))]),
        "second": Dir([text(0x0131, "fw 1.04"), Item(0x011A, RATIONAL, (300, 1))]),
    }
    laid = lay(chunks, order=order, magic=magic, values_first=values_first, gap=gap)
    if exif is None:
        return laid
    at = laid.at["exif/0x927c"]
    data = laid.data[:at] + note(order, at) + laid.data[at + NOTE_SIZE :]
    return Laid(data, laid.at)


def marked_raw(order: str = "<") -> Laid:
    """A raw file with the maker's own directory, led to by a mark behind the header (as seen): one
    row of four bytes, one whose data, the picture's, end with the file."""
    pixels = bytes(range(250)) * 2

    def with_own(own: int) -> Laid:
        mark = b"IIII" if order == "<" else b"MMMM"
        head = mark + struct.pack(order + "2I", 0x52617701, own - 8)
        rows = struct.pack(order + "10I", 2, 0, 0x0107, 1, 4, 0, 0x010F, 1, len(pixels), own + 32)
        main = Dir([*MAIN, Ref(0x8769, ("exif",))])
        chunks: dict[str, Dir | bytes] = {
            "mark": head,
            "main": main,
            "exif": Dir(EXIF),
            "own": rows + pixels,
        }
        return lay(chunks, order=order)

    return with_own(with_own(8).at["own"])


def _raw_entries(pixels: str, width: int, height: int) -> list[Item | Ref]:
    return [
        Item(0x00FE, LONG, (0,)),
        Item(0x0100, SHORT, (width,)),
        Item(0x0101, SHORT, (height,)),
        Item(0x0102, SHORT, (16,)),
        Item(0x0103, SHORT, (1,)),
        Item(0x0106, SHORT, (32803,)),
        Ref(0x0111, (pixels,)),
        Item(0x0115, SHORT, (1,)),
        Item(0x0116, SHORT, (height,)),
        Item(0x0117, LONG, (2 * width * height,)),
        Item(0x828D, SHORT, (2, 2)),
        Item(0x828E, BYTE, (0, 1, 1, 2)),
    ]


def bayer_dng(order: str = "<", *, exif: bool = True, sub: bool = False) -> Laid:
    """An uncompressed Bayer DNG, its raw data in the main directory or in a SubIFD (DNG
    specification, chapters 2 and 4)."""
    width, height = 64, 48
    levels = [(613 * n + n * n) % 16_000 for n in range(width * height)]
    dng: list[Item | Ref] = [
        text(0x010F, "Kestrin"),
        text(0x0110, "Kestrin K7"),
        Item(0x0112, SHORT, (1,)),
        Item(0xC612, BYTE, (1, 4, 0, 0)),
        Item(0xC613, BYTE, (1, 1, 0, 0)),
        text(0xC614, "Kestrin K7"),
        Item(0xC621, SRATIONAL, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1)),
        Item(0xC628, RATIONAL, (1, 2, 1, 1, 2, 3)),
        Item(0xC65A, SHORT, (21,)),
    ]
    raw = _raw_entries("pixels", width, height)
    raw.append(Item(0xC61D, LONG, (16_000,)))
    if sub:
        dng += [Item(0x00FE, LONG, (1,)), Ref(0x014A, ("raw",))]
    else:
        dng += raw
    if exif:
        dng.append(Ref(0x8769, ("exif",)))
    chunks: dict[str, Dir | bytes] = {"main": Dir(sorted(dng, key=lambda e: e.tag))}
    if exif:
        chunks["exif"] = Dir(EXIF)
    if sub:
        chunks["raw"] = Dir(raw)
    chunks["pixels"] = struct.pack(f"{order}{len(levels)}H", *levels)
    return lay(chunks, order=order)


def big_tiff(order: str = "<") -> Laid:
    """A BigTIFF with the Exif directory of a body (the layout as libtiff's documentation has
    it)."""
    named = [e for e in EXIF if e.tag not in (0x829D, 0xA434)]
    exif = [*named, Item(0x829D, RATIONAL, (28, 10)), text(0xA434, "Brask Tele 135mm f/3.5")]
    chunks: dict[str, Dir | bytes] = {
        "main": Dir([*MAIN, Ref(0x8769, ("exif",))]),
        "exif": Dir(sorted(exif, key=lambda e: e.tag)),
    }
    return lay(chunks, order=order, big=True)


DNG_LENS_INFO = 0xC630
"""The specification of the lens in a DNG file's main directory (DNG specification)."""


def may_differ(data: bytes) -> set[int]:
    """The offsets at which a filled copy may differ from this file: our tags' entries and values,
    the pointer to the Exif directory (the header's pointer where there is none), an XMP packet
    that states one of our values, by its name."""
    pointer, entries = exif_rows(data)
    if pointer is None:
        return {4, 5, 6, 7}
    free = set(range(pointer.value_at, pointer.value_end))
    order = "<" if data[:2] == b"II" else ">"
    for row in rows(data, struct.unpack_from(order + "I", data, 4)[0]):
        packet = data[row.value_at : row.value_end]
        if row.tag == XMP and any(name.encode() in packet for name in TAG_NUMBERS.values()):
            free |= {*range(row.at, row.at + 12), *range(row.value_at, row.value_end)}
        if row.tag in {*TAG_NUMBERS, DNG_LENS_INFO}:
            free |= {*range(row.at, row.at + 12), *range(row.value_at, row.value_end)}
    for row in entries:
        if row.tag in TAG_NUMBERS:
            free |= {*range(row.at, row.at + 12), *range(row.value_at, row.value_end)}
    return free


def moved(before: bytes, after: bytes) -> list[int]:
    """The offsets that differ and may not; nothing but the end may be added."""
    assert len(after) >= len(before)
    free = may_differ(before)
    return [n for n, (a, b) in enumerate(zip(before, after, strict=False)) if a != b
            and n not in free]  # fmt: skip
