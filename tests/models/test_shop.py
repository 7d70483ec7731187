"""Orders, stock, loads, leases, packing, supplies, checks, photos, callbacks and keys against a simple model,
on both databases; and that the model finds faults that are planted into the service."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from service.callbacks import deliveries
from service.callbacks.guarded_post import Answer
from service.intake import orders, taking
from service.loads import contents, leases, load_rows
from service.packing import acts as packing_acts
from service.packing import hand_over, packing_rows, scans
from service.packing.pick_ups import PickUps
from service.photos import photo_rows
from service.privacy import erase_rows
from service.records.db import Database
from service.requests import idempotency, idempotency_rows
from service.routines import due
from service.stock import stock_rows
from service.supplies import supplies
from tests.models.shop_machine import run
from tests.models.written_days import DAYS

Plant = Callable[[pytest.MonkeyPatch], None]


@pytest.mark.parametrize(
    ("examples", "audited_every"),
    [(4, 15), pytest.param(400, 5, marks=[pytest.mark.long, pytest.mark.timeout(3600)])],
)
def test_whatever_happens_nothing_is_lost_or_done_twice(
    sqlite_database: Database,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    examples: int,
    audited_every: int,
) -> None:
    run(sqlite_database, tmp_path, monkeypatch, examples=examples, audited_every=audited_every)


@pytest.mark.postgres
@pytest.mark.parametrize(
    ("examples", "audited_every"),
    [(2, 15), pytest.param(150, 5, marks=[pytest.mark.long, pytest.mark.timeout(3600)])],
)
def test_the_same_holds_on_postgresql(
    postgres_database: Database,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    examples: int,
    audited_every: int,
) -> None:
    run(postgres_database, tmp_path, monkeypatch, examples=examples, audited_every=audited_every)


@pytest.mark.parametrize("day", DAYS)
def test_a_day_that_is_written_down_goes_as_the_model_has_it(
    sqlite_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, day: str
) -> None:
    DAYS[day](sqlite_database, tmp_path, monkeypatch)


# --- planted faults ---


def _fence_ignored(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(leases, "held", lambda session, load_id, _etag, *, now: load_rows.lock(session, load_id))


def _key_not_looked_at(patch: pytest.MonkeyPatch) -> None:
    def insert(session: Any, **values: Any) -> bool:
        row = idempotency_rows.find(session, **{name: values[name] for name in ("client", "route", "key")})
        if row is not None:
            session.delete(row)
            session.flush()
        return really(session, **values)

    really = idempotency_rows.insert
    patch.setattr(idempotency_rows, "insert", insert)


def _body_not_compared(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(idempotency, "fingerprint_of", lambda body: "f")
    patch.setattr("service.intake.take_order.order_fingerprint", lambda body: "f")


def _claim_of_the_dead_never_lapses(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(idempotency_rows, "take_over", lambda *_, **__: False)


def _put_back_counted_twice(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(stock_rows, "end_put_back", lambda session, job_id: True)


def _failed_delivery_taken_for_delivered(patch: pytest.MonkeyPatch) -> None:
    really = deliveries._write_outcome
    patch.setattr(
        deliveries,
        "_write_outcome",
        lambda session, parcel, _, *, now: really(session, parcel, Answer(204), now=now),
    )


def _lost_answer_sent_under_another_id(patch: pytest.MonkeyPatch) -> None:
    really = deliveries.headers_of

    def headers_of(callback: Any, *, message_id: str, body: bytes, now: Any) -> dict[str, str]:
        return really(callback, message_id=f"{message_id}-{now.timestamp():.0f}", body=body, now=now)

    patch.setattr(deliveries, "headers_of", headers_of)


def _order_not_announced(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(taking, "announce", lambda *_, **__: None)


def _cancelled_unit_stays_in_its_load(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(orders.loads, "remove_job", lambda *_, **__: None)


def _started_load_lapses(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(contents, "is_unstarted", lambda load: load.state not in {"closed", "dropped"})


def _bin_not_guarded(patch: pytest.MonkeyPatch) -> None:
    """Every job gets a unit, whether there is one or not."""
    patch.setattr(stock_rows, "change", lambda *_, **__: True)


def _moves_without_history(patch: pytest.MonkeyPatch) -> None:
    patch.setattr("service.records.moves.write_history", lambda *_, **__: None)


def _files_of_an_older_revision(patch: pytest.MonkeyPatch) -> None:
    """A load whose contents have changed keeps its revision."""
    patch.setattr(contents, "raise_revision", lambda *_, **__: None)


def _order_stored_before_its_answer(patch: pytest.MonkeyPatch) -> None:
    """The order in one transaction, its answer in the next: killed in between, the key is asked again."""

    def answer_once(database: Any, clock: Any, *, work: Any, prepare: Any, at_once: Any, **scope: Any) -> Any:
        prepared = None if prepare is None else prepare()
        done = database.write(lambda session: work(session, prepared))
        return really(database, clock, prepare=None, work=lambda session, _: done, **scope)

    really = idempotency.answer_once
    patch.setattr("service.intake.take_order.answer_once", answer_once)


def _second_tap_counts(patch: pytest.MonkeyPatch) -> None:
    really = supplies.refill
    patch.setattr(
        supplies, "refill", lambda tools, supply, **named: really(tools, supply, **{**named, "seen": None})
    )


def _check_stops_nothing(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(due, "must_be_done", lambda *_, **__: None)


def _picture_of_another_photo_deleted(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(photo_rows, "has_picture", lambda session, job_id, sha256: False)


def _pictures_outlive_their_order(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(erase_rows, "jobs", lambda session, order: [])


def _handed_over_with_a_box_missing(patch: pytest.MonkeyPatch) -> None:
    """Where one box is here, the others are believed to be."""

    def end(session: Any, identity: str, *, by: Any) -> Any:
        units = scans.found(session, identity).units
        if any(job.gathered_at is not None for job in units):
            for job in units:
                job.gathered_at = job.gathered_at or by.at
            session.flush()
        return really(session, identity, by=by)

    really = packing_acts.end
    patch.setattr(packing_acts, "end", end)


def _second_hand_over_told_again(patch: pytest.MonkeyPatch) -> None:
    def end(session: Any, identity: str, *, by: Any) -> Any:
        order, is_new = really(session, identity, by=by)
        if not is_new:
            hand_over.tell_order(session, "order.handed_over", order, now=by.at)
        return order, is_new

    really = packing_acts.end
    patch.setattr(packing_acts, "end", end)


def _taken_back_after_the_carrier_was_here(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(PickUps, "may_be_taken_back", lambda *_, **__: True)


def _taken_back_though_made_again_elsewhere(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(packing_rows, "is_remade", lambda *_: False)


def _parcel_of_a_hand_over_taken_back_is_lost(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(supplies, "give_back", lambda *_, **__: None)


def _shelf_given_twice(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(packing_rows, "standing", lambda session: {})


#: Found by days drawn by chance.
BY_CHANCE: dict[str, Plant] = {
    plant.__name__.strip("_"): plant
    for plant in (
        _fence_ignored,
        _key_not_looked_at,
        _body_not_compared,
        _claim_of_the_dead_never_lapses,
        _failed_delivery_taken_for_delivered,
        _lost_answer_sent_under_another_id,
        _order_not_announced,
        _bin_not_guarded,
        _moves_without_history,
        _order_stored_before_its_answer,
        _second_tap_counts,
        _check_stops_nothing,
    )
}
#: Found by a day that is written down.
WRITTEN: dict[str, tuple[str, Plant]] = {
    plant.__name__.strip("_"): (day, plant)
    for day, plants in {
        "a_day_of_packing": (
            _handed_over_with_a_box_missing,
            _second_hand_over_told_again,
            _taken_back_after_the_carrier_was_here,
            _taken_back_though_made_again_elsewhere,
            _parcel_of_a_hand_over_taken_back_is_lost,
            _shelf_given_twice,
        ),
        "a_day_at_the_bench": (
            _cancelled_unit_stays_in_its_load,
            _put_back_counted_twice,
            _started_load_lapses,
            _files_of_an_older_revision,
        ),
        "a_day_of_photos": (_picture_of_another_photo_deleted, _pictures_outlive_their_order),
    }.items()
    for plant in plants
}
#: Rules that lead away from what is planted.
OF_PACKING = ("something_is_scanned_at_packing", "an_order_is_packed", "a_hand_over_is_taken_back")
_DAYS = 60


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_the_days_by_which_planted_faults_are_found_go_well_without_them(
    sqlite_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else any fault would be found."""
    run(sqlite_database, tmp_path, monkeypatch, examples=_DAYS, is_repeatable=True, without=OF_PACKING)


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("fault", BY_CHANCE)
def test_a_planted_fault_is_found(
    sqlite_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    BY_CHANCE[fault](monkeypatch)

    with pytest.raises(Exception) as found:
        run(sqlite_database, tmp_path, monkeypatch, examples=_DAYS, is_repeatable=True, without=OF_PACKING)

    assert "Flaky" not in type(found.value).__name__


@pytest.mark.long
@pytest.mark.parametrize("fault", WRITTEN)
def test_a_planted_fault_is_found_by_the_day_written_for_it(
    sqlite_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    day, plant = WRITTEN[fault]
    plant(monkeypatch)

    with pytest.raises(AssertionError):
        DAYS[day](sqlite_database, tmp_path, monkeypatch)
