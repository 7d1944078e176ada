"""The dossier's last say: modem levels that point into the house take the claim back, and only then."""

from pathlib import Path

import pytest
from msgspec.structs import replace

from support.channels import down, reading, up
from support.dossiers import order_of
from support.reported import recorded, span_of
from whichhop.app.reported.dossier import assemble
from whichhop.cabling.level_readings import to_readings
from whichhop.lab.standard_home import alder_home
from whichhop.model import Direction, ModemLevels
from whichhop.model.cable_run import Cable, CableKind, Run
from whichhop.model.dossier import Dossier
from whichhop.report.blocks import Notice, Tone
from whichhop.report.sections.answer import answer
from whichhop.store.store import Store

pytestmark = pytest.mark.slow

# +10 dBmV at the tap less 10 m of RG-6, some 2 dB: the modem should read about +8 dBmV.
RUN = Run(tap_dbmv={100e6: 10.0, 700e6: 10.0}, parts=(Cable(kind=CableKind.RG_6, length_m=10.0),))


def levels(dbmv: float) -> list[ModemLevels]:
    """Two readings of a modem with four channels down, two up, at the recorded evening."""
    start, end = span_of(recorded("upstream-link")[0])
    channels = [down(i, power_dbmv=dbmv) for i in range(1, 5)] + [up(i) for i in range(1, 3)]
    return [reading(channels, at_s=at / 1e9) for at in (start + 10**9, end - 10**9)]


def made(folder: Path, run: Run | None, read: list[ModemLevels]) -> Dossier:
    records, readings = recorded("upstream-link")
    start, end = span_of(records)
    order = order_of(alder_home(), start, end, run=run)
    with Store.open(folder / "s.db") as store:
        store.append_all(records, [*readings, *(r for one in read for r in to_readings(one, "router"))])
        found = assemble(store, order)
    assert found is not None
    return found


def test_without_levels_and_with_good_ones_the_claim_stands(tmp_path: Path) -> None:
    for folder, read in (("none", []), ("good", levels(8.0))):
        (tmp_path / folder).mkdir()
        said = made(tmp_path / folder, RUN, read)
        assert said.claim is not None
        assert said.claim.made, folder
        assert bool(said.levels) == bool(read)


def test_loss_that_the_listed_parts_do_not_explain_takes_the_claim_back(tmp_path: Path) -> None:
    # 28 dB less than the run's own sum, and outside the published range of -15 to +15 dBmV (ITU-T J.222.1)
    said = made(tmp_path, RUN, levels(-20.0))
    assert said.claim is not None
    assert not said.claim.made
    (why,) = [m for m in said.claim.missing if "cabling in the house put right first" in m]
    assert "the coax in the house explains it" in why
    (notice,) = [b for b in answer(said).blocks if isinstance(b, Notice)]
    assert notice.tone is Tone.HOLD
    assert said.cable_run  # a check needs the home file


def test_bad_levels_without_a_listed_run_leave_house_and_drop_untold_and_the_claim_standing(
    tmp_path: Path,
) -> None:
    said = made(tmp_path, None, levels(-20.0))
    assert said.claim is not None
    assert said.claim.made
    assert any("the coax in the house or the provider's drop" in note.words for note in said.levels)


def test_a_level_that_is_bad_where_it_enters_the_house_leaves_it_to_the_provider(tmp_path: Path) -> None:
    weak = replace(RUN, tap_dbmv={100e6: -18.0, 700e6: -18.0})
    said = made(tmp_path, weak, levels(-20.0))
    assert said.claim is not None
    assert said.claim.made
    assert Direction.DOWN in {c.direction for c in levels(-20.0)[0].channels}
