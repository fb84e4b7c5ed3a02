"""Which tags a fill comes to, and their values (CIPA DC-008)."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from decimal import Decimal

from flangeback.kit.model import Adapter, Body, Lens
from flangeback.kit.names import seven_bit
from flangeback.kit.optics import equivalent_35mm
from flangeback.tags.table import Rational, Tag, TagValue

UNKNOWN: Rational = (0, 0)
"""How Exif writes a rational that isn't known (CIPA DC-008, LensSpecification)."""
_LARGEST, _LARGEST_SHORT = 2**32 - 1, 2**16 - 1


@dataclass(frozen=True, slots=True)
class Fill:
    """The values worked out for one frame.

    `f_number` and `focal_length` (mm) are what the sensor saw: behind a reducer or extender they
    differ from the lens's marks by its `factor`. What isn't certain is None: of two alike, the
    adapter isn't, but the factor is.
    """

    lens: Lens
    adapter: Adapter | None = None
    f_number: Decimal | None = None
    focal_length: Decimal | None = None
    focal_length_35mm: int | None = None
    factor: Decimal | None = Decimal(1)

    @property
    def is_whole(self) -> bool:
        """Whether focal length and f-number are certain too."""
        return self.f_number is not None and self.focal_length is not None


def effective(marked: Decimal | None, factor: Decimal | None) -> Decimal | None:
    """A focal length or f-number as marked on the lens, times the adapter's factor."""
    if marked is None or factor is None:
        return None
    return marked if factor == 1 else (marked * factor).normalize()


def make_fill(
    lens: Lens,
    adapter: Adapter | None,
    body: Body | None,
    f_number: Decimal | None,
    focal_length: Decimal | None,
    factors: Collection[Decimal] = (),
) -> Fill:
    """The fill for a lens with f-number and focal length (mm) as marked on it.

    `factors` are those of the adapters it may have been, where that isn't known.
    """
    own = adapter.factor if adapter else Decimal(1)
    factor = next(iter(factors), own) if len(set(factors)) < 2 else None
    length = effective(focal_length, factor)
    crop = body.crop_factor if body else None
    return Fill(
        lens,
        adapter,
        effective(f_number, factor),
        length,
        None if length is None or crop is None else equivalent_35mm(length, crop),
        factor,
    )


def decide(fill: Fill, stale: frozenset[Tag] = frozenset()) -> tuple[TagValue, ...]:
    """The tags to write for a fill.

    `stale` are tags the frame carries that describe another lens: those that the fill can't state
    are blanked, so that the copy doesn't mix two lenses.
    """
    replaces = bool(stale - {Tag.FOCAL_LENGTH_35MM})
    stated = {value.tag: value for value in _stated(fill, replaces=replaces)}
    blanks = {tag: blank(tag) for tag in stale if tag not in stated}
    return tuple(sorted((stated | blanks).values(), key=lambda value: value.tag))


def _stated(fill: Fill, *, replaces: bool) -> Iterator[TagValue]:
    lens = fill.lens
    if fill.f_number is not None:
        yield TagValue(Tag.F_NUMBER, (rational(fill.f_number),))
        yield from _apex(Tag.APERTURE_VALUE, fill.f_number)
    # The widest is scaled like the f-number, or a reducer would make a frame look shot at an
    # aperture that its lens doesn't have.
    yield from _apex(Tag.MAX_APERTURE_VALUE, _widest(fill))
    if fill.focal_length is not None:
        yield TagValue(Tag.FOCAL_LENGTH, (rational(fill.focal_length),))
    if fill.focal_length_35mm is not None:
        yield TagValue(Tag.FOCAL_LENGTH_35MM, fill.focal_length_35mm)
    yield TagValue(Tag.LENS_SPECIFICATION, tuple(map(rational, (*lens.focal, *lens.widest))))
    if lens.maker:
        yield text_value(Tag.LENS_MAKE, lens.maker)
    yield replace(text_value(Tag.LENS_MODEL, lens.name), replaces=replaces)
    if lens.serial:
        yield text_value(Tag.LENS_SERIAL_NUMBER, lens.serial)


def _widest(fill: Fill) -> Decimal | None:
    """The smallest f-number the lens has at this focal length, behind its adapter."""
    marked = None
    if fill.focal_length is not None and fill.factor is not None:
        marked = fill.focal_length / fill.factor
    return effective(fill.lens.widest_at(marked) or fill.lens.widest[0], fill.factor)


def aperture_value(f_number: Decimal) -> Decimal:
    """Av = 2 log2 N (CIPA DC-008, annex on APEX units), to four decimals; negative below f/1."""
    return Decimal(f"{2 * math.log2(f_number):.4f}")


def _apex(tag: Tag, f_number: Decimal | None) -> Iterator[TagValue]:
    """The APEX value; none below f/1, since the tag has no sign."""
    value = None if f_number is None else aperture_value(f_number)
    if value is not None and value >= 0:
        yield TagValue(tag, (rational(value),))


def blank(tag: Tag) -> TagValue:
    """What a tag of lens data states where nothing is known (CIPA DC-008, 4.6.6)."""
    if tag in (Tag.LENS_MAKE, Tag.LENS_MODEL, Tag.LENS_SERIAL_NUMBER):
        return TagValue(tag, "")
    if tag == Tag.FOCAL_LENGTH_35MM:
        return TagValue(tag, 0)
    return TagValue(tag, (UNKNOWN,) * (4 if tag == Tag.LENS_SPECIFICATION else 1))


def rational(value: Decimal) -> Rational:
    """The exact fraction people write: 2.8 is 28/10, 58 is 58/1. Beyond 32 bits it is rounded."""
    _, digits, exponent = value.normalize().as_tuple()
    assert isinstance(exponent, int)
    number = int("".join(map(str, digits)))
    if exponent >= 0:
        return number * 10**exponent, 1
    while number > _LARGEST or -exponent > 9:
        number, exponent = round(number / 10), exponent + 1
    return number, 10**-exponent


def text_value(tag: Tag, text: str) -> TagValue:
    """A text tag; letters beyond Exif's 7-bit ASCII are transliterated, and kept in `whole`."""
    written = seven_bit(text)
    return TagValue(tag, written, None if text.isascii() else text)
