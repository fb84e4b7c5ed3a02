"""The parts of a record: what is done to the demo outing, real camera files, made outings."""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

from support.camera_files import BODY_SERIAL, DATE_TIME_ORIGINAL, put_frame
from support.field_outings import make
from support.outing_truth import FRAMES, TRUTH
from support.recording import REPOSITORY, Session, as_lines

SEEDS = range(5)
KINDS = "two_bodies", "second", "forgetful", "slack", "slates_cap", "registered", "native"
PARTS = "demo", "corpus", "made"
EXPLAINED = (
    "K7_0202", "K7_0205", "K7_0207", "K7_0211", "K7_0216", "K7_0220", "K7_0225", "K7_0229",
    "K7_0230", "N2_0405",
)  # fmt: skip
"""Frames of the demo outing: filled, in conflict, near a change, partial, unsure, damaged."""
PREFIXES = "camera", "broken", "heif", "raw", "avif", "jpeg", "tiff"
"""Kinds of corpus files that the corpus's log names."""

CORPUS_KIT = """\
[body.k7]
mount = "E"

[lens.miran58]
maker = "Ostrava Optik"
name = "Miran 58mm f/2"
focal = 58
widest = 2.0
narrowest = 16
mount = "M42"
serial = "6612345"

[adapter.m42-e]
lens_mount = "M42"
body_mount = "E"
"""
FAULTY_LOG = """\
date 2026-05-17
zone Europe/Nowhere
clock k7 quick 3m20s
09:12 k7 mirian58 f/2.8
9:75 k7 brask135 f/4
09:40 k7 miran58 T2.8
09:30 k7 f/8
K7_0299 k7 miran58 f/8
10:31 n2 tolvan28 f/1.4
"""
FAULTY_KITS = {
    "values": '[lens.miran58]\nmaker = "Ostrava Optik"\nname = "Miran"\nfocal = 0\nwidest = 4\n'
    'narrowest = 2\nmount = "M43"\n[body.k7]\nmoddel = "Kestrin K7"\nmount = 5\n',
    "syntax": '[lens.miran58\nname = "Miran"\n',
    "keys": '[body.k7]\nmount = "E"\n[lens.k7]\nname = "Miran"\nfocal = 58\nmount = "M42"\n',
}


def record_demo_reading(session: Session) -> None:
    """The demo outing through all commands that make no copies."""
    frames = session.folder / "demo" / "frames"
    session.run("demo", "demo", session.folder / "demo")
    session.put("demo-frames", "\n".join(session.digests(frames)) + "\n")
    session.put_copies("demo", session.folder / "demo" / "filled")
    session.both("survey", "survey", frames)
    session.run("draft", "draft", frames)
    session.run("draft-into-file", "draft", frames, "-o", session.folder / "drafted.txt")
    session.run("match-drafted", "match", frames, "--log", session.folder / "drafted.txt")
    session.both("match", "match", frames)
    session.run("match-page", "match", frames, "--report", session.folder / "match.html")
    session.put_page("match-page-words", session.folder / "match.html")
    for frame in EXPLAINED:
        session.both(f"explain-{frame}", "match", frames, "--explain", frame)
    session.run("explain-unknown", "match", frames, "--explain", "K7_9999")
    session.run("match-no-folder", "match", session.folder / "nowhere")
    record_faults(session, frames)
    record_kit(session, frames)
    record_notes(session, frames)


def record_faults(session: Session, frames: Path) -> None:
    """Logs and kits with faults, and every log of the fixtures on frames all through the day."""
    log = session.folder / "faulty.txt"
    log.write_text(FAULTY_LOG, "utf-8")
    session.both("faulty-log", "match", frames, "--log", log)
    session.run("faulty-log-fill", "fill", frames, "--log", log, "--into", session.folder / "no")
    for name, text in FAULTY_KITS.items():
        kit = session.folder / f"{name}.toml"
        kit.write_text(text, "utf-8")
        session.both(f"faulty-kit-{name}", "kit", "check", kit)
        session.run(f"faulty-kit-{name}-match", "match", frames, "--kit", kit, "--log", log)
    day = session.folder / "day"
    write_day(day)
    for fixture in sorted((REPOSITORY / "fixtures" / "logs").glob("*.txt")):
        log = Path(shutil.copy(fixture, session.folder))
        kit = frames / "kit.toml"
        session.both(f"log-{fixture.stem}", "match", day, "--log", log, "--kit", kit)


def write_day(folder: Path) -> None:
    """Write frames of both bodies into a new folder, from 9:00 to midnight at even steps."""
    bodies = ("K7", "Kestrin K7", range(201, 261)), ("N2", "Norrvik N2", range(401, 421))
    for prefix, model, numbers in bodies:
        step = timedelta(hours=15) / len(numbers)
        for place, number in enumerate(numbers):
            time = datetime(2026, 5, 17, 9, 0, 20) + place * step
            exif = {DATE_TIME_ORIGINAL: f"{time:%Y:%m:%d %H:%M:%S}"}
            if prefix == "K7":
                exif[BODY_SERIAL] = "0071133"
            put_frame(folder, f"{prefix}_{number:04}.JPG", exif, model=model)


def record_kit(session: Session, frames: Path) -> None:
    kit = frames / "kit.toml"
    session.both("kit-check", "kit", "check", kit)
    session.both("kit-fit", "kit", "fit", "--kit", kit)
    session.both("kit-fit-pair", "kit", "fit", "tolvan28", "k7", "--kit", kit)
    session.both("kit-fit-mounts", "kit", "fit", "M42", "E", "--kit", kit)
    session.both("kit-card", "kit", "card", "--kit", kit)
    session.both("kit-card-body", "kit", "card", "k7", "--kit", kit)
    page = session.folder / "card.html"
    session.run("kit-card-page", "kit", "card", "--kit", kit, "--html", page)
    session.put_page("kit-card-page-words", page)
    added = session.folder / "added.toml"
    frame = frames / "K7_0202.JPG"
    session.run("kit-add-body", "kit", "add", "body", frame, "--mount", "E", "--kit", added)
    session.put("kit-add-body-file", added.read_text("utf-8") if added.is_file() else "none")


def record_notes(session: Session, frames: Path) -> None:
    """Entries appended one after the other, some of them refused, late in the evening: an entry
    still to come is refused."""
    log = session.folder / "noted.txt"
    log.write_text("date 2026-05-17\n", "utf-8")
    notes = (
        ("09:12", "k7 miran58 f/2.8 via m42-e"),
        ("09:40", "k7 f/5.6"),
        ("09:41:30", "n2 tolvan28 open"),
        ("09:50", "k7 mirian58 f/4"),
        ("9:75", "k7 f/4"),
        ("09:30", "k7 f/4"),
        ("10:52", "k7 f/? (no idea)"),
        ("11:00", "k7 off"),
    )
    with late_evening():
        for number, (at, words) in enumerate(notes, 1):
            kit = ("--kit", frames / "kit.toml")
            session.run(f"note-{number}", "note", log, *words.split(), "--at", at, *kit)
    session.put("note-log", log.read_text("utf-8"))


@contextmanager
def late_evening() -> Iterator[None]:
    """Let local time be a quarter past eleven, whatever the hour is."""
    before = os.environ["TZ"]
    minutes = (23 * 60 + 15 - int(time.time()) // 60) % (24 * 60)
    # POSIX counts what must be added to get UTC (IEEE 1003.1, 8.3): ahead of it is negative.
    os.environ["TZ"] = f"EVE-{minutes // 60:02}:{minutes % 60:02}"
    time.tzset()
    try:
        yield
    finally:
        os.environ["TZ"] = before
        time.tzset()


def record_demo_copies(session: Session) -> None:
    """The demo outing filled in all ways, again, after changes, and verified after damage."""
    session.run("demo-for-copies", "demo", session.folder / "demo")
    frames = session.folder / "demo" / "frames"
    before = list(session.digests(frames))
    log = frames / "session.txt"
    ways = {
        "fill": (),
        "fill-xmp": ("--xmp",),
        "fill-raw-embed": ("--raw", "embed"),
        "fill-set-time": ("--set-time",),
        "fill-over": ("--over",),
        "fill-over-all": ("--over", "--xmp", "--raw", "embed", "--set-time"),
    }
    for name, options in ways.items():
        record_fill(session, name, frames, session.folder / name, *options)
    out = session.folder / "fill"
    session.both("verify", "verify", out)
    session.both("tally", "tally", out)
    session.run("tally-csv", "tally", out, "--csv")
    session.both("tally-frames", "tally", frames)
    session.both("survey-copies", "survey", out)
    page = session.folder / "fill.html"
    pages = session.folder / "fill-page"
    session.run("fill-page", "fill", frames, "--into", pages, "--report", page)
    session.put_page("fill-page-words", page)
    record_fill(session, "fill-again", frames, out)
    (out / "K7_0202.JPG").unlink()
    record_fill(session, "fill-carried-on", frames, out)
    changed = session.folder / "changed.txt"
    text = log.read_text("utf-8")
    changed.write_text(text.replace("09:26   k7 f/5.6", "09:26   k7 f/4"), "utf-8")
    record_fill(session, "fill-changed-log", frames, out, "--log", changed)
    session.run("fill-into-frames", "fill", frames, "--into", frames / "out")
    session.run("fill-into-own-folder", "fill", frames, "--into", frames)
    (out / "K7_0203.JPG").unlink()
    damaged = out / "K7_0204.JPG"
    damaged.write_bytes(damaged.read_bytes()[:-100])
    (out / "stray.txt").write_text("stray", "utf-8")
    session.both("verify-damaged", "verify", out)
    record_fill(session, "fill-damaged", frames, out)
    same = list(session.digests(frames)) == before
    session.put("frames-after", f"frames as before: {same}\n")


def record_fill(session: Session, name: str, frames: Path, out: Path, *options: str | Path) -> None:
    """A fill for its JSON and its copies; where the folder is new, also for its text elsewhere."""
    if not out.exists():
        text = session.folder / f"{name}-text"
        session.run(name, "fill", frames, "--into", text, *options)
    session.run(f"{name}-json", "fill", frames, "--into", out, *options, "--json")
    session.put_copies(name, out)


def record_corpus(session: Session, options: Sequence[str]) -> None:
    """Real camera files, filled by a log that names them all."""
    assert session.corpus is not None
    files = [path for path in sorted(session.corpus.rglob("*.*")) if path.is_file()]
    before = [(path, path.stat().st_mtime_ns) for path in files]
    kit = session.folder / "kit.toml"
    kit.write_text(CORPUS_KIT, "utf-8")
    log = session.folder / "session.txt"
    log.write_text("".join(corpus_entries(path.stem for path in files)), "utf-8")
    by = "--log", log, "--kit", kit
    name = "-".join(["fill", *(option.strip("-") for option in options)])
    if not options:
        session.both("survey", "survey", session.corpus)
        session.run("draft", "draft", session.corpus)
        session.both("match", "match", session.corpus, *by)
    out = session.folder / name
    session.run(f"{name}-json", "fill", session.corpus, "--into", out, *by, *options, "--json")
    session.put_copies(name, out)
    session.both(f"{name}-verify", "verify", out)
    session.both(f"{name}-tally", "tally", out)
    same = before == [(path, path.stat().st_mtime_ns) for path in files]
    session.put(f"{name}-frames-after", f"frames as before: {same}\n")


def corpus_entries(stems: Iterable[str]) -> Iterator[str]:
    """For each kind of file an entry from the first to the last name."""
    names = sorted(stems)
    for prefix in PREFIXES:
        some = [name for name in names if re.fullmatch(rf"{prefix}-\d+", name)]
        if some:
            yield f"{some[0]}..{some[-1]} k7 miran58 f/2.8\n"


def record_outing(session: Session, kind: str, seed: int) -> None:
    """One made outing, and the truth of it."""
    outing = session.folder / "outing"
    outing.mkdir()
    truth = make(kind, seed, outing)
    frames, out = outing / FRAMES, session.folder / "filled"
    session.put("truth", as_lines((outing / TRUTH).read_text("utf-8")))
    session.put("frames", "\n".join(session.digests(frames)) + "\n")
    session.both("survey", "survey", frames)
    session.run("draft", "draft", frames)
    session.both("match", "match", frames)
    explained = truth.frames[len(truth.frames) // 3].file
    session.run("explain", "match", frames, "--explain", Path(explained).stem)
    session.run("fill-json", "fill", frames, "--into", out, "--json")
    session.put_copies("fill", out)
    session.both("verify", "verify", out)
    session.both("tally", "tally", out)


def jobs(parts: Iterable[str]) -> dict[str, Callable[[Session], None]]:
    """What is recorded, by the folder of the record that it goes to."""
    found: dict[str, Callable[[Session], None]] = {}
    for part in parts:
        if part == "demo":
            found |= {"demo/reading": record_demo_reading, "demo/copies": record_demo_copies}
        elif part == "corpus":
            all_ways = "--over", "--raw", "embed", "--xmp"
            ways: tuple[tuple[str, ...], ...] = ((), ("--over",), all_ways)
            for number, options in enumerate(ways, 1):
                found[f"corpus/{number}"] = partial(record_corpus, options=options)
        else:
            for kind in KINDS:
                for seed in SEEDS:
                    outing = partial(record_outing, kind=kind, seed=seed)
                    found[f"made/{kind}-{seed}"] = outing
    return found
