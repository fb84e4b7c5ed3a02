"""The true time in the copies, when it is asked for: one order for several bodies.

What has to be there is worked by hand from the log's lines. Read back by ExifRead and the Exiv2
library; tags are CIPA DC-008's (4.6.5.2), XMP dates ISO 16684-1's (8.2.1.2).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flangeback.copies import FillOptions, FrameCopy, fill, verify
from flangeback.copies.faults import ProofError
from flangeback.copies.proof_xmp import check_packet
from flangeback.copies.stated import Stated
from flangeback.errors import InputError
from flangeback.frames import scan
from flangeback.log import parse_log
from flangeback.match import Outcome, match_frames
from flangeback.raw_mode import RawMode
from flangeback.tags import Tag, decide, true_time
from support.camera_files import DATE_TIME_DIGITIZED, DATE_TIME_ORIGINAL, OFFSET, SUB_SEC
from support.camera_files import frame_bytes as camera_frame
from support.commands import put_outing, run
from support.folders import marks
from support.gear import AT_2_8
from support.heif_files import exif_block as heif_block
from support.heif_files import heif
from support.kits import whole_kit
from support.plain_jpeg import (
    APP1,
    EXIF,
    XMP,
    exif_block,
    exif_rows,
    pieces,
    segment,
    with_block,
    with_segments,
)
from support.raw_files import EXIF as RAW_EXIF
from support.raw_files import MAIN, Dir, Ref, lay, plain_raw, text
from support.readers import (
    READERS,
    by_exifread,
    by_exiv2,
    differing,
    exifread_text,
    pixels,
    xmp_by_exiv2,
)
from support.tiff_blocks import GREATEST

KIT = whole_kit()
SECOND = timedelta(seconds=1)
TIMES = ("DateTimeOriginal", "SubSecTimeOriginal", "OffsetTimeOriginal")
DAY = "date 2026-05-17\n"
ZONE = DAY + "zone Europe/Stockholm\n"
FAST = "clock k7 fast 3m20s\n09:00 k7 miran58 f/2.8\n"
MANIFEST = "flangeback-manifest.jsonl"


def shown(clock: str, day: str = "2026:05:17") -> dict[int, bytes]:
    return {DATE_TIME_ORIGINAL: f"{day} {clock}".encode()}


def jpeg(clock: str, more: Mapping[int, Any] | None = None, model: str = "Kestrin K7") -> bytes:
    return camera_frame({**shown(clock), **(more or {})}, model)


@dataclass(frozen=True)
class Done:
    """A folder filled: its frames, its copies, what became of each frame."""

    frames: Path
    out: Path
    copies: Mapping[str, FrameCopy]

    def copy(self, name: str = "K7_0001.JPG") -> bytes:
        return (self.out / name).read_bytes()

    def source(self, name: str = "K7_0001.JPG") -> bytes:
        return (self.frames / name).read_bytes()


def done(
    place: Path, files: Mapping[str, bytes], log: str, *, set_time: bool = True, **more: Any
) -> Done:
    """The files scanned, matched by this log and filled; all copies proved, twice."""
    frames, out = place / "frames", place / "out"
    frames.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        if not (frames / name).exists():
            (frames / name).write_bytes(data)
    matches = match_frames(scan(frames), [parse_log(log, KIT, "session.txt")], KIT)
    found = fill(matches, frames, out, FillOptions(set_time=set_time, **more))
    assert not [copy.failure for copy in found.failed]
    again = verify(out)
    assert not again.failed
    assert all(copy.source_at_hand for copy in again.copies)
    assert all((frames / name).read_bytes() == data for name, data in files.items())
    return Done(frames, out, {copy.match.frame.file: copy for copy in found.copies})


def stated(data: bytes) -> tuple[str, ...]:
    """The three tags as both readers have them; empty where one isn't there."""
    by_one, by_other = by_exifread(data), by_exiv2(data)
    found = tuple(exifread_text(by_one, name) for name in TIMES)
    assert found == tuple(by_other.get(f"Exif.Photo.{name}", "") for name in TIMES)
    return found


def noted(out: Path) -> dict[str, dict[str, Any]]:
    lines = (out / MANIFEST).read_text("utf-8").splitlines()
    return {line["copy"]: line for line in map(json.loads, lines) if line["record"] == "file"}


# Which values -----------------------------------------------------------------------------------

AT = datetime(2026, 5, 17, 9, 12, 44)
CEST = timezone(timedelta(hours=2))


def texts(*arguments: Any) -> dict[Tag, object]:
    return {value.tag: value.value for value in true_time(*arguments)}


def test_nothing_where_the_frame_says_just_that() -> None:
    assert true_time(AT, AT, SECOND, None) == ()
    assert true_time(AT.replace(tzinfo=CEST), AT, SECOND, timedelta(hours=2)) == ()
    # Without a zone the log has nothing to say on the frame's offset.
    assert true_time(AT, AT, SECOND, timedelta(hours=1)) == ()


def test_a_missing_or_other_offset_is_stated_with_its_time() -> None:
    wanted = {
        Tag.DATE_TIME_ORIGINAL: "2026:05:17 09:12:44",
        Tag.OFFSET_TIME_ORIGINAL: "+02:00",
    }
    assert texts(AT.replace(tzinfo=CEST), AT, SECOND, None) == wanted
    assert texts(AT.replace(tzinfo=CEST), AT, SECOND, timedelta(0)) == wanted


def test_the_cameras_own_resolution_is_kept() -> None:
    said, true = AT.replace(microsecond=450_000), AT.replace(second=41, microsecond=50_000)
    assert texts(true, said, SECOND / 100, None) == {
        Tag.DATE_TIME_ORIGINAL: "2026:05:17 09:12:41",
        Tag.SUB_SEC_TIME_ORIGINAL: "05",
    }
    assert texts(true, AT, SECOND, None) == {Tag.DATE_TIME_ORIGINAL: "2026:05:17 09:12:41"}


@pytest.mark.parametrize(
    ("zone", "wanted"),
    [
        (timezone(-timedelta(hours=3, minutes=30)), "-03:30"),
        (timezone(timedelta(hours=5, minutes=45)), "+05:45"),
        (timezone(timedelta(0)), "+00:00"),
    ],
)
def test_offsets_as_the_standard_writes_them(zone: timezone, wanted: str) -> None:
    found = texts(AT.replace(tzinfo=zone), AT, SECOND, None)
    assert found[Tag.OFFSET_TIME_ORIGINAL] == wanted


def test_an_offset_with_seconds_is_stated_by_the_minute_next_to_it() -> None:
    # Amsterdam had +00:19:32 until 1937 (IANA time zone database): the instant stays.
    true = datetime(1930, 3, 1, 12, 0, 0, tzinfo=ZoneInfo("Europe/Amsterdam"))
    if true.utcoffset() != timedelta(minutes=19, seconds=32):
        pytest.skip("this copy of the database has no local times from before 1970")
    assert texts(true, AT, SECOND, None) == {
        Tag.DATE_TIME_ORIGINAL: "1930:03:01 12:00:28",
        Tag.OFFSET_TIME_ORIGINAL: "+00:20",
    }


@given(
    st.datetimes(min_value=datetime(1000, 1, 1), max_value=datetime(9998, 12, 31)),
    st.integers(0, 6),
    st.none() | st.integers(-14 * 60, 14 * 60).map(lambda m: timezone(timedelta(minutes=m))),
)
def test_the_date_in_one_piece_is_the_tags_put_together(
    time: datetime, digits: int, zone: timezone | None
) -> None:
    step = timedelta(microseconds=10 ** (6 - digits))
    time = time.replace(tzinfo=zone, microsecond=time.microsecond // 10 ** (6 - digits))
    time = time.replace(microsecond=time.microsecond * 10 ** (6 - digits))
    values = {v.tag: v for v in true_time(time, AT - timedelta(days=400_000), step, None)}
    sub_seconds = values.get(Tag.SUB_SEC_TIME_ORIGINAL)
    assert (len(sub_seconds.text) if sub_seconds else 0) == digits
    # The standard library's reader of ISO 8601 has to make the same instant of it.
    assert datetime.fromisoformat(values[Tag.DATE_TIME_ORIGINAL].text) == time
    assert len(str(values[Tag.DATE_TIME_ORIGINAL].value)) == 19


# Into each kind of file -------------------------------------------------------------------------


def test_a_filled_frame_gets_the_true_time_too(tmp_path: Path) -> None:
    found = done(tmp_path, {"K7_0001.JPG": jpeg("09:16:04")}, ZONE + FAST)
    assert found.copies["K7_0001.JPG"].match.outcome is Outcome.FILL
    assert stated(found.copy()) == ("2026:05:17 09:12:44", "", "+02:00")
    assert exifread_text(by_exifread(found.copy()), "LensModel") == "Miran 58mm f/2"
    assert noted(found.out)["K7_0001.JPG"]["values"].items() >= {
        ("DateTimeOriginal", "2026:05:17 09:12:44"),
        ("OffsetTimeOriginal", "+02:00"),
    }


ROOMY = lay(
    {
        "main": Dir([*MAIN, Ref(0x8769, ("exif",))]),
        "exif": Dir(
            [
                text(0x9003, "2026:05:17 09:16:04"),
                text(0x9004, "2026:05:17 09:16:04"),
                text(0x9011, "+01:00"),
                text(0x9291, "12345"),
            ]
        ),
    }
).data
"""A block whose values stand each in a place of its own."""


def test_values_that_fit_are_written_in_place(tmp_path: Path) -> None:
    """A native frame with all three tags: its copy differs in the digits alone."""
    log = ZONE + "clock k7 fast 3m20s\n09:00 k7 off\n"
    # By its own offset it is 10:16:04 in Stockholm.
    found = done(tmp_path, {"K7_0001.JPG": with_block(ROOMY)}, log)
    copy, source = found.copy(), found.source()
    assert found.copies["K7_0001.JPG"].match.outcome is Outcome.NATIVE
    assert stated(copy) == ("2026:05:17 10:12:44", "12345", "+02:00")
    assert len(copy) == len(source)
    before, after = exif_block(source), exif_block(copy)
    _, rows = exif_rows(before)
    times = {0x9003: 20, 0x9004: 20, 0x9291: 6, 0x9011: 7}
    assert {row.tag: row.value_end - row.value_at for row in rows if row.tag in times} == times
    free = {n for row in rows if row.tag in times for n in range(row.value_at, row.value_end)}
    assert {n for n, (a, b) in enumerate(zip(before, after, strict=True)) if a != b} <= free
    for reader in READERS.values():
        changed = {
            name.split()[-1].split(".")[-1] for name in differing(reader(source), reader(copy))
        }
        assert changed == {"DateTimeOriginal", "DateTimeDigitized", "OffsetTimeOriginal"}


def test_sub_seconds_follow_the_drift(tmp_path: Path) -> None:
    """Two photos of a clock, 3 h apart: 10 s slow at the first, 12 s at the second, so 10.5 s a
    quarter of the way."""
    files = {
        "K7_0001.JPG": jpeg("09:00:00"),
        "K7_0002.JPG": jpeg("09:45:00", {SUB_SEC: b"25"}),
        "K7_0003.JPG": jpeg("12:00:00"),
    }
    log = DAY + (
        "clock k7 K7_0001 shows 09:00:10\nclock k7 K7_0003 shows 12:00:12\n09:00 k7 miran58 f/2.8\n"
    )
    found = done(tmp_path, files, log)
    assert [stated(found.copy(name)) for name in files] == [
        ("2026:05:17 09:00:10", "", ""),
        ("2026:05:17 09:45:10", "75", ""),
        ("2026:05:17 12:00:12", "", ""),
    ]


def test_without_a_zone_no_offset_is_made_up(tmp_path: Path) -> None:
    found = done(tmp_path, {"K7_0001.JPG": jpeg("09:16:04")}, DAY + FAST)
    assert stated(found.copy()) == ("2026:05:17 09:12:44", "", "")


def test_a_right_clock_and_no_zone_leave_nothing_to_write(tmp_path: Path) -> None:
    log = DAY + "09:00 k7 off\n"
    found = done(tmp_path, {"K7_0001.JPG": jpeg("09:16:04")}, log)
    assert found.copy() == found.source()


def test_a_known_zone_adds_the_offset_that_is_missing(tmp_path: Path) -> None:
    log = ZONE + "09:00 k7 off\n"
    found = done(tmp_path, {"K7_0001.JPG": jpeg("09:16:04")}, log)
    assert stated(found.copy()) == ("2026:05:17 09:16:04", "", "+02:00")
    changed = differing(by_exifread(found.source()), by_exifread(found.copy()))
    assert changed == {"EXIF OffsetTimeOriginal", "Image ExifOffset"}


RAW = plain_raw(exif=sorted((*RAW_EXIF, text(0x9291, "45")), key=lambda item: item.tag)).data
"""Made at 09:13:00.45 by its own clock."""


@pytest.mark.parametrize("outcome", [Outcome.FILL, Outcome.NATIVE])
def test_a_raw_file_s_sidecar_states_it_in_one_piece(tmp_path: Path, outcome: Outcome) -> None:
    log = ZONE + (FAST if outcome is Outcome.FILL else "clock k7 fast 3m20s\n09:00 k7 off\n")
    found = done(tmp_path, {"K7_0001.DNG": RAW}, log)
    assert found.copies["K7_0001.DNG"].match.outcome is outcome
    assert found.copy("K7_0001.DNG") == RAW
    seen = xmp_by_exiv2(found.copy("K7_0001.xmp"))
    assert seen["Xmp.exif.DateTimeOriginal"] == "2026-05-17T09:09:40.45+02:00"
    assert ("Xmp.exif.FNumber" in seen) == (outcome is Outcome.FILL)


def test_a_raw_file_written_into(tmp_path: Path) -> None:
    found = done(tmp_path, {"K7_0001.DNG": RAW}, ZONE + FAST, raw=RawMode.EMBED)
    copy = found.copy("K7_0001.DNG")
    assert stated(copy) == ("2026:05:17 09:09:40", "45", "+02:00")
    assert [n for n in range(len(RAW)) if copy[n] != RAW[n]]
    assert RAW[-2048:] in copy


def test_a_heif_file(tmp_path: Path) -> None:
    found = done(tmp_path, {"K7_0001.HEIC": heif(RAW)}, ZONE + FAST)
    assert stated(heif_block(found.copy("K7_0001.HEIC"))) == ("2026:05:17 09:09:40", "45", "+02:00")


def test_each_file_of_a_frame_keeps_its_own_resolution(tmp_path: Path) -> None:
    files = {"K7_0001.JPG": jpeg("09:13:00"), "K7_0001.DNG": RAW}
    found = done(tmp_path, files, ZONE + FAST, raw=RawMode.EMBED)
    assert list(found.copies) == ["K7_0001.JPG"]
    assert stated(found.copy()) == ("2026:05:17 09:09:40", "", "+02:00")
    assert stated(found.copy("K7_0001.DNG")) == ("2026:05:17 09:09:40", "45", "+02:00")


# XMP that is there already ----------------------------------------------------------------------

DATES = (
    'exif:DateTimeOriginal="2026-05-17T09:16:04" xmp:CreateDate="2026-05-17T09:16:04" '
    'photoshop:DateCreated="2026-05-17T09:16:04" xmp:Rating="4"'
)
PACKET = (
    '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
    'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#" '
    'xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:xmp="http://ns.adobe.com/xap/1.0/" '
    'xmlns:photoshop="http://ns.adobe.com/photoshop/1.0/">'
    f'<rdf:Description rdf:about="" {DATES}/></rdf:RDF></x:xmpmeta>'
).encode()
TRUE = {
    "Xmp.exif.DateTimeOriginal": "2026-05-17T09:12:44+02:00",
    "Xmp.xmp.CreateDate": "2026-05-17T09:16:04",
    "Xmp.photoshop.DateCreated": "2026-05-17T09:12:44+02:00",
    "Xmp.xmp.Rating": "4",
}
"""photoshop:DateCreated is when the picture was made, too, xmp:CreateDate when it was digitized
(ISO 16684-1, 8.4; common practice): that is the frame's business, which doesn't say it."""


def test_packets_and_sidecars_are_brought_into_agreement(tmp_path: Path) -> None:
    picture = with_segments(jpeg("09:16:04"), segment(APP1, XMP + PACKET))
    files = {"K7_0001.JPG": picture, "K7_0001.xmp": PACKET}
    found = done(tmp_path, files, ZONE + "clock k7 fast 3m20s\n09:00 k7 off\n")
    assert xmp_by_exiv2(found.copy("K7_0001.xmp")) == TRUE
    packet = next(p for p in pieces(found.copy()) if p.contents.startswith(XMP)).contents
    assert xmp_by_exiv2(packet.removeprefix(XMP)) == TRUE
    assert stated(found.copy())[0] == "2026:05:17 09:12:44"


def test_a_packet_s_time_stays_where_nobody_asked(tmp_path: Path) -> None:
    picture = with_segments(jpeg("09:16:04"), segment(APP1, XMP + PACKET))
    files = {"K7_0001.JPG": picture, "K7_0001.xmp": PACKET}
    found = done(tmp_path, files, ZONE + FAST, set_time=False)
    assert found.copy("K7_0001.xmp") == PACKET
    assert PACKET in found.copy()
    assert stated(found.copy()) == ("2026:05:17 09:16:04", "", "")


def test_an_added_packet_states_it(tmp_path: Path) -> None:
    found = done(tmp_path, {"K7_0001.JPG": jpeg("09:16:04")}, ZONE + FAST, xmp=True)
    seen = xmp_by_exiv2(found.copy())
    assert seen["Xmp.exif.DateTimeOriginal"] == "2026-05-17T09:12:44+02:00"
    assert seen["Xmp.exif.FNumber"] == "28/10"


@pytest.mark.parametrize(
    ("digitized", "wanted"),
    [
        ("2026:05:17 09:16:04", "2026:05:17 09:12:44"),
        ("2026:06:01 12:00:00", "2026:06:01 12:00:00"),
    ],
    ids=["by the camera", "scanned later"],
)
def test_what_says_when_it_was_digitized_follows_where_it_is_that_time(
    tmp_path: Path, digitized: str, wanted: str
) -> None:
    packet = PACKET.replace(b"2026-05-17T09:16:04", _iso(digitized).encode())
    block = jpeg("09:16:04", {DATE_TIME_DIGITIZED: digitized.encode()})
    found = done(tmp_path, {"K7_0001.JPG": with_segments(block, segment(APP1, XMP + packet))},
                 ZONE + FAST)  # fmt: skip
    assert by_exiv2(found.copy())["Exif.Photo.DateTimeDigitized"] == wanted
    assert exifread_text(by_exifread(found.copy()), "DateTimeDigitized") == wanted
    assert exifread_text(by_exifread(found.copy()), "OffsetTimeDigitized") == ""
    created = xmp_by_exiv2(found.copy())["Xmp.xmp.CreateDate"]
    assert created.startswith(_iso(wanted))


@pytest.mark.parametrize(
    ("record", "follows"),
    [
        (b"\x1c\2\x37\0\x0820260517", True),
        (b"\x1c\2\x37\0\x0820260516", False),
        (b"\x1c\2\x37\0\x0820260517\x1c\2\x3c\0\x0b091604+0200", False),
        (b"\x1c\2\x37\0\x0820260517\x1c\2\x3c\0\x0b091244+0200", True),
    ],
    ids=["that day", "another day", "another time", "that time"],
)
def test_a_time_that_the_iptc_record_would_contradict_is_not_written(
    tmp_path: Path, record: bytes, follows: bool
) -> None:
    """Date and time created: data sets 2:55 and 2:60 (IPTC-NAA Information Interchange Model)."""
    resource = b"8BIM\4\4\0\0" + len(record).to_bytes(4, "big") + record
    picture = with_segments(jpeg("09:16:04"), segment(0xED, b"Photoshop 3.0\0" + resource))
    found = done(tmp_path, {"K7_0001.JPG": picture}, ZONE + FAST)
    clock = "09:12:44" if follows else "09:16:04"
    assert stated(found.copy())[0] == f"2026:05:17 {clock}"
    assert exifread_text(by_exifread(found.copy()), "LensModel") == "Miran 58mm f/2"
    reason = str(found.copies["K7_0001.JPG"].match.reason)
    assert ("its IPTC record states another time" in reason) is not follows


@pytest.mark.parametrize(("changed", "follows"), [("09:16:04", True), ("11:00:00", False)])
def test_date_time_follows_where_the_camera_wrote_it_too(
    tmp_path: Path, changed: str, follows: bool
) -> None:
    """DateTime is in the main directory, its offset in the Exif directory (CIPA DC-008, 4.6.4)."""
    block = lay(
        {
            "main": Dir([*MAIN, text(0x0132, f"2026:05:17 {changed}"), Ref(0x8769, ("exif",))]),
            "exif": Dir([text(0x9003, "2026:05:17 09:16:04"), text(0x9010, "+01:00")]),
        }
    ).data
    found = done(tmp_path, {"K7_0001.JPG": with_block(block)}, ZONE + FAST)
    seen = by_exiv2(found.copy())
    assert seen["Exif.Photo.DateTimeOriginal"] == "2026:05:17 09:12:44"
    wanted = ("2026:05:17 09:12:44", "+02:00") if follows else ("2026:05:17 11:00:00", "+01:00")
    assert (seen["Exif.Image.DateTime"], seen["Exif.Photo.OffsetTime"]) == wanted
    assert by_exifread(found.copy())["Image DateTime"] == (2, wanted[0])
    assert "Exif.Photo.SubSecTime" not in seen


def _iso(exif: str) -> str:
    return exif.replace(":", "-", 2).replace(" ", "T")


def test_the_main_directory_of_a_raw_file_says_the_same(tmp_path: Path) -> None:
    """TIFF/EP (ISO 12234-2) has DateTimeOriginal there."""
    time = text(0x9003, "2026:05:17 09:16:04")
    main = Dir([*MAIN, time, Ref(0x8769, ("exif",))])
    raw = lay({"main": main, "exif": Dir([time])}).data
    found = done(tmp_path, {"K7_0001.DNG": raw}, ZONE + FAST, raw=RawMode.EMBED)
    seen = by_exiv2(found.copy("K7_0001.DNG"))
    true = "2026:05:17 09:12:44"
    assert (seen["Exif.Image.DateTimeOriginal"], seen["Exif.Photo.DateTimeOriginal"]) == (
        true,
        true,
    )
    assert by_exifread(found.copy("K7_0001.DNG"))["Image DateTimeOriginal"] == (2, true)


# Whose time -------------------------------------------------------------------------------------


def test_an_outing_of_two_bodies_sorts_as_it_happened(tmp_path: Path) -> None:
    """n2 runs 40 minutes slow, has no entry of its own, and states another offset."""
    files = {
        "K7_0001.JPG": jpeg("09:03:20"),
        "K7_0002.JPG": jpeg("09:23:20"),
        "N2_0001.JPG": jpeg("07:30:00", {OFFSET: b"+01:00"}, "Norrvik N2"),
        "N2_0002.JPG": jpeg("07:50:00", {OFFSET: b"+01:00"}, "Norrvik N2"),
    }
    found = done(tmp_path, files, ZONE + "clock n2 slow 40m\n" + FAST)
    times = {name: stated(found.copy(name)) for name in files}
    assert sorted(times, key=times.__getitem__) == [
        "K7_0001.JPG", "N2_0001.JPG", "K7_0002.JPG", "N2_0002.JPG",
    ]  # fmt: skip
    assert times["N2_0001.JPG"] == ("2026:05:17 09:10:00", "", "+02:00")
    assert found.copies["N2_0001.JPG"].match.outcome is Outcome.UNLOGGED


def test_a_body_the_log_does_not_speak_of_keeps_its_time(tmp_path: Path) -> None:
    files = {"N2_0001.JPG": jpeg("07:30:00", model="Norrvik N2"), "K7_0001.JPG": jpeg("09:16:04")}
    found = done(tmp_path, files, ZONE + FAST)
    assert found.copy("N2_0001.JPG") == files["N2_0001.JPG"]
    assert stated(found.copy())[0] == "2026:05:17 09:12:44"


@pytest.mark.parametrize("named", ["", "K7_0001..K7_0003 k7 brask135 f/8\n"])
def test_an_unsure_clock_changes_no_time(tmp_path: Path, named: str) -> None:
    """The clock was set back between the second and the third frame, named in the log or not."""
    clocks = ("09:16:04", "09:17:04", "09:04:00")
    files = {f"K7_000{n}.JPG": jpeg(clock) for n, clock in enumerate(clocks, 1)}
    found = done(tmp_path, files, ZONE + FAST + named)
    for name, clock in zip(files, clocks, strict=True):
        assert stated(found.copy(name)) == (f"2026:05:17 {clock}", "", ""), name
        assert found.copies[name].match.outcome.is_filled


@pytest.mark.parametrize(
    ("day", "clock", "offset"),
    [
        ("2026-10-25", "01:59:59", "+02:00"),
        ("2026-10-25", "02:30:00", ""),
        ("2026-10-25", "03:00:00", "+01:00"),
        ("2026-03-29", "02:30:00", ""),
    ],
)
def test_a_reading_that_means_two_instants_stays(
    tmp_path: Path, day: str, clock: str, offset: str
) -> None:
    """Summer time ends in Stockholm on 25 October 2026 at 03:00, and begins on 29 March at 02:00
    (IANA time zone database): the readings between occur twice, or never."""
    picture = camera_frame(shown(clock, day.replace("-", ":")))
    log = f"date {day}\nzone Europe/Stockholm\n00:30 k7 off\n"
    found = done(tmp_path, {"K7_0001.JPG": picture}, log)
    assert stated(found.copy())[2] == offset


def test_a_frame_without_a_time_gets_none(tmp_path: Path) -> None:
    log = ZONE + FAST + "K7_0001 k7 brask135 f/8\n"
    found = done(tmp_path, {"K7_0001.JPG": camera_frame()}, log)
    assert found.copies["K7_0001.JPG"].match.outcome is Outcome.FILL
    assert stated(found.copy()) == ("", "", "")


# Asked for or not -------------------------------------------------------------------------------

NATIVE = "clock k7 fast 3m20s\n09:00 k7 miran58 f/2.8\n09:30 k7 off\n"
BOTH = {"K7_0000.DNG": RAW, "K7_0001.JPG": jpeg("09:16:04"), "K7_0002.JPG": jpeg("09:50:00")}


def test_off_unless_asked_for(tmp_path: Path) -> None:
    found = done(tmp_path, BOTH, ZONE + NATIVE, set_time=False)
    assert stated(found.copy()) == ("2026:05:17 09:16:04", "", "")
    assert found.copy("K7_0002.JPG") == BOTH["K7_0002.JPG"]
    assert b"DateTimeOriginal" not in found.copy("K7_0000.xmp")
    written = {name for record in noted(found.out).values() for name in record["values"] or {}}
    assert "LensModel" in written
    assert not written & set(TIMES)


def test_the_outcomes_are_the_same_with_and_without(tmp_path: Path) -> None:
    plain = done(tmp_path / "plain", BOTH, ZONE + NATIVE, set_time=False)
    timed = done(tmp_path / "timed", BOTH, ZONE + NATIVE)
    for name, copy in plain.copies.items():
        other = timed.copies[name]
        assert (copy.match.outcome, copy.match.doubts, copy.match.reason) == (
            other.match.outcome, other.match.doubts, other.match.reason,
        )  # fmt: skip
    assert stated(timed.copy("K7_0002.JPG"))[0] == "2026:05:17 09:46:40"
    assert pixels(timed.copy("K7_0002.JPG")) == pixels(BOTH["K7_0002.JPG"])


def test_another_run_makes_the_copies_anew_only_where_the_wish_changed(tmp_path: Path) -> None:
    made = ("K7_0000.xmp", "K7_0001.JPG", "K7_0002.JPG")
    plain = done(tmp_path, BOTH, ZONE + NATIVE, set_time=False)
    without = {name: plain.copy(name) for name in made}
    timed = done(tmp_path, BOTH, ZONE + NATIVE)
    assert all(stated(timed.copy(name))[2] == "+02:00" for name in made[1:])
    assert b"2026-05-17T09:09:40.45+02:00" in timed.copy(made[0])
    stand = marks(timed.out)
    again = done(tmp_path, BOTH, ZONE + NATIVE)
    assert {n: m for n, m in marks(again.out).items() if n != MANIFEST} == {
        n: m for n, m in stand.items() if n != MANIFEST
    }
    with pytest.raises(InputError, match="3 copies would lose the true time"):
        done(tmp_path, BOTH, ZONE + NATIVE, set_time=False)
    back = done(tmp_path, BOTH, ZONE + NATIVE, set_time=False, take_back=True)
    assert {name: back.copy(name) for name in made} == without


def test_a_sidecar_for_the_time_alone_is_taken_back(tmp_path: Path) -> None:
    log = ZONE + "clock k7 fast 3m20s\n09:00 k7 off\n"
    timed = done(tmp_path, {"K7_0001.DNG": RAW}, log)
    assert (timed.out / "K7_0001.xmp").is_file()
    with pytest.raises(InputError, match="1 copy would lose the true time"):
        done(tmp_path, {"K7_0001.DNG": RAW}, log, set_time=False)
    plain = done(tmp_path, {"K7_0001.DNG": RAW}, log, set_time=False, take_back=True)
    assert {path.name for path in plain.out.iterdir()} == {"K7_0001.DNG", MANIFEST}
    again = done(tmp_path, {"K7_0001.DNG": RAW}, log)
    assert b"2026-05-17T09:09:40.45+02:00" in again.copy("K7_0001.xmp")
    assert len(verify(again.out).copies) == 2


def test_a_sidecar_that_was_worked_on_stays(tmp_path: Path) -> None:
    log = ZONE + "clock k7 fast 3m20s\n09:00 k7 off\n"
    timed = done(tmp_path, {"K7_0001.DNG": RAW, "K7_0002.DNG": RAW}, log)
    worked_on = timed.copy("K7_0001.xmp") + b"<!-- rated -->"
    (timed.out / "K7_0001.xmp").write_bytes(worked_on)
    matches = match_frames(scan(timed.frames), [parse_log(log, KIT, "session.txt")], KIT)
    fill(matches, timed.frames, timed.out, FillOptions(take_back=True))
    assert timed.copy("K7_0001.xmp") == worked_on
    assert not (timed.out / "K7_0002.xmp").exists()
    # It is still the one that isn't as it was made.
    assert [one.copy for one in verify(timed.out).copies if one.is_touched] == ["K7_0001.xmp"]


def test_the_sidecars_of_frames_that_are_no_longer_there_stay(tmp_path: Path) -> None:
    log = ZONE + "clock k7 fast 3m20s\n09:00 k7 off\n"
    timed = done(tmp_path, {"K7_0001.DNG": RAW, "K7_0002.DNG": RAW}, log)
    (timed.frames / "K7_0002.DNG").unlink()
    matches = match_frames(scan(timed.frames), [parse_log(log, KIT, "session.txt")], KIT)
    fill(matches, timed.frames, timed.out, FillOptions(take_back=True))
    assert not (timed.out / "K7_0001.xmp").exists()
    assert (timed.out / "K7_0002.xmp").is_file()
    assert not verify(timed.out).failed


def test_the_command_writes_it_and_says_the_same_otherwise(tmp_path: Path) -> None:
    log = "zone Europe/Stockholm\ndate 2026-05-17\nclock k7 slow 1m\n09:12 k7 miran58 f/2.8\n"
    frames = put_outing(tmp_path / "frames", log)
    plain = run("fill", frames, "--into", tmp_path / "plain", "--json")
    timed = run("fill", frames, "--into", tmp_path / "timed", "--set-time", "--json")
    assert plain.code == timed.code == 0
    assert json.loads(plain.out) == json.loads(timed.out)
    assert stated((tmp_path / "plain/K7_0201.JPG").read_bytes()) == ("2026:05:17 09:13:00", "", "")
    found = stated((tmp_path / "timed/K7_0201.JPG").read_bytes())
    assert found == ("2026:05:17 09:14:00", "", "+02:00")
    assert run("verify", tmp_path / "timed").code == 0


def test_copies_with_the_true_time_are_matched_by_no_clock_line(tmp_path: Path) -> None:
    log = (
        "zone Europe/Stockholm\ndate 2026-05-17\nclock k7 fast 3m20s sure\n09:12 k7 miran58 f/2.8\n"
    )
    frames, out = put_outing(tmp_path / "frames", log), tmp_path / "out"
    assert run("fill", frames, "--into", out, "--set-time").code in (0, 1)
    given = ("--log", frames / "session.txt", "--kit", frames / "kit.toml")
    for words in (("match", out), ("fill", out, "--into", tmp_path / "again")):
        refused = run(*words, *given)
        assert refused.code == 2
        assert "carries the true time already (--set-time)" in refused.err
    (frames / "session.txt").write_text(log.replace("clock", "# clock"))
    assert run("match", out, *given).code in (0, 1)


# Proof ------------------------------------------------------------------------------------------

Spoil = Callable[[Path], None]


def _in_the_copy(out: Path) -> None:
    path = out / "K7_0001.JPG"
    path.write_bytes(path.read_bytes().replace(b"09:12:44", b"09:12:45"))


def _in_the_manifest(out: Path) -> None:
    path = out / MANIFEST
    path.write_text(path.read_text("utf-8").replace(" 09:12:44", " 09:12:45"), "utf-8")


def _offset_in_the_manifest(out: Path) -> None:
    path = out / MANIFEST
    wrong = '"OffsetTimeOriginal": "+01:00"'
    path.write_text(path.read_text("utf-8").replace(wrong.replace("1", "2"), wrong), "utf-8")


@pytest.mark.parametrize("spoil", [_in_the_copy, _in_the_manifest, _offset_in_the_manifest])
def test_verify_finds_another_time(tmp_path: Path, spoil: Spoil) -> None:
    found = done(tmp_path, {"K7_0001.JPG": jpeg("09:16:04")}, ZONE + FAST)
    before = (found.out / "K7_0001.JPG").read_bytes(), (found.out / MANIFEST).read_bytes()
    spoil(found.out)
    assert before != ((found.out / "K7_0001.JPG").read_bytes(), (found.out / MANIFEST).read_bytes())
    (failed,) = verify(found.out).failed
    assert failed.copy == "K7_0001.JPG"


def test_verify_finds_another_time_in_a_sidecar(tmp_path: Path) -> None:
    found = done(tmp_path, {"K7_0001.DNG": RAW}, ZONE + FAST)
    path = found.out / MANIFEST
    text_before = path.read_text("utf-8")
    path.write_text(text_before.replace("09:09:40.45+02:00", "09:09:40.46+02:00"), "utf-8")
    assert path.read_text("utf-8") != text_before
    (failed,) = verify(found.out).failed
    assert "DateTimeOriginal" in str(failed.failure)


def test_the_proof_of_a_packet_sees_a_time_that_nobody_asked_to_change() -> None:
    moved = PACKET
    for name in (b"Original", b"DateCreated"):
        moved = moved.replace(name + b'="2026-05-17T09:16:04"', name + b'="2026-05-17T09:12:44"')
    assert moved != PACKET
    check_packet(PACKET, PACKET, Stated.of(decide(AT_2_8)))
    with pytest.raises(ProofError, match="the rest"):
        check_packet(PACKET, moved, Stated.of(decide(AT_2_8)))
    said = AT.replace(minute=16, second=4)
    check_packet(PACKET, moved, Stated.of(true_time(AT, said, SECOND, None)))
    with pytest.raises(ProofError, match="2026-05-17T09:12:44"):
        check_packet(PACKET, moved, Stated.of(true_time(AT + SECOND, said, SECOND, None)))


# No room ----------------------------------------------------------------------------------------


def full_jpeg(spare: int) -> bytes:
    """A frame whose block leaves `spare` bytes up to the longest there may be."""
    picture = jpeg("09:16:04")
    block = exif_block(picture)
    full = segment(APP1, EXIF + block + b"x" * (GREATEST - spare - len(block)))
    old = next(p for p in pieces(picture) if p.contents.startswith(EXIF))
    return picture[: old.at] + full + picture[old.end :]


def test_lens_data_is_not_withheld_where_only_the_time_finds_no_room(tmp_path: Path) -> None:
    def filled(spare: int) -> bool:
        place = tmp_path / str(spare)
        got = done(place, {"K7_0001.JPG": full_jpeg(spare)}, ZONE + FAST, set_time=False)
        return got.copies["K7_0001.JPG"].copies == ("K7_0001.JPG",)

    least = next(spare for spare in range(0, 1000, 8) if filled(spare))
    files = {"K7_0001.JPG": full_jpeg(least)}
    found = done(tmp_path, files, ZONE + FAST)
    copy = found.copies["K7_0001.JPG"]
    assert copy.match.outcome is Outcome.FILL
    assert "its time is left as it is" in str(copy.match.reason)
    assert stated(found.copy()) == ("2026:05:17 09:16:04", "", "")
    assert exifread_text(by_exifread(found.copy()), "FNumber") == "14/5"
    # Neither is it made again and again, nor taken for one where no time was asked for.
    again = done(tmp_path, files, ZONE + FAST).copies["K7_0001.JPG"]
    assert again.resumed
    assert again.match.reason == copy.match.reason
    plain = done(tmp_path, files, ZONE + FAST, set_time=False).copies["K7_0001.JPG"]
    assert plain.match.reason is None


@pytest.mark.parametrize("xmp", [False, True])
def test_a_native_frame_without_room_keeps_its_outcome(tmp_path: Path, xmp: bool) -> None:
    log = ZONE + "clock k7 fast 3m20s\n09:00 k7 off\n"
    found = done(tmp_path, {"K7_0001.JPG": full_jpeg(0)}, log, xmp=xmp)
    copy = found.copies["K7_0001.JPG"]
    assert copy.match.outcome is Outcome.NATIVE
    assert "its time is left as it is" in str(copy.match.reason)
    assert found.copy() == found.source()


def test_a_full_block_takes_what_fits_in_place(tmp_path: Path) -> None:
    full = with_block(ROOMY.ljust(GREATEST, b"x"))
    log = ZONE + "clock k7 fast 3m20s\n09:00 k7 off\n"
    found = done(tmp_path, {"K7_0001.JPG": full}, log)
    assert stated(found.copy()) == ("2026:05:17 10:12:44", "12345", "+02:00")
    assert len(found.copy()) == len(full)
