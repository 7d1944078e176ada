"""What names the line in the provider's records: taken as people write it, refused with key and remedy."""

import pytest

from whichhop.config.check import check_home
from whichhop.config.load import load_yaml
from whichhop.errors import ConfigError
from whichhop.lab.standard_home import HOME_FILE
from whichhop.model import Home, Service


def home(more: str) -> Home:
    return check_home(load_yaml(HOME_FILE + more, "alder.yaml"))


@pytest.mark.parametrize("mac", ["00:00:5e:00:53:1f", "00-00-5E-00-53-1F", "0000.5e00.531f", "00005E00531F"])
def test_a_modems_label_is_taken_in_every_usual_spelling(mac: str) -> None:
    # The three usual spellings of IEEE 802 and router consoles; the address is of RFC 7042 2.1.2.
    found = home(f"contract: {{account: '44-1'}}\nequipment: {{modem: {{model: CM, mac: '{mac}'}}}}\n")
    assert found.service == Service(account="44-1", modem_model="CM", modem_mac="00:00:5E:00:53:1F")


def test_the_label_of_another_box_is_not_the_modems() -> None:
    found = home("equipment: {router: {mac: '00:00:5e:00:53:01'}}\n")
    assert found.service.modem_mac is None


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("equipment: {modem: {mac: '00:00:5e'}}\n", "not a hardware address"),
        ("contract: {account: 4400}\n", "account"),
        ("contract: {account: ''}\n", "not a line of 1 to 160"),
        ("contract: {acount: 'x'}\n", "account"),
        (f"contract: {{address: '{'x' * 161}'}}\n", "not a line of 1 to 160"),
    ],
)
def test_what_cannot_be_is_refused_by_key(more: str, said: str) -> None:
    with pytest.raises(ConfigError) as refused:
        home(more)
    assert said in str(refused.value)
