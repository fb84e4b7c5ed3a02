"""`flangeback kit ...`."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer import Argument, Option

import flangeback
from flangeback import report
from flangeback.cli.ending import WRONG, WholeHelp, print_json
from flangeback.cli.shared import Json, asking, html_file, terminal
from flangeback.words import count

if TYPE_CHECKING:
    from collections.abc import Sequence

    from flangeback.kit.adding import Ask, Kind, NewField
    from flangeback.kit.lensdb import RecordedLens

app = typer.Typer(
    cls=WholeHelp,
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="The kit: bodies, lenses, adapters.",
)
KitPath = Annotated[
    Path | None, Argument(metavar="[KIT]", help="The kit file, or the folder it is in.")
]
KitFile = Annotated[
    Path | None,
    Option(
        "--kit",
        metavar="KIT",
        help="The kit file, or the folder it is in. [default: kit.toml here, else the one in your"
        " configuration folder]",
    ),
]
Extension = Annotated[
    float, Option(metavar="MM", min=0, max=1000, help="Tubes or bellows behind the lens.")
]
Gear = Annotated[
    list[str] | None,
    Argument(metavar="[LENS] [BODY]", help="Keys of the kit, or two mounts. [default: all]"),
]


def _read(given: Path | None) -> flangeback.Kit:
    from flangeback.kit.places import kit_file

    return flangeback.read_kit(kit_file(given))


@app.command("check")
def check(kit: KitPath = None, kit_option: KitFile = None, json: Json = False) -> None:
    """Check a kit file, and show it as it is understood.

    Example: flangeback kit check ~/kit.toml
    """
    from flangeback.kit import lensdb
    from flangeback.kit.remarks import remarks

    found = _read(kit or kit_option)
    notes = remarks(found)
    names = lensdb.look_up_all(found)
    if json:
        print_json(report.kit_documents.check_document(found, notes, names))
    else:
        console = terminal()
        report.kit.show_kit(console, found, notes)
        report.kit.show_names(console, names)


@app.command("fit")
def fit(
    gear: Gear = None, kit: KitFile = None, extension: Extension = 0.0, json: Json = False
) -> None:
    """Show whether a lens fits a body, with which adapter, and what it then comes to.

    Without names, every lens on every body. Two mounts, such as M42 E, ask for the registers alone.

    Example: flangeback kit fit miran58 k7
    """
    from flangeback.kit.fit import spacing
    from flangeback.kit.mounts import mount_named
    from flangeback.kit.picking import pick
    from flangeback.kit.places import kit_file

    words = gear or []
    # Mounts are known without a kit.
    no_kit = kit is None and not kit_file(None).exists()
    known = flangeback.Kit() if no_kit and any(map(mount_named, words)) else _read(kit)
    picked = pick(words, known)
    if picked.mounts is not None:
        between = spacing(*picked.mounts)
        if json:
            print_json(report.kit_documents.spacing_document(*picked.mounts, between))
        else:
            report.fit.show_spacing(terminal(), *picked.mounts, between)
        return
    found = flangeback.fits(picked.lenses, picked.bodies, known, extension)
    if json:
        print_json(report.kit_documents.fit_document(found))
    elif len(words) > 1:
        report.fit.show_fit(terminal(), found[0])
    else:
        report.fit.show_fits(terminal(), found)


BodyKey = Annotated[
    str | None, Argument(metavar="[BODY]", help="A body's key. [default: every body]")
]
Page = Annotated[
    Path | None,
    Option("--html", metavar="FILE", callback=html_file, help="Write it as a page to print on A6."),
]


@app.command("card")
def card(body: BodyKey = None, kit: KitFile = None, html: Page = None, json: Json = False) -> None:
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
        print_json(report.kit_documents.card_document(found))
    elif html is None:
        report.fit.show_cards(terminal(), found)
    else:
        print(f"{html}: {count(len(found), 'card')}, to print on A6")


add = typer.Typer(cls=WholeHelp)
app.add_typer(add, name="add")


Words = Annotated[
    list[str] | None, Argument(metavar="[WORDS]...", help="Of its maker, name, figures.")
]
Pick = Annotated[int | None, Option(metavar="N", min=1, help="The Nth of several entries.")]
Maker = Annotated[str | None, Option(metavar="MAKER", help="Its maker.")]
Name = Annotated[str | None, Option(metavar="NAME", help="Its name.")]
Focal = Annotated[str | None, Option(metavar="MM", help="58, or 35-70.")]
MountName = Annotated[str | None, Option(metavar="MOUNT", help="As kit mounts lists them.")]
LensMount = Annotated[str | None, Option(metavar="MOUNT", help="The mount of its lenses.")]
BodyMount = Annotated[str | None, Option(metavar="MOUNT", help="The mount of its body.")]
AdapterKind = Annotated[
    str | None, Option(metavar="KIND", help="plain|aperture|electronic|reducer|extender")
]
Factor = Annotated[str | None, Option(metavar="X", help="0.71, or 1.4.")]
Thickness = Annotated[str | None, Option(metavar="MM", help="As measured.")]
Key = Annotated[str | None, Option(metavar="KEY", help="Its key. [default: from the name]")]
Widest = Annotated[str | None, Option(metavar="N", help="f-number wide open: 2, or 3.5-4.5.")]
Narrowest = Annotated[str | None, Option(metavar="N", help="Greatest f-number on the ring.")]
Serial = Annotated[str | None, Option(metavar="S", help="Its serial number.")]
NoRing = Annotated[bool, Option("--no-ring", help="It has no aperture ring.")]
FrameFile = Annotated[Path | None, Argument(metavar="[FRAME]", help="A frame that the body made.")]


@add.callback(invoke_without_command=True)
def add_any(ctx: typer.Context) -> None:
    """Write a new entry into the kit file; asks for what isn't said."""
    if ctx.invoked_subcommand is not None:
        return
    commands = {"body": add_body, "lens": add_lens, "adapter": add_adapter}
    answer = asking(json=False)("a body, a lens or an adapter")
    command: Any = commands.get((answer or "").strip().casefold())
    if command is None:
        typer.echo(ctx.get_help())
        raise typer.Exit(WRONG)
    ctx.invoke(command)


@add.command("lens")
def add_lens(
    words: Words = None,
    kit: KitFile = None,
    pick: Pick = None,
    maker: Maker = None,
    name: Name = None,
    focal: Focal = None,
    widest: Widest = None,
    narrowest: Narrowest = None,
    mount: MountName = None,
    no_ring: NoRing = False,
    serial: Serial = None,
    key: Key = None,
    json: Json = False,
) -> None:
    """Write a lens into the kit: from the lens-correction database, from its name, by asking.

    Where several entries of the database fit the words, one is to be picked. Without one, the
    words are its name. Nothing that stands in the file is changed.

    Example: flangeback kit add lens miran 58 --mount M42
    """
    from flangeback.kit import lensdb
    from flangeback.kit.adding import lens_entry

    ask = asking(json=json)
    entry, problems = lensdb.find(words or [], pick, partial(_chosen, ask=ask, json=json))
    said = {"maker": maker, "name": name, "focal": focal, "widest": widest, "serial": serial}
    said |= {"narrowest": narrowest, "mount": mount, "key": key}
    said |= {"no_ring": "yes" if no_ring else None}
    if entry is None and words and name is None:
        said["name"] = " ".join(words)
    try:
        fields = lens_entry(entry, said, ask)
    except flangeback.InputError as error:
        raise flangeback.InputError([*problems, *error.problems]) from None
    _add(kit, "lens", *fields, json=json)


def _chosen(found: Sequence[RecordedLens], ask: Ask, *, json: bool) -> int:
    """The number of the entry that a person picks, 0 for none of them."""
    if json:
        print_json(report.kit_documents.entries_document(found))
    else:
        report.kit.show_entries(terminal(), found)
    answer = ask("the number of the lens, 0 for none of them")
    if answer is None or not answer.strip().isdigit():
        raise typer.Exit(WRONG)
    return int(answer)


@add.command("body")
def add_body(
    frame: FrameFile = None,
    mount: MountName = None,
    kit: KitFile = None,
    key: Key = None,
    json: Json = False,
) -> None:
    """Write a body into the kit from a frame that it made: model, serial, sensor where told.

    Nothing that stands in the file is changed; the frame is only read.

    Example: flangeback kit add body K7_0001.JPG --mount E
    """
    from flangeback.frames.sensor import seen_body
    from flangeback.kit.adding import body_entry

    ask = asking(json=json)
    given = str(frame or (ask("a frame that the body made") or "").strip())
    if not given:
        raise flangeback.InputError.at("", "no frame is named", "kit add body FRAME")
    seen = seen_body(Path(given))
    fields = body_entry(seen.model, seen.serial, seen.sensor, {"mount": mount, "key": key}, ask)
    _add(kit, "body", *fields, json=json)


@add.command("adapter")
def add_adapter(
    lens_mount: LensMount = None,
    body_mount: BodyMount = None,
    kind: AdapterKind = None,
    factor: Factor = None,
    thickness: Thickness = None,
    kit: KitFile = None,
    key: Key = None,
    json: Json = False,
) -> None:
    """Write an adapter into the kit. A plain one that was never measured needs no entry.

    Example: flangeback kit add adapter --lens-mount F --body-mount E --kind reducer --factor 0.71
    """
    from flangeback.kit.adding import adapter_entry

    said = {"lens_mount": lens_mount, "body_mount": body_mount, "kind": kind, "factor": factor}
    said |= {"thickness": thickness, "key": key}
    _add(kit, "adapter", *adapter_entry(said, asking(json=json)), json=json)


def _add(kit: Path | None, kind: Kind, key: str, fields: Sequence[NewField], *, json: bool) -> None:
    """Writes an entry into the kit file, under a key like this one, and shows it."""
    from flangeback.kit.adding import add_entry
    from flangeback.kit.places import kit_file

    path = kit_file(kit)
    entry = add_entry(path, kind, key, fields)
    if json:
        print_json(report.kit_documents.added_document(path, entry))
    else:
        print(f"added to {path}:\n\n{entry}", end="")


@app.command("mounts")
def mounts(json: Json = False) -> None:
    """List the mounts by their trade designations, with registers, years and lens families.

    Example: flangeback kit mounts
    """
    from flangeback.kit.mounts import mounts as known

    if json:
        print_json(report.kit_documents.mounts_document(known()))
    else:
        report.kit.show_mounts(terminal(), known())
