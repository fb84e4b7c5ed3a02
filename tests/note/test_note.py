"""Notes made on the spot: stamped, checked before a byte is written, told back."""

from __future__ import annotations

import stat
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from flangeback.cli.app import app
from flangeback.errors import InputError
from flangeback.kit import Kit, parse_kit
from flangeback.log import parse_log, read_log
from flangeback.note import Noted, add_note, undo_note
from support.examples import examples
from support.kits import WHOLE
from support.log_printing import format_log

NOW = datetime(2026, 5, 17, 12, 2, 31, tzinfo=UTC)
"""14:02 in Lindholm harbour."""
HEAD = b"date 2026-05-17\nzone Europe/Stockholm\n"


@pytest.fixture(scope="module")
def kit() -> Kit:
    return parse_kit(WHOLE)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "session.txt"
    path.write_bytes(HEAD + b"09:12  k7 miran58 f/2.8\n")
    return path


def note(log: Path, words: str, at: str | None = None, now: datetime = NOW) -> Noted:
    return add_note(log, words.split(" "), parse_kit(WHOLE), at=at, now=now)


def test_an_entry_is_stamped_in_the_logs_zone_and_told_back(log: Path) -> None:
    before = log.read_bytes()
    noted = note(log, "k7 brask135 f/5.6")
    assert log.read_bytes() == before + b"14:02  k7 brask135 f/5.6\n"
    assert noted.meaning == "k7: Brask Tele 135mm f/3.5 at f/5.6 via m42-e from 14:02"
    assert noted.older == ()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("k7 f/4", "k7: Ostrava Optik Miran 58mm f/2 at f/4 via m42-e from 14:02"),
        ("k7 f/4-5.6", "k7: Ostrava Optik Miran 58mm f/2 at f/4.73 via m42-e from 14:02"),
        ("k7 f/?", "k7: Ostrava Optik Miran 58mm f/2 at f/? (not noted) via m42-e from 14:02"),
        ("K7 OFF.", "k7: no adapted lens from 14:02"),
        ("n2 tolvan28 open", "n2: Ostrava Optik Tolvan 28mm f/2.8 at f/2.8 via f-mft from 14:02"),
        (
            "K7_0212..K7_0230 k7 brask135 f/8",
            "k7: Brask Tele 135mm f/3.5 at f/8 via m42-e for K7_0212..K7_0230",
        ),
        (
            "13:40-13:50:30 k7 brask135 f/8",
            "k7: Brask Tele 135mm f/3.5 at f/8 via m42-e from 13:40 to 13:50:30",
        ),
        ("slate K7_0245", "slate K7_0245"),
        ("clock k7 fast 3m20s", "clock k7 fast 3m20s"),
    ],
)
def test_what_was_noted_is_said_with_all_that_is_carried_on(
    log: Path, words: str, told: str
) -> None:
    assert note(log, words).meaning == told


def test_slack_widens_the_span_and_not_what_is_said(tmp_path: Path) -> None:
    log = tmp_path / "session.txt"
    log.write_bytes(HEAD + b"slack 2m\n")
    assert note(log, "k7 miran58 f/4").meaning.endswith("from 14:02")


def test_a_new_day_gets_its_date(log: Path) -> None:
    note(log, "k7 f/4", now=NOW + timedelta(days=1))
    assert log.read_text().endswith("f/2.8\ndate 2026-05-18\n14:02  k7 f/4\n")
    note(log, "k7 f/8", now=NOW + timedelta(days=1, minutes=1))
    assert log.read_text().endswith("14:02  k7 f/4\n14:03  k7 f/8\n")


def test_the_day_changes_at_the_logs_midnight(log: Path) -> None:
    note(log, "k7 f/4", now=datetime(2026, 5, 17, 22, 30, tzinfo=UTC))
    assert log.read_text().endswith("date 2026-05-18\n00:30  k7 f/4\n")


def test_a_log_that_is_not_there_is_made_with_date_and_zone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", "Europe/Stockholm")
    path = tmp_path / "new.txt"
    note(path, "k7 miran58 f/2.8")
    assert path.read_bytes() == HEAD + b"14:02  k7 miran58 f/2.8\n"


def test_without_a_named_zone_the_offset_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", "no such zone")
    monkeypatch.setattr("flangeback.note.noting._LOCAL", tmp_path / "nowhere")
    path = tmp_path / "new.txt"
    note(path, "k7 miran58 f/2.8", now=NOW.astimezone(timezone(timedelta(hours=-3, minutes=-30))))
    assert path.read_text() == "date 2026-05-17\nzone -03:30\n08:32  k7 miran58 f/2.8\n"


# --at ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at", "stamp"), [("13:55", "13:55"), ("1:55 pm", "13:55"), ("13h55", "13:55"),
                      ("13.55.20", "13:55:20"), ("14:03", "14:03")]
)  # fmt: skip
def test_at_gives_the_time(log: Path, at: str, stamp: str) -> None:
    note(log, "k7 f/4", at)
    assert log.read_text().endswith(f"\n{stamp}  k7 f/4\n")


def test_at_a_little_after_midnight_can_be_the_logs_yesterday(log: Path) -> None:
    note(log, "k7 f/4", "23:50", datetime(2026, 5, 17, 22, 10, tzinfo=UTC))
    assert log.read_text().endswith("09:12  k7 miran58 f/2.8\n23:50  k7 f/4\n")


@pytest.mark.parametrize(
    ("at", "told"),
    [
        ("14:40", "still to come: it is 14:02 by the log's clock"),
        ("noon", '"noon" isn\'t a time'),
        ("25:10", "there is no hour 25"),
        ("09:05", "earlier than the entry above"),
    ],
)
def test_a_time_that_cannot_be_is_refused(log: Path, at: str, told: str) -> None:
    before = log.read_bytes()
    with pytest.raises(InputError, match=told):
        note(log, "k7 f/4", at)
    assert log.read_bytes() == before


# Faults ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("k7 mirian58 f/2.8", 'did you mean "miran58"'),
        ("k7 f/28", "miran58"),
        ("off f/4", "can't stand with off"),
        ("k7 T2.8", "T-stop"),
        ("n2 brask135 f/4 via m42-e", "m42-mft"),
    ],
)
def test_with_a_fault_in_the_words_nothing_is_written(log: Path, words: str, told: str) -> None:
    before = log.read_bytes()
    kit = log.parent / "kit.toml"
    kit.write_text(WHOLE)
    there = sorted(log.parent.iterdir())
    result = CliRunner().invoke(app, ["note", str(log), *words.split()])
    assert result.exit_code == 2
    assert told in result.stderr
    assert "^" in result.stderr
    assert log.read_bytes() == before
    assert sorted(log.parent.iterdir()) == there


def test_older_faults_do_not_keep_a_note_from_being_made(log: Path) -> None:
    log.write_bytes(HEAD + b"09:12 k7 mirian58 f/2.8\n")
    noted = note(log, "k7 brask135 f/8")
    assert [problem.line for problem in noted.older] == [3]
    assert "brask135" in log.read_text()
    (log.parent / "kit.toml").write_text(WHOLE)
    result = CliRunner().invoke(app, ["note", str(log), "slate", "K7_0300"])
    assert result.exit_code == 0
    assert "1 fault: `match` shows them" in result.stderr


def test_where_one_body_is_named_others_need_none_and_two_do(log: Path) -> None:
    assert note(log, "f/4").meaning == "Ostrava Optik Miran 58mm f/2 at f/4 via m42-e from 14:02"
    with pytest.raises(InputError, match="which body"):
        note(log, "n2 tolvan28 open")


def test_a_fault_shows_the_words_as_they_were_given(log: Path) -> None:
    with pytest.raises(InputError) as caught:
        note(log, "k7 mirian58 f/2.8")
    rows = str(caught.value).splitlines()
    assert rows[:3] == [
        '"mirian58" isn\'t understood',
        "    k7 mirian58 f/2.8",
        "       ^^^^^^^^",
    ]
    with pytest.raises(InputError) as caught:
        note(log, "k7 f/4", "09:05")
    assert str(caught.value).splitlines()[1:3] == ["    09:05  k7 f/4", "    ^^^^^"]


def test_a_misspelt_lens_is_no_frame_name_in_a_note(log: Path) -> None:
    for words in ("sonda90 k7 f/4", "sonda k7 f/4"):
        with pytest.raises(InputError, match="isn't understood"):
            note(log, words)
    assert note(log, '"quay wall" k7 f/4').lines == ('14:02  "quay wall" k7 f/4',)
    assert note(log, "all k7 miran58").lines == ("all k7 miran58",)


def test_in_sixty_columns_no_line_is_longer(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    (log.parent / "kit.toml").write_text(WHOLE)
    words = "k7 f/4 the quay wall at the very end of the harbour, in fog, xyzzy"
    faulty = CliRunner().invoke(app, ["note", str(log), *words.split()])
    assert faulty.exit_code == 2
    assert "the quay wall" in " ".join(faulty.stderr.split())
    assert max(map(len, faulty.stderr.splitlines())) <= 60
    sound = CliRunner().invoke(app, ["note", str(log), "k7", "miran58", "f/4-5.6"])
    assert sound.exit_code == 0
    assert "\n" in sound.stdout.strip()
    assert max(map(len, sound.stdout.splitlines())) <= 60


# Taking back -----------------------------------------------------------------------------------


@pytest.mark.parametrize("code", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_undo_leaves_the_log_as_it_was_before_the_note(tmp_path: Path, code: str, end: str) -> None:
    path = tmp_path / "session.txt"
    before = f"date 2026-05-17{end}09:12  k7 miran58 f/2.8{end}# gulls, µ{end}".encode(code)
    path.write_bytes(before)
    note(path, "k7 f/4")
    assert undo_note(path) == ("12:02  k7 f/4",)
    assert path.read_bytes() == before
    note(path, "k7 f/4", now=NOW + timedelta(days=1))
    assert undo_note(path) == ("date 2026-05-18", "12:02  k7 f/4")
    assert path.read_bytes() == before


def test_undo_takes_the_last_line_that_says_something_and_stops_at_the_head(log: Path) -> None:
    log.write_bytes(HEAD + b"09:12  k7 miran58 f/2.8\nslate K7_0001\n\n# that's all\n")
    assert undo_note(log) == ("slate K7_0001",)
    assert undo_note(log) == ("09:12  k7 miran58 f/2.8",)
    assert log.read_bytes() == HEAD + b"\n# that's all\n"
    with pytest.raises(InputError, match="no note to take back"):
        undo_note(log)
    assert log.read_bytes() == HEAD + b"\n# that's all\n"
    with pytest.raises(InputError, match="can't be read"):
        undo_note(log.parent / "nothing.txt")


def test_the_command_takes_back_what_it_noted(log: Path) -> None:
    before = log.read_bytes()
    (log.parent / "kit.toml").write_text(WHOLE)
    assert CliRunner().invoke(app, ["note", str(log), "slate", "K7_0001"]).exit_code == 0
    result = CliRunner().invoke(app, ["note", str(log), "--undo"])
    assert (result.exit_code, result.stdout) == (0, "taken back: slate K7_0001\n")
    assert log.read_bytes() == before
    assert CliRunner().invoke(app, ["note", str(log), "--undo", "k7"]).exit_code == 2
    assert CliRunner().invoke(app, ["note", str(log)]).exit_code == 2
    assert log.read_bytes() == before


# What stands there stays -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "added"),
    [
        (b"\xef\xbb\xbf" + HEAD, b"14:02  k7 miran58 f/4\n"),
        (HEAD.replace(b"\n", b"\r\n"), b"14:02  k7 miran58 f/4\r\n"),
        (HEAD.rstrip(), b"\n14:02  k7 miran58 f/4\n"),
        (HEAD.replace(b"\n", b"\r"), b"14:02  k7 miran58 f/4\r"),
        ("\ufeff" + HEAD.decode(), "14:02  k7 miran58 f/4\n"),
    ],
    ids=["mark", "CRLF", "no line end", "CR", "UTF-16"],
)
def test_the_text_is_kept_byte_for_byte_in_its_own_way(
    tmp_path: Path, before: bytes | str, added: bytes | str, kit: Kit
) -> None:
    log = tmp_path / "session.txt"
    for code in ("utf-16-le", "utf-16-be"):
        old = before if isinstance(before, bytes) else before.encode(code)
        new = added if isinstance(added, bytes) else added.encode(code)
        log.write_bytes(old)
        note(log, "k7 miran58 f/4")
        assert log.read_bytes() == old + new
        assert len(read_log(log, kit).entries) == 1


def test_permissions_and_links_stay(log: Path) -> None:
    log.chmod(0o640)
    link = log.parent / "link.txt"
    link.symlink_to(log.name)
    note(link, "k7 f/4")
    assert link.is_symlink()
    assert stat.S_IMODE(log.stat().st_mode) == 0o640
    assert "14:02  k7 f/4" in log.read_text()


def test_a_write_that_fails_leaves_the_log_and_no_litter(
    log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = log.read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("flangeback.system.os.fsync", full)
    with pytest.raises(InputError, match="left as it was"):
        note(log, "k7 f/4")
    assert log.read_bytes() == before
    assert list(log.parent.iterdir()) == [log]


def test_notes_by_the_order_of_slate_frames_get_no_time(tmp_path: Path) -> None:
    log, gear = tmp_path / "session.txt", parse_kit(WHOLE)
    first = add_note(log, ["first", "k7", "miran58", "f/2.8"], gear, now=NOW)
    then = add_note(log, ["then", "k7", "f/4"], gear, now=NOW)
    assert log.read_text().endswith("\nfirst k7 miran58 f/2.8\nthen k7 f/4\n")
    assert first.meaning.endswith("from the first frame on")
    assert then.meaning.endswith("after the next slate frame")


def test_notes_made_at_once_are_all_kept(log: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda n: note(log, f"slate K7_{n:04}"), range(40)))
    assert sorted(log.read_text().split("f/2.8\n")[1].split("\n")[:-1]) == [
        f"slate K7_{n:04}" for n in range(40)
    ]


def test_words_that_the_shell_kept_together_are_a_remark(log: Path) -> None:
    add_note(log, ["k7", "f/4", "quay wall"], parse_kit(WHOLE), now=NOW)
    assert log.read_text().endswith('14:02  k7 f/4 "quay wall"\n')
    add_note(log, ["k7 f/8 via m42-e"], parse_kit(WHOLE), now=NOW)
    assert log.read_text().endswith("\n14:02  k7 f/8 via m42-e\n")


PIECES = [
    *("k7", "n2", "miran58", "brask135", "f/4", "open", "off", "via m42-e", "85mm", "9:12", "#"),
    *("K7_0001..K7_0009", "slate K7_0001", '"gulls"', "date 2026-05-18"),
]
WORDS = st.lists(st.sampled_from(PIECES) | st.text(max_size=6), min_size=1, max_size=5)


@given(WORDS)
@settings(
    max_examples=examples(200),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_whatever_is_noted_the_log_still_reads_or_is_as_it_was(
    tmp_path: Path, words: list[str]
) -> None:
    log, gear = tmp_path / "session.txt", parse_kit(WHOLE)
    before = HEAD + b"09:12  k7 miran58 f/2.8"
    log.write_bytes(before)
    try:
        add_note(log, words, gear, now=NOW)
    except InputError:
        assert log.read_bytes() == before
        return
    assert log.read_bytes().startswith(before + b"\n")
    found = read_log(log, gear)
    assert parse_log(format_log(found), gear, str(log)) == found


def test_a_kit_beside_the_log_is_taken(log: Path) -> None:
    result = CliRunner().invoke(app, ["note", str(log), "k7", "f/4"])
    assert result.exit_code == 2
    assert "kit.toml" in result.stderr
    (log.parent / "kit.toml").write_text(WHOLE)
    assert CliRunner().invoke(app, ["note", str(log), "K7_0001", "k7", "f/4"]).exit_code == 0


def test_a_time_that_is_still_to_come_is_refused_among_the_words_too(log: Path) -> None:
    before = log.read_bytes()
    with pytest.raises(InputError, match="15:30 is still to come"):
        note(log, "15:30 k7 f/4")
    assert log.read_bytes() == before
    assert "from 14:03" in note(log, "14:03 k7 f/4").meaning


# Files of another kind ----------------------------------------------------------------------------

OTHERS = {
    "kit.toml": WHOLE,
    "K7_0201.xmp": "<x:xmpmeta>\n<exif:FNumber>28/10</exif:FNumber>\n</x:xmpmeta>\n",
    "memo.txt": "milk\ncall the harbour office at noon\n",
    "flangeback-manifest.jsonl": '{"kind": "begin"}\n{"kind": "file"}\n{"kind": "end"}\n',
}


@pytest.mark.parametrize("name", OTHERS)
def test_a_file_that_is_no_log_is_left_as_it_is(name: str, tmp_path: Path) -> None:
    (tmp_path / name).write_text(OTHERS[name], "utf-8", newline="")
    with pytest.raises(InputError, match="isn't a session log"):
        add_note(tmp_path / name, ["k7", "miran58", "f/8"], parse_kit(WHOLE))
    with pytest.raises(InputError, match="isn't a session log"):
        undo_note(tmp_path / name)
    assert (tmp_path / name).read_text("utf-8") == OTHERS[name]


def test_a_last_line_that_is_no_note_is_not_taken_back(tmp_path: Path) -> None:
    path = tmp_path / "session.txt"
    text = "date 2026-05-17\n9:12 k7 miran58 f/4\nback at the harbour\n"
    path.write_text(text, "utf-8", newline="")
    with pytest.raises(InputError, match="no note"):
        undo_note(path)
    assert path.read_text("utf-8") == text
