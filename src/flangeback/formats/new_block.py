"""An Exif block for a file that has none (CIPA DC-008, 4.5 and 4.6.8)."""

from __future__ import annotations

from flangeback.formats.tiff_block import Block

_LEAD = 6
_SRGB, _UNCALIBRATED = 1, 0xFFFF


def new_block(
    size: tuple[int, int] | None, *, is_jpeg: bool = False, has_profile: bool = False
) -> Block:
    """A block with what is mandatory; `size` is the picture's in pixels.

    Values are put in like into any other block, since piexif leaves out the pointer behind the Exif
    directory (TIFF 6.0, section 2) where values follow it.
    """
    import piexif

    main, tags = piexif.ImageIFD, piexif.ExifIFD
    resolution = {main.XResolution: (72, 1), main.YResolution: (72, 1), main.ResolutionUnit: 2}
    exif = {
        tags.ExifVersion: b"0232",
        tags.FlashpixVersion: b"0100",
        tags.ColorSpace: _UNCALIBRATED if has_profile else _SRGB,
    }
    if is_jpeg:
        resolution[main.YCbCrPositioning] = 1
        exif[tags.ComponentsConfiguration] = b"\1\2\3\0"
    if size is not None:
        exif |= {tags.PixelXDimension: size[0], tags.PixelYDimension: size[1]}
    return Block(piexif.dump({"0th": resolution, "Exif": exif})[_LEAD:])
