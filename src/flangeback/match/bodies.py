"""Which body of the kit made a frame."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping

from flangeback.frames.model import Frame
from flangeback.kit.model import Body, Kit

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


def taken_for_one(
    frames: Iterable[Frame], bodies: Bodies, kit: Kit
) -> Iterator[tuple[Body, Mapping[str, int]]]:
    """Bodies of the kit without serial, if their frames have several, and how many frames each."""
    for body in kit.bodies.values():
        if body.model is None or body.serial is not None:
            continue
        own = [one for one in frames if bodies.get(one.file) == body.key and one.damage is None]
        makers = Counter(described(frame) for frame in own if frame.serial is not None)
        if len({_folded_serial(frame.serial) for frame in own if frame.serial is not None}) > 1:
            yield body, makers


def _folded(model: str | None) -> str:
    return " ".join((model or "").split()).casefold()


def _folded_serial(serial: str) -> str:
    """Serials as people copy them: leading zeros come and go."""
    return serial.strip().lstrip("0").casefold()


def described(frame: Frame) -> str:
    """The body as the frame names it, for messages."""
    name = frame.model or "a body that doesn't name itself"
    return f"{name} (serial {frame.serial})" if frame.serial else name
