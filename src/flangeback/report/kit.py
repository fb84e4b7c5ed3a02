"""What the `kit` commands print of the gear: the kit, mounts, the lens database."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from flangeback.errors import Problem
from flangeback.kit.lensdb import LookUp, RecordedLens
from flangeback.kit.model import Kit
from flangeback.kit.mounts import Mount, format_named
from flangeback.kit.remarks import Remark
from flangeback.report.fit import kinds, span, thick
from flangeback.report.tables import Column, Terminal
from flangeback.words import listed, number

_MOST_ENTRIES = 20
_NUMBERED = Column("N", 2)
_ENTRIES = (
    Column("maker"),
    Column("name"),
    Column("mm", whole=True),
    Column("f/", whole=True),
    Column("mount"),
)
_GEAR = (
    Column("", style="dim", whole=True),
    Column("key", whole=True),
    Column("mount"),
    Column("mm", right=True),
    Column("f/", right=True),
    Column("what"),
)
_MOUNTS = (
    Column("mount", 17),
    Column("register", right=True),
    Column("how it holds", 12),
    Column("years", whole=True),
    Column("lenses"),
)


def show_kit(terminal: Terminal, kit: Kit, remarks: Sequence[Remark] = ()) -> None:
    """Prints a kit as it was understood, the plain adapters that go without saying, remarks."""
    terminal.table(_GEAR, _gear(kit))
    understood = [
        f"{adapter.key} ({adapter.lens_mount} on {adapter.body_mount})"
        for adapter in kit.adapters.values()
        if adapter.understood
    ]
    if understood:
        terminal.print(f"Plain adapters, understood without an entry: {listed(understood)}")
    for remark in remarks:
        terminal.print(f"[{remark.table}] {remark.text}", "yellow")


def _gear(kit: Kit) -> Iterator[tuple[str, ...]]:
    for body in kit.bodies.values():
        parts = [body.model or "any other model", format_named(body.sensor)]
        if body.crop_factor is not None:
            parts.append(f"crop {body.crop_factor:.2f}")
        yield "body", body.key, body.mount, "", "", ", ".join(part for part in parts if part)
    for lens in kit.lenses.values():
        narrowest = "?" if lens.narrowest is None else number(lens.narrowest)
        stops = f"{span(lens.widest, '/')}-{narrowest}"
        ring = "" if lens.aperture_ring else ", no aperture ring"
        yield "lens", lens.key, lens.mount, span(lens.focal), stops, f"{lens.name}{ring}"
    for adapter in kit.adapters.values():
        if not adapter.understood:
            mounts = f"{adapter.lens_mount} on {adapter.body_mount}"
            yield "adapter", adapter.key, mounts, "", "", kinds([adapter])


def show_mounts(terminal: Terminal, mounts: Iterable[Mount]) -> None:
    """Prints the mounts, the shortest register first."""
    rows = (
        (
            ", ".join(mount.designations),
            thick(mount.register),
            mount.lock,
            mount.years,
            "; ".join(part for part in (", ".join(mount.lenses), mount.note) if part),
        )
        for mount in sorted(mounts, key=lambda mount: mount.register)
    )
    terminal.table(_MOUNTS, rows)


def show_names(terminal: Terminal, found: Sequence[LookUp] | Problem) -> None:
    """Prints which lenses the lens-correction database knows by maker and name.

    For the others it prints the nearest entries, and without the database how to get it.
    """
    if isinstance(found, Problem):
        text = f"Whether lens corrections find these names can't be told: {found.text}"
        terminal.print(f"{text}; {found.expected}", "dim")
        return
    known = ", ".join(each.lens.key for each in found if each.entry is not None)
    if known:
        terminal.print(f"Lens corrections know by maker and name: {known}", "green")
    for each in found:
        if each.entry is None:
            near = "; the nearest:" if each.nearest else ", nor one of its figures"
            text = f"{each.lens.key}: no lens correction has its maker and name{near}"
            terminal.print(text, "dim")
            if each.nearest:
                terminal.table(_ENTRIES, map(_entry, each.nearest), by=2)


def show_entries(terminal: Terminal, found: Sequence[RecordedLens]) -> None:
    """Prints entries with the numbers that --pick takes."""
    rows = ((str(n), *_entry(entry)) for n, entry in enumerate(found[:_MOST_ENTRIES], 1))
    terminal.table((_NUMBERED, *_ENTRIES), rows)
    if len(found) > _MOST_ENTRIES:
        terminal.say(f"and {len(found) - _MOST_ENTRIES} more")
    terminal.say(f"{len(found)} entries: choose with --pick N, or say more of the name.")


def _entry(entry: RecordedLens) -> tuple[str, ...]:
    figures = [span(ends) if ends else "?" for ends in (entry.focal, entry.widest)]
    return entry.maker, entry.name, *figures, ", ".join(entry.mounts)
