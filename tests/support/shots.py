"""Frames as they come out of a scan, without files, and what they come to by a log."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from flangeback.errors import InputError, Problem
from flangeback.frames import CameraTime, Frame, LensData
from flangeback.kit import Kit
from flangeback.log import SessionLog, parse_log
from flangeback.match import FrameMatch, Matches, match_frames
from support.kits import whole_kit

KIT = whole_kit()
DAY = "date 2026-05-17\n"
MODELS = {"k7": "Kestrin K7", "n2": "Norrvik N2"}
BLANK = LensData()


def shot(
    file: str,
    time: str | None = None,
    body: str = "k7",
    data: LensData = BLANK,
    *,
    serial: str | None = None,
    model: str | None = None,
    offset: float | None = None,
    resolution: float = 1,
    damage: str | None = None,
    day: str = "2026-05-17",
) -> Frame:
    """A frame of this body; `time` is its clock's reading, `offset` its hours from UTC."""
    taken = None
    if time is not None:
        at = datetime.fromisoformat(f"{day}T{time}")
        zone = None if offset is None else timedelta(hours=offset)
        taken = CameraTime(at, timedelta(seconds=resolution), zone)
    name = MODELS.get(body) if model is None else model or None
    return Frame(
        file if "." in file else f"{file}.JPG",
        Path(),
        1000,
        0,
        "Kestrin",
        name,
        serial,
        taken,
        data,
        damage,
    )


def log(text: str, kit: Kit = KIT, file: str = "session.txt") -> SessionLog:
    return parse_log(DAY + text, kit, file)


def matched(
    frames: Sequence[Frame], text: str | Sequence[SessionLog], kit: Kit = KIT, *, over: bool = False
) -> Matches:
    """The frames by this log's text, under a date."""
    logs = [log(text, kit)] if isinstance(text, str) else text
    return match_frames(frames, logs, kit, over=over)


def one(frame: Frame, text: str, kit: Kit = KIT, *, over: bool = False) -> FrameMatch:
    (found,) = matched([frame], text, kit, over=over).frames
    return found


def problems(
    frames: Sequence[Frame], text: str | Sequence[SessionLog], kit: Kit = KIT
) -> tuple[Problem, ...]:
    with pytest.raises(InputError) as caught:
        matched(frames, text, kit)
    return caught.value.problems


def short(found: FrameMatch) -> str:
    """What a frame comes to in a line: `fill miran58 f/2.8 58mm`; `?` is blank."""
    if found.fill is None or not found.outcome.is_filled:
        return str(found.outcome)
    n, mm = found.fill.f_number, found.fill.focal_length
    return (
        f"{found.outcome} {found.fill.lens.key} "
        f"f/{'?' if n is None else format(n.normalize(), 'f')} "
        f"{'?' if mm is None else format(mm.normalize(), 'f')}mm"
    )


def kinds(found: FrameMatch) -> list[str]:
    return [str(doubt.kind) for doubt in found.doubts]
