"""Every default of a profile against the source that prints it, and everything that must not be a default."""

from __future__ import annotations

from typing import Any

import pytest

from collector.record.solutions.chemistries import defaults, of_substance, only_for_machines, rows_of, use_of
from collector.record.solutions.printed import CHEMISTRIES, ROWS, Standing, Use

TABLE_4 = "CDC/HICPAC Guideline for Disinfection and Sterilization in Healthcare Facilities 2008, Table 4"
ENDOSCOPES = (
    "CDC/HICPAC Guideline for Disinfection and Sterilization in Healthcare Facilities 2008, "
    "recommendations for endoscopes"
)
REVIEW = "Rutala and Weber 2016, Infect Dis Clin North Am 30(3):609-637, Table 1 (review of FDA-cleared claims)"
FDA_2023 = "FDA list of cleared sterilants and high-level disinfectants, December 2023"
MIN = 60_000

# chemistry, field, value, what prints it
PUBLISHED = [
    # CDC Table 4: hydrogen peroxide 7.5 %: 30 min at 20 °C, 21 days, MEC 6 %, monitored, no activation
    ("hydrogen-peroxide-7.5", "contact_ms", 30 * MIN, f"{TABLE_4}; {REVIEW} (published)"),
    ("hydrogen-peroxide-7.5", "min_mc", 20_000, f"{TABLE_4}; {REVIEW} (published)"),
    ("hydrogen-peroxide-7.5", "reuse_days", 21, f"{TABLE_4} (published)"),
    ("hydrogen-peroxide-7.5", "mec", "6 %", f"{TABLE_4} (published)"),
    ("hydrogen-peroxide-7.5", "mec_monitored", True, f"{TABLE_4} (published)"),
    ("hydrogen-peroxide-7.5", "activation", False, f"{TABLE_4} (published)"),
    ("hydrogen-peroxide-7.5", "manual", True, f"{TABLE_4} (published)"),
    # CDC Table 4: ortho-phthalaldehyde 0.55 %: 12 min at 20 °C, 14 days, MEC 0.3 %, monitored, no activation
    ("ortho-phthalaldehyde-0.55", "contact_ms", 12 * MIN, f"{TABLE_4}; {ENDOSCOPES}; {REVIEW} (published)"),
    ("ortho-phthalaldehyde-0.55", "min_mc", 20_000, f"{TABLE_4}; {ENDOSCOPES}; {REVIEW} (published)"),
    ("ortho-phthalaldehyde-0.55", "reuse_days", 14, f"{TABLE_4} (published)"),
    ("ortho-phthalaldehyde-0.55", "mec", "0.3 %", f"{TABLE_4} (published)"),
    ("ortho-phthalaldehyde-0.55", "mec_monitored", True, f"{TABLE_4} (published)"),
    ("ortho-phthalaldehyde-0.55", "activation", False, f"{TABLE_4} (published)"),
    ("ortho-phthalaldehyde-0.55", "manual", True, f"{TABLE_4} (published)"),
    # CDC Table 4: hydrogen peroxide 7.35 % with peracetic acid 0.23 %: 15 min at 20 °C, 14 days, no MEC monitoring
    (
        "hydrogen-peroxide-7.35-peracetic-acid-0.23",
        "contact_ms",
        15 * MIN,
        f"{TABLE_4}; {ENDOSCOPES}; {REVIEW} (published)",
    ),
    (
        "hydrogen-peroxide-7.35-peracetic-acid-0.23",
        "min_mc",
        20_000,
        f"{TABLE_4}; {ENDOSCOPES}; {REVIEW} (published)",
    ),
    ("hydrogen-peroxide-7.35-peracetic-acid-0.23", "reuse_days", 14, f"{TABLE_4} (published)"),
    ("hydrogen-peroxide-7.35-peracetic-acid-0.23", "mec_monitored", False, f"{TABLE_4} (published)"),
    ("hydrogen-peroxide-7.35-peracetic-acid-0.23", "activation", False, f"{TABLE_4} (published)"),
    ("hydrogen-peroxide-7.35-peracetic-acid-0.23", "manual", True, f"{TABLE_4} (published)"),
    # CDC Table 4: glutaraldehyde 2.0 % or more: only that it is monitored, and by hand or not, is no range
    ("glutaraldehyde-2", "mec_monitored", True, f"{TABLE_4} (published)"),
    ("glutaraldehyde-2", "manual", True, f"{TABLE_4} (published)"),
    # FDA list, December 2023: peracetic acid 3100-3400 ppm: 7 min at 20 °C, 5 days
    ("peracetic-acid-3100-ppm", "contact_ms", 7 * MIN, f"{FDA_2023} (published)"),
    ("peracetic-acid-3100-ppm", "min_mc", 20_000, f"{FDA_2023} (published)"),
    ("peracetic-acid-3100-ppm", "reuse_days", 5, f"{FDA_2023} (published)"),
    # Rutala and Weber 2016, Table 1
    ("glutaraldehyde-1.12-phenol-1.93", "contact_ms", 20 * MIN, f"{REVIEW} (published)"),
    ("glutaraldehyde-1.12-phenol-1.93", "min_mc", 25_000, f"{REVIEW} (published)"),
    ("hydrogen-peroxide-1.0-peracetic-acid-0.08", "contact_ms", 25 * MIN, f"{REVIEW} (published)"),
    ("hydrogen-peroxide-2.0", "contact_ms", 8 * MIN, f"{REVIEW} (published)"),
    ("hydrogen-peroxide-2.0", "min_mc", 20_000, f"{REVIEW} (published)"),
    ("chlorine-400-ppm", "contact_ms", 10 * MIN, f"{REVIEW} (published)"),
    # SCENIHR 2009, Table 3: single use
    ("chlorine-650-ppm", "single_use", True, "SCENIHR 2009, Table 3 (published)"),
]

GENERAL = {"jurisdiction", "excluded_kinds", "neutraliser"}


@pytest.mark.parametrize(("chemistry", "field", "value", "source"), PUBLISHED)
def test_a_default_is_what_its_source_prints(chemistry: str, field: str, value: Any, source: str) -> None:
    default = defaults(chemistry)[field]
    assert (default.value, default.source) == (value, source)


def test_there_is_no_default_that_is_not_checked_above() -> None:
    checked = {(chemistry, field) for chemistry, field, _, _ in PUBLISHED}
    given = {(chemistry, field) for chemistry in CHEMISTRIES for field in defaults(chemistry).keys() - GENERAL}
    assert given == checked


@pytest.mark.parametrize("field", ["contact_ms", "min_mc", "max_mc", "reuse_days", "mec", "activation"])
def test_a_range_over_products_gives_no_default(field: str) -> None:
    """CDC Table 4, glutaraldehyde 2.0 % or more: 20-90 min, 20-25 °C, 14-30 days, MEC 1.5 % or higher."""
    assert field not in defaults("glutaraldehyde-2")
    table_4 = rows_of("glutaraldehyde-2")[0]
    assert (table_4.contact_min, table_4.min_mc, table_4.reuse_days, table_4.mec) == (
        (20, 90),
        (20_000, 25_000),
        (14, 30),
        ("1.5 %", "or higher"),
    )


def test_a_weaker_source_that_asks_more_takes_a_default_away() -> None:
    """The review prints 20 °C for 400-450 ppm of chlorine; the FDA list is remembered as 25 °C."""
    assert "min_mc" not in defaults("chlorine-400-ppm")


def test_a_weaker_source_that_asks_less_changes_nothing() -> None:
    """A manual quoted at second hand has 5 to 12 min for ortho-phthalaldehyde by region; CDC Table 4 prints 12."""
    assert defaults("ortho-phthalaldehyde-0.55")["contact_ms"].value == 12 * MIN


def test_nothing_from_memory_or_second_hand_is_a_default() -> None:
    only_weak = {row.chemistry for row in ROWS} - {row.chemistry for row in ROWS if row.standing is Standing.PUBLISHED}
    assert only_weak == {
        "ortho-phthalaldehyde-0.6",
        "ortho-phthalaldehyde-5.75",
        "hydrogen-peroxide-8.3-peracetic-acid-7.0",
        "glutaraldehyde-0.95-phenol-1.64",
        "glutaraldehyde-3.4-isopropanol-26",
    }
    assert all(defaults(chemistry).keys() <= {"excluded_kinds", "neutraliser"} for chemistry in only_weak)
    assert "reuse_days" not in defaults("hydrogen-peroxide-2.0")  # 21 days are from memory
    assert "opened_days" not in defaults("ortho-phthalaldehyde-0.55")  # 75 days are from memory


@pytest.mark.parametrize(
    "chemistry",
    [
        "peracetic-acid-0.2",
        "ortho-phthalaldehyde-0.55-automated",
        "ortho-phthalaldehyde-5.75",
        "glutaraldehyde-heated",
        "glutaraldehyde-3.4-isopropanol-20.1",
    ],
)
def test_what_is_printed_for_reprocessors_gives_nothing(chemistry: str) -> None:
    assert use_of(chemistry) is Use.AUTOMATED
    assert defaults(chemistry) == {}


def test_no_other_chemistry_is_for_reprocessors_or_no_soak() -> None:
    by_use = {use: {each for each in CHEMISTRIES if use_of(each) is use} for use in Use}
    assert len(by_use[Use.AUTOMATED]) == 5
    assert by_use[Use.NOT_A_SOAK] == {"chlorine-dioxide-foam"}
    assert defaults("chlorine-dioxide-foam") == {}


def test_five_minutes_at_25_degrees_are_only_for_machines() -> None:
    """CDC Table 4 prints ortho-phthalaldehyde 5 min at 25 °C for automated reprocessors: the trap of the table."""

    def trapped(minutes: float, mc: int, chemistry: str = "ortho-phthalaldehyde-0.55", whose: str = "") -> bool:
        return only_for_machines(chemistry, mc, int(minutes * MIN), whose) is not None

    assert trapped(5, 25_000)
    assert trapped(4, 26_000)
    assert not trapped(12, 20_000)
    assert not trapped(5.01, 25_000)
    assert not trapped(5, 24_999)  # another claim, that a label of another jurisdiction may print
    assert not trapped(5, 20_000, whose="EU")
    assert trapped(5, 20_000, whose=" us ")  # less than what the machine earns at 25 °C
    for name in ("ortho-phthalaldehyde-0.6", "Ortho-Phthalaldehyde 0.55 %", "OPA 0.55 %"):
        assert trapped(5, 25_000, name)  # typed from a label, or another strength: the same trap
    assert not trapped(5, 25_000, "Europa")
    assert trapped(5, 35_000, "glutaraldehyde-2")
    assert trapped(5, 35_000, "Glutaraldehyde 2.5 %")
    assert not trapped(20, 25_000, "glutaraldehyde-2")
    assert not trapped(5, 35_000, "hydrogen-peroxide-7.5")


def test_ortho_phthalaldehyde_excludes_urological_devices_whatever_its_strength() -> None:
    """Miner et al. 2012; CDC Table 5."""
    for name in (
        "ortho-phthalaldehyde-0.55",
        "ortho-phthalaldehyde-0.6",
        "Ortho-Phthalaldehyde, our own",
        "OPA 0.55 %",
    ):
        found = of_substance(name)
        assert found["excluded_kinds"].value == ("urological",)
        assert found["excluded_kinds"].source == (
            "Miner et al. 2012 (contraindicated for urological instruments); CDC/HICPAC guideline 2008, Table 5: "
            "anaphylaxis-like reactions in patients with a history of bladder cancer (published). "
            "The next patient is not known at the soak."
        )
        assert (found["neutraliser"].value, found["neutraliser"].source) == (
            "glycine",
            "common practice (from memory; several public sources repeat it)",
        )
    assert of_substance("glutaraldehyde-2") == {}


def test_every_row_belongs_to_a_chemistry_and_names_its_source() -> None:
    assert {row.chemistry for row in ROWS} == set(CHEMISTRIES)
    assert all(row.source for row in ROWS)
