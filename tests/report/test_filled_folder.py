"""The page of a folder of copies: what its proof found stands on top, with what helps."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from lxml import html

from support.commands import LOG, pasted, put_outing, run, tree

NAMES = [f"K7_020{n}.JPG" for n in (1, 2, 3, 4)]
FIRST, SECOND = NAMES[:2]
NAMED = LOG + "K7_0201..K7_0202 k7 miran58 f/4\nnot-slate K7_0201\n"


@pytest.fixture
def out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    put_outing(tmp_path / "frames", NAMED)
    (tmp_path / "frames" / "clip.mov").write_bytes(b"movie")
    assert run("fill", "frames", "--into", "out", "--others").code == 0
    return Path("out")


def page(*words: str) -> html.HtmlElement:
    Path("page.html").unlink(missing_ok=True)
    done = run("verify", "out", "--report", "page.html", *words)
    assert done.code != 2, done.err
    return html.parse("page.html").getroot()


def for_a_person(root: html.HtmlElement) -> str:
    (found,) = root.xpath("//section[@id='for-you']")
    return " ".join(found.text_content().split())


def outcomes(root: html.HtmlElement) -> dict[str, str]:
    """By the frames' names, what each came to on the contact sheet."""
    return {
        item.xpath(".//span[@class='name']/bdi")[0].text: item.get("data-outcome")
        for item in root.xpath("//li[@data-outcome]")
    }


def set_f_number(path: Path) -> None:
    pyexiv2 = pytest.importorskip("pyexiv2")
    with pyexiv2.Image(str(path)) as image:
        image.modify_exif({"Exif.Photo.FNumber": "11/1"})


def break_off(path: Path) -> None:
    """As a disk does: the time stays."""
    status = path.stat()
    path.write_bytes(path.read_bytes()[:-30] + bytes(30))
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


@pytest.mark.parametrize(
    ("harm", "told", "outcome"),
    [
        (Path.unlink, "the copy is gone", "unreadable"),
        (break_off, "its bytes changed since it was made", "conflict"),
        (set_f_number, "FNumber reads 11/1, not 4/1", "conflict"),
    ],
)
def test_a_copy_that_failed_its_proof_is_on_top_and_no_fill(
    out: Path, harm: Callable[[Path], None], told: str, outcome: str
) -> None:
    whole = tree(out)[FIRST]
    harm(out / FIRST)
    root = page()
    assert "4 frames" in root.xpath("//header")[0].text_content()
    assert outcomes(root) == {"K7_0201": outcome} | dict.fromkeys(
        ("K7_0202", "K7_0203", "K7_0204"), "fill"
    )
    top = for_a_person(root)
    assert f"K7_0201 {outcome} 1 frame" in top
    assert told in top
    assert "Which was it?" not in top
    printed = run("verify", out).out
    # What it says, followed to the letter.
    (command,) = set(re.findall("`(.+? --mend)`", top))
    assert f"K7_0201.JPG: `{command}` makes it again" in printed
    _, *words = pasted(command)
    if harm is set_f_number:
        assert run(*words).code == 3
        shutil.move(out / FIRST, "elsewhere.JPG")
    assert run(*words).code == 0
    assert tree(out)[FIRST] == whole
    assert "Nothing: no frame needs a person." in for_a_person(page())


def test_a_copy_of_a_frame_that_is_not_at_hand_either(out: Path) -> None:
    shutil.move("frames", "elsewhere")
    (out / FIRST).unlink()
    top = for_a_person(page())
    assert "--mend` makes it again once --frames says where the frames lie now" in top
    assert run("verify", out, "--mend", "--frames", "elsewhere").code == 0


def test_a_sound_copy_of_a_frame_that_changed_stays_a_fill(out: Path) -> None:
    shutil.copy(Path("frames", NAMES[3]), Path("frames", SECOND))
    root = page()
    assert set(outcomes(root).values()) == {"fill"}
    top = for_a_person(root)
    assert "K7_0202 fill" in top
    assert "put the frame back as it was, or keep the copy" in top
    assert run("fill", "frames", "--into", out, "--beside").code == 0
    assert (out / "frames" / SECOND).exists()


def test_a_copy_that_another_program_worked_on_may_be_noted(out: Path) -> None:
    pyexiv2 = pytest.importorskip("pyexiv2")
    with pyexiv2.Image(str(out / SECOND)) as image:
        image.modify_xmp({"Xmp.xmp.Rating": "4"})
    top = for_a_person(page())
    assert "another program changed it since" in top
    assert "--mend` notes it as it is now" in top
    assert "Nothing: no frame needs a person." in for_a_person(page("--mend"))


def test_other_files_and_the_manifest_are_told_beside_the_frames(out: Path) -> None:
    (out / "clip.mov").unlink()
    manifest = out / "flangeback-manifest.jsonl"
    *lines, _ = manifest.read_text("utf-8").splitlines(keepends=True)
    manifest.write_text("".join(lines), "utf-8")
    root = page()
    assert set(outcomes(root).values()) == {"fill"}
    assert "clip.mov: the copy is gone; `" in for_a_person(root)
    assert "the manifest was cut or changed" in for_a_person(root)


def test_a_copy_taken_away_with_its_frame_is_missed_by_nobody(out: Path) -> None:
    for folder in (Path("frames"), out):
        (folder / FIRST).unlink()
    root = page()
    assert set(outcomes(root)) == {"K7_0202", "K7_0203", "K7_0204"}
    assert "Nothing: no frame needs a person." in for_a_person(root)
