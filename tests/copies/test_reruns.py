"""Reruns can only help: sound copies, other programs' work and the frames stay as they are.

What another program does to a copy is done by the Exiv2 library (pyexiv2) or by hand.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from flangeback.copies import Filled, FillOptions, fill, preview, verify
from flangeback.copies.foreseeing import foreseen
from flangeback.copies.model import Action, SourceNow
from flangeback.copies.others import OtherFiles
from flangeback.copies.own import own_frames
from flangeback.errors import InputError
from flangeback.frames import scan
from flangeback.locks import lock
from flangeback.match import Matches, Outcome
from flangeback.raw_mode import RawMode, SidecarName
from flangeback.system import open_to_append
from flangeback.tags import Fill, Tag
from support.camera_files import put_frame
from support.chunk_files import PACKET, by_pillow, with_profile
from support.folders import litter, snapshot
from support.gear import AT_2_8, AT_5_6, filled
from support.plain_jpeg import APP1, EXIF, picture, segment, small_block, with_segments
from support.raw_files import bayer_dng
from support.readers import by_exiv2, xmp_by_exiv2

MANIFEST = "flangeback-manifest.jsonl"
FIRST, SECOND, THIRD = "K7_0001.JPG", "K7_0002.JPG", "day2/K7_0003.JPG"
RATED = "Xmp.xmp.Rating"


def a_picture(number: int) -> bytes:
    """A picture of its own for each number."""
    block = segment(APP1, EXIF + small_block())
    return with_segments(picture((32 + number, 16)), block)


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    folder = tmp_path / "frames"
    (folder / "day2").mkdir(parents=True)
    for number, name in enumerate((FIRST, SECOND, THIRD)):
        (folder / name).write_bytes(a_picture(number))
    return folder


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "out"


def with_packet(packet: bytes) -> bytes:
    """A picture with this XMP packet in it (ISO 16684-1)."""
    return with_segments(a_picture(0), segment(APP1, b"http://ns.adobe.com/xap/1.0/\0" + packet))


def matched(frames: Path, values: Fill | None = AT_2_8) -> Matches:
    """Every frame of the folder filled, or none."""
    found = (filled(frame, values or AT_2_8) for frame in scan(frames))
    if values is None:
        found = (replace(match, outcome=Outcome.UNLOGGED, fill=None) for match in found)
    return Matches(tuple(found))


def run(frames: Path, out: Path, values: Fill | None = AT_2_8, **more: Any) -> Filled:
    return fill(matched(frames, values), frames, out, FillOptions(**more))


def outcomes(found: Filled) -> dict[str, Outcome]:
    return {copy.match.frame.file: copy.match.outcome for copy in found.copies}


def f_number(path: Path) -> str:
    return str(by_exiv2(path.read_bytes()).get("Exif.Photo.FNumber"))


def copies(out: Path) -> dict[str, tuple[str, int]]:
    found = snapshot(out)
    return {name: state for name, state in found.items() if not name.startswith("flangeback-")}


# Other frames of the same names.


def test_a_frame_that_was_cut_never_replaces_its_copy(frames: Path, out: Path) -> None:
    run(frames, out)
    before = copies(out)
    (frames / SECOND).write_bytes(b"")
    again = run(frames, out)
    assert copies(out) == before
    assert outcomes(again) == {FIRST: "fill", SECOND: "unreadable", THIRD: "fill"}
    (cut,) = (copy for copy in again.copies if copy.match.frame.file == SECOND)
    assert cut.copy is None
    assert "the copy of that name is kept" in str(cut.match.reason)
    assert again.matches.needs_person
    assert not verify(out).failed


@pytest.mark.parametrize("same_size", [True, False])
def test_another_cards_frames_never_replace_copies(
    frames: Path, tmp_path: Path, out: Path, same_size: bool
) -> None:
    run(frames, out)
    before = copies(out)
    other = tmp_path / "other card"
    (other / "day2").mkdir(parents=True)
    for name in (FIRST, SECOND, THIRD):
        data = bytearray((frames / name).read_bytes())
        data[-20] ^= 1
        (other / name).write_bytes(bytes(data) + (b"" if same_size else b"more"))
        status = (frames / name).stat()
        os.utime(other / name, ns=(status.st_atime_ns, status.st_mtime_ns))
    found = run(other, out)
    assert copies(out) == before
    assert set(outcomes(found).values()) == {Outcome.CONFLICT}
    assert all("--beside" in str(copy.match.reason) for copy in found.copies)
    beside = run(other, out / other.name)
    assert set(outcomes(beside).values()) == {Outcome.FILL}
    checked = verify(out)
    assert not checked.strangers
    assert checked.folders == (other.name,)


def test_frames_that_moved_are_the_same_frames(frames: Path, tmp_path: Path, out: Path) -> None:
    run(frames, out)
    moved = tmp_path / "moved"
    frames.rename(moved)
    assert {copy.source for copy in verify(out).copies} == {SourceNow.AWAY}
    assert {copy.source for copy in verify(out, frames=moved).copies} == {SourceNow.SAME}
    again = run(moved, out)
    assert all(copy.resumed and copy.verified for copy in again.copies)
    assert {copy.source for copy in verify(out).copies} == {SourceNow.SAME}


def test_frames_and_copies_that_moved_together_are_found(frames: Path, tmp_path: Path) -> None:
    (tmp_path / "disk").mkdir()
    frames = frames.rename(tmp_path / "disk" / "frames")
    run(frames, tmp_path / "disk" / "out")
    (tmp_path / "disk").rename(tmp_path / "mounted elsewhere")
    checked = verify(tmp_path / "mounted elsewhere" / "out")
    assert {copy.source for copy in checked.copies} == {SourceNow.SAME}


# Worse and better logs.


def test_a_log_that_would_take_values_out_stops_the_run(frames: Path, out: Path) -> None:
    run(frames, out)
    before = snapshot(out)
    with pytest.raises(InputError, match=r"(?s)3 copies would lose lens data.*--take-back"):
        run(frames, out, None)
    assert snapshot(out) == before
    run(frames, out, None, take_back=True)
    for name in (FIRST, SECOND, THIRD):
        assert (out / name).read_bytes() == (frames / name).read_bytes()
    assert not verify(out).failed


def test_a_log_that_changes_more_than_it_adds_stops_the_run(frames: Path, out: Path) -> None:
    run(frames, out)
    with pytest.raises(
        InputError, match=r"3 copies would have lens data changed \(.*: nothing was written"
    ):
        run(frames, out, AT_5_6)
    run(frames, out, AT_5_6, take_back=True)
    assert {f_number(out / name) for name in (FIRST, SECOND, THIRD)} == {"56/10"}


def test_a_value_made_blank_is_one_that_is_lost(frames: Path, out: Path) -> None:
    """With --over an f-number of the other lens goes, though none takes its place: 0/0 is how Exif
    says that one isn't known (CIPA DC-008)."""
    run(frames, out)
    open_ = replace(AT_2_8, f_number=None)
    blank = replace(matched(frames, open_).frames[0], stale=frozenset({Tag.F_NUMBER}))
    (lost,) = preview(Matches((blank,)), frames, out)
    assert "FNumber" in lost.losses
    assert "FNumber" not in lost.changes


def test_an_option_left_out_takes_nothing_back_unless_it_is_meant(frames: Path, out: Path) -> None:
    run(frames, out, xmp=True)
    before = copies(out)
    with pytest.raises(InputError, match=r"would lose the XMP packet .*, without --xmp"):
        run(frames, out)
    assert copies(out) == before
    run(frames, out, take_back=True)
    assert not xmp_by_exiv2((out / FIRST).read_bytes())
    assert all(copy.resumed for copy in run(frames, out).copies)


def test_a_log_that_adds_values_goes_on(frames: Path, out: Path) -> None:
    run(frames, out, replace(AT_2_8, f_number=None))
    assert f_number(out / FIRST) == "None"
    run(frames, out)
    assert f_number(out / FIRST) == "28/10"


def test_a_preview_says_what_a_run_does_and_writes_nothing(frames: Path, out: Path) -> None:
    assert {one.action for one in preview(matched(frames), frames, out)} == {Action.MAKE}
    assert not out.exists()
    run(frames, out)
    before = snapshot(out)
    assert {one.action for one in preview(matched(frames), frames, out)} == {Action.KEEP}
    changed = preview(matched(frames, AT_5_6), frames, out)
    assert {one.action for one in changed} == {Action.CHANGE}
    assert changed[0].changes == ("ApertureValue", "FNumber")
    taken = preview(matched(frames, None), frames, out)
    assert {one.action for one in taken} == {Action.TAKE_BACK}
    assert "LensModel" in taken[0].losses
    (frames / SECOND).write_bytes(b"")
    left = preview(matched(frames), frames, out)
    assert [one.action for one in left if one.match.frame.file == SECOND] == [Action.LEAVE]
    assert snapshot(out) == before


# What other programs did to the copies.


def rate(path: Path, **more: str) -> None:
    """A catalogue writes a rating, and what else is given, into a picture."""
    pyexiv2 = pytest.importorskip("pyexiv2")
    with pyexiv2.Image(str(path)) as image:
        image.modify_xmp({RATED: "4", "Xmp.dc.subject": ["quay"]})
        if more:
            image.modify_exif({f"Exif.Photo.{name}": value for name, value in more.items()})


def test_a_rated_copy_is_left_and_nothing_waits_for_it(frames: Path, out: Path) -> None:
    run(frames, out)
    rate(out / FIRST)
    before = copies(out)
    again = run(frames, out)
    assert copies(out) == before
    assert set(outcomes(again).values()) == {Outcome.FILL}
    (rated,) = (copy for copy in again.copies if copy.copy == FIRST)
    assert rated.verified
    assert "another program" in str(rated.match.reason)
    assert "picture and the values written still stand" in str(rated.match.reason)


def test_a_folder_that_lost_its_manifest_is_known_by_the_copies_in_it(
    frames: Path, out: Path
) -> None:
    run(frames, out)
    rate(out / FIRST)
    (out / MANIFEST).unlink()
    before = copies(out)
    assert outcomes(run(frames, out)) == {FIRST: "conflict", SECOND: "fill", THIRD: "fill"}
    assert copies(out) == before
    found = verify(out)
    assert {one.copy for one in found.copies} == {SECOND, THIRD}
    assert found.strangers == (FIRST,)
    assert not found.failed


def test_what_another_program_changed_is_told_until_it_is_accepted(frames: Path, out: Path) -> None:
    """By another run, which notes the copy as it is now."""
    run(frames, out)
    rate(out / FIRST)
    found = verify(out)
    assert not found.failed
    assert [one.copy for one in found.copies if one.is_touched] == [FIRST]
    assert found.needs_person
    shutil.move(frames, frames.with_name("away"))
    assert [one.copy for one in verify(out).copies if one.is_touched] == [FIRST]
    shutil.move(frames.with_name("away"), frames)
    run(frames, out)
    assert not verify(out).needs_person
    assert {copy.source for copy in verify(out).copies} == {SourceNow.SAME}


def test_pixels_that_another_program_changed_are_a_failure_and_a_conflict(
    frames: Path, out: Path
) -> None:
    run(frames, out)
    data = bytearray((out / FIRST).read_bytes())
    data[-10] ^= 1
    (out / FIRST).write_bytes(data)
    assert [str(one.failure) for one in verify(out).failed] == [
        "its picture changed since it was made"
    ]
    again = run(frames, out)
    assert outcomes(again)[FIRST] == "conflict"
    assert (out / FIRST).read_bytes() == data


def test_what_the_body_wrote_must_stand_in_a_copy_that_was_changed_in_place(
    frames: Path, out: Path
) -> None:
    """PhotographicSensitivity, for one (CIPA DC-008, 4.6.5)."""
    run(frames, out)
    data = bytearray((out / FIRST).read_bytes())
    data[data.rindex(b"\x27\x88\x03\0\x01\0\0\0") + 8] ^= 1  # Tag 0x8827, SHORT, one value.
    (out / FIRST).write_bytes(data)
    (found,) = verify(out).failed
    assert found.copy == FIRST
    assert "ISOSpeedRatings no longer reads the same" in str(found.failure)
    run(frames, out)
    assert [one.copy for one in verify(out).failed] == [FIRST]
    (left,) = (one for one in run(frames, out, mend=True).copies if one.copy is None)
    assert "ISOSpeedRatings no longer reads the same; moved away" in str(left.match.reason)


def test_bytes_that_changed_at_the_copys_own_time_are_a_failure(frames: Path, out: Path) -> None:
    """As a disk does that fails; a program that writes into a file gives it another time."""
    run(frames, out)
    status = (out / FIRST).stat()
    rate(out / FIRST)
    os.utime(out / FIRST, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert [one.copy for one in verify(out).failed] == [FIRST]


def test_a_rated_copy_is_corrected_on_its_present_bytes(frames: Path, out: Path) -> None:
    run(frames, out)
    rate(out / FIRST)
    again = run(frames, out, AT_5_6, take_back=True)
    assert set(outcomes(again).values()) == {Outcome.FILL}
    assert {f_number(out / name) for name in (FIRST, SECOND, THIRD)} == {"56/10"}
    packet = xmp_by_exiv2((out / FIRST).read_bytes())
    assert packet[RATED] == "4"
    assert packet["Xmp.dc.subject"] == ["quay"]
    assert not verify(out).failed
    before = copies(out)
    assert all(copy.resumed and copy.verified for copy in run(frames, out, AT_5_6).copies)
    assert copies(out) == before
    run(frames, out, AT_2_8, take_back=True)
    assert f_number(out / FIRST) == "28/10"
    assert xmp_by_exiv2((out / FIRST).read_bytes())[RATED] == "4"


WITHOUT_SERIAL = replace(AT_5_6, lens=replace(AT_5_6.lens, name="Tolvan 28mm f/2.8", serial=None))


def test_a_rated_copy_is_corrected_to_a_lens_of_which_less_is_known(
    frames: Path, out: Path
) -> None:
    run(frames, out)
    rate(out / FIRST)
    again = run(frames, out, WITHOUT_SERIAL, take_back=True)
    assert set(outcomes(again).values()) == {Outcome.FILL}
    tags = by_exiv2((out / FIRST).read_bytes())
    assert tags["Exif.Photo.LensModel"] == "Tolvan 28mm f/2.8"
    assert not tags.get("Exif.Photo.LensSerialNumber", "").strip("\0 ")
    assert xmp_by_exiv2((out / FIRST).read_bytes())[RATED] == "4"
    before = copies(out)
    assert all(copy.resumed for copy in run(frames, out, WITHOUT_SERIAL).copies)
    assert copies(out) == before
    assert not verify(out).needs_person
    run(frames, out, AT_2_8, take_back=True)
    assert by_exiv2((out / FIRST).read_bytes())["Exif.Photo.LensSerialNumber"] == "6612345"
    assert not verify(out).failed


def test_a_rated_sidecar_is_corrected_to_a_lens_of_which_less_is_known(
    raw: Path, out: Path
) -> None:
    run(raw, out)
    sidecar = out / "K7_0001.xmp"
    rated(sidecar)
    assert set(outcomes(run(raw, out, WITHOUT_SERIAL, take_back=True)).values()) == {Outcome.FILL}
    stated = sidecar.read_bytes()
    assert b'xmp:Rating="4"' in stated
    assert b"Tolvan 28mm f/2.8" in stated
    assert b"6612345" not in stated
    assert not verify(out).failed


def rated(sidecar: Path) -> bytes:
    """A catalogue puts a rating into a sidecar of ours."""
    text = sidecar.read_bytes().replace(b"<rdf:Description", b'<rdf:Description xmp:Rating="4"', 1)
    lead = b'xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:exif'
    sidecar.write_bytes(text.replace(b"xmlns:exif", lead, 1))
    return sidecar.read_bytes()


NO_PLACE = pytest.mark.parametrize(
    ("values", "more"), [(None, {}), (AT_5_6, {"raw": RawMode.EMBED})], ids=["native", "embedded"]
)
"""Reruns that make no sidecars any more."""


@pytest.mark.parametrize("noted", [False, True])
@NO_PLACE
def test_a_rated_sidecar_that_has_no_place_any_more_keeps_its_rating_alone(
    raw: Path, out: Path, values: Fill | None, more: dict[str, Any], noted: bool
) -> None:
    run(raw, out)
    rated(out / "K7_0001.xmp")
    if noted:
        run(raw, out)
    found = run(raw, out, values, take_back=True, **more)
    is_native = values is None
    assert set(outcomes(found).values()) == {Outcome.UNLOGGED if is_native else Outcome.FILL}
    packet = xmp_by_exiv2(with_packet((out / "K7_0001.xmp").read_bytes()))
    assert packet == {RATED: "4"}
    assert not (out / "K7_0002.xmp").exists()
    is_as_it_was = (out / "K7_0001.DNG").read_bytes() == (raw / "K7_0001.DNG").read_bytes()
    assert is_as_it_was is is_native
    before = copies(out)
    assert all(copy.resumed for copy in run(raw, out, values, **more).copies)
    assert copies(out) == before
    assert not verify(out).needs_person
    run(raw, out, take_back=True)
    assert b'xmp:Rating="4"' in (out / "K7_0001.xmp").read_bytes()
    assert b"28/10" in (out / "K7_0001.xmp").read_bytes()


@NO_PLACE
def test_a_sidecar_of_other_values_that_has_no_place_any_more_is_a_conflict(
    raw: Path, out: Path, values: Fill | None, more: dict[str, Any]
) -> None:
    run(raw, out)
    changed = rated(out / "K7_0001.xmp").replace(b"28/10", b"40/10")
    (out / "K7_0001.xmp").write_bytes(changed)
    first, second = run(raw, out, values, take_back=True, **more).copies
    assert first.match.outcome is Outcome.CONFLICT
    assert "states 40/10 as FNumber, not 28/10" in str(first.match.reason)
    assert second.match.outcome is (Outcome.UNLOGGED if values is None else Outcome.FILL)
    assert (out / "K7_0001.xmp").read_bytes() == changed
    assert (out / "K7_0001.DNG").read_bytes() == (raw / "K7_0001.DNG").read_bytes()


@pytest.mark.parametrize("noted", [False, True])
def test_a_rated_sidecar_goes_on_under_its_name(raw: Path, out: Path, noted: bool) -> None:
    run(raw, out)
    rated(out / "K7_0001.xmp")
    if noted:
        run(raw, out)
    found = run(raw, out, AT_5_6, take_back=True, sidecar=SidecarName.FULL)
    assert set(outcomes(found).values()) == {Outcome.FILL}
    assert b'xmp:Rating="4"' in (out / "K7_0001.xmp").read_bytes()
    assert b"56/10" in (out / "K7_0001.xmp").read_bytes()
    assert not (out / "K7_0001.DNG.xmp").exists()
    assert (out / "K7_0002.DNG.xmp").exists()
    assert not (out / "K7_0002.xmp").exists()
    assert not verify(out).needs_person


def test_an_unfilled_copy_that_was_rated_is_filled_on_its_present_bytes(
    frames: Path, out: Path
) -> None:
    run(frames, out, None)
    rate(out / FIRST)
    run(frames, out)
    assert f_number(out / FIRST) == "28/10"
    assert xmp_by_exiv2((out / FIRST).read_bytes())[RATED] == "4"


@pytest.mark.parametrize("registered", [None, (50, 1), (500, 10)])
def test_all_values_go_from_a_rated_copy_and_the_frames_own_come_back(
    frames: Path, out: Path, registered: tuple[int, int] | None
) -> None:
    own = {} if registered is None else {0x920A: registered}
    put_frame(frames, FIRST, own)
    run(frames, out)
    rate(out / FIRST)
    found = run(frames, out, None, take_back=True)
    assert set(outcomes(found).values()) == {Outcome.UNLOGGED}
    tags = by_exiv2((out / FIRST).read_bytes())
    assert tags["Exif.Photo.FocalLength"] == "/".join(map(str, registered or (0, 0)))
    assert not tags["Exif.Photo.LensModel"].strip("\0 ")
    assert tags["Exif.Photo.FNumber"] == "0/0"
    assert xmp_by_exiv2((out / FIRST).read_bytes())[RATED] == "4"
    before = copies(out)
    assert all(copy.resumed for copy in run(frames, out, None).copies)
    assert copies(out) == before
    assert not verify(out).needs_person
    assert set(outcomes(run(frames, out)).values()) == {Outcome.FILL}
    assert f_number(out / FIRST) == "28/10"


def test_what_stood_in_the_frames_own_xmp_doesnt_come_back_by_our_hand(
    frames: Path, out: Path
) -> None:
    packet = RATING.replace(b"xmp:Rating", b'exif:FocalLength="50/1" xmp:Rating')
    (frames / FIRST).write_bytes(with_packet(packet))
    run(frames, out)
    rate(out / FIRST)
    before = (out / FIRST).read_bytes()
    found = run(frames, out, None, take_back=True)
    assert outcomes(found)[FIRST] == Outcome.CONFLICT
    assert (out / FIRST).read_bytes() == before


AS_LOGGED = {"FNumber": "4/1", "LensModel": "Miran 58mm f/2"}
AT_4 = replace(AT_2_8, f_number=Decimal(4))


@pytest.mark.parametrize("earlier", [AT_2_8, None], ids=["filled", "unfilled"])
def test_a_copy_that_a_catalogue_set_to_what_the_log_says_by_now_is_filled(
    frames: Path, out: Path, earlier: Fill | None
) -> None:
    run(frames, out, earlier)
    rate(out / FIRST, **AS_LOGGED)
    found = run(frames, out, AT_4, take_back=True)
    assert set(outcomes(found).values()) == {Outcome.FILL}
    tags = by_exiv2((out / FIRST).read_bytes())
    assert (tags["Exif.Photo.FNumber"], tags["Exif.Photo.ApertureValue"]) == ("4/1", "4/1")
    assert xmp_by_exiv2((out / FIRST).read_bytes())[RATED] == "4"
    assert not verify(out).needs_person


def test_a_sidecar_that_a_catalogue_set_to_what_the_log_says_by_now_is_ours(
    raw: Path, out: Path
) -> None:
    run(raw, out)
    sidecar = out / "K7_0001.xmp"
    sidecar.write_bytes(rated(sidecar).replace(b"28/10", b"4/1"))
    found = run(raw, out, AT_4, take_back=True)
    assert set(outcomes(found).values()) == {Outcome.FILL}
    assert b'xmp:Rating="4"' in sidecar.read_bytes()
    assert not verify(out).needs_person


@pytest.mark.parametrize("values", [AT_2_8, AT_5_6])
def test_our_values_that_another_program_changed_are_that_frames_conflict(
    frames: Path, out: Path, values: Fill
) -> None:
    run(frames, out)
    rate(out / FIRST, FNumber="4/1")
    before = (out / FIRST).read_bytes()
    again = run(frames, out, values, take_back=True)
    assert (out / FIRST).read_bytes() == before
    assert outcomes(again) == {FIRST: "conflict", SECOND: "fill", THIRD: "fill"}
    assert {f_number(out / name) for name in (SECOND, THIRD)} == {
        f"{int((values.f_number or Decimal(0)) * 10)}/10"
    }


def test_values_that_another_program_put_where_ours_would_be_are_a_conflict(
    frames: Path, out: Path
) -> None:
    run(frames, out, None)
    rate(out / FIRST, LensModel="Another lens")
    again = run(frames, out)
    assert outcomes(again) == {FIRST: "conflict", SECOND: "fill", THIRD: "fill"}
    assert by_exiv2((out / FIRST).read_bytes())["Exif.Photo.LensModel"] == "Another lens"


def ruined(path: Path) -> None:
    path.write_bytes(b"not a picture any more")


def test_a_copy_that_was_ruined_is_a_conflict_and_stays(frames: Path, out: Path) -> None:
    run(frames, out)
    ruined(out / FIRST)
    again = run(frames, out, AT_5_6, take_back=True)
    assert outcomes(again)[FIRST] == "conflict"
    assert (out / FIRST).read_bytes() == b"not a picture any more"


RATING = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
    b'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" '
    b'xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:exif="http://ns.adobe.com/exif/1.0/" '
    b'xmp:Rating="4"/></rdf:RDF></x:xmpmeta>'
)


@pytest.fixture
def raw(tmp_path: Path) -> Path:
    folder = tmp_path / "raw"
    folder.mkdir()
    for number in (1, 2):
        (folder / f"K7_000{number}.DNG").write_bytes(bayer_dng().data)
    return folder


def test_a_sidecar_that_a_catalogue_edited_keeps_its_edits(raw: Path, out: Path) -> None:
    run(raw, out)
    sidecar = out / "K7_0001.xmp"
    edited = sidecar.read_bytes().replace(
        b"<exif:FNumber>", b"<exif:UserComment>quay</exif:UserComment><exif:FNumber>"
    )
    sidecar.write_bytes(edited)
    again = run(raw, out)
    assert sidecar.read_bytes() == edited
    assert set(outcomes(again).values()) == {Outcome.FILL}
    run(raw, out, AT_5_6, take_back=True)
    assert b"quay" in sidecar.read_bytes()
    assert b"56/10" in sidecar.read_bytes()
    assert not verify(out).failed


def test_a_sidecar_that_a_catalogue_made_is_merged(raw: Path, out: Path) -> None:
    run(raw, out, None)
    (out / "K7_0001.xmp").write_bytes(RATING)
    found = run(raw, out)
    assert set(outcomes(found).values()) == {Outcome.FILL}
    text = (out / "K7_0001.xmp").read_bytes()
    assert b'xmp:Rating="4"' in text
    assert b"28/10" in text
    assert not verify(out).failed


def test_a_catalogues_sidecar_that_says_otherwise_is_a_conflict(raw: Path, out: Path) -> None:
    run(raw, out, None)
    says = RATING.replace(b"xmp:Rating", b'exif:FNumber="4/1" xmp:Rating')
    (out / "K7_0001.xmp").write_bytes(says)
    found = run(raw, out)
    assert outcomes(found) == {"K7_0001.DNG": "conflict", "K7_0002.DNG": "fill"}
    assert (out / "K7_0001.xmp").read_bytes() == says


def test_a_stranger_in_a_folder_of_ours_is_that_frames_conflict(frames: Path, out: Path) -> None:
    run(frames, out)
    (frames / "K7_0009.JPG").write_bytes(a_picture(8))
    (out / "K7_0009.JPG").write_bytes(b"somebody's own")
    found = run(frames, out)
    assert outcomes(found).pop("K7_0009.JPG") is Outcome.CONFLICT
    assert sorted(outcomes(found).values()) == ["conflict", "fill", "fill", "fill"]
    assert (out / "K7_0009.JPG").read_bytes() == b"somebody's own"


# Frames that change, or can't be read, under the run.


def swapped(path: Path) -> None:
    """Another file of the same size and time takes the name."""
    status = path.stat()
    other = path.with_name("other")
    data = path.read_bytes()
    at = data.index(b"\xc8\x00", 20)  # PhotographicSensitivity 200 in the small block
    other.write_bytes(data[:at] + b"\x90\x01" + data[at + 2 :])
    os.utime(other, ns=(status.st_atime_ns, status.st_mtime_ns))
    other.replace(path)


def grown(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b"more")


def gone(path: Path) -> None:
    path.unlink()


def dangling(path: Path) -> None:
    path.unlink()
    path.symlink_to("nowhere")


def a_pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


@pytest.mark.parametrize("change", [swapped, grown, gone, dangling, a_pipe])
def test_a_frame_that_is_not_what_was_matched_gets_no_values(
    frames: Path, out: Path, change: Callable[[Path], None]
) -> None:
    matches = matched(frames)
    change(frames / SECOND)
    found = fill(matches, frames, out)
    assert outcomes(found) == {FIRST: "fill", SECOND: "unreadable", THIRD: "fill"}
    assert not (out / SECOND).exists()
    assert not litter(out)
    assert found.matches.needs_person
    assert not found.failed


def test_a_file_numbered_anew_is_still_the_same_frame(frames: Path, out: Path) -> None:
    """As happens on cards, whose file systems have no numbers for files."""
    registered = RATING.replace(b"xmp:Rating", b'exif:FocalLength="58/1" xmp:Rating')
    (frames / "K7_0002.xmp").write_bytes(registered)
    matches = matched(frames)
    assert matches.frames[2].frame.lens_data.registered_focal_length == 58
    shutil.copy2(frames / SECOND, frames / "copy")
    (frames / "copy").replace(frames / SECOND)
    assert set(outcomes(fill(matches, frames, out)).values()) == {Outcome.FILL}


def test_a_frame_that_the_disk_cant_read_stops_no_other(
    frames: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    matches = matched(frames)
    bad = (frames / SECOND).stat().st_ino

    def failing(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **more: Any) -> Any:
            if any(isinstance(x, int) and x > 2 and _inode(x) == bad for x in given[:2]):
                raise OSError(5, "Input/output error")
            return real(*given, **more)

        return call

    for name in ("pread", "copy_file_range", "sendfile"):
        monkeypatch.setattr(os, name, failing(getattr(os, name)))
    found = fill(matches, frames, out)
    assert outcomes(found) == {FIRST: "fill", SECOND: "unreadable", THIRD: "fill"}
    assert "Input/output error" in str(found.copies[1].match.reason) or "Input/output" in str(
        [copy.match.reason for copy in found.copies]
    )
    assert not litter(out)
    monkeypatch.undo()
    assert verify(out).missing == 1
    assert verify(out).needs_person
    fill(matches, frames, out)
    assert not verify(out).needs_person


def _inode(descriptor: int) -> int:
    try:
        return os.fstat(descriptor).st_ino
    except OSError:
        return -1


@pytest.mark.skipif(os.name == "nt", reason="names are UTF-16 there")
def test_names_that_are_not_utf_8_come_through(frames: Path, out: Path) -> None:
    name = os.fsdecode(b"K7_\xff\xfe.JPG")
    try:
        shutil.copy(frames / FIRST, frames / name)
    except OSError:
        pytest.skip("this disk holds no such names")
    assert run(frames, out).copies
    assert (out / name).exists()
    assert all(copy.resumed for copy in run(frames, out).copies)
    checked = verify(out)
    assert not checked.failed
    assert not checked.strangers


def test_a_name_of_the_greatest_length_comes_through(frames: Path, out: Path) -> None:
    name = "K" * 251 + ".JPG"
    shutil.copy(frames / FIRST, frames / name)
    assert set(outcomes(run(frames, out)).values()) == {Outcome.FILL}
    assert (out / name).exists()


# Links and odd things.


def test_a_manifest_that_is_a_link_writes_nowhere(frames: Path, tmp_path: Path, out: Path) -> None:
    theirs = tmp_path / "theirs"
    theirs.write_bytes(b"half a line of somebody's")
    out.mkdir()
    before = snapshot(tmp_path)
    for link in (Path.symlink_to, Path.hardlink_to):
        link(out / MANIFEST, theirs)
        with pytest.raises(InputError, match=MANIFEST):
            run(frames, out)
        (out / MANIFEST).unlink()
        assert snapshot(tmp_path) == before


def test_a_half_line_of_somebody_else_stays(frames: Path, out: Path) -> None:
    out.mkdir()
    (out / MANIFEST).write_bytes(b"half a line of somebody's")
    with pytest.raises(InputError, match="isn't flangeback's"):
        run(frames, out)
    assert (out / MANIFEST).read_bytes() == b"half a line of somebody's"


@pytest.mark.parametrize(
    "left", [b"\0" * 5000, b'{"sche' + b"\0" * 100, b'{"schema": "flangeback/mani']
)
def test_what_a_power_cut_leaves_behind_the_last_line_is_cut_off(
    frames: Path, out: Path, left: bytes
) -> None:
    run(frames, out)
    whole = (out / MANIFEST).read_bytes()
    (out / MANIFEST).write_bytes(whole + left)
    assert verify(out).faults
    run(frames, out)
    assert (out / MANIFEST).read_bytes().startswith(whole + b'{"schema": "flangeback/')
    assert verify(out).faults == ()


def test_a_pipe_in_the_place_of_a_copy_or_manifest_hangs_nothing(frames: Path, out: Path) -> None:
    run(frames, out)
    (out / FIRST).unlink()
    os.mkfifo(out / FIRST)
    assert outcomes(run(frames, out))[FIRST] == "conflict"
    assert len(verify(out).failed) == 1
    (out / MANIFEST).unlink()
    os.mkfifo(out / MANIFEST)
    with pytest.raises(InputError, match="not a regular file"):
        run(frames, out)
    with pytest.raises(InputError, match="not a regular file"):
        verify(out)


@pytest.mark.parametrize("known", [True, False])
def test_a_hard_link_to_the_frame_is_no_copy(frames: Path, out: Path, known: bool) -> None:
    if known:
        run(frames, out, None)
        (out / FIRST).unlink()
        (out / FIRST).hardlink_to(frames / FIRST)
        run(frames, out)
        assert not (out / FIRST).samefile(frames / FIRST)
        assert f_number(out / FIRST) == "28/10"
        assert f_number(frames / FIRST) == "None"
    else:
        out.mkdir()
        (out / FIRST).hardlink_to(frames / FIRST)
        with pytest.raises(InputError, match=r"stands? in the way"):
            run(frames, out, None)


# The manifest's runs, and what stands beside the copies.


def lines(out: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (out / MANIFEST).read_text("utf-8").splitlines()]


def test_each_run_is_recorded_from_start_to_end(frames: Path, out: Path) -> None:
    run(frames, out, xmp=True)
    start, *files, end = lines(out)
    assert start["record"] == "start"
    assert start["files"] == start["to_make"] == len(files) == 3
    assert start["frames"] == str(frames)
    assert start["options"]["xmp"] is True
    assert end["record"] == "end"
    run(frames, out, xmp=True)
    assert [line["record"] for line in lines(out)[-2:]] == ["start", "end"]
    assert not verify(out).needs_person


def test_logs_and_kit_lie_beside_the_copies(frames: Path, tmp_path: Path, out: Path) -> None:
    log, kit = tmp_path / "log.txt", tmp_path / "kit.toml"
    log.write_bytes(b"all k7\n")
    kit.write_bytes(b"# kit\n")
    run(frames, out, logs=(log,), kit=kit)
    assert (out / "flangeback-session.txt").read_bytes() == b"all k7\n"
    log.write_bytes(b"all k7 f/4\n")
    run(frames, out, logs=(log,), kit=kit)
    assert (out / "flangeback-session.txt").read_bytes() == b"all k7\n"
    assert (out / "flangeback-session-2.txt").read_bytes() == b"all k7 f/4\n"
    assert (out / "flangeback-kit.toml").read_bytes() == b"# kit\n"
    assert not (out / "flangeback-kit-2.toml").exists()
    assert lines(out)[-2]["logs"] == ["flangeback-session-2.txt"]
    assert not verify(out).strangers


def test_an_interrupted_run_is_told_from_a_whole_one(frames: Path, out: Path) -> None:
    run(frames, out)
    kept = (out / MANIFEST).read_bytes().splitlines(keepends=True)
    (out / MANIFEST).write_bytes(b"".join(kept[:2]))
    found = verify(out)
    assert found.missing == 2
    assert found.needs_person
    assert not found.failed


@pytest.mark.parametrize("number", [1, 2, 3])
def test_a_line_taken_out_or_changed_is_told(frames: Path, out: Path, number: int) -> None:
    run(frames, out)
    kept = (out / MANIFEST).read_bytes().splitlines(keepends=True)
    (out / MANIFEST).write_bytes(b"".join(kept[:number] + kept[number + 1 :]))
    assert "changed or taken out" in verify(out).faults[0]
    kept[number] = kept[number].replace(b'"body": "k7"', b'"body": "n2"')
    (out / MANIFEST).write_bytes(b"".join(kept))
    assert "changed or taken out" in verify(out).faults[0]


def test_a_manifest_that_lost_lines_is_whole_again_after_another_run(
    frames: Path, out: Path
) -> None:
    run(frames, out)
    before = copies(out)
    kept = (out / MANIFEST).read_bytes().splitlines(keepends=True)
    (out / MANIFEST).write_bytes(b"".join([kept[0], *kept[3:]]))
    assert verify(out).faults
    assert run(frames, out).copies
    assert copies(out) == before
    found = verify(out)
    assert len(found.copies) == 3
    assert not found.failed
    assert not found.needs_person


def test_a_source_that_changed_is_told_even_at_the_same_size(frames: Path, out: Path) -> None:
    run(frames, out)
    data = bytearray((frames / FIRST).read_bytes())
    data[-10] ^= 1
    (frames / FIRST).write_bytes(data)
    (frames / SECOND).unlink()
    found = verify(out)
    assert {copy.copy: copy.source for copy in found.copies} == {
        FIRST: SourceNow.CHANGED,
        SECOND: SourceNow.AWAY,
        THIRD: SourceNow.SAME,
    }
    assert not found.failed
    assert found.needs_person


def test_modes_and_times_come_along(frames: Path, out: Path) -> None:
    (frames / FIRST).chmod(0o600)
    os.utime(frames / "day2", ns=(10**18, 10**18))
    run(frames, out)
    if os.name != "nt":  # Its files have no modes.
        assert (out / FIRST).stat().st_mode & 0o777 == 0o600
    assert (out / "day2").stat().st_mtime_ns == 10**18
    assert (out / THIRD).stat().st_mtime_ns == (frames / THIRD).stat().st_mtime_ns


@pytest.mark.skipif(os.name == "nt", reason="its folders have no modes")
def test_modes_of_folders_come_along_and_stop_no_later_run(frames: Path, out: Path) -> None:
    (frames / "day2").chmod(0o500)
    run(frames, out)
    assert (out / "day2").stat().st_mode & 0o777 == 0o500
    (out / THIRD).unlink()
    assert not run(frames, out, AT_5_6, take_back=True).failed
    assert (out / "day2").stat().st_mode & 0o777 == 0o500
    assert f_number(out / THIRD) == "56/10"
    (frames / "day2").chmod(0o700)
    (out / "day2").chmod(0o700)


@pytest.mark.skipif(os.name == "nt", reason="its folders have no modes")
def test_an_output_folder_that_its_owner_made_read_only_stays_so(frames: Path, out: Path) -> None:
    run(frames, out)
    out.chmod(0o500)
    with suppress(InputError):  # Who is root may write there all the same.
        run(frames, out, AT_5_6, take_back=True)
    assert out.stat().st_mode & 0o777 == 0o500
    out.chmod(0o700)


def test_attributes_come_along(frames: Path, out: Path) -> None:
    try:
        os.setxattr(frames / FIRST, "user.label", b"red")
    except (OSError, AttributeError):
        pytest.skip("this disk has no extended attributes")
    run(frames, out)
    assert os.getxattr(out / FIRST, "user.label") == b"red"


def test_other_files_are_named_or_copied(frames: Path, out: Path) -> None:
    for name in ("clip.mov", "day2/clip.mov", "notes.pdf", ".hidden", "Thumbs.db"):
        (frames / name).write_bytes(name.encode() * 100)
    found = run(frames, out)
    assert found.others.kinds == {"MOV": 2, "PDF": 1}
    assert not found.others.copied
    assert not (out / "clip.mov").exists()
    found = run(frames, out, others=True)
    assert found.others.copied
    for name in ("clip.mov", "day2/clip.mov", "notes.pdf"):
        assert (out / name).read_bytes() == (frames / name).read_bytes()
    assert not (out / ".hidden").exists()
    assert len(verify(out).copies) == 6
    (out / "clip.mov").write_bytes(b"changed")
    assert [copy.copy for copy in verify(out).failed] == ["clip.mov"]
    left = run(frames, out, others=True).others.left
    assert left["clip.mov"].startswith("its copy is left as it is: another program changed it;")
    assert (out / "clip.mov").read_bytes() == b"changed"


def test_a_file_that_an_interrupted_run_noted_twice_counts_once(frames: Path, out: Path) -> None:
    run(frames, out)
    start, first, *_ = (out / MANIFEST).read_bytes().splitlines(keepends=True)
    (out / MANIFEST).write_bytes(start + first + first)
    assert verify(out).missing == 2


def test_what_lies_beside_copies_is_no_other_file_of_theirs(
    frames: Path, out: Path, tmp_path: Path
) -> None:
    log = tmp_path / "session.txt"
    log.write_text("all miran58 f/2.8\n")
    run(frames, out, logs=(log,))
    (out / "flangeback-notes.txt").write_text("somebody's own")
    log.write_text("all miran58 f/4\n")
    again = tmp_path / "again"
    found = run(out, again, logs=(log,), others=True)
    assert found.others.files == found.others.made == ("flangeback-notes.txt",)
    assert (again / "flangeback-session.txt").read_text() == "all miran58 f/4\n"
    assert not verify(again).needs_person


def test_the_sidecar_of_a_frame_that_is_gone_replaces_no_copy(raw: Path, out: Path) -> None:
    (raw / "K7_0001.xmp").write_bytes(RATING)
    run(raw, out)
    before = (out / "K7_0001.xmp").read_bytes()
    assert b"28/10" in before
    (raw / "K7_0001.DNG").unlink()
    found = run(raw, out, others=True)
    assert found.others.left.keys() == {"K7_0001.xmp"}
    assert (out / "K7_0001.xmp").read_bytes() == before


def test_frames_that_were_culled_with_their_copies_are_no_failed_proof(
    raw: Path, out: Path
) -> None:
    run(raw, out)
    for name in ("K7_0001.DNG", "K7_0001.xmp"):
        (out / name).unlink()
    assert {one.copy for one in verify(out).failed} == {"K7_0001.DNG", "K7_0001.xmp"}
    (raw / "K7_0001.DNG").unlink()
    found = verify(out)
    assert found.culled == ("K7_0001.DNG", "K7_0001.xmp")
    assert {one.copy for one in found.copies} == {"K7_0002.DNG", "K7_0002.xmp"}
    assert not found.failed
    assert not found.needs_person
    # Nothing of the folder is as it was: it may be another card's.
    (raw / "K7_0002.DNG").unlink()
    assert {one.copy for one in verify(out).failed} == {"K7_0001.DNG", "K7_0001.xmp"}


def test_values_that_move_from_a_sidecar_are_no_loss(raw: Path, out: Path) -> None:
    run(raw, out)
    assert set(outcomes(run(raw, out, raw=RawMode.EMBED)).values()) == {Outcome.FILL}
    assert not (out / "K7_0001.xmp").exists()
    assert f_number(out / "K7_0001.DNG") == "28/10"
    run(raw, out)
    (raw / "K7_0001.DNG.xmp").write_bytes(RATING)
    assert set(outcomes(run(raw, out)).values()) == {Outcome.FILL}
    assert b"28/10" in (out / "K7_0001.DNG.xmp").read_bytes()
    assert not (out / "K7_0001.xmp").exists()


def test_a_copy_that_cant_be_read_stops_no_other(
    frames: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(frames, out)
    (out / SECOND).unlink()
    real = os.open

    def refuse(path: Any, *given: Any, **more: Any) -> int:
        if Path(str(path)).parts[-2:] == ("out", FIRST):
            raise PermissionError(13, "Permission denied", str(path))
        return real(path, *given, **more)

    monkeypatch.setattr(os, "open", refuse)
    found = run(frames, out, mend=True)
    assert outcomes(found) == {FIRST: "conflict", SECOND: "fill", THIRD: "fill"}
    (left,) = (copy for copy in found.copies if copy.copy is None)
    assert "its copy can't be read" in str(left.match.reason)
    monkeypatch.undo()
    assert not verify(out).failed


def test_an_other_file_that_goes_away_stops_no_other(
    frames: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (frames / "clip.mov").write_bytes(b"a movie")
    listed = lambda *_: OtherFiles(("clip.mov", "gone.mov"))  # noqa: E731
    monkeypatch.setattr("flangeback.copies.run.other_files", listed)
    found = run(frames, out, others=True)
    assert found.others.made == ("clip.mov",)
    assert found.others.left.keys() == {"gone.mov"}
    assert len(verify(out).copies) == 4


def put_in_small_letters(frames: Path) -> None:
    if (frames / "k7_0001.JPG").exists():
        pytest.skip("this disk folds case")
    shutil.copy(frames / FIRST, frames / "k7_0001.JPG")


def test_names_that_a_disk_confuses_are_refused_beforehand(
    frames: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that folds case gives two such names one file."""
    put_in_small_letters(frames)
    real = Path.touch

    def touch(path: Path, **more: Any) -> None:
        real(path, **more)
        if path.name == "k7_0001.JPG":
            path.unlink()
            path.hardlink_to(path.with_name("K7_0001.JPG"))

    monkeypatch.setattr(Path, "touch", touch)
    with pytest.raises(InputError, match=r"doesn't tell these names apart: K7_0001.JPG, k7_0001"):
        run(frames, out)
    assert not out.exists()


def test_names_that_a_disk_tells_apart_are_copied(frames: Path, out: Path) -> None:
    put_in_small_letters(frames)
    assert set(outcomes(run(frames, out)).values()) == {Outcome.FILL}


def test_a_disk_that_keeps_no_modes_is_told(
    frames: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "chmod", refuse)
    found = run(frames, out)
    assert set(outcomes(found).values()) == {Outcome.FILL}
    assert not any(copy.keeps_attributes for copy in found.copies)


def test_a_file_that_appears_under_a_copys_name_is_that_frames_conflict(
    frames: Path, out: Path
) -> None:
    def step(count: int, size: int) -> None:
        (out / "day2").mkdir(exist_ok=True)
        for number in range(40, 44):
            path = out / f"K7_00{number}.JPG"
            if not path.exists():
                path.write_bytes(b"somebody's own")

    for number in range(4, 44):
        (frames / f"K7_00{number:02}.JPG").write_bytes(a_picture(number))
    found = fill(matched(frames), frames, out, FillOptions(), step)
    conflicts = [copy.match.frame.file for copy in found.copies if copy.copy is None]
    assert set(conflicts) <= {f"K7_00{number}.JPG" for number in range(40, 44)}
    assert conflicts
    assert all((out / name).read_bytes() == b"somebody's own" for name in conflicts)


def test_a_run_that_another_overtook_begins_anew(
    frames: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other one ends between this one's look at the folder and its lock."""
    from flangeback.copies import output

    real = output.check_room

    def overtaken(*given: Any) -> None:
        monkeypatch.setattr(output, "check_room", real)
        run(frames, out)
        real(*given)

    monkeypatch.setattr(output, "check_room", overtaken)
    with pytest.raises(InputError, match="another run wrote into this folder"):
        run(frames, out)
    assert not verify(out).failed
    assert all(copy.resumed for copy in run(frames, out).copies)


def test_a_rerun_that_asks_for_what_a_file_cant_take_says_so(frames: Path, out: Path) -> None:
    """Its copy holds just the frame in either run, and is said to hold no more."""
    packet = PACKET.replace(b"'----'", b"'Other 50mm'")
    (frames / "scan.png").write_bytes(
        with_profile(by_pillow("PNG"), b"xmp", packet, deflated=False)
    )
    (frame,) = (one for one in scan(frames) if one.file == "scan.png")
    conflict = replace(filled(frame), outcome=Outcome.CONFLICT)
    over = replace(filled(frame), stale=frozenset([Tag.LENS_MODEL]))
    for match in (conflict, over, conflict, over):
        asked = FillOptions(over=match is over)
        (copy,) = fill(Matches((match,)), frames, out, asked).copies
        wanted = Outcome.UNREADABLE if match is over else Outcome.CONFLICT
        assert copy.match.outcome is wanted
        assert ("its metadata are in a text chunk" in str(copy.match.reason)) == (match is over)
        assert (out / "scan.png").read_bytes() == (frames / "scan.png").read_bytes()


# Names of flangeback's own ----------------------------------------------------------------------


@pytest.mark.parametrize("name", [MANIFEST, "flangeback-session.txt", "flangeback-kit-2.toml"])
def test_a_picture_called_like_a_file_of_ours_is_left_and_stops_nothing(
    frames: Path, out: Path, name: str
) -> None:
    (frames / name).write_bytes(a_picture(7))
    for _ in range(2):
        found = run(frames, out)
        assert outcomes(found)[name] == Outcome.CONFLICT
        assert sum(copy.verified for copy in found.copies) == 3
        checked = verify(out)
        assert (checked.failed, checked.missing, checked.strangers) == ((), 0, ())


def test_our_own_files_are_no_other_files_of_a_folder_of_copies(
    frames: Path, tmp_path: Path, out: Path
) -> None:
    run(frames, out)
    (out / "clip.mov").write_bytes(b"movie")
    assert run(out, tmp_path / "again").others.files == ("clip.mov",)


def test_a_link_is_no_log_that_is_kept(frames: Path, tmp_path: Path, out: Path) -> None:
    log = tmp_path / "session.txt"
    log.write_text("all k7 miran58 f/2.8\n")
    out.mkdir()
    (out / "flangeback-session.txt").symlink_to(log)
    run(frames, out, logs=(log,))
    assert (out / "flangeback-session-2.txt").read_text() == log.read_text()
    assert not (out / "flangeback-session-2.txt").is_symlink()


def test_copies_are_not_proved_while_a_run_writes(frames: Path, out: Path) -> None:
    run(frames, out)
    file = open_to_append(out / MANIFEST)
    try:
        assert lock(file)
        with pytest.raises(InputError, match="another run is writing into this folder"):
            verify(out)
    finally:
        os.close(file)
    assert not verify(out).failed


def test_no_folder_is_made_below_a_file(frames: Path, tmp_path: Path) -> None:
    (tmp_path / "kit.toml").write_text("")
    with pytest.raises(InputError, match=r"kit\.toml: is a file"):
        run(frames, tmp_path / "kit.toml" / "copies")


def test_what_stands_in_a_sidecar_of_ours_is_our_own_too(raw: Path, out: Path) -> None:
    run(raw, out)
    assert own_frames(scan(out), out) == {"K7_0001.DNG", "K7_0002.DNG"}
    sidecar = out / "K7_0001.xmp"
    sidecar.write_bytes(sidecar.read_bytes().replace(b"28/10", b"40/10"))
    assert own_frames(scan(out), out) == {"K7_0002.DNG"}


def test_a_sidecar_that_states_nothing_of_ours_makes_no_fill_of_a_refusal(
    frames: Path, out: Path
) -> None:
    double = with_segments(a_picture(0), segment(APP1, EXIF + small_block()))
    (frames / FIRST).write_bytes(double)
    (frames / "K7_0001.xmp").write_bytes(RATING)
    for _ in range(2):
        found = run(frames, out)
        assert outcomes(found)[FIRST] == Outcome.UNREADABLE
    assert (out / "K7_0001.xmp").read_bytes() == RATING


def test_a_sidecar_whose_name_is_too_long_is_that_frames_fault_alone(raw: Path, out: Path) -> None:
    """255 bytes are the most that a name may have on the disks of this system (common practice)."""
    longest = "K" * (os.pathconf(raw, "PC_NAME_MAX") - 4) + ".DNG"
    (raw / longest).write_bytes(bayer_dng().data)
    for _ in range(2):
        found = outcomes(run(raw, out, sidecar=SidecarName.FULL))
        assert found.pop(longest) == Outcome.UNREADABLE
        assert set(found.values()) == {Outcome.FILL}
    assert (out / longest).read_bytes() == (raw / longest).read_bytes()
    (long,) = (one for one in preview(matched(raw), raw, out) if one.match.frame.file == longest)
    assert long.match.outcome is Outcome.UNREADABLE
    assert set(outcomes(run(raw, out)).values()) == {Outcome.FILL}


def test_a_sidecar_of_one_custom_is_no_other_frames_of_the_other(raw: Path, out: Path) -> None:
    (raw / "K7_0001.DNG.DNG").write_bytes(bayer_dng().data)
    run(raw, out)
    made = {path.name for path in out.glob("*.xmp")}
    assert made == {"K7_0001.xmp", "K7_0001.DNG.DNG.xmp", "K7_0002.xmp"}


def test_a_preview_asks_what_a_run_asks(frames: Path, tmp_path: Path, out: Path) -> None:
    double = with_segments(a_picture(0), segment(APP1, EXIF + small_block()))
    (frames / FIRST).write_bytes(double)
    (frames / "K7_0004.PNG").write_bytes(by_pillow("PNG", xmp=True))
    told = {
        one.match.frame.file: one.match.outcome for one in preview(matched(frames), frames, out)
    }
    asked = foreseen(matched(frames), frames).frames
    done = outcomes(run(frames, out))
    assert told == done
    assert {match.frame.file: match.outcome for match in asked} == done
    assert done[FIRST] == Outcome.UNREADABLE


def test_a_copy_that_was_cut_is_told_from_one_that_somebody_changed(
    frames: Path, out: Path
) -> None:
    run(frames, out)
    os.truncate(out / FIRST, 300)
    (cut,) = (one for one in run(frames, out).copies if one.match.frame.file == FIRST)
    assert "--mend" in str(cut.match.reason)
    assert "another program" not in str(cut.match.reason)
    assert not run(frames, out, mend=True).failed
    assert not verify(out).failed


@pytest.mark.parametrize("asked", [AT_2_8, AT_5_6])
def test_copies_of_the_first_version_are_proved_and_corrected_as_others_are(
    frames: Path, out: Path, asked: Fill
) -> None:
    """Its manifest had no runs, no digests of pictures, and other names of formats."""
    run(frames, out)
    lines = [json.loads(line) for line in (out / MANIFEST).read_bytes().splitlines()]
    new = {"picture", "before", "patched", "record", "refusal", "failure", "remark"}
    old = [
        {name: value for name, value in line.items() if name not in new}
        | {"schema": "flangeback/manifest-1", "kind": "JPEG", "in_packet": False}
        for line in lines
        if line["record"] == "file"
    ]
    (out / MANIFEST).write_text("".join(json.dumps(line) + "\n" for line in old))
    rate(out / FIRST)
    assert [one.copy for one in verify(out).copies if one.is_touched] == [FIRST]
    assert set(outcomes(run(frames, out, asked, take_back=True)).values()) == {Outcome.FILL}
    assert f_number(out / FIRST) == f"{int((asked.f_number or 0) * 10)}/10"
    assert xmp_by_exiv2((out / FIRST).read_bytes())[RATED] == "4"
    assert not verify(out).needs_person


@pytest.mark.parametrize("is_serial", [True, False])
def test_another_lens_of_which_less_is_known_is_a_change_and_no_loss(
    frames: Path, out: Path, is_serial: bool
) -> None:
    run(frames, out)
    lens = AT_2_8.lens if is_serial else WITHOUT_SERIAL.lens
    (one, *_) = preview(
        matched(frames, replace(AT_2_8, lens=replace(lens, serial=None))), frames, out
    )
    assert (one.action, one.losses) == (
        (Action.TAKE_BACK, ("LensSerialNumber",)) if is_serial else (Action.CHANGE, ())
    )
    assert ("LensModel" in one.changes) is not is_serial


@pytest.mark.skipif(os.name == "nt", reason="what is open can't be deleted there")
@pytest.mark.parametrize("is_replaced", [False, True])
def test_an_output_folder_that_is_deleted_meanwhile_ends_in_no_success(
    frames: Path, out: Path, is_replaced: bool
) -> None:
    def delete(finished: int, _: int) -> None:
        if finished == 3:
            shutil.rmtree(out)
            if is_replaced:
                out.mkdir()
                (out / MANIFEST).write_bytes(b"")

    with pytest.raises(InputError, match=r"No such file|another"):
        fill(matched(frames), frames, out, FillOptions(), delete)
    assert len(run(frames, out).copies) == 3
    assert not verify(out).needs_person


def test_the_sidecar_of_a_copy_that_is_kept_from_another_cards_frame_is_kept(
    raw: Path, out: Path
) -> None:
    run(raw, out)
    (raw / "K7_0001.DNG").write_bytes(bayer_dng(sub=True).data)
    found = run(raw, out, None, take_back=True)
    assert outcomes(found) == {"K7_0001.DNG": Outcome.CONFLICT, "K7_0002.DNG": Outcome.UNLOGGED}
    assert b"28/10" in (out / "K7_0001.xmp").read_bytes()
    assert not (out / "K7_0002.xmp").exists()
    assert not verify(out).failed


def test_the_sidecar_of_a_frame_that_cant_be_read_any_more_is_kept(raw: Path, out: Path) -> None:
    put_frame(raw, "K7_0001.JPG", {0x9003: b"2026:05:17 09:00:00"}, model="Norrvik N2")
    run(raw, out)
    assert b"28/10" in (out / "K7_0001.xmp").read_bytes()
    (raw / "K7_0001.DNG").write_bytes(b"")
    found = run(raw, out, take_back=True)
    assert outcomes(found)["K7_0001.DNG"] in (Outcome.UNREADABLE, Outcome.CONFLICT)
    assert b"28/10" in (out / "K7_0001.xmp").read_bytes()
    assert not verify(out).failed


@pytest.mark.parametrize("name", ["K7_0001.DNG", "K7_0003.JPG"])
def test_values_go_from_a_frames_own_sidecar_that_was_rated_in_its_copy(
    raw: Path, out: Path, name: str
) -> None:
    (raw / "K7_0003.JPG").write_bytes(a_picture(3))
    sidecar = name[:-3] + "xmp"
    (raw / sidecar).write_bytes(RATING.replace(b"xmp:Rating", b'exif:FNumber="0/0" xmp:Label'))
    run(raw, out)
    assert b"28/10" in (out / sidecar).read_bytes()
    rated = (out / sidecar).read_bytes().replace(b"xmp:Label=", b'xmp:Rating="3" xmp:Label=')
    (out / sidecar).write_bytes(rated)
    for _ in range(2):
        assert set(outcomes(run(raw, out, None, take_back=True)).values()) == {Outcome.UNLOGGED}
        text = (out / sidecar).read_bytes()
        assert b"28/10" not in text
        assert b'xmp:Rating="3" xmp:Label="4"' in text
        assert not verify(out).needs_person
        assert not verify(out).failed
    assert set(outcomes(run(raw, out)).values()) == {Outcome.FILL}
    assert b"28/10" in (out / sidecar).read_bytes()


def test_the_manifest_says_of_a_raw_file_whether_it_is_filled_by_now(raw: Path, out: Path) -> None:
    """Its own copy stays byte for byte whatever its sidecar says."""

    def noted() -> list[str]:
        lines = [json.loads(line) for line in (out / MANIFEST).read_bytes().splitlines()]
        named = {one["copy"]: one["outcome"] for one in lines if one["record"] == "file"}
        return [named[path.name] for path in sorted(raw.iterdir())]

    for values, outcome in ((None, "unlogged"), (AT_2_8, "fill"), (None, "unlogged")):
        for _ in range(2):
            run(raw, out, values, take_back=True)
            assert noted() == [outcome] * 2
    size = len((out / MANIFEST).read_bytes().splitlines())
    run(raw, out, None)
    assert len((out / MANIFEST).read_bytes().splitlines()) == size + 2
