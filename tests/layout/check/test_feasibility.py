"""The check of inscriptions: what it refuses and says, what it freezes, and what no input can make it do."""

from __future__ import annotations

import ast
import math
import pickle
from dataclasses import replace
from pathlib import Path

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import Polygon, box

import layout
from layout.check import feasibility
from layout.check.feasibility import check
from layout.lettering.fonts import FontRefused
from layout.lettering.text import graphemes, normalise
from layout.seating.places import Reach, candidates
from layout.shop.blades import Baseline, CharacterKind, KeepOut
from layout.shop.findings import CHECK_CODES, JUDGE_CODES, MEASURED_CODES, Severity, Verdict, verdict_of
from layout.shop.inscriptions import (
    ArtworkInscription,
    CodeInscription,
    Inscription,
    MonogramInscription,
    TextInscription,
)
from layout.shop.outline import Outline, frozen
from layout.shop.plates import Pose
from layout.shop.shop import Shop
from layout.shop.words import WordList, WordRules
from tests.layout.made_up import (
    CHEF,
    checked,
    codes,
    the_finding,
    the_shop,
    with_zone,
    without_centre_lines,
    words,
)


def _not_valid(*_):
    """Stands for a drawing that rounding leaves nothing valid of, as `outline.frozen` says it."""
    raise ValueError("an area is not valid on the frozen grid")


def _too_complex(*_, **__):
    raise FontRefused("lato-bold: the shaper gave up on these words")


# --- what was asked for ---------------------------------------------------------------------------


def test_words_that_fit_are_accepted_and_frozen_at_the_height_asked_for() -> None:
    result = checked(words("For Rosa, gardener, 1961", height_mm=4.0))

    assert (result.verdict, result.findings) == (Verdict.ACCEPT, ())
    (one,) = result.inscriptions
    assert (one.size_mm, one.lines) == (4.0, ("For Rosa, gardener, 1961",))
    assert result.marks == (one.mark,)
    assert one.region is not None
    assert one.region.polygon.buffer(0.0002).covers(result.marks[0].outline.region)
    assert result.burn_seconds is not None and result.burn_seconds > 1
    assert {place.face for place in result.eligible} == {"mark_side"}


def test_an_unknown_product_or_nothing_to_engrave_is_a_finding() -> None:
    unknown, nothing = checked(words("Anna"), sku="NO-SUCH-SKU"), checked()

    assert (codes(unknown), unknown.verdict) == (["unknown_product"], Verdict.REFUSE)
    assert (codes(nothing), nothing.burn_seconds) == (["no_inscription"], None)


@pytest.mark.parametrize(
    ("inscription", "code"),
    [
        (words("Anna", zone="blade"), "unknown_zone"),
        (words("Anna", font="no-such-font"), "unknown_font"),
        (MonogramInscription("spine", "RM", "lato-bold"), "kind_not_offered"),
        (MonogramInscription("heel", "RM", "lato-bold", "leaf"), "unknown_artwork"),
        (MonogramInscription("heel", "RM", "lato-bold", "no-such-frame"), "unknown_artwork"),
        (MonogramInscription("heel", "ABCD", "lato-bold"), "initials_count"),
        (MonogramInscription("heel", "A\nB", "lato-bold"), "control_character"),
        (ArtworkInscription("heel", "no-such-mark"), "unknown_artwork"),
        (ArtworkInscription("heel", "ring"), "unknown_artwork"),
        (CodeInscription("heel", "qr", "  "), "code_content"),
        (CodeInscription("heel", "datamatrix", "Å"), "code_content"),
        (CodeInscription("heel", "datamatrix", "x" * 3000), "code_content"),
        (CodeInscription("heel", "qr", "x" * 5000), "code_content"),
        (CodeInscription("heel", "qr", "9" * 6000), "code_content"),
        (words("   "), "empty_text"),
        (words("Anna\nBen\nCleo\nDora"), "too_many_lines"),
        (words("Anna", height_mm=14.5), "above_largest"),
        (words("Anna", height_mm=1.5), "below_smallest"),
    ],
)
def test_what_is_not_offered_or_not_readable_is_refused(inscription, code) -> None:
    result = checked(inscription)

    assert code in codes(result)
    assert result.verdict is Verdict.REFUSE


def test_a_font_that_the_zone_does_not_offer_is_refused_though_the_shop_has_it() -> None:
    shop = with_zone("heel", lambda zone: replace(zone, fonts=("lato-bold",)))

    result = checked(words("Anna", font="pacifico"), shop=shop)

    assert codes(result) == ["font_not_offered"]


def test_a_surface_without_a_proven_process_is_refused_whatever_else_is_wrong() -> None:
    shop = the_shop()
    unproven = {name: replace(process, test_card=None) for name, process in shop.processes.items()}

    result = checked(words("Anna☃"), shop=replace(shop, processes=unproven))

    assert set(codes(result)) == {"missing_glyph", "no_process"}


def test_a_font_that_cannot_be_opened_is_a_finding_and_no_error() -> None:
    shop = the_shop()
    broken = replace(shop.fonts["lato-bold"], data=b"no font", sha256="0" * 64)

    result = checked(words("Anna"), shop=replace(shop, fonts={**shop.fonts, "lato-bold": broken}))

    assert codes(result) == ["font_refused"]


@pytest.mark.parametrize("size", [0, -0.0, -4.0, math.nan, math.inf, -math.inf, 1e-9, 1e300])
@pytest.mark.parametrize("kind", ["text", "monogram", "artwork", "code"])
def test_a_size_that_is_no_size_is_one_finding_before_anything_is_placed(size, kind) -> None:
    asked = {
        "text": words("Anna", height_mm=size),
        "monogram": MonogramInscription("heel", "RM", "lato-bold", None, size),
        "artwork": ArtworkInscription("heel", "leaf", size),
        "code": CodeInscription("heel", "qr", "RM-1", size),
    }[kind]

    result = checked(asked)

    assert codes(result) == ["size_out_of_range"]
    assert "finite number above 0" in result.findings[0].message
    assert result.marks == ()
    measured = result.findings[0].measured
    assert measured is None or math.isfinite(measured)


@pytest.mark.parametrize("symbology", ["qr", "datamatrix"])
@pytest.mark.parametrize(
    ("content", "code"),
    [
        ("RM\ud800", "lone_surrogate"),
        ("RM\x00", "control_character"),
        ("RM\x1d12", "control_character"),
        ("RM\n1", "control_character"),
        ("RM\u200b1", "zero_width"),
        ("RM\ue0001", "private_character"),
    ],
)
def test_a_code_carries_nothing_that_cannot_be_seen(symbology, content, code) -> None:
    result = checked(CodeInscription("heel", symbology, content))

    assert code in codes(result)
    assert result.verdict is Verdict.REFUSE


def test_initials_are_counted_as_a_reader_counts_them() -> None:
    # Three letters with a combining acute each, six code points before they are brought to NFC.
    result = checked(MonogramInscription("heel", "e\u0301o\u0301a\u0301", "lato-bold"))

    assert result.verdict is Verdict.ACCEPT
    assert result.inscriptions[0].lines == ("éóá",)


def test_missing_characters_are_named_run_by_run() -> None:
    result = checked(words("Anna ☃☂ & ☃"))

    found = [finding for finding in result.findings if finding.code == "missing_glyph"]
    assert [finding.span for finding in found] == [(5, 7), (10, 11)]
    assert "“☃” (U+2603), “☂” (U+2602)" in found[0].message


def test_many_missing_characters_are_not_all_named() -> None:
    result = checked(words("".join(chr(0x2601 + at) for at in range(12))))

    assert "and 4 more" in the_finding(result, "missing_glyph").message


def test_a_character_refused_for_itself_is_not_also_called_missing() -> None:
    result = checked(words("Anna\ue000"))

    assert codes(result) == ["private_character"]


@pytest.mark.parametrize(
    ("asked", "code"),
    [
        (words("שלום\x1c רוזה בן", font="frank-ruhl"), "control_character"),
        (words("שלום\x85 רוזה\u2029בן", font="frank-ruhl"), "control_character"),
        (words("Anna " * 200), "too_many_characters"),
        (words("\n".join(["Anna"] * 60)), "too_many_lines"),
        (words("Anna ☃"), "missing_glyph"),
        (MonogramInscription("heel", "A\x1eB", "lato-bold"), "control_character"),
    ],
)
def test_what_the_words_alone_decide_is_refused_before_anything_is_set(asked, code, monkeypatch) -> None:
    def set_all_the_same(*_, **__):
        raise AssertionError("words that are refused already were set")

    monkeypatch.setattr(feasibility, "text_block", set_all_the_same)
    monkeypatch.setattr(feasibility, "monogram_block", set_all_the_same)

    result, findings = feasibility.check_one(the_shop(), CHEF, asked)

    assert code in [finding.code for finding in findings]
    assert result.mark is None


# --- size, lines and features ---------------------------------------------------------------------


@pytest.mark.parametrize("height", [None, 3.0])
@pytest.mark.parametrize(
    ("typed", "lines"),
    [
        ("With love, Mum", ("With love, Mum",)),
        ("Happy 40th\nBeatriz", ("Happy 40th", "Beatriz")),
        ("Happy 40th\r\nBeatriz", ("Happy 40th", "Beatriz")),  # as a web form sends it
        ("Happy 40th\rBeatriz", ("Happy 40th", "Beatriz")),
    ],
)
def test_words_stay_in_the_lines_that_the_buyer_typed(typed, lines, height) -> None:
    result = checked(words(typed, height_mm=height))

    assert (result.verdict, result.inscriptions[0].lines) == (Verdict.ACCEPT, lines)


def test_a_break_is_the_same_break_however_it_was_sent() -> None:
    digests = {checked(words(f"For{sent}Rosa")).marks[0].outline.digest for sent in ("\n", "\r\n", "\r")}

    assert len(digests) == 1


def test_words_may_be_broken_further_when_that_is_asked_for() -> None:
    asked = words("For Rosa, gardener", breaks="fitted")

    lines = checked(asked).inscriptions[0].lines

    assert len(lines) > 1 and " ".join(lines) == asked.text


def test_words_go_on_as_few_lines_as_have_the_height_asked_for() -> None:
    fitted = words("For Rosa, gardener", breaks="fitted")
    short, long = replace(fitted, height_mm=4.0), replace(fitted, height_mm=9.0)

    lines = [checked(asked).inscriptions[0].lines for asked in (short, long)]

    assert lines == [("For Rosa, gardener",), ("For Rosa,", "gardener")]


def test_of_as_many_lines_the_most_even_break_is_taken() -> None:
    # "Oh dear Rosa" and "& Ben" have 7 mm as well, but could not be as large.
    result = checked(words("Oh dear Rosa & Ben", height_mm=7.0, breaks="fitted"))

    assert result.inscriptions[0].lines == ("Oh dear", "Rosa & Ben")


def test_a_line_too_long_is_told_by_how_much_and_where_it_fits() -> None:
    shop = with_zone("heel", lambda zone: replace(zone, max_lines=1))
    asked = words("For Rosa, gardener", height_mm=9.0)

    finding = the_finding(checked(asked, shop=shop), "too_long")

    free = checked(replace(asked, height_mm=None), shop=shop).inscriptions[0].size_mm
    assert free is not None and f"it fits at {free:.2f} mm" in finding.message
    # The region is nearly a box, so what is too long is about what the larger letters add.
    hull = checked(replace(asked, height_mm=None), shop=shop).inscriptions[0].fit.block
    length = hull.bounds[2] - hull.bounds[0]
    assert finding.measured == pytest.approx(length / free * 9.0 - length, abs=1.5)
    assert checked(replace(asked, height_mm=free), shop=shop).verdict is Verdict.ACCEPT


def test_lines_too_tall_are_measured_as_the_buyer_would_get_them() -> None:
    asked = words("Anna\nBen\nCleo", height_mm=13.0)

    finding = the_finding(checked(asked), "too_tall")

    largest = checked(replace(asked, height_mm=None)).inscriptions[0]
    assert "in 3 lines" in finding.message and f"fits at {largest.size_mm:.2f} mm" in finding.message
    block = largest.fit.block
    tall = (block.bounds[3] - block.bounds[1]) / largest.size_mm
    assert 0 < finding.measured <= tall * (13.0 - largest.size_mm) + 0.1


def test_words_that_fit_at_no_readable_height_are_refused_with_the_height_that_fits() -> None:
    tiny = with_zone("heel", lambda zone: replace(zone, polygon=box(20, -6, 26, -3), max_lines=1))

    refused = checked(words("Constantinople"), shop=tiny)

    assert the_finding(refused, "too_long").message.count("it fits at") == 1
    assert refused.inscriptions[0].size_mm is not None


def test_a_zone_with_no_region_left_has_no_room() -> None:
    shut = with_zone("heel", lambda zone: replace(zone, edge_margin_mm=30.0))

    results = [
        checked(asked, shop=shut)
        for asked in (words("Anna"), words("Anna", height_mm=4.0), ArtworkInscription("heel", "leaf"))
    ]

    assert all({"too_long", "too_tall", "no_room"} & set(codes(result)) for result in results)
    assert all("it fits at no size" in result.findings[0].message for result in results)


def test_small_capitals_are_accepted_only_after_a_person_has_looked() -> None:
    result = checked(words("Anna", height_mm=1.9))

    assert (codes(result), result.verdict) == (["small_capitals"], Verdict.REVIEW)


def test_without_centre_lines_a_stroke_too_thin_names_letter_limit_and_the_height_that_is_fine() -> None:
    shop = without_centre_lines()
    asked = words("Anna", height_mm=1.9, font="playfair-bold")

    finding = the_finding(checked(asked, shop=shop), "stroke_too_thin")

    fine = float(finding.message.rsplit("of ", 1)[1].split(" mm")[0])
    again = checked(replace(asked, height_mm=fine), shop=shop)
    assert "stroke_too_thin" not in codes(again)
    assert "stroke_too_thin" in codes(checked(replace(asked, height_mm=round(fine - 0.01, 2)), shop=shop))
    assert finding.limit == pytest.approx(1.5 * checked(asked).inscriptions[0].line_width_mm)


def test_a_single_stroke_has_ink_though_its_hull_has_no_width() -> None:
    result = checked(words("I", font="line-sans"))

    assert result.verdict is Verdict.ACCEPT
    assert result.marks[0].outline.strokes


@pytest.mark.parametrize("spoiled", [lambda *_: Outline(), _not_valid])
def test_what_rounding_leaves_nothing_of_is_refused(spoiled, monkeypatch) -> None:
    """Drawing is spoiled here: no font of the shop gets so small before it is too fine to be made at all."""
    monkeypatch.setattr("layout.fit.fitters.Straight.draw", spoiled)

    result = checked(words("Anna", height_mm=4.0))

    assert codes(result) == ["nothing_left"]
    assert result.marks == ()


def test_a_font_that_gives_up_on_the_words_is_a_finding(monkeypatch) -> None:
    monkeypatch.setattr("layout.check.feasibility.text_block", _too_complex)

    assert codes(checked(words("Anna"))) == ["font_refused"]


def test_the_true_outline_has_the_last_word(monkeypatch) -> None:
    monkeypatch.setattr("layout.fit.fitters.Straight.draw", lambda *_: frozen([box(-100, -1, -90, 1)]))

    result = checked(words("Anna", height_mm=4.0))

    assert "outline_outside" in codes(result)


def test_what_cannot_even_be_drawn_is_refused_without_a_picture(monkeypatch) -> None:
    monkeypatch.setattr("layout.fit.fitters.Straight.sketch", _not_valid)

    result = checked(words("Anna", height_mm=14.0, zone="heel_back"), words("Ben & Cleo", height_mm=14.0))

    assert result.inscriptions[1].overrun is None and result.verdict is Verdict.REFUSE


def test_artwork_and_codes_are_placed_and_measured_too() -> None:
    leaf = checked(ArtworkInscription("heel", "leaf"))
    code = checked(CodeInscription("heel", "qr", "https://example.org/r/7F3A"))
    small = checked(CodeInscription("heel", "qr", "https://example.org/r/7F3A", 0.05))

    assert [leaf.verdict, code.verdict] == [Verdict.ACCEPT, Verdict.ACCEPT]
    assert leaf.inscriptions[0].thinnest_stroke_mm and code.inscriptions[0].size_mm
    assert codes(small) == ["module_too_small"]


@pytest.mark.parametrize(
    ("whole", "most"),
    [
        (ArtworkInscription("heel", "leaf", size="largest"), 5.0),
        (MonogramInscription("heel", "RM", "lato-bold", "ring", size="largest"), 10.0),
    ],
)
def test_artwork_and_frames_are_no_taller_than_the_zone_takes(whole: Inscription, most: float) -> None:
    shop = with_zone("heel", lambda zone: replace(zone, max_height_mm=most))
    roomy = with_zone("heel", lambda zone: replace(zone, max_height_mm=100.0))

    (free,) = checked(whole, shop=roomy).inscriptions
    result = checked(whole, shop=shop)

    (one,) = result.inscriptions
    assert free.box_mm is not None and free.box_mm[3] - free.box_mm[1] > most  # there is room for more
    assert result.verdict is Verdict.ACCEPT
    assert one.box_mm is not None
    assert most - 0.1 < one.box_mm[3] - one.box_mm[1] <= most + 0.001
    assert one.size_mm == one.largest_mm


def test_artwork_asked_for_taller_than_the_zone_takes_is_refused_and_a_size_that_passes_suggested() -> None:
    shop = with_zone("heel", lambda zone: replace(zone, max_height_mm=5.0))
    size = checked(ArtworkInscription("heel", "leaf")).inscriptions[0].size_mm

    result = checked(ArtworkInscription("heel", "leaf", size), shop=shop)

    finding = the_finding(result, "above_largest")
    assert (finding.limit, result.verdict) == (5.0, Verdict.REFUSE)
    assert finding.measured is not None and finding.measured > 5.0
    assert finding.suggestions
    assert checked(finding.suggestions[0], shop=shop).verdict is not Verdict.REFUSE


# --- curved baselines -----------------------------------------------------------------------------


def test_words_follow_a_curved_baseline_and_nothing_else_does() -> None:
    shop = with_zone("spine", lambda zone: replace(zone, kinds=frozenset({"text", "monogram", "artwork"})))

    text = checked(words("Anna", zone="spine"), shop=shop)
    others = [
        checked(asked, shop=shop)
        for asked in (
            MonogramInscription("spine", "RM", "lato-bold"),
            ArtworkInscription("spine", "leaf"),
            MonogramInscription("spine", "RM", "lato-bold", None, 3.0),
        )
    ]

    assert text.verdict is Verdict.ACCEPT
    assert text.inscriptions[0].clearance_mm is not None
    assert ["no_room" in codes(result) for result in others] == [True, True, True]


def test_a_line_too_long_for_its_curve_is_told_so_and_drawn_as_far_as_it_can_be() -> None:
    long = checked(words("Anna and Ben and Cleo and Dora", zone="spine", height_mm=4.9))
    tall = checked(words("Anna", zone="spine", height_mm=5.0))

    assert the_finding(long, "too_long").measured > 1
    if tall.verdict is Verdict.REFUSE:
        assert tall.inscriptions[0].overrun is not None


# --- places ---------------------------------------------------------------------------------------


def _tilted(tilt_deg: float, towards_deg: float) -> Shop:
    """The shop with every seat of the chef's knife tilted."""
    shop = the_shop()

    def changed(seat):
        pose = replace(seat.pose, tilt_deg=tilt_deg, tilt_towards_deg=towards_deg + seat.pose.turn_deg)
        return replace(seat, pose=pose) if seat.blade == "chef-20" else seat

    plates = {
        name: replace(
            plate,
            slots=tuple(replace(s, seats=tuple(changed(seat) for seat in s.seats)) for s in plate.slots),
        )
        for name, plate in shop.plates.items()
    }
    return replace(shop, plates=plates)


def test_a_mark_on_too_steep_a_seat_is_out_of_reach() -> None:
    result = checked(words("For Rosa, gardener, 1961"), shop=_tilted(12.0, 0.0))

    assert "out_of_reach" in codes(result)
    assert result.eligible == frozenset()


def test_focus_is_judged_by_the_mark_itself_not_by_its_box() -> None:
    # A thin mark along one diagonal, the tilt along the other: the box rises, the mark does not.
    shop = _tilted(10.0, 135.0)
    where = candidates(shop, CHEF, "mark_side", shop.surface_of(CHEF, "heel"))
    mark = frozen([Polygon([(20, -8), (20.2, -8), (40, 11.8), (40, 12)])])
    cross = affinity.rotate(mark.areas[0], 90, origin=(30, 2))

    places = [Reach(shop, where).places(outline, {}) for outline in (mark, frozen([cross]))]

    assert places[0] == frozenset(candidate.place for candidate in where)
    assert places[1] == frozenset()


def test_the_field_is_judged_by_the_mark_itself_not_by_its_box() -> None:
    shop = the_shop()
    where = candidates(shop, CHEF, "mark_side", shop.surface_of(CHEF, "heel"))[:1]
    station = shop.stations[where[0].place.station]
    seat = where[0].seat
    turned = replace(where[0], seat=replace(seat, pose=Pose(0.0, 0.0, 45.0, seat.pose.height_mm)))
    small = replace(station, field_mm=(30.0, 30.0), plates={where[0].place.plate: (0.0, 0.0, 0.0)})
    if station.origin == "lower_left":
        small = replace(small, origin="centre")
    inside = frozen([affinity.rotate(box(-13, -13, 13, 13), -45, origin=(0, 0))])
    narrow = replace(shop, stations={**shop.stations, station.station: small})

    places = Reach(narrow, [turned]).places(inside, {})
    outside = Reach(narrow, [turned]).places(frozen([box(-13, -13, 13, 13)]), {})

    assert (len(places), len(outside)) == (1, 0)


@settings(max_examples=10, deadline=None)
@given(order=st.randoms(use_true_random=False))
def test_acceptance_does_not_depend_on_the_order_of_slots(order) -> None:
    shop = the_shop()
    asked = words("For Rosa, gardener, 1961")
    before = checked(asked)
    shuffled = {}
    for name, plate in order.sample(sorted(shop.plates.items()), len(shop.plates)):
        shuffled[name] = replace(plate, slots=tuple(order.sample(plate.slots, len(plate.slots))))
    stations = dict(order.sample(sorted(shop.stations.items()), len(shop.stations)))

    after = checked(asked, shop=replace(shop, plates=shuffled, stations=stations))

    assert after.verdict is before.verdict
    assert after.eligible == before.eligible
    assert [m.outline.digest for m in after.marks] == [m.outline.digest for m in before.marks]


# --- several inscriptions on one unit -------------------------------------------------------------


def _two_zones(gap_mm: float) -> Shop:
    """The heel cut into two zones of no margin, `gap_mm` apart, each filled by its mark."""

    def left(zone):
        return replace(zone, polygon=box(20, -8, 40, 8), edge_margin_mm=0.0, max_height_mm=500.0)

    shop = with_zone("heel", left)
    blade = shop.blades["chef-20"]
    heel = blade.face("mark_side").zone("heel")
    right = replace(
        heel,
        zone="right",
        polygon=affinity.translate(heel.polygon, 20 + gap_mm, 0),
        baseline=Baseline(((40.0, 0.0), (60.0, 0.0))),
    )
    faces = tuple(replace(f, zones=(*f.zones, right)) if f.face == "mark_side" else f for f in blade.faces)
    return replace(shop, blades={**shop.blades, "chef-20": replace(blade, faces=faces)})


def _gap_between(shop: Shop) -> float:
    one, other = checked(
        CodeInscription("heel", "datamatrix", "A1"), CodeInscription("right", "datamatrix", "A1"), shop=shop
    ).marks
    return one.outline.region.distance(other.outline.region)


def test_marks_nearer_to_one_another_than_the_line_is_wide_overlap() -> None:
    asked = [CodeInscription(zone, "datamatrix", "A1", 0.5) for zone in ("heel", "right")]
    apart = _gap_between(_two_zones(0.0))
    line = checked(asked[0], shop=_two_zones(0.0)).inscriptions[0].line_width_mm
    codes_apart = checked(*asked, shop=_two_zones(0.0))
    near = _two_zones(-(_distance(codes_apart) - 0.6 * line))
    touching = _two_zones(-(_distance(codes_apart) + 1.0))

    results = [checked(*asked, shop=shop) for shop in (near, touching)]

    assert apart > line and codes_apart.verdict is Verdict.ACCEPT
    assert [the_finding(result, "marks_overlap").inscription for result in results] == [1, 1]
    assert the_finding(results[0], "marks_overlap").measured == pytest.approx(0.6 * line, abs=0.001)
    assert the_finding(results[1], "marks_overlap").message == "It lies on inscription 1."


def _distance(result) -> float:
    one, other = result.marks
    return float(one.outline.region.distance(other.outline.region))


def test_a_zone_takes_one_inscription() -> None:
    result = checked(words("Anna", height_mm=4.0), words("Ben", height_mm=4.0))

    assert [(f.code, f.inscription) for f in result.findings] == [("zone_taken", 1)]


def test_marks_of_one_face_need_one_slot_that_takes_them_all() -> None:
    """Each slot's field takes one of two marks; no slot takes both, for both are burned in one seating."""
    shop = _two_zones(2.0)
    where = candidates(shop, CHEF, "mark_side", shop.surface_of(CHEF, "heel"))
    first = where[0]
    plate = shop.plates[first.place.plate]
    slot = plate.slot(first.place.slot)
    seat = first.seat
    pose = Pose(0.0, 0.0, 0.0, seat.pose.height_mm)
    seats = [replace(seat, pose=replace(pose, x_mm=x)) for x in (-30.0, -52.0)]
    slots = tuple(replace(slot, slot=f"S{n}", seats=(seat,)) for n, seat in enumerate(seats))
    station = replace(
        shop.stations[first.place.station],
        field_mm=(22.0, 40.0),
        origin="centre",
        plates={plate.plate: (0.0, 0.0, 0.0)},
    )
    lone = replace(
        shop,
        stations={station.station: station},
        plates={plate.plate: replace(plate, slots=slots)},
    )

    result = checked(
        CodeInscription("heel", "datamatrix", "A1", 0.5),
        CodeInscription("right", "datamatrix", "A1", 0.5),
        shop=lone,
    )

    assert [one.places for one in result.inscriptions if not one.places] == []
    assert [(f.code, f.inscription) for f in result.findings] == [("no_common_slot", 1)]


# --- whatever comes ---------------------------------------------------------------------------------

ANY_TEXT = st.text(st.characters(exclude_categories=()), max_size=12) | st.sampled_from(
    [
        "\ud800",
        "\x00",
        "\u202eabc",
        "e\u0301" * 9,
        "\r\n",
        "שלום",
        "שלום\r רוזה בן",
        "שלום\x1c רוזה בן",
        "مرحبا",
        "नमस्ते",
        "👩‍👩‍👧",
        "I",
        "-",
        ".",
        "ﬁ",
    ]
)


@settings(max_examples=40, deadline=None)
@given(
    text=ANY_TEXT,
    font=st.sampled_from(["lato-bold", "amiri-bold", "line-sans", "dancing-bold", "no-font"]),
    height=st.none() | st.floats(allow_nan=True, allow_infinity=True) | st.floats(0.5, 20),
    kind=st.sampled_from(["text", "monogram", "qr", "datamatrix"]),
    zone=st.sampled_from(["heel", "heel", "heel_back", "spine"]),
)
def test_no_text_makes_the_check_raise_and_all_it_says_is_catalogued(text, font, height, kind, zone) -> None:
    asked = {
        "text": TextInscription(zone, text, font, height),
        "monogram": MonogramInscription(zone, text, font, None, height),
        "qr": CodeInscription(zone, "qr", text, height),
        "datamatrix": CodeInscription(zone, "datamatrix", text, height),
    }[kind]

    result = checked(asked)

    assert verdict_of(result.findings) is result.verdict
    count = 0 if "lone_surrogate" in codes(result) else len(graphemes(normalise(text)))
    for finding in result.findings:
        assert finding.severity is CHECK_CODES[finding.code].severity
        if finding.span is not None:
            assert 0 <= finding.span[0] < finding.span[1] <= count
    assert (result.verdict is Verdict.REFUSE) or all(one.mark for one in result.inscriptions)


@settings(max_examples=15, deadline=None)
@given(
    left=st.floats(0, 20),
    right=st.floats(0, 20),
    below=st.floats(0, 8),
    above=st.floats(0, 8),
    hole=st.none() | st.tuples(st.floats(10, 70), st.floats(-10, 18), st.floats(0.5, 4)),
    text=st.sampled_from(["Anna", "For Rosa, gardener", "Ågot & Bjørn 1961"]),
)
def test_shrinking_a_zone_never_raises_the_height(left, right, below, above, hole, text) -> None:
    def smaller(zone):
        x0, y0, x1, y1 = zone.polygon.bounds
        cut = box(x0 + left, y0 + below, x1 - right, y1 - above)
        if hole is not None:
            cut = shapely.difference(cut, shapely.Point(hole[:2]).buffer(hole[2], quad_segs=4))
        parts = shapely.get_parts(shapely.intersection(zone.polygon, cut))
        # The anchor stays where it was, so that only the room gets less.
        return replace(zone, polygon=max(parts, key=lambda part: part.area), anchor=(39.0, 3.0))

    whole = with_zone("heel", lambda zone: replace(zone, anchor=(39.0, 3.0)))

    sizes = [
        checked(words(text), shop=shop).inscriptions[0].size_mm or 0.0
        for shop in (whole, with_zone("heel", smaller))
    ]

    assert sizes[1] <= sizes[0] + 1e-9


def test_a_keep_out_that_grows_never_raises_the_height() -> None:
    shop = the_shop()
    blade = shop.blades["chef-20"]
    face = blade.face("mark_side")

    def with_stamp(radius: float) -> Shop:
        stamp = KeepOut("stamp", "existing_mark", shapely.Point(40, 2).buffer(radius))
        changed = replace(face, keep_outs=(*face.keep_outs, stamp))
        return replace(
            shop, blades={**shop.blades, "chef-20": replace(blade, faces=(changed, blade.faces[1]))}
        )

    sizes = [checked(words("Anna & Ben"), shop=with_stamp(r)).inscriptions[0].size_mm for r in (0.5, 2, 4, 7)]

    assert sizes == sorted(sizes, reverse=True)


def test_a_result_survives_the_way_between_processes() -> None:
    result = checked(words("Anna"), words("Ben", zone="heel_back"))

    again = pickle.loads(pickle.dumps(result))

    assert (again.verdict, again.burn_seconds, again.eligible) == (
        result.verdict,
        result.burn_seconds,
        result.eligible,
    )
    assert [one.clearance_mm for one in again.inscriptions] == [
        one.clearance_mm for one in result.inscriptions
    ]
    assert again.inscriptions[0].binding == result.inscriptions[0].binding


def test_burning_time_is_that_of_the_slowest_station() -> None:
    result = checked(words("Anna"))

    times = [result._seconds_at(*at) for at in result.stations]

    assert result.burn_seconds == round(max(times), 1)


def test_a_check_with_calibrations_uses_them() -> None:
    from layout.seating.registration import nominal

    shop = the_shop()
    asked = [words("Anna")]
    before = check(shop, CHEF, asked)
    far = {}
    for place in before.eligible:
        station, plate = shop.stations[place.station], shop.plates[place.plate]
        for copy in plate.copies:
            known = nominal(station, plate, copy)
            matrix = (*known.matrix[:4], known.matrix[4] + 1000.0, known.matrix[5])
            far[place.station, copy] = replace(known, matrix=matrix)

    result = check(shop, CHEF, asked, calibrations=far)

    assert codes(result) == ["out_of_reach"]


# --- the catalogue of findings ----------------------------------------------------------------------


def _said_in_code() -> dict[str, set[str]]:
    """Codes written as literals where findings are made, by module."""
    makers = {"Finding", "refuse", "_refuse", "_limit", "_too_fine"}
    said: dict[str, set[str]] = {}
    for path in Path(layout.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            name = getattr(getattr(node, "func", None), "id", None)
            if name == "_at" and path.parent.name == "judge":
                code = node.args[2]
            elif name in makers and node.args:
                code = node.args[0]
            else:
                continue
            if isinstance(code, ast.Constant):
                said.setdefault(f"{path.parent.name}/{path.stem}", set()).add(code.value)
    return said


def test_every_code_that_is_said_is_in_the_catalogue_and_judges_have_their_own() -> None:
    said = _said_in_code()

    of_judge = said.pop("judge/load") | said.pop("judge/written_file")
    said.pop("judge/plan", None)  # plans have a judge and findings of their own

    assert of_judge <= set(JUDGE_CODES)
    assert said.pop("seating/calibration") == set(MEASURED_CODES)
    assert set().union(*said.values()) <= set(CHECK_CODES)
    assert all(meaning.severity is Severity.REFUSE for meaning in JUDGE_CODES.values())


# --- words of the shop's lists, and what a zone takes ---------------------------------------------


def with_words(shop: Shop, *lists: WordList) -> Shop:
    return replace(shop, words=WordRules(lists))


def test_listed_words_are_refused_or_looked_at_and_only_the_desk_is_told_why() -> None:
    shop = with_words(
        the_shop(),
        WordList("coarse", "en", "refuse", "we do not", ("zounds",)),
        WordList("marks", "en", "review", "whose is it?", ("Thistledown",)),
    )

    refused = check(shop, CHEF, [words("Thistledown zounds")])
    looked_at = check(shop, CHEF, [words("Thistledown")])

    assert (refused.verdict, refused.marks) == (Verdict.REFUSE, ())
    assert {f.code for f in refused.findings} == {"words_not_taken", "words_to_review"}
    (finding,) = looked_at.findings
    assert (looked_at.verdict, finding.code) == (Verdict.REVIEW, "words_to_review")
    assert finding.for_desk == "“Thistledown” (marks): whose is it?"
    assert (finding.span, finding.suggestions) == (None, ())  # nothing that says which word it was
    assert "Thistledown" not in finding.message


def test_initials_and_contents_of_codes_are_held_against_the_lists_too() -> None:
    shop = with_words(the_shop(), WordList("coarse", "en", "refuse", "we do not", ("zds", "zounds")))

    for inscription in (
        MonogramInscription("heel", "ZDS", "lato-bold"),
        CodeInscription("heel", "qr", "https://zounds.example/"),
    ):
        assert "words_not_taken" in codes(check(shop, CHEF, [inscription])), inscription


def test_no_suggestion_has_a_refused_word() -> None:
    """Cyrillic letters are put right in suggestions: not where that gives a listed word."""
    shop = with_words(the_shop(), WordList("coarse", "en", "refuse", "we do not", ("zounds",)))

    result = check(shop, CHEF, [words("zоunds")])

    assert {"look_alike", "words_not_taken"} <= set(codes(result))
    assert not any(finding.suggestions for finding in result.findings)


def test_a_zone_takes_so_many_characters_of_these_kinds() -> None:
    taken = frozenset[CharacterKind]({"letters", "digits"})
    shop = with_zone("heel", lambda zone: replace(zone, max_graphemes=5, characters=taken, signs="+"))

    assert check(shop, CHEF, [words("Zoë 7")]).verdict is Verdict.ACCEPT
    assert check(shop, CHEF, [words("A+B")]).verdict is Verdict.ACCEPT
    assert the_finding(check(shop, CHEF, [words("A & B")]), "character_not_offered").span == (2, 3)
    many = the_finding(check(shop, CHEF, [words("Ada Lou")]), "too_many_characters")
    assert (many.measured, many.limit) == (7.0, 5.0)
