"""What the report says of each body's sensor: which evidence the 35 mm equivalents go by."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from flangeback.match.doubts import DoubtKind
from flangeback.match.model import FrameMatch, Matches
from flangeback.match.sensors import BodySensor, Size, SizeFinding
from flangeback.report.runs import some_of


def sensor_lines(matches: Matches, body: str | None) -> Iterator[str]:
    """The evidence behind the equivalents of a body's filled frames, then what speaks against it;
    nothing where none is filled."""
    sensor = matches.sensors.get(body or "")
    if sensor is None:
        return
    frames = [found for found in matches.frames if found.body == body]
    told = dict.fromkeys(_told(finding) for finding in _of_filled(frames, sensor))
    yield from told
    if told:
        yield from (f"not used: {reason}" for reason in sensor.refused)
    yield from _doubts(frames)


def _doubts(frames: Sequence[FrameMatch]) -> Iterator[str]:
    """Each doubt on the sensor once, with the frames it is on."""
    stems: dict[str, list[str]] = {}
    for found in frames:
        for doubt in found.doubts:
            if doubt.kind == DoubtKind.SENSOR_UNSURE:
                stems.setdefault(doubt.text, []).append(found.frame.stem)
    for text, on in stems.items():
        yield f"{DoubtKind.SENSOR_UNSURE}: {text} ({some_of(on)})"


def _of_filled(frames: Sequence[FrameMatch], sensor: BodySensor) -> list[SizeFinding]:
    found: dict[Size, SizeFinding] = {}
    for match in frames:
        if match.outcome.is_filled and match.fill and match.fill.focal_length is not None:
            finding = sensor.of(match.frame)
            found.setdefault(finding.pixels, finding)
    return list(found.values())


def _told(finding: SizeFinding) -> str:
    known = finding.evidence
    if known is None:
        return "35 mm equivalents stay blank: neither the kit nor the frames tell the sensor's size"
    number = f" ({known.frames} frame{'s' * (known.frames != 1)})" if known.frames else ""
    told = f"35 mm equivalents by {known.source}{number}: crop factor {known.crop_factor:.2f}"
    if finding.part == 1 or finding.pixels is None:
        return told
    width, height = finding.pixels
    return f"{told}, in a crop mode of {width} x {height}"


def sensor_document(matches: Matches) -> dict[str, list[dict[str, Any]]]:
    """By body, what holds for the pictures of each size it made."""
    return {
        body: [_document(finding, sensor) for finding in sensor.sizes.values()]
        for body, sensor in matches.sensors.items()
    }


def _document(finding: SizeFinding, sensor: BodySensor) -> dict[str, Any]:
    known = finding.evidence
    return {
        "pixels": None if finding.pixels is None else list(finding.pixels),
        "crop_factor": None if known is None else round(known.crop_factor, 3),
        "source": None if known is None else known.source.name.lower(),
        "frames": 0 if known is None else known.frames,
        "part": round(finding.part, 3),
        "against": list(finding.against),
        "refused": list(sensor.refused),
    }
