"""Exif blocks laid out as bytes, in ways that bodies do and in ways they might (TIFF 6.0, section
2; CIPA DC-008, 4.6), with a map of what lies where."""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from random import Random

from hypothesis import strategies as st

from support.gear import TAG_NUMBERS
from support.plain_jpeg import SIZES

GREATEST = 65_535 - 2 - 6
"""Bytes of a block in a segment: its length has 16 bits and counts itself, then Exif's name."""

MAIN, EXIF, GPS, THUMBNAIL = "main", "exif", "gps", "thumbnail"
NOTE = 0x927C
_POINTERS = {EXIF: 0x8769, GPS: 0x8825}

Span = tuple[int, int]


@dataclass(frozen=True)
class Field:
    """An entry to be: its value's bytes, and the key by which two entries share one value."""

    tag: int
    type: int
    count: int
    data: bytes
    share: str | None = None


@dataclass(frozen=True)
class Plan:
    """A block to be: directories, the order in which chunks follow each other, what lies between.

    `gaps` are (length, is junk) before each chunk; `tail` is what follows the last.
    """

    order: str
    directories: Mapping[str, Sequence[Field]]
    shuffle: int
    gaps: Sequence[tuple[int, bool]]
    tail: tuple[int, bool]


@dataclass(frozen=True)
class Laid:
    """A block as bytes; `chunks` says where each directory and value lies, `zeros` where gaps of
    zeros do."""

    block: bytes
    chunks: Mapping[object, Span]
    zeros: Sequence[Span]
    plan: Plan

    @property
    def exif(self) -> Sequence[Field] | None:
        return self.plan.directories.get(EXIF)

    @property
    def note(self) -> Span | None:
        return self.chunks.get((EXIF, NOTE))


def lay_out(plan: Plan) -> Laid:
    sizes = _sizes(plan)
    keys = list(sizes)
    Random(plan.shuffle).shuffle(keys)
    junk = Random(plan.shuffle + 1)
    block, chunks, zeros = bytearray(8), dict[object, Span](), list[Span]()
    for n, key in enumerate(keys):
        length, is_junk = plan.gaps[n % len(plan.gaps)] if plan.gaps else (0, False)
        _gap(block, zeros, length + (len(block) + length) % 2, junk if is_junk else None)
        chunks[key] = (len(block), len(block) + sizes[key])
        block += bytes(sizes[key])
    length, is_junk = plan.tail
    _gap(block, zeros, min(length, max(0, GREATEST - len(block))), junk if is_junk else None)
    _write(block, plan, chunks)
    return Laid(bytes(block), chunks, zeros, plan)


def _sizes(plan: Plan) -> dict[object, int]:
    """Every chunk's key and length: directories by name, values by directory and tag."""
    sizes: dict[object, int] = {}
    for name, fields in plan.directories.items():
        sizes[name] = 2 + 12 * _entries(plan, name) + 4
        for field in fields:
            if len(field.data) > 4:
                sizes[_key(name, field)] = len(field.data)
    return sizes


def _entries(plan: Plan, name: str) -> int:
    pointers = [below for below in _POINTERS if below in plan.directories]
    return len(plan.directories[name]) + (len(pointers) if name == MAIN else 0)


def _key(name: str, field: Field) -> object:
    return field.share or (name, field.tag)


def _gap(block: bytearray, zeros: list[Span], length: int, junk: Random | None) -> None:
    if junk is None:
        zeros.append((len(block), len(block) + length))
        block += bytes(length)
    else:
        block += junk.randbytes(length).replace(b"\0", b"\1")


def _write(block: bytearray, plan: Plan, chunks: Mapping[object, Span]) -> None:
    order = plan.order
    mark = b"II" if order == "<" else b"MM"
    block[:8] = mark + struct.pack(order + "HI", 42, chunks[MAIN][0])
    for name, fields in plan.directories.items():
        rows = {field.tag: _row(block, order, chunks.get(_key(name, field)), field, plan)
                for field in fields}  # fmt: skip
        if name == MAIN:
            for below, tag in _POINTERS.items():
                if below in chunks:
                    rows[tag] = struct.pack(order + "HHII", tag, 4, 1, chunks[below][0])
        following = chunks[THUMBNAIL][0] if name == MAIN and THUMBNAIL in chunks else 0
        start, end = chunks[name]
        block[start:end] = (
            struct.pack(order + "H", len(rows))
            + b"".join(rows[tag] for tag in sorted(rows))
            + struct.pack(order + "I", following)
        )


def _row(block: bytearray, order: str, span: Span | None, field: Field, plan: Plan) -> bytes:
    head = struct.pack(order + "HHI", field.tag, field.type, field.count)
    if span is None:
        return head + field.data.ljust(4, b"\0")
    data = note_bytes(span[0], order, len(field.data)) if field.tag == NOTE else field.data
    block[span[0] : span[1]] = data
    return head + struct.pack(order + "I", span[0])


def note_bytes(at: int, order: str, size: int) -> bytes:
    """A MakerNote of 60 bytes or more: two values behind a directory, its offsets counting from
    the block's start."""
    text = b"Kestrin K7 fw 1.04".ljust(20, b"\0")
    head = struct.pack(order + "H", 2)
    head += struct.pack(order + "HHII", 0x0007, 2, 20, at + 30)
    head += struct.pack(order + "HHII", 0x0020, 7, size - 50, at + 50)
    body = head + bytes(4) + text
    return body + bytes((7 * n) % 251 for n in range(size - len(body)))


def _field(tag: int, kind: int, count: int, seed: int) -> Field:
    size = SIZES[kind] * count
    if kind == 2:
        text = bytes(Random(seed).randrange(33, 127) for _ in range(count - 1)) + b"\0"
        return Field(tag, kind, count, text)
    return Field(tag, kind, count, Random(seed).randbytes(size))


def _known(tag: int, kind: int, count: int) -> st.SearchStrategy[Field]:
    return st.builds(_field, st.just(tag), st.just(kind), st.just(count), st.integers(0, 9999))


def _private(first: int) -> st.SearchStrategy[Field]:
    """Tags that the standard doesn't know, of every type."""
    tags = st.integers(first, first + 40)
    return st.builds(
        _field, tags, st.sampled_from(sorted(SIZES)), st.integers(1, 40), st.integers(0, 9999)
    )


_ORDINARY: Mapping[str, Sequence[st.SearchStrategy[Field]]] = {
    MAIN: [
        _known(0x010F, 2, 8),
        _known(0x0110, 2, 11),
        st.just(Field(0x0112, 3, 1, b"\0\0")),
        _known(0x011A, 5, 1),
        _known(0x0132, 2, 20),
        _private(0xC800),
    ],
    EXIF: [
        _known(0x829A, 5, 1),
        _known(0x8827, 3, 1),
        _known(0x9003, 2, 20),
        _known(0x9286, 7, 30),
        _known(0xA431, 2, 9),
        _private(0xD000),
    ],
    GPS: [_known(0x0000, 1, 4), _known(0x0001, 2, 2), _known(0x0002, 5, 3)],
    THUMBNAIL: [_known(0x0103, 3, 1), _known(0x011A, 5, 1), _private(0xC900)],
}

_OURS = st.sampled_from(sorted(TAG_NUMBERS)).flatmap(
    lambda tag: st.one_of(
        _known(tag, _type_of(tag), 4 if tag == 0xA432 else 1),
        st.builds(_field, st.just(tag), st.just(2), st.integers(1, 40), st.integers(0, 99)),
    )
)
"""Entries that a fill writes over: of their own type, and as text of any length."""


def _type_of(tag: int) -> int:
    return 3 if tag == 0xA405 else 2 if tag > 0xA432 else 5


def _unique(fields: Sequence[Field]) -> list[Field]:
    return list({field.tag: field for field in fields}.values())


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    directories: dict[str, Sequence[Field]] = {}
    for name, kinds in _ORDINARY.items():
        if name == MAIN or draw(st.booleans()) or (name == EXIF and draw(st.booleans())):
            directories[name] = _unique(draw(st.lists(st.one_of(kinds), min_size=1, max_size=9)))
    if EXIF in directories:
        more = draw(st.lists(_OURS, max_size=5))
        if draw(st.booleans()):
            size = draw(st.integers(60, 600))
            more = [*more, Field(NOTE, 7, size, bytes(size))]
        directories[EXIF] = _unique([*directories[EXIF], *more])
        if draw(st.booleans()):
            directories[EXIF] = _sharing(directories[EXIF])
    gap = st.tuples(st.one_of(st.just(0), st.integers(0, 60), st.integers(60, 900)), st.booleans())
    tail = st.one_of(st.just(0), st.integers(0, 2000), st.integers(60_000, GREATEST))
    return Plan(
        draw(st.sampled_from("<>")),
        directories,
        draw(st.integers(0, 9999)),
        draw(st.lists(gap, max_size=5)),
        (draw(tail), draw(st.booleans())),
    )


def _sharing(fields: Sequence[Field]) -> list[Field]:
    """Rationals of one length share their bytes, as some writers let them."""
    first = next((f for f in fields if f.type == 5 and f.count == 1), None)
    if first is None:
        return list(fields)
    return [
        Field(f.tag, f.type, f.count, first.data, "shared") if f.type == 5 and f.count == 1 else f
        for f in fields
    ]


def blocks() -> st.SearchStrategy[Laid]:
    """Sound Exif blocks of every layout, thumbnail data left aside."""
    return plans().map(lay_out)
