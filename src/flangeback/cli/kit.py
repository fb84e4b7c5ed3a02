"""`flangeback kit ...`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flangeback.cli.shared import Json, ends_cleanly, print_json, terminal

if TYPE_CHECKING:
    from flangeback.kit import Kit, Mount

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
    typer.Option("--extension", metavar="MM", min=0, help="Tubes or bellows behind the lens."),
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
        found = _read(kit or kit_option)
        if json:
            from flangeback.report.document import kit_document

            print_json(kit_document(found))
        else:
            from flangeback.report.terminal import show_kit

            show_kit(terminal(), found)


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
        from flangeback.kit.picking import body_named

        known = _read(kit)
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


@app.callback()
def kit() -> None:
    """The kit: bodies, lenses, adapters."""
