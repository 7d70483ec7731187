"""The draft of the shop's next description: two owners, edits, what is wrong with it, put in force once."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from service.records.db import Database
from service.records.errors import BadRequest, NotFound, ShopRefused, StaleVersion
from service.records.states import Origin
from service.records.who import By, Role, Who
from service.shop import catalogue, drafts, versions
from service.shop import version_rows as rows
from service.shop.drafts import Draft
from tests.clocks import SetClock
from tests.made_up import put_in_force

ADA, BEN = (Who(role=Role.OWNER, client="house", name=name) for name in ("Ada", "Ben"))
POLICY = "policy/policy.toml"


@pytest.fixture
def content() -> dict[str, str]:
    return catalogue.read(catalogue.default_folder())


@pytest.fixture
def shop(database: Database, clock: SetClock) -> Database:
    """A database in which the made-up shop is number 1."""
    put_in_force(database, by=By(ADA, clock()))
    return database


def begun(shop: Database, clock: SetClock) -> Draft:
    return shop.write(lambda session: drafts.opened(session, by=By(ADA, clock())))


def written(shop: Database, clock: SetClock, draft: Draft, name: str, text: str, who: Who = ADA) -> Draft:
    return shop.write(
        lambda session: drafts.write_file(
            session, draft, name, text, if_version=draft.version, by=By(who, clock())
        )
    )


def longer(text: str) -> str:
    """The same with a comment, which is no part of the version."""
    return f"{text}\n# looked at\n"


def test_a_draft_holds_what_is_in_force_and_what_was_written(
    shop: Database, clock: SetClock, content: dict[str, str]
) -> None:
    draft = begun(shop, clock)
    draft = written(shop, clock, draft, POLICY, longer(content[POLICY]))

    assert draft.edited == (POLICY,)
    assert draft.content == content | {POLICY: longer(content[POLICY])}
    assert drafts.troubles(draft) == ()


def test_of_two_owners_who_write_the_second_is_told_and_nothing_is_lost(
    shop: Database, clock: SetClock, content: dict[str, str]
) -> None:
    seen_by_both = begun(shop, clock)
    written(shop, clock, seen_by_both, POLICY, longer(content[POLICY]))

    with pytest.raises(StaleVersion, match="Ada has changed the draft"):
        written(shop, clock, seen_by_both, POLICY, "", BEN)

    with shop.reading() as session:
        kept = drafts.find(session)
    assert kept is not None
    assert kept.content[POLICY] == longer(content[POLICY])


@pytest.mark.parametrize(
    "name", ["../secrets.toml", "blades/../x.toml", "blades/.hidden.toml", "fonts/x.woff2", "x"]
)
def test_a_file_that_is_none_of_a_description_is_not_written(
    shop: Database, clock: SetClock, name: str
) -> None:
    draft = begun(shop, clock)

    with pytest.raises(BadRequest, match="no name of a file"):
        written(shop, clock, draft, name, "")


def test_troubles_of_a_draft_name_file_and_line(
    shop: Database, clock: SetClock, content: dict[str, str]
) -> None:
    name = "products/products.toml"
    wrong = content[name].replace('blade = "', 'blade = "no-', 1)
    draft = written(shop, clock, begun(shop, clock), name, wrong)

    found = drafts.troubles(draft)

    assert [(trouble.file, trouble.line is not None) for trouble in found] == [(name, True)]


def put(shop: Database, clock: SetClock, draft: Draft, who: Who = ADA) -> int:
    new = versions.judged(draft.content)
    return shop.write(
        lambda session: drafts.put_in_force(
            session, new, if_version=draft.version, by=By(who, clock()), why="larger"
        )
    ).number


def test_a_draft_is_put_in_force_once_however_often_the_button_is_pressed(
    shop: Database, clock: SetClock, content: dict[str, str]
) -> None:
    draft = written(shop, clock, begun(shop, clock), POLICY, longer(content[POLICY]))

    assert (put(shop, clock, draft), put(shop, clock, draft)) == (2, 2)

    with shop.reading() as session:
        assert drafts.find(session) is None
        assert versions.content_at(session, 2) == draft.content
        assert versions.content_at(session, 1) == content


def test_a_draft_that_is_wrong_is_not_put_in_force(
    shop: Database, clock: SetClock, content: dict[str, str]
) -> None:
    draft = written(shop, clock, begun(shop, clock), POLICY, "edge_margin_mm = -1")

    with pytest.raises(ShopRefused) as refused:
        put(shop, clock, draft)

    assert refused.value.about["troubles"]
    with shop.reading() as session:
        assert rows.newest_number(session) == 1
        assert drafts.find(session) is not None


def _publish(session: Session, content: dict[str, str], clock: SetClock, came_from: int) -> int:
    return versions.put_in_force(
        session,
        versions.judged(content),
        came_from=came_from,
        by=By(BEN, clock()),
        why="",
        origin=Origin.FOLDER,
    ).number


def test_what_was_put_in_force_meanwhile_is_kept_beside_the_draft_s_edits(
    shop: Database, clock: SetClock, content: dict[str, str]
) -> None:
    draft = written(shop, clock, begun(shop, clock), POLICY, longer(content[POLICY]))
    other = "products/products.toml"
    shop.write(lambda session: _publish(session, content | {other: longer(content[other])}, clock, 1))

    with pytest.raises(StaleVersion, match="number 2 is in force"):
        put(shop, clock, draft)
    both = shop.write(
        lambda session: drafts.brought_up_to_date(session, if_version=draft.version, by=By(ADA, clock()))
    )

    assert both.edited == (POLICY,)
    assert put(shop, clock, both) == 3
    with shop.reading() as session:
        now = versions.content_at(session, 3)
    assert now == content | {name: longer(content[name]) for name in (POLICY, other)}


def test_of_one_file_changed_twice_a_person_must_choose(
    shop: Database, clock: SetClock, content: dict[str, str]
) -> None:
    draft = written(shop, clock, begun(shop, clock), POLICY, longer(content[POLICY]))
    shop.write(lambda session: _publish(session, content | {POLICY: f"# x\n{content[POLICY]}"}, clock, 1))

    with pytest.raises(StaleVersion, match=POLICY):
        shop.write(
            lambda session: drafts.brought_up_to_date(session, if_version=draft.version, by=By(ADA, clock()))
        )


def test_an_earlier_description_comes_back_as_a_change_like_any_other(
    shop: Database, clock: SetClock, content: dict[str, str]
) -> None:
    changed = content | {POLICY: longer(content[POLICY])}
    shop.write(lambda session: _publish(session, changed, clock, 1))

    back = shop.write(lambda session: drafts.opened_back(session, 1, by=By(ADA, clock())))

    assert back.edited == (POLICY,)
    assert put(shop, clock, back) == 3
    with shop.reading() as session:
        row = rows.in_force(session)
        assert row is not None
        assert (row.origin, row.back_to, versions.content_at(session, 3)) == ("back", 1, content)


def test_a_draft_that_was_dropped_is_not_written(shop: Database, clock: SetClock) -> None:
    draft = begun(shop, clock)
    for _ in range(2):
        shop.write(lambda session: drafts.drop(session, if_version=draft.version, by=By(ADA, clock())))

    with pytest.raises(NotFound):
        written(shop, clock, draft, POLICY, "")


def test_other_processes_take_up_what_is_put_in_force(
    shop: Database, clock: SetClock, content: dict[str, str], tmp_path: Path
) -> None:
    with shop.reading() as session:
        elsewhere = versions.Shelf.of(versions.opened(session, tmp_path))
    told: list[int] = []
    elsewhere.tell(lambda described: told.append(described.number))
    request = elsewhere.pinned()
    policy = content[POLICY].replace("edge_margin_mm", "edge_margin_mm", 1)
    shop.write(lambda session: _publish(session, content | {POLICY: longer(policy)}, clock, 1))

    with shop.reading() as session:
        assert elsewhere.follow(session, tmp_path)
        assert not elsewhere.follow(session, tmp_path)

    assert told == [2]
    assert (request.described.number, elsewhere.described.number) == (1, 2)
    assert catalogue.read(elsewhere.described.source)[POLICY] == longer(policy)


def test_what_can_t_be_used_here_is_left_alone(
    shop: Database, clock: SetClock, content: dict[str, str], tmp_path: Path
) -> None:
    with shop.reading() as session:
        shelf = versions.Shelf.of(versions.opened(session, tmp_path))
    wrong = dict(content) | {POLICY: "edge_margin_mm = -1"}
    unjudged = versions.Judged(wrong, catalogue.digest_of(wrong), catalogue.text_digest_of(wrong))
    shop.write(
        lambda session: versions.put_in_force(
            session, unjudged, came_from=1, by=By(ADA, clock()), why="", origin=Origin.POSTED
        )
    )

    with shop.reading() as session:
        assert not shelf.follow(session, tmp_path)

    assert shelf.described.number == 1
