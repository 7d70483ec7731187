"""Suggestions: inscriptions that the same check accepts in the whole request, and nothing else."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from layout.check.feasibility import CheckResult, check_one, is_hopeless, trial_of
from layout.check.suggestions import MOST_BURNED, MOST_SUGGESTIONS, Trial, suggestions_for
from layout.shop.findings import Finding, Severity, Verdict, verdict_of
from layout.shop.inscriptions import (
    ArtworkInscription,
    CodeInscription,
    Inscription,
    MonogramInscription,
    TextInscription,
)
from layout.shop.shop import Shop
from service.shop import catalogue
from tests.bench.corpus import CURVED, STRAIGHT, draws
from tests.layout.made_up import CHEF, checked, codes, the_finding, the_shop, with_zone, words


def suggested(result: CheckResult, index: int = 0) -> tuple[Inscription, ...]:
    return tuple(s for f in result.findings if f.inscription == index for s in f.suggestions)


def assert_each_passes(asked: tuple[Inscription, ...], index: int, *, shop: Shop | None = None) -> None:
    """Put in place of what was asked for, no suggestion is refused, whatever the other inscriptions are."""
    result = checked(*asked, shop=shop)
    for suggestion in suggested(result, index):
        again = checked(*asked[:index], suggestion, *asked[index + 1 :], shop=shop)
        assert [f for f in again.findings if f.inscription == index and f.severity is Severity.REFUSE] == []


@pytest.mark.parametrize(
    "asked",
    [
        words("For Rosa, gardener, 1961", height_mm=12.0),
        words("Anna", height_mm=0.5),
        words("Anna", height_mm=-1.0),
        words("Anna ☃"),
        words("An\u200bna"),
        words("Anna\nBen\nCleo\nDora"),
        words("Αnna"),  # a Greek capital alpha
        words("Anna", font="lato_bold"),
        words("Anna", zone="hel"),
        words("Привет", font="cinzel-semibold"),
        MonogramInscription("heel", "R.L.M.", "lato-bold", "ring"),
        MonogramInscription("heel", "RM", "lato-bold", "rings"),
        MonogramInscription("heel", "RM", "lato-bold", None, 14.5),
        ArtworkInscription("heel", "laef"),
        ArtworkInscription("heel", "leaf", 70.0),
        CodeInscription("heel", "datamatrix", "Ålesund"),
        CodeInscription("heel", "qr", "AB\x00C"),
        CodeInscription("heel", "qr", "ABC", 0.05),
    ],
    ids=repr,
)
def test_what_can_be_put_right_gets_suggestions_that_pass(asked) -> None:
    result = checked(asked)

    assert result.verdict is Verdict.REFUSE
    assert 1 <= len(suggested(result)) <= MOST_SUGGESTIONS
    assert asked not in suggested(result)
    assert_each_passes((asked,), 0)


SENTENCE = "A very long dedication that nobody would ever put on a knife ok?"


def test_a_sentence_of_64_characters_is_broken_or_at_the_last_shortened_by_whole_words() -> None:
    assert len(SENTENCE) == 64

    for zone in ("heel", "spine"):
        result = checked(words(SENTENCE, zone=zone))

        assert result.verdict is Verdict.REFUSE
        assert suggested(result)
        assert_each_passes((words(SENTENCE, zone=zone),), 0)
    for suggestion in suggested(checked(words("W" * 20 + " " + "W" * 43))):
        assert isinstance(suggestion, TextInscription) and suggestion.text == "W" * 20


def test_whenever_the_same_words_can_be_engraved_in_the_zone_something_is_suggested() -> None:
    """Seed 64: what is refused, against a plain search of the zone's fonts and sizes, and of even lines."""
    shop, chance = the_shop(), random.Random(64)
    refused = 0
    while refused < 4:
        (draw,) = draws(shop, chance, 1)
        result = checked(draw.asked, sku=draw.sku)
        if result.verdict is not Verdict.REFUSE or suggested(result):
            refused += result.verdict is Verdict.REFUSE
            continue
        zone = shop.face_of_zone(draw.sku, draw.asked.zone).zone(draw.asked.zone)
        for font in zone.fonts:
            for size in ("usual", "largest"):
                other = replace(draw.asked, font=font, height_mm=None, size=size, breaks="fitted")
                assert checked(other, sku=draw.sku).verdict is Verdict.REFUSE, (draw, other)
        refused += 1


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        (words("An\u200bna \u202eBen"), words("Anna Ben")),
        (words("Αnna"), words("Anna")),
        (words("Anna\nBen\nCleo\nDora"), words("Anna\nBen Cleo\nDora")),
        (words("For Rosa, gardener", height_mm=9.0), words("For Rosa,\ngardener", height_mm=9.0)),
        (MonogramInscription("heel", "R. L.", "lato-bold"), MonogramInscription("heel", "RL", "lato-bold")),
        (CodeInscription("heel", "qr", "AB\x00\nC"), CodeInscription("heel", "qr", "ABC")),
        (words("Anna", zone="heel bak"), words("Anna", zone="heel_back")),
        (words("Anna", font="lato_bold"), words("Anna")),
        (words("Anna", height_mm=0.5), words("Anna", height_mm=2.0)),
        (words("Anna", height_mm=float("inf")), words("Anna")),
    ],
)
def test_the_first_suggestion_is_the_nearest_to_what_was_meant(asked, expected) -> None:
    assert suggested(checked(asked))[0] == expected


def test_a_font_that_has_the_characters_is_suggested_before_words_without_them() -> None:
    greek = suggested(checked(words("Ελένη")))
    snow = suggested(checked(words("Anna ☃")))

    assert all(isinstance(s, TextInscription) and s.font != "lato-bold" for s in greek)
    assert snow == (words("Anna"),)


def test_a_taken_zone_suggests_the_other_zones() -> None:
    asked = words("Anna", height_mm=4.0), words("Ben", height_mm=4.0)

    zones = [suggestion.zone for suggestion in suggested(checked(*asked), 1)]

    assert zones[0] == "heel_back" and "heel" not in zones
    assert_each_passes(asked, 1)


def test_a_zone_that_another_inscription_has_is_never_suggested() -> None:
    asked = words("Anna", zone="heel_back"), words("Ben", zone="no such zone")

    result = checked(*asked)

    assert {s.zone for s in suggested(result, 1)} == {"heel", "spine"}
    assert_each_passes(asked, 1)


def test_marks_that_overlap_suggest_a_smaller_one_or_another_zone() -> None:
    # The spine zone is laid over the heel, so that large words in it run over the others.
    shop = with_zone("spine", lambda zone: the_shop().blades["chef-20"].face("mark_side").zone("heel"))
    blade = shop.blades["chef-20"]
    face = blade.faces[0]
    over = replace(face.zones[0], zone="over", max_height_mm=10.0)
    shop = replace(
        shop,
        blades={
            **shop.blades,
            "chef-20": replace(blade, faces=(replace(face, zones=(face.zones[0], over)), *blade.faces[1:])),
        },
    )
    asked = words("Anna", height_mm=3.0), words("Ben", zone="over", height_mm=3.0)

    result = checked(*asked, shop=shop)

    assert the_finding(result, "marks_overlap").inscription == 1
    assert suggested(result, 1)
    assert_each_passes(asked, 1, shop=shop)


WORSE = (Verdict.ACCEPT, Verdict.REVIEW, Verdict.REFUSE)


def known(verdict: Verdict, letters: int = 0, *, before: Verdict | None = None) -> Trial:
    """A trial whose verdict is known; `before` its letters are burned, where that is another."""
    return Trial(before or verdict, letters, lambda: verdict)


def in_fonts(trials: Mapping[str, Trial]) -> tuple[Finding, list[str], list[str]]:
    """What is suggested for words in no known font, by trials of the fonts that there are: the finding, the
    fonts suggested, and those whose letters were burned."""
    burned: list[str] = []

    def trial_with(_: int, candidate: Inscription) -> Trial:
        assert isinstance(candidate, TextInscription)
        trial = trials.get(candidate.font, known(Verdict.REFUSE))

        def noted() -> Verdict:
            burned.append(candidate.font)
            return trial.burned()

        return replace(trial, burned=noted)

    shop = the_shop()
    spec = shop.fonts["lato-bold"]
    shop = replace(shop, fonts={name: replace(spec, font=name) for name in trials})
    shop = with_zone("heel", lambda zone: replace(zone, fonts=tuple(trials)), shop=shop)
    finding = Finding("unknown_font", Severity.REFUSE, "No such font.", inscription=0)
    (said,) = suggestions_for(
        shop,
        CHEF,
        [words("Anna", font="-")],
        [finding],
        trial_with=trial_with,
        is_hopeless=lambda candidate: candidate.zone != "heel",
    )
    return said, [s.font for s in said.suggestions if isinstance(s, TextInscription)], burned


def test_letters_are_burned_only_of_what_would_be_suggested() -> None:
    review = known(Verdict.REVIEW, 0)

    said, fonts, burned = in_fonts({"a": review, "b": known(Verdict.ACCEPT), "c": review, "d": review})

    assert fonts == ["b", "a", "c"]
    assert burned == ["b", "a", "c"]
    assert said.message == "No such font."


def test_hairlines_beyond_the_budget_are_left_out_and_that_is_said() -> None:
    thin = known(Verdict.ACCEPT, MOST_BURNED + 5)

    said, fonts, burned = in_fonts({"a": thin, "b": known(Verdict.ACCEPT), "c": thin})

    assert fonts == ["a", "b"]  # the first one's letters are burned however many they are
    assert burned == ["a", "b"]
    assert "not all of them were looked at" in said.message


def test_what_burning_refuses_takes_nothing_of_the_budget() -> None:
    faulty = known(Verdict.REFUSE, MOST_BURNED + 5, before=Verdict.ACCEPT)

    said, fonts, burned = in_fonts({"a": faulty, "b": known(Verdict.ACCEPT, MOST_BURNED)})

    assert fonts == ["b"]
    assert burned == ["a", "b"]
    assert said.message == "No such font."


def test_of_what_a_person_must_look_at_the_least_costly_is_suggested() -> None:
    thin, plain = known(Verdict.REVIEW, MOST_BURNED), known(Verdict.REVIEW, 0)

    said, fonts, burned = in_fonts({"a": thin, "b": plain, "c": plain, "d": plain})

    assert fonts == ["b", "c", "d"]
    assert burned == fonts
    assert said.message == "No such font."


def test_what_burning_shows_to_be_for_a_person_is_offered_last() -> None:
    bolder = known(Verdict.REVIEW, 3, before=Verdict.ACCEPT)

    _, fonts, burned = in_fonts({"a": bolder, "b": known(Verdict.ACCEPT)})

    assert fonts == ["b", "a"]
    assert burned == ["a", "b"]


@pytest.mark.parametrize("zones", [STRAIGHT, CURVED], ids=["straight", "curved"])
def test_a_trial_says_what_the_whole_check_says(zones: tuple[tuple[str, str], ...]) -> None:
    """Neither by bounds nor by what is not drawn: a trial never refuses what the check accepts, nor the
    other way round; and nothing is hopeless that would be accepted."""
    shop = catalogue.load(catalogue.default_folder())

    for draw in draws(shop, random.Random(5), 20, zones=zones):
        _, found = check_one(shop, draw.sku, draw.asked)
        whole = verdict_of(tuple(found))
        tried = trial_of(shop, draw.sku, draw.asked)

        assert tried.burned() is whole, draw
        assert WORSE.index(tried.verdict) <= WORSE.index(whole), draw
        if whole is not Verdict.REFUSE:
            assert not is_hopeless(shop, draw.sku, draw.asked), draw


def test_what_a_person_must_look_at_is_offered_last() -> None:
    _, fonts, _ = in_fonts({"a": known(Verdict.REVIEW), "b": known(Verdict.ACCEPT)})

    assert fonts == ["b", "a"]


def test_only_words_with_nothing_left_get_no_suggestion() -> None:
    results = [checked(words(text)) for text in ("", "\u200b", "\ud800")]

    assert [suggested(result) for result in results] == [(), (), ()]


def test_suggestions_stand_with_the_first_refusing_finding_of_their_inscription() -> None:
    result = checked(words("Anna", height_mm=0.1), words("Ben", zone="nowhere"))

    with_suggestions = [(f.inscription, f.code) for f in result.findings if f.suggestions]
    assert with_suggestions == [(0, "below_smallest"), (1, "unknown_zone")]
    assert len(codes(result)) > 2


def test_a_request_that_only_a_person_must_look_at_gets_no_suggestions() -> None:
    assert suggested(checked(words("Anna", height_mm=1.9))) == ()


@settings(max_examples=10, deadline=None)
@given(
    text=st.sampled_from(["Anna", "An\u200bna ☃", "Ελένη", "Αnna & Ben", "Rosa\nx\ny\nz"]),
    font=st.sampled_from(["lato-bold", "great-vibes", "nofont", "line-sans"]),
    zone=st.sampled_from(["heel", "nowhere", "heel_back"]),
    height=st.none() | st.floats(-1, 30),
)
def test_every_suggestion_is_accepted_beside_the_other_inscription(text, font, zone, height) -> None:
    other = words("Ben", zone="heel_back", height_mm=5.0)
    asked = (other, TextInscription(zone, text, font, height))

    assert_each_passes(asked, 1)


@pytest.mark.parametrize("text", ["Beatriz", "Wolfgang & Ava"])
def test_letters_that_touch_when_burned_are_suggested_a_little_further_apart(text: str) -> None:
    asked = words(text, font="cinzel-semibold", height_mm=2.5, size="usual")
    result = checked(asked)

    finding = the_finding(result, "letters_touch")
    (wider,) = finding.suggestions
    again = checked(wider)

    assert isinstance(wider, TextInscription)
    assert replace(wider, letter_spacing=0.0) == asked and 0 < wider.letter_spacing <= 0.04
    assert result.verdict is again.verdict is Verdict.ACCEPT and "letters_touch" not in codes(again)
    before, after = result.inscriptions[0], again.inscriptions[0]
    assert before.narrowest_gap_mm < after.narrowest_gap_mm
    assert after.narrowest_gap_mm >= after.line_width_mm
    # Every letter is moved once more than the one before it, and nothing else about them changes.
    extra_mm = wider.letter_spacing * 2.5 * (len(text) - 1)
    widths = [one.box_mm[2] - one.box_mm[0] for one in (before, after)]
    assert widths[1] - widths[0] == pytest.approx(extra_mm, abs=2e-3)
    ink = [sum(area.area for area in one.marks[0].outline.areas) for one in (result, again)]
    assert ink[1] == pytest.approx(ink[0], rel=1e-3)


def test_no_distance_is_suggested_where_it_would_no_longer_fit() -> None:
    asked = words("Wolfgang & Ava", font="cinzel-semibold", height_mm=2.5, size="usual")
    length = checked(asked).inscriptions[0].box_mm
    tight = with_zone(
        "heel",
        lambda zone: replace(
            zone, polygon=zone.polygon.intersection(box(length[0] - 0.8, -50, length[2] + 0.8, 50))
        ),
    )

    finding = the_finding(checked(asked, shop=tight), "letters_touch")

    assert finding.suggestions == ()
