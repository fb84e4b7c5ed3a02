"""An XMP packet brought into agreement with the values written (ISO 16684-1, CIPA DC-010).

Only properties that the packet already states are changed; all else in it is kept.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from flangeback.formats.xmp_text import (
    NotXmp,
    padded,
    parts_of,
    refuse_document_type,
    root_of,
    text_of,
)
from flangeback.tags.table import TIME_TAGS, Tag, TagValue

if TYPE_CHECKING:
    from lxml.etree import _Element

RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
EXIF = "http://ns.adobe.com/exif/1.0/"
EXIF_EX = "http://cipa.jp/exif/1.0/"
AUX = "http://ns.adobe.com/exif/1.0/aux/"

PROPERTIES = {
    f"{{{EXIF}}}DateTimeOriginal": Tag.DATE_TIME_ORIGINAL,
    f"{{{EXIF}}}DateTimeDigitized": Tag.DATE_TIME_DIGITIZED,
    "{http://ns.adobe.com/xap/1.0/}CreateDate": Tag.DATE_TIME_DIGITIZED,
    "{http://ns.adobe.com/photoshop/1.0/}DateCreated": Tag.DATE_TIME_ORIGINAL,
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
"""Each property that states one of our values, as {namespace}name. A date has its sub-seconds and
offset in it (CIPA DC-010)."""

_SEQUENCES = frozenset([f"{{{EXIF_EX}}}LensSpecification"])
_NAMES = tuple((name.partition("}")[2].encode(), tag) for name, tag in PROPERTIES.items())
_LENS_NAMES = tuple(name for name, tag in _NAMES if tag not in TIME_TAGS)
_RDF = f"{{{RDF}}}RDF"


def rational_texts(value: TagValue) -> list[str]:
    """The value as XMP writes numbers: a rational as "28/10", a whole number as it is."""
    if isinstance(value.value, int):
        return [str(value.value)]
    assert not isinstance(value.value, str)
    return [f"{top}/{below}" for top, below in value.value]


def stated(packet: bytes) -> Mapping[int, tuple[str, ...]]:
    """What a packet or sidecar states of lens data, by tag, as written; several of a sequence.

    Nothing where it isn't an XMP packet that can be read. Of two properties for one tag the
    standard's own (exif, exifEX) comes before aux.
    """
    if len(packet) > _LONGEST_PACKET or not any(name in packet for name in _LENS_NAMES):
        return {}
    parts = parts_of(packet)
    try:
        described = [] if parts is None else _described(root_of(parts[1]))
    except NotXmp:
        return {}
    there: dict[str, tuple[str, ...]] = {}
    for node in described:
        there |= {str(name): (str(text),) for name, text in node.attrib.items()}
        for child in (child for child in node if isinstance(child.tag, str)):
            there[str(child.tag)] = tuple(t.strip() for t in child.itertext() if t.strip())
    return {tag: there[name] for name, tag in reversed(PROPERTIES.items()) if name in there}


def is_readable(packet: bytes) -> bool:
    """Whether a packet is XML in UTF-8 without a document type."""
    parts = parts_of(packet)
    try:
        return parts is not None and root_of(parts[1]) is not None
    except NotXmp:
        return False


def agreed(
    packet: bytes,
    values: Sequence[TagValue],
    *,
    date: str | None = None,
    is_sidecar: bool = False,
) -> bytes | None:
    """The packet with each of `values` that it states made so.

    None when it states none, when they agree already, or when it isn't well-formed XML (so that no
    reader takes it). Where the lens replaces another one, all that speaks of that goes. `date`
    goes into its xmp:MetadataDate: in a picture whatever it states, since the Exif data change; in
    a sidecar where that changes.

    The length stays where the packet's own padding allows.
    """
    tags = {value.tag for value in values}
    has_date = date is not None and not is_sidecar and b":MetadataDate" in packet
    states_one = any(tag in tags and name in packet for name, tag in _NAMES)
    if not (states_one or has_date or b":Lens" in packet):
        return None
    if len(packet) > _LONGEST_PACKET:
        raise NotXmp(f"the XMP packet has more than {_LONGEST_PACKET >> 20} MiB")
    parts = parts_of(packet)
    if parts is None:
        return None
    lead, body, trailer = parts
    try:
        root = root_of(body)
    except NotXmp:
        return None
    if not _bring(root, values, date, is_sidecar=is_sidecar):
        return None
    fresh = text_of(root)
    return lead + fresh + padded(trailer, len(body) - len(fresh))


def merged(
    packet: bytes,
    values: Sequence[TagValue],
    *,
    date: str | None = None,
    is_sidecar: bool = True,
) -> bytes:
    """A packet with all of `values` stated, blank ones taken out; what it says besides is kept.

    Raises NotXmp where it isn't an XMP packet that may be changed. For `date` see [agreed].
    """
    if len(packet) > _LONGEST_PACKET:
        raise NotXmp(f"it has more than {_LONGEST_PACKET >> 20} MiB")
    refuse_document_type(packet)
    parts = parts_of(packet)
    if parts is None:
        raise NotXmp("it isn't XML in UTF-8")
    # What stands before and after the root has to be XML in UTF-8, too.
    whole = root_of(packet.removeprefix(_BOM).rstrip(b"\0")).getroottree()
    if (whole.docinfo.encoding or "UTF-8").upper() not in _ENCODINGS:
        raise NotXmp(f"it isn't in UTF-8, but in {whole.docinfo.encoding}")
    lead, body, trailer = parts
    root = root_of(body)
    description = next((n for n in _described(root) if n.tag == f"{{{RDF}}}Description"), None)
    if description is None:
        raise NotXmp("it isn't XMP: nothing is described in it")
    missing = _missing(root, values)
    for name, value in missing:
        _state(description, name, value)
    blank = {value.tag for value in values if _is_blank(value)}
    taken = _take_out(_described(root), lambda name: PROPERTIES.get(name) in blank)
    is_settled = is_sidecar and not (missing or taken)
    changed = _bring(root, values, date, is_sidecar=is_settled) or taken
    return lead + text_of(root) + trailer if changed or missing else packet


def stating(packet: bytes, values: Sequence[TagValue], *, date: str | None) -> bytes | None:
    """A packet inside a picture with all of `values` stated; None when it states them already.

    Its length is kept where its padding allows. Raises NotXmp.
    """
    parts = parts_of(packet)
    fresh = merged(packet, values, date=date, is_sidecar=False)
    if fresh == packet or parts is None:
        return None
    trailer = parts[2]
    return fresh[: len(fresh) - len(trailer)] + padded(trailer, len(packet) - len(fresh))


def new_packet(values: Sequence[TagValue]) -> bytes:
    """An XMP packet that states just these values (ISO 16684-1, 7.3)."""
    return _HEADER + merged(_EMPTY, values) + _PADDING + _TRAILER_TEXT


_LONGEST_PACKET = 16 << 20
_BOM = b"\xef\xbb\xbf"
_ENCODINGS = ("UTF-8", "UTF8", "US-ASCII", "ASCII")
_HEADER = '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'.encode()
_EMPTY = (
    f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="{RDF}">'
    f'<rdf:Description rdf:about="" xmlns:exif="{EXIF}" xmlns:exifEX="{EXIF_EX}" '
    f'xmlns:aux="{AUX}"/></rdf:RDF></x:xmpmeta>'
).encode()
_PADDING = b"\n" + (b" " * 99 + b"\n") * 10
_TRAILER_TEXT = b'<?xpacket end="w"?>'

_WRITTEN = tuple(name for name in PROPERTIES if name.startswith((f"{{{EXIF}}}", f"{{{EXIF_EX}}}")))
"""What a packet is made to state; of aux: only the lens, in its own line."""


def _missing(root: _Element, values: Sequence[TagValue]) -> list[tuple[str, TagValue]]:
    """The properties that the packet doesn't state yet, blank ones left out."""
    described = _described(root)
    there = {str(child.tag) for node in described for child in node}
    there.update(str(name) for node in described for name in node.attrib)
    by_tag = {value.tag: value for value in values}
    found = []
    for name in (*_WRITTEN, f"{{{AUX}}}Lens"):
        value = by_tag.get(PROPERTIES[name])
        if name not in there and value is not None and not _is_blank(value):
            found.append((name, value))
    return found


def _is_blank(value: TagValue) -> bool:
    return not value.value or value.numbers[:1] == (None,)


def _state(description: _Element, name: str, value: TagValue) -> None:
    """Adds a property, one at a time in element form, the way packets of element form go on."""
    from lxml import etree

    node = etree.SubElement(description, name, nsmap=_PREFIXES)
    if name in _SEQUENCES:
        _set_sequence(node, _texts(value))
    else:
        node.text = " ".join(_texts(value))


_PREFIXES = {"exif": EXIF, "exifEX": EXIF_EX, "aux": AUX}


def _described(root: _Element) -> list[_Element]:
    """The nodes whose attributes and children are the packet's properties.

    What is nested deeper speaks of something else, an ingredient, say (ISO 16684-1, 7.4).
    """
    rdf = root if root.tag == _RDF else root.find(f".//{_RDF}")
    return [] if rdf is None else [node for node in rdf if isinstance(node.tag, str)]


def _bring(
    root: _Element, values: Sequence[TagValue], date: str | None, *, is_sidecar: bool
) -> bool:
    """Whether a property was changed to state our value, or went with another lens."""
    by_tag = {value.tag: value for value in values}
    described = _described(root)
    lens = by_tag.get(Tag.LENS_MODEL)
    replaces = lens is not None and lens.replaces
    changes = [_take_out(described, _OF_A_LENS.match)] if replaces else []
    changes += [_bring_attributes(node, by_tag) for node in described]
    changes += [_bring_content(child, by_tag) for node in described for child in node]
    if date is not None and (any(changes) or not is_sidecar):
        changes.append(_date(described, date))
    return any(changes)


def _date(described: Sequence[_Element], date: str) -> bool:
    """Whether the packet has a MetadataDate, which is set to `date`."""
    dated = False
    for node in described:
        if _METADATA_DATE in node.attrib:
            node.set(_METADATA_DATE, date)
            dated = True
        for child in node.findall(_METADATA_DATE):
            child.text, dated = date, True
    return dated


_METADATA_DATE = "{http://ns.adobe.com/xap/1.0/}MetadataDate"
"""When any metadata of the resource were last changed (ISO 16684-1, 8.4)."""


def _take_out(described: Sequence[_Element], is_meant: Callable[[str], object]) -> bool:
    """Takes out properties, told by their names; whether there was any."""
    found = False
    for node in described:
        for name in [str(name) for name in node.attrib if is_meant(str(name))]:
            del node.attrib[name]
            found = True
        for child in [child for child in node if is_meant(str(child.tag))]:
            node.remove(child)
            found = True
    return found


_OF_A_LENS = re.compile(
    r"\{http://ns\.adobe\.com/exif/1\.0/aux/\}(LensID|LensDistortInfo)$"
    r"|\{http://ns\.adobe\.com/exif/1\.0/\}Lens$"
    r"|\{http://ns\.adobe\.com/camera-raw-(settings|defaults)/1\.0/\}LensProfile"
    r"|\{http://ns\.adobe\.com/photoshop/1\.0/\}CameraProfiles$"
    r"|\{http://ns\.microsoft\.com/photo/1\.0/\}Lens(Manufacturer|Model)$"
)
"""Properties that stand for one lens: its number in a maker's list, the profile it was corrected
by (as seen in packets of raw developers)."""


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
