"""`flangeback fill`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer
from typer import Option

import flangeback
from flangeback import report
from flangeback.cli import outings, shared
from flangeback.cli.ending import NEEDS_PERSON, UNPROVED, WRONG
from flangeback.raw_mode import RawMode, SidecarName

Into = Annotated[Path | None, Option("--into", metavar="OUT", help="The folder for the copies.")]
Raw = Annotated[
    RawMode, Option(help="Raw files: the values in an XMP sidecar, or written into the copy.")
]
Sidecar = Annotated[
    SidecarName, Option(help="New sidecars of NAME.EXT: NAME.xmp, or NAME.EXT.xmp.")
]
BreakSeal = Annotated[
    bool, Option("--break-seal", help="Write into pictures under a seal (C2PA), which breaks it.")
]
Xmp = Annotated[
    bool, Option("--xmp", help="Also state the values in an XMP packet inside each picture.")
]
SetTime = Annotated[
    bool,
    Option(
        "--set-time",
        help="Also write the true time, so that a catalogue sorts several bodies as it happened.",
    ),
]
Others = Annotated[
    bool, Option("--others", help="Also copy the files that are no frames, and prove them.")
]
TakeBack = Annotated[
    bool, Option("--take-back", help="Let this run take lens data out of copies, or change it.")
]
Beside = Annotated[
    bool,
    Option("--beside", help="Put the copies into OUT/FRAMES-NAME: one folder for each card, say."),
]


def fill(
    folders: shared.Outings,
    into: Into = None,
    log: shared.Logs = None,
    kit: shared.KitFile = None,
    over: shared.Over = False,
    raw: Raw = RawMode.SIDECAR,
    sidecar: Sidecar = SidecarName.STEM,
    break_seal: BreakSeal = False,
    xmp: Xmp = False,
    set_time: SetTime = False,
    by_log_alone: shared.ByLogAlone = False,
    others: Others = False,
    beside: Beside = False,
    take_back: TakeBack = False,
    report_file: shared.Report = None,
    json: shared.Json = False,
) -> None:
    """Copy every frame, write the lens data that is certain into the copies, prove each copy.

    Frames that can't be filled are copied as they are. The originals are only read: keep them
    until the copies are in the catalogue and backed up. Run again, it makes what is missing and
    what a better log changes.

    Example: flangeback fill 2026-05-17 --kit ~/kit.toml --into 2026-05-17-filled
    """
    from flangeback.copies import check_place

    if into is None:
        raise _no_place(folders, shared.as_given(log, kit))

    options = flangeback.FillOptions(
        raw,
        sidecar,
        break_seal=break_seal,
        xmp=xmp,
        set_time=set_time,
        others=others,
        take_back=take_back,
        over=over,
        by_log_alone=by_log_alone,
    )

    def place(outing: flangeback.OutingFolder) -> Path:
        name = outing.name or (outing.folder.resolve().name if beside else "")
        return into / name

    def work(outing: flangeback.OutingFolder) -> flangeback.Filled:
        out = place(outing)
        check_place(outing.folder, out)
        path = report_file and shared.page_of(report_file, outing, [outing.folder])
        session, page = shared.matched(
            outing, log, kit, over=over, by_log_alone=by_log_alone, quiet=json, out=out
        )
        found = page.matches
        used = replace(options, logs=session.log_files, kit=session.kit_file)
        with _counted(len(found.frames), quiet=json) as finished:
            filled = flangeback.fill(found, outing.folder, out, used, finished)
        if path:
            remarks = report.terminal.left_lines(filled.others)
            page = replace(page, matches=filled.matches, remarks=remarks)
            report.pages.write_outing_page(path, page, report.proof.proof_of(filled, out))
        return filled

    def show(outing: flangeback.OutingFolder, filled: flangeback.Filled) -> None:
        report.terminal.show_filled(shared.terminal(), filled, str(place(outing)))
        if not outing.name:
            given = [*shared.as_given(log, kit), *(["--beside"] if beside else ())]
            shared.tell_next(report.hints.after_fill(filled, outing.folder, given, into))

    for folder in folders:
        check_place(folder, into)
    found = flangeback.find_outings(folders, log)
    told, document = report.terminal.filled_line, report.documents.fill_document
    done, is_left = outings.run(found, outings.Work(work, show, told, document), folders, json=json)
    if any(one.failed for one in done):
        raise typer.Exit(UNPROVED)
    if is_left or any(one.matches.needs_person or one.others.left for one in done):
        raise typer.Exit(NEEDS_PERSON)


@contextmanager
def _counted(frames: int, *, quiet: bool) -> Iterator[Callable[[int, int], None]]:
    """How many frames are copied, shown as they are; who stops the run is told how it goes on."""
    copied = 0

    def tell(count: int, size: int) -> None:
        nonlocal copied
        copied = count
        step(count)

    try:
        with shared.progress("making copies", frames, quiet=quiet) as step:
            yield tell
    except KeyboardInterrupt:
        told = f"stopped after {copied} of {frames} frames"
        typer.echo(f"{told}; what is copied is kept, and the same command goes on", err=True)
        raise typer.Exit(WRONG) from None


def _no_place(folders: list[Path], given: list[str]) -> flangeback.InputError:
    """The fault of a run without --into, with the command as it should be."""
    out = report.hints.out_beside(folders[0])
    line = report.hints.command("fill", *folders, *given, "--into", out)
    text = "no folder for the copies is named"
    return flangeback.InputError.at("", text, f"--into, as in\n  {line}")
