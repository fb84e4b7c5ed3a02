"""Lens data that frames state in Exif, in XMP and in sidecars, held against the log.

Outside sources: CIPA DC-008 and DC-010 for the tags, Exiv2 for what real packets state.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from flangeback.formats import Refused
from flangeback.frames import Frame, LensData, read_frame, scan
from flangeback.frames.lens_data import lens_data_of_packet
from flangeback.match import DoubtKind, FrameMatch, Outcome, match_frames
from flangeback.tags import decide
from support.camera_files import DATE_TIME_ORIGINAL, F_NUMBER, LENS_MODEL, frame_bytes
from support.commands import LOG, put_outing, run
from support.edits import splices_for
from support.gear import AT_2_8
from support.kits import whole_kit
from support.plain_jpeg import APP1, EXIF, XMP, segment
from support.raw_files import plain_raw
from support.readers import xmp_by_exiv2
from support.shots import log

KIT = whole_kit()
AT = {DATE_TIME_ORIGINAL: b"2026:05:17 09:13:00"}
OTHER = 'aux:Lens="Brask 135mm f/3.5"'
OURS = (
    'exifEX:LensModel="Miran 58mm f/2" aux:Lens="Miran 58mm f/2" exif:FNumber="28/10" '
    'exif:FocalLength="58/1"'
)


def packet(properties: str) -> bytes:
    return (
        "<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF "
        "xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'><rdf:Description "
        "xmlns:exif='http://ns.adobe.com/exif/1.0/' xmlns:exifEX='http://cipa.jp/exif/1.0/' "
        f"xmlns:aux='http://ns.adobe.com/exif/1.0/aux/' {properties}/></rdf:RDF></x:xmpmeta>"
    ).encode()


def with_packet(data: bytes, properties: str) -> bytes:
    return data[:2] + segment(APP1, XMP + packet(properties)) + data[2:]


def matched(folder: Path, text: str = "09:12 k7 miran58 f/2.8\n") -> FrameMatch:
    (found,) = match_frames(scan(folder), [log(text)], KIT).frames
    return found


@pytest.mark.parametrize("beside", [False, True], ids=["in the file", "in its sidecar"])
@pytest.mark.parametrize(
    ("properties", "outcome"),
    [
        (OTHER, Outcome.CONFLICT),
        ('exif:FNumber="8/1"', Outcome.CONFLICT),
        (OURS, Outcome.AGREE),
        ('aux:Lens="----" exif:FNumber="0/0" exif:FocalLength="50/1"', Outcome.FILL),
        ('exif:ISOSpeedRatings="200"', Outcome.FILL),
    ],
)
def test_what_xmp_states_is_lens_data(
    tmp_path: Path, properties: str, outcome: Outcome, beside: bool
) -> None:
    data = frame_bytes(AT)
    (tmp_path / "K7_0201.JPG").write_bytes(data if beside else with_packet(data, properties))
    if beside:
        (tmp_path / "K7_0201.xmp").write_bytes(packet(properties))
    assert matched(tmp_path).outcome is outcome


def test_a_place_that_contradicts_the_others_is_a_conflict(tmp_path: Path) -> None:
    named = frame_bytes(AT | {LENS_MODEL: b"Miran 58mm f/2", F_NUMBER: (28, 10)})
    (tmp_path / "K7_0201.JPG").write_bytes(with_packet(named, OTHER))
    found = matched(tmp_path)
    assert found.outcome is Outcome.CONFLICT
    assert found.reason == "the frame says Brask 135mm f/3.5"


def test_a_pair_that_was_filled_agrees(tmp_path: Path) -> None:
    frames = tmp_path / "frames"
    frames.mkdir()
    raw = plain_raw(taken="2026:05:17 09:13:00").data
    put_outing(frames, LOG)
    (frames / "K7_0201.DNG").write_bytes(raw)
    assert run("fill", frames, "--into", tmp_path / "out").code == 0
    again = match_frames(scan(tmp_path / "out"), [log("09:12 k7 miran58 f/2.8\n")], KIT)
    pair = next(found for found in again.frames if found.frame.companions)
    assert pair.outcome is Outcome.AGREE
    assert not [d for d in pair.doubts if d.kind is DoubtKind.PAIR_DIFFERS]


@pytest.mark.parametrize(
    ("f_number", "text", "outcome"),
    [
        ((4, 1), "09:12 k7 miran58 f/?", Outcome.CONFLICT),
        ((4, 1), "09:12 k7 miran58 f/2.8", Outcome.CONFLICT),
        ((4, 1), "09:12 k7 miran58 f/4", Outcome.FILL),
        ((205, 1024), "09:12 k7 miran58 f/?", Outcome.PARTIAL),
        ((1639, 2560), "09:12 k7 miran58 f/2.8", Outcome.FILL),
        ((1, 1), "09:12 k7 miran58 f/2.8", Outcome.FILL),
    ],
)
def test_an_f_number_beside_no_lens_name(
    tmp_path: Path, f_number: tuple[int, int], text: str, outcome: Outcome
) -> None:
    """Only a lens with contacts gives one narrower than f/1 (common practice)."""
    (tmp_path / "K7_0201.JPG").write_bytes(frame_bytes(AT | {F_NUMBER: f_number}))
    found = matched(tmp_path, text + "\n")
    assert found.outcome is outcome
    doubted = any(doubt.kind is DoubtKind.NATIVE_LENS for doubt in found.doubts)
    assert doubted == (f_number[0] > f_number[1])


def test_numbers_of_a_packet() -> None:
    found = lens_data_of_packet(
        packet(
            'exif:FNumber="28/10" exif:FocalLength="58" exif:FocalLengthIn35mmFilm="58" '
            'aux:LensInfo="35/1 70/1 0/0 0/0" aux:LensSerialNumber="6612345"'
        )
    )
    numbers = [found.f_number, found.focal_length, found.focal_length_35mm]
    assert numbers == [Fraction(14, 5), 58, 58]
    assert list(found.specification) == [35, 70, None, None]
    assert found.serial == "6612345"


@pytest.mark.parametrize(
    "data", [b"", b"exif:FNumber", b"<x exif:FNumber='", b"<!DOCTYPE x><x>exif:FNumber</x>"]
)
def test_what_is_no_packet_states_nothing(data: bytes) -> None:
    assert lens_data_of_packet(data) == LensData()


def real(corpus: Path, name: str) -> Frame:
    return read_frame(corpus / "more", name)


def test_real_packets_state_what_exiv2_reads(corpus: Path) -> None:
    compared = 0
    for path in sorted((corpus / "more").glob("jpeg-1*.jp*g")):
        frame = real(corpus, path.name)
        if frame.source is None or frame.damage or not frame.source.packet:
            continue
        stated = lens_data_of_packet(frame.source.packet)
        seen = xmp_by_exiv2(frame.source.packet)
        names = [seen.get(f"Xmp.{key}") for key in ("exifEX.LensModel", "aux.Lens")]
        assert stated.lens in [*names, None]
        if "Xmp.exif.FNumber" in seen:
            compared += 1
            assert stated.f_number in (None, Fraction(seen["Xmp.exif.FNumber"]))
    assert compared >= 3


def test_raw_is_raw_whatever_its_block_looks_like(corpus: Path) -> None:
    for name in ("raw-108.cr2", "raw-109.CR2", "raw-110.iiq", "raw-111.nef"):
        frame = real(corpus, name)
        assert (frame.format.code, frame.damage) == ("raw-tiff", None), name


def test_exif_in_several_segments_is_refused_by_name() -> None:
    data = frame_bytes(AT)
    more = segment(APP1, EXIF + b"II*\0\x08\0\0\0" + bytes(6))
    with pytest.raises(Refused, match="Exif data are in several segments"):
        splices_for(data[:2] + more + data[2:], decide(AT_2_8))
