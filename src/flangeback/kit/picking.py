"""What a question about the kit is about: lenses, bodies or bare mounts, from words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flangeback.errors import InputError, Problem, nearest
from flangeback.kit.model import Adapter, Body, Kit, Lens
from flangeback.kit.mounts import Mount, designations, mount_named, mount_of


@dataclass(frozen=True, slots=True)
class Picked:
    """The gear that was asked about. `mounts` is (lens's, body's) where a bare mount was named."""

    lenses: tuple[Lens, ...]
    bodies: tuple[Body, ...]
    mounts: tuple[Mount, Mount] | None = None


def pick(words: Sequence[str], kit: Kit) -> Picked:
    """The lenses and bodies that up to two words name, in either order; no word means them all.

    A key of the kit comes first; a mount's designation serves where no key is meant, and then the
    first word stands for the lens. Raises InputError for a word that is neither, with the nearest
    known one, and for two words of a kind.
    """
    if len(words) > 2:
        raise _wrong(kit, f"{len(words)} names are too many: {' '.join(words)}")
    found = [_meaning(word, kit) for word in words]
    if any(isinstance(gear, Mount) for gear in found):
        return _bare_mounts(found, kit)
    lenses = tuple(gear for gear in found if isinstance(gear, Lens))
    bodies = tuple(gear for gear in found if isinstance(gear, Body))
    if len(lenses) > 1 or len(bodies) > 1:
        kind = "lenses" if len(lenses) > 1 else "bodies"
        raise _wrong(kit, f"{words[0]} and {words[1]} are both {kind}")
    need_lenses_and_bodies(kit)
    return Picked(lenses or tuple(kit.lenses.values()), bodies or tuple(kit.bodies.values()))


def need_lenses_and_bodies(kit: Kit) -> None:
    """Raises InputError for a kit without a lens, or without a body: nothing can fit."""
    shelves = (("lens", kit.lenses, "lens WORDS"), ("body", kit.bodies, "body FRAME"))
    problems = []
    for kind, shelf, adds in shelves:
        if not shelf:
            expected = f"[{kind}.KEY], as kit add {adds} has it"
            problems.append(Problem(kit.file, f"there is no {kind} in it", expected=expected))
    if problems:
        raise InputError(problems)


def body_named(word: str, kit: Kit) -> Body:
    """The body of this key. Raises InputError with the nearest known one."""
    found = kit.named(word)
    if isinstance(found, Body):
        return found
    expected = "one of " + ", ".join(kit.bodies) if kit.bodies else "bodies in the kit"
    if found is None:
        raise _wrong(kit, f'nothing is called "{word}"', expected, nearest(word, kit.bodies))
    kind = "a lens" if isinstance(found, Lens) else "an adapter"
    raise _wrong(kit, f'"{word}" is {kind}', expected)


def _wrong(
    kit: Kit, text: str, expected: str = "a lens and a body", suggestion: str | None = None
) -> InputError:
    return InputError.at(kit.file, text, expected, suggestion)


def _meaning(word: str, kit: Kit) -> Lens | Body | Mount:
    found = kit.named(word)
    if isinstance(found, Adapter):
        raise _wrong(kit, f'"{word}" is an adapter', "the key of a lens or a body")
    gear = found or mount_named(word)
    if gear is None:
        near = nearest(word, [*kit.lenses, *kit.bodies, *designations()])
        expected = "the key of a lens or a body, or a mount's designation"
        raise _wrong(kit, f'nothing is called "{word}"', expected, near)
    return gear


def _bare_mounts(found: Sequence[Lens | Body | Mount], kit: Kit) -> Picked:
    """The lens's mount and the body's, either of which may be told by gear of the kit."""
    mounts = tuple(gear if isinstance(gear, Mount) else mount_of(gear) for gear in found)
    if len(found) < 2:
        text = f"the mount {mounts[0].name} alone asks nothing"
        raise _wrong(kit, text, "a lens's mount, then a body's")
    lens, body = mounts
    is_body_first = isinstance(found[0], Body) or isinstance(found[1], Lens)
    return Picked((), (), (body, lens) if is_body_first else (lens, body))
