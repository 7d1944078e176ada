"""The zone of a report when the home file names none."""

from pathlib import Path

from whichhop.cli.text import machine_zone


def test_tz_comes_first_then_where_localtime_leads(tmp_path: Path) -> None:
    link = tmp_path / "localtime"
    link.symlink_to("/usr/share/zoneinfo/Europe/Lisbon")
    assert machine_zone(link, {"TZ": ":Europe/Helsinki"}) == "Europe/Helsinki"
    assert machine_zone(link, {}).endswith(("Lisbon", "Portugal"))


def test_what_is_no_zone_gives_utc(tmp_path: Path) -> None:
    assert machine_zone(tmp_path / "nothing", {"TZ": "EST5EDT4,garbage"}) == "UTC"
    assert machine_zone(tmp_path / "nothing", {}) == "UTC"
