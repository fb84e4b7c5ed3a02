"""What an earlier run finished isn't made again, whether a file could take its values or not; and
it is made again when something else is asked for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from flangeback.copies import Filled, FillOptions, fill
from flangeback.copies.model import Action
from flangeback.frames import scan
from flangeback.match import FrameMatch, Matches, Outcome
from flangeback.tags import Fill
from support.gear import AT_2_8, AT_5_6
from support.plain_jpeg import small_block, with_block
from support.tiff_blocks import GREATEST

FULL = with_block(small_block().ljust(GREATEST, b"x"))
SAYS_NOTHING_OF_OURS = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
    b'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description rdf:about=""/></rdf:RDF></x:xmpmeta>'
)


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    folder = tmp_path / "frames"
    folder.mkdir()
    (folder / "K7_0001.JPG").write_bytes(with_block(small_block()))
    (folder / "K7_0001.JPG.xmp").write_bytes(SAYS_NOTHING_OF_OURS)
    (folder / "K7_0002.JPG").write_bytes(FULL)
    return folder


def run(frames: Path, values: Fill, **more: Any) -> Filled:
    matches = Matches(tuple(FrameMatch(frame, Outcome.FILL, fill=values) for frame in scan(frames)))
    return fill(matches, frames, frames.parent / "out", FillOptions(**more))


def inodes(frames: Path) -> dict[str, int]:
    return {path.name: path.stat().st_ino for path in (frames.parent / "out").glob("*.*p*")}


def test_a_sidecar_with_nothing_to_change_and_a_full_frame_are_made_once(frames: Path) -> None:
    first = run(frames, AT_2_8)
    assert [copy.match.outcome for copy in first.copies] == [Outcome.FILL, Outcome.FILL]
    made = inodes(frames)
    second = run(frames, AT_2_8)
    assert all(copy.resumed for copy in second.copies)
    anew = [replace(copy, resumed=False, action=Action.MAKE) for copy in second.copies]
    assert anew == list(first.copies)
    assert inodes(frames) == made


def test_other_values_and_a_packet_are_tried_anew(frames: Path) -> None:
    run(frames, AT_2_8)
    assert not any(copy.resumed for copy in run(frames, AT_5_6, take_back=True).copies)
    asked = run(frames, AT_5_6, xmp=True)
    assert not any(copy.resumed for copy in asked.copies)
    assert [copy.match.outcome for copy in asked.copies] == [Outcome.FILL, Outcome.FILL]
