"""Jinja2 templates of every page, as compiled last time.

To compile those of a report takes longer than to fill them in.
"""

from __future__ import annotations

from contextlib import suppress

from jinja2 import BytecodeCache, Environment, FileSystemBytecodeCache, PackageLoader, StrictUndefined
from jinja2.bccache import Bucket


class _Kept(FileSystemBytecodeCache):
    def dump_bytecode(self, bucket: Bucket) -> None:
        with suppress(OSError):  # a full disk: compiled again next time
            super().dump_bytecode(bucket)


def environment(package: str) -> Environment:
    """The templates of a package; everything is escaped, undefined names are refused."""
    return Environment(
        loader=PackageLoader(package),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        bytecode_cache=_compiled(),
    )


def _compiled() -> BytecodeCache | None:
    """Compiled templates in a folder of the user's own, beneath the system's temporary one; each is used
    only for the very source it was compiled from. None where there can be no such folder."""
    try:
        return _Kept()
    except (OSError, RuntimeError):
        return None
