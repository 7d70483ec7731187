"""`ricasso serve` and `ricasso worker`."""

from __future__ import annotations

import gc
import os
import socket
import sys
from contextlib import nullcontext, suppress
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.saying import Data, Failed, settings_of

if TYPE_CHECKING:
    from service.shop.settings import Settings
    from service.shop.versions import Described

_GRACE_SECONDS = 5
#: Connections made and not taken up yet.
_BACKLOG = 1024
#: What `nice` takes off for workers: on a full machine that they share with requests, plans and callbacks
#: have a tenth of an equal share, and nobody at a desk or a bench waits for them.
_TASKS_BEHIND = 10
_OWN_SESSION = Path("/proc/self/autogroup")


def serve(
    port: Annotated[int, typer.Option(help="Port to listen on; 0: any free one", min=0, max=65535)] = 8000,
    host: Annotated[str, typer.Option(help="Address to listen on")] = "127.0.0.1",
    data: Data = None,
    fixtures: Annotated[
        Path | None,
        typer.Option(
            "--fixtures",
            metavar="DIR",
            help="Folder of the shop's description (otherwise RICASSO_FIXTURES, the made-up shop)",
        ),
    ] = None,
) -> None:
    """Bring the database up to date, put the opening stock into an empty one, and serve until stopped."""
    # What is imported and read at a start stays: to look it through for garbage again and again takes a
    # quarter of it. `_serve` turns it on.
    gc.disable()
    from service.app import set_up_logging
    from service.records import folders

    settings = settings_of(data, fixtures)
    listening = _listen(host, port)
    set_up_logging(settings.log_level)
    folders.keep_private(settings.data)
    try:
        alone = folders.serve_alone(settings.url)
    except folders.InUse as taken:
        listening.close()
        raise Failed(
            f"another `ricasso serve` works with {taken} already; stop it, or choose another --data"
        ) from None
    try:
        _serve(settings, listening, host)
    except KeyboardInterrupt:
        if sys.stdout.isatty():
            typer.echo("stopped")
    finally:
        listening.close()
        if alone is not None:
            alone.close()


def _serve(settings: Settings, listening: socket.socket, host: str) -> None:
    import uvicorn
    from structlog import get_logger

    from service.app import create_app
    from service.arrivals.deadlines import PAUSE_SECONDS, TimedConnection, raise_open_files
    from service.running.assembly import assemble, trace
    from service.shop.measured_behind import measuring_behind
    from service.shop.settings import PREFIX
    from service.stock import import_stock as imports

    tools = assemble(settings)
    trace(tools)
    # The process that workers are forked from reads it, before any of them is handed its work.
    os.environ[f"{PREFIX}FIXTURES"] = str(tools.catalogue.described.source.resolve())
    stocked = imports.open_the_store_room(tools)
    app = create_app(tools)
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{listening.getsockname()[1]}"
    facts = {
        "data": str(settings.data.resolve()),
        "database": tools.database.engine.url.render_as_string(hide_password=True),
        "tasks": "handed to the broker" if settings.broker_url else "run in this process",
        "shop": _described(settings, tools.catalogue.described),
        "stock": f"{stocked} counts of the opening stock were put in" if stocked else "",
    }
    get_logger(__name__).info("started", ricasso=version("ricasso"), address=address, **facts)
    if sys.stdout.isatty():  # for whoever started it by hand; a journal has the line of log
        typer.echo(f"Ricasso    {address}  (health: {address}/healthz)")
        for what, fact in facts.items():
            if fact:
                typer.echo(f"{what:10} {fact}")
        typer.echo(f"keys       ricasso keys new owner --data {settings.data}")
        typer.echo("Ctrl-C stops it.")
    TimedConnection.most_connections = raise_open_files()
    config = uvicorn.Config(
        app,
        http=TimedConnection,
        backlog=_BACKLOG,
        log_config=None,
        access_log=False,
        server_header=False,
        forwarded_allow_ips=settings.proxies,
        timeout_keep_alive=PAUSE_SECONDS,
        timeout_graceful_shutdown=_GRACE_SECONDS,
        h11_max_incomplete_event_size=16_384,
    )
    behind = (
        measuring_behind(tools.catalogue.described.source.resolve(), settings.font_tables)
        if settings.measure_fonts
        else nullcontext()
    )
    gc.freeze()
    gc.enable()
    with behind as measure_again:
        if measure_again is not None:
            tools.catalogue.tell(lambda described: measure_again(described.source.resolve()))
        uvicorn.Server(config).run(sockets=[listening])


def _described(settings: Settings, described: Described) -> str:
    """Which description is in force, and from where it comes."""
    folder = "" if settings.fixtures is None else f"  (folder {settings.fixtures})"
    return f"number {described.number}, version {described.shop.version[:12]}{folder}"


def _listen(host: str, port: int) -> socket.socket:
    """The listening socket, had before anything else is begun. Raises Failed for a port that is taken."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen(_BACKLOG)
    except OSError as error:
        listening.close()
        raise Failed(
            f"can't listen on {host} port {port}: {error.strerror}; choose another --port"
        ) from error
    return listening


def worker(
    concurrency: Annotated[int, typer.Option(help="Processes", min=1, max=64)] = 2,
    *,
    beat: Annotated[
        bool, typer.Option("--beat", help="Only send the pokes that start periodic tasks")
    ] = False,
) -> None:
    """Run tasks from the broker (RICASSO_DATABASE_URL and RICASSO_BROKER_URL must be set)."""
    if not os.environ.get("RICASSO_BROKER_URL"):
        raise Failed("RICASSO_BROKER_URL is not set; without a broker `ricasso serve` runs the tasks itself")
    settings_of(None)  # says in one sentence what is wrong with them
    from service.running.worker import celery

    if beat:
        celery.start(["beat", "--loglevel", "WARNING", "--pidfile="])
        return
    stand_behind_requests()
    alone = ["--without-gossip", "--without-mingle"]  # workers have nothing to say to one another here
    celery.start(["worker", "--concurrency", str(concurrency), "--loglevel", "WARNING", *alone])


def stand_behind_requests() -> None:
    """Let requests have the processors first, as far as this process may decide it."""
    os.nice(_TASKS_BEHIND)
    # Linux weighs sessions against one another first; `nice` counts only among the processes of one
    # (https://man7.org/linux/man-pages/man7/sched.7.html, "The autogroup feature"): a worker with a session
    # of its own stands behind with all of it.
    if os.getsid(0) == os.getpid():
        with suppress(OSError):  # other kernels have no such file
            _OWN_SESSION.write_text(str(_TASKS_BEHIND))
    if hasattr(os, "SCHED_BATCH"):  # nor do they break in on a request that is being answered
        with suppress(OSError):  # some containers and C libraries let nobody choose; all else goes on
            os.sched_setscheduler(0, os.SCHED_BATCH, os.sched_param(0))
