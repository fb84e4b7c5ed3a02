"""What a question about the kit is about: lenses, bodies or bare mounts, from words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from flangeback.errors import InputError, Problem, nearest
from flangeback.kit.model import Adapter, Body, Kit, Lens
from flangeback.kit.mounts import Mount, designations, mount_named


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
        text = f"{len(words)} names are too many: {' '.join(words)}"
        raise InputError(Problem(kit.file, text, expected="a lens and a body"))
    found = [_meaning(word, kit) for word in words]
    if any(isinstance(gear, Mount) for gear in found):
        return _bare_mounts(found, kit)
    lenses = tuple(gear for gear in found if isinstance(gear, Lens))
    bodies = tuple(gear for gear in found if isinstance(gear, Body))
    if len(lenses) > 1 or len(bodies) > 1:
        kind = "lenses" if len(lenses) > 1 else "bodies"
        text = f"{words[0]} and {words[1]} are both {kind}"
        raise InputError(Problem(kit.file, text, expected="a lens and a body"))
    need_lenses_and_bodies(kit)
    return Picked(lenses or tuple(kit.lenses.values()), bodies or tuple(kit.bodies.values()))


def need_lenses_and_bodies(kit: Kit) -> None:
    """Raises InputError for a kit without a lens, or without a body: nothing can fit."""
    shelves = (("lens", kit.lenses, "lens WORDS"), ("body", kit.bodies, "body FRAME"))
    problems = [
        Problem(
            kit.file,
            f"there is no {kind} in it",
            expected=f"[{kind}.KEY], as kit add {adds} has it",
        )
        for kind, shelf, adds in shelves
        if not shelf
    ]
    if problems:
        raise InputError(problems)


def body_named(word: str, kit: Kit) -> Body:
    """The body of this key. Raises InputError with the nearest known one."""
    found = kit.named(word)
    if isinstance(found, Body):
        return found
    if found is not None:
        text = f'"{word}" is {_kind(found)}'
        raise InputError(Problem(kit.file, text, expected=_keys(kit.bodies, "bodies")))
    raise InputError(_unknown(word, kit.file, kit.bodies, _keys(kit.bodies, "bodies")))


def _meaning(word: str, kit: Kit) -> Lens | Body | Mount:
    found = kit.named(word)
    if isinstance(found, Adapter):
        text = f'"{word}" is an adapter'
        raise InputError(Problem(kit.file, text, expected="the key of a lens or a body"))
    gear = found or mount_named(word)
    if gear is None:
        known = [*kit.lenses, *kit.bodies, *designations()]
        expected = "the key of a lens or a body, or a mount's designation"
        raise InputError(_unknown(word, kit.file, known, expected))
    return gear


def _bare_mounts(found: Sequence[Lens | Body | Mount], kit: Kit) -> Picked:
    first, last = found[0], found[-1]
    if len(found) < 2:
        assert isinstance(first, Mount)
        text = f"the mount {first.name} alone asks nothing"
        raise InputError(Problem(kit.file, text, expected="a lens's mount, then a body's"))
    if isinstance(first, Body) or isinstance(last, Lens):
        first, last = last, first
    return Picked((), (), (_mount(first), _mount(last)))


def _mount(gear: Lens | Body | Mount) -> Mount:
    if isinstance(gear, Mount):
        return gear
    mount = mount_named(gear.mount)
    assert mount is not None, "the kit's reader lets no other mount pass"
    return mount


def _unknown(word: str, file: str, known: Iterable[str], expected: str) -> Problem:
    return Problem(
        file, f'nothing is called "{word}"', expected=expected, suggestion=nearest(word, known)
    )


def _kind(gear: Body | Lens | Adapter) -> str:
    if isinstance(gear, Body):
        return "a body"
    return "a lens" if isinstance(gear, Lens) else "an adapter"


def _keys(known: Iterable[str], what: str) -> str:
    return "one of " + ", ".join(known) if any(known) else f"{what} in the kit"
