"""Names of files within a bundle: which there are, and which may be unpacked on any system."""

from __future__ import annotations

import re

INSIDE = "study"  # the folder within the bundle
LOG = f"{INSIDE}/log.sqlite"
README, SUMS = "README.txt", "SHA256SUMS"
LONGEST_NAME_BYTES = 400
# Windows keeps these for devices, with any ending (Microsoft, "Naming Files, Paths, and Namespaces")
_DEVICE = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?", re.IGNORECASE)


def name_problem(name: str) -> str:
    """Why a name within a bundle could lead out of its folder or cannot be everywhere; "" where it can."""
    parts = name.split("/")
    if name.startswith("/") or re.match(r"[A-Za-z]:", name):
        return "an absolute path"
    if "\\" in name or ".." in parts:
        return "a path that leads out of the folder"
    if "" in parts or "." in parts or len(name.encode("utf-8", "replace")) > LONGEST_NAME_BYTES:
        return "a path that is none"
    if re.search(r'[<>:"|?*\x00-\x1f\x7f]', name) or not name.isprintable():
        return "a name with signs that not every system allows"
    if any(_DEVICE.fullmatch(part) or part[-1] in ". " for part in parts):
        return "a name that Windows does not allow"
    return ""
