"""Product codes (GTIN) as GS1 prints them: 8, 12, 13 or 14 digits, the last one a check digit."""

from __future__ import annotations

import re

from collector.record.errors import RefusedError

_CODE = re.compile(r"\d{8}|\d{12,14}", re.ASCII)


def gtin(text: str) -> str:
    """A product code with 14 digits, zeros put before shorter ones, so that each code has one spelling.

    Raises:
        RefusedError: Not so many digits, or the check digit does not fit the others.
    """
    code = text.strip()
    if not _CODE.fullmatch(code):
        raise RefusedError(
            "product-code",
            f"{text[:40]!r} is no product code: it has 8, 12, 13 or 14 digits.",
            "Scan the code on the container, or type the digits below it.",
        )
    digit = check_digit(code[:-1])
    if digit != code[-1]:
        raise RefusedError(
            "product-code",
            f"Product code {code} does not hold together: its last digit would be {digit}.",
            "Scan it again, or compare each digit with the container.",
        )
    return code.zfill(14)


def check_digit(digits: str) -> str:
    """GS1 General Specifications 7.9: weights 3 and 1 from the right; the digit fills up to a multiple of ten."""
    total = sum(int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(digits)))
    return str(-total % 10)
