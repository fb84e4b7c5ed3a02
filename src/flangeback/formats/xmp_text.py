"""An XMP packet as bytes: its XML root, and what stands around it (ISO 16684-1, 7.3)."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from flangeback.formats.splices import Refused

if TYPE_CHECKING:
    from lxml.etree import _Element

_ROOT = re.compile(rb"<([A-Za-z_][^\s/>]*)")


class NotXmp(Refused):
    """The text isn't an XMP packet that may be changed; the message says why."""


def parts_of(packet: bytes) -> tuple[bytes, bytes, bytes] | None:
    """What stands before the XML root, the root itself, and what stands after."""
    start = _root_start(packet)
    root = None if start is None else _ROOT.match(packet, start)
    if start is None or root is None:
        return None
    closing = packet.rfind(b"</" + root[1])
    end = packet.find(b">", closing) + 1
    if closing < start or not end:
        return None
    return packet[:start], packet[start:end], packet[end:]


def _root_start(packet: bytes) -> int | None:
    """Where the first element starts, past processing instructions and comments."""
    at = packet.find(b"<")
    while at >= 0:
        mark = next((m for m in (b"<!--", b"<?") if packet.startswith(m, at)), None)
        if mark is None:
            return at
        end = packet.find(b"-->" if mark == b"<!--" else b"?>", at)
        at = -1 if end < 0 else packet.find(b"<", end)
    return None


def padded(trailer: bytes, change: int) -> bytes:
    """The trailer with `change` bytes of padding more (or fewer, as far as it goes)."""
    padding = len(trailer) - len(trailer.lstrip())
    if change >= 0:
        return b" " * change + trailer
    spare = min(-change, max(0, padding - 1))
    return trailer[spare:]


def root_of(body: bytes) -> _Element:
    """The tree of a root's text. Raises NotXmp where it isn't well-formed, or has entities."""
    from lxml import etree

    refuse_document_type(body)
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, strip_cdata=False
    )
    try:
        return etree.fromstring(body, parser)
    except etree.XMLSyntaxError as error:
        raise NotXmp(f"it isn't well-formed XML ({error})") from None


def refuse_document_type(text: bytes) -> None:
    """No entities are resolved and no document type is taken: a packet needs neither."""
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
        raise NotXmp("it has a document type, which XMP doesn't need")


def text_of(root: _Element) -> bytes:
    """A tree as text, in UTF-8."""
    from lxml import etree

    return etree.tostring(root, encoding="utf-8", xml_declaration=False, with_tail=False)
