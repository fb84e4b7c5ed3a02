"""What a match noted of its frames stands for their pictures, on the very same files and words."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flangeback.frames import Frame
from flangeback.log import parse_log
from flangeback.match import Matches, PictureLight, match_frames
from flangeback.match.told import state_of
from flangeback.report.documents import match_document
from support.kits import whole_kit
from support.simulate import Kind, Outing, simulate

KIT = whole_kit()
KIND = Kind("minute", "offset")
OUTING = simulate(9004, kind=KIND)


def no_picture(frame: Frame) -> PictureLight | None:
    raise AssertionError(f"{frame.file} is read")


def told(outing: Outing, text: str) -> Matches:
    by_file = outing.pictures
    logs = [parse_log(text, KIT)]
    return match_frames(outing.frames, logs, KIT, pictures=lambda frame: by_file.get(frame.file))


def again(outing: Outing, text: str, noted: Any) -> Matches:
    """The same by what was noted alone, as it comes out of JSON."""
    logs = [parse_log(text, KIT)]
    read = json.loads(json.dumps(noted))
    return match_frames(outing.frames, logs, KIT, pictures=no_picture, noted=read)


def note(matches: Matches) -> Mapping[str, Any]:
    assert matches.noted is not None
    return matches.noted()


def said(matches: Matches) -> Mapping[str, Any]:
    return {
        "document": match_document(matches),
        "frames": matches.frames,
        "timelines": matches.timelines,
        "idle": matches.idle,
    }


def log_of(outing: Outing, off: int) -> str:
    """Its log; where its clocks are to be off, k7's is fast by so many seconds."""
    return re.sub(r"clock k7 .*", f"clock k7 fast {off}s", outing.log) if off else outing.log


@pytest.mark.parametrize(("seed", "off"), [(9005, 0), (9006, 0), (9007, 40), (9008, 3000)])
def test_a_match_by_what_was_noted_says_the_same_without_a_picture(seed: int, off: int) -> None:
    outing = simulate(seed, kind=KIND)
    first = told(outing, log_of(outing, off))
    second = again(outing, log_of(outing, off), note(first))
    assert said(second) == said(first)
    assert json.dumps(note(second)) == json.dumps(note(first))


def test_what_other_files_another_log_or_kit_told_is_not_taken_up() -> None:
    logs = [parse_log(OUTING.log, KIT)]
    state = state_of(OUTING.frames, logs, KIT)
    first, *others = OUTING.frames
    for changed in (
        replace(first, identity=(1, 2, 3, 4)),
        replace(first, file="K7_9999.JPG"),
        replace(first, stated=(replace(first.lens_data, lens="Tolvan 28mm"),)),
    ):
        assert state_of([changed, *others], logs, KIT) != state
    assert state_of(others, logs, KIT) != state
    assert state_of(OUTING.frames, [parse_log(OUTING.log + "# more\n", KIT)], KIT) != state
    assert state_of(OUTING.frames, logs, replace(KIT, adapters={})) != state
    with pytest.raises(AssertionError, match="is read"):
        again(OUTING, OUTING.log + "# more\n", note(told(OUTING, OUTING.log)))


NOTED = note(told(OUTING, OUTING.log))
PLACES = st.sampled_from(["fits", "lights", "slates", "steps"])
JUNK = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**12), 10**12) | st.floats() | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=8,
)


@given(place=PLACES, junk=JUNK)
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
def test_a_note_that_is_not_sound_is_no_note(place: str, junk: Any) -> None:
    assert NOTED is not None
    broken = json.loads(json.dumps(NOTED)) | {place: junk}
    if junk not in ([], {}, ""):
        with pytest.raises(AssertionError, match="is read"):
            again(OUTING, OUTING.log, broken)
