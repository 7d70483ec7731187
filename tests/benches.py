"""Builders for the bench: a small made-up shop, orders with square outlines, an operator who drives loads.

Nothing here goes through text or fonts: outlines are squares, frozen directly.
"""

from __future__ import annotations

import copy
import itertools
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from httpx import Response
from shapely.geometry import box
from sqlalchemy import select
from sqlalchemy.orm import Session

from layout.shop.blades import Product, Surface
from layout.shop.loads import Mark
from layout.shop.outline import Outline, frozen
from layout.shop.plates import Plate, Play, Pose, Seat, Slot
from layout.shop.shop import Policy, Shop
from layout.shop.stations import LayerStyle
from layout.shop.upkeep import Routine, Supply
from service.bench import acts as bench
from service.loads import load_rows
from service.plan import in_force as kept_plan
from service.plan.planning import Planned
from service.records.db import Database
from service.records.errors import Refusal
from service.records.ids import JOB, LOAD, public
from service.records.states import StockChange
from service.records.tables import Base, Bin, FrozenMark, History, Job, Load, Lot, Order, OrderLine, Stock
from service.records.who import SWEEP, By, Role, Who
from service.shop.settings import Settings
from service.shop.tools import Tools
from service.shop.versions import Described
from service.stock import reservations as stock
from service.stock import stock_rows
from tests.beginnings import begin
from tests.clocks import SetClock
from tests.counter import a_client, a_key_of, an_app
from tests.golden.turns import SATIN, a_blade, a_process, a_station

OPERATOR = Who(role=Role.BENCH, client="bench-1", name="Operator One")
#: Both faces of the parer at the same pose; the height is that of every seat unless a test says otherwise.
SEAT_MM = 3.0
PITCH_MM = (50.0, 30.0)

_numbers = itertools.count(1)


# --- the shop ---


def a_seat_of(blade: str, face: str, *, height_mm: float = SEAT_MM) -> Seat:
    return Seat(blade, face, Pose(5.0, 5.0, 0.0, height_mm), Play(0.1, 0.2, (0.0, 10.0)))


def a_plate_of(name: str, slots: Mapping[str, Sequence[Seat]], *, copies: int = 2) -> Plate:
    """A plate with its slots three in a row; seats are given in their slot's frame."""
    made = []
    for number, (slot, seats) in enumerate(slots.items()):
        x, y = (number % 3) * PITCH_MM[0], (number // 3) * PITCH_MM[1]
        moved = tuple(
            replace(seat, pose=replace(seat.pose, x_mm=seat.pose.x_mm + x, y_mm=seat.pose.y_mm + y))
            for seat in seats
        )
        made.append(Slot(slot, box(x + 2, y + 2, x + 48, y + 28), moved))
    names = tuple(f"{name}-{copy}" for copy in range(1, copies + 1))
    return Plate(name, f"Invented {name} plate", (150.0, 120.0), tuple(made), names, ((0, 0), (150, 0)))


def turning_plate(*, slots: int = 6, copies: int = 2) -> Plate:
    """Takes parers either face up, chef's and bare blades with the mark side up."""
    seats = [
        a_seat_of("parer", "mark_side"),
        a_seat_of("parer", "pile_side"),
        a_seat_of("chef", "mark_side"),
        a_seat_of("bare", "mark_side"),
    ]
    return a_plate_of("turning", {f"S{n}": seats for n in range(1, slots + 1)}, copies=copies)


def flat_plate(face: str = "mark_side", *, slots: int = 3) -> Plate:
    """Takes parers with one face up only."""
    name = f"flat_{face.removesuffix('_side')}"
    return a_plate_of(name, {f"F{n}": [a_seat_of("parer", face)] for n in range(1, slots + 1)}, copies=1)


def a_bench_shop(*plates: Plate, stations: int = 1) -> Shop:
    """Stations `s1`... that can all mount all plates (one turning plate, when none is given)."""
    mine = plates or (turning_plate(),)
    parer = a_blade()
    names = [f"s{number}" for number in range(1, stations + 1)]
    return Shop(
        version="bench-test",
        products={
            "PARER": Product("PARER", "Invented parer", (), "parer", SATIN),
            "CHEF": Product("CHEF", "Invented chef's knife", (), "chef", SATIN),
            "BARE": Product("BARE", "Invented bare blade", (), "bare", SATIN),
        },
        blades={
            "parer": parer,
            "chef": replace(parer, blade="chef", faces=parer.faces[:1]),
            "bare": replace(parer, blade="bare", bare=True),
        },
        plates={plate.plate: plate for plate in mine},
        stations={
            name: replace(
                a_station(),
                station=name,
                field_mm=(200.0, 160.0),
                layers={f"satin-{name}": LayerStyle("SATIN", "#204060")},
                plates={plate.plate: (-75.0, -60.0, 0.0) for plate in mine},
            )
            for name in names
        },
        processes={
            f"satin-{name}": replace(a_process(), process=f"satin-{name}", station=name) for name in names
        },
        fonts={},
        artworks={},
        policy=Policy(),
    )


def kept_up(shop: Shop, *routines: Routine) -> Shop:
    """The shop with routine checks at every station (one a day, where none are given), and bags and parcels
    that are used up."""
    mine = routines or (Routine("window", "Look at the window", "Laser off, key out.", "day"),)
    stations = {name: replace(station, routines=mine) for name, station in shop.stations.items()}
    supplies = (
        Supply("bags", "Bags", pack=100, warn_below=10, per_unit=1, per_load=1),
        Supply("parcels", "Parcels", pack=20, warn_below=5, per_order=1),
    )
    return replace(shop, stations=stations, policy=replace(shop.policy, supplies=supplies))


class BenchShelf:
    """A catalogue of one shop, or of several by version; the last one put is the current one."""

    def __init__(self, *shops: Shop) -> None:
        self._by_version = {shop.version: shop for shop in shops}
        self.current = shops[-1]

    def put(self, shop: Shop) -> None:
        self._by_version[shop.version] = shop
        self.current = shop

    def at(self, session: Session, version: str) -> Shop:
        return self._by_version[version]

    def pinned(self) -> BenchShelf:
        return copy.copy(self)

    @property
    def described(self) -> Described:
        return Described(0, self.current, Path())

    def follow(self, session: Session, kept: Path) -> bool:
        return False


class HereGeometry:
    """Geometry in the test's own process; `before` is called first, for what happens meanwhile."""

    timeout_seconds = 60.0
    has_workers = False

    def __init__(self) -> None:
        self.before: Callable[[], None] = lambda: None
        self.calls: list[str] = []

    def of(self, source: Path) -> HereGeometry:
        return self

    def work(self, function: Callable[..., Any], *arguments: Any, seconds: float | None = None) -> Any:
        self.calls.append(function.__name__)
        self.before()
        return function(*arguments)

    plan = build = work

    def close(self) -> None: ...


def bench_tools(database: Database, clock: SetClock, folder: Path, shop: Shop | None = None) -> Tools:
    return Tools(
        database=database,
        settings=Settings(data=folder, lease_seconds=900),
        catalogue=BenchShelf(shop or a_bench_shop()),  # type: ignore[arg-type]
        geometry=HereGeometry(),  # type: ignore[arg-type]
        clock=clock,
    )


# --- orders, stock, lots as rows ---


def a_square(side_mm: float = 2.0) -> Outline:
    return frozen([box(18, 9, 18 + side_mm, 9 + side_mm)])


def put_stock(session: Session, shop: Shop, *, boxed: int = 50, bins: Sequence[str] = ("A1", "B1")) -> None:
    """So many units of every product in every bin."""
    for number, name in enumerate(bins):
        session.add(Bin(bin=name, walking_order=10 * number))
        session.flush()
        for sku in shop.products:
            session.add(Stock(bin=name, sku=sku, boxed=boxed))
            session.flush()
            by = By(SWEEP, datetime(2026, 11, 23, tzinfo=UTC))
            stock_rows.note(session, name, sku, StockChange.BEFORE, boxed, by=by)


def put_order(
    session: Session,
    shop: Shop,
    *,
    now: datetime,
    sku: str = "PARER",
    quantity: int = 1,
    faces: Sequence[str] = ("mark_side",),
    due_days: float = 14,
    priority: int = 0,
    outline: Outline | None = None,
    client: str = "store-1",
) -> list[Job]:
    """An accepted order of one line, as intake leaves it: frozen marks, eligible places, jobs."""
    number = next(_numbers)
    order = Order(
        client=client,
        order_ref=f"W-{number}",
        ship_by=now + timedelta(days=due_days),
        priority=priority,
        created_at=now,
    )
    session.add(order)
    session.flush()
    blade = shop.products[sku].blade
    zones = {face.face: face.zones[0].zone for face in shop.blades[blade].faces}
    line = OrderLine(
        order=order,
        line_ref="1",
        sku=sku,
        quantity=quantity,
        inscriptions=[],
        verdict="accept",
        findings=[],
        checked=[{"zone": zones[face], "face": face, "text": f"Anna {number}"} for face in faces],
        eligible=eligible_places(shop, blade, faces),
        burn_seconds=30.0,
        catalogue_version=shop.version,
    )
    session.add(line)
    session.flush()
    for position, face in enumerate(faces):
        square = outline or a_square()
        session.add(
            FrozenMark(
                line_id=line.id,
                position=position,
                zone=zones[face],
                face=face,
                material=SATIN.material,
                finish=SATIN.finish,
                outline=square.to_record(),
                digest=square.digest,
            )
        )
    jobs = []
    for unit in range(1, quantity + 1):
        job = Job(
            line=line,
            order_id=order.id,
            unit=unit,
            sku=sku,
            blade=blade,
            state="short",
            priority=priority,
            ship_by=order.ship_by,
            words_revision=1,
            faces=list(faces),
            faces_done=[],
            created_at=now,
        )
        session.add(job)
        session.flush()
        if stock.reserve(session, job):
            job.state = "ready"
        session.add(
            History(
                subject="job",
                subject_id=job.id,
                move_from=None,
                move_to=job.state,
                who="store:test",
                why="",
                at=now,
            )
        )
        jobs.append(job)
    session.flush()
    return jobs


def put_lot(session: Session, shop: Shop, *, now: datetime, quantity: int = 4, due_days: float = 30) -> Lot:
    lot = Lot(
        sku="BARE",
        blade="bare",
        inscriptions=[],
        eligible=eligible_places(shop, "bare", ("mark_side",)),
        quantity=quantity,
        due=now + timedelta(days=due_days),
        state="open",
        waiting=quantity,
        catalogue_version=shop.version,
        created_at=now,
    )
    session.add(lot)
    session.flush()
    mark = Mark("flat", "mark_side", Surface(SATIN.material, SATIN.finish), a_square())
    session.add(
        FrozenMark(
            lot_id=lot.id,
            position=0,
            zone=mark.zone,
            face=mark.face,
            material=SATIN.material,
            finish=SATIN.finish,
            outline=mark.outline.to_record(),
            digest=mark.outline.digest,
        )
    )
    session.flush()
    return lot


def eligible_places(shop: Shop, blade: str, faces: Sequence[str]) -> list[list[str]]:
    return sorted(
        [station, plate, slot.slot, face]
        for station, profile in shop.stations.items()
        for plate in profile.plates
        for slot in shop.plates[plate].slots
        for face in faces
        if slot.seat(blade, face) is not None
    )


# --- an operator over HTTP ---


class Bench:
    """A service with the small shop, driven over HTTP as an operator drives it."""

    def __init__(self, database: Database, clock: SetClock, folder: Path, shop: Shop | None = None) -> None:
        self.shop = shop or a_bench_shop()
        self.database, self.clock = database, clock
        self.tools = bench_tools(database, clock, folder, self.shop)
        kind = ("bench", clock(), *self.shop.products)  # what `_prepare` goes by
        self.keys = dict(begin(database, kind, self._prepare))
        self.client = a_client(an_app(self.tools))

    def _prepare(self, session: Session) -> dict[str, str]:
        keys = {role.value: a_key_of(session, role, now=self.clock()) for role in Role}
        put_stock(session, self.shop)
        return keys

    def order(self, **wanted: Any) -> list[str]:
        """An accepted order; gives its jobs' public ids."""
        jobs = self.database.write(lambda s: put_order(s, self.shop, now=self.clock(), **wanted))
        return [public(JOB, job.id) for job in jobs]

    def lot(self, **wanted: Any) -> str:
        lot = self.database.write(lambda s: put_lot(s, self.shop, now=self.clock(), **wanted))
        return f"LOT{lot.id}"

    def in_background(self) -> None:
        """What the background does for the plan every few seconds; what it meets there goes to the log."""
        with suppress(Refusal):
            kept_plan.keep(self.tools)

    def planned(self) -> Planned:
        """The plan, as the background has just kept it."""
        self.in_background()
        return kept_plan.current(self.tools)

    def ask(
        self, method: str, path: str, body: Any = None, *, role: str = "bench", **headers: str
    ) -> Response:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        named["Authorization"] = f"Bearer {self.keys[role]}"
        return self.client.request(method, path, json=body, headers=named)

    def next(self, *, station: str = "s1", operator: str = "Operator One") -> Response:
        return self.ask("POST", "/v1/loads/next", {"station": station, "operator": operator})

    def post(
        self, load: Mapping[str, Any], what: str, body: Any = None, *, etag: str | None = None
    ) -> Response:
        """A later write, with the ETag of the load as it was last seen."""
        path = f"/v1/loads/{load['id']}/{what}"
        return self.ask("POST", path, body, If_Match=load["etag"] if etag is None else etag)

    def see(self, load: Mapping[str, Any]) -> dict[str, Any]:
        answer: dict[str, Any] = self.ask("GET", f"/v1/loads/{load['id']}").json()
        return answer

    def do(self, load: Mapping[str, Any], what: str, body: Any = None) -> dict[str, Any]:
        """A later write that must go well; gives the load as it is then."""
        answer = self.post(load, what, body)
        assert answer.status_code == 200, answer.text
        done: dict[str, Any] = answer.json()
        return done

    def claimed(self, **where: str) -> dict[str, Any]:
        answer = self.next(**where)
        assert answer.status_code == 201, answer.text
        load: dict[str, Any] = answer.json()
        return load

    def mounted(self, load: Mapping[str, Any]) -> dict[str, Any]:
        """The plate that was planned lies in the machine."""
        plate = {"turn": load["current_turn"], "copy": load["copy"], "how": "scanned"}
        return self.do(load, "mounted", plate)

    def pulled(self, load: Mapping[str, Any]) -> dict[str, Any]:
        """The plate mounted, everything found."""
        load = load if load["mounted"] else self.mounted(load)
        jobs = {one["job"]: "found" for one in load["jobs"] if one["unit"] == "to_pull"}
        lots: dict[str, int] = {}
        for slot in load["turns"][0]["slots"]:
            if "lot" in slot:
                lots[slot["lot"]] = lots.get(slot["lot"], 0) + 1
        return self.do(load, "pulled", {"jobs": jobs, "lots": lots})

    def seated(self, load: Mapping[str, Any], *, turn: int = 1) -> dict[str, Any]:
        """Everything fits."""
        load = load if load["mounted"] else self.mounted(load)
        slots = {
            slot["slot"]: "seated" for slot in load["turns"][turn - 1]["slots"] if slot["state"] != "burned"
        }
        return self.do(load, "seated", {"turn": turn, "slots": slots})

    def started(self, load: Mapping[str, Any], *, turn: int = 1) -> dict[str, Any]:
        digest = load["turns"][turn - 1]["file_sha256"]
        return self.do(load, "start", {"turn": turn, "file_sha256": digest})

    def burning(self, **where: str) -> dict[str, Any]:
        """A load of which turn 1 burns."""
        return self.started(self.seated(self.pulled(self.claimed(**where))))

    def burned(self, **where: str) -> dict[str, Any]:
        """A load of which turn 1 has burned."""
        return self.do(self.burning(**where), "finish", {"turn": 1})

    def passed(self, load: Mapping[str, Any]) -> dict[str, Any]:
        jobs = {one["job"]: {"result": "pass"} for one in load["jobs"]}
        return self.do(load, "inspect", {"jobs": jobs})

    def job(self, identity: str) -> Job:
        with self.database.reading() as session:
            return session.get_one(Job, int(identity[1:]))

    def rows(self, model: type[Any], *conditions: Any) -> list[Any]:
        with self.database.reading() as session:
            return list(session.scalars(select(model).where(*conditions).order_by(model.id)))

    def moves(self, subject: str, identity: str) -> list[str]:
        """What became of something, in order."""
        number = int(identity.lstrip("JLOTWU"))
        return [
            m.move_to for m in self.rows(History, History.subject == subject, History.subject_id == number)
        ]


def job_in(load: Mapping[str, Any], slot: str, *, turn: int = 1) -> str:
    return next(str(s["job"]) for s in load["turns"][turn - 1]["slots"] if s["slot"] == slot)


def jobs_of(load: Mapping[str, Any]) -> list[str]:
    return [one["job"] for one in load["jobs"]]


# --- below HTTP ---


def claim(tools: Tools, *, station: str = "s1", operator: str = "Operator One") -> Load | None:
    """The next load, by the use case that the route calls."""
    granted = bench.next_load(tools, station, operator, who=OPERATOR)
    return granted[0] if granted else None


def all_rows(database: Database) -> dict[str, list[tuple[Any, ...]]]:
    """Everything in the database but the keys, to compare before and after."""
    with database.reading() as session:
        return {
            table.name: sorted((tuple(row) for row in session.execute(select(table))), key=repr)
            for table in Base.metadata.sorted_tables
            if table.name != "api_key"  # notes when it was last used
        }


def load_now(database: Database, load_id: int) -> Load:
    with database.reading() as session:
        load = load_rows.find(session, load_id)
        assert load is not None, public(LOAD, load_id)
        return load
