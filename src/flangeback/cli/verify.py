"""`flangeback verify`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer
from typer import Argument, Option

import flangeback
from flangeback import report
from flangeback.cli import outings
from flangeback.cli.ending import NEEDS_PERSON, UNPROVED
from flangeback.cli.shared import Json, Report, page_of, progress, terminal

Out = Annotated[
    Path, Argument(metavar="OUT", help="A folder that `fill` made, or one above several.")
]
FramesNow = Annotated[
    Path | None, Option("--frames", metavar="FRAMES", help="The folder where the frames lie now.")
]
Mend = Annotated[
    bool, Option("--mend", help="Make copies again that are missing or broken, then verify.")
]


def verify(
    out: Out,
    frames: FramesNow = None,
    mend: Mend = False,
    report_file: Report = None,
    json: Json = False,
) -> None:
    """Prove the copies again: their bytes, their tags, and the frames they were made from.

    Example: flangeback verify 2026-05-17-filled
    """
    from flangeback.copies.manifest import filled_below, frames_of_copies
    from flangeback.copies.model import Mended

    if frames is not None and not frames.is_dir():
        expected = "the folder where the frames lie now"
        raise flangeback.InputError.at(frames, "there is no such folder", expected)

    def prove(folder: flangeback.OutingFolder) -> flangeback.Verified:
        now = frames / folder.name if frames else None
        mended = None
        if mend:
            with progress("making copies", None, quiet=json) as step:
                runs = flangeback.mend(folder.folder, now, lambda count, size: step(count))
            mended = Mended.of(runs)
        with progress("proving copies", None, quiet=json) as step:
            verified = replace(flangeback.verify(folder.folder, step, now), mended=mended)
        if report_file:
            page = report.filled_folder.page_of_copies(folder.folder, verified)
            proof = report.proof.proof_again(verified, folder.folder)
            places = [*([now] if now else ()), *frames_of_copies(folder.folder)]
            own = page_of(report_file, folder, places)
            report.pages.write_outing_page(own, page, proof)
        return verified

    def show(folder: flangeback.OutingFolder, verified: flangeback.Verified) -> None:
        report.terminal.show_verified(terminal(), verified, folder.folder)

    below = [(folder, folder.relative_to(out).as_posix()) for folder in filled_below(out)]
    folders = [flangeback.OutingFolder(at, "" if name == "." else name) for at, name in below]
    told, document = report.terminal.verified_line, report.documents.verify_document
    found, _ = outings.run(folders, outings.Work(prove, show, told, document), json=json)
    if any(one.failed for one in found):
        raise typer.Exit(UNPROVED)
    if any(one.needs_person for one in found):
        raise typer.Exit(NEEDS_PERSON)
