"""The light places the turn of a ring inside its minute, and objects where no entry explains it."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from PIL import Image

from flangeback.frames import Exposure, Frame, read_frame
from flangeback.match import FrameMatch, match_frames
from flangeback.match.brightness import read_picture
from support.raw_files import LONG, SHORT, Dir, Item, Ref, lay, plain_raw
from support.scenes import KIT, Seen, found, seen
from support.shots import kinds, log, shot

LOG = "9:00 k7 miran58 f/2.8\n9:40 k7 f/5.6\n"
SILENT = "9:00 k7 miran58 f/2.8\n"


def outing(
    stops: dict[str, float], scenes: dict[str, float] | None = None, noise: float = 0.0
) -> list[Seen]:
    """Frames by their time, each with the f-number the ring stood at; the scene is one of EV 12
    where `scenes` says nothing else, give or take `noise`."""
    chance = Random(4)
    return [
        seen(
            f"K7_{n:04}",
            time,
            stop,
            (scenes or {}).get(time, 12.0) + chance.gauss(0, noise),
        )
        for n, (time, stop) in enumerate(stops.items(), start=201)
    ]


def quiet(start: int, end: int, stop: float) -> dict[str, float]:
    """A frame every minute and a half, from one minute after nine to another."""
    times = range(start * 60, end * 60, 90)
    return {f"{9 + at // 3600:02}:{at // 60 % 60:02}:{at % 60:02}": stop for at in times}


AROUND = quiet(20, 39, 2.8), quiet(42, 60, 5.6)


def told(frames: list[Seen], text: str = LOG) -> dict[str, float | None]:
    """The f-number filled, by time."""
    return {f"{one.frame.time.at:%H:%M:%S}": _stop(one) for one in found(frames, text)
            if one.frame.time}  # fmt: skip


def at(frames: list[Seen], text: str, time: str) -> FrameMatch:
    return next(
        one
        for one in found(frames, text)
        if one.frame.time and f"{one.frame.time.at:%H:%M:%S}" == time
    )


def _stop(one: FrameMatch) -> float | None:
    return float(one.fill.f_number) if one.fill and one.fill.f_number else None


def doubted(frames: list[Seen], text: str) -> list[str]:
    """The times of the frames with a light-step."""
    return [
        f"{one.frame.time.at:%H:%M}"
        for one in found(frames, text)
        if one.frame.time and "light-step" in kinds(one)
    ]


# Placing ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("noise", [0.0, 0.15])
@pytest.mark.parametrize("turned", [0, 1, 2, 3])
def test_a_step_places_the_turn_of_a_ring(turned: int, noise: float) -> None:
    times = ["09:40:05", "09:40:25", "09:40:45"]
    inside = {time: 2.8 if n < turned else 5.6 for n, time in enumerate(times)}
    frames = outing({**AROUND[0], **inside, **AROUND[1]}, noise=noise)
    assert {time: told(frames)[time] for time in times} == inside


def test_a_step_of_another_size_places_nothing() -> None:
    # One stop where the log has two: something isn't as it was noted.
    inside = {"09:40:05": 2.8, "09:40:45": 4.0}
    after = dict.fromkeys(AROUND[1], 4.0)
    frames = outing({**AROUND[0], **inside, **after})
    assert told(frames)["09:40:45"] is None


def test_a_step_in_the_other_direction_places_nothing() -> None:
    inside = {"09:40:05": 5.6, "09:40:45": 2.8}
    before, after = dict.fromkeys(AROUND[0], 5.6), dict.fromkeys(AROUND[1], 2.8)
    frames = outing({**before, **inside, **after})
    assert [told(frames)[time] for time in inside] == [None, None]


def test_a_flash_that_follows_the_f_number_tells_nothing() -> None:
    # A sixteenth, a half: the picture is as bright at every f-number, at one time and ISO.
    text = "9:00 k7 miran58 f/2.8\n9:10 k7 f/8\n9:20 k7 f/4\n9:40 k7 f/5.6\n"
    times = [*quiet(2, 9, 2.8), *quiet(11, 19, 8), *AROUND[0], "09:40:30", *AROUND[1]]
    frames = [seen(f"K7_{n:04}", time, 5.6) for n, time in enumerate(times)]
    assert told(frames, text)["09:40:30"] is None


def test_a_frame_half_way_between_is_left_open() -> None:
    # A cloud of one stop on one frame: half of the two that the ring was turned by.
    frames = outing({**AROUND[0], "09:40:30": 2.8, **AROUND[1]}, {"09:40:30": 11.0})
    assert told(frames)["09:40:30"] is None


def test_light_that_scatters_as_much_as_the_step_places_nothing() -> None:
    frames = outing({**AROUND[0], "09:40:30": 2.8, **AROUND[1]}, noise=1.0)
    assert told(frames)["09:40:30"] is None


def test_light_that_changed_over_the_minute_places_nothing() -> None:
    scenes = dict.fromkeys(AROUND[1], 11.0)
    frames = outing({**AROUND[0], "09:40:30": 2.8, **AROUND[1]}, scenes)
    assert told(frames)["09:40:30"] is None


def test_frames_whose_light_is_not_known_tell_nothing() -> None:
    frames = outing({**AROUND[0], "09:40:30": 2.8, **AROUND[1]})
    assert told(frames)["09:40:30"] == 2.8
    blind = [replace(one, frame=replace(one.frame, exposure=Exposure())) for one in frames]
    assert told(blind)["09:40:30"] is None


@pytest.mark.parametrize("turned", [0, 1, 2])
def test_a_change_of_lens_with_another_f_number_is_placed_too(turned: int) -> None:
    text = "9:00 k7 miran58 f/2.8\n9:40 k7 brask135 f/8\n"
    times = ["09:40:25", "09:40:45"]
    inside = {time: 2.8 if n < turned else 8.0 for n, time in enumerate(times)}
    frames = outing({**AROUND[0], **inside, **dict.fromkeys(AROUND[1], 8.0)})
    assert {time: told(frames, text)[time] for time in times} == inside
    for time, stop in inside.items():
        found = at(frames, text, time)
        assert found.fill is not None
        assert found.fill.lens.key == ("miran58" if stop == 2.8 else "brask135")
        assert kinds(found) == ["told-by-light"]
        assert "the light tells miran58 f/2.8 from brask135 f/8" in found.doubts[0].text


def test_a_change_of_lens_with_the_same_f_number_is_not_placed() -> None:
    text = "9:00 k7 miran58 f/5.6\n9:40 k7 brask135 f/5.6\n"
    frames = outing({**dict.fromkeys(AROUND[0], 5.6), "09:40:30": 5.6, **AROUND[1]})
    assert at(frames, text, "09:40:30").outcome == "unsure"


def test_a_change_of_lens_in_other_light_is_not_placed() -> None:
    # With another lens people turn to something else: here to what is a stop brighter.
    text = "9:00 k7 miran58 f/2.8\n9:40 k7 brask135 f/5.6\n"
    frames = outing({**AROUND[0], "09:40:30": 2.8, **AROUND[1]}, dict.fromkeys(AROUND[1], 13.0))
    assert at(frames, text, "09:40:30").outcome == "unsure"


def test_pictures_that_are_cut_off_tell_nothing() -> None:
    frames = outing({**AROUND[0], "09:40:30": 2.8, **AROUND[1]})
    assert told(frames)["09:40:30"] == 2.8
    for cut_off in (-0.3, -9.0):
        blown = [replace(one, brightness=cut_off) for one in frames]
        assert told(blown)["09:40:30"] is None


# Steps that no entry explains ------------------------------------------------------------------


@pytest.mark.parametrize("noise", [0.0, 0.15])
def test_every_frame_from_the_step_to_the_next_change_is_doubted(noise: float) -> None:
    stops = {**quiet(20, 32, 2.8), **quiet(33, 40, 5.6), **quiet(41, 60, 8.0)}
    frames = outing(stops, noise=noise)
    text = f"{SILENT}9:40 k7 f/8\n"
    # The log's word is filled, and the light objects.
    assert told(frames, text)["09:36:00"] == 2.8
    assert doubted(frames, text) == [time[:5] for time in quiet(33, 40, 5.6)]
    (doubt,) = at(frames, text, "09:36:00").doubts
    assert "f/5.6 instead of f/2.8" in doubt.text
    assert "stops less light" in doubt.text


def test_an_outing_as_noted_has_no_step() -> None:
    for seed in range(20):
        chance = Random(seed)
        stops = {**quiet(5, 39, 2.8), **quiet(41, 60, 5.6)}
        scenes = {time: 12 + chance.gauss(0, 0.3) for time in stops}
        assert doubted(outing(stops, scenes), LOG) == []


def test_a_cloud_that_stays_past_the_next_entry_is_light() -> None:
    stops = {**quiet(20, 40, 2.8), **quiet(41, 60, 5.6)}
    scenes = {time: 10.0 for time in stops if time >= "09:33"}
    assert doubted(outing(stops, scenes), LOG) == []


def test_a_cloud_that_passes_is_light() -> None:
    stops = quiet(5, 59, 2.8)
    scenes = {time: 10.0 for time in stops if "09:20" <= time < "09:30"}
    assert doubted(outing(stops, scenes), SILENT) == []


def test_an_entry_that_repeats_what_holds_tells_the_ring_from_a_cloud() -> None:
    # Nobody notes a ring that wasn't turned: it was turned back to what the log has.
    stops = {**quiet(5, 20, 2.8), **quiet(20, 30, 5.6), **quiet(30, 59, 2.8)}
    again = f"{SILENT}9:30 k7 f/2.8\n"
    assert doubted(outing(stops), again) == [time[:5] for time in quiet(20, 30, 5.6)]


def test_light_that_fades_is_no_step() -> None:
    stops = quiet(5, 59, 2.8)
    scenes = {time: 12 - n / 10 for n, time in enumerate(stops)}
    assert doubted(outing(stops, scenes), SILENT) == []


def test_a_step_that_no_ring_could_make_is_light() -> None:
    # Two stops wider than f/2.8 is f/1.4; the lens opens to f/2.
    stops = {**quiet(5, 30, 2.8), **quiet(30, 59, 1.4)}
    assert doubted(outing(stops), SILENT) == []


def test_light_that_stepped_for_another_body_too_is_light() -> None:
    text = f"{SILENT}9:00 n2 tolvan28 f/5.6\n"
    stops = {**quiet(5, 30, 2.8), **quiet(30, 59, 5.6)}
    mine = outing(stops)
    steady, dimmed = (
        [
            seen(f"N2_{n:04}", time, 5.6, 12 - 2 * (dims and time >= "09:30"), "n2")
            for n, time in enumerate(stops)
        ]
        for dims in (False, True)
    )
    assert doubted([*mine, *steady], text) == [time[:5] for time in quiet(30, 59, 5.6)]
    assert doubted([*mine, *dimmed], text) == []


def test_a_body_in_manual_exposure_shows_it_in_its_pictures() -> None:
    stops = {**quiet(5, 30, 2.8), **quiet(30, 59, 5.6)}
    one = outing(stops)[0].frame.exposure
    frames = [
        Seen(replace(shown.frame, exposure=one), -2.0 if time < "09:30" else -4.0)
        for shown, time in zip(outing(stops), stops, strict=True)
    ]
    assert doubted(frames, SILENT) == [time[:5] for time in quiet(30, 59, 5.6)]


# Pictures --------------------------------------------------------------------------------------


def grey(path: Path, value: int, **how: object) -> float:
    Image.new("RGB", (640, 480), (value, value, value)).save(path, "JPEG", quality=95)
    light = read_picture(replace(shot("K7_0001", "09:00:00"), file=path.name, folder=path.parent))
    assert light is not None
    assert light.contrast < 0.01
    return light.brightness


def test_brightness_is_of_linear_light(tmp_path: Path) -> None:
    # IEC 61966-2-1: 188 is half of white's light, 118 is 18 %, 0.18 log2 -2.47.
    assert grey(tmp_path / "a.jpg", 255) == pytest.approx(0, abs=0.01)
    assert grey(tmp_path / "b.jpg", 188) == pytest.approx(-1, abs=0.03)
    assert grey(tmp_path / "c.jpg", 118) == pytest.approx(-2.47, abs=0.03)


def test_contrast_is_of_the_values_as_stored(tmp_path: Path) -> None:
    picture = Image.new("RGB", (640, 480))
    picture.paste((255, 255, 255), (0, 0, 320, 480))
    picture.save(tmp_path / "a.jpg", "JPEG")
    light = read_picture(replace(shot("K7_0001", "09:00:00"), file="a.jpg", folder=tmp_path))
    assert light is not None
    assert light.contrast == pytest.approx(0.5, abs=0.01)
    assert light.brightness == pytest.approx(-1, abs=0.03)


@pytest.mark.parametrize("content", [b"", b"no picture", b"\xff\xd8\xff\xe0\0\x10JFIF"])
def test_what_is_no_picture_has_no_light(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(content)
    assert (
        read_picture(replace(shot("K7_0001", "09:00:00"), file=path.name, folder=path.parent))
        is None
    )
    assert (
        read_picture(replace(shot("K7_0001", "09:00:00"), file="none.jpg", folder=tmp_path)) is None
    )


def test_pictures_are_read_only_where_they_can_tell(tmp_path: Path) -> None:
    frames = [one.frame for one in outing(quiet(5, 59, 2.8))]
    silent = [replace(frame, exposure=Exposure()) for frame in frames]
    read: list[Frame] = []
    match_frames(silent, [log(SILENT)], KIT, pictures=read.append)
    assert read == []


def jpeg_of(grey: int, size: tuple[int, int]) -> bytes:
    buffer = io.BytesIO()
    Image.new("L", size, grey).convert("RGB").save(buffer, "JPEG", quality=95)
    return buffer.getvalue()


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("magic", [42, 0x55])
def test_a_raw_files_smallest_jpeg_tells_its_light(tmp_path: Path, order: str, magic: int) -> None:
    # The thumbnail in the chain (TIFF/EP, ISO 12234-2), a greater preview in a SubIFD.
    small, great = jpeg_of(118, (160, 120)), jpeg_of(188, (640, 480))
    jpeg = {"small": small, "great": great}

    def names(which: str) -> list[Item | Ref]:
        return [Ref(0x0201, (which,)), Item(0x0202, LONG, (len(jpeg[which]),))]

    chunks: dict[str, Dir | bytes] = {
        "main": Dir([Item(0x00FE, LONG, (1,)), Ref(0x014A, ("preview", "raw"))], next="second"),
        "preview": Dir(names("great")),
        "raw": Dir([Item(0x00FE, LONG, (0,)), Item(0x0106, SHORT, (32803,))]),
        "second": Dir(names("small")),
        **jpeg,
    }
    path = tmp_path / "K7_0001.KRW"
    path.write_bytes(lay(chunks, order=order, magic=magic).data)
    light = read_picture(replace(read_frame(tmp_path, path.name), size=10**7))
    assert light is not None
    assert light.brightness == pytest.approx(-2.47, abs=0.03)


def test_a_raw_file_without_a_jpeg_tells_nothing(tmp_path: Path) -> None:
    path = tmp_path / "K7_0001.KRW"
    path.write_bytes(plain_raw(magic=0x55).data)
    assert (
        read_picture(
            replace(shot("K7_0001", "09:00:00"), file=path.name, folder=path.parent, size=10**7)
        )
        is None
    )


def test_a_step_is_doubted_under_entries_that_name_frames_as_under_times() -> None:
    frames = outing({**quiet(5, 30, 2.8), **quiet(31, 59, 8.0)})
    names = sorted(one.frame.stem for one in frames)
    first = names[len(quiet(5, 30, 2.8))]

    def doubted(text: str) -> list[str]:
        return [one.frame.stem for one in found(frames, text) if kinds(one) == ["light-step"]]

    expected = names[names.index(first) :]
    assert doubted(SILENT) == expected
    for text in (
        "all miran58 f/2.8\n",
        "2026-05-17 miran58 f/2.8\n",
        "K7_* miran58 f/2.8\n",
        f"{names[0]}..{names[9]} miran58 f/2.8\n{names[10]}..{names[-1]} miran58 f/2.8\n",
    ):
        assert doubted(text) == expected
        assert {str(one.fill.f_number) for one in found(frames, text) if one.fill} == {"2.8"}
    # An entry that says so explains it.
    said = f"{names[0]}..{names[names.index(first) - 1]} miran58 f/2.8\n"
    assert doubted(f"{said}{first}..{names[-1]} miran58 f/8\n") == []
