"""Fonts looked at before they are offered: what a file says, its languages, how small it may be."""

from __future__ import annotations

import base64
import csv
import io
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlencode

import pytest
import reportlab
from fontTools.subset import Subsetter
from fontTools.ttLib import TTFont
from httpx import Response
from typer.testing import CliRunner

from layout.check.feasibility import check
from layout.shop.findings import Severity
from layout.shop.inscriptions import TextInscription
from service.cli.main import app
from service.records.db import Database
from service.records.errors import BadRequest
from service.records.who import SWEEP
from service.shop import additions, drafts, font_looks
from service.shop.catalogue import default_folder, files, load, looked_over, read
from service.shop.catalogue.difference import difference
from service.shop.font_looks import found_at, in_zones, look
from tests.clocks import SetClock
from tests.counter import Counter, an_open_counter
from tests.layout.made_up import the_shop
from tests.made_up import put_in_force


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        yield opened


LATO, LATO_BOLD = "fontpkg_lato", "files/Lato-Bold.ttf"


def lato() -> bytes:
    return font_looks.installed_file(LATO, LATO_BOLD)


def changed(**values: int | str) -> bytes:
    """Lato with another `fsType`, or with names (ID 13, 14) of another licence."""
    font = TTFont(io.BytesIO(lato()), recalcTimestamp=False)
    if "fs_type" in values:
        font["OS/2"].fsType = values["fs_type"]
    if "licence" in values:
        for number, words in ((13, values["licence"]), (14, "")):
            font["name"].setName(words, number, 3, 1, 0x409)
            font["name"].removeNames(number, 1, 0, 0)
    written = io.BytesIO()
    font.save(written)
    return written.getvalue()


def test_what_a_file_says_is_what_fonttools_reads() -> None:
    seen, font = look(lato(), LATO, LATO_BOLD), TTFont(io.BytesIO(lato()))

    assert seen.name == font["name"].getDebugName(4) == "Lato Bold"  # name ID 4: the full name
    assert seen.licence == "OFL-1.1" and "Open Font License" in seen.licence_text
    assert seen.glyphs == len(font.getGlyphOrder())
    assert font["OS/2"].fsType == 0 and seen.embedding == "installable"
    assert seen.axes == {}


@pytest.mark.parametrize(
    ("bits", "said"),
    [
        # OpenType specification, OS/2 table, fsType; where several are set, the least restrictive counts.
        (0x0000, ("installable", False, False)),
        (0x0002, ("restricted", False, False)),
        (0x0004, ("print", False, False)),
        (0x0008, ("editable", False, False)),
        (0x0006, ("print", False, False)),
        (0x000C, ("editable", False, False)),
        (0x0104, ("print", True, False)),
        (0x0208, ("editable", False, True)),
    ],
)
def test_embedding_is_said_as_the_specification_has_it(bits: int, said: tuple[str, bool, bool]) -> None:
    seen = look(changed(fs_type=bits), None, "Lato.ttf")

    assert (seen.embedding, seen.is_whole_only, seen.is_bitmaps_only) == said


def test_a_licence_that_nobody_knows_is_called_unknown() -> None:
    seen = look(changed(licence="All rights reserved."), None, "Lato.ttf")

    assert (seen.licence, seen.licence_text) == (font_looks.UNKNOWN_LICENCE, "All rights reserved.")


def test_languages_are_those_whose_letters_the_font_has() -> None:
    """The alphabets as they are written, from memory: Danish æøå, Polish ąćęłńóśźż; Lato has no Arabic."""
    seen = look(lato(), LATO, LATO_BOLD)
    letters = frozenset(TTFont(io.BytesIO(lato())).getBestCmap())

    assert {"en", "de", "da", "pl", "tr", "is"} <= set(seen.languages)
    assert set(map(ord, "æøåąćęłńóśźż")) <= letters
    assert not {"ar", "hi", "zh", "he"} & set(seen.languages)
    package, file, data = found_at("fontpkg-noto-sans-devanagari")[0]
    assert {"hi", "mr", "ne"} <= set(look(data, package, file).languages)
    for _, missing in seen.nearly:
        assert missing and not any(ord(letter) in letters for letter in missing if letter not in " ◌")


def test_axes_are_the_file_s_own_and_bounded() -> None:
    file = "files/Inter[opsz,wght].ttf"
    seen = look(font_looks.installed_file("fontpkg_inter", file), "fontpkg_inter", file)
    axes = TTFont(io.BytesIO(seen.data))["fvar"].axes

    assert seen.axes == {a.axisTag: (a.minValue, a.defaultValue, a.maxValue) for a in axes}
    assert seen.entry({"wght": 600})["axes"] == {"wght": 600, "opsz": seen.axes["opsz"][1]}
    with pytest.raises(BadRequest, match="axis wght goes from 100 to 900"):
        seen.entry({"wght": 1000})
    with pytest.raises(BadRequest, match="no axis slnt"):
        seen.entry({"slnt": 1})


def test_from_the_smallest_height_on_the_check_takes_the_words(tmp_path: Path) -> None:
    shop, spec = the_shop(), the_shop().fonts["lato-bold"]
    rooms = {(room.blade, room.zone): room for room in in_zones(shop, spec, tmp_path, measure=True)}
    product = shop.products["AQ-CHEF-20"]
    room = rooms[product.blade, "heel"]

    assert set(room.smallest_mm) == {"satin-north", "satin-south"} and not room.unmeasured
    for least in room.smallest_mm.values():
        assert least is not None
        inscription = TextInscription("heel", room.words, "lato-bold", height_mm=least)
        findings = check(shop, product.sku, [inscription]).findings
        assert not [finding for finding in findings if finding.severity is Severity.REFUSE]
    assert room.specimen.startswith("<svg") and room.why_not is None
    again = in_zones(shop, spec, tmp_path / "empty", measure=False)
    assert all(not one.smallest_mm for one in again) and any(one.unmeasured for one in again)


def test_a_shop_without_a_process_still_sees_the_words(tmp_path: Path) -> None:
    """A starter shop has no proven process: what is missing is stood in for, and said."""
    shop = replace(the_shop(), processes={})
    rooms = in_zones(shop, shop.fonts["lato-bold"], tmp_path, measure=True)

    assert rooms and all("process" in room.stood_in and room.smallest_mm == {} for room in rooms)
    assert any(room.specimen for room in rooms)


def test_the_words_are_in_a_script_that_the_font_has(tmp_path: Path) -> None:
    spec = the_shop().fonts["lato-bold"]
    words = {room.words for room in in_zones(the_shop(), spec, tmp_path, measure=False)}
    assert words == {"Rag 358"}

    package, file, data = found_at("fontpkg_frank_ruhl_libre")[0]
    font = TTFont(io.BytesIO(data))
    hebrew = subset(font, "\u05d0\u05d1\u05d2\u05d3\u05d4\u05d5\u05dc\u05dd\u05e9")
    seen = look(hebrew, package, file)
    words = {room.words for room in in_zones(the_shop(), seen.spec(seen.entry()), tmp_path, measure=False)}
    assert words == {"\u05e9\u05dc\u05d5\u05dd"}


def subset(font: TTFont, letters: str) -> bytes:
    """The font with no other letters."""
    keeping = Subsetter()
    keeping.populate(text=letters + "Hx")  # by H a capital height is known
    keeping.subset(font)
    written = io.BytesIO()
    font.save(written)
    return written.getvalue()


def shop_folder(tmp_path: Path) -> Path:
    folder = tmp_path / "shop"
    assert CliRunner().invoke(app, ["init", str(folder)]).exit_code == 0
    return folder


def test_a_folder_of_fonts_is_looked_at_and_added(tmp_path: Path) -> None:
    folder, fonts, out = shop_folder(tmp_path), tmp_path / "fonts", tmp_path / "out"
    fonts.mkdir()
    (fonts / "My Font (1).TTF").write_bytes(changed(fs_type=4))
    arguments = ["fonts", "look", str(fonts), "--fixtures", str(folder), "--out", str(out), "--name", "House"]

    shown = CliRunner().invoke(app, arguments)
    assert shown.exit_code == 0, shown.output
    assert "for viewing and printing only" in shown.output and "German" in shown.output
    assert not (folder / "fonts" / "My-Font-1.ttf").exists()
    rows = list(csv.DictReader((out / "fonts.csv").read_text().splitlines()))
    assert {row["process"] for row in rows} == {"ground-bench"} and {row["font"] for row in rows} == {"house"}
    assert float(rows[0]["smallest_mm"]) >= 2.5  # the zone's own least
    assert list(out.glob("font.house.hatchet.*.svg"))

    before = set(load(folder).fonts)
    added = CliRunner().invoke(app, [*arguments, "--add"])
    assert added.exit_code == 0, added.output
    assert (folder / "fonts" / "My-Font-1.ttf").read_bytes() == changed(fs_type=4)
    spec = load(folder).fonts["house"]
    assert (spec.name, spec.data) == ("House", changed(fs_type=4))
    assert CliRunner().invoke(app, [*arguments, "--add"]).exit_code == 0  # once more changes nothing
    assert set(load(folder).fonts) == {*before, "house"}


def test_a_font_that_may_not_be_used_is_refused_and_the_others_are_shown(tmp_path: Path) -> None:
    folder, fonts, out = shop_folder(tmp_path), tmp_path / "fonts", tmp_path / "out"
    fonts.mkdir()
    (fonts / "a.ttf").write_bytes(changed(fs_type=2))
    (fonts / "b.ttf").write_bytes(b"no font at all")
    (fonts / "c.ttf").write_bytes(font_looks.installed_file(LATO, "files/Lato-Light.ttf"))

    shown = CliRunner().invoke(
        app, ["fonts", "look", str(fonts), "--fixtures", str(folder), "--out", str(out), "--add"]
    )

    assert shown.exit_code == 1
    assert "its licence bits forbid embedding" in shown.output and "b.ttf is no font" in shown.output
    assert [path.name for path in sorted((folder / "fonts").glob("*.ttf"))] == ["c.ttf"]


def test_what_is_no_font_and_no_place_is_said(tmp_path: Path) -> None:
    with pytest.raises(BadRequest, match=r"broken\.ttf is no font that can be read"):
        look(b"no font at all", None, "broken.ttf")
    for where, said in (
        (str(tmp_path), "no TTF or OTF file there"),
        ("no_such_package", "no folder, file or installed package"),
        ("service", "no TTF or OTF file there"),
    ):
        with pytest.raises(BadRequest, match=said):
            found_at(where)


def test_a_font_file_that_nothing_names_and_one_that_is_not_there_are_named() -> None:
    content = dict(read(default_folder()))
    entry = look(lato(), None, "House.ttf").entry(name="House")
    data = base64.b64encode(lato()).decode()
    good = {**content, **additions.with_font(content, entry, data)}

    assert looked_over(good)[1] == ()
    lost = {name: text for name, text in good.items() if name != "fonts/House.ttf"}
    assert [trouble.reason for trouble in looked_over(lost)[1]] == ["no file fonts/House.ttf"]
    unnamed = {**content, "fonts/House.ttf": data}
    assert [(t.file, t.reason) for t in looked_over(unnamed)[1]] == [
        ("fonts/House.ttf", "no entry of the list of fonts names this file")
    ]
    other = {**good, "fonts/House.ttf": base64.b64encode(lato() + b"\0").decode()}
    assert "not the pinned one" in looked_over(other)[1][0].reason
    with pytest.raises(BadRequest, match=r"another font file House\.ttf"):
        additions.with_font(other, {**entry, "font": "house-2"}, data)


def test_a_font_file_leaves_the_description_as_it_came(tmp_path: Path) -> None:
    entry = look(lato(), None, "House.ttf").entry(name="House")
    data = base64.b64encode(lato()).decode()
    before = dict(read(default_folder()))
    content = {**before, **additions.with_font(before, entry, data)}

    files.write(content, tmp_path)
    assert (tmp_path / "fonts" / "House.ttf").read_bytes() == lato()
    assert read(tmp_path) == content
    changes = difference(before, content)
    assert [change.thing for change in changes.changes] == ["font house", "font file House.ttf"]
    assert all(not one.lines for one in changes.files if one.file == "fonts/House.ttf")


def test_the_owner_looks_at_a_font_and_adds_it_once(counter: Counter) -> None:
    put_in_force(counter.tools.database, by=counter.tools.by(SWEEP))
    counter.client.post("/sign-in", data={"key": counter.keys["owner"], "name": "Dora"})
    assert "fontpkg_lato" in counter.client.get("/owner/fonts").text
    asked = {"package": "fontpkg_lato", "file": "files/Lato-Black.ttf"}
    shown = counter.client.get(f"/owner/fonts/look?{urlencode(asked)}")
    assert shown.status_code == 200 and "Lato Black" in shown.text and "allowed in any document" in shown.text
    for unknown in ({**asked, "file": "../../secret"}, {"package": "os", "file": "x"}, {"font": "none"}):
        assert counter.client.get(f"/owner/fonts/look?{urlencode(unknown)}").status_code == 404

    token = re.search(r'name="token" value="([^"]+)"', shown.text)
    assert token
    form = {**asked, "token": token[1], "name": "Heavy"}
    taps = [counter.client.post("/owner/fonts/look", data=form) for _ in range(2)]
    assert [tap.status_code for tap in taps] == [200, 200]
    assert all("Written into the draft" in tap.text for tap in taps)
    taken = counter.client.post("/owner/fonts/look", data={**form, "name": "Lato Bold"})
    assert taken.status_code == 422 and "already" in taken.text

    brought = counter.client.post(
        "/owner/fonts/file",
        data={"token": token[1]},
        files={"upload": ("Mine.TTF", changed(licence="All rights reserved."))},
    )
    assert brought.status_code == 422, "a font of the name that the shop has"
    entry = {**asked, "file": "files/Inter[opsz,wght].ttf", "package": "fontpkg_inter", "axis_wght": "2000"}
    assert counter.client.get(f"/owner/fonts/look?{urlencode(entry)}").status_code == 422
    with counter.tools.database.reading() as session:
        draft = drafts.find(session)
    assert draft is not None and draft.edited == ("fonts/fonts.toml",)
    assert draft.content["fonts/fonts.toml"].count('font = "heavy"') == 1 and not drafts.troubles(draft)


def test_a_font_file_comes_into_the_draft(counter: Counter) -> None:
    put_in_force(counter.tools.database, by=counter.tools.by(SWEEP))
    counter.client.post("/sign-in", data={"key": counter.keys["owner"], "name": "Dora"})
    token = re.search(r'name="token" value="([^"]+)"', counter.client.get("/owner/fonts").text)
    assert token
    vera = found_at(str(Path(reportlab.__file__).parent / "fonts" / "Vera.ttf"))[0][2]

    def bring(name: str, data: bytes) -> Response:
        return counter.client.post(
            "/owner/fonts/file", data={"token": token[1]}, files={"upload": (name, data)}
        )

    taps = [bring("Vera.ttf", vera) for _ in range(2)]
    assert [tap.status_code for tap in taps] == [200, 200] and "not known" in taps[0].text
    for name, data in (("x.woff", vera), ("x.ttf", b"none"), ("x.ttf", changed(fs_type=2))):
        assert bring(name, data).status_code == 422
    with counter.tools.database.reading() as session:
        draft = drafts.find(session)
    assert draft is not None and draft.edited == ("fonts/Vera.ttf", "fonts/fonts.toml")
    assert not drafts.troubles(draft)


def test_only_the_owner_sees_the_pages(counter: Counter) -> None:
    counter.client.post("/sign-in", data={"key": counter.keys["desk"], "name": "Dag"})

    for address in ("/owner/fonts", "/owner/fonts/look?font=lato-bold"):
        assert counter.client.get(address).status_code == 403
