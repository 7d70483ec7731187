"""Many claimers at once, each process with connections of its own: nothing twice, nothing lost.

The naive claim runs under the same storm as a control: were it to pass, the storm would prove nothing.
"""

from __future__ import annotations

import multiprocessing
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import timedelta
from multiprocessing.pool import Pool
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select, text, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from layout.loading.next_load import propose
from layout.loading.values import Proposal
from layout.shop.shop import Shop
from service.bench import acts as bench
from service.bench import claim as claims
from service.bench.acts import Held
from service.loads import waiting, waiting_rows
from service.loads.leases import etag_of
from service.plan import in_force as kept_plan
from service.records.db import Database, open_engine
from service.records.errors import AlreadyBurned, DatabaseBusy, MoveNotAllowed, Refusal
from service.records.tables import BurnStart, FrozenMark, Job, Load, LoadJob, LoadSlot, Order, OrderLine
from service.records.who import By
from tests.benches import (
    OPERATOR,
    SATIN,
    Bench,
    a_bench_shop,
    a_square,
    bench_tools,
    claim,
    eligible_places,
    put_stock,
    turning_plate,
)
from tests.clocks import MORNING, SetClock
from tests.servers import create_tables

CLAIMERS, PROCESSES, STATIONS, SLOTS = 20, 2, 10, 12
Claims = list[tuple[str, list[int]]]


def the_shop(stations: int = STATIONS) -> Shop:
    return a_bench_shop(turning_plate(slots=SLOTS, copies=3 * stations), stations=stations)


def put_backlog(database: Database, shop: Shop, *, jobs: int) -> None:
    """Ready jobs, four to an order, whose units are in hand."""

    def put(session: object) -> None:
        places = eligible_places(shop, "parer", ["mark_side"])
        square = a_square()
        put_stock(session, shop, boxed=0)  # type: ignore[arg-type]
        for number in range(jobs // 4):
            due = MORNING + timedelta(days=2 + number // 100)
            order = Order(client="store-1", order_ref=f"W-{number}", ship_by=due, created_at=MORNING)
            line = OrderLine(
                order=order,
                line_ref="1",
                sku="PARER",
                quantity=4,
                inscriptions=[],
                verdict="accept",
                findings=[],
                checked=[],
                eligible=places,
                burn_seconds=30.0,
                catalogue_version=shop.version,
            )
            session.add(line)  # type: ignore[attr-defined]
            session.flush()  # type: ignore[attr-defined]
            session.add(  # type: ignore[attr-defined]
                FrozenMark(
                    line_id=line.id,
                    position=0,
                    zone="flat",
                    face="mark_side",
                    material=SATIN.material,
                    finish=SATIN.finish,
                    outline=square.to_record(),
                    digest=square.digest,
                )
            )
            session.add_all(  # type: ignore[attr-defined]
                Job(
                    line_id=line.id,
                    order_id=order.id,
                    unit=unit,
                    sku="PARER",
                    blade="parer",
                    state="ready",
                    priority=0,
                    ship_by=due,
                    words_revision=1,
                    faces=["mark_side"],
                    faces_done=[],
                    unit_in_hand=True,
                    created_at=MORNING,
                )
                for unit in range(1, 5)
            )

    database.write(put)


def next_load(session: Session, shop: Shop, station: str, operator: str) -> tuple[Load, bool] | None:
    """A claim as the bench makes it."""
    return claims.next_load(
        session,
        shop=shop,
        station=station,
        operator=operator,
        lease=timedelta(minutes=15),
        by=By(OPERATOR, MORNING),
    )


def guarded(database: Database, shop: Shop, station: str, operator: str) -> list[int]:
    """A real claim, and the rest of the load's walk in one go, so that its plate and jobs are done with."""
    found = database.write(lambda session: next_load(session, shop, station, operator))
    if found is None:
        return []
    load = found[0]
    with database.reading() as session:
        taken = list(session.scalars(select(LoadJob.job_id).where(LoadJob.load_id == load.id)))

    def close(session: object) -> None:
        execute = session.execute  # type: ignore[attr-defined]
        execute(update(Job).where(Job.id.in_(taken)).values(state="released"))
        execute(update(LoadJob).where(LoadJob.load_id == load.id).values(active=False))
        execute(update(Load).where(Load.id == load.id).values(state="closed"))

    database.write(close)
    return taken


def naive(database: Database, shop: Shop, station: str, operator: str) -> list[int]:
    """Look, then write: what everybody writes first."""
    queue = select(Job.id).where(Job.state == "ready").order_by(Job.ship_by, Job.id).limit(SLOTS)
    with database.reading() as session:
        seen = list(session.scalars(queue))
    database.write(lambda s: s.execute(update(Job).where(Job.id.in_(seen)).values(state="released")))
    return seen


def storm(url: str, how: str, first: int, count: int) -> Claims:
    """In one process: so many claimers until nothing is ready any more."""
    database = Database(open_engine(url))
    shop = the_shop()
    claim_once: Callable[..., list[int]] = {"guarded": guarded, "naive": naive}[how]
    begin = threading.Barrier(count)

    def claimer(number: int) -> Claims:
        made: Claims = []
        begin.wait()
        while True:
            try:
                taken = claim_once(database, shop, f"s{number % STATIONS + 1}", f"operator {number}")
            except DatabaseBusy:
                continue
            if taken:
                made.append((f"operator {number}", taken))
                continue
            with database.reading() as session:
                if session.scalar(select(func.count()).where(Job.state == "ready")) == 0:
                    return made

    with ThreadPoolExecutor(count) as pool:
        found = [pool.submit(claimer, first + number) for number in range(count)]
        made = [one for claimed in found for one in claimed.result()]
    database.engine.dispose()
    return made


@pytest.fixture(scope="module")
def processes() -> Iterator[Pool]:
    """For both databases: to start one costs more than what it does."""
    with multiprocessing.get_context("spawn").Pool(PROCESSES) as pool:
        yield pool


def run_storm(database: Database, processes: Pool) -> Counter[int]:
    """Real claims in several processes: how often each job was taken."""
    url = database.engine.url.render_as_string(hide_password=False)
    each = CLAIMERS // PROCESSES
    claimers = [(url, "guarded", number * each, each) for number in range(PROCESSES)]
    made = processes.starmap(storm, claimers, chunksize=1)
    return Counter(job for claims_made in made for _, taken in claims_made for job in taken)


@pytest.mark.parametrize("jobs", [120, pytest.param(2_000, marks=pytest.mark.long)])
def test_twenty_claimers_take_all_jobs_once_each(
    database: Database, clock: SetClock, tmp_path: Path, processes: Pool, jobs: int
) -> None:
    """First from a plan; then, when the loads that each station sees ahead are gone, from the queue."""
    put_backlog(database, the_shop(), jobs=jobs)
    kept_plan.keep(bench_tools(database, clock, tmp_path, the_shop()))

    taken = run_storm(database, processes)

    assert len(taken) == jobs
    assert set(taken.values()) == {1}
    with database.reading() as session:
        assert session.scalar(select(func.count()).where(Job.state != "released")) == 0
        per_load = session.execute(
            select(func.count(LoadSlot.id), func.count(LoadSlot.job_id.distinct())).group_by(LoadSlot.load_id)
        ).all()
    assert all(slots == jobs <= SLOTS for slots, jobs in per_load)
    assert len(per_load) <= jobs / SLOTS * 1.1  # claimers must not take the queue apart in crumbs


def test_of_claimers_at_the_same_moment_none_hears_that_there_is_nothing_while_work_waits(
    database: Database,
) -> None:
    """What is read of the queue at first is not enough for a whole plate to each of them."""
    shop = the_shop()
    put_backlog(database, shop, jobs=STATIONS * SLOTS + 40)
    begin = threading.Barrier(STATIONS)

    def claimer(number: int) -> int:
        begin.wait()
        while True:  # busy is an honest answer on a machine that has much to do; "nothing" is none
            with suppress(DatabaseBusy):
                return len(guarded(database, shop, f"s{number}", f"operator {number}"))

    with ThreadPoolExecutor(STATIONS) as pool:
        taken = list(pool.map(claimer, range(1, STATIONS + 1)))

    assert taken == [SLOTS] * STATIONS


@pytest.mark.postgres
def test_a_claim_reads_on_behind_what_others_are_taking(postgres_database: Database) -> None:
    shop = the_shop()
    put_backlog(postgres_database, shop, jobs=waiting.ENOUGH + SLOTS)
    with postgres_database.reading() as session:
        queue = list(session.scalars(select(Job.id).order_by(Job.ship_by, Job.id)))

    with postgres_database.writing() as other:
        assert len(waiting_rows.lock_ready(other, queue[: waiting.ENOUGH])) == waiting.ENOUGH
        taken = guarded(postgres_database, shop, "s1", "operator 1")

    assert sorted(taken) == sorted(queue[waiting.ENOUGH :])


@pytest.mark.postgres
def test_a_claim_takes_the_next_copy_of_a_plate_without_choosing_anew(
    postgres_database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = the_shop()
    put_backlog(postgres_database, shop, jobs=SLOTS)
    copies = shop.plates["turning"].copies
    chosen: list[str] = []

    def counted(*waiting: Any, **more: Any) -> Proposal | None:
        proposal = propose(*waiting, **more)
        chosen.append(proposal.copy if proposal else "")
        return proposal

    monkeypatch.setattr(claims, "propose", counted)
    with postgres_database.writing() as other:
        assert all(waiting_rows.try_copy(other, copy) for copy in copies[:2])
        found = postgres_database.write(lambda session: next_load(session, shop, "s1", "operator 1"))

    assert found is not None
    assert (found[0].copy, chosen) == (copies[2], [copies[0]])


@pytest.mark.postgres
def test_a_copy_that_a_load_has_got_meanwhile_is_nobody_elses(postgres_database: Database) -> None:
    shop = the_shop()
    put_backlog(postgres_database, shop, jobs=SLOTS)

    with postgres_database.reading() as session:
        free = waiting_rows.try_copy(session, shop.plates["turning"].copies[0])
        guarded_load = postgres_database.write(lambda session: next_load(session, shop, "s1", "operator 1"))
        assert guarded_load is not None
        still_free = waiting_rows.try_copy(session, guarded_load[0].copy)

    assert (free, still_free) == (True, False)


@pytest.mark.postgres
def test_a_claim_goes_on_beside_one_that_stopped_while_it_chose(postgres_database: Database) -> None:
    shop = the_shop(stations=2)
    put_backlog(postgres_database, shop, jobs=SLOTS)

    def impatient(session: Session) -> Load | None:
        session.execute(text("SET LOCAL lock_timeout = '200ms'"))
        held = timedelta(minutes=15)
        found = claims.next_load(
            session, shop=shop, station="s2", operator="Two", lease=held, by=By(OPERATOR, MORNING)
        )
        return found[0] if found else None

    with postgres_database.writing() as stopped:
        waiting_rows.take_turns(stopped)
        begun = time.monotonic()
        load = postgres_database.write(impatient)
        waited = time.monotonic() - begun

    assert load is not None and waited >= 0.2


@pytest.mark.postgres
@pytest.mark.parametrize("what", ["jobs", "copies"])
def test_a_claim_never_says_nothing_to_do_of_what_others_may_still_give_back(
    postgres_database: Database, what: str
) -> None:
    shop = a_bench_shop(turning_plate(copies=2))
    put_backlog(postgres_database, shop, jobs=4)

    with postgres_database.writing() as other:
        if what == "jobs":
            waiting_rows.lock_ready(other, list(other.scalars(select(Job.id))))
        else:
            assert all(waiting_rows.try_copy(other, copy) for copy in shop.plates["turning"].copies)
        with pytest.raises(DatabaseBusy):
            guarded(postgres_database, shop, "s1", "operator 1")
        other.rollback()

    assert len(guarded(postgres_database, shop, "s1", "operator 1")) == 4


@pytest.mark.postgres
def test_two_shops_in_one_database_claim_plates_of_one_name(
    two_shops: tuple[Database, Database],
) -> None:
    here, there = (shop.engine for shop in two_shops)
    for shop in (here, there):
        create_tables(shop)

    with Session(here) as one, Session(there) as other, Session(there) as third:
        had = [waiting_rows.try_copy(each, "A") for each in (one, other, third)]

    assert had == [True, True, False]


def test_the_naive_claim_fails_under_the_same_storm(database: Database) -> None:
    put_backlog(database, the_shop(), jobs=720)  # of fewer it takes none twice once in a while

    url = database.engine.url.render_as_string(hide_password=False)
    made = storm(url, "naive", 0, CLAIMERS)
    taken = Counter(job for _, claimed in made for job in claimed)

    assert any(times > 1 for times in taken.values())


def test_of_two_starts_at_the_same_moment_one_is_refused(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    operator = Bench(database, clock, tmp_path)
    for _ in range(5):
        operator.order()
        load = operator.seated(operator.pulled(operator.claimed()))
        load_id, digest = int(load["id"][1:]), load["turns"][0]["file_sha256"]
        begin = threading.Barrier(2)

        def start(load_id: int = load_id, digest: str = digest, begin: threading.Barrier = begin) -> str:
            begin.wait()
            try:
                return str(bench.start(operator.tools, Held(load_id, '"1.1"', OPERATOR), 1, digest).state)
            except (AlreadyBurned, MoveNotAllowed) as refused:
                return refused.code

        with ThreadPoolExecutor(2) as pool:
            answers = sorted(one.result() for one in [pool.submit(start), pool.submit(start)])

        assert answers == ["already_burned", "burning"]
        assert len(operator.rows(BurnStart, BurnStart.load_id == load_id)) == 1
        done = operator.do(operator.see(load), "finish", {"turn": 1})
        operator.do(operator.passed(done), "release")


def test_a_start_and_a_cancellation_at_the_same_moment_never_both_go_through(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    from service.loads import load as loads

    operator = Bench(database, clock, tmp_path)
    for _ in range(5):
        (identity,) = operator.order()
        job_id = int(identity[1:])
        load = operator.seated(operator.pulled(operator.claimed()))
        digest = load["turns"][0]["file_sha256"]
        begin = threading.Barrier(2)

        def start(load: dict = load, digest: str = digest, begin: threading.Barrier = begin) -> bool:  # type: ignore[type-arg]
            begin.wait()
            try:
                bench.start(operator.tools, Held(int(load["id"][1:]), load["etag"], OPERATOR), 1, digest)
            except Refusal:
                return False
            return True

        def cancel(job_id: int = job_id, begin: threading.Barrier = begin) -> bool:
            begin.wait()

            def take_out(session: object) -> None:
                job = session.get_one(Job, job_id)  # type: ignore[attr-defined]
                loads.remove_job(session, job, reason="cancelled", by=By(OPERATOR, clock()))  # type: ignore[arg-type]

            try:
                database.write(take_out)
            except MoveNotAllowed:
                return False
            return True

        with ThreadPoolExecutor(2) as pool:
            started, cancelled = (one.result() for one in [pool.submit(start), pool.submit(cancel)])

        assert started != cancelled
        assert len(operator.rows(BurnStart, BurnStart.job_id == job_id)) == int(started)
        if started:
            operator.do(operator.passed(operator.do(operator.see(load), "finish", {"turn": 1})), "release")
        else:
            operator.database.write(
                lambda s, job_id=job_id: s.execute(
                    update(Job).where(Job.id == job_id).values(state="cancelled")
                )
            )


@pytest.mark.parametrize("rounds", [6])
def test_a_holder_frozen_past_his_lease_starts_nothing(
    database: Database, clock: SetClock, tmp_path: Path, rounds: int
) -> None:
    operator = Bench(database, clock, tmp_path)
    operator.order()
    started = []
    for number in range(rounds):
        frozen = claim(operator.tools, operator=f"first {number}")
        assert frozen is not None
        clock.advance(minutes=16)
        second = claim(operator.tools, operator=f"second {number}")
        assert second is not None
        digest = operator.see({"id": f"L{frozen.id}"})["turns"]
        try:
            bench.start(operator.tools, Held(frozen.id, etag_of(frozen), OPERATOR), 1, "0" * 64)
            started.append(digest)
        except Refusal as refused:
            assert refused.code == "lease_lost"
        clock.advance(minutes=16)

    assert started == []
    assert operator.rows(BurnStart) == []


def test_the_schema_itself_refuses_a_second_load_in_preparation_at_a_station(database: Database) -> None:
    def put(number: int) -> None:
        load = Load(
            station="s1",
            plate="turning",
            copy=f"turning-{number}",
            state="claimed",
            operator="One",
            turns=1,
            lease_until=MORNING,
            calibration={},
            catalogue_version="v",
            burn_seconds=0.0,
            created_at=MORNING,
        )
        database.write(lambda session: session.add(load))

    put(1)

    with pytest.raises(IntegrityError):
        put(2)
