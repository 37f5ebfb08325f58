"""The demo clinic but its patients: rooms, payers and what they allow, staff, shelf, its own lives."""

import tomllib
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.auth.base_user import AbstractBaseUser

from resupply.models import (
    AllowanceVersion,
    CatalogueItem,
    LifeVersion,
    Location,
    Magnetic,
    Payer,
    RefillRuleVersion,
    RefillSource,
    Role,
    Staff,
)
from resupply.rules import gs1, npi
from resupply.rules.matching_table import shipped
from resupply.rules.periods import Period, Unit
from resupply.rules.tables import part_types
from resupply.services.payers import published_allowances
from resupply.services.records import stamp

SIZES = ("S", "M", "L")
SINCE_YEARS = 6
"""Payers' rules are on record from so many years before the given day: longer than any history."""


@dataclass(frozen=True, slots=True)
class Item:
    """Which item of the shelf: its family (empty: none), code, whether a complete mask, and size."""

    code: str
    family: str = ""
    complete: bool = False
    size: str = ""


@dataclass(frozen=True, slots=True)
class Clinic:
    """What the patients' records refer to."""

    locations: list[Location]
    payers: dict[str, Payer]
    desk: AbstractBaseUser
    therapist: AbstractBaseUser
    shelf: dict[Item, CatalogueItem]


@cache
def table(name: str) -> dict[str, Any]:
    """A table of invented things beside this module: `clinic` or `people`."""
    return tomllib.loads(Path(__file__).with_name(f"{name}.toml").read_text("utf-8"))


@cache
def life_of(code: str) -> Period:
    """The life of a code in the demo clinic: its own where it has one, else the shipped life."""
    own = {row["code"]: Period(row["months"], Unit.MONTH) for row in table("clinic")["life"]}
    return own.get(code) or part_types()[code].life


def open_clinic(*, today: date, now: datetime) -> Clinic:
    """Write everything but the patients, in force since before the first of them came."""
    since = date(today.year - SINCE_YEARS, 1, 1)
    staff = _staff()
    _lives(since, staff["admin"], now)
    return Clinic(
        locations=Location.objects.bulk_create(
            Location(name=row["name"], time_zone=row["time_zone"], phone=row["phone"], address=row["address"])
            for row in table("clinic")["location"]
        ),
        payers=_payers(since, staff["admin"], now),
        desk=staff["desk"],
        therapist=staff["therapist"],
        shelf=_shelf(),
    )


def _staff() -> dict[str, AbstractBaseUser]:
    """Accounts nobody can sign in to until `demo_sign_ins` gives them passwords; they work in both rooms."""
    found: dict[str, AbstractBaseUser] = {}
    for row in table("clinic")["staff"]:
        user = get_user_model()(
            username=row["user_name"],
            first_name=row["given_name"],
            last_name=row["family_name"],
            email=f"{row['user_name']}@clinic.example",
        )
        user.set_unusable_password()
        user.save()
        Staff.objects.create(user=user, role=Role(row["role"]))
        found[row["user_name"]] = user
    return found


def _lives(since: date, by: AbstractBaseUser, now: datetime) -> None:
    LifeVersion.objects.bulk_create(
        LifeVersion(
            part_code=row["code"],
            period_count=row["months"],
            period_unit=Unit.MONTH,
            effective_from=since,
            reason=row["reason"],
            **stamp(by, _opening(since, now)),
        )
        for row in table("clinic")["life"]
    )


def _payers(since: date, by: AbstractBaseUser, now: datetime) -> dict[str, Payer]:
    rows = table("clinic")["payer"]
    payers = {
        row["name"]: Payer.objects.create(
            name=row["name"],
            refill_source=RefillSource(row["refill_source"]),
            reevaluation=row.get("reevaluation", ""),
        )
        for row in rows
    }
    mark = stamp(by, _opening(since, now))
    AllowanceVersion.objects.bulk_create(
        AllowanceVersion(payer=payers[row["name"]], **values, **mark)
        for row in rows
        for values in _allowances(row, since)
    )
    RefillRuleVersion.objects.bulk_create(
        RefillRuleVersion(
            payer=payers[row["name"]],
            contact_lead_days=row["contact_lead"],
            delivery_lead_days=row["delivery_lead"],
            effective_from=since,
            source=f"{row['name']}'s own rule (invented)",
            **mark,
        )
        for row in rows
        if row["refill_source"] == RefillSource.OWN
    )
    return payers


def _allowances(payer: dict[str, Any], since: date) -> list[dict[str, Any]]:
    """Fields of the allowances of one payer."""
    if payer["allowances"] == "published":
        return published_allowances()
    return [
        {
            "part_code": code,
            "units": row["units"],
            "period_count": row["months"],
            "period_unit": Unit.MONTH,
            "at_once_periods": row["at_once"],
            "effective_from": since,
            "source": f"{payer['name']}'s own table (invented)",
        }
        for row in payer.get("own", [])
        for code in row["codes"]
    ]


def _opening(since: date, now: datetime) -> datetime:
    """When the clinic's rules were recorded."""
    return datetime.combine(since - timedelta(days=14), now.timetz())


def _shelf() -> dict[Item, CatalogueItem]:
    """Every invented item with a number of its own, and beside them what no patient's kit names."""
    wanted = list(_items())
    rows = [
        CatalogueItem(
            name=name,
            kind=part_types()[item.code].kind,
            part_code=item.code,
            family=item.family,
            size=item.size,
            contains=packed,
            gtin=gtin(number),
            magnetic=magnetic,
            code_note=_code_note(item),
            style=_style(item),
        )
        for number, (item, name, packed, magnetic) in enumerate(wanted, start=1)
    ]
    made = CatalogueItem.objects.bulk_create([*rows, *_extras(first_number=len(rows) + 1)])
    return {item: row for (item, *_), row in zip(wanted, made, strict=False)}


def _items() -> list[tuple[Item, str, list[str], str]]:
    """Item, name, contained parts, magnets."""
    found: list[tuple[Item, str, list[str], str]] = []
    for family in table("clinic")["family"]:
        name, style, mask = family["name"], family["style"], family["mask"]
        for size in SIZES:
            found.append((Item(mask, name, False, size), f"{name} {style} frame", [], Magnetic.NO))
            if family["packed"]:
                complete = Item(mask, name, True, size)
                found.append(
                    (complete, f"{name} {style} mask, complete", family["packed"], family["magnetic"])
                )
            for code, words in family["parts"]:
                found.append((Item(code, name, False, size), f"{name} {words}", [], Magnetic.NO))
        found.append((Item("A7035", name), f"{name} headgear", [], family["magnetic"]))
    for row in table("clinic")["item"]:
        found.append((Item(row["code"]), row["name"], [], Magnetic.NO))
    return found


def _style(item: Item) -> str:
    """Of a mask: its style as the matching table names it; an oral mask has none there."""
    styles = {style.name.removesuffix(" mask").lower(): style.id for style in shipped().styles}
    family = next((row for row in table("clinic")["family"] if row["name"] == item.family), None)
    return styles.get(family["style"], "") if family and item.code == family["mask"] else ""


def _code_note(item: Item) -> str:
    """Why a soft part has its code, where the clinic had to choose."""
    for family in table("clinic")["family"]:
        if family["name"] == item.family and item.code in {code for code, _ in family["parts"]}:
            return str(family.get("code_note", ""))
    return ""


def _extras(*, first_number: int) -> list[CatalogueItem]:
    """Fit packs, an item known by HIBC alone, and one that is no longer offered."""
    return [
        CatalogueItem(
            name=row["name"],
            kind=part_types()[row["code"]].kind,
            part_code=row["code"],
            family=row.get("family", ""),
            contains=row.get("packed", []),
            pack_sizes=row.get("pack_sizes", []),
            gtin="" if "hibc" in row else gtin(number),
            hibc=row.get("hibc", ""),
            magnetic=row.get("magnetic", Magnetic.NO),
            code_note=row.get("code_note", ""),
            style=row.get("style", ""),
            is_offered=row.get("offered", True),
        )
        for number, row in enumerate(table("clinic")["extra"], start=first_number)
    ]


def gtin(number: int) -> str:
    """A GTIN-13 for use inside one company (GS1 prefix 040), written with 14 digits, its check digit valid.

    >>> gtin(1)
    '00400000000015'
    """
    body = f"00400{number:08d}"
    return f"{body}{gs1.check_digit(body)}"


def npi_of(number: str) -> str:
    """A prescriber's ten-digit number out of its first nine.

    >>> npi_of("123456789")
    '1234567893'
    """
    return f"{number}{npi.check_digit(number)}"
