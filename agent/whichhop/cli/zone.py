"""The time zone a report is written in: the home file's, else the machine's."""

import os
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError


def machine_zone(localtime: Path = Path("/etc/localtime"), environ: "dict[str, str] | None" = None) -> str:
    """The machine's IANA zone: TZ, else where /etc/localtime leads; UTC when neither names one."""
    found = (os.environ if environ is None else environ).get("TZ", "").lstrip(":")
    if not found and localtime.is_symlink():
        found = str(localtime.resolve()).partition("/zoneinfo/")[2]
    try:
        return ZoneInfo(found).key if found else "UTC"
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return "UTC"
