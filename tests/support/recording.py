"""A working folder in which commands are run, and the text of all that they did."""

from __future__ import annotations

import hashlib
import json
import re
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from typer import Typer
from typer.testing import CliRunner

REPOSITORY = Path(__file__).resolve().parents[2]
MANIFEST = "flangeback-manifest.jsonl"


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
