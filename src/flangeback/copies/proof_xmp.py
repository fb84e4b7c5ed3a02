"""Proof of an XMP packet that was brought into agreement, by the standard library's XML reader."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from xml.etree import ElementTree

from flangeback.containers.tiff import Damaged
from flangeback.copies.transfer import ProofError
from flangeback.embed.xmp import PROPERTIES, rational_texts
from flangeback.tags.table import Tag, TagValue

_RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}RDF"
_ABOUT = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}about"
_FRAME: list[tuple[str, str]] = [
    (
        " {adobe:ns:meta/}xmpmeta {http://www.w3.org/1999/02/22-rdf-syntax-ns#}RDF "
        f"{{http://www.w3.org/1999/02/22-rdf-syntax-ns#}}Description {_ABOUT}",
        "",
    )
]
"""What any packet says before it states anything."""

Property = tuple[str, str]
"""The way to a text in the tree, and the text."""


def check_packet(before: bytes, after: bytes, values: Sequence[TagValue]) -> None:
    """Raises ProofError unless what the packet states of our values is so, and all else as it
    was. An empty `before` is a packet that wasn't there; Damaged is raised where it can't be read.
    """
    old, new = list(_stated_before(before)), list(_properties(after))
    wanted = {value.tag: value for value in values}
    foreign = Counter(_foreign(new, wanted))
    if not before:
        foreign -= Counter(_FRAME)
    if Counter(_foreign(old, wanted)) != foreign:
        raise ProofError("the XMP packet no longer states the rest as it did")
    for way, text in new:
        name = _owned(way)
        value = wanted.get(PROPERTIES[name]) if name else None
        if value is not None and text not in _texts(value):
            raise ProofError(f"the XMP packet states {text} where {value.name} was written")


def _stated_before(packet: bytes) -> Iterator[Property]:
    try:
        yield from _properties(packet) if packet else ()
    except ProofError as error:
        raise Damaged(str(error)) from None


def check_stated(packet: bytes, values: Sequence[TagValue]) -> None:
    """Raises ProofError unless the packet states each value that isn't blank. Sub-seconds and the
    offset from UTC have no property of their own: the date has them in its text."""
    owned = {(_owned(way), text) for way, text in _properties(packet)}
    for value in values:
        names = [name for name, tag in PROPERTIES.items() if tag == value.tag]
        if (
            names
            and _says_something(value)
            and not any((name, text) in owned for name in names for text in _texts(value))
        ):
            raise ProofError(f"the XMP packet doesn't state {value.name}")


def _says_something(value: TagValue) -> bool:
    return bool(value.value) and value.numbers[:1] != (None,)


def _texts(value: TagValue) -> list[str]:
    if isinstance(value.value, str):
        return [value.text]
    texts = rational_texts(value)
    return [*texts, " ".join(texts)]


def _owned(way: str) -> str | None:
    """Which of our properties a way leads to: an attribute or child of what rdf:RDF describes."""
    names = way.split(" ")
    place = names.index(_RDF) + 2 if _RDF in names else len(names)
    return names[place] if names[place : place + 1] and names[place] in PROPERTIES else None


def _foreign(properties: Sequence[Property], wanted: Collection[Tag]) -> Iterator[Property]:
    """What the packet states besides the values that were to be written."""
    for one in properties:
        name = _owned(one[0])
        if name is None or PROPERTIES[name] not in wanted:
            yield one


def _properties(packet: bytes) -> Iterator[Property]:
    start = packet.find(b"<")
    end = packet.rfind(b">") + 1
    try:
        root = ElementTree.fromstring(packet[start:end])
    except ElementTree.ParseError:
        raise ProofError("the XMP packet can't be read") from None
    yield from _walk(root, "")


def _walk(node: ElementTree.Element, lead: str) -> Iterator[Property]:
    way = f"{lead} {node.tag}"
    if node.text and node.text.strip():
        yield way, node.text.strip()
    for name, text in node.attrib.items():
        yield f"{way} {name}", text
    for child in node:
        yield from _walk(child, way)
