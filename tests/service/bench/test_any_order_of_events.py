"""Any order of events at the bench, by Hypothesis' rule-based machine, with what must always hold.

After every step: units are in exactly one state and none is lost; no job, face and attempt was started twice;
no job is held by two loads; a load's fence never falls; what is cancelled never starts afterwards; every
state has a row of history that led there; counts of lots and stock add up.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from sqlalchemy import select

from service.bench import acts as bench
from service.bench import burns, doubts, inspection, mounting, pulls, seating
from service.bench.acts import Held
from service.bench.inspection import BladesInspected, Inspected
from service.loads import contents, leases, repeats
from service.loads import load as loads
from service.loads.leases import etag_of
from service.plan import promises
from service.records.db import Database
from service.records.errors import Refusal
from service.records.moves import move_job
from service.records.states import JobState, StockChange
from service.records.tables import Base, BurnStart, Job, Load, Stock
from service.records.who import By
from service.stock import put_backs, stock_rows
from service.stock import reservations as stock
from service.stock.stock_answers import put_backs_answer
from tests.benches import (
    OPERATOR,
    a_bench_shop,
    bench_tools,
    claim,
    load_now,
    put_lot,
    put_order,
    put_stock,
    turning_plate,
)
from tests.clocks import SetClock, a_clock
from tests.models.must_hold import all_holds, seen_now
from tests.servers import empty_all_tables

FACES = st.sampled_from([("mark_side",), ("pile_side",), ("mark_side", "pile_side")])
#: Units of the product in each of the two bins when the day begins.
BOXED = 4


class BenchMachine(RuleBasedStateMachine):
    """Two operators at one station with two copies of a plate of three slots."""

    database: Database
    folder: Path

    def __init__(self) -> None:
        super().__init__()
        if self.database.is_sqlite:
            with self.database.engine.begin() as connection:
                for table in reversed(Base.metadata.sorted_tables):
                    connection.execute(table.delete())
        else:
            self.database.engine.dispose()  # its own connections are thrown out with the others
            empty_all_tables(self.database.engine)
        self.clock: SetClock = a_clock()
        self.shop = a_bench_shop(turning_plate(slots=3, copies=2))
        self.tools = bench_tools(self.database, self.clock, self.folder, self.shop)
        self.database.write(lambda session: put_stock(session, self.shop, boxed=BOXED))
        self.fences: dict[int, int] = {}
        self.arrived = 2 * BOXED
        self.cancelled: dict[int, int] = {}  # job: starts when it was cancelled
        self.tags: dict[int, list[str]] = {}  # every ETag that was ever seen, by load

    # --- what may happen ---

    @rule(faces=FACES, quantity=st.integers(1, 3), days=st.integers(0, 9))
    def order_comes(self, faces: tuple[str, ...], quantity: int, days: int) -> None:
        self.database.write(
            lambda s: put_order(s, self.shop, now=self.clock(), faces=faces, quantity=quantity, due_days=days)
        )

    @initialize()
    def a_backlog(self) -> None:
        now = self.clock()

        def put(session: Any) -> None:
            put_order(session, self.shop, now=now, quantity=2, faces=("mark_side", "pile_side"))
            put_order(session, self.shop, now=now, quantity=2)
            put_lot(session, self.shop, now=now, quantity=3)

        self.database.write(put)

    @rule(quantity=st.integers(1, 4))
    def lot_comes(self, quantity: int) -> None:
        self.database.write(lambda s: put_lot(s, self.shop, now=self.clock(), quantity=quantity))

    def claims(self, operator: str) -> None:
        load = claim(self.tools, operator=operator)
        if load is not None:
            self.tags.setdefault(load.id, []).append(etag_of(load_now(self.database, load.id)))

    @rule(minutes=st.sampled_from([5, 16, 300]))
    def time_passes(self, minutes: int) -> None:
        self.clock.advance(minutes=minutes)

    @rule()
    def sweeps(self) -> None:
        self.database.write(lambda session: leases.lapse(session, self.clock()))

    @rule()
    def plans(self) -> None:
        """Loads are taken from this plan until it is too old, whatever becomes of its units."""
        promises.keep_promises(self.tools)

    @precondition(lambda self: self.tags)
    @rule(work=st.sampled_from(["renew", "renew", "drop", "start", "finish"]))
    def a_tablet_that_slept_wakes_up(self, work: str) -> None:
        """Whatever it sends, with any tag but the present one nothing may change."""
        for load_id, tags in self.tags.items():
            now = etag_of(load_now(self.database, load_id))
            for tag in set(tags) - {now}:
                assert not self.attempt(load_id, work, tag=tag)

    @rule(data=st.data())
    def operator_one_works(self, data: st.DataObject) -> None:
        self.works(data, "One")

    @rule(data=st.data())
    def operator_two_works(self, data: st.DataObject) -> None:
        self.works(data, "Two")

    @rule(data=st.data())
    def both_work(self, data: st.DataObject) -> None:
        self.works(data, "One")
        self.works(data, "Two")

    def works(self, data: st.DataObject, operator: str) -> None:
        """Asks for a load, and goes on with one of those that are active, with a bit of bad luck."""
        self.claims(operator)
        active = [load.id for load in self.all_loads() if load.state not in {"closed", "dropped"}]
        if not active:
            return
        load_id = data.draw(st.sampled_from(active))
        for _ in range(9 - data.draw(st.integers(0, 9))):  # what shrinks to zero works longest
            load = load_now(self.database, load_id)
            if load.state in {"closed", "dropped"}:
                return
            if not self.attempt(load_id, self.next_step(load, data), data=data):
                return

    def next_step(self, load: Load, data: st.DataObject) -> str:
        unlucky = data.draw(st.integers(0, 3)) == 0
        if load.state in {"pulled", "turning"} and self.fetched(load, None):
            return "pulled"  # another unit for a blemished one
        may_follow = {
            "claimed": ["pulled"],
            "pulled": ["seated", "drop", "blemished"] if unlucky else ["seated"],
            "turning": ["again", "scrap", "pass", "blemished"] if unlucky else ["seated"],
            "seated": ["withdraw", "withdraw", "scrap", "pass", "blemished"] if unlucky else ["start"],
            "burning": ["resolve"] if unlucky else ["finish"],
            "interrupted": ["resolve"] if self.in_doubt(load.id) else ["again", "scrap"],
            "burned": ["again", "scrap"] if unlucky else ["pass", "release"],
        }
        return data.draw(st.sampled_from(may_follow[load.state]))

    @rule(data=st.data())
    def a_unit_is_cancelled(self, data: st.DataObject) -> None:
        jobs = [job for job in self.all_jobs() if job.state in {"ready", "short", "loaded"}]
        if not jobs:
            return
        job_id = data.draw(st.sampled_from([job.id for job in jobs]))

        def cancel(session: Any) -> None:
            job = session.get_one(Job, job_id)
            if job.state == "loaded":
                loads.remove_job(session, job, reason="cancelled", by=By(OPERATOR, self.clock()))
            stock.unreserve(session, job)
            move_job(session, job, JobState.CANCELLED, by=By(OPERATOR, self.clock()))

        try:
            self.database.write(cancel)
        except Refusal:
            return
        self.cancelled[job_id] = self.starts_of(job_id)

    @rule()
    def stock_arrives(self) -> None:
        def arrive(session: Any) -> None:
            row = session.get_one(Stock, ("A1", "PARER"))
            row.boxed += 1
            session.flush()
            by = By(OPERATOR, self.clock())
            stock_rows.note(session, "A1", "PARER", StockChange.COUNTED, 1, by=by)
            stock.serve_short(session, "PARER", by=by)

        self.database.write(arrive)
        self.arrived += 1

    @precondition(lambda self: self.cancelled)
    @rule()
    def units_are_put_back(self) -> None:
        with self.database.reading() as session:
            waiting = put_backs_answer(session)
        for one in waiting:
            self.database.write(
                lambda session, one=one: put_backs.put_back(
                    session, int(one.job[1:]), None, by=By(OPERATOR, self.clock())
                )
            )

    # --- how it is done ---

    def attempt(
        self, load_id: int, step: str, *, tag: str | None = None, data: st.DataObject | None = None
    ) -> bool:
        """Do a step through the use cases; gives whether it was not refused."""
        load = load_now(self.database, load_id)
        grant = Held(load_id, etag_of(load) if tag is None else tag, OPERATOR)
        lease = timedelta(minutes=15)

        def work(session: Any, held: Load, by: By) -> None:
            turn = held.current_turn
            args = {"by": by}
            if step == "renew":
                leases.renew(session, held, lease=lease, now=by.at)
            elif step == "drop":
                leases.drop(session, held, **args)
            elif step == "pulled":
                counted = self.counted(held) if held.state == "claimed" else {}
                pulls.pulled(session, held, self.fetched(held, data), counted, **args)
            elif step == "blemished":
                sat = [slot.job_id for slot in contents.pending(held, turn) if slot.job_id is not None]
                pulls.pulled(session, held, {f"J{job}": "blemished" for job in sat[:1]}, {}, **args)
            elif step == "seated":
                if held.mounted_at is None:
                    mounting.mounted(session, held, turn, held.copy, "by_hand", shop=self.shop, **args)
                seating.seated(session, held, turn, self.sitting(held, data), **args)
            elif step == "finish":
                burns.finish(session, held, turn, lease=lease, **args)
            elif step == "again":
                burned = sorted({s.turn for s in contents.present(held) if s.state == "burned"}) or [1]
                jobs = [
                    s.job_id
                    for s in contents.present(held, burned[-1])
                    if s.job_id in contents.active_jobs(held)
                ]
                repeats.burn_again(session, held, burned[-1], some(jobs, data), "faint", **args)
            elif step == "withdraw":
                asked = [slot.job_id for slot in repeats.to_burn_again(session, held)]
                repeats.withdraw(session, held, turn, some(asked, data), "lifted", **args)
            elif step == "resolve":
                self.resolve(session, held, data, args)
            elif step in {"pass", "scrap"}:
                jobs = contents.active_jobs(held)
                chosen = [f"J{job}" for job in jobs] if held.state == "burned" else some(jobs, data)
                found = {job: Inspected(step, "slipped") for job in chosen[: 1 if step == "scrap" else None]}  # type: ignore[arg-type]
                inspection.inspect(session, held, found, self.blades(held), **args)
            elif step == "release":
                inspection.release(session, held, **args)

        try:
            if step == "start":
                digest = next(
                    (
                        t.file_sha256
                        for t in bench.load_now(self.tools, load_id).turns
                        if t.turn == load.current_turn
                    ),
                    None,
                )
                answer = bench.start(self.tools, grant, load.current_turn, digest or "0" * 64)
            else:
                answer = bench.change(self.tools, grant, work)
        except Refusal:
            return False
        self.tags.setdefault(load_id, []).append(answer.etag)
        return True

    def fetched(self, load: Load, data: st.DataObject | None) -> dict[str, Any]:
        said = {}
        for one in load.jobs:
            if one.active and one.fetched == "to_pull":
                lucky = data is None or data.draw(st.integers(0, 5)) > 0
                said[f"J{one.job_id}"] = "found" if lucky else "missing"
        return said

    def counted(self, load: Load) -> dict[str, int]:
        return dict(Counter(f"LOT{s.lot_id}" for s in contents.present(load, 1) if s.lot_id is not None))

    def sitting(self, load: Load, data: st.DataObject | None) -> dict[str, Any]:
        return {
            slot.slot: "seated" if data is None or data.draw(st.integers(0, 5)) > 0 else "does_not_fit"
            for slot in contents.pending(load, load.current_turn)
        }

    def blades(self, load: Load) -> dict[str, BladesInspected]:
        counts = Counter(slot.lot_id for slot in contents.uninspected_blades(load))
        return {f"LOT{lot}": BladesInspected(count, 0) for lot, count in counts.items()}

    def resolve(self, session: Any, load: Load, data: st.DataObject | None, args: dict[str, Any]) -> None:
        outcomes = st.sampled_from(["clean", "partial", "complete"])
        started = [
            s
            for s in session.scalars(select(BurnStart).where(BurnStart.load_id == load.id))
            if s.outcome is None
        ]
        jobs: dict[str, dict[str, Any]] = {}
        lots: dict[str, dict[str, int]] = {}
        for one in started:
            outcome = data.draw(outcomes) if data is not None else "complete"
            if one.job_id is not None:
                jobs.setdefault(f"J{one.job_id}", {})[one.face] = outcome
            else:
                counts = lots.setdefault(f"LOT{one.lot_id}", {})
                counts[outcome] = counts.get(outcome, 0) + 1
        doubts.resolve(session, load, jobs, lots, **args)  # type: ignore[arg-type]

    def in_doubt(self, load_id: int) -> bool:
        with self.database.reading() as session:
            open_starts = select(BurnStart.id).where(
                BurnStart.load_id == load_id, BurnStart.outcome.is_(None)
            )
            return session.scalars(open_starts).first() is not None

    def all_jobs(self) -> list[Job]:
        with self.database.reading() as session:
            return list(session.scalars(select(Job).order_by(Job.id)))

    def all_loads(self) -> list[Load]:
        with self.database.reading() as session:
            return list(session.scalars(select(Load).order_by(Load.id)))

    def starts_of(self, job_id: int) -> int:
        with self.database.reading() as session:
            return len(session.scalars(select(BurnStart).where(BurnStart.job_id == job_id)).all())

    # --- what must hold ---

    @invariant()
    def all_that_must_hold_holds(self) -> None:
        seen = seen_now(self.database)
        all_holds(seen, arrived=self.arrived)
        for job_id, before in self.cancelled.items():
            assert sum(start.job_id == job_id for start in seen.starts) == before
        for load in seen.loads:
            assert load.fence >= self.fences.get(load.id, 0)
            self.fences[load.id] = load.fence


def some(jobs: Sequence[int | None], data: st.DataObject | None) -> list[str]:
    """The first of the jobs, and perhaps more of them."""
    count = 1 if data is None else data.draw(st.integers(1, 3))
    return [f"J{job}" for job in jobs[:count]]


def run(database: Database, folder: Path, *, examples: int, steps: int) -> None:
    machine = type("Machine", (BenchMachine,), {"database": database, "folder": folder})
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            deadline=None,
            suppress_health_check=list(HealthCheck),
            print_blob=True,
            # The shortest way to a failure takes longer to find than a test may; then nothing is said.
            phases=(Phase.explicit, Phase.reuse, Phase.generate),
        ),
    )


@pytest.mark.parametrize(
    "examples", [3, pytest.param(60, marks=[pytest.mark.long, pytest.mark.timeout(1800)])]
)
def test_whatever_happens_at_the_bench_nothing_is_burned_twice_or_lost(
    sqlite_database: Database, tmp_path: Path, examples: int
) -> None:
    run(sqlite_database, tmp_path, examples=examples, steps=25)


@pytest.mark.postgres
@pytest.mark.parametrize(
    "examples", [2, pytest.param(15, marks=[pytest.mark.long, pytest.mark.timeout(1800)])]
)
def test_the_same_holds_on_postgresql(postgres_database: Database, tmp_path: Path, examples: int) -> None:
    run(postgres_database, tmp_path, examples=examples, steps=25)
