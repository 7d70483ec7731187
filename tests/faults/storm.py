"""The service under work while faults are let loose on it, drawn from a seed; then all is brought back, the
work is finished, and what people were told is held against what is on record. A squall is the shortest of
storms: few processes, few orders, and the faults it is given, each once.
"""

from __future__ import annotations

import random
import shutil
import signal
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import select

from service.audit.look import look
from service.callbacks import deliveries
from service.photos.photos import FOLDER
from service.records.db import Database, open_engine
from service.records.outgoing import ask_for
from service.records.tables import Outbox
from service.records.who import SWEEP, By, Role, Who
from service.requests import keys
from service.running.outbox_rows import Hint
from service.running.worker import publisher
from service.shop import catalogue
from service.shop.settings import Settings
from service.shop.versions import Shelf, Versions
from service.stock import reservations as stock
from tests.faults import verdict
from tests.faults.people import Desk, Operator, Person, Receiver, Store, Told
from tests.faults.processes import Broker, Postgres, Program, Wall, free_port, wait
from tests.faults.proxy import Proxy
from tests.faults.verdict import Verdict
from tests.servers import create_tables

_STATIONS = ("north", "south")
_STEP_SECONDS = 600.0
#: The drain is given up when nothing has moved for so long; after a shorter while time is made to pass.
_DRAIN_SECONDS = 120.0
_STANDS_STILL_SECONDS = 6.0
_SLOW_SECONDS = 30.0
_START_SECONDS = 300.0
_FULL_DISK = 4_096
#: Orders of the one store that a squall has: what two operators burn in a few seconds.
_ORDERS_IN_A_SQUALL = 12
Say = Callable[[str], None]


@dataclass
class World:
    """Everything that a storm is about."""

    folder: Path
    chance: random.Random
    clock: Wall
    database: Database
    settings: dict[str, str]
    programs: dict[str, Program]
    receiver: Receiver
    told: Told
    people: list[Person]
    say: Say
    broker: Broker | None = None
    postgres: Postgres | None = None
    to_database: Proxy | None = None
    to_broker: Proxy | None = None
    kills: int = 0
    done: Counter[str] = field(default_factory=Counter)

    @property
    def is_embedded(self) -> bool:
        return self.postgres is None

    def note(self, fault: str, *about: str) -> None:
        self.done[fault] += 1
        self.say(" ".join((fault, *about)))

    def now(self) -> datetime:
        return datetime.now(UTC)

    def operators(self) -> list[Operator]:
        return [person for person in self.people if isinstance(person, Operator)]


@contextmanager
def a_world(
    folder: Path,
    *,
    seed: int,
    embedded: bool,
    say: Say,
    stores: int = 3,
    operators: int = 1,
    api: int = 2,
    workers: int = 2,
    orders: int | None = None,
    measures_fonts: bool = True,
    is_stormy: bool = True,
    checkers: int = 1,
    font_tables: Path | None = None,
) -> Iterator[World]:
    """The service, up, with people who have not begun yet. `orders`: so many of each store, None for as many
    as come. `font_tables`: what was measured of fonts before. `is_stormy`: with short leases and sweeps, few
    processes, and a proxy before database and broker that can cut what goes through it; otherwise as a shop
    has it that set nothing."""
    chance = random.Random(seed)
    with ExitStack() as stack:
        (folder / "data").mkdir(parents=True)
        if font_tables is not None:
            shutil.copytree(font_tables, folder / "data" / "font-tables")
        told = Told()
        receiver = stack.enter_context(Receiver(told))
        clock = Wall(folder / "clock")
        settings = {
            "RICASSO_DATA": str(folder / "data"),
            "RICASSO_MEASURE_FONTS": str(measures_fonts).lower(),
            "RICASSO_CALLBACKS_TO_LOOPBACK": "true",
            "RICASSO_BEAT_FILE": str(folder / "beat"),
        }
        if is_stormy:
            settings |= {
                "RICASSO_LEASE_SECONDS": "30",
                "RICASSO_SWEEP_SECONDS": "1",
                "RICASSO_CHECK_WORKERS": str(checkers),
                "RICASSO_CHECK_SECONDS": "60",
            }
        postgres = broker = to_database = to_broker = None
        url = f"sqlite:///{folder / 'data' / 'ricasso.sqlite3'}"
        if not embedded:
            postgres = Postgres()
            stack.callback(postgres.stop)
            broker = Broker()
            stack.callback(broker.stop)
            url = postgres.url.render_as_string(hide_password=False)
            settings["RICASSO_DATABASE_URL"] = url
            settings["RICASSO_BROKER_URL"] = f"redis://127.0.0.1:{broker.port}/0"
        if postgres is not None and broker is not None and is_stormy:
            to_database = stack.enter_context(Proxy(postgres.socket))
            to_broker = stack.enter_context(Proxy(("127.0.0.1", broker.port)))
            settings["RICASSO_DATABASE_URL"] = (
                f"postgresql+psycopg://postgres@127.0.0.1:{to_database.port}/postgres?sslmode=disable"
            )
            settings["RICASSO_BROKER_URL"] = f"redis://127.0.0.1:{to_broker.port}/0"
        database = Database(open_engine(url))
        stack.callback(database.engine.dispose)
        made = _prepare(database, receiver)
        ports = [free_port() for _ in range(1 if embedded else api)]
        programs = {f"api-{number}": ["serve", "--port", str(port)] for number, port in enumerate(ports, 1)}
        if not embedded:
            programs |= {
                f"worker-{number}": ["worker", "--concurrency", "1"] for number in range(1, workers + 1)
            }
            programs |= {"beat": ["worker", "--beat"]}
        world = World(
            folder=folder,
            chance=chance,
            clock=clock,
            database=database,
            settings=settings,
            programs={
                name: Program(name, arguments, clock=clock, settings=settings, log=folder / f"{name}.log")
                for name, arguments in programs.items()
            },
            receiver=receiver,
            told=told,
            people=_people(made, ports, told, chance, stores=stores, operators=operators, orders=orders),
            say=say,
            broker=broker,
            postgres=postgres,
            to_database=to_database,
            to_broker=to_broker,
        )
        for program in world.programs.values():
            stack.callback(program.stop)
            program.start()
        _until_ready(world)
        yield world


def _prepare(database: Database, receiver: Receiver) -> dict[str, str]:
    """Tables, the shop, a key of each role, full bins and a callback."""
    create_tables(database.engine)
    folder, now = catalogue.default_folder(), datetime.now(UTC)
    shelf = Shelf(folder)
    made: dict[str, str] = {}

    def prepare(session: Any) -> None:
        shelf.keep_current(session, now=now)
        for role in (Role.STORE, Role.DESK, Role.BENCH):
            made[role.value] = keys.new_key(session, role, client=f"{role.value}-1", now=now, who=SWEEP)
        counts = [stock.Count(b.bin, b.sku, 5_000, b.walking_order) for b in catalogue.load_stock(folder)]
        stock.put_counts(session, counts, by=By(SWEEP, now))
        store = By(Who(role=Role.STORE, client="store-1", name="store-1"), now)
        deliveries.register(session, receiver.url, client=None, by=store, loopback_allowed=True)

    database.write(prepare)
    return made


def _people(
    made: dict[str, str],
    ports: list[int],
    told: Told,
    chance: random.Random,
    *,
    stores: int,
    operators: int,
    orders: int | None,
) -> list[Person]:
    def own() -> random.Random:
        return random.Random(chance.random())

    people: list[Person] = [
        Store(f"W{number}", made["store"], ports, told, own(), orders=orders)
        for number in range(1, stores + 1)
    ]
    people.append(Desk("desk", made["desk"], ports, told, own()))
    people += [
        Operator(station, f"{station}-{number}", made["bench"], ports, told, own())
        for station in _STATIONS
        for number in range(1, operators + 1)
    ]
    return people


def _until_ready(world: World) -> None:
    end = time.monotonic() + _START_SECONDS
    api = [name for name in world.programs if name.startswith("api")]
    who = world.operators()[0]
    for _ in api:
        while True:
            answer = who.ask("GET", "/readyz")
            if answer is not None and answer.status_code == 200:
                break
            if time.monotonic() > end:
                raise TimeoutError(f"the service does not start; see {world.folder}")
            wait(0.2)
    world.told.troubles.clear()


# --- what can happen ---


def kill_something(world: World) -> None:
    """`kill -9`; its children live on as orphans, or die with it."""
    weights = {"api": 4, "worker": 3, "beat": 1}
    names = sorted(world.programs)
    name = world.chance.choices(names, [weights[name.split("-")[0]] for name in names])[0]
    alone = world.chance.random() < 0.5
    world.note("kill", name, "alone" if alone else "with its children")
    world.programs[name].kill(alone=alone)
    world.kills += 1
    wait(world.chance.uniform(0.0, 1.0))
    world.programs[name].start()


def freeze_something(world: World) -> None:
    """A process stands still and wakes as if nothing had been."""
    name = world.chance.choice(sorted(world.programs))
    seconds = world.chance.uniform(1.0, 6.0)
    world.note("freeze", name, f"{seconds:.1f} s")
    world.programs[name].signal_all(signal.SIGSTOP)
    wait(seconds)
    world.programs[name].signal_all(signal.SIGCONT)


def step_clock(world: World) -> None:
    """Forward, or back again."""
    seconds = -world.clock.offset if world.clock.offset else world.chance.choice((-1, 1)) * _STEP_SECONDS
    world.note("step_clock", f"{seconds:+.0f} s")
    world.clock.step(seconds)


def fill_disk(world: World) -> None:
    """No file of a process of the service can grow; with SQLite that is the database too."""
    name = world.chance.choice([name for name in sorted(world.programs) if name.startswith("api")])
    seconds = world.chance.uniform(1.0, 4.0)
    world.note("full_disk", name, f"{seconds:.1f} s")
    world.programs[name].limit_files(_FULL_DISK)
    wait(seconds)
    world.programs[name].limit_files(None)


def spoil_receiver(world: World) -> None:
    """The store's receiver hangs, fails, or is well again."""
    world.receiver.mood = world.chance.choice(
        [mood for mood in ("good", "fails", "hangs") if mood != world.receiver.mood]
    )
    world.note("receiver", world.receiver.mood)


def cut_connections(world: World) -> None:
    """To the database and to the broker, in the middle of whatever was being said."""
    assert world.to_database is not None
    assert world.to_broker is not None
    world.note("cut", f"{world.to_database.cut() + world.to_broker.cut()} ends")


def hold_connections(world: World) -> None:
    """The database's connections fall silent for a while: half-open."""
    assert world.to_database is not None
    seconds = world.chance.uniform(0.5, 4.0)
    world.note("silent_database", f"{seconds:.1f} s")
    world.to_database.hold()
    wait(seconds)
    world.to_database.go_on()


def freeze_broker(world: World) -> None:
    assert world.broker is not None
    seconds = world.chance.uniform(1.0, 8.0)
    world.note("freeze_broker", f"{seconds:.1f} s")
    with world.broker.frozen():
        wait(seconds)


def kill_broker(world: World) -> None:
    """What it held is lost."""
    assert world.broker is not None
    world.note("kill_broker")
    world.broker.kill()
    world.kills += 1
    wait(world.chance.uniform(0.5, 3.0))
    world.broker.start()


def kill_database(world: World) -> None:
    assert world.postgres is not None
    world.note("kill_database")
    world.postgres.kill()
    world.kills += 1
    wait(world.chance.uniform(0.2, 2.0))
    world.postgres.start()


def double_messages(world: World) -> None:
    """Waiting messages twice and in another order, and old ones once more."""
    assert world.broker is not None
    moved = world.broker.shuffle_and_double(world.chance)
    with world.database.reading() as session:
        rows = list(session.execute(select(Outbox.id, Outbox.task).order_by(Outbox.id.desc()).limit(50)))
    again = world.chance.sample(rows, min(len(rows), 8))
    send = publisher(Settings(broker_url=f"redis://127.0.0.1:{world.broker.port}/0"))
    for row in again:
        send(Hint(row.id, row.task))
    world.note("double", f"{moved} waiting, {len(again)} old")


def ask_for_import(world: World) -> None:
    """Orders of a file, which a worker takes in; as good as acknowledged once the row is written."""
    number = world.done["import"] + 1
    refs = [f"F{number}-{row}" for row in range(1, 4)]
    heading = "order_ref,ship_by,line_ref,sku,quantity,zone,text,font\n"
    rows = [f"{ref},2030-01-01,1,AQ-CHEF-20,1,heel,Ada,lato-bold\n" for ref in refs]
    imports = world.folder / "data" / "imports"
    imports.mkdir(exist_ok=True)
    name = f"{number:064d}"
    (imports / f"{name}.csv").write_text(heading + "".join(rows))
    world.database.write(
        lambda session: ask_for(session, "import_orders", now=world.now(), file=name, client="store-1")
    )
    world.told.acked |= dict.fromkeys(refs, 1)
    world.note("import", *refs)


#: How often each is drawn.
_EVERYWHERE = {kill_something: 10, freeze_something: 3, step_clock: 3, fill_disk: 2, spoil_receiver: 2}
_WITH_SERVERS = {
    cut_connections: 2,
    hold_connections: 1,
    freeze_broker: 2,
    kill_broker: 1,
    kill_database: 1,
    double_messages: 3,
    ask_for_import: 3,
}


def rage(world: World, *, kills: int, seconds: float) -> None:
    """Faults until so many kills are done (all kinds at least once), or the time is over."""
    for person in world.people:
        person.start()
    _first_work(world)
    kinds = _EVERYWHERE | ({} if world.is_embedded else _WITH_SERVERS)
    first = list(kinds)
    world.chance.shuffle(first)
    end = time.monotonic() + seconds
    while time.monotonic() < end and (world.kills < kills or first):
        fault = first.pop() if first else world.chance.choices(list(kinds), list(kinds.values()))[0]
        fault(world)
        wait(world.chance.uniform(0.3, 2.0))


def strike(world: World, faults: Sequence[Callable[[World], None]]) -> None:
    """Each of the faults once."""
    for person in world.people:
        person.start()
    _first_work(world)
    for fault in world.chance.sample(list(faults), len(faults)):
        fault(world)
        wait(world.chance.uniform(0.3, 1.0))


def _first_work(world: World) -> None:
    """Faults on a shop that stands still would prove nothing."""
    end = time.monotonic() + _START_SECONDS
    while time.monotonic() < end and not (len(world.told.acked) > 3 and world.told.burned):
        wait(0.2)


def drain(world: World) -> list[str]:
    """All is well again; the operators finish what there is. Returns what would not be finished."""
    world.say("drain: everything is well again")
    world.receiver.mood = "good"
    world.receiver.over.set()
    for person in world.people:
        if not isinstance(person, Operator):
            person.over.set()
    for name, program in world.programs.items():
        program.limit_files(None)
        if not program.is_up:
            world.say(f"{name} had ended by itself; see {program.log}")
            world.done["ended_by_itself"] += 1
            program.start()
    world.clock.step(-world.clock.offset)
    for person in world.people:
        if not isinstance(person, Operator):
            person.join(60)
    moved = -1
    moved_at = stepped_at = time.monotonic()
    while (left := verdict.unfinished(world.database)) and time.monotonic() - moved_at < _DRAIN_SECONDS:
        if (moves := verdict.moves(world.database)) != moved:
            moved, moved_at, stepped_at = moves, time.monotonic(), time.monotonic()
        elif time.monotonic() - stepped_at > (_SLOW_SECONDS if is_at_work(world) else _STANDS_STILL_SECONDS):
            # What died still holds leases and runs, and what failed pauses: nobody waits for their ends.
            world.clock.step(_STEP_SECONDS)
            stepped_at = time.monotonic()
        wait(0.3)
    for person in world.people:
        person.over.set()
    for person in world.people:
        person.join(30)
    return left


def is_at_work(world: World) -> bool:
    """Whether an operator has a load in hand: on a busy machine an act takes its time."""
    return any(operator.load is not None for operator in world.operators())


def judged(world: World, left: list[str]) -> Verdict:
    """What people were told against what is on record, and the audit of a shop that is still open."""
    audit = look(world.database.engine, Versions(), photos=world.folder / "data" / FOLDER)
    damage = [one.says for one in audit.damage]
    return verdict.judge(world.database, world.told, left=left, damage=damage)


def storm(
    folder: Path, *, seed: int, embedded: bool, kills: int, seconds: float, say: Say = print
) -> tuple[Verdict, World]:
    """One storm from beginning to end."""
    timed = _timed(say)
    with a_world(folder, seed=seed, embedded=embedded, say=timed) as world:
        return _lived_through(world, seed, lambda: rage(world, kills=kills, seconds=seconds))


def squall(
    folder: Path, faults: Sequence[Callable[[World], None]], *, seed: int, embedded: bool, say: Say = print
) -> tuple[Verdict, World]:
    """Each fault once, in an order drawn from the seed, on few processes with few orders."""
    timed = _timed(say)
    with a_world(
        folder,
        seed=seed,
        embedded=embedded,
        say=timed,
        stores=1,
        api=1,
        workers=1,
        orders=_ORDERS_IN_A_SQUALL,
        measures_fonts=False,  # what is measured behind takes a processor for as long as the service is up
        checkers=1 if embedded else 0,  # where a worker plans, checks need no processes of their own
    ) as world:
        return _lived_through(world, seed, lambda: strike(world, faults))


def _timed(say: Say) -> Say:
    begun = time.monotonic()
    return lambda what: say(f"{time.monotonic() - begun:7.1f} s  {what}")


def _lived_through(world: World, seed: int, ill_treat: Callable[[], None]) -> tuple[Verdict, World]:
    world.say(
        f"seed {seed}, {'SQLite, embedded' if world.is_embedded else 'PostgreSQL, broker, workers'}: open"
    )
    ill_treat()
    left = drain(world)
    world.say("drained")
    return judged(world, left), world
