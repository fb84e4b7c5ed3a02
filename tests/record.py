"""Record what the commands do, and compare two such records.

    python tests/record.py make OUT [--only demo,corpus,made]
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
import os
import re
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from importlib import import_module
from pathlib import Path

from typer import Typer

from support.record_parts import PARTS, jobs
from support.recording import REPOSITORY, Session

APP = "flangeback.cli.app", "flangeback.cli"
"""Where the commands' `app` may be, in the order of trial."""


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
