"""Folders of dead homes are found and removed; those of living ones are never touched."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from msgspec.structs import replace

from whichhop.errors import SystemRefusedError
from whichhop.lab.build import folders
from whichhop.lab.build.folders import About


def about(folder: Path, owner: int, owner_started: int) -> About:
    return About(
        token=folder.name,
        owner=owner,
        owner_started=owner_started,
        holder=owner,
        holder_started=owner_started,
        inner=owner,
        own_users=False,
        spaces={"desk": 9},
    )


def ended_process() -> int:
    with subprocess.Popen([sys.executable, "-c", ""]) as child:
        child.wait()
        return child.pid


def me(folder: Path) -> About:
    started = folders.started(os.getpid())
    assert started is not None
    return about(folder, os.getpid(), started)


def test_what_was_written_about_a_home_is_read_back(tmp_path: Path) -> None:
    folder = folders.new_folder(tmp_path)
    folders.write_about(folder, me(folder))
    assert folders.read_about(folder) == me(folder)
    assert [a for _, a in folders.running(tmp_path)] == [me(folder)]


def test_a_living_owners_home_is_left_alone(tmp_path: Path) -> None:
    folder = folders.new_folder(tmp_path)
    folders.write_about(folder, me(folder))
    assert folders.clean(tmp_path) == []
    assert folder.is_dir()


def test_a_dead_owners_home_is_removed_once(tmp_path: Path) -> None:
    folder = folders.new_folder(tmp_path)
    folders.write_about(folder, about(folder, ended_process(), 1))
    assert folders.clean(tmp_path) == [f"removed the leftover home {folder.name}"]
    assert folders.clean(tmp_path) == []


def test_a_process_number_given_out_again_is_not_taken_for_the_owner(tmp_path: Path) -> None:
    folder = folders.new_folder(tmp_path)
    # Same number as this living process, other start time; the holder is gone too, so nobody is signalled.
    folders.write_about(folder, replace(me(folder), owner_started=1, holder_started=1))
    assert len(folders.clean(tmp_path)) == 1


def test_a_folder_being_set_up_is_left_alone_and_a_nameless_leftover_is_not(tmp_path: Path) -> None:
    young, old = folders.new_folder(tmp_path), folders.new_folder(tmp_path)
    (old / folders.MAKER).write_text(str(ended_process()))
    folders.clean(tmp_path)
    assert young.is_dir()
    assert not old.exists()


def test_a_start_time_is_read_past_a_name_with_brackets(tmp_path: Path) -> None:
    # proc(5): field 2 is the name in brackets and may hold any character; field 22 is the start time.
    stat = tmp_path / "5" / "stat"
    stat.parent.mkdir()
    fields = ["S", *map(str, range(4, 53))]
    stat.write_text("5 (a) b (c)) " + " ".join(fields))
    assert folders.started(5, tmp_path) == 22
    assert folders.started(6, tmp_path) is None


def test_a_folder_that_others_could_have_filled_is_no_place_for_homes(tmp_path: Path) -> None:
    """What stands in it says which processes to end: in a shared folder anybody may have made it first."""
    base, mine = tmp_path / "base", tmp_path / "mine"
    mine.mkdir(mode=0o700)
    base.symlink_to(mine)
    open_to_all = tmp_path / "open"
    open_to_all.mkdir()
    open_to_all.chmod(0o777)
    file = tmp_path / "file"
    file.touch()
    others = tmp_path / "others"
    others.mkdir(mode=0o700)
    if os.geteuid() == 0:
        os.chown(others, 65534, 65534)
    for place in (base, open_to_all, file, *([others] if os.geteuid() == 0 else [])):
        for use in (folders.new_folder, folders.clean, lambda p: list(folders.running(p))):
            with pytest.raises(SystemRefusedError, match="remove it, or set XDG_RUNTIME_DIR"):
                use(place)
    assert folders.clean(tmp_path / "none") == []
