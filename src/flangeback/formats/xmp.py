"""An XMP packet brought into agreement with the values written (ISO 16684-1, CIPA DC-010).

Only properties that the packet already states are changed; all else in it is kept.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, NamedTuple

from flangeback.formats.splices import Refused
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


class NotXmp(Refused):
    """The text isn't an XMP packet that may be changed; the message says why."""


def stated(packet: bytes) -> Mapping[int, tuple[str, ...]]:
    """What a packet or sidecar states of lens data, by tag, as written; several of a sequence.

    Nothing where it isn't an XMP packet that can be read. Of two properties for one tag the
    standard's own (exif, exifEX) comes before aux.
    """
    if len(packet) > _LONGEST_PACKET or not any(name in packet for name in _LENS_NAMES):
        return {}
    root = _tree_of(packet)
    there = {} if root is None else {one.name: one.texts for one in _properties(root)}
    return {tag: there[name] for name, tag in reversed(PROPERTIES.items()) if name in there}


def is_readable(packet: bytes) -> bool:
    """Whether a packet is XML in UTF-8 without a document type."""
    return _tree_of(packet) is not None


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
    parts, root = _parts_of(packet), _tree_of(packet)
    if parts is None or root is None or not _bring(root, values, date, is_sidecar=is_sidecar):
        return None
    lead, body, trailer = parts
    fresh = _text_of(root)
    return lead + fresh + _padded(trailer, len(body) - len(fresh))


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
    _refuse_document_type(packet)
    parts = _parts_of(packet)
    if parts is None:
        raise NotXmp("it isn't XML in UTF-8")
    # What stands before and after the root has to be XML in UTF-8, too.
    whole = _root_of(packet.removeprefix(_BOM).rstrip(b"\0")).getroottree()
    if (whole.docinfo.encoding or "UTF-8").upper() not in _ENCODINGS:
        raise NotXmp(f"it isn't in UTF-8, but in {whole.docinfo.encoding}")
    lead, body, trailer = parts
    root = _root_of(body)
    description = next((n for n in _described(root) if n.tag == f"{{{RDF}}}Description"), None)
    if description is None:
        raise NotXmp("it isn't XMP: nothing is described in it")
    missing = _missing(root, values)
    for name, value in missing:
        _state(description, name, value)
    blank = {value.tag for value in values if _is_blank(value)}
    taken = _take_out(root, lambda name: PROPERTIES.get(name) in blank)
    is_settled = is_sidecar and not (missing or taken)
    changed = _bring(root, values, date, is_sidecar=is_settled) or taken
    return lead + _text_of(root) + trailer if changed or missing else packet


def stating(packet: bytes, values: Sequence[TagValue], *, date: str | None) -> bytes | None:
    """A packet inside a picture with all of `values` stated; None when it states them already.

    Its length is kept where its padding allows. Raises NotXmp.
    """
    parts = _parts_of(packet)
    fresh = merged(packet, values, date=date, is_sidecar=False)
    if fresh == packet or parts is None:
        return None
    trailer = parts[2]
    return fresh[: len(fresh) - len(trailer)] + _padded(trailer, len(packet) - len(fresh))


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
    there = {one.name for one in _properties(root)}
    by_tag = {value.tag: value for value in values if not _is_blank(value)}
    names = (*_WRITTEN, f"{{{AUX}}}Lens")
    wanted = [(name, by_tag.get(PROPERTIES[name])) for name in names if name not in there]
    return [(name, value) for name, value in wanted if value is not None]


def _is_blank(value: TagValue) -> bool:
    return not value.value or value.numbers[:1] == (None,)


_PREFIXES = {"exif": EXIF, "exifEX": EXIF_EX, "aux": AUX}


def _state(description: _Element, name: str, value: TagValue) -> None:
    """Adds a property, one at a time in element form, the way packets of element form go on."""
    from lxml import etree

    node = etree.SubElement(description, name, nsmap=_PREFIXES)
    _Property(description, name, node).state(texts_of(value))


class _Property(NamedTuple):
    """What a packet says under a name: an attribute of `node`, or a `child` of it."""

    node: _Element
    name: str
    child: _Element | None

    @property
    def texts(self) -> tuple[str, ...]:
        if self.child is None:
            return (str(self.node.attrib[self.name]),)
        return tuple(text.strip() for text in self.child.itertext() if text.strip())

    def state(self, texts: Sequence[str]) -> bool:
        """Makes it say these texts; whether it didn't before."""
        is_sequence = self.child is not None and self.name in _SEQUENCES
        wanted = tuple(texts) if is_sequence else (" ".join(texts),)
        if self.texts == wanted:
            return False
        if self.child is None:
            self.node.set(self.name, wanted[0])
            return True
        del self.child[:]
        self.child.text = None if is_sequence else wanted[0]
        if is_sequence:
            from lxml import etree

            sequence = etree.SubElement(self.child, f"{{{RDF}}}Seq")
            for text in wanted:
                etree.SubElement(sequence, f"{{{RDF}}}li").text = text
        return True

    def take_out(self) -> None:
        if self.child is None:
            del self.node.attrib[self.name]
        else:
            self.node.remove(self.child)


def _described(root: _Element) -> list[_Element]:
    """The nodes whose attributes and children are the packet's properties.

    What is nested deeper speaks of something else, an ingredient, say (ISO 16684-1, 7.4).
    """
    rdf = root if root.tag == _RDF else root.find(f".//{_RDF}")
    return [] if rdf is None else [node for node in rdf if isinstance(node.tag, str)]


def _properties(root: _Element) -> Iterator[_Property]:
    for node in _described(root):
        yield from [_Property(node, str(name), None) for name in node.attrib]
        children = [child for child in node if isinstance(child.tag, str)]
        yield from [_Property(node, str(child.tag), child) for child in children]


def _bring(
    root: _Element, values: Sequence[TagValue], date: str | None, *, is_sidecar: bool
) -> bool:
    """Whether a property was changed to state our value, or went with another lens."""
    by_tag = {value.tag: value for value in values}
    lens = by_tag.get(Tag.LENS_MODEL)
    changed = lens is not None and lens.replaces and _take_out(root, _OF_A_LENS.match)
    wanted = {name: texts_of(by_tag[tag]) for name, tag in PROPERTIES.items() if tag in by_tag}
    for one in _properties(root):
        changed |= one.name in wanted and one.state(wanted[one.name])
    if date is not None and (changed or not is_sidecar):
        for one in (one for one in _properties(root) if one.name == _METADATA_DATE):
            one.state([date])
            changed = True
    return changed


_METADATA_DATE = "{http://ns.adobe.com/xap/1.0/}MetadataDate"
"""When any metadata of the resource were last changed (ISO 16684-1, 8.4)."""


def _take_out(root: _Element, is_meant: Callable[[str], object]) -> bool:
    """Takes out properties, told by their names; whether there was any."""
    found = [one for one in _properties(root) if is_meant(one.name)]
    for one in found:
        one.take_out()
    return bool(found)


_OF_A_LENS = re.compile(
    r"\{http://ns\.adobe\.com/exif/1\.0/aux/\}(LensID|LensDistortInfo)$"
    r"|\{http://ns\.adobe\.com/exif/1\.0/\}Lens$"
    r"|\{http://ns\.adobe\.com/camera-raw-(settings|defaults)/1\.0/\}LensProfile"
    r"|\{http://ns\.adobe\.com/photoshop/1\.0/\}CameraProfiles$"
    r"|\{http://ns\.microsoft\.com/photo/1\.0/\}Lens(Manufacturer|Model)$"
)
"""Properties that stand for one lens: its number in a maker's list, the profile it was corrected
by (as seen in packets of raw developers)."""


def texts_of(value: TagValue) -> list[str]:
    """The value as XMP writes it: a rational as "28/10", a whole number as it is."""
    if isinstance(value.value, tuple):
        return [f"{top}/{below}" for top, below in value.value]
    return [value.text if isinstance(value.value, str) else str(value.value)]


_ROOT = re.compile(rb"(?:<\?(?>.*?\?>)|<!--(?>.*?-->)|[^<]++)*+<([A-Za-z_][^\s/>]*)", re.DOTALL)
"""Processing instructions and comments, then the first element's name."""


def _parts_of(packet: bytes) -> tuple[bytes, bytes, bytes] | None:
    """What stands before the XML root, the root itself, and what stands after."""
    root = _ROOT.match(packet)
    if root is None:
        return None
    start, closing = root.start(1) - 1, packet.rfind(b"</" + root[1])
    end = packet.find(b">", closing) + 1
    if closing < start or not end:
        return None
    return packet[:start], packet[start:end], packet[end:]


def _padded(trailer: bytes, change: int) -> bytes:
    """The trailer with `change` bytes of padding more (or fewer, as far as it goes)."""
    if change >= 0:
        return b" " * change + trailer
    padding = len(trailer) - len(trailer.lstrip())
    return trailer[min(-change, max(0, padding - 1)) :]


def _root_of(body: bytes) -> _Element:
    """The tree of a root's text. Raises NotXmp where it isn't well-formed, or has entities."""
    from lxml import etree

    _refuse_document_type(body)
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, strip_cdata=False
    )
    try:
        return etree.fromstring(body, parser)
    except etree.XMLSyntaxError as error:
        raise NotXmp(f"it isn't well-formed XML ({error})") from None


def _tree_of(packet: bytes) -> _Element | None:
    """The tree of a packet; None where it can't be read."""
    parts = _parts_of(packet)
    with suppress(NotXmp):
        return None if parts is None else _root_of(parts[1])
    return None


def _refuse_document_type(text: bytes) -> None:
    """No entities are resolved and no document type is taken: a packet needs neither."""
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
        raise NotXmp("it has a document type, which XMP doesn't need")


def _text_of(root: _Element) -> bytes:
    from lxml import etree

    return etree.tostring(root, encoding="utf-8", xml_declaration=False, with_tail=False)
