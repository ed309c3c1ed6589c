"""What is published about the generic chemistries, row by row.

Each row is what one source prints; its figures are worth what that source is. No figure is more than a starting point:
the label of the container in hand decides, and a profile is used only after somebody has confirmed it against that.
Table 1A of the CDC guideline heads its column "12-30 min at 20 °C or more": a range over all products, so it gives
nobody a default.
"""

from __future__ import annotations

import enum
from typing import Annotated, TypeAlias

import msgspec

CDC = "CDC/HICPAC Guideline for Disinfection and Sterilization in Healthcare Facilities 2008"
TABLE_4 = f"{CDC}, Table 4"
"""https://www.cdc.gov/infectioncontrol/guidelines/disinfection/tables/table4.html"""

TABLE_1A = f"{CDC}, Table 1A"
"""https://www.cdc.gov/infectioncontrol/guidelines/disinfection/tables/table1.html"""

ENDOSCOPES = f"{CDC}, recommendations for endoscopes"
REVIEW = "Rutala and Weber 2016, Infect Dis Clin North Am 30(3):609-637, Table 1 (review of FDA-cleared claims)"
"""https://pmc.ncbi.nlm.nih.gov/articles/PMC7134755/table/tbl1"""

FDA_2023 = "FDA list of cleared sterilants and high-level disinfectants, December 2023"
FDA_2015 = "FDA list of cleared sterilants and high-level disinfectants, September 2015"
EU_SUMMARY = "SCENIHR 2009, Table 3"
"""http://ec.europa.eu/health/scientific_committees/opinions_layman/en/biocides-antibiotic-resistance/figtableboxes/3.htm"""


class Standing(enum.StrEnum):
    """What a row's figures are worth as defaults."""

    PUBLISHED = "published"
    SECOND_HAND = "published, quoted at second hand"
    FROM_MEMORY = "from memory, not verified"


class Use(enum.StrEnum):
    """What a claim is printed for."""

    MANUAL = "manual"
    EITHER = "manual or automated"
    AUTOMATED = "automated reprocessors only"
    NOT_A_SOAK = "not a soak"
    NOT_SAID = "not said"

    def in_a_basin(self) -> bool:
        """May it be looked at for a soak by hand at all?"""
        return self not in (Use.AUTOMATED, Use.NOT_A_SOAK)


Range: TypeAlias = tuple[int, int]
Figure: TypeAlias = int | Range | None
"""A figure, or a range over products; only a figure can be a default."""

_Mc = Annotated[Figure, "millidegrees Celsius"]


class Row(msgspec.Struct, frozen=True, kw_only=True):
    """What one source prints about one chemistry.

    Attributes:
        chemistry: Its key in `CHEMISTRIES`.
        source: Document and place.
        standing: What its figures are worth as defaults.
        use: What the claim is printed for.
        min_mc: Lowest temperature.
        max_mc: Highest.
        contact_min: Contact time in minutes.
        reuse_days: Longest use from pouring; 0: single use.
        mec: Minimum effective concentration, as printed; with "or higher" it is a range.
        mec_monitored: Its concentration is to be monitored.
        activation: It must be activated; None: not said, or it depends on the product.
        note: What else has to be known.
    """

    chemistry: str
    source: str
    standing: Standing = Standing.PUBLISHED
    use: Use = Use.NOT_SAID
    min_mc: _Mc = None
    max_mc: _Mc = None
    contact_min: Figure = None
    reuse_days: Figure = None
    mec: str | tuple[str, str] = ""
    mec_monitored: bool | None = None
    activation: bool | None = None
    note: str = ""


CHEMISTRIES: dict[str, str] = {
    "hydrogen-peroxide-7.5": "hydrogen peroxide 7.5 %",
    "peracetic-acid-0.2": "peracetic acid 0.2 %",
    "peracetic-acid-3100-ppm": "peracetic acid 3100-3400 ppm",
    "glutaraldehyde-2": "glutaraldehyde 2.0 % or more",
    "glutaraldehyde-heated": "glutaraldehyde above 2 %, heated",
    "glutaraldehyde-1.12-phenol-1.93": "glutaraldehyde 1.12 % with phenol/phenate 1.93 %",
    "glutaraldehyde-0.95-phenol-1.64": "glutaraldehyde 0.95 % with phenol/phenate 1.64 %",
    "glutaraldehyde-3.4-isopropanol-20.1": "glutaraldehyde 3.4 % with isopropanol 20.1 %",
    "glutaraldehyde-3.4-isopropanol-26": "glutaraldehyde 3.4 % with isopropanol 26 %",
    "ortho-phthalaldehyde-0.55": "ortho-phthalaldehyde 0.55 %",
    "ortho-phthalaldehyde-0.55-automated": "ortho-phthalaldehyde 0.55 % in an automated reprocessor",
    "ortho-phthalaldehyde-0.6": "ortho-phthalaldehyde 0.6 %",
    "ortho-phthalaldehyde-5.75": "ortho-phthalaldehyde 5.75 % concentrate",
    "hydrogen-peroxide-7.35-peracetic-acid-0.23": "hydrogen peroxide 7.35 % with peracetic acid 0.23 %",
    "hydrogen-peroxide-1.0-peracetic-acid-0.08": "hydrogen peroxide 1.0 % with peracetic acid 0.08 %",
    "hydrogen-peroxide-8.3-peracetic-acid-7.0": "hydrogen peroxide 8.3 % with peracetic acid 7.0 %",
    "hydrogen-peroxide-2.0": "improved hydrogen peroxide 2.0 %",
    "chlorine-400-ppm": "chlorine (hypochlorous acid) 400-450 ppm",
    "chlorine-650-ppm": "chlorine above 650-675 ppm, single-use, electrolysed saline",
    "chlorine-dioxide-foam": "chlorine dioxide foam 320 ppm",
}
"""Generic names by key."""

OPA = "ortho-phthalaldehyde-0.55"
_BLEND = "hydrogen-peroxide-7.35-peracetic-acid-0.23"

ROWS: tuple[Row, ...] = (
    Row(
        chemistry="hydrogen-peroxide-7.5",
        source=TABLE_4,
        use=Use.EITHER,
        contact_min=30,
        min_mc=20_000,
        reuse_days=21,
        mec="6 %",
        mec_monitored=True,
        activation=False,
    ),
    Row(chemistry="hydrogen-peroxide-7.5", source=REVIEW, contact_min=30, min_mc=20_000),
    Row(
        chemistry="peracetic-acid-0.2",
        source=TABLE_4,
        use=Use.AUTOMATED,
        reuse_days=0,
        mec_monitored=False,
        activation=False,
        note="Its high-level claim is printed as not applicable; 12 min at 50-56 °C is its sterilant claim.",
    ),
    Row(
        chemistry="peracetic-acid-3100-ppm",
        source=FDA_2023,
        contact_min=7,
        min_mc=20_000,
        reuse_days=5,
        note="Contact conditions set by simulated use with endoscopes.",
    ),
    Row(
        chemistry="glutaraldehyde-2",
        source=TABLE_4,
        use=Use.EITHER,
        contact_min=(20, 90),
        min_mc=(20_000, 25_000),
        reuse_days=(14, 30),
        mec=("1.5 %", "or higher"),
        mec_monitored=True,
        note="A range over products: the label decides. Alkaline types must be activated.",
    ),
    Row(
        chemistry="glutaraldehyde-2",
        source=ENDOSCOPES,
        contact_min=(20, 90),
        min_mc=25_000,
        note="FDA label claims at 25 °C by product; Table 4 prints 20-25 °C.",
    ),
    Row(
        chemistry="glutaraldehyde-2",
        source=f"{ENDOSCOPES} (professional-society practice)",
        use=Use.MANUAL,
        contact_min=20,
        min_mc=20_000,
        note="Shorter than many labels: it conflicts with the label rows.",
    ),
    Row(chemistry="glutaraldehyde-2", source=REVIEW, contact_min=(20, 90), min_mc=(20_000, 25_000)),
    Row(
        chemistry="glutaraldehyde-2",
        source="FDA list of cleared claims, long-life alkaline 2.4 %",
        standing=Standing.FROM_MEMORY,
        use=Use.MANUAL,
        contact_min=45,
        min_mc=25_000,
        reuse_days=(14, 28),
    ),
    Row(
        chemistry="glutaraldehyde-2",
        source="FDA list of cleared claims and labels, 3.4 %",
        standing=Standing.FROM_MEMORY,
        use=Use.MANUAL,
        contact_min=90,
        min_mc=25_000,
        reuse_days=28,
        mec="1.8 %",
        note="Some 3.4 % products have 1.8 %, above the 1.5 % of Table 4: use the product's own.",
    ),
    Row(
        chemistry="glutaraldehyde-heated",
        source=TABLE_1A,
        use=Use.AUTOMATED,
        contact_min=5,
        min_mc=35_000,
        note="The recommendation names 2.5 % at 35 °C; that it is a heated automated process is from memory.",
    ),
    Row(
        chemistry="glutaraldehyde-heated",
        source=REVIEW,
        use=Use.AUTOMATED,
        contact_min=5,
        min_mc=35_000,
        max_mc=37_800,
        note="Table 1A prints 35 °C only; that it is a heated automated process is from memory.",
    ),
    Row(
        chemistry="glutaraldehyde-heated",
        source="FDA list of cleared claims, 2.5 % heated",
        standing=Standing.FROM_MEMORY,
        use=Use.AUTOMATED,
        contact_min=5,
        min_mc=35_000,
        reuse_days=28,
    ),
    Row(chemistry="glutaraldehyde-1.12-phenol-1.93", source=TABLE_1A, note="Named, without a time of its own."),
    Row(chemistry="glutaraldehyde-1.12-phenol-1.93", source=REVIEW, contact_min=20, min_mc=25_000),
    Row(
        chemistry="glutaraldehyde-0.95-phenol-1.64",
        source="Trade press report of February 2000 on the FDA list",
        standing=Standing.SECOND_HAND,
        contact_min=20,
        min_mc=25_000,
        reuse_days=7,
        note="The percentages are confirmed nowhere else.",
    ),
    Row(
        chemistry="glutaraldehyde-3.4-isopropanol-20.1",
        source=FDA_2015,
        use=Use.AUTOMATED,
        min_mc=25_000,
        reuse_days=14,
        note="For a reprocessor able to hold 25 °C (first entry of this product). The review prints 26 % isopropanol.",
    ),
    Row(
        chemistry="glutaraldehyde-3.4-isopropanol-26",
        source=REVIEW,
        standing=Standing.SECOND_HAND,
        contact_min=10,
        min_mc=20_000,
        note="The FDA list of 2015 prints 20.1 % isopropanol: sources disagree what this is, so nothing is a default.",
    ),
    Row(
        chemistry=OPA,
        source=TABLE_4,
        use=Use.EITHER,
        contact_min=12,
        min_mc=20_000,
        reuse_days=14,
        mec="0.3 %",
        mec_monitored=True,
        activation=False,
        note="12 min at 20 °C is the claim for soaking by hand.",
    ),
    Row(chemistry=OPA, source=ENDOSCOPES, contact_min=12, min_mc=20_000),
    Row(chemistry=OPA, source=REVIEW, contact_min=12, min_mc=20_000),
    Row(
        chemistry=OPA,
        source="A regional manual, as quoted",
        standing=Standing.SECOND_HAND,
        contact_min=(5, 12),
        min_mc=20_000,
        reuse_days=14,
        activation=False,
        note="US 10 to 12 min, Canada 10 min, Europe 5 min: the profile names its jurisdiction.",
    ),
    Row(
        chemistry=OPA,
        source="Instructions for use",
        standing=Standing.FROM_MEMORY,
        note="An opened, not yet poured container keeps 75 days, but not past its expiry.",
    ),
    Row(
        chemistry="ortho-phthalaldehyde-0.55-automated",
        source=TABLE_4,
        use=Use.AUTOMATED,
        contact_min=5,
        min_mc=25_000,
        reuse_days=14,
        mec="0.3 %",
        mec_monitored=True,
        activation=False,
        note="A soak by hand at 25 °C does not earn it.",
    ),
    Row(
        chemistry="ortho-phthalaldehyde-0.6",
        source="FDA list of cleared claims",
        standing=Standing.FROM_MEMORY,
        contact_min=12,
        min_mc=20_000,
        reuse_days=14,
    ),
    Row(
        chemistry="ortho-phthalaldehyde-5.75",
        source="FDA list of cleared claims",
        standing=Standing.FROM_MEMORY,
        use=Use.AUTOMATED,
        contact_min=5,
        min_mc=50_000,
        reuse_days=0,
    ),
    Row(
        chemistry=_BLEND,
        source=TABLE_4,
        use=Use.MANUAL,
        contact_min=15,
        min_mc=20_000,
        reuse_days=14,
        mec_monitored=False,
        activation=False,
        note="Table 4 prints no MEC monitoring for this blend.",
    ),
    Row(chemistry=_BLEND, source=ENDOSCOPES, contact_min=15, min_mc=20_000),
    Row(chemistry=_BLEND, source=REVIEW, contact_min=15, min_mc=20_000),
    Row(
        chemistry="hydrogen-peroxide-1.0-peracetic-acid-0.08",
        source=REVIEW,
        contact_min=25,
        note="No temperature is printed.",
    ),
    Row(
        chemistry="hydrogen-peroxide-8.3-peracetic-acid-7.0",
        source="FDA list of cleared claims",
        standing=Standing.FROM_MEMORY,
        contact_min=5,
        min_mc=25_000,
        note="The review prints only its sterilant claim of 5 h.",
    ),
    Row(chemistry="hydrogen-peroxide-2.0", source=REVIEW, contact_min=8, min_mc=20_000),
    Row(
        chemistry="hydrogen-peroxide-2.0",
        source="FDA list of cleared claims and labels",
        standing=Standing.FROM_MEMORY,
        contact_min=8,
        min_mc=20_000,
        reuse_days=21,
        mec="1.5 %",
    ),
    Row(chemistry="chlorine-400-ppm", source=REVIEW, contact_min=10, min_mc=20_000),
    Row(
        chemistry="chlorine-400-ppm",
        source="FDA list of cleared claims",
        standing=Standing.FROM_MEMORY,
        contact_min=10,
        min_mc=25_000,
        note="Remembered as 25 °C; the review prints 20 °C.",
    ),
    Row(
        chemistry="chlorine-650-ppm",
        source=EU_SUMMARY,
        reuse_days=0,
        note="Listed as high-level, without a time; other strengths are printed elsewhere.",
    ),
    Row(
        chemistry="chlorine-dioxide-foam",
        source=FDA_2023,
        use=Use.NOT_A_SOAK,
        contact_min=2,
        min_mc=20_000,
        reuse_days=0,
        note="Single-use foam on wipes, for ultrasound transducers only.",
    ),
)
"""Every row; SCENIHR 2009 also names most of these without a time."""
