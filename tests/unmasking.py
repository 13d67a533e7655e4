"""What a listener's device does with the sound that it was sent: masked.js, in Python."""

from __future__ import annotations

from listening.page.masked import LENGTH_BYTES, mask


def unmasked(data: bytes, key: int) -> bytes:
    """The file in what travelled."""
    plain = mask(data, 0, key)
    return plain[LENGTH_BYTES : LENGTH_BYTES + int.from_bytes(plain[:LENGTH_BYTES], "little")]
