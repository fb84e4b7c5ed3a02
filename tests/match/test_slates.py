"""Entries by the order of slate frames: which frames mark a change, and what comes of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import pytest
from typer.testing import CliRunner

from flangeback.cli.app import app
from flangeback.frames import Exposure, Frame
from flangeback.log import parse_log
from flangeback.match import FrameMatch, match_frames
from flangeback.match.brightness import PictureLight
from flangeback.match.explaining import explain
from flangeback.match.slates import BY_PICTURE
from flangeback.report.explanation import explanation_lines
from support.camera_files import DATE_TIME_ORIGINAL, put_frame
from support.kits import WHOLE
from support.scenes import seen
from support.shots import KIT, kinds, log, problems, short, shot
from support.slate_pictures import capped, hand, scene

LIGHTS = {
    "s": PictureLight(-10.5, 0.01),
    "?": PictureLight(-5.5, 0.05),
    ".": PictureLight(-2.0, 0.2),
    "x": None,
}
LOG = "first k7 miran58 f/2.8\nthen k7 f/5.6\nthen k7 brask135 f/4\n"
FIRST, SECOND, THIRD = "miran58 f/2.8 58mm", "miran58 f/5.6 58mm", "brask135 f/4 135mm"


def found(pictures: str, text: str = LOG, frames: Sequence[Frame] = ()) -> list[FrameMatch]:
    """What frames come to, a minute apart: `s` slates, `?` doubtful, `.` pictures, `x` unreadable
    ones."""
    frames = frames or [shot(f"K7_{n:04}", f"09:{n:02}:00") for n, _ in enumerate(pictures, 1)]
    light = dict(zip((frame.file for frame in frames), pictures, strict=True))
    logs = [parse_log(text, KIT)]
    return list(
        match_frames(frames, logs, KIT, pictures=lambda frame: LIGHTS[light[frame.file]]).frames
    )


def letters(matches: Sequence[FrameMatch]) -> str:
    """A, B, C for the settings of the log, s for slates, ? for unsure, - for unlogged."""
    names = {f"fill {FIRST}": "A", f"fill {SECOND}": "B", f"fill {THIRD}": "C"}
    names |= {"slate": "s", "unsure": "?", "unlogged": "-", "native": "n"}
    return "".join(names[short(match)] for match in matches)


@pytest.mark.parametrize(
    ("pictures", "expected"),
    [
        ("...s..s..", "AAAsBBsCC"),
        # Several in a row are one mark.
        ("..ss..sss.", "AAssBBsssC"),
        # A mark after the last frame changes nothing.
        ("...s..s..s", "AAAsBBsCCs"),
        # The outing began with one.
        ("s..s..s..", "sAAsBBsCC"),
        # What has no picture is no mark.
        (".x.s.xs..", "AAAsBBsCC"),
        # Next to a slate frame, a doubtful one changes nothing but itself.
        ("...s?..s..", "AAAs?BBsCC"),
        # One slate frame too many, and one too few.
        ("..s..s..s..", "AAsBBsCCs--"),
        (".....s....", "AAAAAs????"),
        ("......", "??????"),
        # A doubtful one is a picture where the others are as many as the log's, and else a mark.
        ("..s...?..s..", "AAsBBB?BBsCC"),
        ("..s...?..", "AAsBBB?CC"),
        # Of two doubtful ones one is a mark: all after the first is open.
        ("..s..?..?..", "AAsBB??????"),
        # Doubtful ones don't keep it from being told that slate frames are missing or too many.
        ("..s..s..s.?", "AAsBBsCCs-?"),
        ("s..s..s..s", "sAAsBBsCCs"),
    ],
)
def test_each_entry_takes_over_after_the_next_slate_frame(pictures: str, expected: str) -> None:
    assert letters(found(pictures)) == expected


def test_whether_the_first_slate_frame_marks_a_change_is_not_guessed() -> None:
    # Either it does, and what came before was deleted, or the last does.
    matches = found("s..s..s..s", LOG + "then k7 f/8\n")
    assert letters(matches) == "s??s??s??s"
    assert "K7_0001" in str(matches[1].reason)
    # With one `then` more, all of them do.
    assert letters(found("s..s..s..", LOG + "then k7 off\n")) == "sBBsCCsnn"


def test_a_last_entry_that_meets_no_frame_doubts_the_count() -> None:
    """Nobody notes a change and makes no picture: a slate frame was forgotten, perhaps."""
    matches = found("..s..s")
    assert letters(matches) == "AAsBBs"
    assert all("line 3 meets no frame" in matches[n].doubts[0].text for n in (0, 1, 3, 4))
    assert kinds(found("..s..s..s")[0]) == []


def test_a_dark_picture_within_a_burst_marks_nothing() -> None:
    """Covering the lens, baring it and turning a ring take some seconds (common practice)."""
    times = ("09:01:00", "09:01:01", "09:01:02", "09:05:00", "09:05:20", "09:05:40")
    frames = [shot(f"K7_{n:04}", time) for n, time in enumerate(times, 1)]
    text = "first k7 miran58 f/2.8\nthen k7 f/5.6"
    assert letters(found(".s..s.", text, frames)) == "A?AAsB"
    # The log's word stands above it.
    assert letters(found(".s....", text + "\nslate K7_0002", frames)) == "AsBBBB"


def test_slate_frames_say_how_they_were_found() -> None:
    matches = found("..s..s.", LOG + "slate K7_0003\n")
    assert [match.reason for match in matches if short(match) == "slate"] == [None, BY_PICTURE]


def test_an_entry_by_order_is_named_as_the_frames_entry() -> None:
    assert [match.log_line for match in found(".s.s.")] == [1, None, 2, None, 3]


def test_where_slates_and_entries_part_is_said() -> None:
    *_, beyond = found("..s..s..s..")
    assert beyond.reason == (
        "slate frame K7_0009 has no `then`: "
        "3 slate frames (several in a row count as one) for 2 `then`"
    )
    matches = found("..s..")
    assert letters(matches) == "AAs??"
    assert matches[-1].reason == (
        "`then` in line 3 has no slate frame: "
        "1 slate frame (several in a row count as one) for 2 `then`"
    )


def test_where_the_counts_differ_what_is_filled_after_a_slate_is_doubted() -> None:
    matches = found("..s..s..s..")
    assert [kinds(match) for match in matches[:5]] == [[], [], [], *[["near-change"]] * 2]
    assert all(not match.doubts for match in found("..s..s.."))


def test_a_doubtful_frame_is_named_and_how_to_settle_it() -> None:
    matches = found("..?..?..s..")
    assert letters(matches) == "AA??????s??"
    assert matches[2].reason == (
        "K7_0003 may be a slate frame or a dark picture: "
        "say `slate K7_0003` or `not-slate K7_0003` in the log"
    )
    assert matches[-1].reason == matches[2].reason


def test_what_comes_after_a_doubtful_mark_is_doubted() -> None:
    matches = found("..?..s..")
    assert letters(matches) == "AA?BBsCC"
    assert [kinds(match) for match in matches[3:5]] == [["near-change"]] * 2
    assert kinds(matches[0]) == []


def test_the_log_overrules_what_was_found() -> None:
    assert letters(found("..?..s..", LOG + "slate K7_0003")) == "AAsBBsCC"
    assert letters(found("..?..s..s", LOG + "not-slate K7_0003")) == "AAAAAsBBs"
    assert letters(found("..s..s..s..", LOG + "not-slate K7_0006")) == "AAsBBBBBsCC"
    assert letters(found("..x..s..", LOG + "slate K7_0003")) == "AAsBBsCC"
    assert letters(found(".....s..", LOG + "slate K7_0003")) == "AAsBBsCC"


def test_frame_names_stand_above_the_order() -> None:
    text = LOG + "K7_0004..K7_0006 k7 brask135 f/4\n"
    assert letters(found("..s..s..s..", text)) == "AAsCCsCCs--"
    # A frame that an entry names alone is a picture, however dark.
    assert letters(found("..s..s..s..", LOG + "K7_0006 k7 brask135 f/4")) == "AAsBBCBBsCC"
    # What an entry names is certain, whatever the order leaves open.
    text = LOG + "K7_0004..K7_0005 k7 brask135 f/4"
    assert letters(found("..?..?.s..", text)) == "AA?CC??s??"


def test_off_by_order_is_native() -> None:
    assert letters(found("..s..", "first k7 miran58 f/2.8\nthen k7 off")) == "AAsnn"


def test_each_body_has_its_own_order_and_another_may_go_by_time() -> None:
    frames = [shot(f"K7_{n:04}", f"09:{n:02}:00") for n in range(1, 6)]
    frames += [shot(f"N2_{n:04}", f"09:{n:02}:30", "n2") for n in range(1, 6)]
    text = "date 2026-05-17\nfirst k7 miran58 f/2.8\nthen k7 f/5.6\n"
    by_time = [short(one) for one in found("..s..s.s..", text + "9:01 n2 miran58 f/2.8", frames)]
    filled = [f"fill {FIRST}"] * 2
    assert by_time[:5] == [*filled, "slate", *[f"fill {SECOND}"] * 2]
    # No slate frames are looked for where entries go by time.
    assert by_time[5:] == [f"fill {FIRST}"] * 5
    both = text + "first n2 miran58 f/2.8\nthen n2 f/5.6"
    other = [short(one) for one in found("..s...s...", both, frames)]
    assert other[5:] == [f"fill {FIRST}", "slate", *[f"fill {SECOND}"] * 3]


def test_of_times_and_order_for_one_body_what_both_say_is_certain() -> None:
    text = LOG + "date 2026-05-17\n9:00 k7 miran58 f/2.8\n9:05 k7 f/8"
    matches = found("..s..s.", text)
    both = ["partial", "partial", "slate", "unsure"]
    assert [short(one).split()[0] for one in matches] == ["fill"] * 2 + ["slate"] + both
    (doubt,) = matches[3].doubts
    expected = "line 2, by the order of slate frames, and line 5 say different things"
    assert doubt.text.startswith(expected)
    # By the order alone where times say nothing, and by times where marks and order don't fit.
    assert letters(found("..s..s.", LOG + "date 2026-05-17\n9:06 k7 off"))[:2] == "AA"
    by_times = found("..x....", text)
    assert letters(by_times[:4]) == "AAAA"
    assert kinds(by_times[0]) == ["near-change"]
    # What none of the entries by order says may not be so.
    unfit = found("..x....", LOG + "date 2026-05-17\n9:00 k7 miran58 f/11")
    assert [short(one) for one in unfit[:2]] == ["unsure"] * 2


def test_a_frame_without_a_time_has_no_place_in_the_order() -> None:
    frames = [shot(f"K7_{n:04}", f"09:{n:02}:00" if n != 2 else None) for n in range(1, 6)]
    matches = found("..s..", "first k7 miran58 f/2.8\nthen k7 f/5.6", frames)
    assert letters(matches) == "A-sBB"
    assert kinds(matches[1]) == ["no-time"]


def test_a_clock_set_back_in_between_leaves_the_order_open() -> None:
    times = ("09:01:00", "09:02:00", "08:03:00", "08:04:00", "08:05:00")
    frames = [shot(f"K7_{n:04}", time) for n, time in enumerate(times, 1)]
    matches = found("..s..", "first k7 miran58 f/2.8\nthen k7 f/5.6", frames)
    assert letters(matches) == "??s??"
    assert "set in between" in str(matches[0].reason)
    # One entry alone holds in whatever order they were made, unless one of them is a mark.
    assert letters(found(".....", "first k7 miran58 f/2.8", frames)) == "AAAAA"
    assert letters(found("..s..", "first k7 miran58 f/2.8", frames)) == "??s??"


def test_readings_that_are_all_the_same_go_by_the_names() -> None:
    # A body whose clock stood still, or was never set.
    frames = [shot(f"K7_{n:04}", "00:00:00", day="2016-01-01") for n in (9997, 9998, 9999, 1, 2)]
    matches = found("..s..", "first k7 miran58 f/2.8\nthen k7 f/5.6", frames)
    assert letters(matches) == "AAsBB"


# Where the light tells that marks and entries don't go together -------------------------------


def test_where_the_counts_differ_the_light_tells_where_they_part() -> None:
    # The ring went to f/5.6, f/11 and f/4; that it went to f/11 was not noted.
    stops = (2.8,) * 4 + (5.6,) * 4 + (11,) * 4 + (4,) * 4
    shots = [seen(f"K7_{2 * n:04}", f"09:{2 * n:02}:00", stop) for n, stop in enumerate(stops, 1)]
    light = {one.frame.file: PictureLight(one.brightness, 0.2) for one in shots}
    frames = [one.frame for one in shots]
    for after in (8, 16, 24):
        slate = replace(shots[0].frame, file=f"K7_{after + 1:04}.JPG")
        time = shot("K7_0001", f"09:{after + 1:02}:00").time
        frames.append(replace(slate, time=time))
        light[slate.file] = LIGHTS["s"]  # type: ignore[assignment]
    text = "first k7 miran58 f/2.8\nthen k7 f/5.6\nthen k7 f/4"
    matches = match_frames(
        frames, [parse_log(text, KIT)], KIT, pictures=lambda frame: light[frame.file]
    ).frames
    by_file = {match.frame.file: match for match in matches}
    told = [short(by_file[one.frame.file]) for one in shots]
    assert told == [f"fill {FIRST}"] * 4 + [f"fill {SECOND}"] * 4 + ["unsure"] * 8
    assert by_file["K7_0018.JPG"].reason == (
        "slate frame K7_0017 and line 3 part: 3 slate frames (several in a row count as one) for "
        "2 `then`, and the light steps by -1.9 stops there, not by +1.0 as logged"
    )


def test_a_steady_part_before_a_missing_slate_frame_is_filled() -> None:
    # Of two turns one has no slate frame: it isn't missing where the light is steady.
    shots = [seen(f"K7_{n:04}", f"09:{n:02}:00", 2.8) for n in range(1, 10)]
    light = {one.frame.file: PictureLight(one.brightness, 0.2) for one in shots}
    light["K7_0005.JPG"] = LIGHTS["s"]  # type: ignore[assignment]
    text = "first k7 miran58 f/2.8\nthen k7 f/8\nthen k7 f/2.8"
    frames = [one.frame for one in shots]
    matches = match_frames(
        frames, [parse_log(text, KIT)], KIT, pictures=lambda frame: light[frame.file]
    ).frames
    told = [short(match) for match in matches]
    assert told == [f"fill {FIRST}"] * 4 + ["slate"] + ["unsure"] * 4


def test_a_doubtful_mark_that_is_left_out_of_the_count_puts_a_doubt_on_what_follows() -> None:
    matches = found("..s...?..s..")
    assert letters(matches) == "AAsBBB?BBsCC"
    doubted = [kinds(match) == ["near-change"] for match in matches]
    assert doubted == [one in "BC" for one in "AAsBBB?BBsCC"]


# Faults ---------------------------------------------------------------------------------------


def test_a_body_by_order_in_one_log_has_no_entries_in_another() -> None:
    one = log("first k7 miran58 f/2.8\n", file="one.txt")
    other = log("9:12 k7 miran58 f/2.8\n", file="other.txt")
    (problem,) = problems([shot("K7_0001", "09:00:00")], [one, other])
    assert problem.file == "one.txt"
    assert problem.text == "has `first` and `then` of k7, and other.txt has entries of it too"


# Files ----------------------------------------------------------------------------------------


def test_from_files_to_outcomes(tmp_path: Path) -> None:
    for number in range(1, 10):
        name = f"K7_{number:04}.JPG"
        put_frame(tmp_path, name, {DATE_TIME_ORIGINAL: f"2026:05:17 09:{number:02}:00".encode()})
        made = {4: capped, 7: hand}.get(number, scene)(number)
        with_exif = (tmp_path / name).read_bytes()
        made.save(tmp_path / "picture.jpg", quality=92)
        (tmp_path / name).write_bytes(transplanted(with_exif, tmp_path / "picture.jpg"))
    (tmp_path / "picture.jpg").unlink()
    (tmp_path / "kit.toml").write_text(WHOLE)
    (tmp_path / "session.txt").write_text(LOG)
    done = CliRunner().invoke(app, ["match", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert "slate" in done.stdout
    told = CliRunner().invoke(app, ["match", str(tmp_path), "--explain", "K7_0004"])
    assert "taken for a slate frame" in told.stdout
    filled = CliRunner().invoke(app, ["match", str(tmp_path), "--explain", "K7_0008"])
    assert "brask135 f/4" in filled.stdout


def transplanted(with_exif: bytes, path: Path) -> bytes:
    """Another file's picture under this one's Exif."""
    import piexif

    inserted = path.with_suffix(".made.jpg")
    exif = piexif.load(with_exif)
    exif.pop("thumbnail", None)
    piexif.insert(piexif.dump(exif), str(path), str(inserted))
    data = inserted.read_bytes()
    inserted.unlink()
    return data


def test_explanations_tell_a_line_from_a_picture() -> None:
    frames = [shot(f"K7_{n:04}", f"09:{n:02}:00") for n in range(1, 6)]
    light = dict(zip((frame.file for frame in frames), "..s..", strict=True))
    for more, words in (("", "none: a slate frame"), ("slate K7_0003", "a slate line names it")):
        logs = [parse_log("first k7 miran58 f/2.8\nthen k7 f/5.6\n" + more, KIT)]
        matches = match_frames(frames, logs, KIT, pictures=lambda frame: LIGHTS[light[frame.file]])
        lines = list(explanation_lines(explain("K7_0003", matches, logs)))
        assert any(words in line for line in lines)


BESIDE = {
    "by time": "date 2026-05-17\n08:50 k7 miran58 f/2.8\n",
    "all": "all miran58 f/2.8\n",
    "a day": "2026-05-17 miran58 f/2.8\n",
    "a pattern": "K7_* miran58 f/2.8\n",
    "a range": "K7_0001..K7_{last:04} miran58 f/2.8\n",
}
DAY = Exposure(Fraction(1, 250), 100)


def beside(signs: str, text: str, seconds: int = 60) -> str:
    """What frames come to under a log that counts no slate frames: `A` filled, `s` a slate frame.

    They are by so many seconds apart; all were exposed alike, but for `h` and `w`, plain ones that
    are as bright as any by six stops more and by five, and `n`, pictures by night.
    """
    plain = PictureLight(-2.5, 0.02)
    looks = LIGHTS | {"h": plain, "w": plain, "n": PictureLight(-4.0, 0.2)}
    exposures = {
        "h": Exposure(Fraction(1, 4), 100),
        "w": Exposure(Fraction(16, 125), 100),
        "n": Exposure(Fraction(8), 1600),
    }
    start = datetime(2026, 5, 17, 9)
    frames = [
        replace(
            shot(f"K7_{n:04}", f"{start + timedelta(seconds=n * seconds):%H:%M:%S}"),
            exposure=exposures.get(sign, DAY),
        )
        for n, sign in enumerate(signs, 1)
    ]
    light = {frame.file: looks[sign] for frame, sign in zip(frames, signs, strict=True)}
    matches = match_frames(
        frames,
        [parse_log(text.format(last=len(signs)), KIT)],
        KIT,
        pictures=lambda frame: light[frame.file],
    ).frames
    assert all(match.reason == BY_PICTURE for match in matches if short(match) == "slate")
    assert all("light-step" not in kinds(match) for match in matches)
    return letters(matches)


@pytest.mark.parametrize("text", BESIDE.values(), ids=BESIDE)
def test_slate_frames_beside_a_log_that_counts_none_are_left_alone(text: str) -> None:
    assert beside("....s......h....ss.....", text) == "AAAAsAAAAAAsAAAAssAAAAA"
    assert beside(".....h.....", text) == "AAAAAsAAAAA"
    assert beside("....w.....w....", text) == "AAAAsAAAAAsAAAA"


@pytest.mark.parametrize("text", BESIDE.values(), ids=BESIDE)
@pytest.mark.parametrize(
    "signs",
    [
        # What may be a picture; a lens cap forgotten for a series; one black picture by night.
        "....?....?....",
        ".....ssss.....",
        # A dark wall.
        ".....w.....",
        "nnnnnsnnnnn",
        # In other light, from here on: there is a side without less light.
        "......hhhhhhh",
    ],
)
def test_a_picture_is_never_lost_as_a_slate_frame(signs: str, text: str) -> None:
    assert "s" not in beside(signs, text)


def test_a_black_picture_in_a_quick_series_is_one_that_the_flash_missed() -> None:
    assert "s" not in beside("......s......", BESIDE["all"], seconds=1)


@pytest.mark.parametrize("apart", ["half an hour and more", "other cameras"])
def test_frames_that_show_other_scenes_make_no_slate_frame(apart: str) -> None:
    frames = [replace(shot(f"K7_{n:04}", f"{8 + n:02}:00:00"), exposure=DAY) for n in range(1, 8)]
    if apart == "other cameras":
        frames = [
            replace(shot(f"K7_{n:04}", f"09:{n:02}:00"), exposure=DAY, model=f"Kestrin K{n}")
            for n in range(1, 8)
        ]
    dark = {frames[3].file: LIGHTS["s"]}
    kit = replace(KIT, bodies={"k7": replace(KIT.bodies["k7"], model=None)})
    logs = [parse_log("all miran58 f/2.8\n", kit)]
    matches = match_frames(
        frames, logs, kit, pictures=lambda frame: dark.get(frame.file, LIGHTS["."])
    )
    assert letters(matches.frames) == "A" * 7


def test_slate_lines_stand_above_the_picture_under_any_log() -> None:
    for text in BESIDE.values():
        lines = f"{text.format(last=12)}not-slate K7_0005\nslate K7_0008\n"
        frames = [replace(shot(f"K7_{n:04}", f"09:{n:02}:00"), exposure=DAY) for n in range(1, 13)]
        black = frames[4].file

        def seen(frame: Frame, black: str = black) -> PictureLight | None:
            return LIGHTS["s" if frame.file == black else "."]

        matches = match_frames(frames, [parse_log(lines, KIT)], KIT, pictures=seen).frames
        assert letters(matches) == "AAAAAAAsAAAA"


def test_without_evidence_no_picture_makes_a_slate_frame() -> None:
    frames = [replace(shot(f"K7_{n:04}", f"09:{n:02}:00"), exposure=DAY) for n in range(1, 10)]
    logs = [parse_log(BESIDE["all"], KIT)]
    black = match_frames(frames, logs, KIT, by_log_alone=True, pictures=lambda _: LIGHTS["s"])
    assert letters(black.frames) == "A" * 9
