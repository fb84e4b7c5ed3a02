"""Drafted logs: they always parse, and filled in they match the frames they were drafted for."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from flangeback.cli.app import app
from flangeback.demo.outing import Outing
from flangeback.draft import draft_log, read_pictures, slate_files
from flangeback.errors import InputError
from flangeback.frames import CameraTime, Frame, LensData, scan
from flangeback.frames.model import Exposure
from flangeback.kit import Kit, parse_kit, read_kit
from flangeback.log import parse_log
from flangeback.match import Outcome, match_frames
from flangeback.match.brightness import PictureLight, read_picture
from flangeback.match.explaining import explain
from flangeback.match.model import Source
from support.camera_files import DATE_TIME_ORIGINAL, put_frame
from support.demo_truth import TRUTH
from support.examples import examples
from support.kits import BRASK135, K7, M42_E, MIRAN58, N2
from support.log_printing import format_log
from support.plain_jpeg import picture

START = datetime(2026, 5, 17, 9, 0)
BLACK, GREY = PictureLight(-11.0, 0.01), PictureLight(-2.5, 0.2)


def frame(number: int, minutes: float, **more: object) -> Frame:
    file = f"K7_{number:04}.JPG"
    found = Frame(
        file,
        Path(),
        make="Kestrin",
        model="Kestrin K7",
        serial="0071133",
        time=CameraTime(START + timedelta(minutes=minutes)),
        exposure=Exposure(Fraction(1, 250), 100),
    )
    return replace(found, **more)  # type: ignore[arg-type]


def kit() -> Kit:
    return parse_kit(K7 + N2 + MIRAN58 + BRASK135 + M42_E)


def entries(text: str) -> list[str]:
    return [line for line in text.splitlines() if re.match(r"# .*(LENS|f/STOP| off$)", line)
            and "put the lens" not in line and "for LENS" not in line]  # fmt: skip


def filled_in(text: str, *settings: str) -> str:
    """The draft as its reader fills it in: the # before each entry gone, each with the next of
    these settings."""
    wanted, lines, number = entries(text), [], 0
    for line in text.splitlines():
        if line in wanted:
            setting = settings[number % len(settings)]
            line = re.sub(r"(LENS|\w+\d+) f/STOP$", setting, line.removeprefix("# "))
            number += 1
        lines.append(line)
    return "\n".join(lines)


# Whatever the frames are, the draft is a log ---------------------------------------------------

NAMES = st.one_of(
    st.builds("K7_{:04}".format, st.integers(1, 40)),
    st.builds("{}".format, st.integers(0, 30)),
    st.text(min_size=1, max_size=8).filter(lambda name: name not in ".." and "/" not in name),
    st.sampled_from(
        ["k7", "off", "f2.8", "miran58", "9.12am", "IMG 0001", "a..b1", "x#1", "N2_1.b"]
    ),
)
FOLDERS = st.sampled_from(["", "100KESTR/", "101KESTR/", "a/100KESTR/", "old cards/"])
TIMES = st.none() | st.builds(
    CameraTime,
    st.datetimes() | st.datetimes(START, START + timedelta(hours=3)),
    st.just(timedelta(seconds=1)),
    st.none() | st.timedeltas(timedelta(hours=-15), timedelta(hours=15)),
)
FRAMES = st.builds(
    lambda folder, name, **more: Frame(f"{folder}{name}.JPG", Path(), **more),
    FOLDERS,
    NAMES,
    model=st.none() | st.sampled_from(["Kestrin K7", "Norrvik N2"]) | st.text(max_size=12),
    serial=st.none() | st.just("0071133"),
    time=TIMES,
    lens_data=st.builds(
        LensData,
        lens=st.none() | st.just("Miran 58mm f/2") | st.text(min_size=1, max_size=9),
        f_number=st.none() | st.just(Fraction(28, 10)),
        focal_length=st.none() | st.fractions(1, 900),
    ),
    exposure=st.builds(
        Exposure,
        st.none() | st.fractions(Fraction(1, 10**6), 900),
        st.none() | st.integers(1, 10**6),
    ),
    damage=st.none() | st.none() | st.just("it breaks off"),
)
ALL = st.lists(FRAMES, max_size=25, unique_by=lambda found: found.file)


@given(ALL, st.sampled_from([None, BLACK, GREY]), st.booleans())
@settings(max_examples=examples(200), deadline=None)
def test_any_drafted_log_parses_and_is_printed_as_the_same(
    frames: list[Frame], light: PictureLight | None, with_kit: bool
) -> None:
    gear = kit() if with_kit else None
    text = draft_log(frames, {found.file: light for found in frames}, gear)
    log = parse_log(text, gear or Kit())
    assert log.entries == ()
    assert parse_log(format_log(log), gear or Kit()) == log
    if light == GREY:
        assert log.slates == ()


STEPS = st.lists(
    st.tuples(
        st.sampled_from([0.0, 0.01, 0.5, 2, 31]),
        st.sampled_from([1, 1, 1, 2, 30, -3, 9000]),
        st.sampled_from([None, 58, 135]),
        FOLDERS,
        st.booleans(),
    ),
    min_size=1,
    max_size=25,
)


@given(STEPS)
@settings(max_examples=examples(150), deadline=None)
def test_a_draft_filled_in_says_of_each_frame_what_its_entry_says(
    steps: list[tuple[float, int, int | None, str, bool]],
) -> None:
    frames: dict[str, Frame] = {}
    minutes, number = 0.0, 9980
    for pause, step, registered, folder, timed in steps:
        minutes, number = minutes + pause, (number + step - 1) % 9999 + 1
        data = LensData(focal_length=None if registered is None else Fraction(registered))
        made = frame(number, minutes, lens_data=data)
        made = replace(made, file=folder + made.file, time=made.time if timed else None)
        frames.setdefault(made.file, made)
    text = draft_log(list(frames.values()), {}, kit())
    filled = filled_in(text, "miran58 f/2.8", "brask135 f/8")
    log = parse_log(filled, kit())
    found = match_frames(list(frames.values()), [log], kit()).frames
    lines = filled.splitlines()
    for match in found:
        if match.log_line is None:
            assert match.frame.time is None
            assert "# no entry can name: " in filled
            continue
        # One that only its time can name may be at a change.
        if match.outcome is Outcome.FILL:
            assert match.fill is not None
            assert match.fill.lens.key in lines[match.log_line - 1]
        else:
            assert ".." not in lines[match.log_line - 1]
            assert match.doubts


# The made-up outing ----------------------------------------------------------------------------


def test_the_outings_draft_filled_in_by_the_truth_comes_to_the_truth(outing: Outing) -> None:
    frames, gear = scan(outing.frames), read_kit(outing.kit)
    text = draft_log(frames, read_pictures(frames, read_picture), gear)
    assert all(len(line) <= 80 for line in text.splitlines())
    assert "date 2026-05-17\nzone +02:00\n" in text
    assert "58 mm registered" in text
    assert "slate" not in text.replace("slate frame", "")
    lens_of = {truth.file: truth.lens for truth in TRUTH}
    settings = []
    for entry in entries(text):
        first = re.match(r"# (\w+)", entry)
        assert first is not None
        lens = lens_of[f"{first[1]}.JPG"]
        # The brask and the gulls between two lenses are the log's own business.
        settings.append(f"{lens or 'miran58'} f/8")
    log = parse_log(filled_in(text, *settings), gear)
    found = {match.frame.file: match for match in match_frames(frames, [log], gear).frames}
    for truth in TRUTH:
        match = found[truth.file]
        if truth.lens is not None and truth.outcome == "fill":
            assert match.outcome is Outcome.FILL, truth
            assert match.fill is not None
            assert match.fill.lens.key == truth.lens, truth
        if truth.outcome == "native":
            assert match.outcome is Outcome.NATIVE


def test_a_registered_focal_length_names_the_one_lens_it_fits() -> None:
    frames = [
        frame(1, 0, lens_data=LensData(focal_length=Fraction(58))),
        frame(2, 1, lens_data=LensData(focal_length=Fraction(50))),
    ]
    first, second = entries(draft_log(frames, {}, kit()))
    assert first == "# K7_0001  k7 miran58 f/STOP"
    assert second == "# K7_0002  k7 LENS f/STOP"


def test_without_a_kit_one_body_needs_no_name_and_two_get_one() -> None:
    one = [frame(1, 0), frame(2, 1)]
    assert entries(draft_log(one, {})) == ["# K7_0001..K7_0002  LENS f/STOP"]
    other = replace(frame(3, 2), model="Norrvik N2", serial=None, file="N2_0003.JPG")
    assert entries(draft_log([*one, other], {})) == [
        "# K7_0001..K7_0002  kestrin-k7 LENS f/STOP",
        "# N2_0003  norrvik-n2 LENS f/STOP",
    ]


def test_a_step_of_the_light_is_told_in_stops() -> None:
    frames = [frame(1, 0), frame(2, 40, exposure=Exposure(Fraction(1, 1000), 100))]
    text = " ".join(
        draft_log(frames, dict.fromkeys(["K7_0001.JPG", "K7_0002.JPG"], GREY), kit()).split()
    )
    # Two stops shorter at the same brightness: two stops more light (APEX, CIPA DC-008).
    assert "2.0 stops more light than before" in text


def test_frames_of_another_body_between_split_a_range() -> None:
    # Both bodies count in one series: a range by number would take the other's frames.
    other = replace(frame(2, 1), model="Norrvik N2", serial=None)
    text = draft_log([frame(1, 0), other, frame(3, 2)], {}, None)
    assert [line.split()[1] for line in entries(text)] == ["K7_0001", "K7_0003", "K7_0002"]


def native(number: int, minutes: float, stop: int, time: Fraction) -> Frame:
    """A frame of the second body, whose lens states its f-number."""
    data = LensData(lens="Norrvik 25mm f/2", f_number=Fraction(stop), focal_length=Fraction(25))
    exposure = Exposure(time, 100)
    made = frame(
        number, minutes, lens_data=data, exposure=exposure, model="Norrvik N2", serial=None
    )
    return replace(made, file=f"N2_{number:04}.JPG")


@pytest.mark.parametrize(
    ("times", "proposed"),
    [
        # Beside f/8 and 1/250 s, 1/1000 s at the same brightness is f/4 (APEX, CIPA DC-008).
        ([Fraction(1, 250)] * 3, "f/4??"),
        ([Fraction(1, 250)] * 2, "f/STOP"),
        ([Fraction(1, 250), Fraction(1, 250), Fraction(1, 1000)], "f/STOP"),
        ([Fraction(1, 380)] * 3, "f/STOP"),
    ],
    ids=["steady", "too few", "not steady", "between two stops"],
)
def test_the_light_of_a_neighbour_that_states_its_stop_proposes_one(
    times: list[Fraction], proposed: str
) -> None:
    frames = [frame(1, 0, exposure=Exposure(Fraction(1, 1000), 100))]
    frames += [native(n, n / 10, 8, time) for n, time in enumerate(times, 1)]
    text = draft_log(frames, {found.file: GREY for found in frames}, kit())
    assert f"# K7_0001  k7 LENS {proposed}" in text
    uncommented = text.replace("# K7_0001  k7 LENS", "K7_0001  k7 miran58")
    with pytest.raises(InputError, match=r"isn't an f-number|is a blank"):
        parse_log(uncommented, kit())


@pytest.mark.parametrize(
    ("name", "place"),
    [("IMG 0001", '"IMG 0001"'), ("jpeg-501", "jpeg-501"), ("k7", '"k7"'), ("f2.8", '"f2.8"')],
)
def test_names_of_any_shape_are_given_so_that_they_are_read(name: str, place: str) -> None:
    text = draft_log([replace(frame(1, 0), file=f"{name}.JPG")], {}, kit())
    assert entries(text) == [f"# {place}  k7 LENS f/STOP"]


@pytest.mark.parametrize(
    "name",
    [
        *("Sj\udcf6_0201", "\udcff\udcfe", "K7_0201\udce9", "d\udcf6/K7_1"),
        *("K7\x1b[31m_0201", "Sjo\u0308_0201", "quay\u202e_0201", "‹FF›_0201", "0\n1"),
    ],
)
def test_a_name_that_no_text_can_hold_is_matched_back(name: str) -> None:
    frames = [replace(frame(1, 0), file=f"{name}.JPG")]
    text = draft_log(frames, {}, kit())
    assert text.encode().decode() == text
    log = parse_log(filled_in(text, "miran58 f/4"), kit())
    for same in (log, parse_log(format_log(log), kit())):
        matches = match_frames(frames, [same], kit())
        (found,) = matches.frames
        assert (found.outcome, found.by) == (Outcome.FILL, Source.NAME)
        assert explain(name, matches, [same]).match == found


# Slate frames ----------------------------------------------------------------------------------


def test_a_slate_frame_is_marked_and_parts_the_frames_around_it() -> None:
    frames = [frame(n, n / 2) for n in range(1, 6)]
    pictures = {found.file: GREY for found in frames} | {"K7_0003.JPG": BLACK}
    text = draft_log(frames, pictures, kit())
    assert "\nslate K7_0003  # black\n" in text
    log = parse_log(filled_in(text, "miran58 f/2.8", "miran58 f/8"), kit())
    found = match_frames(frames, [log], kit()).frames
    assert [(f.outcome, f.fill and f.fill.f_number) for f in found] == [
        (Outcome.FILL, Decimal("2.8")),
        (Outcome.FILL, Decimal("2.8")),
        (Outcome.SLATE, None),
        (Outcome.FILL, 8),
        (Outcome.FILL, 8),
    ]


def test_a_black_picture_is_a_slate_and_others_are_not(tmp_path: Path, outing: Outing) -> None:
    from PIL import Image

    paths = [tmp_path / f"K7_{number:04}.JPG" for number in (1, 2, 3)]
    paths[0].write_bytes(picture())
    Image.new("RGB", (320, 240), (9, 8, 8)).save(paths[1])
    lamps = Image.new("RGB", (320, 240), (6, 6, 10))
    lamps.paste((255, 240, 200), (100, 60, 130, 90))
    lamps.save(paths[2])
    frames = [frame(number, number, folder=tmp_path) for number in (1, 2, 3)]
    assert slate_files(frames, read_pictures(frames, read_picture)) == {"K7_0002.JPG"}
    found = scan(outing.frames)
    assert slate_files(found, read_pictures(found, read_picture)) == frozenset()


# The command -----------------------------------------------------------------------------------


def test_draft_never_overwrites(tmp_path: Path) -> None:
    put_frame(tmp_path, "K7_0201.JPG", {DATE_TIME_ORIGINAL: b"2026:05:17 09:12:44"})
    log = tmp_path / "session.txt"
    log.write_text("date 2026-05-17\n")
    result = CliRunner().invoke(app, ["draft", str(tmp_path), "-o", str(log)])
    assert result.exit_code == 2
    assert "stands there already" in result.stderr
    assert log.read_text() == "date 2026-05-17\n"
    other = tmp_path / "other.txt"
    other.symlink_to(tmp_path / "nowhere.txt")
    assert CliRunner().invoke(app, ["draft", str(tmp_path), "-o", str(other)]).exit_code == 2
    assert not (tmp_path / "nowhere.txt").exists()


def test_draft_to_stdout_is_the_log_alone_and_to_a_file_the_same(tmp_path: Path) -> None:
    put_frame(tmp_path, "K7_0201.JPG", {DATE_TIME_ORIGINAL: b"2026:05:17 09:12:44"})
    plain = CliRunner().invoke(app, ["draft", str(tmp_path)])
    assert plain.exit_code == 0
    log = tmp_path / "new.txt"
    told = CliRunner().invoke(app, ["draft", str(tmp_path), "-o", str(log)])
    assert told.exit_code == 0
    assert log.read_text("utf-8") == plain.stdout
    assert "flangeback match" in told.stderr
    assert parse_log(plain.stdout, Kit()).entries == ()


def test_draft_into_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    put_frame(tmp_path, "K7_0201.JPG")
    result = CliRunner().invoke(app, ["draft", str(tmp_path), "-o", str(tmp_path / "a" / "b.txt")])
    assert result.exit_code == 2
    assert "can't be written" in result.stderr


def test_a_frame_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    (tmp_path / "K7_0001.JPG").write_bytes(picture())
    (tmp_path / "K7_0002.JPG").write_bytes(b"\xff\xd8\xff")
    result = CliRunner().invoke(app, ["draft", str(tmp_path)])
    assert "# can't be read: K7_0002.JPG" in result.stdout
