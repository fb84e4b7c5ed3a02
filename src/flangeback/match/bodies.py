"""Which body of the kit made a frame."""

from __future__ import annotations

from collections.abc import Sequence

from flangeback.frames.model import Frame
from flangeback.kit.model import Body, Kit


def body_of(frame: Frame, kit: Kit) -> Body | None:
    """The body whose model (and serial, where both state one) is the frame's.

    A body without model takes the frames that no other body claims. None when no body does, or
    when two equal bodies could have.
    """
    model = _folded(frame.model)
    claims = [b for b in kit.bodies.values() if b.model and _folded(b.model) == model]
    found = _by_serial(claims, frame.serial)
    if found or _ambiguous(claims, frame.serial):
        return found
    return next((body for body in kit.bodies.values() if body.model is None), None)


def _by_serial(claims: Sequence[Body], serial: str | None) -> Body | None:
    if serial is not None:
        exact = [b for b in claims if b.serial and _plain(b.serial) == _plain(serial)]
        if exact:
            return exact[0]
    open_ones = [b for b in claims if b.serial is None or serial is None]
    return open_ones[0] if len(open_ones) == 1 else None


def _ambiguous(claims: Sequence[Body], serial: str | None) -> bool:
    return serial is None and len(claims) > 1


def _folded(model: str | None) -> str:
    return " ".join((model or "").split()).casefold()


def _plain(serial: str) -> str:
    """Serials as people copy them: leading zeros come and go."""
    return serial.strip().lstrip("0").casefold()


def described(frame: Frame) -> str:
    """The body as the frame names it, for messages."""
    name = frame.model or "a body that doesn't name itself"
    return f"{name} (serial {frame.serial})" if frame.serial else name
