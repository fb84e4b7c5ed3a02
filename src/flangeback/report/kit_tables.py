"""The terminal's tables of the kit: what fits what, and the card."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from flangeback.kit.card import Card
from flangeback.kit.cautions import STANDING
from flangeback.kit.fit import Aperture, Fit, Infinity, Room, Spacing, View, Way
from flangeback.kit.mounts import Mount
from flangeback.report.kit_text import RINGS, f_range, metres, millimetres, number, span
from flangeback.report.runs import some_of

_MOST_WAYS = 6
_COLUMNS = (
    ("lens", 13, False),
    ("adapter", 20, False),
    ("aperture", 11, False),
    ("f/", 11, True),
    ("mm", 9, True),
    ("35 mm", 7, True),
)


def show_spacing(console: Console, lens_mount: Mount, body_mount: Mount, found: Spacing) -> None:
    """Prints what an adapter between two bare mounts comes to."""
    for mount in dict.fromkeys((lens_mount, body_mount)):
        known = f"register {millimetres(mount.register)}"
        note = f" ({mount.note})" if mount.note else ""
        console.print(Text(mount.name, style="bold"), Text(known + note))
    console.print(Text(f"{lens_mount.name} on {body_mount.name}: {room(found)}"))


def room(found: Spacing) -> str:
    """What the registers leave room for, in words."""
    needs = millimetres(found.thickness)
    if found.room is Room.SAME_MOUNT:
        return "the same mount, no adapter needed"
    if found.room is Room.NONE:
        return f"no room for a plain adapter ({needs}): none keeps infinity focus"
    if found.room is Room.THIN:
        return f"an adapter has to be {needs} thick: only a thin special one fits"
    return f"an adapter has to be {needs} thick: room for a plain one"


def show_fits(console: Console, fits: Sequence[Fit]) -> None:
    """Prints the matrix, body by body."""
    for n, (_, found) in enumerate(groupby(fits, key=lambda fit: fit.body.key)):
        rows = list(found)
        body = rows[0].body
        if n:
            console.print()
        console.print(Text(body.key, "bold"), Text(f" {body.mount}, {body.model or 'any model'}"))
        table = _table(_COLUMNS)
        for fit in rows:
            table.add_row(*_cells(fit))
        console.print(table)
        for fit in rows:
            for note in _short_notes(fit):
                console.print(
                    Padding(Text(f"{fit.lens.key}: {note}", style="yellow"), (0, 0, 0, 2))
                )


def _table(columns: Sequence[tuple[str, int, bool]]) -> Table:
    table = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False, header_style="dim")
    for name, width, right in columns:
        table.add_column(name, width=width, justify="right" if right else "left", overflow="fold")
    return table


def _cells(fit: Fit) -> Iterator[Text]:
    yield Text(fit.lens.key)
    way = fit.way
    if way is None:
        yield Text(_missing(fit.spacing), style="yellow")
        return
    yield Text(way.name or "none needed")
    yield Text(RINGS[way.aperture], "yellow" if way.aperture is Aperture.WIDE_OPEN else "")
    yield Text(f_range(way))
    yield Text(span([view.focal for view in way.views]))
    yield Text(_equivalents(way))


def _equivalents(way: Way) -> str:
    known = [view.equivalent_35mm for view in way.views if view.equivalent_35mm is not None]
    return span(known) if known else "?"


def _missing(found: Spacing) -> str:
    needs = millimetres(found.thickness)
    return {Room.NONE: "no room", Room.THIN: f"a thin one, {needs}"}.get(
        found.room, f"none, {needs}"
    )


def _short_notes(fit: Fit) -> Iterator[str]:
    """What a row of the matrix can't hold, where it matters."""
    for way in fit.ways[:1]:
        for view in way.views:
            if view.infinity is not None:
                yield _infinity(view, view.infinity)
        if way.covers is False:
            yield f"image circle {_circle(way)}"
    if len(fit.ways) > 1:
        yield "also " + some_of([way.name for way in fit.ways[1:]])


def show_fit(console: Console, fit: Fit) -> None:
    """Prints one lens on one body in full."""
    lens, body = fit.lens, fit.body
    console.print(
        Text(lens.key, style="bold"), f"{lens.name} ({lens.mount})", "on", highlight=False, end=" "
    )
    console.print(
        Text(body.key, style="bold"), f"{body.model or 'any model'} ({body.mount})", highlight=False
    )
    console.print(room(fit.spacing), highlight=False)
    if not fit.ways:
        console.print(Text("No adapter of the kit does it.", style="yellow"))
        for adapter in fit.other_adapters:
            text = f"{adapter.key} is for {adapter.lens_mount} lenses, not for {lens.mount}"
            console.print(Padding(text, (0, 0, 0, 2)), highlight=False)
    for way in fit.ways[:_MOST_WAYS]:
        console.print()
        console.print(Text(way.name or "no adapter", style="bold"), _kinds(way), highlight=False)
        table = Table(box=None, padding=(0, 2, 0, 2), pad_edge=False, show_header=False)
        table.add_column(style="dim", no_wrap=True)
        table.add_column(overflow="fold")
        for label, text in _details(way):
            table.add_row(label, text)
        console.print(table, highlight=False)
    if len(fit.ways) > _MOST_WAYS:
        names = some_of([way.name for way in fit.ways[_MOST_WAYS:]])
        console.print(Text(f"\nand by longer stacks: {names}", style="dim"))
    console.print()
    console.print(Text(" ".join(STANDING[:4]), style="dim"))


def _kinds(way: Way) -> str:
    return ", ".join(
        str(a.kind) if a.factor == 1 else f"{a.kind} {number(a.factor)}" for a in way.adapters
    )


def _details(way: Way) -> Iterator[tuple[str, str]]:
    yield "aperture", _aperture(way)
    yield "focal length", span([view.focal for view in way.views], " to ") + " mm"
    yield "f-number", _f_numbers(way)
    yield "35 mm equivalent", _equivalent(way)
    yield from _angles(way)
    if way.image_circle is not None:
        yield "image circle", _circle(way)
    yield "frames lack", _lacks(way)
    yield from _thickness(way)
    for view in way.views:
        if view.infinity is not None:
            yield f"infinity, {number(view.marked)} mm", _infinity(view, view.infinity)
        if view.close_up is not None:
            yield f"close up, {number(view.marked)} mm", _close_up(view)
    if len(way.adapters) > 1:
        yield "in the log", _as_one(way)
    for caution in way.cautions:
        yield "caution", caution


def _aperture(way: Way) -> str:
    if way.aperture is Aperture.WIDE_OPEN:
        return "stuck wide open: there is a ring neither on the lens nor on the adapter"
    return str(way.aperture)


def _f_numbers(way: Way) -> str:
    ends = " and ".join(
        f"f/{number(view.widest)} to f/{number(view.narrowest)}" for view in way.views
    )
    if way.aperture is Aperture.WIDE_OPEN:
        ends = " and ".join(f"f/{number(view.widest)}" for view in way.views)
    return ends if way.factor == 1 else f"{ends}, the ring's marks times {number(way.factor)}"


def _equivalent(way: Way) -> str:
    known = [view.equivalent_35mm for view in way.views if view.equivalent_35mm is not None]
    return f"{span(known, ' to ')} mm" if known else "unknown: the kit has no sensor for the body"


def _angles(way: Way) -> Iterator[tuple[str, str]]:
    found = [view.angles for view in way.views if view.angles is not None]
    if found:
        yield (
            "angle of view",
            " to ".join(f"{d:.1f}° ({w:.1f}° x {h:.1f}°)" for w, h, d in found),
        )


def _circle(way: Way) -> str:
    assert way.image_circle is not None
    circle = f"{number(way.image_circle)} mm"
    if way.covers is None:
        return circle
    return f"{circle}: " + ("covers the sensor" if way.covers else "the corners stay dark")


def _lacks(way: Way) -> str:
    if way.lacks is None:
        return "what a lens without contacts doesn't tell; else nothing"
    if not way.lacks:
        return "nothing, where the lens has contacts: the adapter passes on what it tells"
    return ", ".join(way.lacks) + " (the session log brings them back)"


def _as_one(way: Way) -> str:
    """How a stack is written so that a log can name it: an entry has one adapter."""
    told = "an entry has one adapter, so that the kit needs this stack as one too: "
    told += f'lens_mount = "{way.adapters[0].lens_mount}", body_mount = '
    told += f'"{way.adapters[-1].body_mount}", '
    if way.factor == 1:
        ring = way.aperture is Aperture.ADAPTER_RING
        return told + f'kind = "{"aperture" if ring else "plain"}"'
    kind = "reducer" if way.factor < 1 else "extender"
    return f'{told}kind = "{kind}", factor = {way.factor.normalize():f}'


def _thickness(way: Way) -> Iterator[tuple[str, str]]:
    if way.thickness is None:
        return
    told = f"{way.thickness:.2f} mm as measured"
    if way.as_thick is None:
        told += "; with glass in the way it doesn't tell where infinity lies"
    elif way.as_thick:
        told += ": right, as closely as the registers are known"
    yield "thickness", told


def _infinity(view: View, found: Infinity) -> str:
    size = f"{abs(found.error):.2f} mm too {'thick' if found.error > 0 else 'thin'}"
    widest = f"f/{number(view.widest)}"
    if found.error < 0:
        told = f"{size}: focuses past infinity, which is sharp where the scale reads"
        blurred = "blurred" if found.shows else "still sharp"
        return f"{told} {metres(found.distance)}; at the stop it is {blurred} at {widest}"
    reach = f"{size}: the farthest sharp distance is {metres(found.distance)}"
    if not found.shows:
        return f"{reach}; depth of field at {widest} still takes in infinity"
    ends = f"depth of field at {widest} ends at {metres(found.far_limit)}"
    return f"{reach}; {ends}, {_from(view, found)}"


def _from(view: View, found: Infinity) -> str:
    if found.sharp_from is None or found.sharp_from > view.narrowest:
        return "and no stop brings infinity in"
    return f"from f/{number(found.sharp_from)} on it takes in infinity"


def _close_up(view: View) -> str:
    assert view.close_up is not None
    found = view.close_up
    return (
        f"{number(found.extension)} mm of extension: {found.magnification:.2f} times life size at "
        f"{metres(found.distance)}; exposes like f/{number(found.f_number)} wide open "
        "(FNumber stays the lens's own)"
    )


_CARD_COLUMNS = (
    ("key in", 9, True),
    ("lens", 13, False),
    ("adapter", 19, False),
    ("aperture", 11, False),
    ("f/", 11, True),
    ("35 mm", 7, True),
)


def show_cards(console: Console, cards: Sequence[Card]) -> None:
    """Prints the cards, a body's after the other."""
    for card in cards:
        console.print(Text(card.body.key, style="bold"), Text(card.body.model or ""))
        console.print(
            Text("Key in the focal length as it stands here: never the 35 mm equivalent.", "dim")
        )
        _show_lines(console, card)
        if card.left_out:
            names = ", ".join(lens.key for lens in card.left_out)
            console.print(Text(f"No adapter in the kit: {names}", style="yellow"))
        console.print()
    console.print(Text(" ".join(STANDING), style="dim"))


def _show_lines(console: Console, card: Card) -> None:
    table = _table(_CARD_COLUMNS)
    for line in card.lines:
        table.add_row(
            Text(span(line.key_in), style="bold"),
            Text(line.lens.key),
            Text(line.way.name or "none needed"),
            Text(RINGS[line.way.aperture]),
            Text(f_range(line.way)),
            Text(span(line.equivalents) or "?"),
        )
    console.print(table)
    for line in card.lines:
        if line.notes:
            text = f"{line.lens.key} via {line.way.name}" if line.way.name else line.lens.key
            console.print(Padding(Text(f"{text}: {'; '.join(line.notes)}", "dim"), (0, 0, 0, 2)))
