"""The page that match and fill write, and the faults of a log that only the frames can show."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

from flangeback.demo import Outing
from support.commands import run


class Texts(HTMLParser):
    """The texts of a page's table cells, and its open elements."""

    VOID = frozenset(["meta", "br", "hr"])

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.cells: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        if tag == "td":
            self.cells.append("")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "td" in self.open:
            self.cells[-1] += data


def read_page(path: Path) -> Texts:
    page = Texts()
    page.feed(path.read_text("utf-8"))
    page.close()
    assert page.open == []
    return page


def test_match_writes_a_page_with_every_row_of_the_terminal(outing: Outing, tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    done = run("match", outing.frames, "--report", path)
    assert done.code == 1
    page = read_page(path)
    for text in ("K7_0204", "agree", "Brask Tele 135mm f/3.5", "3.98", "unreadable"):
        assert text in page.cells
    assert any(cell.startswith("registered-focal") for cell in page.cells)


def test_fill_says_on_the_page_how_many_copies_are_verified(outing: Outing, tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    assert run("fill", outing.frames, "--into", tmp_path / "out", "--report", path).code == 1
    assert "40 of 40 copies verified" in path.read_text("utf-8")


def test_what_a_name_says_is_text_on_the_page(outing: Outing, tmp_path: Path) -> None:
    kit = tmp_path / "kit.toml"
    kit.write_text(outing.kit.read_text().replace("Miran 58mm", "<b>Miran & 58mm"))
    path = tmp_path / "report.html"
    run("match", outing.frames, "--kit", kit, "--report", path)
    assert "<b>Miran & 58mm f/2" in read_page(path).cells


def test_a_page_is_written_over_a_page_and_nothing_else(outing: Outing, tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.write_text("somebody's own")
    done = run("match", outing.frames, "--report", path)
    assert done.code == 2
    assert str(path) in done.err
    assert path.read_text() == "somebody's own"
    path.unlink()
    assert run("match", outing.frames, "--report", path).code == 1
    assert run("match", outing.frames, "--report", path).code == 1


def test_a_missing_frame_is_told_with_the_other_faults(outing: Outing, tmp_path: Path) -> None:
    log = tmp_path / "session.txt"
    log.write_text(
        "date 2026-05-17\n"
        "clock n2 N2_9999 shows 09:05:10\n"
        "09:12 k7 mirian58 f/2.8\n"
        "K7_0203..K7_0299 k7 miran58 f/2.8\n"
        "slate K7_1234\n"
        "09:40 k7 miran58 f/1\n"
    )
    done = run("match", outing.frames, "--log", log)
    assert done.code == 2
    places = [line.split(": ")[0] for line in done.err.splitlines() if line.startswith(str(log))]
    assert places == [f"{log}:{place}" for place in ("2:10", "3:10", "4:10", "5:7", "6:18")]
    assert done.out == ""
