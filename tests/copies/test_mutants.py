"""Camera files with their heads mangled, each through plan, copy and proof.

Whatever a mangled head comes to, it comes to something: a clean copy, or a byte-identical one with
the reason. Seeded, so that a failure can be had again.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from random import Random

from flangeback.copies import fill
from flangeback.match import Outcome
from support.examples import examples
from support.gear import all_filled
from support.plain_jpeg import SCAN, pieces
from support.readers import by_exifread, exifread_text

MUTANTS = examples(400)
LARGEST = 120_000
"""Bytes of a file; larger ones say no more and take longer."""


def head_of(data: bytes) -> int:
    """Where the scan starts; what is in front of it is mangled."""
    return next((piece.at for piece in pieces(data) if piece.marker == SCAN), len(data))


def mangled(data: bytes, random: Random) -> bytes:
    """One to five changes of the kinds that bad cards and bad software make."""
    out, end = bytearray(data), min(head_of(data), 6000)
    for _ in range(random.randint(1, 5)):
        at = random.randrange(2, end)
        match random.randrange(6):
            case 0:
                out[at] ^= 1 << random.randrange(8)
            case 1:
                out[at] = random.choice((0, 1, 4, 0x2A, 0x7F, 0x80, 0xFF))
            case 2:
                length = random.choice((2, 4, 12, 60))
                out[at : at + length] = bytes(length)
            case 3:
                out[at : at + 4] = random.randbytes(4)
            case 4:
                other = random.randrange(2, end)
                out[at : at + 12] = data[other : other + 12]
            case _:
                del out[random.randrange(at, len(out)) :]
                end = max(3, min(end, len(out) - 1))
    return bytes(out)


def test_mangled_heads_come_out_clean_refused_or_damaged(corpus: Path, tmp_path: Path) -> None:
    random = Random(20260517)
    sources = [p for p in sorted(corpus.glob("camera-*.jpg")) if p.stat().st_size < LARGEST]
    frames = tmp_path / "frames"
    frames.mkdir()
    names = [f"K7_{n:04d}.JPG" for n in range(MUTANTS)]
    for name in names:
        (frames / name).write_bytes(mangled(random.choice(sources).read_bytes(), random))
    filled = fill(all_filled(frames, names), frames, tmp_path / "out")
    counts = Counter(
        "failed" if copy.failure else str(copy.match.outcome) for copy in filled.copies
    )
    reasons = {copy.match.frame.file: copy.failure for copy in filled.failed}
    assert not reasons, f"{dict(counts)}: {reasons}"
    for copy in filled.copies:
        before = (frames / copy.match.frame.file).read_bytes()
        after = (tmp_path / "out" / copy.match.frame.file).read_bytes()
        if copy.match.outcome is Outcome.FILL:
            assert exifread_text(by_exifread(after), "FNumber") == "14/5", copy.match.frame.file
        else:
            assert copy.match.reason
            assert before == after
    assert counts["fill"] > MUTANTS // 3, dict(counts)
    assert counts["unreadable"] > MUTANTS // 20, dict(counts)
