"""XMP sidecars: made for raw files, merged where one lies beside them, never overwritten.

Packets are ISO 16684-1, the properties CIPA DC-010's. Read back by the Exiv2 library and by the
standard library's XML reader; made up for the property test by lxml.
"""

from __future__ import annotations

import io
import re
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from flangeback.copies import FillOptions, FrameCopy, fill, verify
from flangeback.formats.xmp import merged, new_packet
from flangeback.frames import scan
from flangeback.match import Matches, Outcome
from flangeback.raw_mode import RawMode, SidecarName
from flangeback.tags import Fill, decide
from support.camera_files import frame_bytes
from support.examples import examples
from support.gear import AT_2_8, IN_EXIF, MIRAN, all_filled, filled
from support.plain_jpeg import APP1, XMP, segment, with_segments
from support.raw_files import plain_raw
from support.readers import by_exiv2, xmp_by_exiv2

VALUES = decide(AT_2_8)
RAW = plain_raw().data
EXIF_NS = "http://ns.adobe.com/exif/1.0/"
EXIF_EX_NS = "http://cipa.jp/exif/1.0/"
AUX_NS = "http://ns.adobe.com/exif/1.0/aux/"
SHORT = {EXIF_NS: "exif", EXIF_EX_NS: "exifEX", AUX_NS: "aux"}
RDF_NS = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
NAMES = (
    f'xmlns:rdf="{RDF_NS}" xmlns:exif="{EXIF_NS}" xmlns:exifEX="{EXIF_EX_NS}" '
    f'xmlns:aux="{AUX_NS}" xmlns:xmp="http://ns.adobe.com/xap/1.0/" '
    'xmlns:q="http://example.invalid/quay/1.0/"'
)
STATED = {
    "Xmp.exif.FNumber": "28/10",
    "Xmp.exif.ApertureValue": "29709/10000",
    "Xmp.exif.MaxApertureValue": "2/1",
    "Xmp.exif.FocalLength": "58/1",
    "Xmp.exif.FocalLengthIn35mmFilm": "58",
    "Xmp.exifEX.LensSpecification": ["58/1", "58/1", "2/1", "2/1"],
    "Xmp.exifEX.LensMake": "Ostrava Optik",
    "Xmp.exifEX.LensModel": "Miran 58mm f/2",
    "Xmp.exifEX.LensSerialNumber": "6612345",
    "Xmp.aux.Lens": "Miran 58mm f/2",
}
"""What a sidecar of the fill says, by Exiv2's names; numbers as in the Exif tags."""


def packet(inner: str, head: str = "", tail: str = "", attributes: str = "") -> str:
    return (
        f'{head}<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF {NAMES}>'
        f'<rdf:Description rdf:about="" {attributes}>{inner}</rdf:Description>'
        f"</rdf:RDF></x:xmpmeta>{tail}"
    )


FOREIGN = '<q:berth>12 &amp; 13</q:berth><!-- of the day --><q:tide q:at="low"/>'


def run(
    folder: Path, files: dict[str, bytes], fill_with: Fill = AT_2_8, **more: object
) -> dict[str, FrameCopy]:
    """The frames of a folder, scanned and filled; all copies proved, twice."""
    frames = folder / "frames"
    for name, data in files.items():
        (frames / name).parent.mkdir(parents=True, exist_ok=True)
        (frames / name).write_bytes(data)
    matches = Matches(tuple(filled(frame, fill_with) for frame in scan(frames)))
    return copied(folder, matches, **more)


def copied(folder: Path, matches: Matches, **more: object) -> dict[str, FrameCopy]:
    frames, out = folder / "frames", folder / "out"
    before = {p: p.read_bytes() for p in frames.rglob("*") if p.is_file()}
    found = fill(matches, frames, out, FillOptions(**more))  # type: ignore[arg-type]
    assert not [copy.failure for copy in found.failed]
    assert not verify(out).failed
    assert not verify(out).strangers
    assert {p: p.read_bytes() for p in frames.rglob("*") if p.is_file()} == before
    return {copy.match.frame.file: copy for copy in found.copies}


def stated(text: bytes) -> dict[str, object]:
    found = xmp_by_exiv2(text)
    return {name: found.get(name) for name in STATED}


def test_a_raw_file_gets_a_sidecar_by_default(tmp_path: Path) -> None:
    copies = run(tmp_path, {"card/K7_0001.DNG": RAW})
    copy = copies["card/K7_0001.DNG"]
    assert copy.match.outcome is Outcome.FILL
    assert copy.copies == ("card/K7_0001.DNG", "card/K7_0001.xmp")
    assert (tmp_path / "out/card/K7_0001.DNG").read_bytes() == RAW
    sidecar = tmp_path / "out/card/K7_0001.xmp"
    assert stated(sidecar.read_bytes()) == STATED
    pyexiv2 = pytest.importorskip("pyexiv2")
    with pyexiv2.Image(str(sidecar)) as image:
        assert image.read_xmp()["Xmp.aux.Lens"] == "Miran 58mm f/2"


ATTRIBUTES = 'exif:FNumber="0/0" exif:FocalLength="50/1" aux:Lens="----" xmp:Rating="4"'
ELEMENTS = (
    "<exif:FNumber>0/0</exif:FNumber><aux:Lens>----</aux:Lens><exifEX:LensSpecification>"
    "<rdf:Seq><rdf:li>0/0</rdf:li><rdf:li>0/0</rdf:li></rdf:Seq></exifEX:LensSpecification>"
    "<xmp:Rating>4</xmp:Rating>"
)
SEVERAL = (
    '</rdf:Description><rdf:Description rdf:about="" exif:FNumber="4/1"><q:wharf>3</q:wharf>'
    '</rdf:Description><!-- last --><rdf:Description rdf:about="" aux:Lens="" xmp:Rating="4">'
)
WRAPPED = ('<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n', '\n  <?xpacket end="w"?>')


@pytest.mark.parametrize(
    "old",
    [
        packet(FOREIGN, attributes=ATTRIBUTES),
        packet(FOREIGN + ELEMENTS),
        packet(FOREIGN + SEVERAL),
        packet(FOREIGN, *WRAPPED, attributes=ATTRIBUTES),
        packet(FOREIGN, "\ufeff" + WRAPPED[0], WRAPPED[1], attributes=ATTRIBUTES),
        packet(FOREIGN, '<?xml version="1.0" encoding="UTF-8"?>\n', "\n", attributes=ATTRIBUTES),
        packet(FOREIGN, "<!-- <before> -->", "<!-- after -->", attributes=ATTRIBUTES),
        packet(FOREIGN + "\n<q:a>\n 1</q:a>\n" + ELEMENTS).replace("\n", "\r\n"),
        packet(FOREIGN + "<q:c><![CDATA[a < b]]></q:c>", attributes=ATTRIBUTES),
        packet(FOREIGN + '<q:e q:n="&#xe9;&#10;x">&#xe9;&#13;</q:e>', attributes=ATTRIBUTES),
        packet(FOREIGN, attributes=ATTRIBUTES)
        .replace('<x:xmpmeta xmlns:x="adobe:ns:meta/">', "")
        .replace("</x:xmpmeta>", ""),
    ],
    ids=[
        "attributes", "elements", "several", "wrapper", "byte order mark", "xml declaration",
        "comments around", "CRLF", "CDATA", "character references", "rdf alone",
    ],
)  # fmt: skip
def test_a_sidecar_is_merged_and_keeps_all_else(tmp_path: Path, old: str) -> None:
    run(tmp_path, {"K7_0001.DNG": RAW, "K7_0001.xmp": old.encode()})
    new = (tmp_path / "out/K7_0001.xmp").read_bytes()
    assert dict(said(new)).items() >= SAID.items()
    if by_exiv2_readable(old.encode()):
        assert stated(new) == STATED
    assert foreign(new) == foreign(old.encode())
    assert new.count(b"<!--") == old.count("<!--")
    # What stands around the root is the same, to the byte.
    for mark in ("<?xpacket", "<?xml", "<!-- <before> -->"):
        if old.lstrip("\ufeff").startswith(mark):
            lead = old[: old.index("<x:xmpmeta")].encode()
            assert new.startswith(lead)
            assert new.endswith(old.rpartition("xmpmeta>")[2].encode())


OURS = frozenset(
    [f"{{{EXIF_NS}}}{tag}" for tag in IN_EXIF]
    + [f"{{{EXIF_EX_NS}}}{tag}" for tag in IN_EXIF]
    + [f"{{{AUX_NS}}}{tag}" for tag in ("Lens", "LensInfo", "LensSerialNumber")]
)


def rdf_of(text: bytes) -> ElementTree.Element:
    """The packet's rdf:RDF, comments and all."""
    builder = ElementTree.TreeBuilder(insert_comments=True)
    parser = ElementTree.XMLParser(target=builder)
    root = ElementTree.fromstring(text.removeprefix(b"\xef\xbb\xbf"), parser)
    found = root if root.tag == f"{{{RDF_NS}}}RDF" else root.find(f"{{{RDF_NS}}}RDF")
    assert found is not None
    return found


def said(text: bytes) -> Iterator[tuple[str, str]]:
    """Our properties as a packet of any form states them."""
    for described in rdf_of(text):
        yield from ((name, value) for name, value in described.attrib.items() if name in OURS)
        for child in described:
            if child.tag in OURS:
                items = [(li.text or "").strip() for li in child.iter() if li is not child]
                yield str(child.tag), " ".join(t for t in items if t) or (child.text or "")


SAID = {
    name: " ".join(value) if isinstance(value, list) else str(value)
    for name in OURS
    for value in [STATED.get(f"Xmp.{SHORT[name.partition('}')[0][1:]]}.{name.partition('}')[2]}")]
    if value is not None
}
"""The same by the standard library's names."""


def by_exiv2_readable(text: bytes) -> bool:
    """Whether Exiv2 takes the packet as it was: some forms it doesn't know."""
    try:
        return "Xmp.q.berth" in xmp_by_exiv2(text)
    except RuntimeError:
        return False


def foreign(text: bytes) -> object:
    """All that a packet says besides our properties: names, texts, attributes, comments, order.
    White space between elements counts for nothing."""
    return outline(rdf_of(text), 0)


def outline(node: ElementTree.Element, depth: int) -> object:
    top = depth == 1
    return (
        str(node.tag),
        sorted((k, v) for k, v in node.attrib.items() if not (top and k in OURS)),
        (node.text or "").strip(),
        [outline(n, depth + 1) for n in node if not (top and str(n.tag) in OURS)],
    )


def test_what_an_ingredient_says_isnt_ours(tmp_path: Path) -> None:
    """Properties nested in another one speak of something else (ISO 16684-1, 7.4)."""
    inner = (
        '<q:pantry><rdf:Bag><rdf:li rdf:parseType="Resource"><exif:FNumber>4/1</exif:FNumber>'
        "</rdf:li><rdf:li><rdf:Description aux:Lens='Brask Tele 135mm f/3.5'/></rdf:li></rdf:Bag>"
        "</q:pantry>"
    )
    old = packet(inner).encode()
    run(tmp_path, {"K7_0001.DNG": RAW, "K7_0001.xmp": old})
    new = (tmp_path / "out/K7_0001.xmp").read_bytes()
    assert stated(new) == STATED
    assert foreign(new) == foreign(old)


def test_a_sidecar_that_agrees_already_stays_byte_for_byte(tmp_path: Path) -> None:
    old = new_packet(VALUES)
    run(tmp_path, {"K7_0001.DNG": RAW, "K7_0001.xmp": old})
    assert (tmp_path / "out/K7_0001.xmp").read_bytes() == old


# Which sidecar is whose.


@pytest.mark.parametrize("name", ["K7_0001.xmp", "K7_0001.DNG.xmp", "k7_0001.XMP"])
def test_both_ways_of_naming_are_known(tmp_path: Path, name: str) -> None:
    old = packet(FOREIGN).encode()
    copies = run(tmp_path, {"K7_0001.DNG": RAW, name: old})
    assert copies["K7_0001.DNG"].copies == ("K7_0001.DNG", name)
    new = (tmp_path / "out" / name).read_bytes()
    assert stated(new) == STATED
    assert foreign(new) == foreign(old)


def test_two_raw_files_of_one_stem_get_a_sidecar_each(tmp_path: Path) -> None:
    other = plain_raw(taken="2026:05:17 11:00:00").data
    copies = run(tmp_path, {"K7_0001.ARW": RAW, "K7_0001.DNG": other})
    assert {c for copy in copies.values() for c in copy.copies} == {
        "K7_0001.ARW", "K7_0001.DNG", "K7_0001.xmp", "K7_0001.DNG.xmp",
    }  # fmt: skip
    assert stated((tmp_path / "out/K7_0001.DNG.xmp").read_bytes()) == STATED


def test_of_two_sidecars_the_one_for_the_suffix_is_merged_and_both_go_along(tmp_path: Path) -> None:
    own, shared = packet(FOREIGN).encode(), packet("<q:berth>14</q:berth>").encode()
    files = {"K7_0001.DNG": RAW, "K7_0001.DNG.xmp": own, "K7_0001.xmp": shared}
    copy = run(tmp_path, files)["K7_0001.DNG"]
    assert set(copy.copies) == set(files)
    assert stated((tmp_path / "out/K7_0001.DNG.xmp").read_bytes()) == STATED
    assert (tmp_path / "out/K7_0001.xmp").read_bytes() == shared


def test_a_sidecar_that_is_a_link_to_nowhere_hinders_nothing(tmp_path: Path) -> None:
    (tmp_path / "frames").mkdir()
    (tmp_path / "frames/K7_0001.xmp").symlink_to("gone")
    (tmp_path / "frames/K7_0002.JPG.xmp").symlink_to("gone")
    jpeg = frame_bytes({0x9003: b"2026:05:17 09:13:00"})
    copies = run(tmp_path, {"K7_0001.DNG": RAW, "K7_0002.JPG": jpeg})
    assert copies["K7_0001.DNG"].copies == ("K7_0001.DNG", "K7_0001.xmp")
    assert stated((tmp_path / "out/K7_0001.xmp").read_bytes()) == STATED
    assert copies["K7_0002.JPG"].copies == ("K7_0002.JPG",)


@pytest.mark.parametrize("which", ["first", "second", "both", "neither"])
def test_two_frames_that_share_a_sidecar(tmp_path: Path, which: str) -> None:
    """A JPEG and a raw file of other times: one file beside them. It is made once, whichever
    frame is filled, and what it said stays said."""
    old = packet(FOREIGN).encode()
    other = plain_raw(taken="2026:05:17 11:00:00").data
    frames = tmp_path / "frames"
    frames.mkdir()
    jpeg = frame_bytes({0x9003: b"2026:05:17 09:13:00"})
    for name, data in (("K7_1.JPG", jpeg), ("K7_1.DNG", other), ("K7_1.xmp", old)):
        (frames / name).write_bytes(data)
    scanned = scan(frames)
    assert [frame.file for frame in scanned] == ["K7_1.DNG", "K7_1.JPG"]
    chosen = {"first": (0,), "second": (1,), "both": (0, 1), "neither": ()}[which]
    matches = tuple(
        filled(f) if n in chosen else replace(filled(f), outcome=Outcome.UNLOGGED, fill=None)
        for n, f in enumerate(scanned)
    )
    copies = copied(tmp_path, Matches(matches))
    made = [name for copy in copies.values() for name in copy.copies]
    assert max(Counter(made).values()) == 1
    assert "K7_1.xmp" in made
    for name in made:
        if name.endswith(".xmp"):
            assert foreign((tmp_path / "out" / name).read_bytes()) == foreign(old)
    if 0 in chosen:
        assert any(
            stated((tmp_path / "out" / name).read_bytes()) == STATED
            for name in made
            if name.endswith(".xmp")
        )


def test_an_unfilled_frames_sidecar_is_copied_byte_for_byte(tmp_path: Path) -> None:
    frames = tmp_path / "frames"
    frames.mkdir()
    for old in (b"not XMP at all", packet(ELEMENTS).encode()):
        (frames / "K7_1.DNG").write_bytes(RAW)
        (frames / "K7_1.xmp").write_bytes(old)
        match = replace(filled(scan(frames)[0]), outcome=Outcome.UNLOGGED, fill=None)
        place = tmp_path / str(len(old))
        place.mkdir()
        (place / "frames").symlink_to(frames)
        copied(place, Matches((match,)))
        assert (place / "out/K7_1.xmp").read_bytes() == old


def test_a_pictures_sidecar_is_brought_into_agreement(tmp_path: Path) -> None:
    """What it states of ours is made so; what it doesn't state isn't added."""
    old = packet(FOREIGN, attributes='exif:FNumber="4/1"').encode()
    run(tmp_path, {"K7_1.JPG": frame_bytes(), "K7_1.xmp": old})
    new = (tmp_path / "out/K7_1.xmp").read_bytes()
    assert stated(new) == dict.fromkeys(STATED) | {"Xmp.exif.FNumber": "28/10"}
    assert foreign(new) == foreign(old)


def test_a_pictures_sidecar_that_says_nothing_of_ours_stays(tmp_path: Path) -> None:
    for n, old in enumerate((packet(FOREIGN).encode(), b"FNumber", b"\xff\xfe<\0x\0", b"")):
        run(tmp_path / str(n), {"K7_1.JPG": frame_bytes(), "K7_1.xmp": old})
        assert (tmp_path / str(n) / "out/K7_1.xmp").read_bytes() == old


def test_an_embedded_raw_files_sidecar_is_brought_into_agreement(tmp_path: Path) -> None:
    old = packet(FOREIGN, attributes='aux:Lens="----"').encode()
    run(tmp_path, {"K7_1.DNG": RAW, "K7_1.xmp": old}, raw=RawMode.EMBED)
    new = (tmp_path / "out/K7_1.xmp").read_bytes()
    assert xmp_by_exiv2(new)["Xmp.aux.Lens"] == "Miran 58mm f/2"
    assert by_exiv2((tmp_path / "out/K7_1.DNG").read_bytes())["Exif.Photo.FNumber"] == "28/10"


# What is refused.

BOMB = (
    '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY {chr(n + 1)} "{f"&{chr(n)};" * 10}">' for n in range(97, 105))
    + "]>"
)  # fmt: skip


@pytest.mark.parametrize(
    ("old", "reason"),
    [
        (packet("", "<!DOCTYPE x>").encode(), "document type"),
        (packet("", '<!DOCTYPE x SYSTEM "http://example.invalid/x.dtd">').encode(), "document"),
        (packet("<q:a>&e;</q:a>", '<!DOCTYPE x [<!ENTITY e SYSTEM "file:///x">]>').encode(), "doc"),
        (packet("<q:a>&i;</q:a>", BOMB).encode(), "document type"),
        (packet("<q:a>&i;</q:a>", '<?xml version="1.0"?>\n' + BOMB).encode(), "document type"),
        (packet("<q:a>&e;</q:a>").encode(), "well-formed"),
        (packet("").encode("utf-16"), "UTF-8"),
        (packet("").encode("utf-16-be"), "UTF-8"),
        (packet("", '<?xml version="1.0" encoding="ISO-8859-1"?>').encode(), "UTF-8"),
        (packet("<q:a>\xe9</q:a>").encode("latin-1"), "well-formed"),
        (b"not XML", "XML"),
        (b"\0" * 100, "XML"),
        (b"<x>", "XML"),
        (b"<html><body>quay</body></html>", "isn't XMP"),
        (f"<rdf:RDF {NAMES}></rdf:RDF>".encode(), "nothing is described"),
        (packet("<q:a>").encode(), "well-formed"),
        (packet("").encode()[:-20], "XML"),
        (packet("").encode() + b"trailing words", "well-formed"),
        (packet("<q:a>" + "x" * 11_000_000 + "</q:a>").encode(), "well-formed"),
        (packet("<q:a>" * 400 + "</q:a>" * 400).encode(), "well-formed"),
        (packet("", tail=" " * (16 << 20)).encode(), "16 MiB"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_sidecar_that_cant_be_changed_is_left_as_it_is(
    tmp_path: Path, old: bytes, reason: str
) -> None:
    if len(old) > 10_000_000 and etree.LIBXML_VERSION < (2, 14):
        pytest.skip("this libxml2 reads a text of 11 million characters")
    start = time.process_time()
    copies = run(tmp_path, {"K7_1.DNG": RAW, "K7_1.xmp": old})
    copy = copies["K7_1.DNG"]
    assert copy.match.outcome is Outcome.UNREADABLE
    assert str(copy.match.reason).startswith("the sidecar K7_1.xmp is left as it is: ")
    assert reason in str(copy.match.reason)
    assert (tmp_path / "out/K7_1.xmp").read_bytes() == old
    assert (tmp_path / "out/K7_1.DNG").read_bytes() == RAW
    assert time.process_time() - start < 3


def test_a_refused_sidecar_keeps_no_picture_from_its_values(tmp_path: Path) -> None:
    """JPEG and raw of one frame: the JPEG is filled, and the reason for the raw is told."""
    jpeg = frame_bytes({0x9003: b"2026:05:17 09:13:00"})
    copies = run(tmp_path, {"K7_1.JPG": jpeg, "K7_1.DNG": RAW, "K7_1.xmp": b"not XML"})
    copy = copies["K7_1.JPG"]
    assert copy.match.outcome is Outcome.FILL
    assert "is left as it is" in str(copy.match.reason)
    assert by_exiv2((tmp_path / "out/K7_1.JPG").read_bytes())["Exif.Photo.FNumber"] == "28/10"
    assert (tmp_path / "out/K7_1.xmp").read_bytes() == b"not XML"


def test_white_space_takes_no_time() -> None:
    """Long runs of it, with nothing where the wrapper's end would be."""
    start = time.process_time()
    for text in (packet("").encode() + b" " * 400_000, packet(" " * 400_000 + "x").encode()):
        assert merged(text, VALUES)
    assert time.process_time() - start < 1


def test_many_comments_take_no_time() -> None:
    start = time.process_time()
    assert merged(packet("", "<!---->" * 100_000, "<!---->" * 100_000).encode(), VALUES)
    assert time.process_time() - start < 2


# Names beyond 7 bits.


@pytest.mark.parametrize(
    "name", ["Øresund 58mm f/2", "ミラン 58mm F2", "Miran “58” & <sons>", "🔭 9"]
)
def test_a_name_beyond_ascii_is_whole_in_xmp(tmp_path: Path, name: str) -> None:
    """Exif ASCII has 7 bits (CIPA DC-008, 4.6.2); XMP is UTF-8 (ISO 16684-1)."""
    fill_with = replace(AT_2_8, lens=replace(MIRAN, name=name))
    jpeg = frame_bytes({0x9003: b"2026:05:17 09:13:00"})
    old = packet("", attributes='exifEX:LensModel="-"').encode()
    run(
        tmp_path,
        {"K7_1.JPG": jpeg, "K7_1.DNG": RAW, "K7_2.DNG": RAW, "K7_2.xmp": old},
        fill_with,
        xmp=True,
    )
    for file in ("K7_1.xmp", "K7_2.xmp", "K7_1.JPG"):
        found = xmp_by_exiv2((tmp_path / "out" / file).read_bytes())
        assert found["Xmp.aux.Lens"] == found["Xmp.exifEX.LensModel"] == name
    in_exif = by_exiv2((tmp_path / "out/K7_1.JPG").read_bytes())["Exif.Photo.LensModel"]
    assert in_exif.isascii()
    assert in_exif


# Any packet.

_PREFIXES = {
    "rdf": RDF_NS, "exif": EXIF_NS, "exifEX": EXIF_EX_NS, "aux": AUX_NS, "q": "urn:q", "w": "urn:w",
}  # fmt: skip

_NAMES = ("{urn:q}a", "{urn:q}b", "{urn:w}c", *sorted(OURS))
_TEXT = st.text(
    st.characters(min_codepoint=32, max_codepoint=0x2FF, blacklist_characters="\x7f"), max_size=8
)


@st.composite
def trees(draw: st.DrawFn, depth: int = 0) -> etree._Element:
    node = etree.Element(draw(st.sampled_from(_NAMES)), nsmap=_PREFIXES)
    for name in draw(st.lists(st.sampled_from(_NAMES), max_size=2, unique=True)):
        node.set(name, draw(_TEXT))
    if depth < 3 and draw(st.booleans()):
        for child in draw(st.lists(trees(depth + 1), max_size=3)):
            node.append(child)
            child.tail = draw(_TEXT)
        if draw(st.booleans()):
            node.append(etree.Comment("of the day"))
    else:
        node.text = draw(_TEXT)
    return node


@st.composite
def packets(draw: st.DrawFn) -> bytes:
    rdf = etree.Element(f"{{{RDF_NS}}}RDF", nsmap=_PREFIXES)
    for _ in range(draw(st.integers(1, 3))):
        described = etree.SubElement(rdf, f"{{{RDF_NS}}}Description")
        described.set(f"{{{RDF_NS}}}about", "")
        for name in draw(st.lists(st.sampled_from(_NAMES), max_size=4, unique=True)):
            described.set(name, draw(_TEXT))
        described.extend(draw(st.lists(trees(), max_size=4)))
    out = io.BytesIO()
    etree.ElementTree(rdf).write(out, encoding="utf-8", pretty_print=draw(st.booleans()))
    return draw(st.sampled_from([b"", b"\xef\xbb\xbf", b"<!-- x -->\n"])) + out.getvalue()


@settings(max_examples=examples(250), deadline=None)
@given(packets())
def test_any_packet_keeps_what_isnt_ours(text: bytes) -> None:
    new = merged(text, VALUES)
    assert foreign(new) == foreign(text)
    assert dict(said(new)).items() >= SAID.items()
    assert merged(new, VALUES) == new


def test_a_new_sidecar_has_the_suffix_in_its_name_where_asked(tmp_path: Path) -> None:
    frames = tmp_path / "frames"
    frames.mkdir()
    (frames / "K7_1.DNG").write_bytes(plain_raw().data)
    matches, options = all_filled(frames, ["K7_1.DNG"]), FillOptions(sidecar=SidecarName.FULL)
    (copy,) = fill(matches, frames, tmp_path / "out", options).copies
    assert copy.copies == ("K7_1.DNG", "K7_1.DNG.xmp")


@pytest.mark.parametrize("name", ["jpeg-117.jpg", "jpeg-118.jpg", "jpeg-122.jpeg"])
def test_a_seal_stays_whole_unless_it_may_break(tmp_path: Path, corpus: Path, name: str) -> None:
    """Real files under a seal (C2PA)."""
    frames = tmp_path / "frames"
    frames.mkdir()
    sealed = (corpus / "more" / name).read_bytes()
    (frames / name).write_bytes(sealed)
    matches = all_filled(frames, [name])
    (copy,) = fill(matches, frames, tmp_path / "whole").copies
    assert (tmp_path / "whole" / name).read_bytes() == sealed
    assert "its seal (C2PA) would break" in str(copy.match.reason)
    assert len(copy.copies) == 2
    (copy,) = fill(matches, frames, tmp_path / "broken", FillOptions(break_seal=True)).copies
    assert copy.copies == (name,)
    assert (tmp_path / "broken" / name).read_bytes() != sealed


def test_the_date_of_the_last_change_follows_it_and_nothing_else(tmp_path: Path) -> None:
    """xmp:MetadataDate (ISO 16684-1, 8.4): of the sidecar that is changed, not of the other."""
    date = '<xmp:MetadataDate xmlns:xmp="http://ns.adobe.com/xap/1.0/">2020-01-02T03:04:05Z'
    old = packet(date + "</xmp:MetadataDate>").encode()
    files = {"K7_0001.DNG": RAW, "K7_0001.DNG.xmp": old, "K7_0001.xmp": old}
    begun = datetime.now(UTC).replace(microsecond=0)
    run(tmp_path, files)
    new = (tmp_path / "out/K7_0001.DNG.xmp").read_bytes()
    found = re.search(rb"MetadataDate[^>]*>([^<]*)<", new)
    assert found is not None
    assert begun <= datetime.fromisoformat(found[1].decode()) <= datetime.now(UTC)
    assert (tmp_path / "out/K7_0001.xmp").read_bytes() == old


@pytest.mark.parametrize("name", ["K7_0001.xmp", "K7_0001.JPG"])
def test_a_dated_copy_that_was_made_but_not_noted_is_taken_over_later(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run killed between a file's rename and its note, and carried on at another time."""
    date = '<xmp:MetadataDate xmlns:xmp="http://ns.adobe.com/xap/1.0/">2020-01-02T03:04:05Z'
    old = packet(date + "</xmp:MetadataDate>").encode()
    jpeg = frame_bytes({0x9003: b"2026:05:17 09:13:00"})
    inside = with_segments(jpeg, segment(APP1, XMP + old))
    files = {"K7_0001.DNG": RAW, "K7_0001.xmp": old} if name.endswith("xmp") else {name: inside}
    run(tmp_path, files)
    made, manifest = tmp_path / "out" / name, tmp_path / "out/flangeback-manifest.jsonl"
    before = made.read_bytes()
    kept = [line for line in manifest.read_bytes().splitlines(keepends=True)
            if f'"copy": "{name}"'.encode() not in line]  # fmt: skip
    manifest.write_bytes(b"".join(kept))
    monkeypatch.setattr("flangeback.copies.edit.now", lambda: "2031-01-01T00:00:00+00:00")
    run(tmp_path, files)
    assert made.read_bytes() == before
    assert not verify(tmp_path / "out").failed


def test_a_merged_sidecar_is_no_other_file_in_any_run(tmp_path: Path) -> None:
    """It belongs to its frame: with --others, too, and when the run is carried on."""
    files = {"K7_0001.DNG": RAW, "K7_0001.xmp": packet(FOREIGN).encode(), "notes.txt": b"tide"}
    for _ in range(2):
        run(tmp_path, files, others=True)
        assert stated((tmp_path / "out/K7_0001.xmp").read_bytes()) == STATED
        assert (tmp_path / "out/notes.txt").read_bytes() == b"tide"
