"""The study's secrets stay in its log: in no packet, report, table, answer of the page, no screen."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from listening.packet.collect import collect
from listening.packet.packet_file import write_packet
from reports.output.report import write_report
from sessions.study import LOG_FILE
from tests.clocks import SetClock
from tests.command_line import told
from tests.far_listener import Far
from tests.page_api import bench
from tests.page_study import EVENING, copied, rendered

__all__ = ["rendered"]


def ways_to_write(secret: str) -> set[bytes]:
    """A secret of 256 bits, as text or as it is: in hexadecimal and in base64, wherever it begins."""
    bytes_ = bytes.fromhex(secret)
    spellings = {bytes_, bytes_[::-1], secret.encode(), secret.upper().encode()}
    for plain in (bytes_, secret.encode()):
        for shift in range(3):  # in base64 within other bytes, all but the ends of it look one of three ways
            text = base64.b64encode(b"\0" * shift + plain)[4 if shift else 0 : -4]
            spellings |= {text, text.replace(b"+", b"-").replace(b"/", b"_")}
    return spellings


def contents(data: bytes) -> Iterator[bytes]:
    """The data, and what is embedded in it as base64."""
    yield data
    for text in re.findall(rb"[A-Za-z0-9+/]{44,}", data):
        yield base64.b64decode(text[: len(text) // 4 * 4])


def require_kept(secrets: Iterable[str], where: str, data: bytes) -> None:
    for content in contents(data):
        for secret in secrets:
            assert not [way for way in ways_to_write(secret) if way in content], where


def test_no_secret_leaves_the_log(rendered: Path, tmp_path: Path) -> None:
    clock = SetClock(EVENING)
    study = copied(rendered, tmp_path / "study", clock)
    small = write_packet(study, "ana", small=True).read_bytes()
    far = Far(write_packet(study, "ana"), clock())
    clock.forward(days=2)
    far.hear_all()
    collect(study, far.file(tmp_path / "answers.json"))
    seen: list[tuple[str, bytes]] = [("the small packet", small)]
    with bench(study) as made:
        bo = made.caller("bo")
        for _ in range(3):
            bo.answer(bo.hear(made.longest_s()), 50)
        bo.post("/api/round/close", {"round": 1})
        seen += [(str(r.url), r.content + repr(r.headers).encode()) for r in bo.seen]
    write_report(study)
    seen += [
        (" ".join(c), told(study.folder, *c).encode()) for c in (["status"], ["status", "--json"], ["check"])
    ]
    write_report(study, open_now=True)
    seen.append(
        ("decide", told(study.folder, "decide", "upside down", "--because", "it lifts", "--yes").encode())
    )
    secrets = {name: study.log.secret(name) for name in ("packet_key", "page_key", "plan_seed")}
    log = (study.folder / LOG_FILE).read_bytes()
    assert all(secret.encode() in log for secret in secrets.values()), "that is where they are"
    assert (
        far.packet.about["signature"].encode() in (study.folder / "packets" / "ana-round-1.html").read_bytes()
    )
    files = [p for p in study.folder.rglob("*") if p.is_file() and p.name != LOG_FILE]
    kinds = {path.suffix for path in files}
    assert kinds >= {".html", ".csv", ".md", ".json", ".mid", ".wav", ".flac", ".toml"}
    seen += [(path.name, path.read_bytes()) for path in (*files, tmp_path / "answers.json")]
    for where, data in seen:
        require_kept(secrets.values(), where, data)


def test_a_secret_would_be_found(tmp_path: Path) -> None:
    """The check itself: hidden in any of these ways, it is seen."""
    secret = "0123456789abcdef" * 4
    for hidden in (
        bytes.fromhex(secret), secret.upper().encode(),
        base64.b64encode(b"x" + bytes.fromhex(secret) + b"yz"), base64.b64encode(b"ab" + secret.encode()),
        base64.b64encode(b"sound" * 20 + bytes.fromhex(secret)),
        base64.urlsafe_b64encode(bytes.fromhex(secret)),
    ):  # fmt: skip
        try:
            require_kept([secret], "here", b"before " + hidden + b" after")
        except AssertionError:
            continue
        raise AssertionError(hidden)
