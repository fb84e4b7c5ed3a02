"""Record what the commands do, and compare two such records.

    python tests/record.py make OUT [--only demo,corpus,simulated]
    python tests/record.py compare OLD NEW [--ignore REGEX] [--limit LINES]

A record is a folder of text files: what each command printed, how it ended, and the digests of all
that it wrote. It is made through the command line alone, so that records from before and after a
rebuild can be held against each other. JSON is written out with one value a line, each with the
path that leads to it. Temporary folders, the present time and the version are replaced by names.
Real camera files are read from FLANGEBACK_CORPUS; without them that part is left out, and said.
"""

from __future__ import annotations

import argparse
import difflib
import hashlib
import json
import os
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from html.parser import HTMLParser
from importlib import import_module
from pathlib import Path
from typing import Any

from typer import Typer
from typer.testing import CliRunner

from support.outings import KINDS, truth_as_json, write_day, write_outing

REPOSITORY = Path(__file__).resolve().parents[1]
APP = "flangeback.cli.app", "flangeback.cli"
"""Where the commands' `app` may be, in the order of trial."""
MANIFEST = "flangeback-manifest.jsonl"
SEEDS = range(5)
PARTS = "demo", "corpus", "simulated"
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


@dataclass
class Session:
    """One working folder, and what was recorded in it, by entry name in the order it was done."""

    folder: Path
    app: Typer
    corpus: Path | None
    began: float = field(default_factory=time.time)
    entries: dict[str, str] = field(default_factory=dict)

    def run(self, name: str, *words: str | Path) -> None:
        """Run a command and record its exit code, stdout and stderr."""
        arguments = [str(word) for word in words]
        done = CliRunner().invoke(self.app, arguments)
        end = f"exit {done.exit_code}"
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            end = f"raised {type(done.exception).__name__}: {done.exception}"
        printed = as_lines(done.stdout) if "--json" in arguments else done.stdout
        if arguments[0] == "verify":
            # Several threads verify, so the order of the copies has no meaning.
            printed = "".join(sorted(printed.splitlines(keepends=True)))
        text = f"$ flangeback {' '.join(arguments)}\n{end}\n{printed}"
        if done.stderr:
            text += f"--- stderr\n{done.stderr}"
        self.put(name, text)

    def both(self, name: str, *words: str | Path) -> None:
        """Run a command for its text and for its JSON."""
        self.run(name, *words)
        self.run(f"{name}-json", *words, "--json")

    def put(self, name: str, text: str) -> None:
        assert name not in self.entries, name
        self.entries[name] = self.normal(text)

    def put_copies(self, name: str, out: Path) -> None:
        """Record the digests of all that stands in an output folder, and its manifest."""
        self.put(f"{name}-copies", "\n".join(self.digests(out)) + "\n")
        manifest = out / MANIFEST
        lines = manifest.read_text("utf-8").splitlines() if manifest.is_file() else ["none"]
        self.put(f"{name}-manifest", manifest_as_lines(lines))

    def put_page(self, name: str, page: Path) -> None:
        """Record the words of an HTML page."""
        words = PageWords()
        words.feed(page.read_text("utf-8") if page.is_file() else "none")
        self.put(name, "\n".join(words.found) + "\n")

    def digests(self, folder: Path) -> Iterator[str]:
        """SHA-256, mode, time of change and name of every file but the manifest."""
        for path in sorted(path for path in folder.rglob("*") if path.name != MANIFEST):
            if path.is_file():
                state = path.stat()
                digest = hashlib.sha256(path.read_bytes()).hexdigest()
                file = path.relative_to(folder).as_posix()
                yield f"{digest} {state.st_mode:o} {state.st_mtime_ns} {file}"

    def normal(self, text: str) -> str:
        """The text without what differs from one run to the next."""
        text = text.replace(str(self.folder), "$DIR").replace(str(REPOSITORY), "$REPOSITORY")
        if self.corpus is not None:
            text = text.replace(str(self.corpus), "$CORPUS")
        for days in (-1, 0, 1):
            day = time.strftime("%Y-%m-%d", time.gmtime(self.began + days * 86_400))
            text = re.sub(rf"{day}(?:[T ]\d\d:\d\d[\d:.]*(?:Z|[+-]\d\d:?\d\d)?)?", "$NOW", text)
        text = re.sub(r"\b\d{19}\b", self._in_ns, text)
        return re.sub(r'(version"?[:=]? *"?|flangeback )\d+\.\d+\.\d+[\w.+]*', r"\1$VERSION", text)

    def _in_ns(self, found: re.Match[str]) -> str:
        """A number of nanoseconds since 1970 from this session is the present."""
        # Clocks of file systems are coarse: they may lag by some milliseconds.
        return "$NOW" if int(found[0]) > (self.began - 1) * 1e9 else found[0]


class PageWords(HTMLParser):
    """The text of a page, a line for each piece, without styles and scripts."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._passed_over = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._passed_over += tag in ("style", "script")

    def handle_endtag(self, tag: str) -> None:
        self._passed_over -= tag in ("style", "script")

    def handle_data(self, data: str) -> None:
        if data.strip() and not self._passed_over:
            self.found.append(" ".join(data.split()))


def as_lines(text: str) -> str:
    """A JSON document with one value a line; other text as it is."""
    try:
        return "".join(f"{line}\n" for line in flat(json.loads(text), ""))
    except ValueError:
        return f"not JSON:\n{text}"


def flat(value: Any, path: str) -> Iterator[str]:
    """`path: value` for every value; an item of a list is named by its file or copy, if it has
    one."""
    if isinstance(value, dict) and value:
        for key in sorted(value):
            yield from flat(value[key], f"{path}.{key}" if path else key)
    elif isinstance(value, list) and any(isinstance(item, dict) for item in value):
        for at, item in enumerate(value):
            name = item.get("file", item.get("copy", at)) if isinstance(item, dict) else at
            yield from flat(item, f"{path}[{name}]")
    else:
        yield f"{path}: {json.dumps(value, ensure_ascii=False)}"


def manifest_as_lines(lines: Sequence[str]) -> str:
    """A manifest's records by file: several threads write them, so their order has no meaning."""
    records = []
    for line in lines:
        try:
            record = json.loads(line)
        except ValueError:
            record = {"not JSON": line}
        records.append((str(record.get("file", "")), record))
    records.sort(key=lambda one: one[0])
    return "".join(f"{line}\n" for file, record in records for line in flat(record, f"[{file}]"))


# The parts ---------------------------------------------------------------------------------------


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
    """One simulated outing, and the truth of it."""
    frames = session.folder / "frames"
    truth = write_outing(frames, kind, seed)
    out = session.folder / "filled"
    session.put("truth", as_lines(truth_as_json(truth)))
    session.put("frames", "\n".join(session.digests(frames)) + "\n")
    session.both("survey", "survey", frames)
    session.run("draft", "draft", frames)
    session.both("match", "match", frames)
    explained = sorted(truth)[len(truth) // 3]
    session.run("explain", "match", frames, "--explain", Path(explained).stem)
    session.run("fill-json", "fill", frames, "--into", out, "--json")
    session.put_copies("fill", out)
    session.both("verify", "verify", out)
    session.both("tally", "tally", out)


# Making and comparing ----------------------------------------------------------------------------


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
                    found[f"simulated/{kind}-{seed}"] = outing
    return found


def do_job(name: str, part: str, out: Path, corpus: Path | None) -> int:
    """Make one folder of the record, in a working folder whose path is always equally long, since
    text is wrapped. Gives the number of entries."""
    with tempfile.TemporaryDirectory(prefix="record") as place:
        folder = Path(place).resolve()
        os.environ["HOME"] = os.environ["XDG_CONFIG_HOME"] = str(folder / "home")
        os.chdir(folder)
        session = Session(folder, find_app(), corpus)
        try:
            jobs([part])[name](session)
        finally:
            os.chdir("/")
        target = out / name
        target.mkdir(parents=True)
        for entry, text in session.entries.items():
            (target / f"{entry}.txt").write_text(text, "utf-8")
        return len(session.entries)


def find_app() -> Typer:
    for module in APP:
        try:
            app = getattr(import_module(module), "app", None)
        except ModuleNotFoundError:
            continue
        if isinstance(app, Typer):
            return app
    raise SystemExit(f"no typer app called `app` in any of {', '.join(APP)}")


def corpus_folder() -> Path | None:
    """FLANGEBACK_CORPUS, else `shared/corpus` beside the repository; None without camera files."""
    beside = REPOSITORY.parent / "shared" / "corpus"
    folder = Path(os.environ.get("FLANGEBACK_CORPUS") or beside).resolve()
    return folder if any(folder.glob("camera-*.jpg")) else None


def make(out: Path, parts: Sequence[str]) -> None:
    """Make a record in a new folder."""
    if out.exists():
        raise SystemExit(f"{out} exists already: name a new folder, or remove it")
    corpus = corpus_folder()
    if "corpus" in parts and corpus is None:
        print("no real camera files: the corpus is left out; FLANGEBACK_CORPUS names their folder")
        parts = [part for part in parts if part != "corpus"]
    os.environ |= {"COLUMNS": "80", "LINES": "24", "TERM": "dumb", "TZ": "UTC", "LC_ALL": "C.UTF-8"}
    time.tzset()
    began = time.monotonic()
    with ProcessPoolExecutor() as pool:
        running = [
            pool.submit(do_job, name, part, out.resolve(), corpus)
            for part in parts
            for name in jobs([part])
        ]
        count = sum(job.result() for job in running)
    print(f"{count} entries in {out}, made in {time.monotonic() - began:.0f} s")


def compare(old: Path, new: Path, ignored: str | None, limit: int) -> bool:
    """Print what differs between two records; whether they are the same.

    Lines in which the pattern `ignored` is found don't count. Of each entry's difference at most
    `limit` lines are printed; 0 means all.
    """
    before, after = read_record(old, ignored), read_record(new, ignored)
    differing = []
    for name in sorted(before.keys() | after.keys()):
        lines, others = before.get(name), after.get(name)
        if lines == others:
            continue
        differing.append(name)
        found = list(
            difflib.unified_diff(
                lines or [], others or [], f"{old}/{name}", f"{new}/{name}", n=1, lineterm=""
            )
        )
        shown = found if limit == 0 else found[:limit]
        print("\n".join(shown))
        if len(found) > len(shown):
            print(f"... {len(found) - len(shown)} more lines")
    total = len(before.keys() | after.keys())
    print(f"{total} entries: {total - len(differing)} the same, {len(differing)} differ")
    for name in differing:
        missing = "only in the new" if name not in before else "only in the old"
        print(f"  {name}{'' if name in before and name in after else f': {missing} record'}")
    return not differing


def read_record(folder: Path, ignored: str | None) -> dict[str, list[str]]:
    """The lines of each entry. Raises SystemExit where there is no record."""
    found = {}
    for path in sorted(folder.rglob("*.txt")):
        lines = path.read_text("utf-8").splitlines()
        if ignored is not None:
            lines = [line for line in lines if not re.search(ignored, line)]
        found[path.relative_to(folder).as_posix()] = lines
    if not found:
        raise SystemExit(f"{folder} has no record")
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description="Record what the commands do; compare records.")
    commands = parser.add_subparsers(dest="command", required=True)
    making = commands.add_parser("make", help="make a record")
    making.add_argument("out", type=Path, help="a new folder for it")
    making.add_argument("--only", default=",".join(PARTS), help="parts, with commas between them")
    comparing = commands.add_parser("compare", help="print what differs between two records")
    comparing.add_argument("old", type=Path)
    comparing.add_argument("new", type=Path)
    comparing.add_argument("--ignore", metavar="REGEX", help="lines that don't count")
    comparing.add_argument("--limit", type=int, default=60, help="lines an entry; 0 means all")
    given = parser.parse_args()
    if given.command == "compare":
        same = compare(given.old, given.new, given.ignore, given.limit)
        sys.exit(0 if same else 1)
    parts = given.only.split(",")
    if unknown := set(parts) - set(PARTS):
        parser.error(f"unknown parts: {', '.join(sorted(unknown))}; there are {', '.join(PARTS)}")
    make(given.out, parts)


if __name__ == "__main__":
    main()
