"""What the `kit` commands print of lenses on bodies: what fits what, and the card."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from itertools import groupby

from flangeback.kit.card import Card, CardLine
from flangeback.kit.fit import (
    STANDING,
    AdapterRoom,
    ApertureControl,
    Fit,
    Infinity,
    Spacing,
    View,
    Way,
)
from flangeback.kit.model import USUAL_NARROWEST, Adapter
from flangeback.kit.mounts import Mount
from flangeback.report.tables import Column, Terminal, Text
from flangeback.words import exact, f_number, focal_length, number, some_of

_MOST_WAYS = 6
_RINGS = {
    ApertureControl.LENS_RING: "on lens",
    ApertureControl.ADAPTER_RING: "on adapter",
    ApertureControl.BODY: "by the body",
    ApertureControl.WIDE_OPEN: "wide open",
}
_WAY = (Column("adapter", 20), Column("aperture", 11), Column("f/", 11, right=True))
_EQUIVALENT = Column("35 mm", 7, right=True)
_FITS = (Column("lens", 13), *_WAY, Column("mm", 9, right=True), _EQUIVALENT)
_CARD = (Column("key in", 9, right=True, style="bold"), Column("lens", 13), *_WAY, _EQUIVALENT)
_DETAILS = (Column("", style="dim"), Column(""))
_RIGHT = {
    None: "; with glass in the way it doesn't tell where infinity lies",
    True: ": right, as closely as the registers are known",
    False: "",
}


def span(values: Iterable[Decimal | int], between: str = "-") -> str:
    """One figure, or the two ends of a zoom."""
    return between.join(dict.fromkeys(map(number, values)))


def equivalents(way: Way, between: str = "-") -> str:
    """Its 35 mm equivalents in mm; empty where the sensor isn't known."""
    return span(way.equivalents, between)


def angles(way: Way) -> str:
    """Its angles of view across the diagonal, in degrees; empty where the sensor isn't known."""
    return "-".join(f"{view.angles[2]:.0f}°" for view in way.views if view.angles is not None)


def f_range(way: Way) -> str:
    """ "1.42-11.4", with both maximum apertures of a zoom where it changes."""
    widest = span((view.widest for view in way.views), "/")
    if way.aperture is ApertureControl.WIDE_OPEN:
        return widest
    narrowest = way.views[0].narrowest
    return f"{widest}-{'?' if narrowest is None else number(narrowest)}"


def ring(way: Way) -> str:
    """Where the aperture is set, in a word or two."""
    return _RINGS[way.aperture]


def _metres(distance: float) -> str:
    """A distance of so many mm, in the units on a lens's scale."""
    if math.isinf(distance):
        return "infinity"
    if distance < 1000:
        return f"{number(distance / 10)} cm"
    return f"{number(distance / 1000)} m"


def thick(ends: tuple[float, float]) -> str:
    """A thickness, or the two that the tables give."""
    return " to ".join(dict.fromkeys(f"{end:.3f}".removesuffix("0") for end in ends)) + " mm"


def show_spacing(terminal: Terminal, lens_mount: Mount, body_mount: Mount, found: Spacing) -> None:
    """Prints what an adapter between two bare mounts comes to."""
    for mount in dict.fromkeys((lens_mount, body_mount)):
        note = f" ({mount.note})" if mount.note else ""
        terminal.print([(mount.name, "bold"), (f" register {thick(mount.register)}{note}", "")])
    terminal.print(f"{lens_mount.name} on {body_mount.name}: {_room(found)}")


def _room(found: Spacing) -> str:
    """What the registers leave room for, in words."""
    needs = thick(found.thickness)
    return {
        AdapterRoom.SAME_MOUNT: "the same mount, no adapter needed",
        AdapterRoom.NONE: f"no room for a plain adapter ({needs}): none keeps infinity focus",
        AdapterRoom.THIN: f"an adapter has to be {needs} thick: only a thin special one fits",
        AdapterRoom.ENOUGH: f"an adapter has to be {needs} thick: room for a plain one",
    }[found.room]


def show_fits(terminal: Terminal, fits: Sequence[Fit]) -> None:
    """Prints the matrix, body by body."""
    for n, (_, found) in enumerate(groupby(fits, key=lambda fit: fit.body.key)):
        rows = list(found)
        body = rows[0].body
        if n:
            terminal.print()
        terminal.print([(body.key, "bold"), (f"  {body.mount}, {body.model or 'any model'}", "")])
        terminal.table(_FITS, map(_cells, rows))
        for fit in rows:
            for note in _short_notes(fit):
                terminal.print(f"{fit.lens.key}: {note}", "yellow", by=2)


def _cells(fit: Fit) -> Iterator[Text]:
    yield fit.lens.key
    way = fit.way
    if way is None:
        yield [(_missing(fit.spacing), "yellow")]
        return
    yield from _way(way)
    yield span(view.focal for view in way.views)
    yield equivalents(way) or "?"


def _way(way: Way) -> Iterator[Text]:
    yield way.name or "none needed"
    yield [(ring(way), "yellow" if way.aperture is ApertureControl.WIDE_OPEN else "")]
    yield f_range(way)


def _missing(found: Spacing) -> str:
    if found.room is AdapterRoom.NONE:
        return "no room"
    return f"{'a thin one' if found.room is AdapterRoom.THIN else 'none'}, {thick(found.thickness)}"


def _short_notes(fit: Fit) -> Iterator[str]:
    """What a row of the matrix can't hold, where it matters."""
    for way in fit.ways[:1]:
        for view in way.views:
            if view.infinity is not None:
                yield _infinity(view, view.infinity)
        if way.covers is False:
            yield f"image circle {_circle(way)}"
    if len(fit.ways) > 1:
        yield "also " + some_of(way.name for way in fit.ways[1:])


def show_fit(terminal: Terminal, fit: Fit) -> None:
    """Prints one lens on one body in full."""
    lens, body = fit.lens, fit.body
    about_lens = f" {lens.name} ({lens.mount}) on "
    about_body = f" {body.model or 'any model'} ({body.mount})"
    terminal.print([(lens.key, "bold"), (about_lens, ""), (body.key, "bold"), (about_body, "")])
    terminal.print(_room(fit.spacing))
    if not fit.ways:
        terminal.say("No adapter of the kit does it.", "yellow")
        for adapter in fit.other_adapters:
            text = f"{adapter.key} is for {adapter.lens_mount} lenses, not for {lens.mount}"
            terminal.print(text, by=2)
    for way in fit.ways[:_MOST_WAYS]:
        terminal.print()
        terminal.print([(way.name or "no adapter", "bold"), (f" {kinds(way.adapters)}", "")])
        terminal.table(_DETAILS, _told(way), heading=False, gap=4)
    if len(fit.ways) > _MOST_WAYS:
        names = some_of(way.name for way in fit.ways[_MOST_WAYS:])
        terminal.print(f"\nand by longer stacks: {names}", "dim")
    terminal.print()
    terminal.print(" ".join(STANDING[:4]), "dim")


def kinds(adapters: Sequence[Adapter]) -> str:
    """What kinds of adapters they are, with their factors."""
    return ", ".join(
        str(a.kind) if a.factor == 1 else f"{a.kind} {number(a.factor)}" for a in adapters
    )


def _told(way: Way) -> Iterator[tuple[str, str]]:
    stuck = way.aperture is ApertureControl.WIDE_OPEN
    no_ring = "stuck wide open: there is a ring neither on the lens nor on the adapter"
    yield "aperture", no_ring if stuck else str(way.aperture)
    yield "focal length", span((view.focal for view in way.views), " to ") + " mm"
    yield "f-number", _f_numbers(way)
    known = equivalents(way, " to ")
    told = f"{known} mm" if known else "unknown: the kit has no sensor for the body"
    yield "35 mm equivalent", told
    angles = [view.angles for view in way.views if view.angles is not None]
    if angles:
        yield "angle of view", " to ".join(f"{d:.1f}° ({w:.1f}° x {h:.1f}°)" for w, h, d in angles)
    if way.image_circle is not None:
        yield "image circle", _circle(way)
    yield "frames lack", _lacks(way)
    if way.thickness is not None:
        yield "thickness", f"{way.thickness:.2f} mm as measured{_RIGHT[way.as_thick]}"
    for view in way.views:
        if view.infinity is not None:
            yield f"infinity, {focal_length(view.marked)}", _infinity(view, view.infinity)
        if view.close_up is not None:
            yield f"close up, {focal_length(view.marked)}", _close_up(view)
    if len(way.adapters) > 1:
        yield "in the log", _as_one(way)
    for caution in way.cautions:
        yield "caution", caution


def _f_numbers(way: Way) -> str:
    stuck = way.aperture is ApertureControl.WIDE_OPEN
    ends = " and ".join(
        f_number(view.widest) + ("" if stuck else f" to {f_number(view.narrowest)}")
        for view in way.views
    )
    return ends if way.factor == 1 else f"{ends}, the ring's marks times {number(way.factor)}"


def _circle(way: Way) -> str:
    covers = {None: "", True: ": covers the sensor", False: ": the corners stay dark"}
    return focal_length(way.image_circle) + covers[way.covers]


def _lacks(way: Way) -> str:
    if way.lacks is None:
        return "what a lens without contacts doesn't tell; else nothing"
    if not way.lacks:
        return "nothing, where the lens has contacts: the adapter passes on what it tells"
    return ", ".join(way.lacks) + " (the session log brings them back)"


def _as_one(way: Way) -> str:
    """How a stack is written so that a log can name it: an entry has one adapter."""
    if way.factor == 1:
        has_ring = way.aperture is ApertureControl.ADAPTER_RING
        kind = f'kind = "{"aperture" if has_ring else "plain"}"'
    else:
        kind = f'kind = "{"reducer" if way.factor < 1 else "extender"}", '
        kind += f"factor = {exact(way.factor)}"
    return (
        "an entry has one adapter, so that the kit needs this stack as one too: "
        f'lens_mount = "{way.adapters[0].lens_mount}", '
        f'body_mount = "{way.adapters[-1].body_mount}", {kind}'
    )


def _infinity(view: View, found: Infinity) -> str:
    size = f"{abs(found.error):.2f} mm too {'thick' if found.error > 0 else 'thin'}"
    widest = f_number(view.widest)
    if found.error < 0:
        told = f"{size}: focuses past infinity, which is sharp where the scale reads"
        blurred = "blurred" if found.shows else "still sharp"
        return f"{told} {_metres(found.distance)}; at the stop it is {blurred} at {widest}"
    reach = f"{size}: the farthest sharp distance is {_metres(found.distance)}"
    if not found.shows:
        return f"{reach}; depth of field at {widest} still takes in infinity"
    ends = f"depth of field at {widest} ends at {_metres(found.far_limit)}"
    if found.sharp_from is None or found.sharp_from > (view.narrowest or USUAL_NARROWEST):
        return f"{reach}; {ends}, and no stop brings infinity in"
    return f"{reach}; {ends}, from {f_number(found.sharp_from)} on it takes in infinity"


def _close_up(view: View) -> str:
    assert view.close_up is not None
    found = view.close_up
    return (
        f"{number(found.extension)} mm of extension: {found.magnification:.2f} times life size at "
        f"{_metres(found.distance)}; exposes like {f_number(found.f_number)} wide open "
        "(FNumber stays the lens's own)"
    )


def show_cards(terminal: Terminal, cards: Sequence[Card]) -> None:
    """Prints the cards, a body's after the other."""
    for card in cards:
        terminal.print([(card.body.key, "bold"), (f" {card.body.model or ''}", "")])
        advice = "Key in the focal length as it stands here: never the 35 mm equivalent."
        terminal.print(advice, "dim")
        terminal.table(_CARD, map(_card_cells, card.lines))
        for line in card.lines:
            if line.notes:
                text = f"{line.lens.key} via {line.way.name}" if line.way.name else line.lens.key
                terminal.print(f"{text}: {'; '.join(line.notes)}", "dim", by=2)
        if card.left_out:
            names = ", ".join(lens.key for lens in card.left_out)
            terminal.print(f"No adapter in the kit: {names}", "yellow")
        terminal.print()
    terminal.print(" ".join(STANDING), "dim")


def _card_cells(line: CardLine) -> Iterator[Text]:
    yield span(line.key_in)
    yield line.lens.key
    yield from _way(line.way)
    yield equivalents(line.way) or "?"
