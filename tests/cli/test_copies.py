"""Reruns, previews and proofs on the command line: what is said, and the exit codes."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from lxml import html
from PIL import Image

from support.camera_files import put_frame
from support.commands import LOG, put_outing, put_time, run, tree
from support.plain_jpeg import segment, with_segments
from support.readers import by_exiv2

ALL = [f"K7_020{n}.JPG" for n in (1, 2, 3, 4)]


@pytest.fixture
def frames(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    put_outing(tmp_path / "frames")
    return Path("frames")


@pytest.fixture
def out(frames: Path) -> Path:
    assert run("fill", frames, "--into", "out").code == 0
    return Path("out")


def note(frames: Path, text: str) -> None:
    (frames / "session.txt").write_text(text)


def f_number(path: Path) -> str | None:
    return by_exiv2(path.read_bytes()).get("Exif.Photo.FNumber")


def test_a_worse_log_is_refused_unless_it_is_meant(frames: Path, out: Path) -> None:
    before = tree(out)
    note(frames, LOG.replace("09:12 k7 miran58 f/2.8\n", "").replace("f/5.6", "miran58 f/5.6"))
    refused = run("fill", frames, "--into", out)
    assert refused.code == 2
    assert "2 copies would lose lens data" in refused.err
    assert "--take-back" in refused.err
    assert tree(out) == before
    shown = run("match", frames, "--into", out)
    assert "2 copies would lose lens, f-number and focal length: K7_0201" in shown.out
    assert "fill --into out: 2 taken back, 2 kept" in shown.out
    assert tree(out) == before
    assert run("fill", frames, "--into", out, "--take-back").code == 1
    assert f_number(out / ALL[0]) is None
    assert run("verify", out).code == 0


def test_a_jpeg_whose_picture_breaks_off_is_named(frames: Path) -> None:
    """Pillow calls such a file truncated (ITU-T T.81, B.1.1.3: EOI ends each image)."""
    whole = (frames / ALL[1]).read_bytes()
    (frames / ALL[1]).write_bytes(whole[:-20] + bytes(20))
    with Image.open(frames / ALL[1]) as picture, pytest.raises(OSError, match="truncated"):
        picture.load()
    told = run("fill", frames, "--into", "out").out
    assert told.count("the picture breaks off") == 1
    assert run("verify", "out").code == 0
    (frames / ALL[1]).write_bytes(whole + b"a trailer")
    assert "breaks off" not in run("fill", frames, "--into", "other").out


def test_a_preview_as_a_document(frames: Path) -> None:
    shown = json.loads(run("match", frames, "--into", "out", "--json").out)
    assert [frame["into"]["action"] for frame in shown["frames"]] == ["made"] * 4
    assert "LensModel" in shown["frames"][0]["into"]["gains"]
    assert not Path("out").exists()


def test_frames_of_another_card_need_a_folder_of_their_own(
    frames: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = Path("card 2")
    put_outing(other)
    for name in ALL:
        (other / name).write_bytes((other / name).read_bytes() + b"another")
    before = tree(out)
    told = run("fill", other, "--into", out)
    assert told.code == 1
    assert "--beside" in " ".join(told.out.split())
    monkeypatch.setattr("flangeback.cli.shared.at_terminal", lambda: True)
    hint = f"  flangeback fill 'card 2' --into {out} --beside"
    assert hint in run("fill", other, "--into", out).err.splitlines()
    assert {name: before[name] for name in ALL} == {name: tree(out)[name] for name in ALL}
    assert run("fill", other, "--into", out, "--beside").code == 0
    assert sorted(path.name for path in (out / "card 2").glob("*.JPG")) == ALL
    checked = run("verify", out)
    assert checked.code == 0
    assert "passed over: card 2" in checked.out
    assert "passed over: card 2, a folder of copies" in run("tally", out).err
    both = run("tally", out, out / "card 2")
    assert both.out.startswith("8 frames in 2 folders")
    assert "passed over" not in both.err


@pytest.mark.parametrize("command", ["match frames", "survey frames", "tally frames"])
def test_no_page_is_written_among_the_frames(frames: Path, command: str) -> None:
    refused = run(*command.split(), "--report", frames / "page.html")
    assert (refused.code, (frames / "page.html").exists()) == (2, False)
    assert "lies in the frames folder, where nothing is ever written" in refused.err


@pytest.mark.parametrize("command", ["fill frames --into out", "verify out", "tally out"])
def test_no_page_is_written_among_the_frames_of_copies(
    frames: Path, out: Path, command: str
) -> None:
    Path("link").symlink_to(frames, target_is_directory=True)
    for page in (frames / "page.html", Path("link/page.html")):
        refused = run(*command.split(), "--report", page)
        assert (refused.code, page.exists()) == (2, False)
    shutil.move("out", "moved")  # The manifest has where the frames lie from either place.
    assert run("verify", "moved", "--report", frames / "page.html").code == 2


def set_f_number(path: Path, value: str) -> None:
    """What another program does."""
    pyexiv2 = pytest.importorskip("pyexiv2")
    with pyexiv2.Image(str(path)) as image:
        image.modify_exif({"Exif.Photo.FNumber": value})


def for_a_person(page: Path) -> dict[str, str]:
    """What stands on top of a page, by the names in the headings."""
    cases = html.parse(str(page)).getroot().xpath("//section[@id='for-you']/article")
    texts = [" ".join(case.text_content().split()) for case in cases]
    return {text.split()[0]: text for text in texts}


@pytest.mark.parametrize("command", ["fill", "match"])
def test_of_a_copy_that_stays_no_line_of_the_log_is_asked(
    frames: Path, out: Path, command: str
) -> None:
    """What is offered of a frame in conflict with its log (--over, `off`) changes no such copy."""
    shutil.copy(frames / ALL[3], frames / ALL[2])  # Another frame under its name.
    (frames / ALL[1]).write_bytes(b"")
    set_f_number(out / ALL[0], "11/1")
    assert run(command, frames, "--into", out, "--report", "page.html").code == 1
    told = for_a_person(Path("page.html"))
    assert set(told) == {"K7_0201", "K7_0202", "K7_0203"}
    assert "FNumber reads 11/1, not 28/10; moved away, it is made anew" in told["K7_0201"]
    assert "the copy of that name is kept copy the frame from the card once more" in told["K7_0202"]
    assert "--beside" not in told["K7_0202"]
    assert "--beside" in told["K7_0203"]
    for text in told.values():
        assert "--over" not in text
        assert "Which was it?" not in text
        assert " off" not in text


def test_other_files_are_told_and_copied_when_asked(frames: Path) -> None:
    (frames / "clip.mov").write_bytes(b"movie")
    (frames / "notes.pdf").write_bytes(b"pages")
    told = "2 other files stay behind: 1 MOV, 1 PDF"
    assert told in run("match", frames).out
    assert told in run("survey", frames).out
    assert told in run("fill", frames, "--into", "out").out
    filled = run("fill", frames, "--into", "out", "--others", "--json")
    assert json.loads(filled.out)["others"] == {"MOV": 1, "PDF": 1}
    assert Path("out/clip.mov").read_bytes() == b"movie"
    assert run("verify", "out").code == 0
    assert "other file" not in run("fill", frames, "--into", "out").out
    (frames / "notes.pdf").write_bytes(b"other pages")
    told = " ".join(run("fill", frames, "--into", "out", "--others").out.split())
    assert "1 other file copied and verified too: 1 MOV" in told
    assert "notes.pdf isn't copied" in told
    assert run("fill", frames, "--into", "out", "--others").code == 1
    (frames / "notes.pdf").write_bytes(b"pages")
    Path("out/clip.mov").unlink()
    mended = run("verify", "out", "--mend")
    assert "made again: clip.mov" in mended.out
    assert "6 of 6 copies in out verified" in mended.out


def test_what_a_stopped_run_had_begun_to_take_back_is_mended(frames: Path, out: Path) -> None:
    log = frames / "session.txt"
    run("fill", frames, "--into", out)
    shutil.copytree(out, "before")
    log.write_text(log.read_text("utf-8").replace("f/2.8", "f/?"), "utf-8")
    assert run("fill", frames, "--into", out, "--take-back").code in (0, 1)
    manifest = out / "flangeback-manifest.jsonl"
    *lines, last, _ = manifest.read_bytes().splitlines(keepends=True)
    manifest.write_bytes(b"".join(lines))  # As after a kill, before its last copy.
    copy = json.loads(last)["copy"]
    shutil.copy2(Path("before") / copy, out / copy)
    assert f_number(out / copy) == "28/10"
    mended = run("verify", out, "--mend")
    assert f"made again: {copy}" in mended.out
    assert f_number(out / copy) is None
    assert run("verify", out).code == 0


def test_verify_says_what_became_of_the_sources(frames: Path, out: Path) -> None:
    frames.rename("elsewhere")
    assert "by digest alone" in run("verify", out).out
    assert "by digest alone" not in run("verify", out, "--frames", "elsewhere").out
    nowhere = run("verify", out, "--frames", "nowhere")
    assert nowhere.code == 2
    assert "nowhere: there is no such folder" in nowhere.err
    changed = Path("elsewhere") / ALL[0]
    changed.write_bytes(changed.read_bytes()[:-1] + b"\0")
    told = run("verify", out, "--frames", "elsewhere")
    assert told.code == 1
    assert f"sound, but made of frames that changed since: {ALL[0]}" in told.out
    found = json.loads(run("verify", out, "--frames", "elsewhere", "--json").out)
    assert [copy["source"] for copy in found["copies"]] == ["changed", "same", "same", "same"]


@pytest.mark.parametrize("cut", [0, 200, -5])
def test_missing_and_broken_copies_are_mended(frames: Path, out: Path, cut: int) -> None:
    whole = tree(out)
    (out / ALL[0]).unlink()
    status = (out / ALL[1]).stat()
    (out / ALL[1]).write_bytes(b"\0" * status.st_size)
    (out / ALL[2]).write_bytes((out / ALL[2]).read_bytes()[:cut])
    lines = (out / "flangeback-manifest.jsonl").read_bytes().splitlines(keepends=True)
    kept = [line for line in lines if ALL[3].encode() not in line]
    (out / "flangeback-manifest.jsonl").write_bytes(b"".join(kept))
    assert run("verify", out).code == 3
    mended = run("verify", out, "--mend")
    assert f"made again: {', '.join(ALL[:3])}" in " ".join(mended.out.split())
    assert {name: whole[name] for name in ALL} == {name: tree(out)[name] for name in ALL}
    assert f"4 of 4 copies in {out} verified" in mended.out
    assert "not in the manifest" not in mended.out


def test_mending_leaves_what_another_program_worked_on(frames: Path, out: Path) -> None:
    pyexiv2 = pytest.importorskip("pyexiv2")
    with pyexiv2.Image(str(out / ALL[0])) as image:
        image.modify_xmp({"Xmp.xmp.Rating": "4"})
    rated = (out / ALL[0]).read_bytes()
    told = run("verify", out)
    assert told.code == 1
    assert f"still in place: {ALL[0]}" in " ".join(told.out.split())
    found = json.loads(run("verify", out, "--json").out)
    assert [copy["touched"] for copy in found["copies"]] == [True, False, False, False]
    mended = run("verify", out, "--mend")
    assert mended.code == 0
    assert f"noted as it is now: {ALL[0]}" in " ".join(mended.out.split())
    assert (out / ALL[0]).read_bytes() == rated
    assert run("verify", out).code == 0


def test_mending_leaves_values_that_another_program_wrote(frames: Path, out: Path) -> None:
    pyexiv2 = pytest.importorskip("pyexiv2")
    with pyexiv2.Image(str(out / ALL[0])) as image:
        image.modify_exif({"Exif.Photo.FNumber": "56/10"})
    (out / ALL[1]).unlink()
    mended = run("verify", out, "--mend")
    assert mended.code == 3
    said = " ".join(mended.out.split())
    assert f"made again: {ALL[1]}" in said
    assert f"{ALL[0]}: its copy is left as it is: another program changed it: FNumber" in said
    assert f_number(out / ALL[0]) == "56/10"


def test_what_stands_in_a_copys_place_is_to_be_moved_away(frames: Path, out: Path) -> None:
    for name, put in ((ALL[0], Path.mkdir), (ALL[1], os.mkfifo)):
        (out / name).unlink()
        put(out / name)
    (out / ALL[2]).unlink()
    (out / ALL[2]).symlink_to(out.resolve() / ALL[3])
    for words in (("verify", out), ("verify", out, "--mend")):
        told = run(*words)
        assert told.code == 3
        said = " ".join(told.out.split())
        for name, what in ((ALL[0], "a folder"), (ALL[1], "no file"), (ALL[2], "a link")):
            assert f"{name}: {what} stands in the place of the copy: move it away" in said


def test_mending_needs_the_log_that_the_copies_were_filled_by(frames: Path, out: Path) -> None:
    (out / ALL[0]).unlink()
    (out / "flangeback-session.txt").unlink()
    told = run("verify", out, "--mend")
    assert told.code == 2
    assert "flangeback-session.txt" in told.err


def test_mending_needs_the_frames(frames: Path, out: Path) -> None:
    frames.rename("elsewhere")
    (out / ALL[0]).unlink()
    told = run("verify", out, "--mend")
    assert told.code == 2
    assert "--frames says where they lie now" in told.err
    assert run("verify", out, "--mend", "--frames", "elsewhere").code == 0


def test_folders_of_copies_are_passed_over_and_said(frames: Path, tmp_path: Path) -> None:
    assert run("fill", frames, "--into", "year/filled").code == 0
    put_time(Path("year"), "K7_0301.JPG", "09:13:00")
    for name in ("session.txt", "kit.toml"):
        shutil.copy(frames / name, Path("year") / name)
    shown = run("match", "year")
    assert "1 frame: 1 fill" in shown.out
    assert "passed over: filled, a folder of copies" in shown.err
    assert "passed over: filled" in run("survey", "year").err


def test_folders_of_copies_are_said_once_among_several_outings(frames: Path) -> None:
    shutil.copytree(frames, "year/one")
    shutil.copytree(frames, "year/two")
    for into in ("year/one-filled", "year/two/filled"):
        assert run("fill", frames, "--into", into).code == 0
    said = run("match", "year").err.splitlines()
    assert [line for line in said if line.startswith("passed over")] == [
        "passed over: filled, a folder of copies",
        "passed over: one-filled, a folder of copies",
    ]


@pytest.mark.parametrize("name", ["System Volume Information", "lost+found", "$RECYCLE.BIN"])
def test_folders_of_the_system_are_passed_over_and_said(name: str, frames: Path) -> None:
    put_time(frames, f"{name}/K7_0299.JPG", "09:43:00")
    shown = run("match", frames, "--json")
    assert f"passed over: {name}, the system's own" in shown.err
    assert len(json.loads(shown.out)["frames"]) == 4


def test_pictures_that_scans_pass_over_are_said(frames: Path, tmp_path: Path) -> None:
    """What macOS keeps of a file beside it (`._NAME`, common practice) is none."""
    for name in (".K7_0299.JPG", "._K7_0201.JPG"):
        put_time(frames, name, "09:43:00")
    put_time(tmp_path / "elsewhere", "K7_0298.JPG", "09:43:00")
    (frames / "day2").symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    shown = run("match", frames, "--json")
    said = ["passed over: .K7_0299.JPG, its name begins with a dot"]
    said += ["passed over: day2, a link to a folder"]
    assert [line for line in shown.err.splitlines() if "passed over" in line] == said
    assert len(json.loads(shown.out)["frames"]) == 4


def test_what_systems_leave_among_the_copies_is_no_strangers(frames: Path, tmp_path: Path) -> None:
    """Desktops write such files into every folder that is looked at (common practice)."""
    assert run("fill", frames, "--into", "filled").code == 0
    for name in (
        *(".DS_Store", f"._{ALL[0]}", "Thumbs.db", "desktop.ini", ".Trashes/501/K7_0201.JPG"),
        *("System Volume Information/WPSettings.dat", "$RECYCLE.BIN/$R7.JPG", "album.pdf"),
    ):
        (tmp_path / "filled" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "filled" / name).write_bytes(b"left")
    proved = run("verify", "filled")
    assert (proved.code, "not in the manifest: album.pdf\n" in proved.out) == (0, True)


def test_copies_are_filled_anew_by_a_better_log(frames: Path, out: Path) -> None:
    """Values that flangeback wrote itself, as the manifest beside them says, are no conflict."""
    note(frames, LOG.replace("f/2.8", "f/4"))
    words = ("--log", frames / "session.txt", "--kit", frames / "kit.toml")
    assert "2 fill, 2 agree" in run("match", out, *words).out
    assert run("fill", out, *words, "--into", "better").code == 0
    assert (
        f_number(Path("better") / ALL[0]) == "40/10" or f_number(Path("better") / ALL[0]) == "4/1"
    )


MARK = b'<meta name="generator" content="flangeback frames">'


@pytest.mark.parametrize("command", ["match", "fill", "survey"])
def test_a_page_is_never_written_among_the_frames(frames: Path, command: str) -> None:
    before = tree(frames)
    words = ("--into", "out") if command == "fill" else ()
    for place in (frames / "page.html", frames / "deep" / "page.html"):
        told = run(command, frames, *words, "--report", place)
        assert told.code == 2
        assert "nothing is ever written" in " ".join(told.err.split())
    assert tree(frames) == before
    assert not Path("out").exists()


def test_a_file_that_only_holds_a_pages_mark_is_not_written_over(frames: Path) -> None:
    for content in (b"\xff\xd8" + MARK, b"<!doctype html>\n<title>x</title>\n" + MARK):
        Path("page.html").write_bytes(content)
        assert run("match", frames, "--report", "page.html").code == 2
        assert Path("page.html").read_bytes() == content


# What is said before, and once for a run.

SEAL = segment(
    0xEB,
    b"JP\0\1\0\0\0\1\0\0\0\x2djumb\0\0\0\x1djumdc2pa\0\x11\0\x10\x80\0\0\xaa\x008\x9bq\3c2pa\0",
)
"""A box of APP11 that holds a seal (ISO/IEC 19566-5; C2PA specification)."""


def test_a_match_says_whose_seal_a_fill_would_break(frames: Path) -> None:
    path = frames / "K7_0202.JPG"
    path.write_bytes(with_segments(path.read_bytes(), SEAL))
    told = " ".join(run("match", frames).out.split())
    assert "1 frame is under a seal (C2PA)" in told
    document = json.loads(run("match", frames, "--json").out)
    assert [one["would_break_seal"] for one in document["frames"]] == [False, True, False, False]
    told = " ".join(run("match", frames, "--into", "out").out.split())
    why = "a sidecar takes the values: its seal (C2PA) would break (--break-seal)"
    assert why in told
    run("fill", frames, "--into", "out")
    assert Path("out/K7_0202.JPG").read_bytes() == path.read_bytes()


def test_an_older_exif_version_is_said_once(frames: Path) -> None:
    """The lens's tags are of Exif 2.3 (CIPA DC-008-2010): two frames are of 2.2, one of 2.3."""
    for number, version in ((1, b"0220"), (2, b"0221"), (3, b"0230")):
        tags = {0x9003: f"2026:05:17 09:2{number}:00".encode(), 0x9000: version}
        put_frame(frames, f"K7_020{number}.JPG", tags)
    told = " ".join(run("fill", frames, "--into", "out").out.split())
    assert told.count("2 copies state an Exif version older than 2.3") == 1
    assert by_exiv2(Path("out/K7_0201.JPG").read_bytes())["Exif.Photo.LensModel"]
    assert json.loads(run("fill", frames, "--into", "new", "--json").out)["older_exif"] == 2
