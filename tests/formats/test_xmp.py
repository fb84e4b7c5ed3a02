"""XMP packets that state lens data are brought into agreement; all else in them stays.

Packets are ISO 16684-1, the properties CIPA DC-010's; read back by Exiv2 and by the standard
library's XML reader.
"""

from __future__ import annotations

import time
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flangeback.formats import Refused
from flangeback.formats.jpeg import Jpeg
from flangeback.formats.tiff import Tiff
from flangeback.tags import Tag, TagValue, decide
from support.edits import applied, edited, file_with
from support.examples import examples
from support.gear import AT_2_8
from support.plain_jpeg import APP1, EXIF, XMP, picture, pieces, segment, with_segments
from support.readers import by_exiv2, pixels, xmp_by_exiv2

VALUES = decide(AT_2_8)
OVER = decide(AT_2_8, frozenset([Tag.LENS_MODEL]))
"""In the place of another lens."""
NAMES = (
    'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#" '
    'xmlns:exif="http://ns.adobe.com/exif/1.0/" '
    'xmlns:exifEX="http://cipa.jp/exif/1.0/" '
    'xmlns:aux="http://ns.adobe.com/exif/1.0/aux/" '
    'xmlns:xmp="http://ns.adobe.com/xap/1.0/" '
    'xmlns:dc="http://purl.org/dc/elements/1.1/" '
    'xmlns:q="http://example.invalid/quay/1.0/"'
)
EXIF_NS = "{http://ns.adobe.com/exif/1.0/}"
EXIF_EX_NS = "{http://cipa.jp/exif/1.0/}"
AUX_NS = "{http://ns.adobe.com/exif/1.0/aux/}"
RDF_NS = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"


def packet(attributes: str = "", elements: str = "", padding: int = 2000) -> bytes:
    text = (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
        f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><!-- harbour --><rdf:RDF {NAMES}>\n'
        f'<rdf:Description rdf:about="" xmp:Rating="4" {attributes} q:tide="low">\n'
        "<dc:subject><rdf:Bag><rdf:li>quay wall</rdf:li><rdf:li>K\u00f6ge</rdf:li></rdf:Bag>"
        f"</dc:subject><!-- of the day -->{elements}<q:berth>12 &amp; 13</q:berth>\n"
        "</rdf:Description></rdf:RDF></x:xmpmeta>"
        + "\n" * min(1, padding)
        + " " * max(0, padding - 1)
        + '<?xpacket end="w"?>'
    )
    return text.encode()


ATTRIBUTES = (
    'exif:FNumber="0/0" exif:ApertureValue="1/1" exif:FocalLength="50/1" '
    'aux:Lens="----" aux:LensInfo="0/0 0/0 0/0 0/0" exifEX:LensModel="----"'
)
ELEMENTS = (
    "<exif:FNumber>0/0</exif:FNumber><exif:FocalLengthIn35mmFilm>50</exif:FocalLengthIn35mmFilm>"
    "<aux:Lens>----</aux:Lens><exifEX:LensSpecification><rdf:Seq><rdf:li>0/0</rdf:li>"
    "<rdf:li>0/0</rdf:li></rdf:Seq></exifEX:LensSpecification>"
    "<exifEX:LensMake>None</exifEX:LensMake><exif:ExposureTime>1/125</exif:ExposureTime>"
)


def with_packet(xmp: bytes) -> bytes:
    return with_segments(picture(), segment(APP1, XMP + xmp))


def packet_of(data: bytes) -> bytes:
    return next(p.contents[len(XMP) :] for p in pieces(data) if p.contents.startswith(XMP))


def filled(source: bytes) -> bytes:
    copy = edited(source, VALUES)
    assert pixels(copy) == pixels(source) is not None
    return copy


def tree(xmp: bytes) -> ElementTree.Element:
    """The packet's root, comments and all."""
    builder = ElementTree.TreeBuilder(insert_comments=True)
    body = xmp[xmp.index(b"<x:") : xmp.rindex(b"xmpmeta>") + 8]
    return ElementTree.fromstring(body, ElementTree.XMLParser(target=builder))


def outline(node: ElementTree.Element) -> object:
    """Names, texts, attributes and order of a tree, with our properties' values left out."""
    name = str(node.tag)
    ours = name.startswith((EXIF_NS, EXIF_EX_NS, AUX_NS)) and "ExposureTime" not in name
    return (
        name,
        [
            (key, None if key.startswith((EXIF_NS, EXIF_EX_NS, AUX_NS)) else text)
            for key, text in node.attrib.items()
        ],
        None if ours else ((node.text or "").strip(), [outline(child) for child in node]),
        (node.tail or "").strip(),
    )


def test_attributes_are_brought_into_agreement() -> None:
    copy = filled(with_packet(packet(ATTRIBUTES)))
    found = xmp_by_exiv2(copy)
    assert found["Xmp.exif.FNumber"] == "28/10"
    assert found["Xmp.exif.ApertureValue"] == "29709/10000"
    assert found["Xmp.exif.FocalLength"] == "58/1"
    assert found["Xmp.aux.Lens"] == "Miran 58mm f/2"
    assert found["Xmp.aux.LensInfo"] == "58/1 58/1 2/1 2/1"
    assert found["Xmp.exifEX.LensModel"] == "Miran 58mm f/2"
    assert "Xmp.exif.FocalLengthIn35mmFilm" not in found
    assert "Xmp.exifEX.LensMake" not in found


def test_elements_are_brought_into_agreement() -> None:
    root = tree(packet_of(filled(with_packet(packet(elements=ELEMENTS)))))
    said = {str(n.tag): (n.text or "").strip() for n in root.iter() if isinstance(n.tag, str)}
    assert said[EXIF_NS + "FNumber"] == "28/10"
    assert said[EXIF_NS + "FocalLengthIn35mmFilm"] == "58"
    assert said[EXIF_NS + "ExposureTime"] == "1/125"
    assert said[AUX_NS + "Lens"] == "Miran 58mm f/2"
    assert said[EXIF_EX_NS + "LensMake"] == "Ostrava Optik"
    lens = root.find(f".//{EXIF_EX_NS}LensSpecification/{RDF_NS}Seq")
    assert lens is not None
    assert [li.text for li in lens] == ["58/1", "58/1", "2/1", "2/1"]


@pytest.mark.parametrize("xmp", [packet(ATTRIBUTES), packet(elements=ELEMENTS)])
def test_all_else_stays_in_its_order(xmp: bytes) -> None:
    source = with_packet(xmp)
    copy = filled(source)
    assert packet_of(copy) != xmp
    assert outline(tree(packet_of(copy))) == outline(tree(xmp))
    foreign = {
        n: t for n, t in xmp_by_exiv2(source).items() if ".exif" not in n and ".aux" not in n
    }
    assert foreign
    assert foreign.items() <= xmp_by_exiv2(copy).items()
    # Wrapper and read-write mark (ISO 16684-1, 7.3.2).
    assert packet_of(copy).startswith(xmp[: xmp.index(b"<x:")])
    assert packet_of(copy).endswith(b'<?xpacket end="w"?>')


def test_padding_takes_up_the_growth() -> None:
    """ISO 16684-1, 7.3.2: padding is there so that a packet can be changed in place."""
    copy = filled(with_packet(packet(ATTRIBUTES)))
    assert len(packet_of(copy)) == len(packet(ATTRIBUTES))


def test_without_padding_the_segment_grows() -> None:
    xmp = packet(ATTRIBUTES, padding=0)
    copy = filled(with_packet(xmp))
    assert len(packet_of(copy)) > len(xmp)
    assert xmp_by_exiv2(copy)["Xmp.aux.Lens"] == "Miran 58mm f/2"


@pytest.mark.parametrize(
    "xmp",
    [
        packet(),
        packet('exif:ExposureTime="1/125"'),
        packet('q:FNumber="1/1" xmp:Lens="----"'),
        packet(elements="<q:LensModel>----</q:LensModel>"),
        packet('exif:FNumber="28/10"'),
        b"not XML at all, FNumber",
        b"<x:xmpmeta FNumber",
        b"",
    ],
    ids=[
        "nothing", "another property", "another namespace", "another element", "agrees", "no XML",
        "broken XML", "empty",
    ],
)  # fmt: skip
def test_a_packet_that_states_none_of_it_stays_byte_for_byte(xmp: bytes) -> None:
    assert packet_of(filled(with_packet(xmp))) == xmp


BOMB = b"".join(
    b'<!ENTITY l%d "%s">' % (n, b"&l%d;" % (n - 1) * 20 if n else b"lens") for n in range(12)
)


@pytest.mark.parametrize(
    "doctype",
    [
        b"<!DOCTYPE x [" + BOMB + b"]>",
        b'<!DOCTYPE x SYSTEM "file:///etc/hostname">',
        b'<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]>',
    ],
    ids=["a bomb of entities", "a document type elsewhere", "an entity elsewhere"],
)
def test_a_document_type_is_left_alone_quickly(doctype: bytes) -> None:
    """A packet has none (ISO 16684-1, 7.1)."""
    plain = packet(elements="<exif:FNumber>&l11;&e;0/0</exif:FNumber>", padding=0)
    xmp = plain.replace(b"<x:", doctype + b"<x:", 1)
    start = time.process_time()
    copy = edited(with_packet(xmp), VALUES)
    assert time.process_time() - start < 1
    assert packet_of(copy) == xmp


def test_a_packet_too_full_to_agree_is_refused() -> None:
    room = 65_533 - len(XMP) - len(packet(ATTRIBUTES, padding=0))
    full = packet(ATTRIBUTES + f' q:note="{"x" * (room - 10)}"', padding=0)
    with pytest.raises(Refused, match="XMP packet"):
        edited(with_packet(full), VALUES)


def test_exif_and_xmp_of_one_file_change_together() -> None:
    block = b"II*\0\x08\0\0\0" + bytes(6)
    source = with_segments(
        picture(), segment(APP1, XMP + packet(ATTRIBUTES, padding=0)), segment(APP1, EXIF + block)
    )
    copy = filled(source)
    assert [p.marker for p in pieces(copy)] == [p.marker for p in pieces(source)]
    assert xmp_by_exiv2(copy)["Xmp.exif.FNumber"] == "28/10"


def test_a_name_beyond_seven_bits_is_kept_whole() -> None:
    """Exif ASCII is 7-bit (CIPA DC-008, 4.6.2); XMP is not (ISO 16684-1)."""
    value = TagValue(Tag.LENS_MODEL, "Orsund 50", "\u00d8rsund 50 <\u0192/2>")
    copy = edited(with_packet(packet('aux:Lens="----"')), [value])
    assert xmp_by_exiv2(copy)["Xmp.aux.Lens"] == "\u00d8rsund 50 <\u0192/2>"


@settings(max_examples=examples(150), deadline=None)
@given(
    st.lists(st.sampled_from(ATTRIBUTES.split('" ')), unique=True),
    st.lists(st.sampled_from(ELEMENTS.split("><exif")), unique=True),
    st.integers(0, 400),
    st.text(st.characters(min_codepoint=32, max_codepoint=0xD7FF), max_size=30),
)
def test_what_a_packet_comes_to_is_proved_or_nothing(
    attributes: list[str], elements: list[str], padding: int, name: str
) -> None:
    """Pieces of XML in any number, many of them not well-formed."""
    xmp = packet(
        " ".join(a.rstrip('"') + '"' for a in attributes),
        "".join(e if e.startswith("<") else "<exif" + e for e in elements),
        padding,
    )
    value = TagValue(Tag.LENS_MODEL, name.encode("ascii", "replace").decode(), name)
    copy = packet_of(edited(with_packet(xmp), [*VALUES[:5], value]))
    if copy == xmp:
        return
    root = tree(copy)
    assert outline(root) == outline(tree(xmp))
    for node in root.iter():
        for key, text in node.attrib.items():
            if key in (AUX_NS + "Lens", EXIF_EX_NS + "LensModel"):
                assert text == name


def test_with_another_lens_goes_all_that_speaks_of_it() -> None:
    crs = "http://ns.adobe.com/camera-raw-settings/1.0/"
    before = packet(
        f'aux:Lens="Brask 135mm f/3.5" aux:LensID="53" xmlns:crs="{crs}" '
        'crs:LensProfileEnable="1" crs:Sharpness="25"',
        f'<crs:LensProfileName xmlns:crs="{crs}">Brask</crs:LensProfileName>',
    )
    after = xmp_by_exiv2(edited(with_segments(picture(), segment(APP1, XMP + before)), OVER))
    assert after["Xmp.aux.Lens"] == "Miran 58mm f/2"
    assert after["Xmp.crs.Sharpness"] == "25"
    assert not {"Xmp.aux.LensID", "Xmp.crs.LensProfileEnable", "Xmp.crs.LensProfileName"} & set(
        after
    )


def test_what_speaks_of_another_lens_goes_though_none_is_named() -> None:
    """The frame's focal length was another one's, and is replaced (--over)."""
    crs = 'xmlns:crs="http://ns.adobe.com/camera-raw-settings/1.0/"'
    source = with_packet(packet(f'{crs} crs:LensProfileName="5 mm" crs:Sharpness="25"'))
    for stale, goes in (({Tag.FOCAL_LENGTH}, True), ({Tag.FOCAL_LENGTH_35MM}, False)):
        after = xmp_by_exiv2(edited(source, decide(AT_2_8, frozenset(stale))))
        assert after["Xmp.crs.Sharpness"] == "25"
        assert ("Xmp.crs.LensProfileName" not in after) == goes


@pytest.mark.parametrize("name", ["Miran 58mm f/2", "MF 58", "None", "----"])
def test_where_no_lens_is_replaced_nothing_goes(name: str) -> None:
    """It is the same one, by the name under which the body has it registered, or none."""
    crs = 'xmlns:crs="http://ns.adobe.com/camera-raw-settings/1.0/" crs:LensProfileName="58"'
    before = packet(f'aux:Lens="{name}" aux:LensID="53" exif:FNumber="0/0" {crs}')
    after = xmp_by_exiv2(edited(with_packet(before), VALUES))
    assert (after["Xmp.aux.Lens"], after["Xmp.aux.LensID"]) == ("Miran 58mm f/2", "53")
    assert (after["Xmp.crs.LensProfileName"], after["Xmp.exif.FNumber"]) == ("58", "28/10")


@pytest.mark.parametrize("name", ["jpeg-106.jpg", "jpeg-107.jpg", "jpeg-109.jpg", "tiff-101.tif"])
def test_real_packets_speak_of_one_lens_afterwards(corpus: Path, name: str) -> None:
    data = (corpus / "more" / name).read_bytes()
    format = Jpeg if name.startswith("jpeg") else Tiff
    with file_with(data) as reader:
        after = xmp_by_exiv2(applied(data, format(reader).edit(OVER)))
    assert "Xmp.aux.LensID" in xmp_by_exiv2(data)
    assert not {"Xmp.aux.LensID", "Xmp.crs.LensProfileEnable"} & set(after)
    assert (after["Xmp.aux.Lens"], after["Xmp.aux.LensInfo"]) == (
        "Miran 58mm f/2",
        "58/1 58/1 2/1 2/1",
    )


def test_the_main_directory_is_brought_into_agreement(corpus: Path) -> None:
    data = (corpus / "more" / "tiff-103.tif").read_bytes()
    with file_with(data) as reader:
        after = by_exiv2(applied(data, Tiff(reader).edit(VALUES)))
    assert by_exiv2(data)["Exif.Image.FNumber"] == "62/10"
    assert (after["Exif.Image.FNumber"], after["Exif.Image.FocalLength"]) == ("28/10", "58/1")
    assert after["Exif.Photo.FNumber"] == "28/10"


# When the metadata were changed: xmp:MetadataDate (ISO 16684-1, 8.4).

DATE, FRESH = "2020-01-02T03:04:05+01:00", "2026-05-18T09:10:11+00:00"


def dated(xmp: bytes, **more: bool) -> str:
    """The date after an edit, as Exiv2 reads it."""
    source = with_packet(xmp)
    with file_with(source) as reader:
        copy = applied(source, Jpeg(reader).edit(VALUES, date=FRESH, **more))
    assert xmp_by_exiv2(copy)["Xmp.q.tide"] == "low"
    return str(xmp_by_exiv2(copy).get("Xmp.xmp.MetadataDate", ""))


@pytest.mark.parametrize("adds", [False, True])
@pytest.mark.parametrize("states", ["", 'exif:FNumber="0/0"'])
def test_the_date_of_the_last_change_is_kept_true(states: str, adds: bool) -> None:
    attribute = f'xmp:MetadataDate="{DATE}" {states}'
    element = f"<xmp:MetadataDate>{DATE}</xmp:MetadataDate>"
    assert dated(packet(attribute), add_packet=adds) == FRESH
    assert dated(packet(states, element), add_packet=adds) == FRESH


def test_no_date_is_put_where_there_was_none() -> None:
    assert dated(packet(ATTRIBUTES)) == ""


def test_a_date_within_another_property_stays() -> None:
    inner = f'<q:pantry rdf:parseType="Resource"><xmp:MetadataDate>{DATE}</xmp:MetadataDate>'
    source = with_packet(packet("", inner + "</q:pantry>"))
    with file_with(source) as reader:
        copy = applied(source, Jpeg(reader).edit(VALUES, date=FRESH))
    assert packet_of(copy) == packet_of(source)
