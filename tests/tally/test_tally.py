"""Tallies: counted against the made-up outing's truth and ExifRead's counts, and from manifests."""

from __future__ import annotations

import csv
import io
import json
import logging
from collections import Counter
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import exifread
import pytest
from typer.testing import CliRunner

from flangeback.cli.app import app
from flangeback.demo.tour import Tour, take_tour
from flangeback.errors import InputError
from flangeback.kit import read_kit
from flangeback.report.documents import tally_document
from flangeback.report.tally import tally_csv, tally_lines
from flangeback.tally import Taken, Tally, tally_folders
from support.camera_files import F_NUMBER, LENS_MODEL, put_frame
from support.demo_truth import TRUTH, Truth

logging.getLogger("exifread").setLevel(logging.CRITICAL)

MAX_APERTURE_VALUE = 0x9205
"""CIPA DC-008, 4.6.5."""


@pytest.fixture(scope="module")
def tour(tmp_path_factory: pytest.TempPathFactory) -> Tour:
    return take_tour(tmp_path_factory.mktemp("tally") / "outing")


def logged(tour: Tour) -> Iterator[tuple[Truth, str]]:
    """What was made with a lens of the kit, and that lens's name."""
    lenses = read_kit(tour.outing.kit).lenses
    for truth in TRUTH:
        if truth.lens is not None:
            yield truth, lenses[truth.lens].name


def test_the_outing_is_counted_as_it_was_made(tour: Tour) -> None:
    found = tally_folders([tour.out])
    expected = Counter(name for _, name in logged(tour))
    counts = {str(key[0]): count.frames for key, count in found.tables["lenses"].items()}
    assert {name: counts[name] for name in expected} == expected
    filled = sum(truth.outcome in ("fill", "partial") for truth in TRUTH)
    assert (found.total.filled, found.total.kept) == (filled, filled)
    assert found.total.frames + found.damaged == len(TRUTH)
    f_numbers = Counter(
        (name, round(float(truth.f_number), 2))
        for truth, name in logged(tour)
        if truth.f_number is not None
    )
    by_stop = found.tables["f_numbers"]
    assert {key: by_stop[key].frames for key in f_numbers} == f_numbers


def test_wide_open_is_by_the_lens_and_not_by_the_reducer(tour: Tour) -> None:
    # Behind the reducer, 5.6 on the ring is f/3.98: near the lens's own 2.8, and not wide open.
    open_frames = [t.file for t, _ in logged(tour) if t.f_number == Decimal("2.8")
                   and t.lens == "tolvan28"]  # fmt: skip
    found = tally_folders([tour.out]).tables["lenses"]
    assert found["Tolvan 28mm f/2.8",].wide_open == len(open_frames) == 2
    assert found["Brask Tele 135mm f/3.5",].wide_open == 0


def test_adapters_stand_with_the_frames_that_were_made_through_them(tour: Tour) -> None:
    counts = tally_folders([tour.out]).tables["bodies"]
    by_adapter = Counter(dict.fromkeys(("m42-e", "f-mft", "f-e-reducer"), 0))
    for truth, _ in logged(tour):
        on_n2 = truth.file.startswith("N2")
        by_adapter[
            "f-mft" if on_n2 else "f-e-reducer" if truth.lens == "tolvan28" else "m42-e"
        ] += 1
    assert {key[1]: n.frames for key, n in counts.items() if key[1]} == by_adapter


def test_frames_that_are_gone_still_count_as_not_kept(tour: Tour, tmp_path: Path) -> None:
    import shutil

    out = tmp_path / "filled"
    shutil.copytree(tour.out, out)
    before = tally_folders([out])
    gone = [t.file for t, _ in logged(tour) if t.lens == "brask135" and t.outcome == "fill"][:3]
    for file in gone:
        (out / file).unlink()
    after = tally_folders([out])
    assert after.total.kept == before.total.kept - 3
    assert after.total.frames == before.total.frames
    brask = after.tables["lenses"]["Brask Tele 135mm f/3.5",]
    assert (brask.filled - brask.kept) == 3
    assert after.tables["bodies"].keys() == before.tables["bodies"].keys()
    lines = list(tally_lines(after))
    assert f"{after.total.filled} filled, {after.total.kept} of them still there" in lines[0]
    assert any(line.startswith("lens ") and "kept" in line for line in lines)


def test_copies_counted_by_their_tags_alone_come_to_the_same(tour: Tour, tmp_path: Path) -> None:
    import shutil

    plain = tmp_path / "plain"
    shutil.copytree(tour.out, plain, ignore=shutil.ignore_patterns("*.jsonl"))
    by_tags, by_manifest = tally_folders([plain]), tally_folders([tour.out])
    for name in ("lenses", "f_numbers", "focal_lengths"):
        counts = [
            {key: (n.frames, n.wide_open) for key, n in one.tables[name].items()}
            for one in (by_tags, by_manifest)
        ]
        assert counts[0] == counts[1]
    assert by_tags.total.filled == 0


def test_sidecars_count_for_their_raw_files(corpus: Path, tmp_path: Path) -> None:
    import shutil

    frames, out = tmp_path / "frames", tmp_path / "out"
    frames.mkdir()
    shutil.copy(corpus / "raw-001.dng", frames / "K7_0001.DNG")
    (frames / "kit.toml").write_text(
        '[body.k7]\nmount = "E"\n[lens.miran58]\nmaker = "Ostrava Optik"\n'
        'name = "Miran 58mm f/2"\nfocal = 58\nwidest = 2.0\nnarrowest = 16\nmount = "M42"\n'
        '[adapter.m42-e]\nlens_mount = "M42"\nbody_mount = "E"\n'
    )
    (frames / "session.txt").write_text("K7_0001..K7_0001 k7 miran58 f/2\n")
    result = CliRunner().invoke(app, ["fill", str(frames), "--into", str(out), "--over"])
    assert result.exit_code in (0, 1), result.output
    assert (out / "K7_0001.xmp").exists()
    (key,) = tally_folders([out]).tables["f_numbers"]
    assert key == ("Miran 58mm f/2", 2.0)
    assert tally_folders([out]).total.wide_open == 1


def test_lenses_of_real_files_are_exifreads(corpus: Path, tmp_path: Path) -> None:
    expected: Counter[str | None] = Counter()
    for path in sorted(corpus.glob("camera-*.jpg")):
        (tmp_path / path.name).symlink_to(path)
        with path.open("rb") as file:
            tags = exifread.process_file(file, details=False)
        value = str(tags["EXIF LensModel"].values) if "EXIF LensModel" in tags else ""
        expected[value.strip(" \0") if value.strip(" -0.\0") else None] += 1
    found = tally_folders([tmp_path])
    counts = {key[0]: count.frames for key, count in found.tables["lenses"].items()}
    named = {name: count for name, count in expected.items() if name}
    assert {name: counts[name] for name in named} == named
    assert found.total.frames + found.damaged == sum(expected.values())


def test_f_numbers_are_wide_open_within_what_marks_are_rounded_by() -> None:
    # APEX 3 is 2.828, its mark 2.8 (ISO 517).
    assert Taken("k7", f_number=2.83, widest=2.8).is_wide_open is True
    assert Taken("k7", f_number=3.2, widest=2.8).is_wide_open is False
    assert Taken("k7", f_number=3.2).is_wide_open is None


def test_several_folders_are_one_tally_and_no_frame_counts_twice(tmp_path: Path) -> None:
    for folder in ("a", "b"):
        put_frame(tmp_path / folder, "K7_0001.JPG", {F_NUMBER: (2, 1), MAX_APERTURE_VALUE: (2, 1),
                                                    LENS_MODEL: b"Miran 58mm f/2"})  # fmt: skip
    found = tally_folders([tmp_path / "a", tmp_path / "b"])
    assert (found.folders, found.total.frames, found.total.wide_open) == (2, 2, 2)
    for twice in ([tmp_path / "a", tmp_path / "a"], [tmp_path, tmp_path / "b"]):
        with pytest.raises(InputError, match="frames are those of"):
            tally_folders(twice)
    (tmp_path / "c").mkdir()
    with pytest.raises(InputError, match="there are no frames"):
        tally_folders([tmp_path / "a", tmp_path / "c"])


def test_every_line_fits_the_terminal(tour: Tour, corpus: Path) -> None:
    long = Taken("A body with a name that goes on and on, serial 123456789", "an-adapter-too",
                 "A lens whose name goes on for longer than any table is wide", 2.8)  # fmt: skip
    for found in (tally_folders([tour.out]), tally_folders([corpus]), Tally({long: 12345})):
        for width in (60, 80, 140):
            assert max(map(len, tally_lines(found, width=width))) <= width


# The command -----------------------------------------------------------------------------------


def test_json_and_csv_hold_the_same_frames(tour: Tour) -> None:
    found = tally_folders([tour.out])
    told = CliRunner().invoke(app, ["tally", str(tour.out), "--json"])
    assert told.exit_code == 1  # One of them can't be read.
    document = json.loads(told.stdout)
    assert document == tally_document(found)
    assert document["schema"] == "flangeback/tally-1"
    for part in ("lenses", "focal_lengths", "bodies"):
        assert sum(row["frames"] for row in document[part]) == document["totals"]["frames"]
    table = CliRunner().invoke(app, ["tally", str(tour.out), "--csv"])
    assert table.stdout == tally_csv(found)
    rows = list(csv.DictReader(io.StringIO(table.stdout)))
    assert sum(int(row["frames"]) for row in rows) == document["totals"]["frames"]
    assert sum(int(row["wide_open"]) for row in rows) == document["totals"]["wide_open"]


def test_what_cannot_be_is_wrong_input(tour: Tour, tmp_path: Path) -> None:
    both = CliRunner().invoke(app, ["tally", str(tour.out), "--json", "--csv"])
    assert both.exit_code == 2
    gone = CliRunner().invoke(app, ["tally", str(tmp_path / "nowhere")])
    assert gone.exit_code == 2
    assert "there is no such folder" in gone.stderr


def test_no_name_is_a_formula_in_a_spreadsheet() -> None:
    # A quote before it makes a cell text (common practice); control characters are made visible.
    names = ["=1+1", "+1", "-1", "@a", "Miran 58mm", "a\x1bb"]
    taken = {Taken("K7", lens=name): 1 for name in names}
    rows = list(csv.DictReader(tally_csv(Tally(taken)).splitlines()))
    told = sorted(row["lens"] for row in rows)
    assert told == sorted(["'=1+1", "'+1", "'-1", "'@a", "Miran 58mm", "a‹1B›b"])
