"""Files with random damage, and what becomes of each: the damage is in heads and tables, where it
tells. Seeded, so that a mutant can be had again by its number."""

from __future__ import annotations

import io
import os
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Literal

from flangeback.copies.edit import Edit, edit_for
from flangeback.copies.faults import ProofError
from flangeback.copies.plan import CopyMethod, FillOptions, plan_frame
from flangeback.copies.write import write_file
from flangeback.formats import Damaged, Refused
from flangeback.formats.tiff import RawTiff
from flangeback.frames import Frame
from flangeback.frames.reading import damaged_frame, recognised_frame
from flangeback.raw_mode import RawMode
from support.camera_files import frame_bytes
from support.chunk_files import made_up_chunks
from support.gear import filled
from support.heif_files import Shape, heif
from support.other_raws import EVERY
from support.raw_files import bayer_dng, big_tiff, plain_raw
from support.second_readers import harm

HEAD = 4096
"""Bytes from a file's start in which most of the damage lies."""
EVIL = (0, 1, 2, 4, 7, 8, 0x10, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 0x7FFF_FFFF, 0xFFFF_FFFF)


def made_up() -> Mapping[str, bytes]:
    """A file of every structure, by its name."""
    packet = b"<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF "
    packet += b"xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'><rdf:Description "
    packet += (
        b"xmlns:exif='http://ns.adobe.com/exif/1.0/' exif:FNumber='4/1'/></rdf:RDF></x:xmpmeta>"
    )
    jpeg = frame_bytes({0x9003: b"2026:05:17 09:13:00", 0x927C: bytes(range(90))})
    name = b"http://ns.adobe.com/xap/1.0/\0"
    segment = b"\xff\xe1" + (len(name + packet) + 2).to_bytes(2, "big") + name + packet
    block = plain_raw(mark=False).data
    return {
        "JPEG": jpeg,
        "JPEG with XMP": jpeg[:2] + segment + jpeg[2:],
        "raw": plain_raw().data,
        "raw big-endian": plain_raw(">", values_first=True).data,
        "raw in disguise": plain_raw(magic=0x4F52).data,
        "raw without Exif": plain_raw(exif=None).data,
        "DNG": bayer_dng(sub=True).data,
        "BigTIFF": big_tiff().data,
        "TIFF": plain_raw(mark=False).data,
        "HEIF": heif(block),
        "HEIF, item data": heif(block, Shape(version=2, method=1, base=4)),
        **made_up_chunks(),
        **{f"raw in {name}": data for name, data in EVERY.items()},
        "AVIF": heif(block, Shape(brand=b"avif", offset=8, wide=True)),
    }


def mutated(data: bytes, random: Random) -> bytes:
    """One to six changes: flipped bits, cuts, insertions, swapped and evil numbers."""
    out = bytearray(data)
    for _ in range(random.choice((1, 1, 1, 2, 3, 6))):
        end = min(HEAD if random.random() < 0.9 else len(out), len(out))
        if end < 4:
            break
        at = random.randrange(end)
        if random.random() < 0.04:
            del out[at:]
        random.choice(_CHANGES)(out, at, end, random)
    return bytes(out)


def _flip(out: bytearray, at: int, end: int, random: Random) -> None:
    out[at : at + 1] = bytes([random.randrange(256)])


def _evil(out: bytearray, at: int, end: int, random: Random) -> None:
    width, order = random.choice((1, 2, 4)), random.choice(_ORDERS)
    out[at : at + width] = (random.choice(EVIL) & ((1 << 8 * width) - 1)).to_bytes(width, order)


def _swap(out: bytearray, at: int, end: int, random: Random) -> None:
    size, other = random.choice((1, 2, 4, 8, 12)), random.randrange(end)
    here, there = bytes(out[at : at + size]), bytes(out[other : other + size])
    out[other : other + size], out[at : at + size] = here, there


def _insert(out: bytearray, at: int, end: int, random: Random) -> None:
    out[at:at] = random.randbytes(random.choice((1, 2, 4, 12, 100)))


def _remove(out: bytearray, at: int, end: int, random: Random) -> None:
    del out[at : at + random.choice((1, 2, 4, 12, 100))]


def _offset(out: bytearray, at: int, end: int, random: Random) -> None:
    number = random.randrange(len(out) + 64)
    out[at & ~1 : (at & ~1) + 4] = number.to_bytes(4, random.choice(_ORDERS))


_ORDERS: tuple[Literal["big", "little"], ...] = ("big", "little")
_CHANGES = (_flip, _flip, _evil, _evil, _swap, _offset, _offset, _insert, _remove)


@dataclass(frozen=True)
class Fate:
    """What a mutant came to: its structure, `clean`, `beside` (a sidecar takes the values),
    `refused`, `damaged`, `unproved` (noticed, and the copy removed), `harmed` (not noticed, but by
    a second reader) or `error`, with the reason and the seconds it took."""

    source: str
    number: int
    kind: str
    end: str
    why: str
    seconds: float


def mutants(
    sources: Mapping[str, bytes], numbers: Sequence[int], seed: int
) -> Iterator[tuple[str, int, bytes]]:
    by_group: dict[str, list[str]] = {}
    for name in sorted(sources):
        by_group.setdefault(group_of(name), []).append(name)
    for number in numbers:
        random = Random(f"{seed}/{number}")
        name = random.choice(random.choice(list(by_group.values())))
        yield name, number, mutated(sources[name], random)


def group_of(name: str) -> str:
    """Real files of one suffix are one group."""
    return " ".join(name.split()[:2]) if name.startswith("real ") else name


def fate(
    folder: Path, name: str, number: int, data: bytes, *, proved: bool, held: bool = False
) -> Fate:
    """Takes a mutant through reading and drafting, and through writing and proof if asked.

    `held` has a copy held against the mutant by second readers.
    """
    path = folder / "K7_0001.DNG"
    path.write_bytes(data)
    start = time.process_time()
    kind = "none"
    try:
        frame = recognised_frame(folder, path.name)
        frame = frame or damaged_frame(folder, path.name, RawTiff)
        kind = frame.format.code
        if frame.damage is not None:
            end, why = "damaged", frame.damage
        else:
            end, why = _taken_through(folder, frame, proved, number)
    except Exception as error:  # Whatever it is, it is what is looked for.
        end, why = "error", repr(error)
    seconds = time.process_time() - start
    copy = folder / "out" / path.name
    if held and end == "clean" and copy.is_file() and copy.read_bytes() != data:
        found = list(harm(path, copy, kind, by_commands=False))
        end, why = ("harmed", "; ".join(found)) if found else (end, why)
    copy.unlink(missing_ok=True)
    return Fate(name, number, kind, end, why, seconds)


def _taken_through(folder: Path, frame: Frame, proved: bool, number: int) -> tuple[str, str]:
    options = FillOptions(RawMode.EMBED, xmp=number % 3 == 0)
    end, why = "clean", ""
    for plan in plan_frame(filled(frame), folder, options):
        try:
            edit = edit_for(plan, options)
        except (Refused, Damaged) as reason:
            edit, end, why = Edit(), "refused", str(reason)
            if plan.source is None:
                continue
        if plan.method == CopyMethod.SIDECAR and end == "clean":
            end, why = "beside", plan.remark or ""
        if not proved:
            continue
        target = folder / "out" / plan.copy
        target.unlink(missing_ok=True)
        try:
            write_file(plan, edit, folder / "out")
        except Damaged as reason:
            end, why = "refused", str(reason)
            write_file(plan, Edit(), folder / "out")
        except ProofError as failure:
            assert not target.exists()
            end, why = "unproved", str(failure)
    return end, why


def fates(
    sources: Mapping[str, bytes],
    numbers: Sequence[int],
    seed: int,
    every: int = 1,
    *,
    held: bool = False,
) -> Iterator[Fate]:
    """What each mutant came to; every so many of them are written and proved."""
    with tempfile.TemporaryDirectory(dir=_memory()) as place:
        folder = Path(place)
        (folder / "out").mkdir()
        for name, number, data in mutants(sources, numbers, seed):
            proved = number // 2 % every == 0
            yield fate(folder, name, number, data, proved=proved, held=held)


def _memory() -> str | None:
    """A file system in memory, where there is one: thousands of files are synced."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


def table(found: Sequence[Fate]) -> str:
    """Structure by structure: how many, and what they came to."""
    ends = ("clean", "beside", "refused", "damaged", "unproved", "harmed", "error")
    out = io.StringIO()
    print(f"{'':30}{'files':>8}" + "".join(f"{end:>10}" for end in ends), file=out)
    for source in sorted({group_of(one.source) for one in found}):
        rows = [one for one in found if group_of(one.source) == source]
        counts = "".join(f"{sum(r.end == end for r in rows):>10}" for end in ends)
        print(f"{source:30}{len(rows):>8}{counts}", file=out)
    counts = "".join(f"{sum(r.end == end for r in found):>10}" for end in ends)
    print(f"{'all':30}{len(found):>8}{counts}", file=out)
    return out.getvalue()
