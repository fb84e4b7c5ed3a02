"""Counts the frames of filled folders, from their manifests, and of any others, from their tags."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import chain
from pathlib import Path

from flangeback.copies.manifest import Manifest, filled_below
from flangeback.copies.records import Record
from flangeback.errors import InputError
from flangeback.frames.lens_data import rational
from flangeback.frames.model import Frame, without_suffix
from flangeback.frames.scanning import files_below, frames_of, is_of_copies
from flangeback.survey.model import BodyName
from flangeback.tally.model import Taken, Tally

_FILLED = frozenset(["fill", "partial"])
_BY_LOG = _FILLED | {"agree"}
"""Outcomes of frames that were made with what the log says."""
_SIDECAR = ".xmp"


def tally_folders(folders: Sequence[Path], progress: Callable[[int], None] | None = None) -> Tally:
    """The frames of some folders, counted.

    In a folder that `fill` made, the manifest stands above the tags, and frames that are no
    longer there still count, as not kept. In a folder above such ones, they are what counts.
    `progress` is called with the count so far.

    Raises InputError when a folder isn't there, can't be read, holds no frames, or is given twice.
    """
    folders = [each for folder in folders for each in filled_below(folder)]
    _check(folders)
    taken: Counter[Taken] = Counter()
    damaged = 0
    for folder in folders:
        before = taken.total() + damaged
        with Manifest(folder) as lines:
            manifest = _Manifest({record.copy: record for record in lines.records()})
        there = map(manifest.taken, frames_of(folder, files_below(folder)))
        for found in chain(there, manifest.gone()):
            if found is None:
                damaged += 1
            else:
                taken[found] += 1
            if progress:
                progress(taken.total() + damaged)
        if taken.total() + damaged == before:
            expected = "a folder of frames, or one that `fill` made"
            raise InputError.at(folder, "there are no frames in it", expected)
    return Tally(taken, len(folders), damaged)


def _check(folders: Sequence[Path]) -> None:
    """Raises InputError where a frame would count twice.

    A folder that `fill` made is passed over in one above it.
    """
    whole = [folder.resolve() for folder in folders]
    for number, folder in enumerate(whole):
        for other in whole[:number]:
            inner = folder if other in folder.parents else other
            is_nested = folder in other.parents or other in folder.parents
            if folder == other or (is_nested and not is_of_copies(inner)):
                text = f"its frames are those of {folders[whole.index(other)]} too"
                expected = "each folder once, and none inside another"
                raise InputError.at(folders[number], text, expected)


class _Manifest:
    """A filled folder's records, by the frames they are of."""

    def __init__(self, records: Mapping[str, Record]) -> None:
        self._records = records
        self._by_stem: dict[str, list[Record]] = defaultdict(list)
        for record in records.values():
            self._by_stem[self._stem(record.copy)].append(record)
        self._there: set[str] = set()
        self._bodies: dict[str | None, str] = {}

    def _stem(self, copy: str) -> str:
        """What a frame's files have in common: NAME of NAME.JPG, NAME.xmp and NAME.ARW.xmp."""
        stem = without_suffix(copy)
        is_sidecar = copy.lower().endswith(_SIDECAR)
        return self._stem(stem) if is_sidecar and stem in self._records else stem

    def taken(self, seen: Frame) -> Taken | None:
        """A frame that is there, by tags and by what was written; None for a damaged one."""
        self._there.add(self._stem(seen.file))
        if seen.damage is not None:
            return None
        body = str(BodyName(seen.make, seen.model, seen.serial))
        data = seen.lens_data
        tags = Taken(
            body,
            None,
            data.lens,
            _rounded(data.f_number),
            None if data.widest_f_number is None else float(data.widest_f_number),
            _rounded(data.focal_length),
            data.focal_length_35mm,
            month=f"{seen.time.at:%Y-%m}" if seen.time else None,
        )
        own = self._records.get(seen.file)
        if own is None:
            return tags
        self._bodies.setdefault(own.body, body)
        return _as_written(own, self._written(own), tags)

    def _written(self, own: Record) -> Record:
        """The record of the values: the file's own, else its sidecar's."""
        if own.values:
            return own
        beside = self._by_stem[self._stem(own.copy)]
        return next((one for one in beside if one.values and one.is_sidecar), own)

    def gone(self) -> Iterator[Taken]:
        """Filled frames that are no longer there."""
        for stem, records in self._by_stem.items():
            if stem in self._there:
                continue
            own = next((one for one in records if one.values), records[0])
            if own.outcome in _FILLED:
                body = self._bodies.get(own.body) or own.body or str(BodyName(None, None, None))
                yield _as_written(own, own, Taken(body, kept=False))


def _as_written(own: Record, written: Record, tags: Taken) -> Taken:
    """The frame with the values that were written for it, over those of its tags."""
    values: Mapping[str, str] = written.values or {}
    f_number, focal, focal_35mm, widest = (
        rational(values.get(name, ""))
        for name in ("FNumber", "FocalLength", "FocalLengthIn35mmFilm", "MaxApertureValue")
    )
    return replace(
        tags,
        adapter=own.adapter if own.outcome in _BY_LOG else None,
        lens=written.whole.get("LensModel") or values.get("LensModel") or tags.lens,
        f_number=_rounded(f_number) or tags.f_number,
        widest=2 ** (float(widest) / 2) if widest else tags.widest,
        focal_length=_rounded(focal) or tags.focal_length,
        focal_length_35mm=int(focal_35mm or 0) or tags.focal_length_35mm,
        filled=own.outcome in _FILLED,
    )


def _rounded(value: float | Fraction | None) -> float | None:
    """Rounded as people read it: f/2.82 and 58.1 mm."""
    return None if value is None else round(float(value), 2 if value < 10 else 1)
