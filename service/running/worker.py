"""The Celery worker; no other module knows Celery. Messages are hints (a row's number), the row is the truth.

Settings follow Celery's and kombu's own documentation of the Redis transport
(https://docs.celeryq.dev/en/stable/getting-started/backends-and-brokers/redis.html, "Caveats"; kombu 5.7
changelog for `unacked_restore_*`; Celery 5.7 changelog for `broker_pool_acquire_timeout`).
"""

from __future__ import annotations

import os
import time
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from celery import Celery
from celery.signals import worker_process_init, worker_process_shutdown

from service.running import relay, tasks
from service.running.outbox_rows import Hint
from service.running.relay import Publish
from service.shop.settings import Settings
from service.shop.tools import Tools

_PREFIX = "ricasso:"
_TRANSPORT: Mapping[str, Any] = MappingProxyType(
    {
        # More than three times the hard limit: a message whose task still runs must not be given out again.
        "visibility_timeout": 900,
        # The default looks for lost messages every hundred seconds.
        "unacked_restore_interval": 5,
        "unacked_restore_throttle": 1,
        "socket_timeout": 5,
        "socket_connect_timeout": 2,
        "socket_keepalive": True,
        "health_check_interval": 25,
        "global_keyprefix": _PREFIX,
        "client_name": _PREFIX,
    }
)


def _client(broker_url: str, **transport: Any) -> Celery:
    app = Celery("ricasso", set_as_current=False)
    app.conf.update(
        broker_url=broker_url,
        broker_transport_options={**_TRANSPORT, **transport},
        visibility_timeout=900,
        result_backend=None,
        task_ignore_result=True,  # what came of a task stands in the database
        task_acks_late=True,
        task_reject_on_worker_lost=True,
        # Failures and time-outs are acknowledged: the outbox decides whether and when to try again.
        task_acks_on_failure=True,
        task_acks_on_timeout=True,
        worker_prefetch_multiplier=1,
        task_time_limit=tasks.HARD_LIMIT_SECONDS,
        task_soft_time_limit=tasks.SOFT_LIMIT_SECONDS,
        task_publish_retry_policy={
            "max_retries": 2,
            "interval_start": 0,
            "interval_step": 0.2,
            "interval_max": 0.5,
        },
        broker_pool_acquire_timeout=2,
        broker_connection_retry_on_startup=True,
        broker_connection_max_retries=None,
        worker_cancel_long_running_tasks_on_connection_loss=True,
        worker_soft_shutdown_timeout=20,
        # Pokes alone are some hundred a minute, and to begin anew takes seconds of a processor.
        worker_max_tasks_per_child=20_000,
        worker_max_memory_per_child=400_000,
        task_serializer="json",
        accept_content=["json"],
        task_always_eager=False,
        # Beat only pokes: a poke that is one too many finds nothing due.
        beat_schedule={
            f"poke-{lane}": {
                "task": "ricasso.poke",
                "args": [lane],
                "schedule": 1.0,
                "options": {"expires": 10},
            }
            for lane in tasks.LANES
        },
        beat_schedule_filename=os.environ.get("RICASSO_BEAT_FILE", "/tmp/ricasso-beat"),  # noqa: S108  a cache
    )
    return app


#: What `ricasso worker` runs.
celery = _client(os.environ.get("RICASSO_BROKER_URL") or "redis://localhost:6379/0")

_tools: Tools | None = None
_followed_at = 0.0
_FOLLOW_SECONDS = 1.0


def tools() -> Tools:
    """This process's own connection pool, catalogue and geometry, made on first use (so after any fork); the
    shop's description is the one in force, of a second ago at most."""
    global _tools, _followed_at  # noqa: PLW0603  one per process is what is meant
    if _tools is None:
        from service.running.assembly import assemble, trace

        _tools = assemble(Settings(), in_worker=True)
        trace(_tools)
    elif time.monotonic() > _followed_at + _FOLLOW_SECONDS:
        _followed_at = time.monotonic()
        _tools.follow()
    return _tools


@worker_process_init.connect  # type: ignore[untyped-decorator]
def _forget_parent(**_: Any) -> None:
    global _tools  # noqa: PLW0603
    _tools = None


@worker_process_shutdown.connect  # type: ignore[untyped-decorator]
def _close(**_: Any) -> None:
    if _tools is not None:
        _tools.database.engine.dispose()


@celery.task(name="ricasso.run")  # type: ignore[untyped-decorator]
def run(outbox_id: int) -> None:
    """Do the work of one row of the outbox."""
    tasks.run(tools(), outbox_id)


@celery.task(name="ricasso.poke")  # type: ignore[untyped-decorator]
def poke(lane: str) -> None:
    """Run what is due in a lane; with the sweeps also the relay, in case no API process is up."""
    tasks.run_periodic(tools(), lanes=(lane,))
    if lane == tasks.SWEEPS:
        relay.send_due(tools().database, _publish_to(celery), clock=tools().clock)


def publisher(settings: Settings) -> Publish:
    """Sends hints to the broker of these settings; for the relay beside an API process.

    What it gives raises when the broker can't be had, within a few seconds.
    """
    # The relay can wait for the next round; it must not hang on a broker that has stopped answering.
    return _publish_to(_client(settings.broker_url, socket_timeout=2))


def _publish_to(client: Celery) -> Publish:
    def publish(hint: Hint) -> None:
        client.send_task("ricasso.run", args=[hint.id], ignore_result=True)

    return publish
