"""The demo: its whole line, held against the truth that its outing was made from."""

from __future__ import annotations

import io
import json
import shutil
from decimal import Decimal
from pathlib import Path
from typing import Any

import exifread
import pytest

from flangeback import match_frames, read_kit, read_log, scan
from flangeback.demo.outing import LOG
from flangeback.demo.tour import free_folder, take_tour
from flangeback.errors import InputError
from flangeback.match import Doubt, FrameMatch
from support.commands import SCRIPT, WIDTH, Ran, pasted, run, run_script, tree
from support.demo_truth import TRUTH

SHOWN = Path("shown")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo")


@pytest.fixture(scope="module")
def demo(place: Path) -> Ran:
    return run_script("demo", SHOWN, cwd=place)


@pytest.fixture(scope="module")
def matches(place: Path, demo: Ran) -> dict[str, FrameMatch]:
    frames = place / SHOWN / "frames"
    kit = read_kit(frames / "kit.toml")
    found = match_frames(scan(frames), [read_log(frames / "session.txt", kit)], kit)
    return {one.frame.file: one for one in found.frames}


# Every frame against its truth -------------------------------------------------------------------

BY_LIGHT = {"K7_0207.JPG", "K7_0208.JPG"}
"""Two stops of shutter time say that the ring was turned between these two."""


def same(one: Decimal | None, other: Decimal | None) -> bool:
    if one is None or other is None:
        return one is other
    # The mean of two marks isn't a number that people write: three decimals are its measure.
    return abs(one - other) <= Decimal("0.0006")


def test_every_frame_comes_to_the_truth(matches: dict[str, FrameMatch]) -> None:
    assert matches.keys() == {frame.file for frame in TRUTH}
    for frame in TRUTH:
        found = matches[frame.file]
        assert found.outcome == frame.outcome, frame.file
        assert set(frame.doubts) <= {str(doubt.kind) for doubt in found.doubts}, frame.file
        if frame.lens is None:
            continue
        assert found.fill is not None
        assert found.fill.lens.key == frame.lens, frame.file
        assert same(found.fill.f_number, frame.f_number), frame.file
        assert same(found.fill.focal_length, frame.focal_length), frame.file


def test_what_the_light_places_says_so(matches: dict[str, FrameMatch]) -> None:
    for file in BY_LIGHT:
        (doubt,) = (one for one in matches[file].doubts if _kind(one) == "told-by-light")
        assert "the light tells f/2.8 from f/5.6" in doubt.text


def test_a_step_of_the_light_says_how_far_and_to_what(matches: dict[str, FrameMatch]) -> None:
    stepped = {file for file, one in matches.items() if "light-step" in map(_kind, one.doubts)}
    assert stepped == {"K7_0220.JPG", "K7_0221.JPG"}
    (doubt,) = (one for one in matches["K7_0220.JPG"].doubts if _kind(one) == "light-step")
    # The ring stood at f/11, the log has f/5.6: two stops (ISO 517).
    assert "2 stops less" in doubt.text
    assert "f/11 instead of f/5.6" in doubt.text


def _kind(doubt: Doubt) -> str:
    return str(doubt.kind)


def test_frames_without_any_reason_to_look_have_no_doubt(matches: dict[str, FrameMatch]) -> None:
    for frame in TRUTH:
        if frame.outcome in ("native", "agree") or (frame.outcome == "fill" and not frame.doubts):
            doubts = {str(doubt.kind) for doubt in matches[frame.file].doubts}
            assert not doubts or frame.file in BY_LIGHT, frame.file


# The command -----------------------------------------------------------------------------------


def test_the_demo_ends_well_and_shows_what_it_did(place: Path, demo: Ran) -> None:
    assert (demo.code, demo.err) == (0, "")
    frames = sorted((place / SHOWN / "frames").glob("*.JPG"))
    assert 36 <= len(frames) <= 44
    filled = Path("shown/filled")
    assert f"{len(frames)} copies made and verified in {filled}" in demo.out
    assert f"{len(frames)} of {len(frames)} copies in {filled} verified" in demo.out
    for line in LOG.splitlines():
        assert line in demo.out
    for tag in ("FNumber", "FocalLength", "LensModel"):
        assert tag in demo.out


def test_the_demo_fits_80_columns(demo: Ran) -> None:
    # A command to paste begins with the path of the program, however long that is.
    out = demo.out.replace(str(SCRIPT), "flangeback")
    assert [line for line in out.splitlines() if len(line) > WIDTH] == []


def test_what_it_says_to_try_works(place: Path, demo: Ran, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(place)
    at = demo.out.index("To play with it:")
    tries = [pasted(line)[1:] for line in demo.out[at:].splitlines()[1:]]
    assert [words[0] for words in tries] == ["match", "fill", "verify"]
    assert [run(*words).code for words in tries] == [1, 1, 0]


def test_verify_passes_and_a_byte_changed_in_a_copy_is_3(
    place: Path, demo: Ran, tmp_path: Path
) -> None:
    out = tmp_path / "filled"
    shutil.copytree(place / SHOWN / "filled", out)
    assert run("verify", out).code == 0
    for name, at in (("K7_0203.JPG", -1000), ("N2_0404.JPG", 4000), ("K7_0230.JPG", 100)):
        whole = (out / name).read_bytes()
        data = bytearray(whole)
        data[at] ^= 0x20
        (out / name).write_bytes(data)
        ran = run("verify", out, "--json")
        assert ran.code == 3
        failed = [copy["copy"] for copy in json.loads(ran.out)["copies"] if not copy["verified"]]
        assert failed == [name]
        (out / name).write_bytes(whole)
    (out / "K7_0203.JPG").unlink()
    ran = run("verify", out)
    assert ran.code == 3
    assert "K7_0203.JPG" in ran.out


def exif(path: Path) -> dict[str, Any]:
    return exifread.process_file(io.BytesIO(path.read_bytes()), details=True)


def test_the_copies_say_what_the_truth_is(place: Path, matches: dict[str, FrameMatch]) -> None:
    kit = read_kit(place / SHOWN / "frames" / "kit.toml")
    for frame in TRUTH:
        found = matches[frame.file]
        copy, original = (place / SHOWN / name / frame.file for name in ("filled", "frames"))
        if not found.outcome.is_filled:
            assert copy.read_bytes() == original.read_bytes(), frame.file
            continue
        tags, before = exif(copy), exif(original)
        assert found.fill is not None
        assert str(tags["EXIF LensModel"]) == kit.lenses[found.fill.lens.key].name
        for name, value in (
            ("EXIF FNumber", found.fill.f_number),
            ("EXIF FocalLength", found.fill.focal_length),
        ):
            if value is not None:
                assert float(tags[name].values[0]) == pytest.approx(float(value), rel=1e-6)
        assert bytes(tags["EXIF MakerNote"].values) == bytes(before["EXIF MakerNote"].values)
        assert str(tags["EXIF DateTimeOriginal"]) == str(before["EXIF DateTimeOriginal"])


# Folders ---------------------------------------------------------------------------------------


def test_without_a_name_the_next_free_folder_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert free_folder() == Path("flangeback-demo")
    Path("flangeback-demo").mkdir()
    assert free_folder() == Path("flangeback-demo-2")
    Path("flangeback-demo-2").touch()
    assert free_folder() == Path("flangeback-demo-3")


def test_a_folder_that_holds_anything_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    before = tree(tmp_path)
    ran = run("demo", tmp_path)
    assert ran.code == 2
    assert ran.out == ""
    assert "isn't an empty folder" in ran.err
    with pytest.raises(InputError):
        take_tour(tmp_path)
    assert tree(tmp_path) == before
