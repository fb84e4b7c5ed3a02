"""What a run notes of its match: taken up from a whole manifest on the same files, else weighed."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from flangeback.copies.manifest import Manifest, ManifestWriter, noted_in
from flangeback.demo.outing import Outing
from flangeback.frames import Frame
from flangeback.match import brightness
from support.commands import run

MANIFEST = "flangeback-manifest.jsonl"


@pytest.fixture
def frames(tmp_path: Path, outing: Outing) -> Path:
    shutil.copytree(outing.frames, tmp_path / "frames")
    return tmp_path / "frames"


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "out"


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The files whose picture was read."""
    found: list[str] = []
    plain = brightness.preview_of

    def noting(frame: Frame) -> bytes | None:
        found.append(frame.file)
        return plain(frame)

    monkeypatch.setattr(brightness, "preview_of", noting)
    return found


def filled(frames: Path, out: Path) -> Any:
    """What the command says as JSON, but for what it says of its own copies."""
    found = run("fill", frames, "--into", out, "--json")
    document = json.loads(found.out)
    own = {"action", "copies", "copy", "resumed", "verified"}
    for frame in document["frames"]:
        assert frame["verified"]
        for name in own & frame.keys():
            del frame[name]
    return found.code, document


def test_a_run_over_finished_copies_reads_no_picture_and_says_the_same(
    frames: Path, out: Path, read: list[str]
) -> None:
    first = filled(frames, out)
    assert read
    read.clear()
    assert filled(frames, out) == first
    assert filled(frames, out) == first
    assert not read


def _touch(frames: Path, _: Path) -> None:
    file = next(frames.glob("*.JPG"))
    status = file.stat()
    # Windows counts times in steps of 100 ns.
    os.utime(file, ns=(status.st_atime_ns, status.st_mtime_ns + 100))


def _lose(frames: Path, _: Path) -> None:
    next(frames.glob("*.JPG")).unlink()


def _write_log(frames: Path, _: Path) -> None:
    with (frames / "session.txt").open("a") as log:
        log.write("# a remark\n")


def _change_line(_: Path, out: Path) -> None:
    manifest = out / MANIFEST
    manifest.write_bytes(manifest.read_bytes().replace(b'"frames": "', b'"frames":  "', 1))


def _cut(_: Path, out: Path) -> None:
    manifest = out / MANIFEST
    manifest.write_bytes(manifest.read_bytes()[:-1])


@pytest.mark.parametrize("change", [_touch, _lose, _write_log, _change_line, _cut])
def test_pictures_are_read_again_where_anything_changed(
    frames: Path, out: Path, read: list[str], change: Callable[[Path, Path], None]
) -> None:
    filled(frames, out)
    read.clear()
    change(frames, out)
    run("fill", frames, "--into", out)
    assert read


def test_a_note_that_would_make_too_long_a_line_is_left_out(out: Path) -> None:
    out.mkdir()
    for match, noted in (({"state": "x" * (1 << 20)}, None), ({"state": "x"}, {"state": "x"})):
        with Manifest(out) as manifest:
            writer = ManifestWriter(out, manifest)
        writer.seal(match)
        writer.close()
        assert noted_in(out) == noted
        assert not Manifest(out).faults


@pytest.mark.parametrize("content", [b"", b"\n", b"[]\n", b"{}\n", b'{"seal": 1, "match": 2}\n'])
def test_what_is_no_manifest_has_no_note(out: Path, content: bytes) -> None:
    assert noted_in(out) is None
    out.mkdir()
    assert noted_in(out) is None
    (out / MANIFEST).write_bytes(content)
    assert noted_in(out) is None
