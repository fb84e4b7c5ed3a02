"""`flangeback kit ...`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

import flangeback
from flangeback import report
from flangeback.cli.ending import WRONG, print_json
from flangeback.cli.shared import Json, terminal
from flangeback.words import count

if TYPE_CHECKING:
    from collections.abc import Sequence

    from flangeback.kit import Mount
    from flangeback.kit.adding import Field, Kind

app = typer.Typer(no_args_is_help=True, help="The kit: bodies, lenses, adapters.")

KitPath = Annotated[
    Path | None, typer.Argument(metavar="[KIT]", help="The kit file, or the folder it is in.")
]
KitOption = Annotated[
    Path | None,
    typer.Option(
        "--kit",
        metavar="KIT",
        help="The kit file, or the folder it is in. [default: kit.toml here, else the one in your"
        " configuration folder]",
    ),
]
Extension = Annotated[
    float,
    typer.Option(
        "--extension", metavar="MM", min=0, max=1000, help="Tubes or bellows behind the lens."
    ),
]
Gear = Annotated[
    list[str] | None,
    typer.Argument(metavar="[LENS] [BODY]", help="Keys of the kit, or two mounts. [default: all]"),
]


def _read(given: Path | None) -> flangeback.Kit:
    from flangeback.kit.places import kit_file

    return flangeback.read_kit(kit_file(given))


@app.command("check")
def check(kit: KitPath = None, kit_option: KitOption = None, json: Json = False) -> None:
    """Check a kit file, and show it as it is understood.

    Example: flangeback kit check ~/kit.toml
    """
    from flangeback.kit import lensdb
    from flangeback.kit.remarks import remarks

    found = _read(kit or kit_option)
    notes = remarks(found)
    names = lensdb.look_up_all(found) if lensdb.is_installed() else None
    if json:
        print_json(report.documents.check_document(found, notes, names))
    else:
        console = terminal()
        report.kit.show_kit(console, found)
        report.kit.show_remarks(console, notes)
        report.kit.show_names(console, names)


@app.command("fit")
def fit(
    gear: Gear = None, kit: KitOption = None, extension: Extension = 0.0, json: Json = False
) -> None:
    """Show whether a lens fits a body, with which adapter, and what it then comes to.

    Without names, every lens on every body. Two mounts, such as M42 E, ask for the registers alone.

    Example: flangeback kit fit miran58 k7
    """
    from flangeback.kit.picking import pick

    words = gear or []
    known = _kit_for(words, kit)
    picked = pick(words, known)
    if picked.mounts is not None:
        _show_spacing(*picked.mounts, json=json)
        return
    found = flangeback.fits(picked.lenses, picked.bodies, known, extension)
    if json:
        print_json(report.documents.fit_document(found))
    elif len(words) > 1:
        report.kit.show_fit(terminal(), found[0])
    else:
        report.kit.show_fits(terminal(), found)


def _kit_for(words: list[str], given: Path | None) -> flangeback.Kit:
    """The kit; an empty one where none was named nor found and the words are mounts."""
    from flangeback.kit import mount_named
    from flangeback.kit.places import kit_file

    no_kit = given is None and not kit_file(None).exists()
    if no_kit and words and all(mount_named(word) for word in words):
        return flangeback.Kit()
    return _read(given)


def _show_spacing(lens_mount: Mount, body_mount: Mount, *, json: bool) -> None:
    from flangeback.kit.fit import spacing

    found = spacing(lens_mount, body_mount)
    if json:
        print_json(report.documents.spacing_document(lens_mount, body_mount, found))
    else:
        report.kit.show_spacing(terminal(), lens_mount, body_mount, found)


BodyKey = Annotated[
    str | None, typer.Argument(metavar="[BODY]", help="A body's key. [default: every body]")
]
Page = Annotated[
    Path | None, typer.Option("--html", metavar="FILE", help="Write it as a page to print on A6.")
]


@app.command("card")
def card(
    body: BodyKey = None, kit: KitOption = None, html: Page = None, json: Json = False
) -> None:
    """Show the card for the bag: what to key into the stabiliser for each lens, per body.

    Example: flangeback kit card k7 --html card.html
    """
    from flangeback.kit.picking import body_named, need_lenses_and_bodies

    known = _read(kit)
    need_lenses_and_bodies(known)
    found = flangeback.cards(known, None if body is None else [body_named(body, known)])
    if html is not None:
        report.pages.write_card_page(html, found)
    if json:
        print_json(report.documents.card_document(found))
    elif html is None:
        report.kit.show_cards(terminal(), found)
    else:
        print(f"{html}: {count(len(found), 'card')}, to print on A6")


add = typer.Typer(no_args_is_help=True, help="Write a new entry into the kit file.")
app.add_typer(add, name="add")

Words = Annotated[
    list[str], typer.Argument(metavar="WORDS...", help="Of its maker, name, mount, numbers.")
]
Pick = Annotated[
    int | None, typer.Option("--pick", metavar="N", min=1, help="The Nth of several entries.")
]
MountName = Annotated[
    str | None, typer.Option("--mount", metavar="M", help="Its mount, such as M42.")
]
Key = Annotated[
    str | None, typer.Option("--key", metavar="KEY", help="Its key. [default: from the name]")
]
Widest = Annotated[
    str | None, typer.Option("--widest", metavar="N", help="f-number wide open: 2, or 3.5-4.5.")
]
Narrowest = Annotated[
    str | None, typer.Option("--narrowest", metavar="N", help="Greatest f-number on the ring.")
]
Serial = Annotated[str | None, typer.Option("--serial", metavar="S", help="Its serial number.")]
NoRing = Annotated[bool, typer.Option("--no-ring", help="It has no aperture ring.")]
FrameFile = Annotated[Path, typer.Argument(metavar="FRAME", help="A frame that the body made.")]


@add.command("lens")
def add_lens(
    words: Words,
    kit: KitOption = None,
    pick: Pick = None,
    mount: MountName = None,
    widest: Widest = None,
    narrowest: Narrowest = None,
    no_ring: NoRing = False,
    serial: Serial = None,
    key: Key = None,
    json: Json = False,
) -> None:
    """Write a lens into the kit from its entry in the lens-correction database.

    Several entries that fit the words are shown, and --pick chooses; only then is it written.
    What the database doesn't tell has to be said. Nothing that stands in the file is changed.

    Example: flangeback kit add lens miran 58 --mount M42 --narrowest 16
    """
    from flangeback.kit import lensdb
    from flangeback.kit.choosing import Said, chosen, lens_fields

    entries = lensdb.search(words, lensdb.entries())
    if len(entries) > 1 and pick is None:
        if json:
            print_json(report.documents.entries_document(entries))
        else:
            report.kit.show_entries(terminal(), entries)
        raise typer.Exit(WRONG)
    said = Said(mount, widest, narrowest, not no_ring, serial, key)
    _add(kit, "lens", *lens_fields(chosen(entries, words, pick), said), json=json)


@add.command("body")
def add_body(
    frame: FrameFile,
    mount: MountName = None,
    kit: KitOption = None,
    key: Key = None,
    json: Json = False,
) -> None:
    """Write a body into the kit from a frame that it made: model, serial, sensor where told.

    Nothing that stands in the file is changed; the frame is only read.

    Example: flangeback kit add body K7_0001.JPG --mount E
    """
    from flangeback.frames.sensor import seen_body
    from flangeback.kit.choosing import body_fields

    seen = seen_body(frame)
    fields = body_fields(seen.model, seen.serial, seen.sensor, mount, key)
    _add(kit, "body", *fields, json=json)


def _add(kit: Path | None, kind: Kind, key: str, fields: Sequence[Field], *, json: bool) -> None:
    """Writes an entry into the kit file, under a key like this one, and shows it."""
    from flangeback.kit.adding import add_entry
    from flangeback.kit.places import kit_file

    path = kit_file(kit)
    entry = add_entry(path, kind, key, fields)
    if json:
        print_json(report.documents.added_document(path, entry))
    else:
        print(f"added to {path}:\n\n{entry}", end="")


@app.callback()
def kit() -> None:
    """The kit: bodies, lenses, adapters."""
