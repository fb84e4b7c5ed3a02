"""Which body of the kit made a frame, by what it says and by what the logs do."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import pairwise

from flangeback.clock.counting import LAST_NUMBER, numbered
from flangeback.errors import InputError, Problem
from flangeback.frames.model import Frame
from flangeback.kit.model import Body, Kit
from flangeback.log.model import Part, SessionLog, Span, is_every_frame

_AT_ONCE, _FAR, _OFTEN = 5, 100, 3
"""Seconds in which nobody changes cards, how far numbers are apart that no body counts in that time
(CIPA DC-009), and how often that is no accident."""
Bodies = Mapping[str, str | None]
"""Each file's body, by its key in the kit; None where it isn't known."""


def bodies_of(frames: Iterable[Frame], kit: Kit) -> dict[str, str | None]:
    """The body of each frame's file."""
    found = {frame.file: body_of(frame, kit) for frame in frames}
    return {file: body.key if body else None for file, body in found.items()}


def body_of(frame: Frame, kit: Kit) -> Body | None:
    """The body whose model (and serial, where both state one) is the frame's.

    A body without model takes the frames that no other body claims. None when no body does, or
    when two equal bodies could have.
    """
    model = _folded(frame.model)
    claims = [body for body in kit.bodies.values() if body.model and _folded(body.model) == model]
    if frame.serial is not None:
        for body in claims:
            if body.serial and _folded_serial(body.serial) == _folded_serial(frame.serial):
                return body
    possible = [body for body in claims if body.serial is None or frame.serial is None]
    if len(possible) == 1:
        return possible[0]
    if frame.serial is None and len(claims) > 1:
        return None
    return next((body for body in kit.bodies.values() if body.model is None), None)


def _folded(model: str | None) -> str:
    return " ".join((model or "").split()).casefold()


def _folded_serial(serial: str) -> str:
    """Serials as people copy them: leading zeros come and go."""
    return serial.strip().lstrip("0").casefold()


def described(frame: Frame) -> str:
    """The body as the frame names it, for messages."""
    name = frame.model or "a body that doesn't name itself"
    return f"{name} (serial {frame.serial})" if frame.serial else name


def bodies_by_logs(frames: Sequence[Frame], logs: Sequence[SessionLog], kit: Kit) -> Bodies:
    """Each file's body. A log that names no bodies holds for the only one there is.

    Raises InputError where it can't be told whose frames an entry means, or by which adapter.
    """
    found = bodies_of(frames, kit)
    _check_serials(frames, found, logs, kit)
    _check_adapters(set(found.values()), logs, kit)
    nameless = [log for log in logs if any(span.body is None for span in log.spans)]
    if not nameless:
        return found
    makers = Counter(
        found[frame.file] or described(frame)
        for frame in frames
        if frame.damage is None and (found[frame.file] or frame.model)
    )
    named = {span.body for log in nameless for span in log.spans if span.body}
    if len(named.union(makers)) < 2:
        return dict.fromkeys(found, only_body(found))
    counts = ", ".join(f"{name} ({count})" for name, count in makers.most_common())
    whose = "not every entry names" if named else "no entry names"
    text = f"{whose} its body, but the frames come from {len(makers)}: {counts}"
    whole = (found[frame.file] for frame in frames if frame.damage is None)
    mounts = {kit.bodies[body].mount if body else None for body in whole}
    problems = []
    for log in nameless:
        lines = {span.setting.line for span in log.spans if _needs_body(span, mounts, kit)}
        entry = next((entry for entry in log.entries if entry.line in lines), None)
        if entry is not None and is_every_frame(entry):
            told = f"its adapter doesn't fit every body: the frames come from {counts}"
            fault = entry.place().fault(told, "a line for each body, such as all BODY LENS")
            problems.append(fault.problem(log.file))
        elif entry is not None:
            fault = entry.place().fault(text, "the body in every entry")
            problems.append(fault.problem(log.file))
    if problems:
        raise InputError(problems)
    return found


def _needs_body(span: Span, mounts: Collection[str | None], kit: Kit) -> bool:
    """Whether it has to say whose frames it means, which come from bodies with these mounts."""
    adapter = span.setting.adapter
    fits_all = adapter is None or set(mounts) == {kit.adapters[adapter].body_mount}
    return span.body is None and not (is_every_frame(span) and fits_all)


def _check_serials(
    frames: Sequence[Frame], bodies: Bodies, logs: Sequence[SessionLog], kit: Kit
) -> None:
    """Raises InputError where entries of one body would hold for frames of several."""
    in_order = {span.body for log in logs for span in log.spans if span.start or span.order}
    problems = []
    for body in kit.bodies.values():
        if body.model is None or body.serial is not None or not in_order & {body.key, None}:
            continue
        own = [one for one in frames if bodies.get(one.file) == body.key and one.damage is None]
        serials = {_folded_serial(frame.serial) for frame in own if frame.serial is not None}
        twins = () if serials else _side_by_side(own)
        if twins:
            names = " and ".join(frame.stem for frame in twins)
            text = f"[body.{body.key}] can't have made {names} within {_AT_ONCE} s of each other"
            expected = "the frames of two equal bodies in a folder for each, with a log for each"
            problems.append(Problem(kit.file, text, expected=expected))
        if len(serials) > 1:
            makers = Counter(described(frame) for frame in own if frame.serial is not None)
            counts = ", ".join(f"{maker} ({count})" for maker, count in makers.items())
            text = f"[body.{body.key}] has no serial, but its frames come from {counts}"
            expected = "its serial, and a body of the kit for each other that the log speaks of"
            problems.append(Problem(kit.file, text, expected=expected))
    if problems:
        raise InputError(problems)


def _side_by_side(frames: Iterable[Frame]) -> Sequence[Frame]:
    """Two frames of one moment in two runs of numbers that go on side by side; none as a rule."""
    timed: dict[str, list[tuple[datetime, int, Frame]]] = defaultdict(list)
    for frame in frames:
        letters, number = numbered(frame.stem)
        if frame.time is not None:
            timed[letters].append((frame.time.at, number, frame))
    for series in timed.values():
        series.sort(key=lambda one: one[:2])
        pairs = [
            (one[2], other[2])
            for one, other in pairwise(series)
            if other[0] - one[0] <= timedelta(seconds=_AT_ONCE)
            and _FAR < abs(other[1] - one[1]) < LAST_NUMBER - _FAR
        ]
        if len(pairs) >= _OFTEN:
            return pairs[0]
    return ()


def _check_adapters(bodies: Collection[str | None], logs: Sequence[SessionLog], kit: Kit) -> None:
    """Raises InputError where an entry of every frame leaves open which adapter was on one body."""
    problems = []
    entries = [(log.file, entry) for log in logs for entry in log.entries]
    for file, entry in entries:
        lens = kit.lenses.get(entry.lens or "")
        if lens is None or entry.adapter or entry.body or not is_every_frame(entry):
            continue
        for body in (kit.bodies[key] for key in kit.bodies if key in bodies):
            ways = () if body.mount == lens.mount else kit.adapters_for(lens, body)
            if len({(way.factor, way.sets_aperture) for way in ways}) > 1:
                text = f"which adapter carries {lens.key} on {body.key}?"
                expected = f"via {' or '.join(way.key for way in ways)}"
                fault = entry.place(Part.LENS).fault(text, expected)
                problems.append(fault.problem(file))
                break
    if problems:
        raise InputError(problems)


def only_body(bodies: Bodies) -> str | None:
    """The only body that the frames come from, as far as that is known; else None."""
    known = {body for body in bodies.values() if body is not None}
    return known.pop() if len(known) == 1 else None
