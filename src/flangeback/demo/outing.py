"""A made-up outing to Lindholm harbour: frames, the log kept along the way, the kit.

Two bodies, three adapted lenses, a reducer, one lens of each body's own, and the slips that an
outing has: clocks that are wrong, a ring moved without a note, a forgotten stretch, a frame the
card lost half of.
"""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import NamedTuple

from flangeback import profiles, system
from flangeback.errors import InputError

LOG = """\
# Lindholm harbour, Sunday morning, low sun and thin clouds
date 2026-05-17
zone Europe/Stockholm
clock k7 fast 3m20s               # held against the phone
clock n2 N2_0401 shows 09:05:10   # the clock on the harbour office

09:02   n2 off                            # its own 20 mm
09:12   k7 miran58 f/2.8 via m42-e
09:26   k7 f/5.6
9.31    n2 tolvan28 open via f-mft
09:40   k7 f/8
09:44   n2 f/4-5.6                        # ring between the two
K7_0213..K7_0214   k7 miran58 f/4         # the two of the red boat
09:58   n2 f/8
10:05-10:25   k7 brask135 f/5.6 "cranes, from the tripod"
10:40   k7 miran58 f/4                    # gulls
10:45   k7 tolvan28 f/5.6 via f-e-reducer
10:52   k7 f/?                            # turned the ring, no idea to what
11:00   k7 off
"""
"""The log: each entry to the minute, as people write them."""
_ZONE = timezone(timedelta(hours=2))
"""What Europe/Stockholm is in May."""
_REDUCER = Decimal("0.71")
_DAMAGED_AT = 214
"""The damaged frame ends here, in the middle of its first directory."""


class Outing(NamedTuple):
    """Where the outing lies."""

    frames: Path
    log: Path
    kit: Path


class _Frame(NamedTuple):
    """One frame as it really was.

    `clock` is the right time, `stop` the f-number the ring stood at, `pan` where the lens looked,
    `light` by how many stops a cloud changed the light, `registered` the focal length set for the
    stabiliser (mm). One that `is_cut` is damaged.
    """

    number: int
    clock: str
    lens: str
    stop: str
    pan: float
    registered: int | None = None
    light: float = 0.0
    upright: bool = False
    is_cut: bool = False

    @property
    def is_k7(self) -> bool:
        """Whether it is the greater body's; its numbers are lower."""
        return self.number < 400

    @property
    def name(self) -> str:
        return f"{'K7' if self.is_k7 else 'N2'}_{self.number:04d}.JPG"

    @property
    def at(self) -> datetime:
        return datetime.fromisoformat(f"2026-05-17 {self.clock}")

    @property
    def factor(self) -> Decimal:
        return _REDUCER if self.is_k7 and self.lens == "tolvan28" else Decimal(1)


_FRAMES = (
    # Before the first entry; then within its own minute.
    _Frame(201, "09:08:15", "miran58", "2.8", -0.2),
    _Frame(202, "09:12:38", "miran58", "2.8", -0.35),
    _Frame(203, "09:14:05", "miran58", "2.8", 0.1),
    # Already filled, by a registered lens of the body's menu.
    _Frame(204, "09:19:40", "named58", "2.8", 0.25),
    # The body's own zoom, put on for one frame and not noted.
    _Frame(205, "09:22:11", "native35", "8", 0.3),
    _Frame(206, "09:24:30", "miran58", "2.8", 0.55),
    # The ring is turned within the minute; two stops of shutter time say between which frames.
    _Frame(207, "09:26:11", "miran58", "2.8", 0.9),
    _Frame(208, "09:26:47", "miran58", "5.6", 0.88),
    _Frame(209, "09:30:05", "miran58", "5.6", -0.9, registered=58),
    _Frame(210, "09:35:16", "miran58", "5.6", -1.5, registered=58),
    # One stop, a cloud of half a stop, one frame in the minute: it can't be told.
    _Frame(211, "09:40:31", "miran58", "5.6", -1.2, registered=58, light=-0.5),
    _Frame(212, "09:43:10", "miran58", "8", -0.6, registered=58),
    _Frame(213, "09:47:20", "miran58", "4", 1.4, registered=58),
    _Frame(214, "09:47:52", "miran58", "4", 1.45, registered=58),
    _Frame(215, "09:52:40", "miran58", "8", 1.9, registered=58),
    # Between two lenses, pauses on both sides, a cloud again.
    _Frame(216, "10:05:30", "brask135", "5.6", -0.55, light=-0.5),
    # The stabiliser was left at 50 mm.
    _Frame(217, "10:08:00", "brask135", "5.6", -0.72, registered=50, upright=True),
    _Frame(218, "10:10:25", "brask135", "5.6", -0.45, registered=50),
    _Frame(219, "10:14:10", "brask135", "5.6", 0.31, registered=50),
    # The ring was turned to f/11 and no note made: the log's word is filled, the light objects.
    _Frame(220, "10:18:35", "brask135", "11", 0.98, registered=50),
    _Frame(221, "10:21:50", "brask135", "11", 1.1, registered=50),
    # The log stops at 10:25, the photographer doesn't.
    _Frame(222, "10:29:20", "brask135", "5.6", 1.35, registered=50),
    _Frame(223, "10:33:05", "brask135", "5.6", 1.8, registered=50),
    # Gulls, hardly a pause, then one long enough to change lenses.
    _Frame(224, "10:44:57", "miran58", "4", 0.6),
    _Frame(225, "10:45:01", "miran58", "4", 0.62),
    _Frame(226, "10:45:03", "miran58", "4", 0.66),
    _Frame(227, "10:45:54", "tolvan28", "5.6", 0.4, registered=20),
    _Frame(228, "10:46:02", "tolvan28", "5.6", 0.1, registered=20),
    _Frame(229, "10:54:00", "tolvan28", "8", -0.4, registered=20),
    _Frame(230, "10:57:12", "tolvan28", "8", 0.0, is_cut=True),
    _Frame(231, "11:02:15", "native24", "8", 0.3),
    _Frame(232, "11:04:30", "native70", "5.6", -1.5),
    _Frame(401, "09:05:10", "native20", "4", 0.0),
    _Frame(402, "09:07:44", "native20", "5.6", 0.15),
    _Frame(403, "09:33:20", "tolvan28", "2.8", -0.75),
    _Frame(404, "09:36:45", "tolvan28", "2.8", 0.35),
    _Frame(405, "09:46:10", "tolvan28", "4-5.6", 0.7),
    _Frame(406, "09:48:05", "tolvan28", "4-5.6", 1.2),
    _Frame(407, "10:00:15", "tolvan28", "8", 1.65),
    _Frame(408, "10:12:30", "tolvan28", "8", -1.3),
)
_FOCAL = {"miran58": 58, "brask135": 135, "tolvan28": 28}


def make_outing(folder: Path) -> Outing:
    """Make the outing in `folder`, which must be new or empty.

    The log is written last: a folder without one is one that was not finished. Raises InputError
    if the folder holds anything, or can't be written to.
    """
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise InputError(f"{folder} exists and isn't an empty folder: name a new one")
        return _make(folder / "frames")
    except OSError as error:
        text = f"the outing can't be made in {folder}: {error.strerror or error}"
        raise InputError(text) from None


def _make(frames: Path) -> Outing:
    from concurrent.futures import ThreadPoolExecutor

    frames.mkdir(parents=True)
    # Pillow lets go of the interpreter while it works, so that threads do help.
    with ThreadPoolExecutor() as pool:
        for frame, data in zip(_FRAMES, pool.map(_developed, _FRAMES), strict=True):
            path = frames / frame.name
            path.write_bytes(data)
            taken = round(frame.at.replace(tzinfo=_ZONE).timestamp()) * 1_000_000_000
            system.set_times(path, taken, taken)
    kit, log = frames / "kit.toml", frames / "session.txt"
    kit.write_bytes((profiles.folder() / "kit.toml").read_bytes())
    log.write_bytes(LOG.encode())
    return Outing(frames, log, kit)


def _developed(frame: _Frame) -> bytes:
    """The bytes of a frame."""
    from flangeback.demo import bodies, pictures

    make = bodies.KESTRIN if frame.is_k7 else bodies.NORRVIK
    glass = bodies.GLASS.get(frame.lens)
    focal = glass.focal if glass else _FOCAL[frame.lens] * frame.factor
    low, _, high = frame.stop.partition("-")
    # Between two stops it is their geometric mean.
    stop = (Decimal(low) * Decimal(high)).sqrt() if high else Decimal(low)
    shutter, stops = bodies.meter(make, float(stop * frame.factor), frame.light)
    split = timedelta(milliseconds=frame.number * 170 % 1000 if make.split_seconds else 0)
    # The smaller body leaves the lens out in every way there is.
    blank = "dashes" if frame.is_k7 else ("zeros", "absent", "empty")[frame.number % 3]
    picture = pictures.draw(
        pictures.Composition(
            seed=frame.number,
            focal=float(focal) * make.crop,
            pan=frame.pan,
            stops=stops,
            sky=frame.at.hour * 3 + frame.at.minute // 20,
            cloud=0.35 - frame.light * 0.7,
            upright=frame.upright,
            clock=(9, 5, 10) if frame.number == 401 else None,
        )
    )
    shown = frame.at + make.ahead + split
    about = (shutter, glass, stop, blank, frame.registered, frame.upright)
    data = bodies.jpeg(picture, bodies.Release(make, frame.number, shown, *about))
    return data[:_DAMAGED_AT] if frame.is_cut else data
