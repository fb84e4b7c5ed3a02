"""Cautions that go with adapted lenses (common practice)."""

from __future__ import annotations

from collections.abc import Sequence

from flangeback.kit.model import Adapter, AdapterKind, Lens
from flangeback.kit.mounts import mount_named

STANDING = (
    "Never force a mount.",
    "Check that a lens's rear clears the shutter and the sensor before the first release.",
    "Hold a heavy lens by the lens, not by the body.",
    "Don't point a lens at the sun.",
    "Keep the originals until the copies are in the catalogue and backed up.",
)
"""What holds for every outing."""

LONG = 135
"""mm; from about here a lens outweighs the body's mount."""


def cautions_for(lens: Lens, adapters: Sequence[Adapter], *, no_room: bool) -> tuple[str, ...]:
    """The cautions that this lens on these adapters gives rise to."""
    found = []
    mount = mount_named(lens.mount)
    if mount is not None and mount.deep_rear:
        found.append(
            f"{lens.mount} lenses often reach far behind the flange: check that the rear clears "
            "the shutter and the sensor before the first release."
        )
    if any(adapter.kind in (AdapterKind.REDUCER, AdapterKind.EXTENDER) for adapter in adapters):
        found.append("The adapter has glass in it: check that the lens's rear doesn't touch it.")
    if no_room and adapters:
        found.append("There is no room for infinity focus; don't screw or press to gain it.")
    if lens.focal[1] >= LONG:
        found.append("Hold it by the lens, not by the body, and don't point it at the sun.")
    return tuple(found)
