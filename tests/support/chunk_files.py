"""PNG and WebP files by Pillow, JPEG XL files laid out by hand (ISO/IEC 18181-2)."""

from __future__ import annotations

import io
import zlib
from collections.abc import Mapping

import brotli
from PIL import Image, PngImagePlugin

from support.camera_files import DATE_TIME_ORIGINAL, frame_bytes
from support.heif_files import box

_FRAME = frame_bytes({DATE_TIME_ORIGINAL: b"2026:05:17 09:13:00", 0x927C: bytes(range(90))})
BLOCK = _FRAME[_FRAME.index(b"Exif\0\0") + 6 : _FRAME.index(b"\xff\xdb")]
PACKET = (
    b"<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF "
    b"xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'><rdf:Description "
    b"xmlns:aux='http://ns.adobe.com/exif/1.0/aux/' aux:Lens='----'/></rdf:RDF></x:xmpmeta>"
)


def by_pillow(format: str, *, exif: bool = True, xmp: bool = False, profile: bool = False) -> bytes:
    picture = Image.linear_gradient("L").resize((16, 8)).convert("RGB")
    more: dict[str, object] = {"exif": BLOCK if format == "PNG" else b"Exif\0\0" + BLOCK}
    if format == "PNG":
        info = PngImagePlugin.PngInfo()
        if xmp:
            info.add_itxt("XML:com.adobe.xmp", PACKET.decode(), zip=profile)
        more["pnginfo"] = info
    elif xmp:
        more["xmp"] = PACKET
    out = io.BytesIO()
    picture.save(out, format, **(more if exif else {k: v for k, v in more.items() if k != "exif"}))
    return out.getvalue()


def png_chunk(kind: bytes, contents: bytes) -> bytes:
    """A chunk (PNG, third edition, 5.3)."""
    checksum = zlib.crc32(kind + contents).to_bytes(4, "big")
    return len(contents).to_bytes(4, "big") + kind + contents + checksum


def with_profile(png: bytes, name: bytes, data: bytes, *, deflated: bool) -> bytes:
    """A PNG with a text that has metadata in hexadecimal digits (common practice)."""
    text = b"\n%s\n%8d\n%s\n" % (name, len(data), data.hex().encode())
    kind, packed = (b"zTXt", b"\0" + zlib.compress(text)) if deflated else (b"tEXt", text)
    chunk = png_chunk(kind, b"Raw profile type " + name + b"\0" + packed)
    return png[:33] + chunk + png[33:]


def jpeg_xl(*, exif: bool = True, more: bytes = b"") -> bytes:
    head = b"\0\0\0\x0cJXL \r\n\x87\n" + box(b"ftyp", b"jxl \0\0\0\0jxl ")
    metadata = box(b"Exif", bytes(4) + BLOCK) if exif else b""
    return head + metadata + more + box(b"jxlc", b"\xff\x0a" + bytes(range(100)))


def made_up_chunks() -> Mapping[str, bytes]:
    """A file of each of these structures, by its name."""
    return {
        "PNG": by_pillow("PNG"),
        "PNG without Exif": by_pillow("PNG", exif=False),
        "PNG with XMP": by_pillow("PNG", xmp=True),
        "PNG with compressed XMP": by_pillow("PNG", xmp=True, profile=True),
        "WebP": by_pillow("WEBP"),
        "WebP with XMP": by_pillow("WEBP", xmp=True),
        "WebP with XMP alone": by_pillow("WEBP", exif=False, xmp=True),
        "JPEG XL": jpeg_xl(),
        "JPEG XL without Exif": jpeg_xl(exif=False),
        "JPEG XL with XMP": jpeg_xl(more=box(b"xml ", PACKET)),
        "JPEG XL with compressed XMP": jpeg_xl(
            more=box(b"brob", b"xml " + brotli.compress(PACKET))
        ),
    }
