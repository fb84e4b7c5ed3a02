"""`flangeback kit ...`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flangeback.cli.shared import WRONG, Json, ends_cleanly, print_json, terminal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from flangeback.kit import Kit, Mount
    from flangeback.kit.lensdb import Entry

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


def _read(given: Path | None) -> Kit:
    from flangeback.kit import read_kit
    from flangeback.kit.places import kit_file

    return read_kit(kit_file(given))


@app.command("check")
def check(kit: KitPath = None, kit_option: KitOption = None, json: Json = False) -> None:
    """Check a kit file, and show it as it is understood.

    Example: flangeback kit check ~/kit.toml
    """
    with ends_cleanly(json):
        from flangeback.kit import lensdb
        from flangeback.kit.remarks import remarks

        found = _read(kit or kit_option)
        notes = remarks(found)
        names = lensdb.look_up_all(found) if lensdb.is_installed() else None
        if json:
            from flangeback.report.document import kit_document
            from flangeback.report.kit_documents import check_document

            print_json(kit_document(found) | check_document(notes, names))
        else:
            from flangeback.report.kit_names import show_names, show_remarks
            from flangeback.report.terminal import show_kit

            console = terminal()
            show_kit(console, found)
            show_remarks(console, notes)
            show_names(console, names)


@app.command("fit")
def fit(
    gear: Gear = None, kit: KitOption = None, extension: Extension = 0.0, json: Json = False
) -> None:
    """Show whether a lens fits a body, with which adapter, and what it then comes to.

    Without names, every lens on every body. Two mounts, such as M42 E, ask for the registers alone.

    Example: flangeback kit fit miran58 k7
    """
    with ends_cleanly(json):
        from flangeback.kit import fit as fitting
        from flangeback.kit.picking import pick

        words = gear or []
        known = _kit_for(words, kit)
        picked = pick(words, known)
        if picked.mounts is not None:
            _show_spacing(*picked.mounts, json)
            return
        found = fitting.fits(picked.lenses, picked.bodies, known, extension)
        if json:
            from flangeback.report.kit_documents import fit_document

            print_json(fit_document(found))
        else:
            from flangeback.report.kit_tables import show_fit, show_fits

            if len(words) > 1:
                show_fit(terminal(), found[0])
            else:
                show_fits(terminal(), found)


def _kit_for(words: list[str], given: Path | None) -> Kit:
    """The kit; an empty one where none was named nor found and the words are mounts."""
    from flangeback.kit import Kit, mount_named
    from flangeback.kit.places import kit_file

    no_kit = given is None and not kit_file(None).exists()
    if no_kit and words and all(mount_named(word) for word in words):
        return Kit()
    return _read(given)


def _show_spacing(lens_mount: Mount, body_mount: Mount, json: bool) -> None:
    from flangeback.kit.fit import spacing

    found = spacing(lens_mount, body_mount)
    if json:
        from flangeback.report.kit_documents import spacing_document

        print_json(spacing_document(lens_mount, body_mount, found))
    else:
        from flangeback.report.kit_tables import show_spacing

        show_spacing(terminal(), lens_mount, body_mount, found)


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
    with ends_cleanly(json):
        from flangeback.kit.card import cards
        from flangeback.kit.picking import body_named, need_lenses_and_bodies

        known = _read(kit)
        need_lenses_and_bodies(known)
        found = cards(known, None if body is None else [body_named(body, known)])
        if html is not None:
            from flangeback.report.card_page import GENERATOR, card_page
            from flangeback.report.pages import write_page

            write_page(html, card_page(found), GENERATOR)
        if json:
            from flangeback.report.kit_documents import card_document

            print_json(card_document(found))
        elif html is None:
            from flangeback.report.kit_tables import show_cards

            show_cards(terminal(), found)
        else:
            print(f"{html}: {len(found)} card{'s' * (len(found) != 1)}, to print on A6")


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
    with ends_cleanly(json):
        from flangeback.kit import lensdb
        from flangeback.kit.adding import add_entry
        from flangeback.kit.choosing import Said, chosen, lens_fields
        from flangeback.kit.places import kit_file

        entries = lensdb.search(words, lensdb.entries())
        if len(entries) > 1 and pick is None:
            _show_entries(entries, json)
            raise typer.Exit(WRONG)
        said = Said(mount, widest, narrowest, not no_ring, serial, key)
        default, fields = lens_fields(chosen(entries, words, pick), said)
        path = kit_file(kit)
        _show_added(path, add_entry(path, "lens", default, fields), json)


def _show_entries(entries: Sequence[Entry], json: bool) -> None:
    if json:
        from flangeback.report.kit_documents import entries_document

        print_json(entries_document(entries))
    else:
        from flangeback.report.kit_names import show_entries

        show_entries(terminal(), entries)


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
    with ends_cleanly(json):
        from flangeback.frames.sensor import seen_body
        from flangeback.kit.adding import add_entry
        from flangeback.kit.choosing import body_fields
        from flangeback.kit.places import kit_file

        seen = seen_body(frame)
        default, fields = body_fields(seen.model, seen.serial, seen.sensor, mount, key)
        path = kit_file(kit)
        _show_added(path, add_entry(path, "body", default, fields), json)


def _show_added(path: Path, entry: str, json: bool) -> None:
    if json:
        from flangeback.report.kit_documents import added_document

        print_json(added_document(path, entry))
    else:
        print(f"added to {path}:\n\n{entry}", end="")


@app.callback()
def kit() -> None:
    """The kit: bodies, lenses, adapters."""
