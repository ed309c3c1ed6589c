"""The spill helper: amounts, steps and cautions, each with where it comes from."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.record.solutions.spill import DECIDES, neutralising_g, spill

OPA = "ortho-phthalaldehyde 0.55 %"
FIRST = (
    "Keep people away, and open windows or raise the ventilation. Leave if vapour stings eyes or nose.",
    "Put on gloves, gown, mask and eye protection before you come near.",
    "Keep it from spreading with absorbent material, and away from drains.",
)
LAST = (
    "Put what took it up into a closed container, labelled with what is in it.",
    "Wash the surface with plenty of water; take off gloves last, and wash hands.",
    "Record what was spilled and what was done.",
)
CAUTIONS = (
    "Eyes: rinse at once with plenty of water for as long as the safety data sheet says, and see a doctor.",
    "Skin: wash off at once; take off what it has soaked through.",
    "Vapour: go into fresh air; whoever coughs or wheezes sees a doctor.",
    "Gloves, gown, mask and eye protection as the hazard needs (CDC/HICPAC guideline 2008, recommendation 1.c; "
    "published).",
)


@pytest.mark.parametrize(
    ("volume_ml", "grams"),
    [
        (0, 0),
        (1, 1),
        (151, 1),
        (152, 2),
        (1_000, 7),
        (3_785, 25),
        (3_786, 26),
        (7_570, 50),
        (18_927, 125),
        (18_928, 126),
    ],
)
def test_25_g_of_glycine_for_each_us_gallon(volume_ml: int, grams: int) -> None:
    """25 g per US gallon of 3.785411784 litres, rounded up: common practice, from memory."""
    assert neutralising_g("glycine", volume_ml) == grams
    assert neutralising_g(" Glycine ", volume_ml) == grams


def test_the_site_may_ask_for_more() -> None:
    assert neutralising_g("glycine", 3_785, 50) == 50
    assert neutralising_g("glycine", 3_786, 50) == 51


@given(st.integers(0, 1_000_000), st.integers(25, 1_000))
def test_no_amount_is_less_than_its_share(volume_ml: int, g_per_us_gallon: int) -> None:
    grams = neutralising_g("glycine", volume_ml, g_per_us_gallon)
    assert grams is not None
    assert grams * 3_785.411784 >= volume_ml * g_per_us_gallon - 1e-3
    assert (grams - 1) * 3_785.411784 < volume_ml * g_per_us_gallon + 1e-3


@pytest.mark.parametrize("neutraliser", ["", "sodium bisulphite"])
def test_no_amount_is_made_up(neutraliser: str) -> None:
    assert neutralising_g(neutraliser, 3_785) is None


def test_a_spill_of_ortho_phthalaldehyde() -> None:
    found = spill(OPA, "glycine", 3_785)
    assert found.neutraliser_g == 25
    assert found.steps == (
        *FIRST,
        "Strew at least 25 g of glycine over it (common practice, from memory) and mix it in carefully.",
        "Let it stand for at least 5 minutes (from memory).",
        "Take it up with absorbent material.",
        *LAST,
    )
    assert found.cautions == (
        "It stains skin, mucosa, clothing and surfaces grey (CDC/HICPAC guideline 2008, Table 5; published).",
        "There is no OSHA limit for it in the air (CDC/HICPAC guideline 2008, Table 4; published); ACGIH names a "
        "ceiling of 0.1 ppb (from memory).",
        *CAUTIONS,
    )


def test_a_spill_of_glutaraldehyde_has_no_amount() -> None:
    found = spill("glutaraldehyde 2.0 % or more", "", 500)
    assert (found.neutraliser, found.neutraliser_g) == ("", None)
    assert found.steps == (
        *FIRST,
        "No neutraliser is known here for glutaraldehyde 2.0 % or more: take it up as its safety data sheet says.",
        *LAST,
    )
    assert found.cautions == (
        "Glutaraldehyde in the air: at most 0.05 ppm at any time (ACGIH, as printed in CDC/HICPAC guideline 2008, "
        "Table 4; published; another source prints 0.2 ppm: the lower one holds).",
        "Ventilate with at least 10 air changes an hour (from memory).",
        "Nitrile or butyl gloves rather than plain latex (from memory).",
        *CAUTIONS,
    )


def test_a_neutraliser_that_people_typed_gets_no_amount() -> None:
    found = spill("glutaraldehyde of ours", "sodium bisulphite", 500)
    assert found.neutraliser_g is None
    assert found.steps[3:4] == (
        "Neutralise it with sodium bisulphite; how much of it, the label or the safety data sheet says.",
    )


def test_a_spill_of_hydrogen_peroxide_names_its_limit() -> None:
    assert spill("hydrogen peroxide 7.5 %", "", 500).cautions == (
        "Hydrogen peroxide in the air: at most 1 ppm over 8 hours (CDC/HICPAC guideline 2008, Table 4; published).",
        *CAUTIONS,
    )


def test_who_decides_is_always_said() -> None:
    assert (
        spill("anything", "", 1).decides
        == DECIDES
        == (
            "Local codes, the label and the safety data sheet decide. This is an aid: what names no source is common "
            "practice, from memory."
        )
    )


def test_ortho_phthalaldehyde_is_known_by_its_short_name_too() -> None:
    assert spill("OPA 0.55 %", "glycine", 1).cautions == spill("Ortho-phthalaldehyde", "glycine", 1).cautions
    assert spill("Europa", "", 1).cautions == spill("anything", "", 1).cautions
