"""The table of priors: every number is found with its words, changed where it is used, and put back."""

import pytest
from msgspec.structs import replace

from suite.sweep import Effect, changed, priors, told
from whichhop.compare.inference import pairs, scan, segment
from whichhop.compare.inference.settings import Settings
from whichhop.compare.suspects.elements import Nature
from whichhop.compare.suspects.priors import PRIORS


def test_every_row_of_the_priors_and_every_setting_is_found() -> None:
    names = {p.words for p in priors()}
    for nature in PRIORS:
        assert f"suspects.priors PRIORS {nature.value} mean_hours" in names
    assert "inference.settings Settings leak" in names
    assert not any("calibration" in name for name in names)


def test_a_prior_has_the_words_that_stand_beside_it() -> None:
    found = {p.words: p for p in priors()}
    assert "common practice" in found["suspects.priors PRIORS radio blip"].source
    assert found["inference.settings Settings leak"].source.startswith("Chance that one session")


def test_a_changed_prior_is_changed_wherever_it_was_imported_and_put_back() -> None:
    prior = next(p for p in priors() if p.words == "suspects.priors PRIORS radio mean_hours")
    before = PRIORS[Nature.RADIO].mean_hours
    with changed(prior, 2.0):
        users = [m for m in (scan, segment, pairs) if hasattr(m, "PRIORS")]
        assert all(m.PRIORS[Nature.RADIO].mean_hours == 2 * before for m in users)
    assert PRIORS[Nature.RADIO].mean_hours == before
    setting = next(p for p in priors() if p.words == "inference.settings Settings leak")
    with changed(setting, 0.5) as settings:
        assert settings.leak == pytest.approx(Settings().leak / 2)


def test_only_what_differs_is_told() -> None:
    base = Effect(exact=0.9, wrong=0.05, standing=None, false=3, accused=0, blamed=1)
    assert told(base, base) == "same"
    assert told(replace(base, exact=0.85, false=5), base) == "exact -5.0 %, false +2"
    timed = replace(base, delay_s=40.0, brier=0.02)
    assert told(replace(timed, delay_s=52.4, brier=0.0221), timed) == "delay +12 s, brier +0.002"
    assert told(replace(timed, delay_s=40.4, brier=0.0203), timed) == "same", "too little to print"
    assert told("ValueError: no", base) == "ValueError: no"
