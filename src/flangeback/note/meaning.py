"""What an entry means, said back in a line."""

from __future__ import annotations

from datetime import datetime

from flangeback.kit.model import Kit, Lens
from flangeback.log.model import FrameRange, Moment, SessionLog, Setting, Span


def meaning(log: SessionLog, line: int, kit: Kit) -> str | None:
    """What the entry in this line means, with what it carries on; None where it has no span."""
    span = next((span for span in log.spans if span.setting.line == line), None)
    if span is None:
        return None
    body = f"{span.body}: " if span.body else ""
    return f"{body}{setting_text(span.setting, kit)} {_where(log, span)}"


def setting_text(setting: Setting, kit: Kit) -> str:
    """A setting in words: Brask Tele 135mm f/3.5 at f/5.6 via m42-e."""
    if setting.lens is None:
        return "no adapted lens"
    lens = kit.lenses[setting.lens]
    at = []
    if lens.is_zoom:
        length = setting.focal_length
        at.append("? mm" if length is None else f"{length.normalize():f} mm")
    f_number = setting.f_number
    at.append("f/? (not noted)" if f_number is None else f"f/{round(f_number, 2).normalize():f}")
    via = f" via {setting.adapter}" if setting.adapter else ""
    return f"{lens_text(lens)} at {', '.join(at)}{via}"


def lens_text(lens: Lens) -> str:
    """Maker and name, the maker once."""
    if lens.maker is None or lens.name.casefold().startswith(lens.maker.casefold()):
        return lens.name
    return f"{lens.maker} {lens.name}"


def _where(log: SessionLog, span: Span) -> str:
    if span.frames is not None:
        return f"for {_frames(span.frames)}"
    if span.order is not None:
        return "from the first frame on" if span.order == "first" else "after the next slate frame"
    assert span.start is not None
    # The span's own moments are widened by the log's slack.
    start = _time(log, span.start)
    return f"from {start}" if span.end is None else f"from {start} to {_time(log, span.end)}"


def _frames(frames: FrameRange) -> str:
    first, last = frames.first.name, frames.last.name
    return first if first == last else f"{first}..{last}"


def _time(log: SessionLog, moment: Moment) -> str:
    """As it was written, to the minute or the second."""
    first = _wall(log, moment.earliest + log.slack)
    to_the_second = (moment.latest - moment.earliest - 2 * log.slack).total_seconds() < 60
    return f"{first:%H:%M:%S}" if to_the_second else f"{first:%H:%M}"


def _wall(log: SessionLog, instant: datetime) -> datetime:
    return instant if log.zone is None else instant.astimezone(log.zone)
