"""A network between a browser and a server that tests can break: a relay for TCP connections."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

READ_S = 0.7  # time for the other end to read what it was sent


class Wire:
    """Relays connections to `port` of this machine until told otherwise."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._door = socket.create_server(("127.0.0.1", 0))
        self._lock = threading.Lock()
        self._ends: set[socket.socket] = set()
        self._broken = False
        self._lose = b""
        self._cut_after = 0
        self.lost = 0
        threading.Thread(target=self._accept, daemon=True).start()

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self._door.getsockname()[1]}"

    def cut(self) -> None:
        """Every connection breaks, and no new one comes about."""
        with self._lock:
            self._broken = True
            ends = list(self._ends)
        for end in ends:
            _close(end)

    def mend(self) -> None:
        self._broken = False

    def lose_answer_to(self, words: bytes) -> None:
        """The next request with these words arrives, and its answer does not."""
        self._lose = words

    def cut_after(self, size: int) -> None:
        """The next answer that is longer than `size` bytes breaks off there."""
        self._cut_after = size

    def close(self) -> None:
        self.cut()
        self._door.close()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._door.accept()
                if self._broken:
                    near.close()
                    continue
                far = socket.create_connection(("127.0.0.1", self._to))
                with self._lock:
                    self._ends |= {near, far}
                asked: list[bytes] = [b""]
                threading.Thread(target=self._ask, args=(near, far, asked), daemon=True).start()
                threading.Thread(target=self._answer, args=(near, far, asked), daemon=True).start()

    def _ask(self, near: socket.socket, far: socket.socket, asked: list[bytes]) -> None:
        with suppress(OSError):
            while data := near.recv(1 << 16):
                asked[0] = (asked[0] + data)[-(1 << 16) :]
                far.sendall(data)
        self._hang_up(near, far)

    def _answer(self, near: socket.socket, far: socket.socket, asked: list[bytes]) -> None:
        with suppress(OSError):
            passed = 0
            while data := far.recv(1 << 16):
                if self._lose and self._lose in asked[0]:
                    self._lose = b""
                    self.lost += 1
                    break
                passed = len(data) if data.startswith(b"HTTP/1.1") else passed + len(data)
                if self._cut_after and passed > self._cut_after:
                    near.sendall(data[: len(data) // 2])
                    time.sleep(READ_S)  # what a broken connection had not handed over is lost with it
                    self._cut_after = 0
                    self.lost += 1
                    break
                asked[0] = b""
                near.sendall(data)
        self._hang_up(near, far)

    def _hang_up(self, *ends: socket.socket) -> None:
        for end in ends:
            _close(end)
            with self._lock:
                self._ends.discard(end)


def _close(end: socket.socket) -> None:
    with suppress(OSError):
        end.shutdown(socket.SHUT_RDWR)
    end.close()


@contextmanager
def wire(base: str) -> Iterator[Wire]:
    """A wire to the server at `base`."""
    made = Wire(int(base.rpartition(":")[2]))
    try:
        yield made
    finally:
        made.close()
