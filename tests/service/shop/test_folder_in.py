"""The folder and what is in force at a start: which one counts, and when a person must choose."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from layout.shop.shop import Shop
from service.cli.main import run
from service.records.db import Database
from service.records.tables import CatalogueInForce
from service.running.assembly import assemble
from service.shop import catalogue, versions
from service.shop.catalogue import CatalogueError, loader
from service.shop.folder_in import FolderBehind
from service.shop.settings import Settings
from service.shop.tools import Tools


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The made-up shop's description, to be changed."""
    made = tmp_path / "shop"
    shutil.copytree(catalogue.default_folder(), made, ignore=shutil.ignore_patterns("__pycache__"))
    return made


def started(tmp_path: Path, folder: Path | None, *, in_worker: bool = False) -> Tools:
    tools = assemble(Settings(data=tmp_path / "data", fixtures=folder, check_workers=0), in_worker=in_worker)
    tools.database.engine.dispose()
    return tools


def number(tools: Tools) -> int:
    return tools.catalogue.described.number


def edit(folder: Path, name: str = "Quay") -> None:
    policy = folder / "policy" / "policy.toml"
    policy.write_text(re.sub(r'shop_name = ".*"', f'shop_name = "{name}"', policy.read_text()))


def in_force(database: Database) -> list[tuple[int, str, str]]:
    with database.reading() as session:
        rows = session.query(CatalogueInForce).order_by(CatalogueInForce.number)
        return [(row.number, row.origin, row.by) for row in rows]


def commanded(tmp_path: Path, *words: str) -> int:
    return run(["catalogue", *words, "--data", str(tmp_path / "data")])


def test_the_first_start_puts_the_folder_in_force_and_the_next_does_nothing(
    tmp_path: Path, folder: Path
) -> None:
    assert [number(started(tmp_path, folder)) for _ in range(2)] == [1, 1]
    assert in_force(started(tmp_path, folder).database) == [(1, "folder", "owner:sweep")]


def test_what_is_in_force_is_judged_once_by_each_version_of_the_program(
    tmp_path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    judged: list[str] = []

    def troubles_of(shop: Shop, where: object) -> list[catalogue.Trouble]:
        judged.append(shop.policy.shop_name)
        return [] if len(judged) < 3 else [catalogue.Trouble("policy/policy.toml", "", "not any more")]

    monkeypatch.setattr(loader, "troubles_of", troubles_of)
    for _ in range(2):
        started(tmp_path, folder)
    assert len(judged) == 1

    edit(folder)
    for fixtures in (folder, None):
        started(tmp_path, fixtures)
    assert judged[1:] == ["Quay"]

    monkeypatch.setattr(versions.metadata, "version", lambda _: "a newer one")
    with pytest.raises(CatalogueError, match="not any more"):
        started(tmp_path, None)


def test_a_changed_folder_is_put_in_force_where_nothing_else_was(tmp_path: Path, folder: Path) -> None:
    started(tmp_path, folder)
    edit(folder)

    tools = started(tmp_path, folder)

    assert number(tools) == 2
    assert tools.catalogue.current.policy.shop_name == "Quay"


def test_processes_without_the_folder_begin_with_the_row(tmp_path: Path, folder: Path) -> None:
    edit(folder)
    started(tmp_path, folder)
    edited = folder.with_name("elsewhere")
    folder.rename(edited)

    for tools in (started(tmp_path, None), started(tmp_path, folder, in_worker=True)):
        assert (number(tools), tools.catalogue.current.policy.shop_name) == (1, "Quay")


def test_where_both_were_changed_the_start_is_refused_with_both_ways_out(
    tmp_path: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    started(tmp_path, folder)
    edit(folder, "Elsewhere")
    commanded(tmp_path, "publish", "--fixtures", str(folder))
    commanded(tmp_path, "back", "1", "--why", "a mistake")
    edit(folder)

    with pytest.raises(FolderBehind, match="and so was the shop's description in force"):
        started(tmp_path, folder)

    capsys.readouterr()
    served = run(["serve", "--fixtures", str(folder), "--data", str(tmp_path / "data"), "--port", "0"])
    said = capsys.readouterr().err
    assert (served, len(said.splitlines())) == (1, 1)
    assert f"catalogue publish --fixtures {folder}" in said
    assert f"catalogue export {folder} --replace" in said


@pytest.mark.parametrize("way", ["publish", "export"])
def test_both_ways_out_lead_to_a_start(tmp_path: Path, folder: Path, way: str) -> None:
    started(tmp_path, folder)
    edit(folder, "Elsewhere")
    commanded(tmp_path, "publish", "--fixtures", str(folder))
    commanded(tmp_path, "back", "1")
    (folder / "policy" / "policy.toml").write_text("# mine\nreview_height_mm = 3.0\n")
    with pytest.raises(FolderBehind):
        started(tmp_path, folder)

    said = (
        ("publish", "--fixtures", str(folder)) if way == "publish" else ("export", str(folder), "--replace")
    )
    assert commanded(tmp_path, *said) == 0

    tools = started(tmp_path, folder)
    assert number(tools) == (4 if way == "publish" else 3)
    assert tools.catalogue.current.policy.review_height_mm == (3.0 if way == "publish" else 2.0)


def test_a_folder_left_behind_on_another_machine_brings_nothing_back(tmp_path: Path, folder: Path) -> None:
    old = folder.with_name("old")
    shutil.copytree(folder, old)
    started(tmp_path, folder)
    edit(folder)
    started(tmp_path, folder)

    assert number(started(tmp_path, old)) == 2


def test_a_folder_that_is_wrong_changes_nothing(tmp_path: Path, folder: Path) -> None:
    started(tmp_path, folder)
    (folder / "policy" / "policy.toml").write_text("review_height_mm = -1")

    with pytest.raises(CatalogueError):
        started(tmp_path, folder)

    assert number(started(tmp_path, None)) == 1


# --- the commands ---


def test_a_description_goes_out_and_comes_back_in_byte_for_byte(
    tmp_path: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "photos").mkdir()
    started(tmp_path, folder)
    out = tmp_path / "out"

    assert commanded(tmp_path, "export", str(out)) == 0
    assert commanded(tmp_path, "export", str(out)) == 1  # it is not empty any more
    assert catalogue.read(out) == catalogue.read(folder)
    (out / "policy" / "stray.toml").write_text("")
    (out / "notes.txt").write_text("mine")
    assert commanded(tmp_path, "export", str(out), "--replace") == 0
    assert not (out / "policy" / "stray.toml").exists()
    assert (out / "notes.txt").exists()
    assert commanded(tmp_path, "publish", "--fixtures", str(out)) == 0
    assert "nothing is different" in capsys.readouterr().out


def test_publishing_is_listed_and_refused_where_another_was_faster(
    tmp_path: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    started(tmp_path, folder)
    edit(folder)
    assert commanded(tmp_path, "publish", "--fixtures", str(folder), "--why", "new name") == 0
    edit(folder, "Third")
    (folder / "policy" / "policy.toml").write_text("# another\nreview_height_mm = 2.5\n")

    refused = commanded(tmp_path, "publish", "--fixtures", str(folder), "--made-from", "1")
    capsys.readouterr()
    commanded(tmp_path, "versions")

    assert refused == 1
    first, second = capsys.readouterr().out.splitlines()
    assert first.split()[0] == "2"
    assert first.endswith("new name")
    assert second.split()[0] == "1"


def test_what_publishing_would_do_is_said_and_not_done(
    tmp_path: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    started(tmp_path, folder)
    edit(folder)
    capsys.readouterr()

    assert commanded(tmp_path, "publish", "--fixtures", str(folder), "--dry-run") == 0

    said = capsys.readouterr().out
    assert "policy: shop_name: Alder & Quay -> Quay" in said
    assert "0 of 0 lines with waiting units looked at" in said
    assert number(started(tmp_path, None)) == 1


def test_wrong_files_are_all_named_and_nothing_is_put_in_force(
    tmp_path: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    started(tmp_path, folder)
    (folder / "policy" / "policy.toml").write_text("review_height_mm = -1\nno_such_key = 2\n")

    assert commanded(tmp_path, "publish", "--fixtures", str(folder)) == 1

    said = capsys.readouterr().err
    assert "policy/policy.toml:1" in said
    assert "policy/policy.toml:2" in said
    assert number(started(tmp_path, None)) == 1


def test_what_can_t_be_used_any_more_is_mended_by_a_folder(
    tmp_path: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An older program may have put in force what this one refuses."""
    tools = started(tmp_path, folder)
    content = catalogue.read(folder) | {"policy/policy.toml": "review_height_mm = -1"}

    def put(session: object) -> None:
        new = versions.Judged(content, catalogue.digest_of(content), catalogue.text_digest_of(content))
        versions.put_in_force(
            session,  # type: ignore[arg-type]
            new,
            came_from=1,
            by=tools.by(_ada()),
            why="",
            origin=versions.Origin.POSTED,
        )

    tools.database.write(put)
    with pytest.raises(CatalogueError):
        started(tmp_path, None)

    assert commanded(tmp_path, "publish", "--fixtures", str(folder)) == 0
    assert number(started(tmp_path, None)) == 3


def _ada():  # type: ignore[no-untyped-def]
    from service.records.who import Role, Who

    return Who(role=Role.OWNER, client="house", name="Ada")
