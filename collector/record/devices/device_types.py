"""Types of device: what their makers permit and ask for."""

from __future__ import annotations

import re
from typing import Annotated

import msgspec
from msgspec import UNSET, UnsetType

from collector.record.book import Book
from collector.record.deed import KEEPERS, Deed, deed
from collector.record.errors import RefusedError
from collector.record.said import given
from collector.record.solutions.chemistries import UROLOGICAL
from collector.record.things import Days, DeviceType, Id, Millis, Profile, Rinses, Step, Text

Kind = Annotated[str, msgspec.Meta(min_length=1, max_length=80)]
Profiles = Annotated[tuple[Id, ...], msgspec.Meta(min_length=1, max_length=50)]
Steps = Annotated[tuple[Step, ...], msgspec.Meta(max_length=len(Step))]


@deed
class RecordDeviceType(Deed, frozen=True, kw_only=True):
    """Record a type of device as its maker's instructions describe it.

    Attributes:
        id: Its short name, e.g. "gastroscope".
        name: As people say it.
        kind: What solutions are excluded for, e.g. "urological"; free words.
        profiles: Solution profiles that its maker permits.
        steps: What must be attested before each soak.
        dry_ms: The least drying time, milliseconds; 0 if the maker prints none.
        hang_days: Longest storage before it is reprocessed. Published figures disagree (7 days following SGNA,
            Outpatient Surgery Magazine 02/2019; 7 to 10, 10 to 14 days, up to a month, by risk assessment or none,
            perioperative guideline 2022, Table 4), so there is no default: null says that the site sets none.
        rinses: If its maker asks for more than the label.
    """

    NAME = "record-device-type"
    ROLES = KEEPERS

    id: Id
    name: Text
    kind: Kind
    profiles: Profiles
    steps: Steps
    dry_ms: Millis
    hang_days: Days | None
    rinses: Rinses | None = None

    def perform(self, book: Book) -> DeviceType:
        """Its profiles exist and do not exclude it."""
        if book.find(DeviceType, self.id):
            raise RefusedError(
                "device-type-exists",
                f"The device type {self.id!r} is recorded already.",
                "Change it, or choose another short name.",
            )
        return _put(book, DeviceType(id=self.id, **given(self)), self.reason)


@deed
class ChangeDeviceType(Deed, frozen=True, kw_only=True):
    """Change a type of device. What is not given stays.

    Attributes:
        id: Which.
        name: As people say it.
        kind: What solutions are excluded for.
        profiles: Solution profiles that its maker permits.
        steps: What must be attested before each soak.
        dry_ms: The least drying time, milliseconds.
        hang_days: Longest storage; null: the site sets none.
        rinses: If its maker asks for more than the label; null: no more than the label.
    """

    NAME = "change-device-type"
    ROLES = KEEPERS

    id: Id
    name: Text | UnsetType = UNSET
    kind: Kind | UnsetType = UNSET
    profiles: Profiles | UnsetType = UNSET
    steps: Steps | UnsetType = UNSET
    dry_ms: Millis | UnsetType = UNSET
    hang_days: Days | UnsetType | None = UNSET
    rinses: Rinses | UnsetType | None = UNSET

    def perform(self, book: Book) -> DeviceType:
        """As for a new one. Rounds that have begun are judged by what holds at their release."""
        return _put(book, msgspec.structs.replace(book.get(DeviceType, self.id), **given(self)), self.reason)


_UROLOGICAL_NAMES = re.compile(r"urolog|cystosc|cysto-|ureterosc|urethrosc|nephrosc")
"""What instruments of the urinary tract are called, in small letters (general knowledge of the trade)."""


def _refuse_urological(said: DeviceType, reason: str) -> None:
    """An instrument of the urinary tract by its name that is of another kind: what excludes those would let it in."""
    names = f"{said.id} {said.name} {said.kind}".lower()
    if said.kind == UROLOGICAL or reason.strip() or not _UROLOGICAL_NAMES.search(names):
        return
    raise RefusedError(
        "urological",
        f"{said.name} is by its name a urological instrument, and its kind is {said.kind!r}: a solution whose label "
        "excludes urological devices would let it in.",
        f"Give it the kind {UROLOGICAL!r}, or give the reason why it is none.",
    )


def _put(book: Book, said: DeviceType, reason: str) -> DeviceType:
    device_type = msgspec.structs.replace(
        said,
        name=said.name.strip(),
        kind=" ".join(said.kind.lower().split()),
        profiles=tuple(dict.fromkeys(said.profiles)),
        steps=tuple(step for step in Step if step in said.steps),
    )
    _refuse_urological(device_type, reason)
    if Step.CLEAN not in device_type.steps:
        # Rutala and Weber 2016, key points: cleaning always comes before high-level disinfection.
        raise RefusedError(
            "clean-first",
            f"{device_type.name} would be disinfected without having been cleaned: what is not clean cannot be.",
            f"Keep the step {Step.CLEAN.value!r} for every type of device.",
        )
    for profile_id in device_type.profiles:
        profile = book.get(Profile, profile_id, "Record the solution profile first, or choose another.")
        if device_type.kind in {kind.lower() for kind in profile.excluded_kinds}:
            raise RefusedError(
                "excluded-kind",
                f"{profile.name} is not for {device_type.kind} devices, and {device_type.name} is one.",
                "Choose another solution profile; the label and the device maker's instructions decide.",
            )
    return book.put(device_type)
