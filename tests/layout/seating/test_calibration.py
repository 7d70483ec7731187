"""What a measured calibration is worth: the marks, the prediction, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import pytest

from layout.seating import calibration
from layout.seating.calibration import measure
from layout.seating.registration import nominal, to_station
from layout.shop.shop import Shop
from tests.golden import turns

CORNERS = ((5.0, 5.0), (115.0, 5.0), (5.0, 55.0), (115.0, 55.0))
TOGETHER = ((5.0, 5.0), (15.0, 5.0), (5.0, 15.0), (15.0, 15.0))


def a_shop(
    *, axes: tuple[float, float] = (1.0, 1.0), marks: tuple[tuple[float, float], ...] = CORNERS
) -> Shop:
    plate = replace(turns.a_plate(), fiducials=marks)
    return turns.a_shop(station=turns.a_station(axes=axes), plate=plate)


def met(shop: Shop, **moved: tuple[float, float]) -> dict[int, tuple[float, float]]:
    """Where the description expects each mark; `m2=(0.1, 0)` moves mark 2 by so much."""
    plate, station = shop.plates["bench"], shop.stations["left"]
    expected = to_station(plate.fiducials, nominal(station, plate, "one"))
    return {
        number: (
            float(x) + moved.get(f"m{number}", (0, 0))[0],
            float(y) + moved.get(f"m{number}", (0, 0))[1],
        )
        for number, (x, y) in enumerate(expected, start=1)
    }


def codes(found: object) -> list[str]:
    return [finding.code for finding in found.findings]  # type: ignore[attr-defined]


@pytest.mark.parametrize("axes", [(1.0, 1.0), (-1.0, 1.002)])
def test_marks_met_where_the_description_has_them_change_nothing(axes: tuple[float, float]) -> None:
    shop = a_shop(axes=axes)

    found = measure(shop, "left", "one", met(shop))

    assert not found.is_refused
    assert found.calibration.matrix == pytest.approx(
        nominal(shop.stations["left"], shop.plates["bench"], "one").matrix, abs=1e-9
    )
    assert found.calibration.residual_mm == pytest.approx(0, abs=1e-9)
    assert found.lie.shift_mm == pytest.approx(found.expected.shift_mm)


def test_the_predicted_error_is_that_of_the_worst_corner_of_a_slot() -> None:
    shop = a_shop()

    found = measure(shop, "left", "one", met(shop, m1=(0.1, 0.0)))

    assert found.error_mm is not None
    assert found.slot in {"A1", "A2"}
    assert 0.5 * found.calibration.residual_mm < found.error_mm < 2 * found.calibration.residual_mm


@pytest.mark.parametrize(
    ("moved", "said"),
    [
        ({"m1": (0.4, 0.0), "m4": (0.4, 0.0)}, "residual_too_large"),
        ({"m1": (0.5, 0.0)}, "mark_off"),
        ({f"m{n}": (12.0, 0.0) for n in range(1, 5)}, "shifted_away"),
    ],
)
def test_what_can_not_be_right_is_refused_with_its_figures(
    moved: dict[str, tuple[float, float]], said: str
) -> None:
    shop = a_shop()

    found = measure(shop, "left", "one", met(shop, **moved))

    assert found.is_refused
    (finding,) = [one for one in found.findings if one.code == said]
    assert finding.measured is not None and finding.limit is not None
    assert finding.measured > finding.limit


def test_marks_close_together_are_refused_for_what_they_predict_at_a_blade_far_away() -> None:
    shop = a_shop(marks=TOGETHER)

    found = measure(shop, "left", "one", met(shop, m1=(0.2, 0.0)))

    assert codes(found) == ["error_too_large"]
    assert found.slot == "A2"


def test_two_marks_taken_for_one_another_are_noticed() -> None:
    shop = a_shop()
    right = met(shop)

    found = measure(shop, "left", "one", {1: right[4], 4: right[1]})

    assert "turned_away" in codes(found)


def test_a_mirrored_plate_is_refused_by_the_free_model_too() -> None:
    shop = a_shop()
    mirrored = {number: (x, -y) for number, (x, y) in met(shop).items()}

    assert "scaled" in codes(measure(shop, "left", "one", mirrored, model="affine"))


def test_two_marks_are_taken_but_predict_nothing() -> None:
    shop = a_shop()
    right = met(shop)

    found = measure(shop, "left", "one", {1: right[1], 2: right[2]})

    assert (found.is_refused, found.error_mm, codes(found)) == (False, None, ["error_unknown"])


@pytest.mark.parametrize(
    ("station", "copy", "marks"),
    [("s9", "one", (1, 2)), ("left", "nine", (1, 2)), ("left", "one", (1, 7))],
)
def test_what_is_not_there_can_not_be_measured(station: str, copy: str, marks: tuple[int, int]) -> None:
    with pytest.raises(KeyError):
        measure(a_shop(), station, copy, dict.fromkeys(marks, (0.0, 0.0)))


def test_one_mark_determines_nothing() -> None:
    with pytest.raises(ValueError, match="2 to 9 marks"):
        measure(a_shop(), "left", "one", {1: (0.0, 0.0)})


@pytest.mark.parametrize(
    ("station", "copy", "missing"),
    [
        ("nowhere", "one", "station nowhere"),
        ("left", "three", "named three"),
        ("left", "spare", "named spare"),
    ],
)
def test_a_copy_or_station_that_is_not_there_is_named(station: str, copy: str, missing: str) -> None:
    """`spare` is a copy of a plate that the station does not take."""
    shop = a_shop()
    spare = replace(shop.plates["bench"], plate="other", copies=("spare",))
    shop = replace(shop, plates={**shop.plates, "other": spare})

    with pytest.raises(KeyError, match=missing):
        measure(shop, station, copy, met(shop))


def test_a_mark_at_its_limit_is_taken_and_one_beyond_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    shop = a_shop()
    moved = met(shop, m1=(0.3, 0.0))
    farthest = max(one.off_mm for one in measure(shop, "left", "one", moved).met)

    monkeypatch.setattr(calibration, "MARK_LIMIT_MM", farthest)
    assert "mark_off" not in codes(measure(shop, "left", "one", moved))
    monkeypatch.setattr(calibration, "MARK_LIMIT_MM", farthest - 1e-9)
    assert "mark_off" in codes(measure(shop, "left", "one", moved))
