"""Proof of an XMP packet, by the standard library's XML reader and a table of its own.

The properties, and how they state values, are those of CIPA DC-010 and ISO 16684-1.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import zip_longest
from xml.etree import ElementTree

from flangeback.copies.faults import ProofError
from flangeback.copies.stated import Stated, fraction, numbers
from flangeback.formats import Damaged

_RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}RDF"
_EXIF = "{http://ns.adobe.com/exif/1.0/}"
_EXIF_EX = "{http://cipa.jp/exif/1.0/}"
_AUX = "{http://ns.adobe.com/exif/1.0/aux/}"
_PROPERTIES = {
    _EXIF + "DateTimeOriginal": "DateTimeOriginal",
    _EXIF + "DateTimeDigitized": "DateTimeDigitized",
    "{http://ns.adobe.com/xap/1.0/}CreateDate": "DateTimeDigitized",
    "{http://ns.adobe.com/photoshop/1.0/}DateCreated": "DateTimeOriginal",
    _EXIF + "FNumber": "FNumber",
    _EXIF + "ApertureValue": "ApertureValue",
    _EXIF + "MaxApertureValue": "MaxApertureValue",
    _EXIF + "FocalLength": "FocalLength",
    _EXIF + "FocalLengthIn35mmFilm": "FocalLengthIn35mmFilm",
    _EXIF_EX + "LensSpecification": "LensSpecification",
    _EXIF_EX + "LensMake": "LensMake",
    _EXIF_EX + "LensModel": "LensModel",
    _EXIF_EX + "LensSerialNumber": "LensSerialNumber",
    _AUX + "Lens": "LensModel",
    _AUX + "LensInfo": "LensSpecification",
    _AUX + "LensSerialNumber": "LensSerialNumber",
}
_RATIONALS = frozenset(
    ["FNumber", "ApertureValue", "MaxApertureValue", "FocalLength", "LensSpecification"]
)
_RATIONAL = re.compile(r"\d+/\d+( \d+/\d+)*")
_FRAME = (
    " {adobe:ns:meta/}xmpmeta {http://www.w3.org/1999/02/22-rdf-syntax-ns#}RDF "
    "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}Description "
    "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}about",
    "",
)
"""What any packet says before it states anything."""

_METADATA_DATE = "{http://ns.adobe.com/xap/1.0/}MetadataDate"
_DATE = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00")
"""When any metadata were last changed (ISO 16684-1, 8.4): it changes with them."""

_OF_A_LENS = re.compile(
    r"\}(LensID|LensDistortInfo|LensProfile\w*|CameraProfiles|LensManufacturer|LensModel)( |$)"
    r"|\{http://ns\.adobe\.com/exif/1\.0/\}Lens( |$)"
)
"""Properties that may go with another lens: they stand for it without naming it."""

_BY_NAME = frozenset([*_PROPERTIES, _METADATA_DATE])
"""Told by their names alone, in whichever form they are written."""

Property = tuple[str, str]
"""The way to a text in the tree, or the name of one of the properties above; and the text."""


def check_packet(before: bytes, after: bytes, stated: Stated) -> None:
    """Raises ProofError unless what the packet states of our values is so, and all else as it was.

    An empty `before` is a packet that wasn't there; Damaged is raised where it can't be read.
    """
    try:
        was = list(_properties(before)) if before else []
    except ProofError as error:
        raise Damaged(str(error)) from None
    was = [one for one in was if _PROPERTIES.get(one[0]) not in stated.values]
    new = list(_properties(after))
    dates = ([text for way, text in one if way == _METADATA_DATE] for one in (was, new))
    for one, other in zip_longest(*dates):
        if one is None or other is None or (one != other and not _DATE.fullmatch(other)):
            raise ProofError("the XMP packet's MetadataDate isn't a date")
    old = Counter(one for one in was if one[0] != _METADATA_DATE)
    apart = (*stated.values, _METADATA_DATE)
    foreign = Counter(one for one in new if _PROPERTIES.get(one[0], one[0]) not in apart)
    if not before:
        foreign -= Counter([_FRAME])
    gone = [way for way, _ in old - foreign if not _OF_A_LENS.search(way)]
    if "LensModel" not in stated.values:
        gone += [way for way, _ in old - foreign]
    if gone or foreign - old:
        raise ProofError("the XMP packet no longer states the rest as it did")
    for name, text in _ours(new):
        if name in stated.values and not says(text, name, stated):
            raise ProofError(f"the XMP packet states {text} where {name} was written")


def metadata_date(packet: bytes) -> str | None:
    """When a packet says that its metadata were changed. Raises ProofError where it can't be read.

    None where it doesn't say, or there is no packet.
    """
    if b":MetadataDate" not in packet:
        return None
    return next((text for way, text in _properties(packet) if way == _METADATA_DATE), None)


def _ours(properties: Iterable[Property]) -> Iterator[tuple[str, str]]:
    """The properties that state a tag, by the tag's name."""
    return ((_PROPERTIES[way], text) for way, text in properties if way in _PROPERTIES)


def stated_in(packet: bytes) -> dict[str, list[str]]:
    """What a packet states of the tags that flangeback writes, by their names.

    Nothing where there is no packet. Raises ProofError where it can't be read.
    """
    found: dict[str, list[str]] = {}
    for name, text in _ours(_properties(packet)) if packet else ():
        found.setdefault(name, []).append(text)
    return found


def check_stated(packet: bytes, stated: Stated) -> None:
    """Raises ProofError unless the packet states each value that isn't blank.

    Sub-seconds and the offset from UTC have no property of their own: the date has them in its
    text.
    """
    there = list(_ours(_properties(packet)))
    for name, value in stated.values.items():
        if name not in _PROPERTIES.values() or is_blank(value):
            continue
        texts = [text for one, text in there if one == name]
        if not any(says(text, name, stated) for text in texts):
            instead = f"states {texts[0]} as {name}, not {value}" if texts else f"lacks {name}"
            raise ProofError(f"the XMP packet {instead}")


def is_blank(text: str) -> bool:
    """Whether a value as text says nothing."""
    return text in ("", "0") or text.startswith("0/0")


def says(text: str, name: str, stated: Stated) -> bool:
    """Whether a property's text is a value: a rational as numerator/denominator, a text in full."""
    wanted = stated.values[name]
    if name not in _RATIONALS:
        return text == stated.whole.get(name, wanted)
    if not _RATIONAL.fullmatch(text):
        return False
    return [fraction(*one) for one in numbers(text)] == [fraction(*one) for one in numbers(wanted)]


def _properties(packet: bytes) -> Iterator[Property]:
    """All that a packet says.

    Each property of ours is one text, the items of a sequence with spaces between; of all else each
    text is told by its way through the tree.
    """
    start = packet.find(b"<")
    end = packet.rfind(b">") + 1
    try:
        root = ElementTree.fromstring(packet[start:end])
    except ElementTree.ParseError:
        raise ProofError("the XMP packet can't be read") from None
    yield from _walk(root, "")


def _walk(node: ElementTree.Element, lead: str) -> Iterator[Property]:
    way = f"{lead} {node.tag}"
    is_described = lead.endswith(_RDF)
    if node.text and node.text.strip():
        yield way, node.text.strip()
    for name, text in node.attrib.items():
        yield (name if is_described and name in _BY_NAME else f"{way} {name}"), text
    for child in node:
        if is_described and child.tag in _BY_NAME:
            yield child.tag, " ".join(text.strip() for text in child.itertext() if text.strip())
        else:
            yield from _walk(child, way)
