"""Photos of products: read with the description, kept with its version, refused with a reason."""

from __future__ import annotations

import io
import re
import shutil
from pathlib import Path

import pytest
from PIL import Image

from service.shop.catalogue import CatalogueError, default_folder, load, parse, read

_ENTRY = """
[[product.photo]]
face = "mark_side"
file = "{file}"
points_px = [[10, 40], [{right}, 40]]
points_mm = [[-129, 2], [201, 6]]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(default_folder(), tmp_path / "shop", ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / "shop" / "photos").mkdir()
    return tmp_path / "shop"


def with_photo(folder: Path, *, file: str = "chef.jpg", right: int = 300) -> Path:
    products = folder / "products" / "products.toml"
    first, second, rest = products.read_text(encoding="utf-8").split("[[product]]", 2)
    entry = _ENTRY.format(file=file, right=right)
    products.write_text("[[product]]".join((first, second + entry + "\n", rest)), encoding="utf-8")
    return folder


def a_picture(kind: str = "JPEG") -> bytes:
    data = io.BytesIO()
    Image.new("RGB", (320, 80), "grey").save(data, kind)
    return data.getvalue()


def test_a_photo_is_part_of_the_shop_and_of_its_version(folder: Path) -> None:
    before = load(folder)
    (with_photo(folder) / "photos" / "chef.jpg").write_bytes(a_picture())

    content = read(folder)
    shop = parse(content)

    photo = shop.products["AQ-CHEF-20"].photos["mark_side"]
    assert (photo.kind, photo.size_px, photo.data) == ("jpeg", (320, 80), a_picture())
    assert photo.to_face([(10, 40), (300, 40)]) == [pytest.approx((-129, 2)), pytest.approx((201, 6))]
    assert parse(dict(content)).version == shop.version != before.version


@pytest.mark.parametrize(
    ("data", "right", "said"),
    [
        (None, 300, "product[0].photo[0].file: no file photos/chef.jpg"),
        (b"no picture at all", 300, "this is no JPEG or PNG picture"),
        (a_picture("GIF"), 300, "this is no JPEG or PNG picture"),
        (a_picture(), 321, "a point lies beside the picture of 320 x 80 pixels"),
        (a_picture(), 10, "the two points are one"),
    ],
    ids=["missing", "no picture", "another kind", "point beside", "one point"],
)
def test_a_photo_that_can_t_be_used_is_refused(
    folder: Path, data: bytes | None, right: int, said: str
) -> None:
    with_photo(folder, right=right)
    if data is not None:
        (folder / "photos" / "chef.jpg").write_bytes(data)

    with pytest.raises(CatalogueError) as refused:
        load(folder)

    troubles = [re.sub(r":\d+:", ":", str(trouble)) for trouble in refused.value.troubles]
    assert any(said in trouble for trouble in troubles), troubles
