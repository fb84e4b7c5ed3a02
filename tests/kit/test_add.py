"""New entries for the kit: from a frame, from the lens-correction database; remarks on a kit."""

from __future__ import annotations

import json
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from types import ModuleType, SimpleNamespace

import piexif
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from flangeback.cli.app import app
from flangeback.errors import InputError
from flangeback.kit import lensdb, parse_kit, read_kit
from flangeback.kit.adding import NewField, add_entry, body_key, lens_key
from flangeback.kit.lensdb import RecordedLens, entry_of, look_up, search
from flangeback.kit.remarks import remarks
from support.kits import K7, M42_E, MIRAN58, N2, WHOLE, ZOOM3570, changed, problem_of, whole_kit
from support.plain_jpeg import picture

MIRAN = RecordedLens(
    "Ostrava Optik",
    "Ostrava Miran 58mm f/2",
    (Decimal(58), Decimal(58)),
    (Decimal(2), Decimal(2)),
    None,
    ("M42",),
)
MIRAN_MC = replace(MIRAN, name="Ostrava Miran MC 58mm f/2", narrowest=Decimal(16))
ZOOM = RecordedLens(
    "Brask",
    "Brask Zoom 35-70mm f/3.5-4.5",
    (Decimal(35), Decimal(70)),
    (Decimal("3.5"), Decimal("4.5")),
    Decimal(22),
    ("Brask bayonet", "M42"),
)
DARK = replace(ZOOM, name="Brask Dark 35-70mm", widest=None, mounts=("Brask bayonet",))
MADE_UP = (MIRAN_MC, MIRAN, ZOOM, DARK)


@pytest.fixture
def made_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lensdb, "entries", lambda: MADE_UP)


@pytest.fixture
def without(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if the package weren't installed."""
    monkeypatch.setitem(sys.modules, "lensfunpy", None)
    lensdb.entries.cache_clear()


def run(*words: str) -> Result:
    return CliRunner().invoke(app, ["kit", *words], env={"COLUMNS": "80"})


def kit_in(folder: Path, text: str = WHOLE) -> Path:
    path = folder / "kit.toml"
    path.write_text(text)
    return path


# Appending -------------------------------------------------------------------------------------

BODY: tuple[NewField, ...] = (("model", "Kestrin K9", ""), ("mount", "E", ""))
TEXT = st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1, max_size=30)


@pytest.mark.parametrize(
    "old",
    [
        b"",
        b"# mine alone\n",
        WHOLE.encode(),
        WHOLE.rstrip().encode(),
        WHOLE.replace("\n", "\r\n").encode(),
        b"\xef\xbb\xbf" + WHOLE.encode() + "# Größe\n\n\n".encode(),
    ],
)
def test_what_stands_there_stays_byte_for_byte(tmp_path: Path, old: bytes) -> None:
    path = tmp_path / "kit.toml"
    path.write_bytes(old)
    entry = add_entry(path, "body", "k9", BODY)
    new = path.read_bytes()
    assert new.startswith(old)
    assert entry == '[body.k9]\nmodel = "Kestrin K9"\nmount = "E"\n'
    assert new.replace(b"\r\n", b"\n").endswith(entry.encode())
    assert (b"\r\n" in new) == (b"\r\n" in old)
    assert b"\n" not in new.replace(b"\r\n", b"") or b"\r\n" not in old
    assert read_kit(path).bodies["k9"].model == "Kestrin K9"
    assert list(tmp_path.iterdir()) == [path]


def test_a_kit_file_is_made_when_there_is_none(tmp_path: Path) -> None:
    add_entry(tmp_path / "kit.toml", "body", "k9", BODY)
    assert list(read_kit(tmp_path / "kit.toml").bodies) == ["k9"]


@pytest.mark.parametrize(
    ("name", "widest"),
    [
        ("Stor 85mm f/2,8", "2.8"),
        ("Stor 85mm 1:1,8", "1.8"),
        ("Stor 85mm ƒ/2.8", "2.8"),
        ("Stor 35–70mm f/3.5–4.5", "[3.5, 4.5]"),
        ("Stor 35-70mm f/3,5-4,5", "[3.5, 4.5]"),
    ],
)
def test_a_lenss_name_tells_its_f_number_with_a_comma_too(
    name: str, widest: str, tmp_path: Path
) -> None:
    words = ("--maker", "Brask", "--mount", "M42", "--kit", str(tmp_path / "kit.toml"))
    done = CliRunner().invoke(app, ["kit", "add", "lens", name, *words])
    assert done.exit_code == 0, done.output
    assert f"widest = {widest}\n" in (tmp_path / "kit.toml").read_text("utf-8")


def test_a_plain_adapter_that_was_measured_takes_the_place_of_the_understood_one(
    tmp_path: Path,
) -> None:
    (tmp_path / "kit.toml").write_text(K7 + MIRAN58, "utf-8")
    assert read_kit(tmp_path / "kit.toml").adapters["m42-e"].understood
    words = ("--lens-mount", "M42", "--body-mount", "E", "--kind", "plain", "--thickness", "27.46")
    done = CliRunner().invoke(
        app, ["kit", "add", "adapter", *words, "--kit", str(tmp_path / "kit.toml")]
    )
    assert done.exit_code == 0, done.output
    (adapter,) = read_kit(tmp_path / "kit.toml").adapters.values()
    assert (adapter.key, adapter.understood, adapter.thickness) == ("m42-e", False, 27.46)


@pytest.mark.parametrize("key", ["k7", "K7", "miran58", "m42-e"])
def test_a_taken_key_is_never_written_over(tmp_path: Path, key: str) -> None:
    path = kit_in(tmp_path)
    with pytest.raises(InputError, match="is taken; nothing was written"):
        add_entry(path, "body", key, BODY)
    assert path.read_text() == WHOLE


@pytest.mark.parametrize("key", ["open", "9h12", "f2", "two words", "58mm"])
def test_a_key_that_no_kit_may_have_is_refused(tmp_path: Path, key: str) -> None:
    path = kit_in(tmp_path)
    with pytest.raises(InputError, match="the key"):
        add_entry(path, "body", key, BODY)
    assert path.read_text() == WHOLE


@pytest.mark.parametrize(
    "text", ["[body.k7\n", "[body.k7]\nmont = 1\n", "body = {k7 = {mount='E'}}\n"]
)
def test_a_kit_with_faults_is_left_alone(tmp_path: Path, text: str) -> None:
    path = kit_in(tmp_path, text)
    with pytest.raises(InputError):
        add_entry(path, "body", "k9", BODY)
    assert path.read_text() == text


@pytest.mark.parametrize("content", [b"\xff\xfe", b"# \xe5\n"])
def test_a_file_that_is_no_text_is_left_alone(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "kit.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match="UTF-8"):
        add_entry(path, "body", "k9", BODY)
    assert path.read_bytes() == content


def test_a_body_that_is_there_already(tmp_path: Path) -> None:
    path = kit_in(tmp_path, changed(K7, "serial", None))
    with pytest.raises(InputError, match="same model and serial"):
        add_entry(path, "body", "other", (("model", "Kestrin K7", ""), ("mount", "E", "")))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(name=TEXT.filter(str.strip), serial=st.none() | TEXT.filter(str.strip))
def test_any_name_comes_back_as_it_was(tmp_path: Path, name: str, serial: str | None) -> None:
    path = kit_in(tmp_path, "")
    fields: tuple[NewField, ...] = (
        ("name", name, ""),
        ("serial", serial, "a comment"),
        ("focal", (Decimal(35), Decimal("70.5")), ""),
        ("widest", Decimal("2.80"), ""),
        ("narrowest", Decimal(16), ""),
        ("mount", "M42", ""),
        ("aperture_ring", False, ""),
    )
    add_entry(path, "lens", "some", fields)
    lens = read_kit(path).lenses["some"]
    assert lens.name == name.strip()
    assert lens.serial == (serial and serial.strip())
    assert lens.focal == (Decimal(35), Decimal("70.5"))
    assert lens.widest == (Decimal("2.8"),) * 2
    assert not lens.aperture_ring


@pytest.mark.parametrize(
    ("name", "focal", "key"),
    [
        ("Ostrava Miran 58mm f/2", "58", "ostrava58"),
        ("AB Tolvan 2,8/28", "28", "tolvan28"),
        ("Wide 17.5", "17.5", "wide17-5"),
        ("50/1.4", "50", ""),
    ],
)
def test_keys_of_lenses(name: str, focal: str, key: str) -> None:
    assert lens_key(name, Decimal(focal)) == key


@pytest.mark.parametrize(
    ("model", "key"),
    [("Kestrin K7", "k7"), ("Norrvik N 2", "n2"), ("KX-7M3", "7m3"), ("9", "9"), ("--", "")],
)
def test_keys_of_bodies(model: str, key: str) -> None:
    assert body_key(model) == key


# From a frame ----------------------------------------------------------------------------------


def frame(folder: Path, model: bytes | None = b"Kestrin K9", **exif: object) -> Path:
    """A frame of 600 x 400 pixels; 16.7 of them a mm, unless told otherwise."""
    tags = {
        piexif.ExifIFD.PixelXDimension: 600,
        piexif.ExifIFD.PixelYDimension: 400,
        piexif.ExifIFD.FocalPlaneXResolution: exif.get("across", (167, 1)),
        piexif.ExifIFD.FocalPlaneYResolution: exif.get("down", (167, 1)),
        piexif.ExifIFD.FocalPlaneResolutionUnit: 3,
        piexif.ExifIFD.BodySerialNumber: b"0099",
    }
    main = {} if model is None else {piexif.ImageIFD.Model: model}
    path = folder / "K9_0001.JPG"
    path.write_bytes(picture())
    piexif.insert(piexif.dump({"0th": main, "Exif": tags}), str(path))
    return path


def test_a_body_from_a_frame(tmp_path: Path) -> None:
    kit = kit_in(tmp_path)
    made = frame(tmp_path)
    before = made.read_bytes()
    result = run("add", "body", str(made), "--mount", "micro four thirds", "--kit", str(tmp_path))
    assert result.exit_code == 0
    body = read_kit(kit).bodies["k9"]
    assert (body.model, body.serial, body.mount) == ("Kestrin K9", "0099", "Micro Four Thirds")
    # 600 pixels at 167 a cm are 35.9 mm, 400 are 24.0.
    assert body.sensor == (35.9, 24.0)
    assert "[body.k9]" in result.output
    assert kit.read_text().startswith(WHOLE)
    assert made.read_bytes() == before


def test_an_implausible_sensor_is_left_out(tmp_path: Path) -> None:
    made = frame(tmp_path, across=(2, 1), down=(2, 1))
    result = run("add", "body", str(made), "--mount", "E", "--kit", str(tmp_path), "--json")
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert found["schema"] == "flangeback/kit-added-1"
    assert "sensor" not in found["text"]
    assert read_kit(tmp_path / "kit.toml").bodies["k9"].sensor is None


@pytest.mark.parametrize(
    ("words", "part"),
    [
        ((), "the mount has to be said"),
        (("--mount", "M24"), 'did you mean "M42"'),
        (("--mount", "E", "--key", "K7"), "is taken"),
    ],
)
def test_what_a_frame_does_not_tell(tmp_path: Path, words: tuple[str, ...], part: str) -> None:
    kit = kit_in(tmp_path)
    result = run("add", "body", str(frame(tmp_path)), *words, "--kit", str(kit))
    assert result.exit_code == 2
    assert part in result.output
    assert kit.read_text() == WHOLE


def test_frames_that_name_no_body(tmp_path: Path) -> None:
    nameless = frame(tmp_path, None)
    assert "doesn't name the body" in run("add", "body", str(nameless), "--mount", "E").output
    nameless.write_bytes(b"no picture")
    assert run("add", "body", str(nameless), "--mount", "E").exit_code == 2
    missing = tmp_path / "missing.JPG"
    assert "can't be read" in run("add", "body", str(missing), "--mount", "E").output
    assert not (tmp_path / "kit.toml").exists()


# From the database -----------------------------------------------------------------------------


def test_a_lens_by_its_words(tmp_path: Path, made_up: None) -> None:
    kit = kit_in(tmp_path)
    result = run("add", "lens", "miran", "mc", "--key", "mc58", "--kit", str(kit))
    assert result.exit_code == 0
    lens = read_kit(kit).lenses["mc58"]
    assert (lens.maker, lens.name) == ("Ostrava Optik", "Ostrava Miran MC 58mm f/2")
    assert [lens.focal[0], lens.widest[0], lens.narrowest] == [58, 2, 16]
    assert lens.mount == "M42"
    assert kit.read_text().startswith(WHOLE)


def test_several_are_shown_and_none_is_written(tmp_path: Path, made_up: None) -> None:
    kit = kit_in(tmp_path)
    result = run("add", "lens", "58", "miran", "--kit", str(kit))
    assert result.exit_code == 2
    assert "choose with --pick N" in result.output
    assert max(map(len, result.output.splitlines())) <= 80
    assert kit.read_text() == WHOLE
    listed = json.loads(run("add", "lens", "58", "miran", "--json").stdout)["entries"]
    assert [entry["name"] for entry in listed] == [MIRAN.name, MIRAN_MC.name]


def test_picked_and_completed_by_the_user(tmp_path: Path, made_up: None) -> None:
    kit = kit_in(tmp_path)
    words = ("--narrowest", "f/22", "--mount", "exakta", "--no-ring", "--serial", "77")
    result = run("add", "lens", "miran", "--pick", "1", *words, "--kit", str(kit))
    assert result.exit_code == 0
    lens = read_kit(kit).lenses["ostrava58"]
    assert lens.name == MIRAN.name
    assert lens.narrowest == 22
    assert (lens.mount, lens.serial) == ("Exakta", "77")
    assert not lens.aperture_ring


def test_a_zoom_keeps_both_apertures(tmp_path: Path, made_up: None) -> None:
    kit = kit_in(tmp_path)
    result = run("add", "lens", "zoom", "--mount", "SR", "--kit", str(kit))
    assert result.exit_code == 0
    assert read_kit(kit).lenses["brask35"].widest == (Decimal("3.5"), Decimal("4.5"))


def test_everything_unknown_is_asked_for_at_once(tmp_path: Path, made_up: None) -> None:
    kit = kit_in(tmp_path)
    result = run("add", "lens", "dark", "--narrowest", "wide", "--kit", str(kit))
    assert result.exit_code == 2
    for part in (
        'the mount has to be said (the database has "Brask bayonet")',
        "the widest f-number has to be said",
        '--narrowest is "wide"',
    ):
        assert part in result.output
    result = run("add", "lens", "dark", "--mount", "SR", "--widest", "3,5-4.5", "--kit", str(kit))
    assert result.exit_code == 0
    assert read_kit(kit).lenses["brask35"].widest == (Decimal("3.5"), Decimal("4.5"))


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("nonesuch",), 'no lens of the database has "nonesuch"'),
        (("miran", "--pick", "3"), "--pick from 1 to 2"),
        (("mc", "--narrowest", "1.4"), "narrowest"),
    ],
)
def test_what_cannot_be_added(
    tmp_path: Path, made_up: None, words: tuple[str, ...], part: str
) -> None:
    kit = kit_in(tmp_path)
    result = run("add", "lens", *words, "--kit", str(kit))
    assert result.exit_code == 2
    assert part in result.output
    assert kit.read_text() == WHOLE


def test_words_are_met_at_their_start_and_numbers_whole() -> None:
    assert search(["mir", "58"], MADE_UP) == (MIRAN, MIRAN_MC)
    assert search(["5"], MADE_UP) == ()
    assert search(["iran"], MADE_UP) == ()
    assert search(["f/3.5"], MADE_UP) == (ZOOM,)
    assert search([], MADE_UP) == ()


def test_an_entry_of_the_package() -> None:
    # The package's figures are 32-bit floats, None or 0 where the database has none.
    own = SimpleNamespace(
        maker="Brask",
        model="Brask 35-70mm f/3.5-4.5",
        min_focal=35.0,
        max_focal=70.0,
        min_aperture=3.5,
        max_aperture=None,
        mounts=["M42"],
    )
    assert entry_of(own) == replace(
        ZOOM, name="Brask 35-70mm f/3.5-4.5", narrowest=None, mounts=("M42",)
    )
    own.min_aperture = 1.7999999523162842
    assert entry_of(own).widest is None  # the name tells another aperture
    own.max_focal = None
    assert entry_of(own).focal == (Decimal(35), Decimal(35))
    assert entry_of(own).widest == (Decimal("1.8"),) * 2
    own.min_focal = 0.0
    assert entry_of(own).focal is None


# By asking -------------------------------------------------------------------------------------


def asked(folder: Path, answers: str, *words: str) -> Result:
    arguments = ["kit", "add", *words]
    if words:
        arguments += ["--kit", str(folder)]
    return CliRunner().invoke(app, arguments, input=answers, env={"COLUMNS": "80"})


def test_a_body_is_asked_for_its_mount_with_the_likely_ones_first(tmp_path: Path) -> None:
    made = frame(tmp_path)  # 35.9 mm wide, full frame
    result = asked(tmp_path, "EE\ne\n", "body", str(made))
    assert result.exit_code == 0, result.output
    assert "its mount, such as Z, E, L, RF" in result.stderr
    assert 'there is no mount "EE"' in result.stderr
    assert read_kit(tmp_path / "kit.toml").bodies["k9"].mount == "E"


def test_a_lenss_name_is_taken_apart(tmp_path: Path, without: None) -> None:
    result = asked(tmp_path, "Ostrava Optik\nm42\n", "lens", "Miran", "58mm", "f/2")
    assert result.exit_code == 0, result.output
    lens = read_kit(tmp_path / "kit.toml").lenses["miran58"]
    assert (lens.maker, lens.name, lens.mount) == ("Ostrava Optik", "Miran 58mm f/2", "M42")
    assert (lens.focal, lens.widest) == ((Decimal(58),) * 2, (Decimal(2),) * 2)
    assert lens.narrowest is None


def test_what_the_name_does_not_tell_is_asked_for(tmp_path: Path, without: None) -> None:
    answers = "Brask Zoom\n\n35-70 mm\nwide\nf/3,5-4.5\nM42\n"
    result = asked(tmp_path, answers, "lens")
    assert result.exit_code == 0, result.output
    lens = read_kit(tmp_path / "kit.toml").lenses["brask35"]
    assert lens.maker is None
    assert lens.focal == (Decimal(35), Decimal(70))
    assert lens.widest == (Decimal("3.5"), Decimal("4.5"))


def test_one_of_several_entries_is_picked(tmp_path: Path, made_up: None) -> None:
    result = asked(tmp_path, "2\n", "lens", "58", "miran")
    assert result.exit_code == 0, result.output
    (lens,) = read_kit(tmp_path / "kit.toml").lenses.values()
    assert lens.name == MIRAN_MC.name


def test_an_adapter_with_glass_is_asked_for_its_factor(tmp_path: Path) -> None:
    result = asked(tmp_path, "F\nE\nreduser\nreducer\n0,71\n", "adapter")
    assert result.exit_code == 0, result.output
    assert 'is "reduser"' in result.stderr
    adapter = read_kit(tmp_path / "kit.toml").adapters["f-e-reducer"]
    assert (adapter.kind, adapter.factor) == ("reducer", Decimal("0.71"))


def test_what_to_add_is_asked_for_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    made = frame(tmp_path)
    result = asked(tmp_path, f"body\n{made}\nE\n")
    assert result.exit_code == 0, result.output
    assert list(read_kit(tmp_path / "kit.toml").bodies) == ["k9"]


def test_nobody_answers(tmp_path: Path, without: None) -> None:
    result = asked(tmp_path, "", "lens", "Brask")
    assert result.exit_code == 2
    for part in ("focal length", "widest f-number", "mount"):
        assert f"the {part} has to be said" in result.stderr
    assert 'pip install "flangeback[lensdb]"' in result.stderr
    assert not (tmp_path / "kit.toml").exists()
    document = json.loads(run("add", "lens", "Brask", "--kit", str(tmp_path), "--json").stdout)
    assert document["schema"] == "flangeback/error-1"


# Whether corrections find a lens ---------------------------------------------------------------


def test_a_known_name() -> None:
    lens = parse_kit(changed(MIRAN58, "name", '"ostrava miran  58MM F/2"')).lenses["miran58"]
    assert look_up(lens, MADE_UP).entry is MIRAN
    assert look_up(replace(lens, maker=None), MADE_UP).entry is MIRAN
    assert look_up(replace(lens, maker="Brask"), MADE_UP).entry is None


def test_an_unknown_name_gets_the_nearest_of_its_figures() -> None:
    found = look_up(whole_kit().lenses["miran58"], MADE_UP)
    assert found.entry is None
    assert found.nearest == (MIRAN, MIRAN_MC)
    assert look_up(whole_kit().lenses["brask135"], MADE_UP).nearest == ()
    zoom = parse_kit(ZOOM3570).lenses["zoom3570"]
    assert look_up(replace(zoom, name="Brask Zoom"), MADE_UP).nearest[0] is ZOOM


def test_check_tells_and_changes_nothing(tmp_path: Path, made_up: None) -> None:
    kit = kit_in(tmp_path)
    result = run("check", str(kit))
    words = " ".join(result.output.split())
    assert result.exit_code == 0
    assert "know by maker and name: zoom3570" in words
    assert "miran58: no lens correction has its maker and name; the nearest:" in words
    assert max(map(len, result.output.splitlines())) <= 80
    assert kit.read_text() == WHOLE
    found = json.loads(run("check", str(kit), "--json").stdout)["lens_database"]
    assert found["miran58"]["known"] is False
    assert found["miran58"]["nearest"][0]["name"] == MIRAN.name


def test_without_the_package_there_is_a_hint(tmp_path: Path, without: None) -> None:
    kit = kit_in(tmp_path)
    result = run("check", str(kit))
    assert result.exit_code == 0
    assert "flangeback[lensdb]" in " ".join(result.output.split())
    assert json.loads(run("check", str(kit), "--json").stdout)["lens_database"] is None
    result = run("add", "lens", "miran", "--kit", str(kit))
    assert result.exit_code == 2
    assert 'pip install "flangeback[lensdb]"' in result.output
    assert kit.read_text() == WHOLE


@pytest.mark.parametrize("error", [ImportError("libgone.so: no such file"), RuntimeError("ABI")])
def test_a_package_that_cant_be_loaded_is_told_from_one_that_isnt_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    def fail() -> None:
        raise error

    module = ModuleType("lensfunpy")
    module.__dict__.update(Database=fail)
    monkeypatch.setitem(sys.modules, "lensfunpy", module)
    lensdb.entries.cache_clear()
    kit = kit_in(tmp_path)
    checked = run("check", str(kit))
    added = run("add", "lens", "miran", "--kit", str(kit))
    assert (checked.exit_code, added.exit_code) == (0, 2)
    for told in (checked.output, added.output):
        words = " ".join(told.split())
        assert f"is installed but can't be loaded: {error}" in words
        assert "--force-reinstall" in words
        assert "flangeback[lensdb]" not in words
    assert json.loads(run("check", str(kit), "--json").stdout)["lens_database"] is None


def test_the_real_database_writes_sound_kits(tmp_path: Path) -> None:
    # Source: the open lens-correction database; its names come from it as the test runs.
    pytest.importorskip("lensfunpy")
    lensdb.entries.cache_clear()
    known = [e for e in lensdb.entries() if e.mounts == ("M42",) and e.widest]
    assert len(known) > 10
    for entry in known:
        same = search([entry.maker, entry.name], lensdb.entries())
        pick = str(same.index(entry) + 1)
        folder = tmp_path / str(known.index(entry))
        folder.mkdir()
        words = ("--pick", pick, "--narrowest", "22", "--key", "some", "--kit", str(folder))
        result = run("add", "lens", entry.maker, entry.name, *words)
        assert result.exit_code == 0, result.output
        lens = read_kit(folder / "kit.toml").lenses["some"]
        assert look_up(lens, lensdb.entries()).entry is not None
        assert (lens.name, lens.focal, lens.mount) == (entry.name, entry.focal, "M42")


# Remarks ---------------------------------------------------------------------------------------


def test_a_sound_kit_has_no_remarks() -> None:
    assert remarks(whole_kit()) == ()


@pytest.mark.parametrize(
    ("field", "value", "told"),
    [
        ("focal", "85", '"Miran 58mm f/2" tells focal 58, and focal is 85'),
        ("widest", "2.8", '"Miran 58mm f/2" tells widest 2, and widest is 2.8'),
        ("widest", "2.05", None),
    ],
)
def test_a_name_that_tells_other_figures_is_remarked_on(
    field: str, value: str, told: str | None
) -> None:
    texts = [remark.text for remark in remarks(parse_kit(changed(MIRAN58, field, value)))]
    assert texts == ([f"the name {told}"] if told else [])
    zoom = changed(ZOOM3570, "name", '"Brask Zoom 35-70mm f/3.5-5.6"')
    (remark,) = remarks(parse_kit(zoom))
    assert remark.text.endswith("tells widest 3.5 to 5.6, and widest is 3.5 to 4.5")


def test_equal_serials_are_remarked_on() -> None:
    second = changed(changed(N2, "serial", '"0071133"'), "model", '"Norrvik N2"')
    (found,) = remarks(parse_kit(K7 + second))
    assert found.table == "body.n2"
    assert "[body.k7]" in found.text


def test_a_lens_twice_in_the_kit_is_a_fault() -> None:
    again = MIRAN58.replace("lens.miran58", "lens.again")
    found = problem_of(MIRAN58 + again)
    assert "[lens.again] serial: [lens.miran58] has the same" in found.text
    # One with a changed mount, or of another name, may be in it twice.
    for other in (changed(again, "mount", '"T2"'), changed(again, "name", '"Other"')):
        (remark,) = remarks(parse_kit(MIRAN58 + other))
        assert remark.table == "lens.again"
    assert (
        remarks(parse_kit(changed(MIRAN58, "serial", None) + changed(again, "serial", None))) == ()
    )


@pytest.mark.parametrize(
    ("thickness", "part"),
    [
        ("27.56", "0.10 mm thicker than the registers' 27.46 mm: it falls short of infinity"),
        ("27.36", "0.10 mm thinner than the registers' 27.46 mm: it focuses past infinity"),
        ("27.45", None),
    ],
)
def test_thickness_that_is_off(thickness: str, part: str | None) -> None:
    found = remarks(parse_kit(changed(M42_E, "thickness", thickness)))
    assert [part in each.text for each in found if part] == ([True] if part else [])
    assert bool(found) == bool(part)


def test_an_adapter_without_room() -> None:
    # Source: the register table, K 45.46 less F 46.50.
    (found,) = remarks(parse_kit('[adapter.x]\nlens_mount = "K"\nbody_mount = "F"\n'))
    assert "-1.04 mm" in found.text
    text = '[adapter.x]\nlens_mount="K"\nbody_mount="F"\nkind="extender"\nfactor=1.4\n'
    assert remarks(parse_kit(text)) == ()  # glass can reach infinity


def test_entries_added_at_once_are_all_kept(tmp_path: Path) -> None:
    path = tmp_path / "kit.toml"

    def add(number: int) -> None:
        fields = (("model", f"Kestrin K{number}", ""), ("mount", "E", ""))
        add_entry(path, "body", f"k{number}", fields)

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(add, range(30)))
    assert set(parse_kit(path.read_text()).bodies) == {f"k{n}" for n in range(30)}
