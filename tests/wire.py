"""A network between a browser and a server that tests can break: a relay for TCP connections."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

LONGEST_S = 30.0


class Wire:
    """Relays connections to `port` of this machine until told otherwise."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._door = socket.create_server(("127.0.0.1", 0))
        self._lock = threading.Lock()
        self._ends: set[socket.socket] = set()
        self._broken = False
        self._lose: list[bytes] = []
        self._cut_after = 0
        self._half_sent, self._cut_now = threading.Event(), threading.Event()
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

    def lose_answers_to(self, *words: bytes) -> None:
        """The next request with each of these words arrives, and its answer does not."""
        self._lose = list(words)

    def hold_after(self, size: int) -> None:
        """The next answer that is longer than `size` bytes stands still there, until `let_go`."""
        self._cut_after = size

    def wait_until_held(self) -> None:
        assert self._half_sent.wait(LONGEST_S), "no answer was as long as that"

    def let_go(self) -> None:
        """The answer that stands still breaks off (what its reader has not taken up is lost with it)."""
        self._cut_now.set()

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
                lost = next((words for words in self._lose if words in asked[0]), None)
                if lost is not None:
                    self._lose.remove(lost)
                    self.lost += 1
                    break
                passed = len(data) if data.startswith(b"HTTP/1.1") else passed + len(data)
                if self._cut_after and passed > self._cut_after:
                    near.sendall(data[: len(data) // 2])
                    self._cut_after = 0
                    self._half_sent.set()
                    self._cut_now.wait(LONGEST_S)
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
