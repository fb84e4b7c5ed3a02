"""Copies proved again: whatever happens to one of them, it is that one which is reported."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flangeback.copies import SourceNow, Verified, fill, verify
from flangeback.errors import InputError
from support.examples import examples
from support.folders import ALL, BROKEN, FULL, MADE, SOUND, make_frames, snapshot
from support.gear import all_filled

MANIFEST = "flangeback-manifest.jsonl"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with `frames` and their copies in `out`."""
    place = tmp_path_factory.mktemp("made")
    frames = make_frames(place / "frames")
    fill(all_filled(frames, ALL), frames, place / "out")
    return place


@pytest.fixture
def place(made: Path, tmp_path: Path) -> Path:
    """The same, to be spoilt; the copies were made from these very frames."""
    shutil.copytree(made, tmp_path / "own")
    manifest = tmp_path / "own" / "out" / MANIFEST
    here, there = (json.dumps(str(folder))[1:-1] for folder in (made, tmp_path / "own"))
    text = manifest.read_text("utf-8").replace(here, there)
    manifest.write_text(text, "utf-8")
    return tmp_path / "own"


def failures(found: Verified) -> dict[str, str]:
    return {copy.copy: copy.failure for copy in found.copies if copy.failure is not None}


def test_sound_copies_pass_and_nothing_is_touched(made: Path) -> None:
    before = snapshot(made)
    steps: list[int] = []
    found = verify(made / "out", steps.append)
    assert not found.failed
    assert not found.strangers
    assert {copy.copy for copy in found.copies} == set(MADE)
    assert all(copy.source_at_hand for copy in found.copies)
    assert steps == list(range(1, len(MADE) + 1))
    assert snapshot(made) == before


Spoil = Callable[[bytes], bytes]


def flip(at: float, by: int) -> Spoil:
    def spoil(data: bytes) -> bytes:
        place = min(int(at * len(data)), len(data) - 1)
        return data[:place] + bytes([data[place] ^ by]) + data[place + 1 :]

    return spoil


def cut(count: int) -> Spoil:
    return lambda data: data[: max(0, len(data) - count)]


def add(more: bytes) -> Spoil:
    return lambda data: data + more


SPOILS = st.one_of(
    st.builds(flip, st.floats(0, 1), st.integers(1, 255)),
    st.builds(flip, st.floats(0, 0.03), st.integers(1, 255)),
    st.builds(cut, st.integers(1, 2000)),
    st.builds(add, st.binary(min_size=1, max_size=50)),
)


@settings(
    max_examples=examples(200),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(name=st.sampled_from(ALL), spoil=SPOILS, sources=st.booleans())
def test_any_one_change_to_a_copy_is_reported(
    made: Path, name: str, spoil: Spoil, sources: bool
) -> None:
    """A single byte is enough, with the frames at hand or without them."""
    copy, whole = made / "out" / name, (made / "out" / name).read_bytes()
    away = made / "away"
    try:
        copy.write_bytes(spoil(whole))
        if not sources:
            (made / "frames").rename(away)
        found = verify(made / "out")
    finally:
        copy.write_bytes(whole)
        if not sources:
            away.rename(made / "frames")
    touched = [one.copy for one in found.copies if one.is_touched]
    assert [*failures(found), *touched] == [name]
    assert found.needs_person or found.failed
    assert len(found.copies) == len(MADE)


def test_a_copy_that_is_gone_or_a_folder_is_reported(place: Path) -> None:
    (place / "out" / SOUND[0]).unlink()
    (place / "out" / SOUND[1]).unlink()
    (place / "out" / SOUND[1]).mkdir()
    found = failures(verify(place / "out"))
    assert set(found) == {SOUND[0], SOUND[1]}
    assert found[SOUND[0]] == "the copy is gone"


def test_two_copies_exchanged_are_both_reported(place: Path) -> None:
    one, other = place / "out" / SOUND[0], place / "out" / SOUND[4]
    first, second = one.read_bytes(), other.read_bytes()
    one.write_bytes(second)
    other.write_bytes(first)
    assert set(failures(verify(place / "out"))) == {SOUND[0], SOUND[4]}


def test_without_the_frames_the_copies_stand_by_their_digests(place: Path) -> None:
    shutil.rmtree(place / "frames")
    found = verify(place / "out")
    assert not found.failed
    assert SourceNow.SAME not in {copy.source for copy in found.copies}


@pytest.mark.parametrize("spoil", [add(b"more"), cut(1), flip(0.9, 1), flip(0.0, 255)])
@pytest.mark.parametrize("name", [SOUND[0], SOUND[3], FULL, BROKEN])
def test_a_frame_changed_since_is_no_fault_of_its_copy(
    place: Path, name: str, spoil: Spoil
) -> None:
    frame = place / "frames" / name
    frame.write_bytes(spoil(frame.read_bytes()))
    found = verify(place / "out")
    assert not found.failed
    assert [copy.copy for copy in found.copies if copy.source == SourceNow.CHANGED] == [name]


def test_of_a_copy_that_failed_it_is_told_whether_its_frame_is_at_hand(place: Path) -> None:
    gone, broken, lost = SOUND[0], SOUND[1], SOUND[2]
    for name in (gone, lost):
        (place / "out" / name).unlink()
    (place / "out" / broken).write_bytes(cut(40)((place / "out" / broken).read_bytes()))
    frame = place / "frames" / lost
    frame.write_bytes(add(b"more")(frame.read_bytes()))
    found = {copy.copy: copy.source for copy in verify(place / "out").failed}
    assert found == {gone: SourceNow.SAME, broken: SourceNow.SAME, lost: SourceNow.CHANGED}


def test_a_manifest_without_its_last_line_is_told(place: Path) -> None:
    manifest = place / "out" / MANIFEST
    manifest.write_bytes(b"".join(manifest.read_bytes().splitlines(keepends=True)[:-1]))
    found = verify(place / "out")
    assert (len(found.failed), found.needs_person) == (0, True)
    assert found.faults == ("the end of the last run isn't in it: fill again notes it",)


def test_files_that_are_not_in_the_manifest_are_named(place: Path) -> None:
    (place / "out" / "quay" / "notes.txt").write_text("tide", "utf-8")
    found = verify(place / "out")
    assert found.strangers == ("quay/notes.txt",)
    assert not found.failed


def changed_manifest(out: Path, copy: str, change: Callable[[dict[str, object]], None]) -> None:
    lines = []
    for line in (out / MANIFEST).read_text("utf-8").splitlines():
        record = json.loads(line)
        if record.get("copy") == copy:
            change(record)
        lines.append(json.dumps(record) + "\n")
    (out / MANIFEST).write_text("".join(lines), "utf-8")


@pytest.mark.parametrize("sources", [True, False])
def test_values_that_the_manifest_claims_must_be_in_the_copy(place: Path, sources: bool) -> None:
    if not sources:
        shutil.rmtree(place / "frames")

    def claim(record: dict[str, object]) -> None:
        values = record["values"]
        assert isinstance(values, dict)
        values["FNumber"] = "56/10"

    changed_manifest(place / "out", SOUND[0], claim)
    found = failures(verify(place / "out"))
    assert set(found) == {SOUND[0]}
    assert "FNumber" in found[SOUND[0]]


def test_a_copy_with_no_edits_must_be_its_frame(place: Path) -> None:
    def forget(record: dict[str, object]) -> None:
        record["edits"] = []

    changed_manifest(place / "out", SOUND[0], forget)
    assert set(failures(verify(place / "out"))) == {SOUND[0]}


@pytest.mark.parametrize(
    "text", ["", "not JSON\n", "{}\n", "[]\n", '{"schema": "flangeback/manifest-1"}\n']
)
def test_a_manifest_that_cannot_be_read_is_told(place: Path, text: str) -> None:
    (place / "out" / MANIFEST).write_text(text, "utf-8")
    with pytest.raises(InputError, match="flangeback-manifest"):
        verify(place / "out")


def test_a_folder_without_a_manifest_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no"):
        verify(tmp_path)
    with pytest.raises(InputError, match="there is no such folder"):
        verify(tmp_path / "nowhere")
