"""The owner's plates in a real browser: from the drawing of a pocket to a seat in the draft, slots by the
pointer, and the file that proves a plate."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect
from shapely import affinity

from service.drawings.plates import read_plate
from service.shop import drafts
from service.shop.catalogue import default_folder, load
from tests.pages.conftest import SignIn
from tests.pages.shop import ServedShop
from tests.pages.test_access import must_be_usable

pytestmark = pytest.mark.page


def draft_of(shop: ServedShop, name: str) -> str:
    with shop.tools.database.reading() as session:
        draft = drafts.find(session)
        assert draft is not None
        return draft.content[name]


def nest(path: Path) -> None:
    """Two pockets for one blade, 0.3 mm wider all round, the second turned round."""
    face = load(default_folder()).blades["oyster-8"].faces[0]
    pocket = (face.body or face.silhouette).union(face.silhouette).buffer(0.3).simplify(0.01)
    shapes = []
    for x, y, turn in [(150, 40, 0), (150, 100, 180)]:
        placed = affinity.scale(affinity.rotate(pocket, turn, origin=(0, 0)), 1, -1, origin=(0, 0))
        points = " ".join(f"{px + x:.3f},{py + y:.3f}" for px, py in placed.exterior.coords[:-1])
        shapes.append(f"<polygon class='slot' points='{points}'/>")
    marks = "".join(
        f"<circle class='mark' cx='{x}' cy='{y}' r='1'/>" for x, y in [(6, 6), (294, 6), (150, 134)]
    )
    path.write_text(
        "<svg xmlns='http://www.w3.org/2000/svg' width='300mm' height='140mm' viewBox='0 0 300 140'>"
        f"<rect id='plate' width='300' height='140'/>{''.join(shapes)}{marks}</svg>"
    )


def test_a_plate_from_its_drawing_gets_a_seat_that_a_person_has_confirmed(
    shop: ServedShop, sign_in: SignIn, tmp_path: Path
) -> None:
    nest(tmp_path / "nest.svg")
    page = sign_in("owner", "Ona", width=390, height=844)
    page.goto("/owner/plates")
    must_be_usable(page)
    page.get_by_label("Name in other files").fill("oysters")
    page.set_input_files("#file", tmp_path / "nest.svg")
    page.get_by_role("button", name="Write it into the draft").click()
    page.wait_for_url("**/owner/plates/oysters/slots")
    assert "[[seat]]" not in draft_of(shop, "plates/oysters.toml")

    page.get_by_label("Blade").select_option("oyster-8")
    page.get_by_role("button", name="See what fits").click()
    expect(page.get_by_text("0.29 mm of room all round").first).to_be_visible()
    must_be_usable(page)
    page.get_by_label("I laid one in: it lies so").first.check()
    page.get_by_role("button", name="Write what is ticked").click()
    expect(page.get_by_role("alert")).to_contain_text("no shape says how high the surface lies")
    page.get_by_label("Blade").select_option("oyster-8")
    page.get_by_role("button", name="See what fits").click()
    page.get_by_label("I laid one in: it lies so").first.check()
    page.get_by_label("How high the surface lies").fill("11,5")
    page.get_by_role("button", name="Write what is ticked").click()

    expect(page.get_by_role("status")).to_contain_text("Written into the draft")
    read = read_plate("plates/oysters.toml", draft_of(shop, "plates/oysters.toml"))
    (seat,) = read.file.seat
    assert (seat.blade, seat.pose.height_mm) == ("oyster-8", 11.5)
    assert [slot[3] for slot in read.file.slots] == [0, 180]
    # A finger that taps twice, and a second plate of that name.
    token = page.locator("meta[name=form-token]").get_attribute("content") or ""
    again = {
        "token": token,
        "do": "write",
        "blade": "oyster-8",
        "height": "9",
        "take": "oyster-8|mark_side|0",
    }
    page.request.post("/owner/plates/oysters/seats", form=again)
    assert draft_of(shop, "plates/oysters.toml").count("[[seat]]") == 1
    twice = {
        "token": token,
        "plate": "oysters",
        "width": "9",
        "height": "9",
        "slot-width": "2",
        "slot-height": "2",
    }
    refused = page.request.post("/owner/plates", form={**twice, "first-x": "4", "first-y": "4"})
    assert refused.status == 422
    assert "there is a plate of this name already" in refused.text()


def test_slots_by_the_pointer_and_the_proof_of_a_plate(shop: ServedShop, sign_in: SignIn) -> None:
    page = sign_in("owner", "Ona")
    described = load(default_folder())
    station = next(s for s in described.stations.values() if "long" in s.plates)
    x, y, turn = station.plates["long"]
    assert turn == 0
    across, up = station.axes
    plate = described.plates["long"]
    lines = [
        f"mark,{n},{(x + a) * across},{(y + b) * up}" for n, (a, b) in enumerate(plate.fiducials, start=1)
    ]
    x0, y0, x1, y1 = plate.slot("1").outline.bounds
    lines += [
        f"1,{n},{(x + a + 0.4) * across},{(y + b) * up}"
        for n, (a, b) in enumerate([(x0, y0), (x1, y0), (x1, y1)], start=1)
    ]
    page.goto("/owner/plates/long/slots")
    page.get_by_label("Station").select_option(station.station)
    page.get_by_label("Readings").fill("nonsense")
    page.get_by_role("button", name="See what they say").click()
    expect(page.get_by_role("alert")).to_contain_text("two of the plate's marks")
    page.get_by_label("Readings").fill("\n".join(lines))
    page.get_by_role("button", name="Write these places into the draft").click()

    expect(page.get_by_role("status")).to_contain_text("The marks agree within 0.000 mm")
    assert '["1", 145.4, 29, 0],' in draft_of(shop, "plates/long.toml")
    process = next(p for p in described.processes.values() if p.station == station.station)
    kind = station.formats[0]
    proof = page.request.get(f"/owner/plates/long-1/proof.{kind}?process={process.process}")
    assert proof.ok
    assert "PLATE-PROOF-long-1-" in proof.headers["content-disposition"]
    assert page.request.get(f"/owner/plates/none/proof.{kind}?process={process.process}").status == 404
    assert sign_in("bench", "Ines").request.get("/owner/plates/long/slots").status == 403
