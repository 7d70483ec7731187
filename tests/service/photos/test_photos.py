"""Photos of marks: made harmless, held against what was approved, seen by who may, erased with their
order."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from httpx import Response
from PIL import Image, ImageDraw
from shapely.geometry import box

from layout.shop.outline import frozen
from service.audit.look import look
from service.photos import photos
from service.photos.develop import develop
from service.privacy.erase import erase
from service.records.db import Database
from service.records.tables import MarkPhoto, Outbox
from service.records.who import SWEEP
from service.running import tasks
from service.running.tasks import Outcome
from tests.benches import OPERATOR, Bench, jobs_of
from tests.clocks import SetClock
from tests.models.mortal import Death, Killed, MortalDatabase
from tests.references.photos import photo_of

JPEG = "image/jpeg"

#: What is done with the picture itself; no database has a part in it.
of_the_picture = pytest.mark.parametrize("database", ["sqlite"], indirect=True)

#: Something like the letters F, i and L, 7 mm wide.
MARK = frozen(
    [
        box(12, 8, 12.5, 12).union(box(12, 11.5, 14, 12)).union(box(12, 9.8, 13.5, 10.3)),
        box(15, 8, 15.5, 10.6),
        box(15, 11.3, 15.5, 11.8),
        box(16.5, 8, 17, 12).union(box(16.5, 8, 19, 8.5)),
    ]
)


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    bench = Bench(database, clock, tmp_path)
    bench.order(outline=MARK)
    return bench


@pytest.fixture
def job(bench: Bench) -> str:
    """A unit at inspection."""
    return jobs_of(bench.burned())[0]


@pytest.fixture
def unlooked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Photos are made harmless as ever, and held against nothing: that takes a second of each."""
    monkeypatch.setattr(photos, "develop", lambda data, approved: develop(data, None))


def send(bench: Bench, job: str, data: bytes, *, role: str = "bench", **which: str) -> Response:
    headers = {"Authorization": f"Bearer {bench.keys[role]}", "Content-Type": JPEG}
    return bench.client.post(f"/v1/jobs/{job}/photos", content=data, headers=headers, params=which)


def a_photo(*, seed: int, burned: Sequence[Any] = MARK.areas) -> bytes:
    """A photo of the mark, or of less of it."""
    return photo_of(burned, MARK.bounds_mm, seed=seed).jpeg


def again(bench: Bench, load: dict[str, Any], job: str) -> None:
    """The mark is burned a second time in the same seating."""
    load = bench.do(load, "again", {"turn": 1, "jobs": [job], "reason": "faint mark"})
    bench.do(bench.started(bench.seated(load)), "finish", {"turn": 1})


def a_picture(size: tuple[int, int] = (320, 240), **saved: Any) -> bytes:
    file = io.BytesIO()
    Image.effect_noise(size, 40).convert("RGB").save(file, **{"format": "JPEG", **saved})
    return file.getvalue()


def file_of(bench: Bench, answer: Response) -> bytes:
    return bench.client.get(
        answer.json()["picture"], headers={"Authorization": f"Bearer {bench.keys['desk']}"}
    ).content


@of_the_picture
def test_a_photo_of_a_good_mark_finds_nothing_to_look_at(bench: Bench, job: str) -> None:
    answer = send(bench, job, a_photo(seed=11))

    assert answer.status_code == 201, answer.text
    told = answer.json()
    assert (told["job"], told["face"], told["attempt"], told["taken_by"]) == (job, "mark_side", 1, "bench-1")
    assert (told["impression"], told["suspects"]) == ("looks_right", [])
    assert bench.job(job).state == "engraved"  # it neither passes nor scraps


@of_the_picture
def test_bare_metal_does_not_look_like_the_mark_and_nothing_is_scrapped(bench: Bench, job: str) -> None:
    answer = send(bench, job, a_photo(seed=12, burned=()))

    assert answer.json()["impression"] in {"not_this_mark", "look_here"}
    assert bench.job(job).state == "engraved"


@of_the_picture
@pytest.mark.usefixtures("unlooked")
def test_what_is_kept_is_nothing_but_pixels(bench: Bench, job: str) -> None:
    exif = Image.Exif()
    exif[0x010F] = "Invented Maker"  # Make, TIFF 6.0
    exif.get_ifd(0x8825)[2] = (53.0, 33.0, 1.0)  # GPSLatitude, EXIF 2.32, 4.6.6
    sent = a_picture(
        exif=exif, comment=b"taken by Ada", xmp=b"<x:xmpmeta>Ada</x:xmpmeta>", icc_profile=b"Ada's"
    )

    kept = file_of(bench, send(bench, job, sent))

    assert b"Ada" in sent and b"Invented" in sent
    assert b"Ada" not in kept and b"Invented" not in kept
    with Image.open(io.BytesIO(kept)) as picture:
        assert (picture.format, dict(picture.getexif())) == ("JPEG", {})
        assert set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


@of_the_picture
@pytest.mark.usefixtures("unlooked")
def test_a_photo_is_turned_upright_before_that_is_forgotten(bench: Bench, job: str) -> None:
    # EXIF 2.32, 4.6.4 A: orientation 6 means that the first row is the right-hand side.
    flat = Image.new("RGB", (320, 200), "white")
    ImageDraw.Draw(flat).rectangle((0, 0, 40, 199), fill="black")
    file, exif = io.BytesIO(), Image.Exif()
    exif[0x0112] = 6
    flat.save(file, "JPEG", exif=exif)

    kept = np.asarray(Image.open(io.BytesIO(file_of(bench, send(bench, job, file.getvalue())))).convert("L"))

    assert kept.shape[0] > kept.shape[1]
    assert kept[:30].mean() < 40
    assert kept[60:].mean() > 200


@of_the_picture
def test_a_photo_is_cut_to_the_face(bench: Bench, job: str) -> None:
    sent = a_photo(seed=13)
    told = send(bench, job, sent).json()

    with Image.open(io.BytesIO(sent)) as picture:
        assert told["width"] <= picture.width and told["height"] <= picture.height
    with bench.database.reading() as session:
        outline = photos.outline_of(session, photos.find(session, told["id"]))
    x0, y0, x1, y1 = outline.bounds_mm
    corners = np.array([[x0, y0, 1], [x1, y1, 1]]) @ np.array(told["to_photo"]).reshape(3, 3).T
    corners = corners[:, :2] / corners[:, 2:]
    assert (corners > 0).all() and (corners < [told["width"], told["height"]]).all()


@of_the_picture
@pytest.mark.usefixtures("unlooked")
def test_what_is_no_picture_is_refused(bench: Bench, job: str) -> None:
    for data in (
        b"",
        b"no picture at all",
        a_picture()[:2000],
        a_picture(format="GIF"),
        a_picture(format="TIFF"),
        b"\x89PNG\r\n\x1a\n" + bytes(64),
    ):
        answer = send(bench, job, data)

        assert (answer.status_code, answer.json()["code"]) == (422, "bad_request"), data[:20]
        assert bench.rows(MarkPhoto) == []


@of_the_picture
@pytest.mark.usefixtures("unlooked")
def test_a_small_file_that_unpacks_to_a_huge_picture_is_refused(bench: Bench, job: str) -> None:
    file = io.BytesIO()
    Image.new("1", (9000, 9000)).save(file, "PNG")

    answer = send(bench, job, file.getvalue())

    assert len(file.getvalue()) < 50_000
    assert (answer.status_code, answer.json()["code"]) == (422, "bad_request")
    assert "50 million pixels" in answer.json()["detail"]


@of_the_picture
@pytest.mark.usefixtures("unlooked")
def test_a_file_that_is_too_large_is_not_read(bench: Bench, job: str) -> None:
    answer = send(bench, job, bytes(photos.LARGEST_PHOTO + 1))

    assert (answer.status_code, answer.json()["code"]) == (413, "body_too_large")


@pytest.mark.usefixtures("unlooked")
def test_sent_twice_at_once_it_is_one_photo(bench: Bench, job: str) -> None:
    data = a_picture()
    with ThreadPoolExecutor(2) as hands:
        answers = list(hands.map(lambda _: send(bench, job, data), range(2)))

    assert {answer.json()["id"] for answer in answers} == {"PH1"}
    assert len(bench.rows(MarkPhoto)) == 1


@pytest.mark.usefixtures("unlooked")
def test_a_unit_that_was_never_burned_has_no_mark_to_take_a_photo_of(bench: Bench) -> None:
    (waiting,) = bench.order()

    answer = send(bench, waiting, a_picture())

    assert (answer.status_code, answer.json()["code"]) == (409, "move_not_allowed")


@pytest.mark.usefixtures("unlooked")
def test_a_mark_that_the_unit_does_not_have_is_refused(bench: Bench, job: str) -> None:
    assert send(bench, job, a_picture(), face="spine").status_code == 422
    assert send(bench, job, a_picture(), zone="nowhere").status_code == 422
    assert send(bench, "J999", a_picture()).status_code == 404


@pytest.mark.usefixtures("unlooked")
def test_a_mark_burned_again_has_photos_of_each_attempt(bench: Bench) -> None:
    load = bench.burned()
    job = jobs_of(load)[0]
    first = send(bench, job, a_picture()).json()
    again(bench, load, job)

    second = send(bench, job, a_picture()).json()

    assert (first["attempt"], second["attempt"]) == (1, 2)


@pytest.mark.usefixtures("unlooked")
def test_only_the_house_sees_photos_and_only_the_desk_shares_them(bench: Bench, job: str) -> None:
    told = send(bench, job, a_picture()).json()

    def status(method: str, path: str, role: str, body: Any = None) -> int:
        return bench.ask(method, path, body, role=role).status_code

    for path in (f"/v1/jobs/{job}/photos", f"/v1/photos/{told['id']}", told["picture"], "/v1/photos/PH1.svg"):
        assert [status("GET", path, role) for role in ("bench", "desk", "owner")] == [200] * 3
        assert [status("GET", path, role) for role in ("store", "storefront")] == [403] * 2
    share = f"/v1/photos/{told['id']}/share"
    assert [status("POST", share, role, {"shared": True}) for role in ("bench", "store", "desk")] == [
        403,
        403,
        200,
    ]
    assert send(bench, job, a_picture(), role="store").status_code == 403


@pytest.mark.usefixtures("unlooked")
def test_shared_and_no_longer_is_signed_and_stands_in_the_order_s_history(bench: Bench, job: str) -> None:
    told = send(bench, job, a_picture()).json()
    path = f"/v1/photos/{told['id']}/share"

    shared = bench.ask("POST", path, {"shared": True}, role="desk").json()
    again = bench.ask("POST", path, {"shared": True}, role="desk").json()
    ended = bench.ask("POST", path, {"shared": False}, role="desk").json()

    assert shared == again and shared["shared_by"] == "desk-1"
    assert "shared_at" not in ended
    order = bench.ask("GET", f"/v1/orders/O{bench.job(job).order_id}", role="desk").json()
    assert [move["to"] for move in order["history"]][-2:] == ["photo_shared", "photo_not_shared"]


@pytest.mark.usefixtures("unlooked")
def test_a_photo_that_is_deleted_is_gone_from_the_disk(bench: Bench, job: str) -> None:
    told = send(bench, job, a_picture()).json()
    folder = bench.tools.settings.data / "photos" / job

    assert [hashlib.sha256(file.read_bytes()).hexdigest() for file in folder.iterdir()] == [told["sha256"]]
    assert bench.ask("DELETE", f"/v1/photos/{told['id']}").status_code == 204
    assert list(folder.iterdir()) == []
    assert bench.ask("DELETE", f"/v1/photos/{told['id']}").status_code == 404


@pytest.mark.usefixtures("unlooked")
@pytest.mark.parametrize("committed", [False, True])
def test_killed_while_a_photo_is_deleted_no_row_is_without_its_picture(
    bench: Bench, job: str, *, committed: bool
) -> None:
    """Killed before the row is gone it is as it was; after that the picture is taken away by the task."""
    told = send(bench, job, a_picture()).json()
    folder = bench.tools.settings.data / "photos" / job
    process = MortalDatabase(bench.database.engine)
    process.die(Death(0, committed=committed))
    with pytest.raises(Killed):
        photos.take_away(replace(bench.tools, database=process), told["id"], who=OPERATOR)

    seen = bench.ask("GET", f"/v1/photos/{told['id']}.jpg").status_code
    left = len(list(folder.iterdir()))
    done = [tasks.run(bench.tools, row.id) for row in bench.rows(Outbox, Outbox.task == "drop_picture")]

    assert (seen, left) == ((404, 1) if committed else (200, 1))
    assert done == ([Outcome.DONE] if committed else [])
    assert len(list(folder.iterdir())) == (0 if committed else 1)


@pytest.mark.usefixtures("unlooked")
def test_a_picture_that_was_lost_comes_back_with_the_same_file(bench: Bench, job: str) -> None:
    sent = a_picture()
    told = send(bench, job, sent).json()
    (file,) = (bench.tools.settings.data / "photos" / job).iterdir()
    file.unlink()
    lost = bench.ask("GET", f"/v1/photos/{told['id']}.jpg").status_code

    again = send(bench, job, sent).json()

    assert (lost, again) == (404, told)
    assert hashlib.sha256(file.read_bytes()).hexdigest() == told["sha256"]
    assert len(bench.rows(MarkPhoto)) == 1


@pytest.mark.usefixtures("unlooked")
def test_a_file_sent_again_before_its_picture_was_taken_away_keeps_it(bench: Bench, job: str) -> None:
    sent = a_picture()
    first = send(bench, job, sent).json()
    bench.ask("DELETE", f"/v1/photos/{first['id']}")
    second = send(bench, job, sent).json()

    for row in bench.rows(Outbox, Outbox.task == "drop_picture"):
        tasks.run(bench.tools, row.id)

    assert bench.ask("GET", f"/v1/photos/{second['id']}.jpg").status_code == 200


@pytest.mark.usefixtures("unlooked")
def test_of_two_photos_made_of_one_file_the_other_keeps_its_picture(bench: Bench) -> None:
    load = bench.burned()
    job, sent = jobs_of(load)[0], a_picture()
    first = send(bench, job, sent).json()
    again(bench, load, job)
    second = send(bench, job, sent).json()
    folder = bench.tools.settings.data / "photos" / job

    bench.ask("DELETE", f"/v1/photos/{first['id']}")

    kept = bench.ask("GET", f"/v1/photos/{second['id']}.jpg")
    assert (kept.status_code, hashlib.sha256(kept.content).hexdigest()) == (200, second["sha256"])
    bench.ask("DELETE", f"/v1/photos/{second['id']}")
    assert list(folder.iterdir()) == []


@pytest.mark.usefixtures("unlooked")
def test_a_unit_has_only_so_many_photos(bench: Bench, job: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photos, "MOST_PHOTOS", 1)
    send(bench, job, a_picture((64, 64)))

    answer = send(bench, job, a_picture((64, 65)))

    assert (answer.status_code, answer.json()["code"]) == (409, "move_not_allowed")


def test_erased_with_its_order(bench: Bench) -> None:
    load = bench.passed(bench.burned())
    job = jobs_of(load)[0]
    told = send(bench, job, a_photo(seed=14)).json()
    bench.do(load, "release")
    order = f"O{bench.job(job).order_id}"
    exported = bench.ask("GET", f"/v1/orders/{order}/export", role="desk").json()

    erase(bench.tools, order, by=bench.tools.by(SWEEP))

    assert exported["photos"] == [told["picture"]]
    assert exported["rows"]["mark_photo"][0]["sha256"] == told["sha256"]
    assert not (bench.tools.settings.data / "photos" / job).exists()
    assert bench.ask("GET", told["picture"]).status_code == 404
    left = bench.ask("GET", f"/v1/photos/{told['id']}").json()
    assert (left["impression"], left["sha256"]) == ("not_compared", told["sha256"])
    assert send(bench, job, a_picture()).status_code == 404


def test_where_nobody_has_time_to_compare_it_is_kept_all_the_same(
    bench: Bench, job: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    from service.records.errors import CheckTooSlow

    work = bench.tools.geometry.work

    def busy(function: Any, data: bytes, approved: Any, **more: Any) -> Any:
        if approved is not None:
            raise CheckTooSlow("too slow")
        return work(function, data, approved)

    monkeypatch.setattr(bench.tools.geometry, "work", busy)

    assert send(bench, job, a_picture()).json()["impression"] == "not_compared"


@of_the_picture
def test_the_overlay_holds_picture_outline_and_rings(bench: Bench, job: str) -> None:
    told = send(bench, job, a_photo(seed=15, burned=MARK.areas[:-1])).json()

    svg = bench.ask("GET", f"/v1/photos/{told['id']}.svg").text

    assert svg.count("<image") == 1 and "data:image/jpeg;base64," in svg
    assert svg.count("<use") == 2 and svg.count("<text") == len(told["suspects"]) > 0


@pytest.mark.usefixtures("unlooked")
def test_the_audit_finds_pictures_that_are_lost_or_left_over(bench: Bench, job: str) -> None:
    told = send(bench, job, a_picture()).json()
    folder = bench.tools.settings.data / "photos"

    def damage() -> list[str]:
        report = look(bench.database.engine, None, photos=folder)
        return [found.says for found in report.damage if found.code.startswith("photo")]

    sound = damage()
    (folder / job / f"{told['sha256']}.jpg").rename(folder / job / "other.jpg")

    assert sound == []
    assert damage() == [
        "photo PH1 is lost, or not as it was",
        f"{job}/other.jpg belongs to no photo on record",
    ]
    with bench.database.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE mark_photo SET attempt = 9")
    assert f"photo PH1: unit {job} has no such mark, or it was never burned so" in damage()
