"""Solution profiles: drafted, confirmed against the label, corrected with a look-back, retired; product codes."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from record_kit import ADMINISTRATOR, AUDITOR, SUPERVISOR, TECHNICIAN, Recording, at
from solutions_kit import CONFIRMED, FROM_LABEL, GTIN, OPA, OTHER_GTIN, PICTURE, bottle, fill, profile

from collector.record.solutions.fills import DiscardFill, PourFill
from collector.record.solutions.gtin import gtin
from collector.record.solutions.pouring import FromBottle
from collector.record.solutions.printed import CHEMISTRIES
from collector.record.solutions.profiles import (
    AssignProductCode,
    ConfirmProfile,
    CorrectProfile,
    DraftProfile,
    RetireProfile,
    TakeProductCodeAway,
)
from collector.record.things import Bottle, Fill, LastDay, Load, LookBack, Profile, Rinses, Strip

TABLE_4 = "CDC/HICPAC Guideline for Disinfection and Sterilization in Healthcare Facilities 2008, Table 4"


def drafted(recording: Recording, **more: Any) -> Profile:
    recording.do(DraftProfile(profile="opa", **{"chemistry": OPA, **more}), SUPERVISOR)
    return recording.get(Profile, "opa")


def test_a_draft_starts_with_what_is_published(recording: Recording) -> None:
    draft = drafted(recording)
    assert (draft.name, draft.chemistry, draft.jurisdiction) == ("ortho-phthalaldehyde 0.55 %", OPA, "US")
    assert (draft.min_mc, draft.contact_ms, draft.reuse_days, draft.mec) == (20_000, 720_000, 14, "0.3 %")
    assert (draft.manual, draft.excluded_kinds, draft.neutraliser) == (True, ("urological",), "glycine")
    assert (draft.confirmed, draft.opened_days, draft.strip, draft.rinses) == (None, None, None, None)
    assert draft.sources["mec"] == f"{TABLE_4} (published)"


def test_what_is_typed_stands_over_what_is_published_and_says_who(recording: Recording) -> None:
    draft = drafted(recording, jurisdiction="Canada", contact_ms=600_000, reuse_days=13)
    assert (draft.jurisdiction, draft.contact_ms, draft.reuse_days) == ("Canada", 600_000, 13)
    assert draft.sources["contact_ms"] == "label, typed by sam"


def test_a_profile_can_be_typed_from_a_label_alone(recording: Recording) -> None:
    recording.do(
        DraftProfile(profile="ours", name="o-phthalaldehyde of our own", manual=True, min_mc=21_000), SUPERVISOR
    )
    draft = recording.get(Profile, "ours")
    assert (draft.chemistry, draft.min_mc, draft.contact_ms) == ("", 21_000, None)
    assert draft.excluded_kinds == ("urological",)  # the substance is known by its name
    assert draft.jurisdiction == ""


@pytest.mark.parametrize(
    ("said", "refusal"),
    [
        (
            {"chemistry": "ortho-phthalaldehyde-0.55-automated"},
            (
                "automated-only",
                "Ortho-phthalaldehyde 0.55 % in an automated reprocessor: printed for automated reprocessors only "
                f"({TABLE_4}). A soak by hand at 25 °C does not earn it.",
                "Choose a claim that the label prints for soaking by hand; if it prints none, do not soak in it.",
            ),
        ),
        (
            {"chemistry": "chlorine-dioxide-foam"},
            (
                "automated-only",
                "Chlorine dioxide foam 320 ppm: it is not used as a soak (FDA list of cleared sterilants and "
                "high-level disinfectants, December 2023). Single-use foam on wipes, for ultrasound transducers only.",
                "Choose a claim that the label prints for soaking by hand; if it prints none, do not soak in it.",
            ),
        ),
        (
            {"chemistry": OPA, "contact_ms": 300_000, "min_mc": 25_000},
            (
                "automated-only",
                f"5 min at 25 °C is printed for automated reprocessors only ({TABLE_4}). "
                "A soak by hand at 25 °C does not earn it.",
                "Enter the claim that the label prints for soaking by hand; published: 12 min at 20 °C.",
            ),
        ),
        (
            {"name": "OPA", "manual": True, "contact_ms": 300_000, "min_mc": 20_000, "jurisdiction": "US"},
            (
                "automated-only",
                f"5 min at 20 °C asks for less than what, at 25 °C, is printed for automated reprocessors only "
                f"({TABLE_4}). A soak by hand at 25 °C does not earn it.",
                "Enter the claim that the label prints for soaking by hand.",
            ),
        ),
        (
            {"chemistry": "glutaraldehyde-2", "contact_ms": 300_000, "min_mc": 36_000},
            (
                "automated-only",
                "5 min at 36 °C is printed for automated reprocessors only (CDC/HICPAC Guideline for Disinfection and "
                "Sterilization in Healthcare Facilities 2008, Table 1A). The recommendation names 2.5 % at 35 °C; that "
                "it is a heated automated process is from memory.",
                "Enter the claim that the label prints for soaking by hand.",
            ),
        ),
        (
            {"chemistry": "nonsense"},
            (
                "unknown-chemistry",
                "The table of chemistries has no 'nonsense'.",
                f"Choose one of the table ({', '.join(CHEMISTRIES)}), or type everything from the label.",
            ),
        ),
        (
            {"chemistry": "chlorine-400-ppm"},
            (
                "profile-figures",
                "No source in the table says whether chlorine (hypochlorous acid) 400-450 ppm may be used for soaking "
                "by hand.",
                "Look on the label whether it may, and say so.",
            ),
        ),
        (
            {},
            ("profile-figures", "A profile typed from a label needs a name.", "Copy it from the label."),
        ),
        (
            {"name": "ours"},
            (
                "profile-figures",
                "A profile typed from a label needs a word whether its claim holds for soaking by hand.",
                "Copy it from the label.",
            ),
        ),
        (
            {"chemistry": OPA, "max_mc": 19_000},
            (
                "profile-figures",
                "The maximum temperature (19 °C) is below the minimum (20 °C): no soak could meet it.",
                "Copy the figures again from the label.",
            ),
        ),
        (
            {"chemistry": OPA, "single_use": True},
            (
                "profile-figures",
                "Single use and a reuse life of 14 days exclude each other.",
                "Copy the figures again from the label.",
            ),
        ),
        (
            {"chemistry": OPA, "reuse_days": 0},
            (
                "profile-figures",
                "A reuse life of 0 days would be single use.",
                "Copy the figures again from the label.",
            ),
        ),
        (
            {"chemistry": OPA, "strip": Strip(1_000, 90_000, 90_000)},
            (
                "profile-figures",
                "Strips would have to be read by 1 min 30 s and not before 1 min 30 s.",
                "Copy the figures again from the label.",
            ),
        ),
        (
            {"chemistry": OPA, "longest_immersion_ms": 600_000},
            (
                "profile-figures",
                "The maximum immersion time (10 min) is shorter than the contact time (12 min).",
                "Copy the figures again from the label.",
            ),
        ),
        (
            {"chemistry": OPA, "max_mc": 25_000, "not_printed": ("max_mc",)},
            (
                "profile-figures",
                "The maximum temperature is both given and said not to be printed.",
                "Give the figure, or say that the label prints none.",
            ),
        ),
        (
            {"chemistry": OPA, "excluded_kinds": ("laryngoscope",)},
            (
                "excluded-kinds",
                "ortho-phthalaldehyde 0.55 % must not be used for urological devices: Miner et al. 2012 "
                "(contraindicated for urological instruments); CDC/HICPAC guideline 2008, Table 5: anaphylaxis-like "
                "reactions in patients with a history of bladder cancer (published). The next patient is not known at "
                "the soak.",
                "Leave them excluded, or give the reason why they may go in.",
            ),
        ),
    ],
)
def test_a_draft_that_must_not_be(recording: Recording, said: dict[str, Any], refusal: tuple[str, str, str]) -> None:
    assert recording.refused(DraftProfile(profile="opa", **said), SUPERVISOR) == refusal


def test_excluded_kinds_can_be_let_in_with_a_reason(recording: Recording) -> None:
    draft = drafted(recording, excluded_kinds=(), reason="no urological devices on this site; asked by the committee")
    assert draft.excluded_kinds == ()


def test_a_name_is_taken_once(recording: Recording) -> None:
    drafted(recording)
    assert recording.refused(DraftProfile(profile="opa", chemistry=OPA), ADMINISTRATOR) == (
        "profile-exists",
        "There is a solution profile opa already.",
        "Correct that one, or give the new one another name.",
    )


@pytest.mark.parametrize("who", [TECHNICIAN, AUDITOR])
def test_profiles_are_kept_by_supervisors_and_administrators(recording: Recording, who: str) -> None:
    rule, _, next_step = recording.refused(DraftProfile(profile="opa", chemistry=OPA), who)
    assert (rule, next_step) == ("role", "Ask an administrator or a supervisor to do it.")


def test_confirming_keeps_label_and_picture(recording: Recording) -> None:
    drafted(recording)
    recording.do(ConfirmProfile(profile="opa", **CONFIRMED, **FROM_LABEL), SUPERVISOR)
    confirmed = recording.get(Profile, "opa").confirmed
    assert confirmed is not None
    assert (confirmed.by, confirmed.at_ms) == (SUPERVISOR, at("2026-03-02 09:00"))
    assert (confirmed.label_revision, confirmed.lot, confirmed.label_date) == ("Rev. C", "LOT-9", "2025-10-01")
    assert confirmed.picture_sha256 == PICTURE


def test_confirming_takes_a_second_factor(recording: Recording) -> None:
    drafted(recording)
    deed = ConfirmProfile(profile="opa", **CONFIRMED, **FROM_LABEL)
    assert recording.refused(deed, SUPERVISOR, second_factor=False)[0] == "second-factor"


NEEDED = {
    "jurisdiction": "whose label it is (jurisdiction)",
    "min_mc": "the minimum temperature",
    "contact_ms": "the contact time",
    "reuse_days": "the reuse life in days, or single use",
    "opened_days": "the opened-container use life, or that none is printed",
    "activated_days": "the activated life",
    "mec": "the minimum effective concentration, or that none is monitored",
    "strip": "the dip time and read window of its strips",
    "rinses": "the rinses",
}
WHOLE: dict[str, Any] = {
    "name": "ours",
    "manual": True,
    "jurisdiction": "EU",
    "min_mc": 20_000,
    "contact_ms": 600_000,
    "reuse_days": 14,
    "opened_days": 30,
    "activation": True,
    "activated_days": 28,
    "mec": "1.5 %",
    "strip": Strip(1_000, 90_000, 120_000),
    "rinses": Rinses(3, 60_000),
}


@pytest.mark.parametrize("lacking", NEEDED)
def test_nothing_is_confirmed_while_a_needed_figure_is_missing(recording: Recording, lacking: str) -> None:
    figures = {field: value for field, value in WHOLE.items() if field != lacking}
    recording.do(DraftProfile(profile="ours", **figures), SUPERVISOR)
    assert recording.refused(ConfirmProfile(profile="ours", **CONFIRMED), SUPERVISOR) == (
        "profile-incomplete",
        f"Profile ours (ours) lacks {NEEDED[lacking]}.",
        "Enter what is missing from the label in hand, then confirm.",
    )
    recording.do(ConfirmProfile(profile="ours", **CONFIRMED, **{lacking: WHOLE[lacking]}), SUPERVISOR)


def test_what_a_draft_lacks_is_listed_together(recording: Recording) -> None:
    drafted(recording)
    assert recording.refused(ConfirmProfile(profile="opa", **CONFIRMED), SUPERVISOR)[1] == (
        "Profile opa (ortho-phthalaldehyde 0.55 %) lacks the opened-container use life, or that none is printed, "
        "the dip time and read window of its strips and the rinses."
    )


def test_what_a_label_does_not_print_can_be_said(recording: Recording) -> None:
    figures = {**WHOLE, "mec_monitored": False, "activation": False}
    for field in ("mec", "strip", "opened_days", "activated_days"):
        del figures[field]
    recording.do(DraftProfile(profile="ours", **figures), SUPERVISOR)
    recording.do(ConfirmProfile(profile="ours", **CONFIRMED, not_printed=("opened_days",)), SUPERVISOR)
    assert recording.get(Profile, "ours").sources["opened_days"] == "not printed on the label, said by sam"


def test_a_claim_for_reprocessors_only_is_never_confirmed(recording: Recording) -> None:
    recording.do(DraftProfile(profile="ours", **{**WHOLE, "manual": False}), SUPERVISOR)
    assert recording.refused(ConfirmProfile(profile="ours", **CONFIRMED), SUPERVISOR) == (
        "automated-only",
        "The claim of profile ours (ours) holds in automated reprocessors only: a soak by hand does not earn it.",
        "Enter the claim that the label prints for soaking by hand; if it prints none, do not soak in it.",
    )


def test_a_label_is_not_dated_ahead(recording: Recording) -> None:
    drafted(recording)
    deed = ConfirmProfile(profile="opa", **{**CONFIRMED, "label_date": "2026-05-01"}, **FROM_LABEL)
    assert recording.refused(deed, SUPERVISOR) == (
        "date",
        "Label date 2026-05-01 lies ahead.",
        "Type the date again as it is printed.",
    )


def test_a_new_label_with_the_same_figures_is_confirmed_again(recording: Recording) -> None:
    profile(recording)
    recording.later(1_000)
    recording.do(ConfirmProfile(profile="opa", **{**CONFIRMED, "label_revision": "Rev. D"}), ADMINISTRATOR)
    after = recording.get(Profile, "opa")
    assert after.confirmed is not None
    assert (after.revision, after.confirmed.label_revision, after.confirmed.by) == (1, "Rev. D", ADMINISTRATOR)


def test_other_figures_are_a_correction_and_no_confirmation(recording: Recording) -> None:
    profile(recording)
    assert recording.refused(ConfirmProfile(profile="opa", **CONFIRMED, reuse_days=10), SUPERVISOR) == (
        "profile-confirmed",
        "Profile opa was confirmed by Sam Test at 2026-03-02 09:00 with other figures.",
        "If the label says otherwise, correct the profile: every soak in it is then judged again.",
    )


def correction(**more: Any) -> CorrectProfile:
    return CorrectProfile(profile="opa", **CONFIRMED, **{"reason": "misread the label", **more})


def test_a_correction_is_a_revision(recording: Recording) -> None:
    profile(recording)
    recording.do(correction(min_mc=21_000), SUPERVISOR)
    after = recording.get(Profile, "opa")
    assert (after.revision, after.min_mc, after.sources["min_mc"]) == (2, 21_000, "label, typed by sam")
    assert recording.all(LookBack) == []  # nothing was soaked in it


@pytest.mark.parametrize(
    ("said", "refusal"),
    [
        (
            {"reuse_days": 10, "reason": " "},
            ("reason", "Correcting profile opa needs a reason.", "Say in a few words why."),
        ),
        (
            {"reuse_days": 14},
            (
                "no-change",
                "Profile opa already has these figures.",
                "If only the label is new, confirm the profile against it.",
            ),
        ),
        (
            {"not_printed": ("mec",)},
            (
                "profile-incomplete",
                "Profile opa (ortho-phthalaldehyde 0.55 %) lacks the minimum effective concentration, or that none is "
                "monitored.",
                "Enter what is missing from the label in hand, then confirm.",
            ),
        ),
        (
            {"contact_ms": 300_000, "min_mc": 25_000},
            (
                "automated-only",
                f"5 min at 25 °C is printed for automated reprocessors only ({TABLE_4}). "
                "A soak by hand at 25 °C does not earn it.",
                "Enter the claim that the label prints for soaking by hand; published: 12 min at 20 °C.",
            ),
        ),
    ],
)
def test_a_correction_that_must_not_be(
    recording: Recording, said: dict[str, Any], refusal: tuple[str, str, str]
) -> None:
    profile(recording)
    assert recording.refused(correction(**said), SUPERVISOR) == refusal


def test_a_correction_looks_back_on_every_fill_that_had_loads(recording: Recording) -> None:
    profile(recording)
    first = fill(recording, bottle(recording))
    unused = fill(recording, bottle(recording), basin="n1/b2")
    loaded = recording.get(Fill, first)
    recording.put(
        Load(id="L1", basin="n1/b1", fill=first, began_ms=loaded.poured_ms, by=TECHNICIAN, ended_ms=loaded.poured_ms)
    )
    recording.put(msgspec.structs.replace(loaded, loads=1))
    now_ms = recording.later(3_600_000)
    recording.do(correction(min_mc=21_000, contact_ms=900_000), SUPERVISOR)
    (look_back,) = recording.all(LookBack)
    assert (look_back.cause, look_back.fills, look_back.by) == ("profile-corrected", (first,), SUPERVISOR)
    assert unused not in look_back.fills
    assert (look_back.from_ms, look_back.until_ms) == (at("2026-03-02 09:00"), now_ms)
    assert look_back.text == (
        "Profile opa (ortho-phthalaldehyde 0.55 %) was corrected to revision 2 (minimum temperature and contact time): "
        "soaks in 1 fill were judged by the figures before."
    )


def test_use_by_of_fills_and_bottles_follows_a_correction(recording: Recording) -> None:
    profile(recording)
    first, other = bottle(recording), bottle(recording)
    poured = fill(recording, first)
    assert recording.get(Fill, poured).use_by_ms == at("2026-03-16 09:00")
    recording.do(correction(reuse_days=10), SUPERVISOR)
    after = recording.get(Fill, poured)
    assert (after.use_by_ms, after.use_by_why) == (
        at("2026-03-12 09:00"),
        "reuse life of 10 days from pouring, counted to the minute",
    )
    assert recording.get(Bottle, other).use_by_ms == at("2027-02-01 00:00") - 1


def test_a_retired_profile_takes_nothing_new(recording: Recording) -> None:
    profile(recording)
    assert recording.refused(RetireProfile(profile="opa"), SUPERVISOR) == (
        "reason",
        "Retiring profile opa needs a reason.",
        "Say in a few words why.",
    )
    recording.do(RetireProfile(profile="opa", reason="no longer bought"), SUPERVISOR)
    assert recording.get(Profile, "opa").retired
    assert recording.refused(correction(reuse_days=10), SUPERVISOR) == (
        "profile-retired",
        "Profile opa (ortho-phthalaldehyde 0.55 %) is retired.",
        "Draft a new one if it is bought again.",
    )


def test_a_product_code_belongs_to_one_profile_only(recording: Recording) -> None:
    profile(recording)
    profile(recording, "peroxide", OTHER_GTIN, "hydrogen-peroxide-7.5")
    assert recording.refused(AssignProductCode(profile="peroxide", gtin=GTIN), SUPERVISOR) == (
        "product-code-assigned",
        "Product code 06291041500213 belongs to profile opa (ortho-phthalaldehyde 0.55 %).",
        "Compare both labels; if the code was assigned wrongly, take it away there first.",
    )
    assert recording.refused(AssignProductCode(profile="opa", gtin="6291041500213"), SUPERVISOR)[2] == (
        "Nothing more is needed."
    )
    recording.do(TakeProductCodeAway(profile="opa", gtin=GTIN, reason="another container"), SUPERVISOR)
    recording.do(AssignProductCode(profile="peroxide", gtin=GTIN), SUPERVISOR)
    assert recording.get(Profile, "opa").product_codes == ()
    assert recording.get(Profile, "peroxide").product_codes == (OTHER_GTIN, GTIN)
    assert recording.refused(TakeProductCodeAway(profile="opa", gtin=GTIN, reason="again"), SUPERVISOR) == (
        "product-code-assigned",
        "Product code 06291041500213 does not belong to profile opa (ortho-phthalaldehyde 0.55 %).",
        "Look on the profiles' page to which it belongs.",
    )


@pytest.mark.parametrize(
    ("code", "whole"),
    [
        ("6291041500213", "06291041500213"),  # GS1's own example of a check digit
        ("7300011000017", "07300011000017"),
        ("8904000210037", "08904000210037"),
        ("12345678901231", "12345678901231"),
        ("416000336108", "00416000336108"),
        ("02345673", "00000002345673"),
    ],
)
def test_product_codes_of_gs1_examples(code: str, whole: str) -> None:
    assert gtin(code) == whole


@pytest.mark.parametrize(
    ("code", "text"),
    [
        ("6291041500212", "Product code 6291041500212 does not hold together: its last digit would be 3."),
        ("629104150021", "Product code 629104150021 does not hold together: its last digit would be 4."),
        ("12345", "'12345' is no product code: it has 8, 12, 13 or 14 digits."),
        ("٦٢٩١٠٤١٥٠٠٢١٣", "'٦٢٩١٠٤١٥٠٠٢١٣' is no product code: it has 8, 12, 13 or 14 digits."),
    ],
)
def test_product_codes_that_are_none(recording: Recording, code: str, text: str) -> None:
    profile(recording)
    assert recording.refused(AssignProductCode(profile="opa", gtin=code), SUPERVISOR)[:2] == ("product-code", text)


def taken_away() -> TakeProductCodeAway:
    return TakeProductCodeAway(profile="opa", gtin=GTIN, reason="It stands on the label of another strength.")


def test_what_was_poured_by_a_wrong_code_is_looked_back_on_and_nothing_more_is_poured(recording: Recording) -> None:
    profile(recording)
    fill(recording, bottle(recording))
    bottle(recording, lot="L2")
    assert recording.refused(taken_away(), SUPERVISOR) == (
        "fill-in-use",
        f"Fill F1 in Basin 1 was poured from a bottle with product code {GTIN}: what is in it is in question.",
        "Discard F1 first, then take the code away.",
    )
    recording.put(msgspec.structs.replace(recording.get(Fill, "F1"), loads=2))
    recording.do(DiscardFill(fill="F1", reason="wrong solution"))
    recording.do(taken_away(), SUPERVISOR)
    (look_back,) = recording.all(LookBack)
    assert (look_back.cause, look_back.fills) == ("product-code-taken-away", ("F1",))
    assert look_back.text == (
        f"Product code {GTIN} is not that of profile opa (ortho-phthalaldehyde 0.55 %): what was in 1 fill of its "
        "bottles is in question."
    )
    assert recording.refused(PourFill(basin="n1/b1", bottles=(FromBottle("B2"),))) == (
        "product-code",
        f"Bottle B2 was taken for ortho-phthalaldehyde 0.55 % by its product code {GTIN}, which is not that profile's "
        "any more: what is in it is in question.",
        "Do not pour it. Compare its label; receive it again under the right profile, and throw this entry away.",
    )


def test_a_correction_of_other_figures_counts_no_days_again(recording: Recording) -> None:
    """The site's way of counting holds for what is poured from then on."""
    recording.set_policy(last_day=LastDay.DOES_NOT_COUNT)
    profile(recording)
    fill(recording, bottle(recording))
    use_by_ms = recording.get(Fill, "F1").use_by_ms
    recording.set_policy(last_day=LastDay.COUNTS)
    recording.do(CorrectProfile(profile="opa", contact_ms=900_000, reason="misread", **CONFIRMED), SUPERVISOR)
    assert recording.get(Fill, "F1").use_by_ms == use_by_ms
