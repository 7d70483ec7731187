"""A TCP proxy that cuts what goes through it, or holds it back without a word (half-open)."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import threading
from typing import Self

#: Closing with this sends a reset instead of an orderly end.
_RESET = struct.pack("ii", 1, 0)
_CHUNK = 65_536


class Proxy:
    """Listens on a port of its own and passes everything on to `target`: a host and port, or the path of a
    socket."""

    def __init__(self, target: tuple[str, int] | str) -> None:
        self.target = target
        self._loop = asyncio.new_event_loop()
        self._flowing = asyncio.Event()
        self._writers: set[asyncio.StreamWriter] = set()
        self._listening = socket.create_server(("127.0.0.1", 0), backlog=512)
        self.port: int = self._listening.getsockname()[1]
        self._thread = threading.Thread(target=self._run, name="proxy", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._listening.close()

    def cut(self) -> int:
        """Reset every connection there is; returns how many ends that were."""
        return asyncio.run_coroutine_threadsafe(self._cut(), self._loop).result()

    def hold(self) -> None:
        """Pass nothing on, and don't say so."""
        self._loop.call_soon_threadsafe(self._flowing.clear)

    def go_on(self) -> None:
        self._loop.call_soon_threadsafe(self._flowing.set)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._flowing.set()
        self._loop.run_until_complete(asyncio.start_server(self._meet, sock=self._listening))
        self._loop.run_forever()
        for task in asyncio.all_tasks(self._loop):
            task.cancel()
        self._loop.run_until_complete(asyncio.sleep(0))
        self._loop.close()

    async def _cut(self) -> int:
        cut = list(self._writers)
        for writer in cut:
            end = writer.get_extra_info("socket")
            if end is not None and end.family != socket.AF_UNIX:
                with contextlib.suppress(OSError):
                    end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
            writer.transport.abort()
        return len(cut)

    async def _meet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            if isinstance(self.target, str):
                back, forth = await asyncio.open_unix_connection(self.target)
            else:
                back, forth = await asyncio.open_connection(*self.target)
        except OSError:
            writer.transport.abort()
            return
        await asyncio.gather(self._pass_on(reader, forth), self._pass_on(back, writer))

    async def _pass_on(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        try:
            while data := await reader.read(_CHUNK):
                await self._flowing.wait()
                writer.write(data)
                await writer.drain()
        except OSError:
            pass
        finally:
            self._writers.discard(writer)
            with contextlib.suppress(OSError, RuntimeError):
                writer.close()
