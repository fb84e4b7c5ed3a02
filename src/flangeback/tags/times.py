"""The true time as tags (CIPA DC-008, 4.6.5.2) and as one XMP date (ISO 16684-1, 8.2.1.2)."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from datetime import datetime, timedelta, timezone

from flangeback.tags.table import CHANGED, DIGITIZED, ORIGINAL, TIME_TAGS, TagValue
from flangeback.words import utc_offset

_MINUTE = timedelta(minutes=1)


def true_time(
    time: datetime,
    said: datetime,
    resolution: timedelta,
    offset: timedelta | None,
    *,
    alike: Collection[int] = (),
) -> tuple[TagValue, ...]:
    """The tags that state when a frame was made; none where it says just that already.

    Of those that state when it was digitized or changed, the ones `alike` come along: a camera
    does all at once.

    `time` is the true time, aware where the zone is known; `said`, `resolution` and `offset` are
    the frame's own reading, its width, and the offset from UTC it states. The camera's own
    resolution is kept: no sub-seconds where it gave none, else as many digits as it gave.
    """
    true, known = time, time.utcoffset()
    if known is not None and known % _MINUTE:
        # Exif states whole minutes; the mean solar times of old zones have seconds.
        known = round(known / _MINUTE) * _MINUTE
        true = time.astimezone(timezone(known))
    digits = next(n for n in range(7) if n == 6 or resolution >= timedelta(seconds=10**-n))
    fraction = f"{true.microsecond:06}"[:digits]
    wall = true.replace(tzinfo=None, microsecond=int(fraction.ljust(6, "0")))
    if wall == said and known in (None, offset):
        return ()
    stated = _stated(wall, fraction, known, alike)
    return tuple(sorted(stated, key=lambda value: value.tag))


def without_time(values: Sequence[TagValue]) -> tuple[TagValue, ...]:
    """The values that don't say when."""
    return tuple(value for value in values if value.tag not in TIME_TAGS)


def _stated(
    wall: datetime, fraction: str, offset: timedelta | None, alike: Collection[int]
) -> Iterator[TagValue]:
    zone = "" if offset is None else utc_offset(offset)
    day = f"{wall.year:04}:{wall.month:02}:{wall.day:02}"
    clock = f"{wall:%H:%M:%S}"
    parts = f".{fraction}" if fraction else ""
    whole = f"{day.replace(':', '-')}T{clock}{parts}{zone}"
    texts = (f"{day} {clock}", fraction, zone)
    for tags in (ORIGINAL, DIGITIZED, CHANGED):
        for tag, text in zip(tags, texts, strict=True):
            if text and (tag in ORIGINAL or tag in alike):
                yield TagValue(tag, text, whole if text is texts[0] else None)
