"""What an entry means, said back in a line."""

from __future__ import annotations

from flangeback.kit.model import Kit, Lens
from flangeback.log.model import Moment, SessionLog, Setting, Span
from flangeback.log.printing import moment_text
from flangeback.words import exact


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
    lens, length, f_number = kit.lenses[setting.lens], setting.focal_length, setting.f_number
    at = "f/? (not noted)" if f_number is None else f"f/{exact(round(f_number, 2))}"
    if lens.is_zoom:
        at = f"{'?' if length is None else exact(length)} mm, {at}"
    via = f" via {setting.adapter}" if setting.adapter else ""
    return f"{lens_text(lens)} at {at}{via}"


def lens_text(lens: Lens) -> str:
    """Maker and name, the maker once."""
    if lens.maker is None or lens.name.casefold().startswith(lens.maker.casefold()):
        return lens.name
    return f"{lens.maker} {lens.name}"


def _where(log: SessionLog, span: Span) -> str:
    if span.frames is not None:
        return f"for {span.frames}"
    if span.order is not None:
        return "from the first frame on" if span.order == "first" else "after the next slate frame"
    assert span.start is not None
    start = _time(log, span.start)
    return f"from {start}" if span.end is None else f"from {start} to {_time(log, span.end)}"


def _time(log: SessionLog, moment: Moment) -> str:
    """As it was written: a span's moments are widened by the log's slack."""
    return moment_text(log, Moment(moment.earliest + log.slack, moment.latest - log.slack))
