"""The lens that a MakerNote has, by ExifRead's tables, held against Exiv2's own."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from flangeback.frames import Frame, LensData, read_frame
from flangeback.frames.maker_note import noted_lens
from flangeback.match import Outcome
from support.reader_commands import needed, said
from support.shots import one

NOTED = ("camera-000.jpg", "camera-013.jpg", "more/png-106.png", "more/raw-112.nef")
"""Bodies that keep the lens in the MakerNote: by a number in the maker's list, by figures."""


def by_exiv2(path: Path) -> set[str]:
    """Every lens that Exiv2's command tells by its own tables, in one way of writing."""
    needed("exiv2")
    lines = (line.split(maxsplit=1) for line in said("exiv2", "-q", "-Pkt", str(path)))
    return {folded(words[1]) for words in lines if "Lens" in words[0] and len(words) == 2}


def folded(name: str) -> str:
    return name.lower().replace("f/", "f")


def frame(folder: Path, name: str, f_number: Fraction | None = None) -> Frame:
    """A corpus frame under the kit's body; with another f-number where one is given."""
    found = replace(read_frame(folder, name), model="Kestrin K7", serial=None)
    if f_number is None:
        return found
    data = replace(found.lens_data, f_number=f_number, focal_length=None)
    return replace(found, lens_data=data, stated=(data,))


@pytest.mark.parametrize("name", NOTED)
def test_the_noted_lens_is_what_exiv2_says(corpus: Path, name: str) -> None:
    noted = noted_lens(read_frame(corpus, name)).lens
    assert noted is not None
    assert folded(noted) in by_exiv2(corpus / name)


@pytest.mark.parametrize("name", NOTED)
def test_a_conflict_says_what_the_note_has(corpus: Path, name: str) -> None:
    """An f-number without a lens name contradicts the log; the note says which lens it was."""
    found = one(frame(corpus, name), "all k7 miran58 f/2\n")
    assert found.outcome is Outcome.CONFLICT
    (doubt,) = found.doubts
    assert f"(the MakerNote says {noted_lens(found.frame).lens})" in doubt.text


def test_an_f_number_that_agrees_is_doubted_with_what_the_note_has(corpus: Path) -> None:
    agreeing = frame(corpus, "camera-000.jpg", Fraction(2))
    found = one(agreeing, "all k7 miran58 f/2\n")
    assert found.outcome is Outcome.FILL
    assert f"(the MakerNote says {noted_lens(agreeing).lens})" in found.doubts[0].text
    without = one(replace(agreeing, identity=None), "all k7 miran58 f/2\n")
    assert "MakerNote" not in without.doubts[0].text


def test_a_note_that_has_no_lens_says_nothing(corpus: Path) -> None:
    """A body with a fixed lens, as Exiv2 says: its note's lens type stands for none."""
    noted = noted_lens(read_frame(corpus, "camera-001.jpg"))
    assert noted == LensData()
    assert "n/a" in by_exiv2(corpus / "camera-001.jpg")


def test_frames_that_name_their_lens_or_have_no_f_number_are_never_asked(tmp_path: Path) -> None:
    """ExifRead isn't even loaded for them."""
    code = """
import sys
from fractions import Fraction
from flangeback.frames import LensData
from support.shots import one, shot
for data in (LensData(), LensData("Other 50mm", Fraction(4)), LensData(focal_length=Fraction(50))):
    one(shot("K7_0001", "09:02:30", data=data), "09:00 k7 miran58 f/4\\n")
print("exifread" in sys.modules)
"""
    tests = str(Path(__file__).resolve().parents[1])
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path.insert(0, {tests!r})\n{code}"],
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    assert done.stdout.strip() == "False"


def test_damage_in_a_note_ends_in_nothing_or_a_lens(corpus: Path, tmp_path: Path) -> None:
    """Counts, types and offsets of each entry made absurd."""
    data = (corpus / "camera-000.jpg").read_bytes()
    start = data.index(b"Exif\0\0") + 6
    for at in range(start, start + 1200, 31):
        (tmp_path / "K7_0001.JPG").write_bytes(data[:at] + b"\xff\xff\xff\x7f" + data[at + 4 :])
        noted = noted_lens(read_frame(tmp_path, "K7_0001.JPG"))
        assert noted.f_number is None
        assert noted.focal_length is None
