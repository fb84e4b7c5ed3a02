"""What becomes of real files, container by container, and whether a second reader sees harm.

    python tests/fuzz/containers.py [FOLDER...]

Fills each file of the folders (the corpus and its `more`, unless named) three ways: as `fill` does
it without an option, with `--over`, and whatever it says with `--raw embed --xmp`. Prints the
table of the last one, the outcomes of the others, and whatever a reader finds harmed.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import flangeback
from flangeback.copies.plan import FillOptions
from flangeback.frames import Frame
from flangeback.match import FrameMatch, Matches, Outcome
from flangeback.raw_mode import RawMode
from support.gear import filled
from support.kits import MIRAN58
from support.second_readers import harm

KIT = """[body.any]
mount = "E"
sensor = [35.9, 23.9]
"""
TITLES = {
    "jpeg": "JPEG",
    "tiff": "TIFF",
    "big-tiff": "BigTIFF",
    "raw-tiff": "DNG and raw built like TIFF",
    "heif": "HEIF and AVIF",
    "png": "PNG",
    "webp": "WebP",
    "jpeg-xl": "JPEG XL",
    "raw-boxes": "CR3-type raw",
}
OTHERS = "RAF-, MRW-, X3F-, CRW-type raw"


def corpus() -> list[Path]:
    beside = Path(__file__).resolve().parents[3] / "shared" / "corpus"
    folder = Path(os.environ.get("FLANGEBACK_CORPUS") or beside)
    return [folder, folder / "more"]


def main() -> int:
    folders = [Path(name) for name in sys.argv[1:]] or corpus()
    with tempfile.TemporaryDirectory(dir=os.environ.get("TMPDIR")) as place:
        frames = Path(place) / "frames"
        frames.mkdir()
        for folder in folders:
            for path in sorted(folder.iterdir()):
                if path.is_file() and path.suffix not in (".json", ".md"):
                    shutil.copy(path, frames / path.name)
        (frames / "session.txt").write_text("all miran58 f/2.8\n", "utf-8")
        (frames / "kit.toml").write_text(KIT + MIRAN58, "utf-8")
        return report(frames, Path(place))


def report(frames: Path, place: Path) -> int:
    session = flangeback.read_session(frames)
    harmed = 0
    for title, options in (
        ("default", FillOptions()),
        ("over", FillOptions(over=True)),
        ("embedded, whatever it says", FillOptions(RawMode.EMBED, xmp=True)),
    ):
        matches = flangeback.match_frames(
            session.frames, session.logs, session.kit, over=options.over
        )
        if options.xmp:
            files = [file for frame in session.frames for file in frame.files]
            matches = Matches(tuple(filled(file) for file in files))
        out = place / title.split(",")[0]
        done = flangeback.fill(matches, frames, out, options)
        print(f"\n== {title}:", dict(Counter(str(one.match.outcome) for one in done.copies)))
        failed = [f"{c.match.frame.file}: {c.failure}" for c in done.copies if c.failure]
        print("failed proofs:", failed)
        for line in harms(frames, out, [one.match for one in done.copies]):
            harmed += 1
            print("  harmed", line)
        if options.xmp:
            print(table(frames, out, [one.match for one in done.copies]))
    return 1 if harmed else 0


def harms(frames: Path, out: Path, matches: Sequence[FrameMatch]) -> Iterator[str]:
    for match in matches:
        for file in match.frame.files:
            source, copy = frames / file.file, out / file.file
            if not copy.is_file():
                yield f"{file.file}: no copy"
            elif source.read_bytes() != copy.read_bytes():
                yield from (f"{file.file}: {what}" for what in harm(source, copy, file.format.code))


def table(frames: Path, out: Path, matches: Sequence[FrameMatch]) -> str:
    """The table of tests/CONTAINERS.md."""
    rows: dict[str, list[tuple[str, str]]] = {}
    for match in matches:
        fate = fate_of(frames, out, match)
        rows.setdefault(row_of(match.frame), []).append(fate)
    lines = ["| container | files | clean | by sidecar, with which reason | left as it was |"]
    lines.append("| --- | --- | --- | --- | --- |")
    for name in sorted(rows):
        ends = Counter(end for end, _ in rows[name])
        cells = [name, str(len(rows[name])), str(ends["clean"])]
        for end in ("sidecar", "left"):
            why = Counter(re.sub(r"\d+", "N", why) for e, why in rows[name] if e == end)
            told = ", ".join(f"{w} {n}" for w, n in why.most_common())
            cells.append(f"{ends[end]}: {told}" if told else "")
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def row_of(frame: Frame) -> str:
    if frame.file.startswith("broken"):
        return "JPEG, broken"
    return TITLES.get(frame.format.code, OTHERS)


def fate_of(frames: Path, out: Path, match: FrameMatch) -> tuple[str, str]:
    file = match.frame.file
    if (frames / file).read_bytes() != (out / file).read_bytes():
        return "clean", ""
    reason = (match.reason or "").removeprefix("a sidecar takes the values: ")
    is_left = match.outcome is Outcome.UNREADABLE
    return ("left" if is_left else "sidecar"), f"{reason} [{file}]"


if __name__ == "__main__":
    raise SystemExit(main())
