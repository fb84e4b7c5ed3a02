"""Why a frame came to what it came to: every part of the way, and no other frame's."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from fractions import Fraction
from pathlib import Path

import pytest
from typer.testing import CliRunner

from flangeback.cli.app import app
from flangeback.cli.match import frame_names
from flangeback.cli.note import entry_words
from flangeback.demo.outing import Outing
from flangeback.errors import InputError
from flangeback.frames import Frame, LensData, scan
from flangeback.kit import read_kit
from flangeback.log import parse_log, read_log
from flangeback.match import match_frames
from flangeback.match.explaining import Explanation, explain
from flangeback.report.documents import explain_document, frame_document
from flangeback.report.explanation import explanation_lines
from support.demo_truth import TRUTH
from support.kits import WHOLE
from support.shots import KIT, log, matched, shot

LOG = """\
clock k7 fast 3m20s
9:12 k7 miran58 f/2.8
9:40-9:50 k7 f/5.6   # the ring
10:10 k7 brask135 f/8
"""


def explained(frame: Frame, text: str = LOG, *others: Frame) -> Explanation:
    frames = [frame, *others]
    return explain(frame.stem, matched(frames, text), [log(text)])


def told(found: Explanation) -> dict[str, str]:
    """The lines by their label, with what is wrapped put together."""
    rows: dict[str, str] = {}
    label = ""
    for line in list(explanation_lines(found))[1:]:
        label = line[2:16].strip() or label
        rows[label] = f"{rows.get(label, '')} {line[16:].strip()}".strip()
    return rows


def test_the_whole_way_of_a_filled_frame() -> None:
    data = LensData(focal_length=Fraction(50))
    rows = told(explained(shot("K7_0201", "09:20:00", data=data, offset=2)))
    assert rows["body"] == "k7, Kestrin K7"
    assert rows["camera time"] == "2026-05-17 09:20:00, UTC+02:00"
    # The log has a date on its first line.
    assert rows["clock"] == "3m20s ahead of the log's (line 2: clock k7 fast 3m20s)"
    assert rows["true time"] == "2026-05-17 09:16:40"
    assert rows["entry"] == "session.txt, line 3: 9:12 k7 miran58 f/2.8"
    assert rows["evidence"].startswith("registered-focal: 50 mm was registered")
    assert rows["lens"] == "blank -> Miran 58mm f/2 via m42-e"
    assert rows["f-number"] == "blank -> f/2.8"
    assert rows["focal length"] == "50 mm, registered -> 58 mm (35 mm equivalent 58 mm)"


def test_a_frame_that_no_entry_covers_is_shown_between_those_that_might() -> None:
    found = explained(shot("K7_0201", "10:03:20"))
    rows = told(found)
    assert found.entry is None
    assert rows["entry"] == (
        "none covers it near it, line 4: 9:40-9:50 k7 f/5.6 near it, line 5: 10:10 k7 brask135 f/8"
    )
    assert rows["lens"] == "blank, left as it is"
    assert "reason" not in rows


def test_a_photo_of_a_clock_is_named_with_what_it_is_good_to() -> None:
    frame = shot("N2_0401", "10:12:33", "n2")
    rows = told(explained(frame, "clock n2 N2_0401 shows 09:05:10\n9:02 n2 off\n"))
    # A reading to the second on both sides: half a second each.
    assert rows["clock"] == (
        "1h7m23s ahead of the log's, give or take 1s (line 2: clock n2 N2_0401 shows 09:05:10)"
    )
    assert rows["true time"] == "2026-05-17 09:05:10"


def test_three_photos_of_a_clock_say_how_far_they_agree() -> None:
    """An hour ahead, an hour ahead, an hour and a second ahead: the line through them, by least
    squares, leaves 1/6, 1/3 and 1/6 of a second."""
    photos = [
        shot(f"N2_040{n}", time, "n2")
        for n, time in enumerate(("10:00:00", "11:00:00", "12:00:01"), 1)
    ]
    text = (
        "clock n2 N2_0401 shows 09:00:00\n"
        "clock n2 N2_0402 shows 10:00:00\n"
        "clock n2 N2_0403 shows 11:00:00\n"
        "11:30 n2 off\n"
    )
    rows = told(explained(photos[1], text, photos[0], photos[2]))
    assert "3 photos of a clock agreeing within 0.3 s" in rows["clock"]


@pytest.mark.parametrize(
    ("text", "clock"),
    [
        ("9:00 k7 off\n", "taken as right: no clock line says otherwise"),
        ("9:00 n2 off\n", "no entry speaks of this body"),
        ("clock k7 slow 1h\n9:00 k7 off\n", "1h behind the log's (line 2: clock k7 slow 1h)"),
    ],
)
def test_a_clock_without_a_line_is_said_to_be_taken_as_right(text: str, clock: str) -> None:
    assert told(explained(shot("K7_0201", "09:20:00"), text))["clock"] == clock


def test_a_frame_named_by_an_entry_says_so() -> None:
    found = explained(shot("K7_0201"), "K7_0201 k7 miran58 f/4\n")
    rows = told(found)
    assert rows["camera time"] == "none in the frame"
    assert rows["true time"] == "not known"
    assert rows["entry"] == "session.txt, line 2: K7_0201 k7 miran58 f/4, which names it"


def test_the_clock_of_a_frame_named_by_an_entry_makes_no_difference() -> None:
    frame = shot("K7_0201", "09:20:00")
    named = "K7_0201 k7 miran58 f/4\n"
    assert told(explained(frame, named))["clock"] == "makes no difference: an entry names the frame"
    told_by_line = told(explained(frame, "clock k7 fast 20s\n" + named))["clock"]
    assert told_by_line == "20s ahead of the log's (line 2: clock k7 fast 20s)"


def test_a_slate_frame_and_a_damaged_one_are_explained_too() -> None:
    assert told(explained(shot("K7_0201", "09:20:00"), LOG + "slate K7_0201\n"))["entry"] == (
        "a slate line names it"
    )
    rows = told(explained(shot("K7_0201", damage="it breaks off")))
    assert rows == {"body": "Kestrin K7", "reason": "it breaks off"} or (
        rows == {"body": "k7, Kestrin K7", "reason": "it breaks off"}
    )


def test_a_doubted_clock_s_sentence_stands_once(outing: Outing) -> None:
    text = "\n".join(
        line for line in outing.log.read_text("utf-8").splitlines() if "clock n2" not in line
    )
    kit = read_kit(outing.kit)
    matches = match_frames(scan(outing.frames), [log := parse_log(text, kit)], kit)
    told = " ".join(" ".join(explanation_lines(explain("N2_0403", matches, [log]))).split())
    assert told.count("the frames speak for 1h fast") == 1
    damaged = explain("K7_0230", matches, [log])
    assert not any("body" in line for line in explanation_lines(damaged))


# Which frame -----------------------------------------------------------------------------------

FRAMES = [shot("100K/K7_0201", "09:20:00"), shot("101K/K7_0201", "09:30:00"),
          shot("101K/K7_0202", "09:31:00"), shot("101K/K7_0202.DNG", "09:32:00")]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "file"),
    [
        ("100k/k7_0201", "100K/K7_0201.JPG"),
        ("101K/K7_0201.JPG", "101K/K7_0201.JPG"),
        ("K7_0202.dng", "101K/K7_0202.DNG"),
        ("101K\\K7_0201", "101K/K7_0201.JPG"),
    ],
)
def test_a_frame_answers_to_its_name_with_or_without_folder_and_suffix(
    name: str, file: str
) -> None:
    found = explain(name, matched(FRAMES, LOG), [log(LOG)])
    assert found.match.frame.file == file


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("K7_0201", "is more than one frame: 100K/K7_0201.JPG and 101K/K7_0201.JPG"),
        ("K7_0202", "is more than one frame"),
        ("K7_0203", "there is no frame K7_0203"),
        ("7_0201", "there is no frame"),
    ],
)
def test_a_name_of_no_frame_or_of_two_is_wrong_input(name: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        explain(name, matched(FRAMES, LOG), [log(LOG)])


# The command -----------------------------------------------------------------------------------


def run(outing: Outing, *words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["match", str(outing.frames), *words])
    return result.exit_code, result.stdout


def test_every_frame_of_the_outing_is_explained_as_it_is_matched(outing: Outing) -> None:
    kit = read_kit(outing.kit)
    logs = [read_log(outing.log, kit)]
    matches = match_frames(scan(outing.frames), logs, kit)
    for found in matches.frames:
        document = explain_document(explain(found.frame.file, matches, logs))
        assert document["schema"] == "flangeback/explain-1"
        assert document["frame"] == frame_document(found)
    assert {found.frame.file for found in matches.frames} == {one.file for one in TRUTH}


def test_the_command_explains_a_frame_of_each_outcome(outing: Outing) -> None:
    whole = json.loads(run(outing, "--json")[1])["frames"]
    for document in {one["outcome"]: one for one in whole}.values():
        code, text = run(outing, "--explain", document["file"], "--json")
        assert json.loads(text)["frame"] == document
        needs = {"partial", "conflict", "unsure", "unlogged", "unreadable"}
        assert code == (1 if document["outcome"] in needs else 0)
        lines = run(outing, "--explain", document["file"])[1].splitlines()
        assert lines[0] == f"{document['file']}: {document['outcome']}"
        assert 2 <= len(lines) <= 20
        assert all(len(line) <= 80 for line in lines)


def test_an_explanation_changes_nothing_of_the_match() -> None:
    frame = replace(shot("K7_0201", "09:20:00"), size=1)
    before = match_frames([frame], [log(LOG)], KIT)
    found = explain("K7_0201", before, [log(LOG)])
    assert frame_document(found.match) == frame_document(before.frames[0])
    assert found.clock is not None
    assert found.clock.ahead == timedelta(minutes=3, seconds=20)


def test_match_and_fill_say_what_to_do_next_to_a_person_at_a_terminal(
    outing: Outing, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    frames, out = str(outing.frames), str(tmp_path / "my copies")
    assert CliRunner().invoke(app, ["match", frames]).stderr == ""
    monkeypatch.setattr("flangeback.cli.shared.at_terminal", lambda: True)
    found = CliRunner().invoke(app, ["match", frames, "--kit", str(outing.kit)])
    given = f"flangeback match {frames} --kit {outing.kit} --explain K7_0201"
    assert found.stderr.splitlines()[-4:] == [
        "why a frame came to what it came to:",
        f"  {given}",
        "next, to make and prove the copies:",
        f"  flangeback fill {frames} --kit {outing.kit} --into {frames}-filled",
    ]
    assert run(outing, *given.split()[3:])[1].startswith("K7_0201.JPG: unlogged\n")
    filled = CliRunner().invoke(app, ["fill", frames, "--into", out])
    assert f"  flangeback tally '{out}'" in filled.stderr.splitlines()


# What the shell completes ----------------------------------------------------------------------


class _Context:
    def __init__(self, **params: object) -> None:
        self.params = params
        self.args: list[str] = []


def test_frames_and_words_are_completed(outing: Outing, tmp_path: Path) -> None:
    frames = _Context(folders=[outing.frames])
    assert frame_names(frames, "k7_022")[:2] == ["K7_0220", "K7_0221"]  # type: ignore[arg-type]
    assert frame_names(_Context(), "K7") == []  # type: ignore[arg-type]
    (tmp_path / "kit.toml").write_text(WHOLE)
    beside = _Context(log=tmp_path / "session.txt")
    assert entry_words(beside, "mir") == ["miran58"]  # type: ignore[arg-type]
    assert entry_words(beside, "o") == ["open", "off", "overnight"]  # type: ignore[arg-type]
    nothing = _Context(log=tmp_path / "none" / "session.txt", kit=tmp_path / "none.toml")
    assert entry_words(nothing, "mir") == []  # type: ignore[arg-type]
