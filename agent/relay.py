"""A TCP relay whose link can be cut and mended: a dead zone without coverage, for the demo and for tests.

Sits between a vehicle's agent and its broker and passes bytes on untouched. Knows nothing of MQTT. One thread of its
own carries all connections.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from typing import Self

_CHUNK_BYTES = 65_536


class LinkRelay:
    """Listens on `host:listen_port` (0: any free one, see `port`) and passes each connection on to the target.

    `start` raises OSError where the port cannot be had. Use as a context manager, or `close` it.
    """

    def __init__(
        self, *, listen_port: int, target_port: int, host: str = "127.0.0.1", target_host: str = "127.0.0.1"
    ) -> None:
        self.port = listen_port
        self.passed_bytes = 0
        """How many bytes have been passed on, both ways together."""
        self._host, self._target_host, self._target_port = host, target_host, target_port
        self._cut = self._silent = False
        self._writers: set[asyncio.StreamWriter] = set()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="relay", daemon=True)
        self._server: asyncio.Server | None = None

    def start(self) -> Self:
        """Begin to listen."""
        self._thread.start()
        try:
            asyncio.run_coroutine_threadsafe(self._listen(), self._loop).result()
        except OSError:
            self.close()
            raise
        return self

    def cut(self, *, silently: bool = False) -> None:
        """Take the link away. Returns when it is gone.

        Open connections are reset and new ones too, as by a router that has no route. `silently`: they stay open and
        every byte is lost, as in a real dead zone; only a watchdog notices.
        """

        def change() -> None:
            self._cut = True
            if not silently:
                self._reset_all()
            self._silent = silently

        self._call(change)

    def mend(self) -> None:
        """Give the link back. Connections that were open in silence are reset: what they lost cannot be made up."""

        def change() -> None:
            if self._cut:
                self._reset_all()
            self._cut = False

        self._call(change)

    def close(self) -> None:
        """Reset every connection, stop listening and end the thread."""
        if self._thread.is_alive():
            asyncio.run_coroutine_threadsafe(self._end(), self._loop).result()
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join()
        if not self._loop.is_closed():
            self._loop.close()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.close()

    def _call(self, change: Callable[[], None]) -> None:
        async def run() -> None:  # a coroutine only so that it runs in the loop's thread and can be waited for
            change()

        asyncio.run_coroutine_threadsafe(run(), self._loop).result()

    async def _listen(self) -> None:
        self._server = await asyncio.start_server(self._serve, self._host, self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def _end(self) -> None:
        if self._server is not None:
            self._server.close()
        self._reset_all()
        others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)

    def _reset_all(self) -> None:
        for writer in self._writers:
            writer.transport.abort()

    async def _serve(self, near_reader: asyncio.StreamReader, near_writer: asyncio.StreamWriter) -> None:
        self._writers.add(near_writer)
        far_writer = None
        try:
            if self._cut and not self._silent:
                return
            if self._cut:
                await self._pass(near_reader, near_writer)  # everything is lost: nothing is ever written back
                return
            far_reader, far_writer = await asyncio.open_connection(self._target_host, self._target_port)
            self._writers.add(far_writer)
            passing = [
                asyncio.ensure_future(self._pass(near_reader, far_writer)),
                asyncio.ensure_future(self._pass(far_reader, near_writer)),
            ]
            try:
                await asyncio.wait(passing, return_when=asyncio.FIRST_COMPLETED)
            finally:
                for task in passing:
                    task.cancel()
                await asyncio.gather(*passing, return_exceptions=True)
        except OSError:
            pass  # the target is not there: the near end is reset below, as it would be by the target itself
        finally:
            for writer in (near_writer, far_writer):
                if writer is not None:
                    self._writers.discard(writer)
                    writer.transport.abort()

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while chunk := await reader.read(_CHUNK_BYTES):
            if not self._cut:
                self.passed_bytes += len(chunk)
                writer.write(chunk)
                await writer.drain()
