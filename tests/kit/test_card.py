"""The card: what to key into the stabiliser, on screen, as a page, as a document."""

from __future__ import annotations

import json
import os
from decimal import Decimal
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from flangeback.cli.app import app
from flangeback.errors import InputError
from flangeback.kit import parse_kit
from flangeback.kit.card import Card, CardLine, cards
from flangeback.kit.fit import STANDING
from flangeback.report.pages import card_page
from flangeback.saving import save
from flangeback.words import visible
from support.kits import (
    F_E_REDUCER,
    K7,
    M42_E,
    MIRAN58,
    N2,
    TOLVAN28,
    WHOLE,
    ZOOM3570,
    changed,
    whole_kit,
)


def card_of(text: str, body: str = "k7") -> Card:
    kit = parse_kit(text)
    (card,) = cards(kit, [kit.bodies[body]])
    return card


def only_line(text: str) -> CardLine:
    (line,) = card_of(text).lines
    return line


# What is entered is the focal length itself, not the 35 mm equivalent; behind a reducer, the
# reduced one (common practice).


def test_key_in_is_the_focal_length_not_the_equivalent() -> None:
    line = only_line(changed(K7, "sensor", "[17.3, 13.0]") + MIRAN58 + M42_E)
    assert line.key_in == (Decimal(58),)
    assert line.way.equivalents == (116,)  # crop factor 2.00


def test_behind_a_reducer_the_reduced_one() -> None:
    # 28 x 0.71 = 19.88 mm.
    line = only_line(K7 + TOLVAN28 + F_E_REDUCER)
    assert line.key_in == (Decimal("19.88"),)
    assert "28 on the lens, times 0.71" in line.notes


def test_behind_an_extender_the_extended_one() -> None:
    extender = changed(changed(F_E_REDUCER, "kind", '"extender"'), "factor", "1.4")
    assert only_line(K7 + TOLVAN28 + extender).key_in == (Decimal("39.2"),)


def test_a_zoom_has_both_ends_and_says_that_one_has_to_be_chosen() -> None:
    line = only_line(K7 + ZOOM3570 + M42_E)
    assert line.key_in == (Decimal(35), Decimal(70))
    assert any("the focal length you set" in note for note in line.notes)


def test_every_way_of_the_fewest_adapters_is_on_the_card() -> None:
    plain = '[adapter.f-e]\nlens_mount = "F"\nbody_mount = "E"\n'
    lines = card_of(K7 + TOLVAN28 + F_E_REDUCER + plain).lines
    assert [(line.way.name, line.key_in) for line in lines] == [
        ("f-e-reducer", (Decimal("19.88"),)),
        ("f-e", (28,)),
    ]


def test_tubes_are_not() -> None:
    tube = '[adapter.tube]\nlens_mount = "M42"\nbody_mount = "M42"\nthickness = 29\n'
    assert [line.way.name for line in card_of(K7 + MIRAN58 + tube + M42_E).lines] == ["m42-e"]


def test_lenses_without_a_way_are_named() -> None:
    card = card_of(K7 + changed(N2, "mount", '"F"') + MIRAN58 + M42_E, "n2")
    assert card.lines == ()
    assert [lens.key for lens in card.left_out] == ["miran58"]


def test_notes_on_what_surprises() -> None:
    ringless = changed(TOLVAN28, "aperture_ring", "false") + "image_circle = 43\n"
    notes = " ".join(only_line(K7 + ringless + F_E_REDUCER).notes)
    assert "wide open" in notes
    assert "corners" in notes  # 43 x 0.71 = 30.5 mm on 43.1
    thick = only_line(K7 + MIRAN58 + changed(M42_E, "thickness", "27.6"))
    assert any("infinity" in note for note in thick.notes)
    electronic = only_line(K7 + MIRAN58 + changed(M42_E, "kind", '"electronic"'))
    assert any("passes the focal length on" in note for note in electronic.notes)


def test_every_body_has_a_card_with_the_cautions() -> None:
    found = cards(whole_kit())
    assert [card.body.key for card in found] == ["k7", "n2"]
    assert all(card.cautions == STANDING for card in found)
    for card in found:
        lengths = [line.key_in for line in card.lines]
        assert lengths == sorted(lengths)


# The page --------------------------------------------------------------------------------------


class Reader(HTMLParser):
    """Notes elements, attributes and text, and that what is opened is closed."""

    VOID = ("meta",)

    def __init__(self) -> None:
        super().__init__()
        self.elements: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.texts: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        self.attributes += attrs
        if tag not in (*self.VOID, "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    return reader


def test_the_page_stands_alone() -> None:
    page = card_page(cards(whole_kit()))
    reader = read(page)
    assert not {"script", "link", "img", "iframe"} & set(reader.elements)
    assert not {"src", "href"} & {name for name, _ in reader.attributes}
    assert "url(" not in page
    assert "@import" not in page
    # A6 is 105 x 148 mm (ISO 216).
    assert "size: 105mm 148mm" in page
    assert reader.elements.count("section") == 2


def test_the_page_says_what_the_card_does() -> None:
    texts = [text.strip() for text in read(card_page(cards(whole_kit()))).texts]
    assert any("aperture on lens" in text for text in texts)
    for expected in ("Kestrin K7", "58", "miran58", "2-16", "19.9", "1.99-15.6"):
        assert expected in texts
    for caution in STANDING:
        assert texts.count(caution) == 2


@settings(deadline=None)
@given(st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1).filter(str.strip))
def test_names_cannot_become_markup(name: str) -> None:
    kit = whole_kit()
    text = WHOLE.replace('"Miran 58mm f/2"', json.dumps(name, ensure_ascii=False))
    plain, named = (read(card_page(cards(k))) for k in (kit, parse_kit(text)))
    assert named.elements == plain.elements
    assert any(visible(name).strip() in text for text in named.texts)


# The command -----------------------------------------------------------------------------------


def run(tmp_path: Path, *words: str, text: str = WHOLE) -> Result:
    path = tmp_path / "kit.toml"
    path.write_text(text)
    return CliRunner().invoke(
        app, ["kit", "card", *words, "--kit", str(path)], env={"COLUMNS": "80"}
    )


def test_on_screen(tmp_path: Path) -> None:
    result = run(tmp_path)
    assert result.exit_code == 0
    assert max(map(len, result.output.splitlines())) <= 80
    words = " ".join(result.output.split())
    for expected in ("never the 35 mm equivalent", "58 miran58 m42-e on lens 2-16 58", *STANDING):
        assert expected in words


def test_of_one_body(tmp_path: Path) -> None:
    found = json.loads(run(tmp_path, "N2", "--json").stdout)
    assert found["schema"] == "flangeback/kit-card-1"
    (card,) = found["cards"]
    assert card["body"] == "n2"
    by_lens = {line["lens"]: line for line in card["lines"]}
    assert by_lens["tolvan28"]["key_in"] == [28]
    assert by_lens["tolvan28"]["focal_length_35mm"] == [56]


def test_of_a_body_that_is_not_there(tmp_path: Path) -> None:
    result = run(tmp_path, "k77")
    assert result.exit_code == 2
    assert 'did you mean "k7"' in result.output


def test_page_written_and_written_again(tmp_path: Path) -> None:
    page = tmp_path / "card.html"
    assert run(tmp_path, "--html", str(page)).exit_code == 0
    first = page.read_text("utf-8")
    assert run(tmp_path, "k7", "--html", str(page)).exit_code == 0
    assert page.read_text("utf-8") != first
    assert page.read_text("utf-8") == card_page(cards(whole_kit(), [whole_kit().bodies["k7"]]))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["card.html", "kit.toml"]


def test_no_other_file_is_written_over(tmp_path: Path) -> None:
    page = tmp_path / "notes.html"
    page.write_text("<p>mine</p>")
    result = run(tmp_path, "--html", str(page))
    assert result.exit_code == 2
    assert "isn't a page that flangeback made" in result.output
    assert page.read_text() == "<p>mine</p>"
    assert run(tmp_path, "--html", str(tmp_path)).exit_code == 2
    kit = tmp_path / "kit.toml"
    assert run(tmp_path, "--html", str(kit)).exit_code == 2
    assert kit.read_text() == WHOLE


# Saving ----------------------------------------------------------------------------------------


def test_save_keeps_permissions_and_links(tmp_path: Path) -> None:
    real = tmp_path / "real.txt"
    real.write_bytes(b"old")
    real.chmod(0o640)
    link = tmp_path / "link.txt"
    link.symlink_to(real)
    save(link, b"new")
    assert link.is_symlink()
    assert real.read_bytes() == b"new"
    assert real.stat().st_mode & 0o777 == 0o640


def test_a_new_file_gets_the_usual_permissions(tmp_path: Path) -> None:
    (tmp_path / "plain").write_bytes(b"")
    save(tmp_path / "saved", b"")
    modes = {(tmp_path / name).stat().st_mode for name in ("plain", "saved")}
    assert len(modes) == 1


def test_a_save_that_fails_leaves_all_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "kit.toml"
    path.write_bytes(b"old")

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left on device"):
        save(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can't be written"):
        save(tmp_path / "nowhere" / "card.html", b"")
