"""A lost laptop is revoked by one command; three agents run, each with its own files and its own key.

Who is left gets the home's new key by itself, running or off; who is revoked gets nothing, and all refuse it.
"""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.loopback_home import ADDRESS, LoopbackHome
from whichhop.app.agents.agents_fetch import AgentsFetch
from whichhop.config.check import read_home
from whichhop.config.epochs import epoch_path, make_owner, owner_path, read_epoch
from whichhop.config.home_edit import NewAgent, with_agent
from whichhop.config.keys import PurposeKeys, derive_keys, key_path_for, read_key
from whichhop.config.known_agents import known_agents_path, read_known
from whichhop.errors import RemoteError

pytestmark = [pytest.mark.slow, pytest.mark.waits]


class ApartHome:
    """The same home with a folder of its own for each machine, as in real life."""

    def __init__(self, folder: Path) -> None:
        self.home = LoopbackHome(folder)
        self.home.write(["desk", "study", "attic"])
        shed = NewAgent(name="shed", address="127.0.81.40", joined_to="router", link_kind="wired")
        self.home.file.write_text(with_agent(self.home.file.read_text(), shed, "home.yaml"))
        word = make_owner(self.home.file)
        assert word is not None
        self.word = word
        self.files: dict[str, Path] = {}
        for node in ("desk", "study", "attic"):
            own = folder / node / "home.yaml"
            own.parent.mkdir()
            for path in (self.home.file, self.home.key, owner_path(self.home.file)):
                shutil.copy(path, own.parent / path.name)
            self.files[node] = own

    def keys(self, node: str) -> PurposeKeys:
        return derive_keys(read_key(key_path_for(self.files[node])))

    def start(self, *nodes: str) -> None:
        for node in nodes:
            self.home.start(node, file=self.files[node])

    def knows(self, node: str) -> set[str]:
        return set(read_known(known_agents_path(self.files[node])).certificates)

    def epoch(self, node: str) -> int:
        found: int = json.loads(self.home.get(node, "/identity"))["epoch"]
        return found

    def revoke(self, agent: str, *words: str, word: str | None = None) -> "subprocess.CompletedProcess[str]":
        argv = [sys.executable, "-m", "whichhop", "revoke", str(self.files["desk"]), agent, *words]
        said = f"{self.word if word is None else word}\n"
        # What an agent of the same name left behind on this machine is none of this home's.
        alone = os.environ | {"XDG_STATE_HOME": str(self.files["desk"].parent / "state")}
        return subprocess.run(
            argv, input=said, capture_output=True, text=True, check=False, timeout=200, env=alone
        )

    def ask(self, node: str, keys: PurposeKeys) -> bytes:
        tls, api = (f"{ADDRESS[node]}:{port}" for port in (self.home.tls, self.home.api))
        agents = AgentsFetch(plain={f"https://{tls}": (node, f"http://{api}")}, keys=keys)
        return agents(f"https://{tls}/api/home", keys.api_token)


@pytest.fixture
def apart(tmp_path: Path) -> Iterator[ApartHome]:
    made = ApartHome(tmp_path)
    yield made
    made.home.end()


def test_a_lost_laptop_is_out_and_everybody_else_goes_on(apart: ApartHome) -> None:
    # On loopback every packet comes from the attic's address, so it is the study's laptop that is lost.
    home = apart.home
    apart.start("desk", "attic", "study")
    home.wait(lambda: {"attic", "study"} <= apart.knows("desk") and "desk" in apart.knows("attic"), 90)
    home.wait(lambda: "desk" in apart.knows("study"), 60)
    old = apart.keys("desk")

    # A wrong word changes nothing.
    refused = apart.revoke("study", word="AAAA-BBBB-CCCC-DDDD-EEEE")
    assert (refused.returncode, refused.stdout) == (2, "")
    assert "not the owner's word" in refused.stderr
    assert apart.keys("desk") == old

    done = apart.revoke("study", "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert sorted(told["told"]) == ["attic", "desk"]
    assert told["unmet"] == ["shed"]
    home.wait_for("attic", "the home has a new key, as desk says and its owner has signed; revoked: study")
    assert apart.epoch("desk") == apart.epoch("attic") == 1
    new = apart.keys("attic")
    assert new == apart.keys("desk")
    assert new != old
    assert [r.agent for r in read_epoch(epoch_path(apart.files["attic"])).revoked] == ["study"]
    assert [n.name for n in read_home(apart.files["attic"]).agents] == ["desk", "attic", "shed"]

    # The two measure each other on; the laptop is refused by both, with its token and as an agent.
    before = home.answered("attic", "desk")
    home.wait(lambda: home.answered("attic", "desk") > before + 2, 60)
    for node in ("desk", "attic"):
        with pytest.raises(RemoteError, match="with this home's key"):
            apart.ask(node, old)
        assert json.loads(apart.ask(node, new))["agent"] == node
    # It asks for the new key as an agent would that was only off, and gets nothing.
    home.kill("study")
    apart.start("study")
    home.wait_for("study", "was not taken over", 60)
    assert apart.keys("study") == old
    assert apart.epoch("study") == 0
    home.wait(lambda: "asked for the home's key" in home.log("desk"), 90)  # it asks one after the other
    told_once = [line for line in home.log("desk").splitlines() if "asked for the home's key" in line]
    assert len(told_once) == 1
    assert "study" in told_once[0]

    # An agent that is off meanwhile has the next key when it is on again, from whoever it meets.
    home.stop("attic")
    again = apart.revoke("shed", "--json")
    assert again.returncode == 0, again.stderr
    assert json.loads(again.stdout)["told"] == ["desk"]
    assert "attic has not got the new key yet" in again.stderr
    apart.start("attic")
    home.wait_for("attic", "revoked: study, shed", 60)
    home.wait(lambda: apart.epoch("attic") == 2, 60)  # the line comes before the files are read anew
    assert apart.epoch("desk") == 2
    assert apart.keys("attic") == apart.keys("desk")


def test_what_the_verb_refuses(apart: ApartHome) -> None:
    for agent, told in (("router", "no agent of"), ("cellar", "no agent of")):
        done = apart.revoke(agent)
        assert done.returncode == 2
        assert told in done.stderr
    owner_path(apart.files["desk"]).unlink()
    done = apart.revoke("attic")
    assert done.returncode == 2
    assert "this home has no owner; make one with `whichhop setup" in done.stderr
