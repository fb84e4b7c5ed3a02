"""Adapters on one another, and plain ones that go without saying."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from flangeback.kit.model import Adapter, AdapterKind, Kit
from flangeback.kit.mounts import adapter_thickness, mount_named

MOST_ADAPTERS = 3
"""So many are stacked at most."""
GLASS = (AdapterKind.REDUCER, AdapterKind.EXTENDER)
Stack = tuple[Adapter, ...]
"""Adapters in their order from the lens on."""


def stacks(start: str, end: str, adapters: Iterable[Adapter]) -> Sequence[Stack]:
    """Every stack of adapters from one mount to another, the shortest first, tubes last."""
    found: dict[frozenset[str], Stack] = {}
    for stack in _walk(start, end, tuple(adapters), (), frozenset([start])):
        found.setdefault(frozenset(adapter.key for adapter in stack), stack)
    return sorted(found.values(), key=lambda stack: (any(map(is_tube, stack)), len(stack)))


def _walk(
    at: str, end: str, adapters: Sequence[Adapter], stack: Stack, seen: frozenset[str]
) -> Iterator[Stack]:
    if at == end:
        yield stack
    if len(stack) == MOST_ADAPTERS:
        return
    for adapter in adapters:
        if adapter.lens_mount != at or adapter in stack:
            continue
        # Only a tube or extender leads from a mount to itself; no stack comes back to one before.
        if adapter.body_mount == at or adapter.body_mount not in seen:
            longer = (*stack, adapter)
            yield from _walk(adapter.body_mount, end, adapters, longer, seen | {adapter.body_mount})


def is_tube(adapter: Adapter) -> bool:
    """Whether it is an extension tube: a spacer from a mount to itself."""
    return adapter.lens_mount == adapter.body_mount and adapter.kind not in GLASS


def understood_adapters(kit: Kit) -> dict[str, Adapter]:
    """The plain adapters, by key, that a kit needs no entry for.

    There is one for each pair of a lens's and a body's mount that the registers leave room
    between, and that no adapters of the kit bring together.
    """
    own = tuple(kit.adapters.values())
    pairs = dict.fromkeys(
        (lens.mount, body.mount) for body in kit.bodies.values() for lens in kit.lenses.values()
    )
    taken = set(map(str.casefold, kit.keys()))
    found = {}
    for lens_mount, body_mount in pairs:
        lens, body = mount_named(lens_mount), mount_named(body_mount)
        has_room = lens and body and adapter_thickness(lens, body)[0] > 0
        if has_room and not stacks(lens_mount, body_mount, own):
            key = f"{_brief(lens_mount)}-{_brief(body_mount)}"
            while key in taken:
                key += "-plain"
            found[key] = Adapter(key, lens_mount, body_mount, understood=True)
    return found


def _brief(mount: str) -> str:
    """A designation in a few letters: "m42", "mft" for Micro Four Thirds, "cy" for C/Y."""
    words = re.findall(r"\w+", mount.casefold())
    return words[0] if len(words) == 1 else "".join(word[0] for word in words)
