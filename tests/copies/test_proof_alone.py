"""The proof shares nothing with the writer: whatever the writer gets wrong, in any container and in
XMP, the proof sees.

Each fault is put into the writer's own functions and tables, so that a proof that went by them
would find all in order.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from flangeback.copies import Filled, FillOptions, fill
from flangeback.formats import FrameFile
from flangeback.formats import xmp as packets
from flangeback.frames import scan
from flangeback.match import Matches
from flangeback.raw_mode import RawMode
from flangeback.tags import Tag, TagValue
from support.folders import litter
from support.gear import filled
from support.heif_files import heif
from support.plain_jpeg import APP1, XMP, picture, segment, small_block, with_block, with_segments
from support.raw_files import bayer_dng, plain_raw

STATES_ALL = packets.new_packet(
    [
        TagValue(Tag.F_NUMBER, ((4, 1),)),
        TagValue(Tag.FOCAL_LENGTH, ((50, 1),)),
        TagValue(Tag.LENS_MODEL, "Another"),
    ]
)
FILES = {
    "JPEG": ("K7_0001.JPG", with_block(small_block())),
    "JPEG without Exif": ("K7_0001.JPG", picture()),
    "TIFF": ("K7_0001.TIF", plain_raw(mark=False).data),
    "raw": ("K7_0001.DNG", bayer_dng(sub=True).data),
    "raw big-endian": ("K7_0001.NEF", plain_raw(">", values_first=True).data),
    "HEIF": ("K7_0001.HIF", heif(plain_raw(mark=False).data)),
}
TAGS = [
    Tag.F_NUMBER,
    Tag.APERTURE_VALUE,
    Tag.MAX_APERTURE_VALUE,
    Tag.FOCAL_LENGTH,
    Tag.FOCAL_LENGTH_35MM,
    Tag.LENS_SPECIFICATION,
    Tag.LENS_MAKE,
    Tag.LENS_MODEL,
    Tag.LENS_SERIAL_NUMBER,
]


def run(tmp_path: Path, name: str, data: bytes, **more: Any) -> Filled:
    frames = tmp_path / "frames"
    frames.mkdir(exist_ok=True)
    (frames / name).write_bytes(data)
    matches = Matches(tuple(filled(frame) for frame in scan(frames)))
    return fill(matches, frames, tmp_path / "out", FillOptions(**more))


def assert_seen(found: Filled, tmp_path: Path) -> None:
    (failed,) = found.failed
    assert failed.failure
    assert not failed.verified
    assert not litter(tmp_path / "out")


def changed(value: TagValue) -> TagValue:
    """Another value of the same tag."""
    if isinstance(value.value, str):
        return replace(value, value=value.value[:-1] + "#", whole=None)
    if isinstance(value.value, int):
        return replace(value, value=value.value + 1)
    (top, below), *others = value.value
    return replace(value, value=((top + 1, below), *others))


Fault = Callable[[TagValue, Tag], Iterator[TagValue]]


def wrong(value: TagValue, tag: Tag) -> Iterator[TagValue]:
    yield changed(value) if value.tag == tag else value


def left_out(value: TagValue, tag: Tag) -> Iterator[TagValue]:
    if value.tag != tag:
        yield value


def break_edits(monkeypatch: pytest.MonkeyPatch, fault: Fault, tag: Tag) -> None:
    """Every function that writes values gets one tag wrong."""

    def broken(write: Callable[..., Any], place: int) -> Callable[..., Any]:
        def call(*given: Any, **more: Any) -> Any:
            values: Sequence[TagValue] = given[place]
            written = [one for value in values for one in fault(value, tag)]
            return write(*given[:place], written, *given[place + 1 :], **more)

        return call

    monkeypatch.setattr(FrameFile, "edit", broken(FrameFile.edit, 1))
    monkeypatch.setattr(packets, "new_packet", broken(packets.new_packet, 0))
    monkeypatch.setattr(packets, "merged", broken(packets.merged, 1))


@pytest.mark.parametrize("name", FILES)
def test_a_sound_writer_passes(tmp_path: Path, name: str) -> None:
    found = run(tmp_path, *FILES[name], raw=RawMode.EMBED)
    assert not found.failed
    assert found.copies[0].match.outcome.is_filled


@pytest.mark.parametrize("fault", [wrong, left_out])
@pytest.mark.parametrize("tag", TAGS)
@pytest.mark.parametrize("name", FILES)
def test_a_value_written_wrong_is_seen_in_every_container(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, tag: Tag, fault: Fault
) -> None:
    break_edits(monkeypatch, fault, tag)
    assert_seen(run(tmp_path, *FILES[name], raw=RawMode.EMBED), tmp_path)


@pytest.mark.parametrize("fault", [wrong, left_out])
@pytest.mark.parametrize("tag", TAGS)
@pytest.mark.parametrize("old", [b"", STATES_ALL], ids=["new", "merged"])
def test_a_value_written_wrong_is_seen_in_a_sidecar(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, old: bytes, tag: Tag, fault: Fault
) -> None:
    break_edits(monkeypatch, fault, tag)
    if old:
        (tmp_path / "frames").mkdir()
        (tmp_path / "frames" / "K7_0001.xmp").write_bytes(old)
    assert_seen(run(tmp_path, *FILES["raw"]), tmp_path)


# The writer's way with numbers, and its table of properties.


def doubled(value: TagValue) -> list[str]:
    return (
        [f"{2 * top}/{below}" for top, below in value.value]
        if isinstance(value.value, tuple)
        else [str(value.value)]
    )


def as_decimals(value: TagValue) -> list[str]:
    """Which XMP doesn't have: a rational is written as numerator/denominator (ISO 16684-1, 8)."""
    return [str(float(number or 0)) for number in value.numbers]


@pytest.mark.parametrize("broken", [doubled, as_decimals])
@pytest.mark.parametrize("kind", ["sidecar", "packet", "stated packet", "picture's sidecar"])
def test_numbers_that_xmp_has_wrong_are_seen(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    kind: str,
    broken: Callable[[TagValue], list[str]],
) -> None:
    real = packets.texts_of

    def numbers_broken(value: TagValue) -> list[str]:
        return real(value) if isinstance(value.value, str) else broken(value)

    monkeypatch.setattr(packets, "texts_of", numbers_broken)
    assert_seen(in_xmp(tmp_path, kind), tmp_path)


@pytest.mark.parametrize("kind", ["sidecar", "packet", "stated packet", "picture's sidecar"])
def test_properties_that_the_writer_confuses_are_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    table = dict(packets.PROPERTIES)
    one, other = f"{{{packets.EXIF}}}FNumber", f"{{{packets.EXIF}}}FocalLength"
    table[one], table[other] = table[other], table[one]
    monkeypatch.setattr(packets, "PROPERTIES", table)
    assert_seen(in_xmp(tmp_path, kind), tmp_path)


@pytest.mark.parametrize("kind", ["sidecar", "packet", "stated packet", "picture's sidecar"])
def test_sound_xmp_passes(tmp_path: Path, kind: str) -> None:
    assert not in_xmp(tmp_path, kind).failed


def in_xmp(tmp_path: Path, kind: str) -> Filled:
    """A run that states values in XMP."""
    if kind == "sidecar":
        return run(tmp_path, *FILES["raw"])
    if kind == "packet":
        return run(tmp_path, *FILES["JPEG"], xmp=True)
    if kind == "stated packet":
        data = with_segments(picture(), segment(APP1, XMP + STATES_ALL))
        return run(tmp_path, "K7_0001.JPG", data)
    (tmp_path / "frames").mkdir()
    (tmp_path / "frames" / "K7_0001.xmp").write_bytes(STATES_ALL)
    return run(tmp_path, *FILES["JPEG"])


@pytest.mark.parametrize("date", ["", "yesterday"])
def test_a_date_that_is_none_is_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, date: str
) -> None:
    """xmp:MetadataDate has to be a date (ISO 16684-1, 8.2.1.2)."""
    lead = (
        b'<rdf:Description xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:MetadataDate="2020-01-02" '
    )
    old = STATES_ALL.replace(b"<rdf:Description ", lead).replace(b"28/10", b"4/1")
    (tmp_path / "frames").mkdir()
    (tmp_path / "frames" / "K7_0001.xmp").write_bytes(old)
    monkeypatch.setattr("flangeback.copies.edit.now", lambda: date or " ")
    assert_seen(run(tmp_path, *FILES["JPEG"]), tmp_path)
