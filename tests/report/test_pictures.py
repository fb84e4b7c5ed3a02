"""The README's pictures show what the demo's outing comes to; fixtures/pictures.py makes them."""

from __future__ import annotations

import re
from pathlib import Path

from lxml import etree

from flangeback.demo import Outing
from support.commands import run

ROOT = Path(__file__).resolve().parents[2]
PICTURES = ROOT / "fixtures" / "pictures"


def test_the_terminal_s_picture_has_the_lines_that_match_prints(outing: Outing) -> None:
    picture = etree.parse(str(PICTURES / "match.svg"))
    texts = picture.xpath("//*[local-name()='text']/text()")
    shown = " ".join(" ".join(texts).split())
    printed = run("match", outing.frames).out
    for line in printed.splitlines()[:20]:
        for word in line.split():
            assert word in shown


def test_the_readme_s_pictures_are_there_and_load_nothing() -> None:
    for name in re.findall(r"\((fixtures/pictures/[^)]+)\)", (ROOT / "README.md").read_text()):
        data = (ROOT / name).read_bytes()
        assert len(data) < 300_000
        assert b"http" not in data.replace(b"http://www.w3.org/2000/svg", b"")
