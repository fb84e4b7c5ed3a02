"""Wrong input: exit 2, told in words with the place, nothing written, never a traceback."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from support.commands import LOG, Ran, put_outing, put_time, run, run_script, tree


@pytest.fixture
def frames(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The small outing, seen from the folder it lies in."""
    monkeypatch.chdir(tmp_path)
    put_outing(tmp_path / "frames")
    return Path("frames")


def logged(*lines: str) -> Callable[[Path], None]:
    def write(frames: Path) -> None:
        (frames / "session.txt").write_text("date 2026-05-17\n" + "\n".join(lines) + "\n")

    return write


def kitted(old: str, new: str) -> Callable[[Path], None]:
    def write(frames: Path) -> None:
        kit = (frames / "kit.toml").read_text()
        assert old in kit
        (frames / "kit.toml").write_text(kit.replace(old, new, 1))

    return write


def without(name: str) -> Callable[[Path], None]:
    return lambda frames: (frames / name).unlink()


def instead(name: str) -> Callable[[Path], None]:
    """A folder where a file should be."""

    def put(frames: Path) -> None:
        (frames / name).unlink()
        (frames / name).mkdir()

    return put


def emptied(frames: Path) -> None:
    for path in frames.glob("*.JPG"):
        path.unlink()


def latin(frames: Path) -> None:
    (frames / "session.txt").write_bytes(b'date 2026-05-17\n09:12 k7 miran58 f/4 "h\xf6st"\n')


START = "09:12 k7 miran58 f/2.8"

# What is wrong; the place that is named; what is told.
FAULTS = [
    (emptied, "frames:", "there are no frames in it"),
    (without("session.txt"), "session.txt:", "there is no such session log"),
    (instead("session.txt"), "session.txt:", "can't be read"),
    (latin, "session.txt:2:24:", "can't be read as UTF-8"),
    (without("kit.toml"), "kit.toml:", "there is no such kit file"),
    (instead("kit.toml"), "kit.toml:", "can't be read"),
    (kitted("[body.k7]", "[body.k7"), "kit.toml:2:", "square brackets"),
    (kitted("focal = 58", "focal = 0"), "kit.toml:16:", "[lens.miran58] focal"),
    (logged("09:12 k7 mirn58 f/2.8"), "session.txt:2:10:", 'did you mean "miran58"?'),
    (logged("09:12 k8 miran58 f/2.8"), "session.txt:2:7:", "isn't understood"),
    (logged("09:12 k7 miran58 f/1.4"), "session.txt:2:18:", "wider than miran58's f/2"),
    (logged("09:12 k7 miran58 f/28"), "session.txt:2:18:", 'did you mean "f/2.8"?'),
    (logged("09:12 k7 miran58 f/4 85mm"), "session.txt:2:22:", "no 85 mm"),
    (logged("09:12 k7 miran58 f/4 via f-mft"), "session.txt:2:", "m42-e"),
    (logged("09:12 n2 tolvan28 f/4 via m42-e"), "session.txt:2:", "f-mft"),
    (logged("09:00-10:00 " + START[6:], "09:30-10:30 k7 brask135"), "session.txt:3:1:", "overlaps"),
    (logged("09:00-10:00 " + START[6:], "09:30 k7 brask135"), "session.txt:3:1:", "falls inside"),
    (logged(START, "09:00 k7 f/4"), "session.txt:3:1:", "earlier than the entry above"),
    (logged("09:12 k7 miran58 T2.2"), "session.txt:2:18:", "f-number"),
    (logged("25:12 k7 miran58 f/4"), "session.txt:2:1:", "hour"),
    (logged("zone Europe/Stokholm", START), "session.txt:2:6:", 'mean "Europe/Stockholm"?'),
    (logged(START, "K7_0999 k7 miran58 f/4"), "session.txt:3:1:", "there is no frame K7_0999"),
    (logged(START, "09:30 n2 tolvan28", "09:40 f/4"), "session.txt:4:1:", "which body?"),
]


def check_told(ran: Ran, place: str, text: str) -> None:
    assert ran.code == 2
    assert ran.out == ""
    assert str(Path(place)) in ran.err
    assert text in ran.err
    assert "Traceback" not in ran.err
    heads = [line for line in ran.err.splitlines() if not line.startswith("    ")]
    assert len(heads) == 1, ran.err


@pytest.mark.parametrize(("spoil", "place", "text"), FAULTS)
def test_wrong_input_is_told_and_nothing_is_written(
    frames: Path, spoil: Callable[[Path], None], place: str, text: str
) -> None:
    spoil(frames)
    before = tree(Path())
    for words in (("match", str(frames)), ("fill", str(frames), "--into", "out")):
        check_told(run(*words), place, text)
    assert tree(Path()) == before


def test_a_lens_that_no_adapter_brings(frames: Path) -> None:
    kit = frames / "kit.toml"
    kit.write_text(kit.read_text().replace('\nmount = "Micro Four Thirds"', '\nmount = "F"'))
    logged("09:12 n2 miran58 f/4")(frames)
    ran = run("match", frames)  # M42 45.46 mm, F 46.50 mm: no room for a plain one
    check_told(ran, "session.txt:2:10:", "no adapter in the kit brings miran58 (M42) onto n2")
    assert "    09:12 n2 miran58 f/4\n             ^^^^^^^\n" in ran.err


@pytest.mark.parametrize("name", ["nowhere", "frames/session.txt"])
def test_no_such_folder(frames: Path, name: str) -> None:
    before = tree(Path())
    for words in (("match", name), ("fill", name, "--into", "out"), ("verify", "nowhere")):
        ran = run(*words)
        assert ran.code == 2
        assert (ran.out, "Traceback" in ran.err) == ("", False)
        assert len(ran.err.splitlines()) <= 2
        assert words[1].split("/")[-1] in ran.err
    assert tree(Path()) == before


def test_a_log_that_cannot_be_opened(frames: Path) -> None:
    if os.geteuid() == 0:
        pytest.skip("nothing is forbidden to the superuser")
    (frames / "session.txt").chmod(0)
    check_told(run("match", frames), "session.txt:", "Permission denied")


SIX = """date 2026-05-17
09:12 k7 mirn58 f/2.8
09:20 k7 miran58 f/1.4
09:30 k7 brask135 f/4 via f-mft
9:61 k7 f/8
09:45 k9 miran58 f/4
09:50 k7 miran58 f/4 T2.8
"""
CARETS = {2: "mirn58", 3: "f/1.4", 4: "f-mft", 5: "9:61", 6: "k9", 7: "T2.8"}


def test_six_faults_come_in_one_go_each_with_its_caret(frames: Path) -> None:
    (frames / "session.txt").write_text(SIX)
    before = tree(Path())
    ran = run("fill", frames, "--into", "out")
    assert ran.code == 2
    assert ran.out == ""
    lines = ran.err.splitlines()
    heads = [n for n, line in enumerate(lines) if line.startswith(f"{frames / 'session.txt'}:")]
    assert [int(lines[n].split(":")[1]) for n in heads] == list(CARETS)
    for n, word in zip(heads, CARETS.values(), strict=True):
        source, marker = lines[n + 1], lines[n + 2]
        start = marker.index("^")
        assert source[start : start + marker.count("^")] == word
        column = int(lines[n].split(":")[2])
        assert start - 4 == column - 1
        assert "expected" in lines[n + 3]
    assert tree(Path()) == before


def test_faults_of_two_logs_come_in_one_go(frames: Path) -> None:
    Path("a.txt").write_text(LOG.replace("miran58", "mirn58"))
    Path("b.txt").write_text(LOG.replace("miran58", "brsk135"))
    ran = run("match", frames, "--log", "a.txt", "--log", "b.txt")
    assert ran.code == 2
    assert "a.txt:2:10:" in ran.err
    assert "b.txt:2:10:" in ran.err
    assert 'did you mean "brask135"?' in ran.err


def test_eight_faults_of_a_kit_come_in_one_go(frames: Path) -> None:
    for old, new in (
        ("sensor = [35.9, 23.9]", "sensor = 35.9"),
        ('model = "Norrvik N2"', "model = 2"),
        ("focal = 58", "focal = 0"),
        ("widest = 3.5\n", "widest = 35\n"),
        ("focal = [35, 70]", "focal = [70, 35]"),
        ('kind = "plain"', 'kind = "plane"'),
        ("factor = 0.71", "factor = 1.71"),
        ("[adapter.m42-mft]", "[adapter.open]"),
    ):
        kitted(old, new)(frames)
    ran = run("kit", "check", frames / "kit.toml")
    assert ran.code == 2
    assert ran.err.count(f"{frames / 'kit.toml'}:") == 8
    assert 'did you mean "plain"?' in ran.err


# Where copies may go ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("out", "text"),
    [
        ("frames", "originals are never written to"),
        ("frames/filled", "originals are never written to"),
        ("frames/../frames/deep/filled", "originals are never written to"),
        (".", "holds the frames folder"),
        ("linked", "originals are never written to"),
        ("linked/filled", "originals are never written to"),
        ("frames/K7_0201.JPG", "is a file"),
    ],
)
def test_copies_never_go_in_on_or_around_the_frames(frames: Path, out: str, text: str) -> None:
    Path("linked").symlink_to("frames")
    before = tree(Path())
    ran = run("fill", frames, "--into", out)
    check_told(ran, f"{Path(out)}:", text)
    assert tree(Path()) == before


def test_a_stranger_in_the_way_is_left_alone(frames: Path) -> None:
    Path("out").mkdir()
    Path("out/K7_0202.JPG").write_bytes(b"mine")
    before = tree(Path())
    ran = run("fill", frames, "--into", "out")
    check_told(ran, "out: ", "1 file stands in the way that isn't flangeback's own: K7_0202.JPG")
    assert tree(Path()) == before


def test_a_file_where_a_folder_should_be(frames: Path) -> None:
    put_time(frames, "sub/K7_0300.JPG", "09:50:00")
    Path("out").mkdir()
    Path("out/sub").write_bytes(b"mine")
    ran = run("fill", frames, "--into", "out")
    check_told(ran, "out: ", "stands in the way that isn't flangeback's own: sub")
    assert tree(Path("out")).keys() == {"sub"}


def test_verify_of_a_folder_that_fill_did_not_make(frames: Path) -> None:
    before = tree(Path())
    ran = run("verify", frames)
    assert ran.code == 2
    assert "frames" in ran.err
    assert "Traceback" not in ran.err
    assert tree(Path()) == before


def test_a_manifest_that_is_none(frames: Path) -> None:
    run("fill", frames, "--into", "out")
    Path("out/flangeback-manifest.jsonl").write_bytes(b"\x00\xff not a line\n")
    for words in (("verify", "out"), ("fill", str(frames), "--into", "out")):
        ran = run(*words)
        assert ran.code in (0, 2)
        assert "Traceback" not in ran.err


def test_a_reader_that_leaves_is_no_traceback(frames: Path) -> None:
    code = "import sys; sys.argv[0] = 'flangeback'; from flangeback.cli import main; main()"
    with subprocess.Popen(
        [sys.executable, "-c", code, "match", str(frames), "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        told = process.stderr.read()
    assert b"Traceback" not in told
    assert b"Exception ignored" not in told


def test_the_script_tells_wrong_input_alike(frames: Path) -> None:
    (frames / "session.txt").write_text(SIX)
    ran = run_script("match", frames, cwd=Path.cwd())
    assert ran.code == 2
    assert ran.err.count(f"{frames / 'session.txt'}:") == 6
    assert ran.err.count("^") == sum(map(len, CARETS.values()))


@pytest.mark.parametrize(
    "words",
    [("--\u202eon",), ("match", "--\u202eon"), ("\u202eon",), ("verify", "out", "\u202eon\x1b[2J")],
)
def test_words_that_are_no_command_line_are_repeated_inert(words: tuple[str, ...]) -> None:
    # U+202E turns what follows round (Unicode Standard Annex 9).
    done = run(*words)
    assert done.code == 2
    assert "on" in done.err
    assert not {"\u202e", "\x1b"} & set(done.err + done.out)
