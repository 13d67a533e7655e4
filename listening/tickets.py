"""Signed tickets, so that what comes back to the study is what it handed out (HMAC, RFC 2104)."""

from __future__ import annotations

import hashlib
import hmac


def sign(key: str, *words: str) -> str:
    """The study's signature (64 hexadecimal digits) under `words`; each word's length is signed with it."""
    message = "".join(f"{len(word.encode())}:{word}" for word in words)
    return hmac.new(key.encode("ascii"), message.encode(), hashlib.sha256).hexdigest()


def is_signed(signature: str, key: str, *words: str) -> bool:
    """Whether `signature` is the study's own under `words` (compared in constant time)."""
    return hmac.compare_digest(sign(key, *words).encode(), signature.encode("utf-8", "replace"))
