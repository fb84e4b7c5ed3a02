"""What frames come to, by what the log says and by what they carry already."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from flangeback.frames import Frame, LensData
from flangeback.kit import parse_kit
from flangeback.match import Outcome, match_frames
from flangeback.tags import Tag, decide
from support.kits import K7, M42_E, M42_MFT, MIRAN58, N2, changed
from support.shots import KIT, kinds, log, matched, one, short, shot

LOG = """9:12 k7 miran58 f/2.8
10:00 k7 f/?
10:30 k7 tolvan28 f/4
11:00 k7 zoom3570 f/8
11:15 k7 zoom3570 f/8 50mm
11:30 k7 off
9:12 n2 tolvan28 f/5.6
""".replace("9:12 n2", "11:31 n2")
MIRAN = LensData(
    "Miran 58mm f/2",
    Fraction(28, 10),
    Fraction(58),
    58,
    "Ostrava Optik",
    "6612345",
    tuple(map(Fraction, (58, 58, 2, 2))),
)
NATIVE = LensData(
    "Kestrin 24-70mm F4",
    Fraction(8),
    Fraction(35),
    35,
    "Kestrin",
    None,
    tuple(map(Fraction, (24, 70, 4, 4))),
)


def at(time: str, data: LensData | None = None) -> Frame:
    return shot("K7_0201", time, data=data or LensData())


# The log's word --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("time", "outcome"),
    [
        ("09:11:59", "unlogged"),
        ("09:13:00", "fill miran58 f/2.8 58mm"),
        ("10:01:00", "partial miran58 f/? 58mm"),
        # Behind the reducer of 0.71 both are scaled (trade, common practice).
        ("10:31:00", "fill tolvan28 f/2.84 19.88mm"),
        ("11:01:00", "partial zoom3570 f/8 ?mm"),
        ("11:16:00", "fill zoom3570 f/8 50mm"),
        ("11:31:00", "native"),
    ],
)
def test_outcomes_by_the_log(time: str, outcome: str) -> None:
    found = one(at(time), LOG)
    assert short(found) == outcome
    assert kinds(found) == []


def test_a_match_names_body_entry_and_adapter() -> None:
    found = one(at("10:31:00"), LOG)
    assert (found.body, found.log, found.log_line) == ("k7", "session.txt", 4)
    assert found.fill is not None
    assert found.fill.adapter == KIT.adapters["f-e-reducer"]
    assert found.fill.focal_length_35mm == 20
    assert found.time is not None
    assert found.time.isoformat() == "2026-05-17T10:31:00"


def test_what_is_left_blank_is_said() -> None:
    assert one(at("10:01:00"), LOG).reason == "f-number left blank"
    assert one(at("11:01:00"), LOG).reason == "focal length left blank"
    assert one(at("09:13:00"), LOG).reason is None


def test_every_outcome_is_counted() -> None:
    times = ("09:13:00", "09:14:00", "10:01:00", "08:00:00")
    frames = [shot(f"K7_020{n}", time) for n, time in enumerate(times)]
    matches = matched(frames, LOG)
    assert matches.totals == {Outcome.FILL: 2, Outcome.PARTIAL: 1, Outcome.UNLOGGED: 1}
    assert list(matches.totals) == [Outcome.FILL, Outcome.PARTIAL, Outcome.UNLOGGED]
    assert matches.needs_person
    well = [shot("K7_0201", "09:13:00"), shot("K7_0202", "11:31:00")]
    assert not matched(well, LOG).needs_person


@pytest.mark.parametrize("outcome", list(Outcome))
def test_which_outcomes_need_a_person(outcome: Outcome) -> None:
    needing = {"partial", "conflict", "unsure", "unlogged", "unreadable"}
    assert outcome.needs_person == (outcome in needing)
    assert outcome.is_filled == (outcome in {"fill", "partial"})


def test_a_damaged_frame_is_unreadable_whatever_the_log_says() -> None:
    found = one(shot("K7_0201", "09:13:00", damage="it breaks off"), LOG)
    assert (found.outcome, found.reason) == (Outcome.UNREADABLE, "it breaks off")


def test_a_frame_without_time_that_no_entry_names() -> None:
    found = one(shot("K7_0201"), LOG)
    assert found.outcome == Outcome.UNLOGGED
    assert kinds(found) == ["no-time"]
    assert found.time is None


def test_a_frame_without_time_that_an_entry_names() -> None:
    found = one(shot("K7_0201"), "K7_0201 k7 miran58 f/4\n")
    assert short(found) == "fill miran58 f/4 58mm"
    assert kinds(found) == []


def test_between_two_stops_is_their_geometric_mean() -> None:
    found = one(at("09:13:00"), "9:12 k7 miran58 f/4-5.6\n")
    assert found.fill is not None
    assert found.fill.f_number is not None
    assert float(found.fill.f_number) == pytest.approx((4 * 5.6) ** 0.5, abs=0.001)


def test_open_is_the_lenss_widest() -> None:
    assert short(one(at("09:13:00"), "9:12 k7 miran58 open\n")) == "fill miran58 f/2 58mm"
    zoom = "9:12 k7 zoom3570 open 70mm\n"
    assert short(one(at("09:13:00"), zoom)) == "fill zoom3570 f/4.5 70mm"
    between = "9:12 k7 zoom3570 open 50mm\n"
    assert short(one(at("09:13:00"), between)) == "partial zoom3570 f/? 50mm"


# What the frame carries ------------------------------------------------------------------------


def test_a_frame_that_says_just_this_agrees() -> None:
    found = one(at("09:13:00", MIRAN), LOG)
    assert found.outcome == Outcome.AGREE
    assert found.stale == frozenset()
    assert kinds(found) == []


@pytest.mark.parametrize(
    "written",
    ["Miran 58mm f/2", "MIRAN 58MM F/2", "Miran  58mm f/2", "Ostrava Optik Miran 58mm f/2"],
)
def test_the_same_lens_in_other_spellings(written: str) -> None:
    data = LensData(written, Fraction(28, 10), Fraction(58))
    assert one(at("09:13:00", data), LOG).outcome == Outcome.AGREE


def test_the_same_lens_transliterated() -> None:
    kit = parse_kit(K7 + M42_E + changed(MIRAN58, "name", '"Mirån 58 ƒ/2"'))
    data = LensData("Miran 58 f/2", Fraction(28, 10), Fraction(58))
    assert one(at("09:13:00", data), "9:12 k7 miran58 f/2.8\n", kit).outcome == Outcome.AGREE


@pytest.mark.parametrize(
    ("logged", "carried", "outcome"),
    [
        # The marks are rounded: f/5.6 is 5.657, f/11 is 11.31 (ISO 517).
        ("5.6", Fraction(5657, 1000), "agree"),
        ("11", Fraction(1131, 100), "agree"),
        # A third of a stop is another aperture: 12 %.
        ("5.6", Fraction(63, 10), "conflict"),
        ("5.6", Fraction(5), "conflict"),
    ],
)
def test_f_numbers_by_their_marks(logged: str, carried: Fraction, outcome: str) -> None:
    data = LensData("Miran 58mm f/2", carried, Fraction(58))
    assert one(at("09:13:00", data), f"9:12 k7 miran58 f/{logged}\n").outcome == outcome


@pytest.mark.parametrize(
    "data",
    [
        LensData("Miran 58mm f/2", Fraction(28, 10)),
        LensData("Miran 58mm f/2", None, Fraction(58)),
        LensData(None, Fraction(28, 10), Fraction(58)),
        LensData(None, None, Fraction(58)),
        LensData("Miran 58mm f/2"),
    ],
)
def test_a_frame_that_lacks_one_of_them_is_filled(data: LensData) -> None:
    assert short(one(at("09:13:00", data), LOG)) == "fill miran58 f/2.8 58mm"


CONFLICTS = [
    (LensData("Brask Tele 135mm f/3.5"), "Brask Tele 135mm f/3.5"),
    (LensData(None, Fraction(8)), "f/8"),
    (LensData("Miran 58mm f/2", Fraction(28, 10), Fraction(50)), "50 mm"),
    (
        LensData(specification=(Fraction(24), Fraction(70), Fraction(4), Fraction(4))),
        "another lens",
    ),
]


@pytest.mark.parametrize(("data", "said"), CONFLICTS)
def test_a_frame_that_says_otherwise_is_a_conflict_and_left_alone(
    data: LensData, said: str
) -> None:
    found = one(at("09:13:00", data), LOG)
    assert found.outcome == Outcome.CONFLICT
    assert found.reason is not None
    assert said in found.reason
    assert short(found) == "conflict"


@pytest.mark.parametrize(("data", "said"), CONFLICTS)
def test_over_fills_it_all_the_same(data: LensData, said: str) -> None:
    found = one(at("09:13:00", data), LOG, over=True)
    assert short(found) == "fill miran58 f/2.8 58mm"


def test_over_leaves_what_agrees_alone() -> None:
    assert one(at("09:13:00", MIRAN), LOG, over=True).outcome == Outcome.AGREE


def test_over_leaves_no_value_of_the_other_lens_standing() -> None:
    found = one(at("10:01:00", NATIVE), LOG, over=True)
    assert short(found) == "partial miran58 f/? 58mm"
    assert found.fill is not None
    written = {value.tag: value for value in decide(found.fill, found.stale)}
    # Its f/8 would be read as the adapted lens's: 0/0 is unknown (CIPA DC-008).
    assert written[Tag.F_NUMBER].value == ((0, 0),)
    assert written[Tag.LENS_MODEL].value == "Miran 58mm f/2"


def test_a_lens_that_made_itself_known_is_a_doubt() -> None:
    found = one(at("09:13:00", NATIVE), LOG)
    assert found.outcome == Outcome.CONFLICT
    assert kinds(found) == ["native-lens"]
    assert "Kestrin 24-70mm F4" in found.doubts[0].text
    assert "miran58" in found.doubts[0].text


def test_what_flangeback_wrote_no_lens_with_contacts_gave() -> None:
    frame, text = at("09:20:00", MIRAN), "9:12 k7 tolvan28 f/8\n"
    (found,) = match_frames([frame], [log(text)], KIT, over={frame.file}).frames
    assert (short(found), kinds(found)) == ("fill tolvan28 f/5.68 19.88mm", [])
    assert kinds(one(frame, text, over=True)) == ["native-lens"]


def test_maker_and_serial_of_an_unnamed_lens_do_not_stand_beside_the_name() -> None:
    data = LensData(maker="Kestrin", serial="999")
    bare = parse_kit(K7 + changed(changed(MIRAN58, "maker", None), "serial", None) + M42_E)
    assert one(at("09:20:00", data), "9:12 k7 miran58 f/2.8\n", bare).stale == {
        Tag.LENS_MAKE,
        Tag.LENS_SERIAL_NUMBER,
    }
    assert not one(at("09:20:00", data), LOG).stale


def test_an_f_number_without_a_lens_is_a_native_lenss_though_it_is_the_logs() -> None:
    """Only a lens with contacts gives one; what the log says of the ring may agree by chance."""
    found = one(at("09:13:00", LensData(f_number=Fraction(28, 10))), LOG)
    assert (short(found), kinds(found)) == ("fill miran58 f/2.8 58mm", ["native-lens"])


def test_no_such_doubt_without_an_f_number_of_its_own() -> None:
    # A lens registered by hand in the body's menu has a name and no aperture.
    assert kinds(one(at("09:13:00", LensData("Brask 50")), LOG)) == []


def test_under_off_the_frames_own_lens_is_right() -> None:
    found = one(at("11:31:00", NATIVE), LOG)
    assert found.outcome == Outcome.NATIVE
    assert kinds(found) == []


# The focal length registered for the stabiliser ------------------------------------------------


@pytest.mark.parametrize(
    ("registered", "doubted"),
    [(58, False), (60, False), (56, False), (61, True), (55, True), (50, True), (135, True)],
)
def test_more_than_five_percent_off_is_a_doubt(registered: int, doubted: bool) -> None:
    found = one(at("09:13:00", LensData(focal_length=Fraction(registered))), LOG)
    assert short(found) == "fill miran58 f/2.8 58mm"
    assert kinds(found) == (["registered-focal"] if doubted else [])


def test_the_lens_whose_focal_length_was_registered_is_named() -> None:
    (doubt,) = one(at("09:13:00", LensData(focal_length=Fraction(135))), LOG).doubts
    assert doubt.text == (
        "135 mm was registered for the stabiliser, as brask135 has it; "
        "the log says miran58, with 58 mm"
    )


def test_behind_a_reducer_the_reduced_focal_length_is_the_right_one() -> None:
    # What is keyed in is the focal length the sensor sees (common practice).
    for registered, doubts in ((20, []), (28, ["registered-focal"])):
        data = LensData(focal_length=Fraction(registered))
        assert kinds(one(at("10:31:00", data), LOG)) == doubts


def test_any_focal_length_of_a_zoom_may_be_registered() -> None:
    for registered, doubts in ((35, []), (50, []), (70, []), (24, ["registered-focal"])):
        data = LensData(focal_length=Fraction(registered))
        assert kinds(one(at("11:01:00", data), LOG)) == doubts
    at_50 = LensData(focal_length=Fraction(70))
    assert kinds(one(at("11:16:00", at_50), LOG)) == ["registered-focal"]


def test_the_equivalent_of_a_replaced_focal_length_does_not_stay() -> None:
    kit = parse_kit(changed(K7, "sensor", None) + MIRAN58 + M42_E)
    data = LensData(focal_length=Fraction(50), focal_length_35mm=75)
    found = one(at("09:13:00", data), "9:12 k7 miran58 f/2.8\n", kit)
    assert found.fill is not None
    assert found.fill.focal_length_35mm is None
    assert found.stale == {Tag.FOCAL_LENGTH_35MM}


# Slates ----------------------------------------------------------------------------------------


def test_a_slate_is_left_alone() -> None:
    text = LOG + "slate K7_0201\n"
    assert one(at("09:13:00"), text).outcome == Outcome.SLATE
    named = "K7_0200..K7_0210 k7 miran58 f/4\nslate K7_0201\n"
    frames = [shot("K7_0200"), shot("K7_0201"), shot("K7_0210")]
    outcomes = [str(found.outcome) for found in matched(frames, named).frames]
    assert outcomes == ["fill", "slate", "fill"]


def test_what_is_not_a_slate_is_filled() -> None:
    assert short(one(at("09:13:00"), LOG + "not-slate K7_0201\n")) == "fill miran58 f/2.8 58mm"


# Adapters --------------------------------------------------------------------------------------

TWO_REDUCERS = "\n".join(
    f'[adapter.{key}]\nlens_mount = "M42"\nbody_mount = "E"\nkind = "reducer"\nfactor = {factor}'
    for key, factor in (("one", 0.71), ("other", 0.71))
)


def test_two_adapters_alike_leave_only_the_name_open() -> None:
    kit = parse_kit(K7 + MIRAN58 + TWO_REDUCERS)
    found = one(at("09:13:00"), "9:12 k7 miran58 f/4\n", kit)
    assert found.fill is not None
    assert (found.fill.f_number, found.fill.focal_length) == (Decimal("2.84"), Decimal("41.18"))


def test_a_change_of_adapter_alone_blanks_what_it_scales() -> None:
    kit = parse_kit(K7 + MIRAN58 + M42_E + TWO_REDUCERS)
    text = "9:12 k7 miran58 f/4 via m42-e\n9:40 k7 via one\n"
    within = one(at("09:40:30"), text, kit)
    assert short(within) == "partial miran58 f/? ?mm"
    assert kinds(within) == ["near-change"]
    assert short(one(at("09:41:00"), text, kit)) == "fill miran58 f/2.84 41.18mm"


def test_adapters_that_differ_leave_what_they_scale_open() -> None:
    # Without a body named, the log can't be told that its lens has two ways onto this one.
    kit = parse_kit(K7 + N2 + MIRAN58 + M42_E + M42_MFT + TWO_REDUCERS)
    assert short(one(at("09:13:00"), "9:12 miran58 f/4\n", kit)) == "partial miran58 f/? ?mm"
    named = "9:12 miran58 f/4 via one\n"
    assert short(one(at("09:13:00"), named, kit)) == "fill miran58 f/2.84 41.18mm"
