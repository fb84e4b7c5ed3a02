"""Five first outings: from frames alone to a filled folder, by pasting what is proposed.

A person types answers and log lines, and pastes commands from what is printed. At most one command
has to be corrected; the README isn't needed beyond its first screen.
"""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path
from typing import Any

import exifread
import piexif
import pytest
from typer.testing import CliRunner

from flangeback.cli.app import app
from flangeback.demo import Outing
from support.commands import pasted
from support.slate_pictures import capped, scene

MODEL, DATE_TIME_ORIGINAL = 0x0110, 0x9003
"""CIPA DC-008."""
ONE_LENS = ("K7_0202.JPG", "K7_0203.JPG", "K7_0206.JPG", "K7_0207.JPG")


class Person:
    """Runs commands in a folder, at a terminal; counts those that had to be corrected."""

    def __init__(self) -> None:
        self.corrected = 0
        self.printed = ""

    def types(self, command: str, *answers: str) -> str:
        words = pasted(command)
        assert words[0] == "flangeback"
        typed = "".join(f"{answer}\n" for answer in answers)
        done = CliRunner().invoke(app, words[1:], input=typed, env={"COLUMNS": "80"})
        assert done.exit_code in (0, 1, 2), done.output
        self.corrected += done.exit_code == 2
        self.printed = done.stdout + done.stderr
        return self.printed

    def pastes(self, what: str, *answers: str) -> str:
        """A command that was printed last, by its first words."""
        start = re.escape(what.replace("/", os.sep))
        lines = re.findall(rf"^  (flangeback {start}.*)$", self.printed, re.MULTILINE)
        assert lines, f"no {what} in\n{self.printed}"
        return self.types(lines[0], *answers)


@pytest.fixture
def person(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Person:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setattr("flangeback.cli.shared.at_terminal", lambda: True)
    return Person()


def take(outing: Outing, folder: str, *names: str) -> Path:
    """Frames of the made outing; without names, all of them."""
    place = Path(folder)
    place.mkdir(parents=True)
    for frame in sorted(outing.frames.glob("*.JPG")):
        if not names or frame.name in names:
            shutil.copy(frame, place)
    return place


def tags(path: Path) -> dict[str, Any]:
    """By a reader that isn't ours."""
    with path.open("rb") as file:
        return dict(exifread.process_file(file, details=False))


def check_filled(folder: Path, names: tuple[str, ...], lens: str, person: Person) -> None:
    assert person.corrected <= 1
    for name in names:
        read = tags(folder / name)
        assert str(read["EXIF LensModel"]) == lens, name
        assert read["EXIF FNumber"].values[0].num > 0, name
    assert not list(folder.rglob("*.unfinished"))


def test_a_hobby_photographer_with_one_lens(outing: Outing, person: Person) -> None:
    take(outing, "harbour", *ONE_LENS)
    person.types("flangeback survey harbour")
    survey = person.printed
    person.pastes("kit add body", "E")
    person.printed = survey
    person.pastes("kit add lens", "Miran 58mm f/2", "Ostrava Optik", "m42")
    person.printed = survey
    person.pastes("draft")
    log = Path("harbour/session.txt")
    text = re.sub(r"^# (K7_.*) LENS f/STOP$", r"\1 miran 2.8", log.read_text(), flags=re.M)
    log.write_text(text)
    person.pastes("match")
    person.pastes("fill")
    check_filled(Path("harbour-filled"), ONE_LENS, "Miran 58mm f/2", person)
    person.pastes("verify")


TWO_BODIES = """\
date 2026-05-17
zone Europe/Stockholm
clock k7 fast 3m20s
clock n2 N2_0401 shows 09:05:10
09:02 n2 off
09:12 k7 miran58 f/2.8
09:26 k7 f/5.6
9.31 n2 tolvan28 open
09:40 k7 f/8
10:05-10:25 k7 brask135 f/5.6
"""


def test_a_working_photographer_with_two_bodies(outing: Outing, person: Person) -> None:
    frames = take(outing, "2026-05-17")
    person.types("flangeback survey 2026-05-17")
    survey = person.printed
    person.pastes("kit add body 2026-05-17/K7", "E")
    person.printed = survey
    person.pastes("kit add body 2026-05-17/N2", "m43", "Micro Four Thirds")
    kit = "--kit 2026-05-17/kit.toml"
    for lens in ("Miran 58mm f/2", "Brask Tele 135mm f/3.5 --key brask135"):
        person.types(f"flangeback kit add lens {lens} --mount M42 {kit}", "")
    person.types(f"flangeback kit add lens Tolvan 28mm f/2.8 {kit}", "", "F")
    assert "m42-e" in person.types(f"flangeback kit check {kit}")
    (frames / "session.txt").write_text(TWO_BODIES)
    person.types("flangeback match 2026-05-17")
    person.pastes("fill")
    out = Path("2026-05-17-filled")
    # The first of them lies in the first entry's own minute, and a frame lies before it.
    check_filled(out, ONE_LENS[1:], "Miran 58mm f/2", person)
    check_filled(out, ("N2_0403.JPG", "N2_0404.JPG"), "Tolvan 28mm f/2.8", person)


def test_an_archivist_with_folders(outing: Outing, person: Person) -> None:
    for day in ("archive/harbour", "archive/quay"):
        frames = take(outing, day, *ONE_LENS)
        (frames / "session.txt").write_text("all miran58 f/?\n")
    kit = "--kit archive/kit.toml"
    person.types(f"flangeback kit add body archive/quay/K7_0202.JPG {kit}", "E")
    person.types(f"flangeback kit add lens Miran 58mm f/2 {kit}", "", "M42")
    printed = person.types("flangeback match archive")
    assert printed.count("4 partial") >= 2
    person.types("flangeback fill archive")  # where to isn't said: it is proposed
    person.pastes("fill")
    for day in ("harbour", "quay"):
        for name in ONE_LENS:
            read = tags(Path("archive-filled", day, name))
            assert str(read["EXIF LensModel"]) == "Miran 58mm f/2"
    assert person.corrected == 1
    assert "4 frames" not in person.types("flangeback tally archive-filled")
    assert "8 frames" in person.printed


CURLY = """\
[body.k7]
model = “Kestrin K7”
mount = E
[lens.miran58]
name = “Miran 58mm f/2”
focal = 58mm
widest = f/2
mount = "M42"
"""


def test_a_kit_typed_by_hand_on_a_phone(outing: Outing, person: Person) -> None:
    frames = take(outing, "harbour", *ONE_LENS)
    kit = frames / "kit.toml"
    kit.write_text(CURLY, "utf-8")
    (frames / "session.txt").write_text("K7_0202..K7_0207 k7 miran58 f/2.8\n")
    person.types("flangeback match harbour")
    lines = CURLY.splitlines()
    told = re.findall(r"kit.toml:(\d+):.*?the line to read ([^\n]*)", person.printed, re.DOTALL)
    assert len(told) == 5  # all of them in one go, each with the line as it should be
    for number, line in told:
        lines[int(number) - 1] = line
    kit.write_text("\n".join(lines), "utf-8")
    person.types("flangeback match harbour")
    person.pastes("fill")
    check_filled(Path("harbour-filled"), ONE_LENS, "Miran 58mm f/2", person)


def test_somebody_without_a_clock_goes_by_slate_frames(outing: Outing, person: Person) -> None:
    place = Path("by order")
    place.mkdir()
    pictures = [scene(1), scene(2), capped(3), scene(4), scene(5)]
    for n, picture in enumerate(pictures, 1):
        exif = {DATE_TIME_ORIGINAL: f"2026:05:17 09:1{n}:00".encode()}
        block = piexif.dump({"0th": {MODEL: b"Kestrin K7"}, "Exif": exif})
        picture.save(place / f"K7_000{n}.JPG", exif=block)
    person.types("flangeback kit add body 'by order/K7_0001.JPG' --kit 'by order'", "E")
    person.types("flangeback kit add lens Miran 58mm f/2 --kit 'by order'", "", "M42")
    (place / "session.txt").write_text("first k7 miran58 f/2.8\nthen k7 f/5.6\n")
    person.types("flangeback match 'by order'")
    person.pastes("fill")
    copies = [Path("by order-filled", f"K7_000{n}.JPG") for n in range(1, 6)]
    numbers = [str(tags(copy).get("EXIF FNumber")) for copy in copies]
    assert numbers == ["14/5", "14/5", "None", "28/5", "28/5"]
    assert person.corrected == 0
