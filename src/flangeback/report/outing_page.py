"""The page of an outing: what needs a person, the timeline, the frames, the log, the proof."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from flangeback.frames.model import Frame
from flangeback.kit.model import Kit
from flangeback.log.model import SessionLog
from flangeback.match.model import FrameMatch, Matches
from flangeback.report.runs import Section, sections, shown_fill
from flangeback.report.settling import Case, cases
from flangeback.words import f_number, focal_length, listed

if TYPE_CHECKING:
    from flangeback.report.lanes import Timeline
    from flangeback.report.thumbnails import Thumbnail

_MOST_THUMBNAILS = 1500
"""With more frames than this, only each run's first and last and those for a person have one."""
_MOST_SHOWN = 6
"""So many frames of one case are shown at most, twice as many of a clock's: the first three, and
the last two of more."""


@dataclass(frozen=True)
class OutingPage:
    """All that the page of an outing shows.

    `remarks` are what needs a person besides the frames, `says_before` where the frames' lens data
    is what stood in them before.
    """

    folder: str
    matches: Matches
    logs: Sequence[SessionLog]
    kit: Kit
    says_before: bool = True
    remarks: Sequence[str] = ()

    @cached_property
    def numbers(self) -> Mapping[str, int]:
        """By file, the number of a frame among the matches: the page's anchors go by it."""
        return {found.frame.file: n for n, found in enumerate(self.matches.frames)}

    @cached_property
    def sections(self) -> Sequence[Section]:
        """The frames, by body and span."""
        return tuple(sections(self.matches))

    @cached_property
    def cases(self) -> Sequence[Case]:
        """What needs a person."""
        return tuple(cases(self.matches, self.logs, self.kit))

    @cached_property
    def timeline(self) -> Timeline:
        """The drawing."""
        from flangeback.report.lanes import timeline_of

        return timeline_of(self.matches, self.logs)

    @cached_property
    def lenses(self) -> Mapping[str, int]:
        """The lenses on the timeline, numbered in the order in which they came."""
        bands = (band for lane in self.timeline.lanes for band in lane.bands)
        keys = dict.fromkeys(band.lens for band in sorted(bands, key=lambda band: band.left))
        return {key: n for n, key in enumerate(keys)}

    @property
    def days(self) -> str:
        """The days of the frames, by the log's clock."""
        days = sorted({found.time.date() for found in self.matches.frames if found.time})
        if not days:
            return "no frame has a time"
        return f"{days[0]}" if len(days) == 1 else f"{days[0]} to {days[-1]}"

    @property
    def bodies(self) -> str:
        """The bodies, by key and model."""
        made = dict.fromkeys(
            f"{section.title} ({section.model})" if section.model else section.title
            for section in self.sections
            if section.body is not None
        )
        return listed(made) if made else "none"

    def thumbnail(self, found: FrameMatch) -> Thumbnail | None:
        """A frame's thumbnail, read once; None where it gets none."""
        from flangeback.report.thumbnails import thumbnail

        file = found.frame.file
        if file not in self._thumbnails:
            self._thumbnails[file] = thumbnail(found.frame) if self.shows(found) else None
        return self._thumbnails[file]

    def shows(self, found: FrameMatch) -> bool:
        """Whether a frame gets a thumbnail: all do, if they aren't too many."""
        return found.frame.file in self._with_thumbnail

    _thumbnails: dict[str, Thumbnail | None] = field(default_factory=dict)

    @cached_property
    def _with_thumbnail(self) -> frozenset[str]:
        frames = self.matches.frames
        if len(frames) <= _MOST_THUMBNAILS:
            return frozenset(found.frame.file for found in frames)
        runs = [run for section in self.sections for run in section.runs]
        ends = [found for run in runs for found in (run.first, run.last)]
        strips = [found for case in self.cases for found in strip(case) if found is not None]
        return frozenset(found.frame.file for found in (*ends, *strips))

    def log_rows(self, log: SessionLog) -> Iterator[tuple[int, str, int | None, int | None]]:
        """Each line of a log: its number, its text, how many frames it got, the first's number.

        What is no entry has None for frames.
        """
        of_log = [found for found in self.matches.frames if found.log == log.file]
        counts = Counter(found.log_line for found in of_log)
        entries = {entry.line for entry in log.entries}
        firsts: dict[int | None, int] = {}
        for found in of_log:
            firsts.setdefault(found.log_line, self.numbers[found.frame.file])
        for line, text in enumerate(log.lines, 1):
            frames = counts[line] if line in entries else None
            yield line, text.rstrip(), frames, firsts.get(line)


def strip(case: Case) -> Sequence[FrameMatch | None]:
    """The frames of a case, with those just before and after it; None stands for some left out."""
    frames: list[FrameMatch | None] = list(case.run.frames)
    if len(frames) > (_MOST_SHOWN if case.clock is None else 2 * _MOST_SHOWN):
        frames[3:-2] = [None]
    before, after = ([one] if one else [] for one in (case.before, case.after))
    return (*before, *frames, *after)


def values_of(found: FrameMatch) -> str:
    """What is written into a frame's copy, or stands there already, in a few words."""
    fill = shown_fill(found)
    if fill is None:
        return ""
    length = focal_length(fill.focal_length)
    if fill.focal_length_35mm:
        length += f" ({focal_length(fill.focal_length_35mm)} equivalent)"
    return ", ".join((fill.lens.name, f_number(fill.f_number), length))


def on_the_ring(found: FrameMatch) -> str:
    """What an estimate is on the ring, where a reducer or extender stands behind it."""
    fill, estimate = found.fill, found.estimate
    if estimate is None or fill is None or fill.factor in (None, 1):
        return ""
    return f" ({f_number(round(estimate.f_number / float(fill.factor or 1), 1))} on the ring)"


def before_of(frame: Frame) -> str:
    """What lens data stood in a frame before, in a few words."""
    data = frame.lens_data
    words = [data.lens or ("a lens by specification" if data.says_lens else "")]
    words += [f_number(data.f_number)] if data.f_number else []
    if data.focal_length:
        registered = " registered" if data.registered_focal_length else ""
        words.append(focal_length(data.focal_length) + registered)
    return ", ".join(word for word in words if word) or "blank"
