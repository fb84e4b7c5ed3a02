"""An XMP packet brought into agreement with the values written (ISO 16684-1, CIPA DC-010).

Only properties that the packet already states are changed; all else in it is kept.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from flangeback.tags.table import Tag, TagValue

if TYPE_CHECKING:
    from lxml.etree import _Element

RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
EXIF = "http://ns.adobe.com/exif/1.0/"
EXIF_EX = "http://cipa.jp/exif/1.0/"
AUX = "http://ns.adobe.com/exif/1.0/aux/"

PROPERTIES: Mapping[str, Tag] = {
    f"{{{EXIF}}}FNumber": Tag.F_NUMBER,
    f"{{{EXIF}}}ApertureValue": Tag.APERTURE_VALUE,
    f"{{{EXIF}}}MaxApertureValue": Tag.MAX_APERTURE_VALUE,
    f"{{{EXIF}}}FocalLength": Tag.FOCAL_LENGTH,
    f"{{{EXIF}}}FocalLengthIn35mmFilm": Tag.FOCAL_LENGTH_35MM,
    f"{{{EXIF_EX}}}LensSpecification": Tag.LENS_SPECIFICATION,
    f"{{{EXIF_EX}}}LensMake": Tag.LENS_MAKE,
    f"{{{EXIF_EX}}}LensModel": Tag.LENS_MODEL,
    f"{{{EXIF_EX}}}LensSerialNumber": Tag.LENS_SERIAL_NUMBER,
    f"{{{AUX}}}Lens": Tag.LENS_MODEL,
    f"{{{AUX}}}LensInfo": Tag.LENS_SPECIFICATION,
    f"{{{AUX}}}LensSerialNumber": Tag.LENS_SERIAL_NUMBER,
}
"""Each property that states one of our values, as {namespace}name."""

_SEQUENCES = frozenset([f"{{{EXIF_EX}}}LensSpecification"])
_NAMES = re.compile("|".join({name.split("}")[1] for name in PROPERTIES}).encode())
_ROOT = re.compile(rb"<[A-Za-z_]")
_TRAILER = re.compile(rb"\s*<\?xpacket\s+end[^>]*\?>\s*\Z")


def rational_texts(value: TagValue) -> list[str]:
    """The value as XMP writes numbers: a rational as "28/10", a whole number as it is."""
    if isinstance(value.value, int):
        return [str(value.value)]
    assert not isinstance(value.value, str)
    return [f"{top}/{below}" for top, below in value.value]


def agreed(packet: bytes, values: Sequence[TagValue]) -> bytes | None:
    """The packet with each of `values` that it states made so; None when it states none, when
    they agree already, or when it isn't well-formed XML (so that no reader takes it).

    The length stays where the packet's own padding allows.
    """
    if not _NAMES.search(packet):
        return None
    parts = _parts(packet)
    if parts is None:
        return None
    lead, body, trailer = parts
    fresh = _changed(body, {value.tag: value for value in values})
    if fresh is None:
        return None
    return lead + fresh + _padded(trailer, len(body) - len(fresh))


def _parts(packet: bytes) -> tuple[bytes, bytes, bytes] | None:
    """What stands before the XML root, the root itself, and what stands after."""
    root = _ROOT.search(packet)
    trailer = _TRAILER.search(packet)
    if root is None:
        return None
    end = packet.rfind(b">", 0, trailer.start() if trailer else len(packet)) + 1
    return packet[: root.start()], packet[root.start() : end], packet[end:]


def _padded(trailer: bytes, change: int) -> bytes:
    """The trailer with `change` bytes of padding more (or fewer, as far as it goes)."""
    padding = len(trailer) - len(trailer.lstrip())
    if change >= 0:
        return b" " * change + trailer
    spare = min(-change, max(0, padding - 1))
    return trailer[spare:]


def _changed(body: bytes, values: Mapping[Tag, TagValue]) -> bytes | None:
    from lxml import etree

    # No entities are resolved and no document type is taken: a packet needs neither.
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False)
    try:
        root = etree.fromstring(body, parser)
    except etree.XMLSyntaxError:
        return None
    if root.getroottree().docinfo.doctype:
        return None
    changes = [
        change
        for node in root.iter(etree.Element)
        for change in (_bring_attributes(node, values), _bring_content(node, values))
    ]
    if not any(changes):
        return None
    return etree.tostring(root, encoding="utf-8", xml_declaration=False, with_tail=False)


def _wanted(name: str, values: Mapping[Tag, TagValue]) -> TagValue | None:
    tag = PROPERTIES.get(name)
    return None if tag is None else values.get(tag)


def _texts(value: TagValue) -> list[str]:
    return [value.text] if isinstance(value.value, str) else rational_texts(value)


def _bring_attributes(node: _Element, values: Mapping[Tag, TagValue]) -> bool:
    """Properties in attribute form; whether one was changed."""
    changed = False
    for name, old in node.attrib.items():
        value = _wanted(str(name), values)
        if value is not None and old != " ".join(_texts(value)):
            node.set(name, " ".join(_texts(value)))
            changed = True
    return changed


def _bring_content(node: _Element, values: Mapping[Tag, TagValue]) -> bool:
    """A property in element form; whether it was changed."""
    name = str(node.tag)
    value = _wanted(name, values)
    if value is None:
        return False
    texts = _texts(value) if name in _SEQUENCES else [" ".join(_texts(value))]
    if [text.strip() for text in node.itertext() if text.strip()] == texts:
        return False
    if name in _SEQUENCES:
        _set_sequence(node, texts)
    else:
        del node[:]
        node.text = texts[0]
    return True


def _set_sequence(node: _Element, texts: Sequence[str]) -> None:
    from lxml import etree

    del node[:]
    node.text = None
    sequence = etree.SubElement(node, f"{{{RDF}}}Seq")
    for text in texts:
        etree.SubElement(sequence, f"{{{RDF}}}li").text = text
