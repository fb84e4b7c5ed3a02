"""What each frame of the demo's outing has to come to, by how it was made and what the log says."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True)
class Truth:
    """What has to be told of one frame.

    `lens` is a key of the kit; `f_number` and `focal_length` (mm) are what is to be recorded, a
    reducer's factor included. They are stated for the outcomes fill, partial and agree, and None
    where they aren't to be known. `doubts` are kinds the frame has to carry; it may carry others.
    """

    file: str
    outcome: str
    lens: str | None = None
    f_number: Decimal | None = None
    focal_length: Decimal | None = None
    doubts: tuple[str, ...] = ()


GAP = ("placed-in-gap",)
WRONG_FOCAL = ("registered-focal",)
STEP = ("registered-focal", "light-step")
BETWEEN = (Decimal(4) * Decimal("5.6")).sqrt()
"""The ring stood between f/4 and f/5.6."""

TRUTH = (
    Truth("K7_0201.JPG", "unlogged"),
    Truth("K7_0202.JPG", "unsure", doubts=("near-change",)),
    Truth("K7_0203.JPG", "fill", "miran58", Decimal("2.8"), Decimal("58")),
    Truth("K7_0204.JPG", "agree", "miran58", Decimal("2.8"), Decimal("58")),
    Truth("K7_0205.JPG", "conflict", doubts=("native-lens",)),
    Truth("K7_0206.JPG", "fill", "miran58", Decimal("2.8"), Decimal("58"), ("native-lens",)),
    Truth("K7_0207.JPG", "fill", "miran58", Decimal("2.8"), Decimal("58"), ("native-lens",)),
    Truth("K7_0208.JPG", "fill", "miran58", Decimal("5.6"), Decimal("58")),
    Truth("K7_0209.JPG", "fill", "miran58", Decimal("5.6"), Decimal("58")),
    Truth("K7_0210.JPG", "fill", "miran58", Decimal("5.6"), Decimal("58")),
    Truth("K7_0211.JPG", "partial", "miran58", None, Decimal("58"), ("near-change",)),
    Truth("K7_0212.JPG", "fill", "miran58", Decimal("8"), Decimal("58")),
    Truth("K7_0213.JPG", "fill", "miran58", Decimal("4"), Decimal("58")),
    Truth("K7_0214.JPG", "fill", "miran58", Decimal("4"), Decimal("58")),
    Truth("K7_0215.JPG", "fill", "miran58", Decimal("8"), Decimal("58")),
    Truth("K7_0216.JPG", "unsure"),
    Truth("K7_0217.JPG", "fill", "brask135", Decimal("5.6"), Decimal("135"), WRONG_FOCAL),
    Truth("K7_0218.JPG", "fill", "brask135", Decimal("5.6"), Decimal("135"), WRONG_FOCAL),
    Truth("K7_0219.JPG", "fill", "brask135", Decimal("5.6"), Decimal("135"), WRONG_FOCAL),
    Truth("K7_0220.JPG", "fill", "brask135", Decimal("5.6"), Decimal("135"), STEP),
    Truth("K7_0221.JPG", "fill", "brask135", Decimal("5.6"), Decimal("135"), STEP),
    Truth("K7_0222.JPG", "unlogged"),
    Truth("K7_0223.JPG", "unlogged"),
    Truth("K7_0224.JPG", "fill", "miran58", Decimal("4"), Decimal("58"), ("near-change",)),
    Truth("K7_0225.JPG", "fill", "miran58", Decimal("4"), Decimal("58"), GAP),
    Truth("K7_0226.JPG", "fill", "miran58", Decimal("4"), Decimal("58"), GAP),
    Truth("K7_0227.JPG", "fill", "tolvan28", Decimal("3.976"), Decimal("19.88"), GAP),
    Truth("K7_0228.JPG", "fill", "tolvan28", Decimal("3.976"), Decimal("19.88")),
    Truth("K7_0229.JPG", "partial", "tolvan28", None, Decimal("19.88")),
    Truth("K7_0230.JPG", "unreadable"),
    Truth("K7_0231.JPG", "native"),
    Truth("K7_0232.JPG", "native"),
    Truth("N2_0401.JPG", "native"),
    Truth("N2_0402.JPG", "native"),
    Truth("N2_0403.JPG", "fill", "tolvan28", Decimal("2.8"), Decimal("28")),
    Truth("N2_0404.JPG", "fill", "tolvan28", Decimal("2.8"), Decimal("28")),
    Truth("N2_0405.JPG", "fill", "tolvan28", BETWEEN, Decimal("28")),
    Truth("N2_0406.JPG", "fill", "tolvan28", BETWEEN, Decimal("28")),
    Truth("N2_0407.JPG", "fill", "tolvan28", Decimal("8"), Decimal("28")),
    Truth("N2_0408.JPG", "fill", "tolvan28", Decimal("8"), Decimal("28")),
)
"""In the order of the files' names."""
