"""The pages: what stands on them, that they stand alone, and that others' words are inert."""

from __future__ import annotations

import base64
import hashlib
import io
import re
from pathlib import Path

import pytest
from lxml import html
from PIL import Image

from flangeback.demo import Outing
from support.commands import run

OTHERS_WORDS = "<img src=x onerror=alert(1)>\"'&</script>\u202egpj.\x1b[31m"


@pytest.fixture(scope="module")
def page(outing: Outing, tmp_path_factory: pytest.TempPathFactory) -> html.HtmlElement:
    """What fill writes for the demo's outing."""
    folder = tmp_path_factory.mktemp("page")
    done = run("fill", outing.frames, "--into", folder / "out", "--report", folder / "page.html")
    assert done.code == 1
    return html.parse(str(folder / "page.html")).getroot()


def words(element: html.HtmlElement) -> str:
    return " ".join(element.text_content().split())


def section(page: html.HtmlElement, name: str) -> html.HtmlElement:
    (found,) = page.xpath(f"//section[@id='{name}']")
    assert isinstance(found, html.HtmlElement)
    return found


def test_the_head_has_folder_bodies_log_kit_and_totals(page: html.HtmlElement) -> None:
    head = words(page.xpath("//header")[0])
    for text in ("2026-05-17", "k7 (Kestrin K7) and n2", "session.txt", "kit.toml", "40 frames"):
        assert text in head
    totals = [words(item) for item in page.xpath("//header//ul[@class='totals']/li")]
    assert totals[0] == "26 fill"
    assert sum(int(text.split()[0]) for text in totals) == 40


def test_every_frame_that_needs_a_person_is_on_top(page: html.HtmlElement) -> None:
    cases = [words(case) for case in page.xpath("//article[@class='case']/h3")]
    assert [case.split()[:2] for case in cases] == [
        ["K7_0201", "unlogged"],
        ["K7_0202", "unsure"],
        ["K7_0205", "conflict"],
        ["K7_0211", "partial"],
        ["K7_0216", "unsure"],
        ["K7_0220..0221", "fill"],
        ["K7_0222..0223", "unlogged"],
        ["K7_0229", "partial"],
        ["K7_0230", "unreadable"],
    ]
    assert "--over" in words(page.xpath("//article[@class='case']")[2])


def test_every_frame_has_its_place_on_the_sheet_and_the_timeline(page: html.HtmlElement) -> None:
    sheet = section(page, "frames").xpath(".//li[@data-outcome]")
    assert len(sheet) == 40
    ids = {item.get("id") for item in sheet}
    linked = {a.get("href")[1:] for a in section(page, "timeline").xpath(".//a[use]")}
    assert len(linked) == 39  # One is damaged and has no time.
    assert linked < ids


def test_links_lead_somewhere(page: html.HtmlElement) -> None:
    ids = set(page.xpath("//@id"))
    for href in page.xpath("//a/@href | //use/@href"):
        assert href.startswith("#")
        assert href[1:] in ids, href


def test_the_log_says_how_many_frames_each_line_got(page: html.HtmlElement) -> None:
    rows = [[words(cell) for cell in row] for row in section(page, "log").xpath(".//tbody/tr")]
    counts = {int(line): frames for frames, line, _ in rows}
    assert counts[1] == ""  # A comment.
    assert counts[15] == "6"  # One of them within the change.
    assert sum(int(text) for text in counts.values() if text.isdigit()) == 36


def test_the_proof_names_every_copy_and_a_frame_s_tags(page: html.HtmlElement) -> None:
    proof = words(section(page, "proof"))
    assert "40 of 40 copies were read back" in proof
    assert "JPEG" in proof
    assert "LensModel" in proof


def test_thumbnails_are_pictures_and_stand_in_the_page(page: html.HtmlElement) -> None:
    sources = page.xpath("//image/@href")
    assert len(sources) == 39
    assert not page.xpath("//img")
    for source in set(sources):
        kind, data = source.split(",", 1)
        assert kind == "data:image/jpeg;base64"
        with Image.open(io.BytesIO(base64.b64decode(data))) as picture:
            assert max(picture.size) <= 240


def test_a_page_is_small(outing: Outing, tmp_path: Path) -> None:
    run("match", outing.frames, "--report", tmp_path / "page.html")
    assert (tmp_path / "page.html").stat().st_size < 1_000_000


def test_the_policy_allows_the_page_s_own_style_and_script_alone(page: html.HtmlElement) -> None:
    # Content Security Policy Level 3 (W3C): hashes are of the elements' text, base64 of SHA-256.
    (policy,) = page.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    assert "default-src 'none'" in policy
    for tag in ("style", "script"):
        (text,) = page.xpath(f"//{tag}/text()")
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy
    assert not page.xpath("//@style | //@onclick | //@onerror")


def test_what_others_wrote_is_text(outing: Outing, tmp_path: Path) -> None:
    kit = tmp_path / "kit.toml"
    name = OTHERS_WORDS.replace('"', '\\"').replace("\x1b", "")
    whole = (outing.frames / "kit.toml").read_text("utf-8")
    kit.write_text(whole.replace("Miran 58mm", name), "utf-8")
    log = tmp_path / "session.txt"
    remark = "# " + OTHERS_WORDS.replace("\x1b", "") + "\n"
    log.write_text(outing.log.read_text("utf-8") + remark, "utf-8")
    path = tmp_path / "page.html"
    assert run("match", outing.frames, "--kit", kit, "--log", log, "--report", path).code == 1
    text = path.read_text("utf-8")
    found = html.fromstring(text)
    assert len(found.xpath("//script")) == 1
    assert not found.xpath("//img")
    assert all(href.startswith("data:image/jpeg;") for href in found.xpath("//image/@href"))
    assert "<img src=x onerror=alert(1)>" in found.text_content()
    assert not re.search("[\x00-\x08\x0b-\x1f\u202e]", text)
    assert "‹202E›" in found.text_content()


@pytest.mark.parametrize("command", ["match", "survey", "tally"])
def test_a_page_is_written_over_its_own_kind_and_nothing_else(
    command: str, outing: Outing, tmp_path: Path
) -> None:
    path = tmp_path / "report.html"
    path.write_text("somebody's own")
    done = run(command, outing.frames, "--report", path)
    assert done.code == 2
    assert str(path) in done.err
    assert path.read_text() == "somebody's own"
    path.unlink()
    assert run(command, outing.frames, "--report", path).code < 2
    assert run(command, outing.frames, "--report", path).code < 2


def test_a_tally_s_page_counts_what_the_tally_counts(outing: Outing, tmp_path: Path) -> None:
    path = tmp_path / "tally.html"
    assert run("tally", outing.frames, "--report", path).code == 1
    found = html.parse(str(path)).getroot()
    assert "39 frames in 1 folder" in words(found)
    (heat,) = found.xpath("//table[@class='heat']")
    assert sum(int(n) for n in heat.xpath(".//td/text()")) == 6  # Those that name their lens.


def test_a_survey_s_page_says_what_is_missing(outing: Outing, tmp_path: Path) -> None:
    path = tmp_path / "survey.html"
    assert run("survey", outing.frames, "--report", path).code == 1
    text = words(html.parse(str(path)).getroot())
    assert "33 of 40 frames lack lens data; 1 can't be read" in text
    assert "58 mm" in text


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


def test_a_filled_folder_alone_gives_the_same_page(outing: Outing, tmp_path: Path) -> None:
    out, first, again = tmp_path / "out", tmp_path / "first.html", tmp_path / "again.html"
    run("fill", outing.frames, "--into", out, "--report", first)
    assert run("verify", out, "--report", again).code == 0
    made, proved = (html.parse(str(path)).getroot() for path in (first, again))
    parts = ("header//ul[@class='totals']", "article/h3", "span[@class='values']")
    for part in (*parts, "span[@class='before']"):
        assert [words(e) for e in made.xpath(f"//{part}")] == [
            words(e) for e in proved.xpath(f"//{part}")
        ], part
    assert "40 of 40 copies were proved once more" in words(section(proved, "proof"))
    # The manifest's word for what stood there before is what ExifRead found in the original, but
    # for blanks that were written out.
    told = {tag: values for tag, *values in rows_of_tags(proved)}
    read = {tag: values for tag, *values in rows_of_tags(made)}
    assert len(told) == 7
    for tag, (before, after) in told.items():
        assert after == read[tag][1]
        assert before == (read[tag][0] if read[tag][0].strip("[], 0-/") else "-")


def rows_of_tags(page: html.HtmlElement) -> list[tuple[str, ...]]:
    rows = section(page, "proof").xpath(".//table[2]/tbody/tr")
    return [tuple(map(words, row)) for row in rows]


def test_what_a_manifest_doesn_t_say_of_before_is_left_out(outing: Outing, tmp_path: Path) -> None:
    out, page = tmp_path / "out", tmp_path / "page.html"
    run("fill", outing.frames, "--into", out)
    manifest = out / "flangeback-manifest.jsonl"
    older = re.sub(r'"before": (null|\{[^}]*\}), ', "", manifest.read_text("utf-8"))
    assert older != manifest.read_text("utf-8")
    manifest.write_text(older, "utf-8")
    run("verify", out, "--report", page)
    root = html.parse(str(page)).getroot()
    assert root.xpath("//span[@class='values']")
    assert not root.xpath("//span[@class='before']")
    assert not rows_of_tags(root)


def test_copies_with_true_times_stand_where_their_frames_stood(
    outing: Outing, tmp_path: Path
) -> None:
    out, first, again = tmp_path / "out", tmp_path / "first.html", tmp_path / "again.html"
    run("fill", outing.frames, "--into", out, "--set-time", "--report", first)
    assert run("verify", out, "--report", again).code == 0
    times = [html.parse(str(path)).getroot().xpath("//time/@datetime") for path in (first, again)]
    assert times[0] == times[1]
