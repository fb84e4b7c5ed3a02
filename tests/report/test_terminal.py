"""The terminal's tables: frames by span, doubts in words, names as they are."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from flangeback.cli.shared import terminal
from flangeback.copies import Filled, FrameCopy, Verified
from flangeback.copies.model import CheckedCopy, SourceNow
from flangeback.frames import Frame
from flangeback.kit import parse_kit
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.report.kit import show_kit
from flangeback.report.runs import Run
from flangeback.report.settling import cases
from flangeback.report.terminal import (
    matches_line,
    show_filled,
    show_matches,
    show_verified,
)
from support.commands import WIDTH
from support.kits import K7, M42_E, MIRAN58, changed, whole_kit
from support.screens import Screen
from support.shots import log, matched, shot

LOG = "9:00 k7 miran58 f/2.8\n9:40 k7 brask135 f/4\n"


def printed(show: Callable[..., None], *what: Any) -> list[str]:
    screen = Screen(WIDTH)
    show(screen, *what)
    assert all(len(line) <= WIDTH for line in screen.lines), screen.lines
    return [line.rstrip() for line in screen.lines]


def table(frames: Sequence[Frame], text: str = LOG) -> list[str]:
    return printed(show_matches, matched(frames, text))


def rows(lines: Sequence[str]) -> list[list[str]]:
    """The rows that hold frames, as words."""
    return [line.split() for line in lines if len(line.split()) > 3 and line[0] != " "]


def test_frames_that_follow_one_another_make_one_row() -> None:
    lines = table([shot(f"K7_020{n}", f"09:1{n}:00") for n in range(5)])
    assert "K7_0200..0204            5 09:10-09:14 fill       miran58         2.8     58" in lines


def test_a_lone_frame_has_its_name_and_one_time() -> None:
    assert "K7_0200                  1 09:10       fill       miran58         2.8     58" in table(
        [shot("K7_0200", "09:10:00")]
    )


def test_gaps_in_a_row_show() -> None:
    lines = table([shot("K7_0200", "09:10:00"), shot("K7_0205", "09:12:00")])
    assert any(line.startswith("K7_0200, ...0205 ") for line in lines)


def test_rows_follow_the_cameras_time_not_the_names() -> None:
    names = ["K7_9998", "K7_9999", "K7_0001"]
    frames = [shot(name, f"09:1{n}:00") for n, name in enumerate(names)]
    assert any(line.startswith("K7_9998..0001 ") for line in table(sorted(frames, key=str)))


def test_each_body_has_its_heading() -> None:
    frames = [shot("K7_0200", "09:10:00"), shot("N2_0400", "09:10:00", "n2")]
    frames += [shot("A_0001", "09:10:00", model="Kestrin K9"), shot("B", damage="cut", model="")]
    lines = table(frames)
    headings = [line for line in lines if line.startswith(("k7", "n2", "no body"))]
    assert headings == ["k7  Kestrin K7", "n2  Norrvik N2", "no body of the kit  Kestrin K9"]
    assert lines.index(headings[0]) < lines.index(headings[1]) < lines.index(headings[2])


def test_one_day_is_a_heading_and_several_are_lines() -> None:
    first = shot("K7_0200", "09:10:00")
    second = shot("K7_0201", "09:10:00", day="2026-05-18")
    assert "2026-05-17" in table([first])[1]
    lines = table([first, second])
    assert "2026-05-17" in lines
    assert "2026-05-18" in lines
    assert lines.index("2026-05-17") < lines.index("2026-05-18")


def test_values_of_an_outcome_that_is_not_filled_are_not_shown() -> None:
    lines = table([shot("K7_0200", "09:40:30"), shot("K7_0201", "08:00:00")])
    assert ["K7_0200", "1", "09:40", "unsure"] in rows(lines)
    assert ["K7_0201", "1", "08:00", "unlogged"] in rows(lines)


def test_a_doubt_stands_once_under_its_row_with_the_frames_it_is_on() -> None:
    frames = [shot(f"K7_020{n}", f"09:40:1{n}") for n in range(5)]
    told = [line for line in table(frames) if "near-change: " in line]
    assert len(told) == 1
    assert "miran58 or brask135" in told[0]
    some = [shot("K7_0200", "09:00:30"), *(shot(f"K7_020{n}", "09:10:00") for n in range(1, 4))]
    assert any("near-change" in line for line in table(some))
    assert any("(K7_0200)" in line for line in table(some))


def test_long_focal_lengths_are_plain_numbers() -> None:
    kit = parse_kit(K7 + M42_E + changed(MIRAN58, "focal", "1000"))
    lines = printed(
        show_matches, matched([shot("K7_0200", "09:10:00")], "9:00 k7 miran58 f/8\n", kit)
    )
    assert rows(lines)[1][-2:] == ["8", "1000"]


@pytest.mark.parametrize(
    "name", ["a[b]c_0001", "x[/b]_0002", "[red]_0003", ":camera:_0004", "sub[1]/K7_0001"]
)
def test_names_stand_as_they_are(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    show_matches(terminal(), matched([shot(name, "09:10:00")], LOG))
    assert name in capsys.readouterr().out


def test_a_name_longer_than_its_column_keeps_its_ends() -> None:
    found = rows(table([shot("2026-05/harbour/K7_0001", "09:10:00")]))
    assert found[1][0] == "2026...rbour/K7_0001"  # below the headings


def test_totals() -> None:
    frames = [shot("K7_0200", "09:10:00"), shot("K7_0201", "08:00:00")]
    assert matches_line(matched(frames, LOG)) == "2 frames: 1 fill, 1 unlogged"
    assert matches_line(matched(frames[:1], LOG)) == "1 frame: 1 fill"


# Copies ----------------------------------------------------------------------------------------


def test_what_became_of_the_copies() -> None:
    found = matched([shot(f"K7_020{n}", f"09:1{n}:00") for n in range(3)], LOG).frames
    names = [one.frame.file for one in found]
    copies = (
        FrameCopy(match=found[0], copy=names[0], copies=(names[0],), verified=True),
        FrameCopy(match=found[1], copy=names[1], copies=(names[1],), verified=True, resumed=True),
        FrameCopy(
            match=found[2], copy=None, copies=(), verified=False, failure="K7_0202.JPG: cut short"
        ),
    )
    lines = printed(show_filled, Filled(copies), "out")
    assert "K7_0202.JPG: cut short; it has no copy: run this again" in lines
    plain = replace(copies[2], copy=names[2], copies=(names[2],))
    assert "K7_0202.JPG: cut short; the frame is copied as it is" in printed(
        show_filled, Filled((plain,)), "out"
    )
    told = "1 copy made and verified in out; 1 stood there already; 1 failed the proof"
    assert lines[-1] == told


def test_what_verifying_found() -> None:
    copies = (
        CheckedCopy("a.JPG", None, SourceNow.SAME),
        CheckedCopy("b.JPG", None, SourceNow.AWAY),
        CheckedCopy("c.JPG", "its bytes changed", SourceNow.SAME),
    )
    screen = Screen(WIDTH)
    show_verified(screen, Verified(copies, ("mine.txt",)), Path("out"))
    lines = screen.lines
    assert lines[0] == "c.JPG: its bytes changed"
    assert lines[1] == "2 of 3 copies in out verified, 1 by digest alone"
    assert "--frames" in lines[2]
    assert lines[3] == "c.JPG: `flangeback verify out --mend` makes it again"
    assert lines[4] == "not in the manifest: mine.txt"


def test_a_kit_shows_every_piece_once() -> None:
    lines = printed(show_kit, whole_kit())
    keys = [line.split()[1] for line in lines[1:] if line[0] != " "]  # a long cell goes on below
    assert keys == list(whole_kit().keys())
    assert "reducer 0.71" in "\n".join(lines)
    miran = next(line for line in lines if "miran58" in line)
    assert miran.split()[2:5] == ["M42", "58", "2-16"]


def test_frames_stand_in_the_order_they_were_made_though_the_clock_was_set() -> None:
    frames = [
        shot(f"K7_020{n}", f"{10 if n < 3 else 9}:{10 + 10 * n}:00".zfill(8)) for n in range(5)
    ]
    text = (
        "clock k7 K7_0200 shows 9:10:00\nclock k7 K7_0204 shows 9:50:00\n"
        "9:00 k7 miran58 f/2.8\n9:35 k7 brask135 f/4\n"
    )
    found = [row[0] for row in rows(table(frames, text)) if row[0].startswith("K7_")]
    assert found == ["K7_0200..0202", "K7_0203..0204"]


@pytest.mark.parametrize("width", [60, 72, 80, 110, 140])
def test_no_figure_and_no_outcome_is_broken_in_two(width: int) -> None:
    text = "9:00 k7 tolvan28 f/4-5.6\n9:40 k7 miran58 f/?\n"
    frames = [shot(f"K7_020{n}", f"09:{1 + 5 * n:02}:00") for n in range(10)]
    screen = Screen(width)
    show_matches(screen, matched(frames, text))
    assert max(map(len, screen.lines)) <= width
    words = " ".join(screen.lines).split()
    for whole in ("count", "partial", "fill", "19.9", "3.36", "58"):
        assert whole in words


def test_a_wide_terminal_names_lenses_in_full() -> None:
    screen = Screen(140)
    show_matches(screen, matched([shot("K7_0200", "09:10:00")], LOG))
    assert any("Miran 58mm f/2" in line for line in screen.lines)


def test_after_a_long_list_what_needs_a_person_is_told_again() -> None:
    text = "9:00 k7 miran58 f/2.8\n" + "".join(
        f"9:{5 + 2 * n:02} k7 f/{'?' if n == 3 else stop}\n"
        for n, stop in enumerate(["4", "5.6"] * 9)
    )
    frames = [shot(f"K7_02{n:02}", f"09:{2 * n:02}:30") for n in range(2, 20)]
    found = matched(frames, text)
    lines = printed(show_matches, found, tuple(cases(found, [log(text)], whole_kit())))
    last = lines[lines.index("To settle, at the end of the log or as it says:") :]
    assert any(line.split()[1:5] == ["partial", "K7_0206", "k7", "miran58"] for line in last[2:])


@pytest.mark.parametrize("name", ["a\x1b[31mb_0001", "gpj\u202e_0002"])
def test_what_a_name_does_to_a_terminal_is_nothing(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    show_matches(terminal(), matched([shot(name, "09:10:00")], LOG))
    out = capsys.readouterr().out
    assert "\x1b[31m" not in out
    assert "\u202e" not in out
    assert "‹" in out


def test_doubts_that_differ_in_their_share_alone_are_one_note() -> None:
    found = matched([shot(f"K7_020{n}", f"09:1{n}:00") for n in range(3)], LOG).frames
    shares = [Doubt(DoubtKind.CLOCK_UNSURE, f"another may hold, by {n}0%") for n in (5, 4)]
    frames = [replace(one, doubts=(two,)) for one, two in zip(found, shares, strict=False)]
    (note,) = Run((*frames, found[2])).notes
    assert (note.text, note.some) == ("another may hold, by 40 to 50%", "K7_0200, K7_0201")
    (alone,) = Run((frames[0],)).notes
    assert alone.text == "another may hold, by 50%"


def test_entries_that_met_no_frame_are_told_but_for_off() -> None:
    lines = table([shot("K7_0200", "09:50:00")], LOG + "10:00 k7 f/8\n11:00 k7 off\n")
    told = [line for line in lines if line.startswith("no frame")]
    assert told == [
        "no frame: line 2 (9:00 k7 miran58 f/2.8)",
        "no frame: line 4 (10:00 k7 f/8)",
    ]
    many = LOG + "".join(f"10:{n} k7 f/8\n" for n in range(10, 20))
    told = [ln for ln in table([shot("K7_0200", "09:50:00")], many) if ln.startswith("no frame")]
    assert len(told) == 6
    assert told[-1].startswith("no frame: 6 more")
