#!/usr/bin/env python3
"""What the reference implementation (PyPI: phonenumbers) says of telephone numbers that it makes up itself.

    python3 reference.py < asked > answered

Reads a JSON line a country, {"country": "GB", "fiction": ["1632960xxx"]}, and writes a JSON line a number:
{"country", "number": "+44…", "kind", "digits": those after the calling code, "prefix": national prefix or "",
"significant": the number within the country as the reference reads it, "possible": word of the reference,
"valid": whether these very digits are a number, "national": the digits of the reference's national form of them (whole numbers
alone)}. A line {"others": ["GB"]} asks the same of every region that
the reference has but those.
A line {"trunk": true} asks for every region that the reference has with a national prefix: each of its example numbers
behind the calling code and that prefix, and with the prefix twice, as {"kind": "trunk", "number", "meant": the number without
it, "valid": whether there is such a number, "meant_valid"}.
Numbers come from the ranges given as reserved for fiction and from the metadata's own examples, each also cut short
and drawn out to every length up to 15 digits; those have the kind "length". It reads no network and writes no file.
"""

import json
import sys

import phonenumbers
from phonenumbers import PhoneNumberType, ValidationResult

KINDS = ("FIXED_LINE", "MOBILE", "TOLL_FREE", "PREMIUM_RATE", "SHARED_COST", "PERSONAL_NUMBER", "VOIP", "UAN")
WORDS = {getattr(ValidationResult, name): name for name in dir(ValidationResult) if name.isupper()}
FILL = "0142735869"


def national_numbers(country, fiction):
    """Pairs of kind and significant number."""
    for template in fiction:
        digits = iter(FILL)
        yield "fiction", "".join(next(digits) if sign == "x" else sign for sign in template)
    for kind in KINDS:
        example = phonenumbers.example_number_for_type(country, getattr(PhoneNumberType, kind))
        # A few examples are dialled within their own area only.
        if example is not None and phonenumbers.is_possible_number_with_reason(example) == ValidationResult.IS_POSSIBLE:
            yield kind, phonenumbers.national_significant_number(example)


def answer(country, code, kind, digits):
    """What the reference makes of a calling code and the digits after it."""
    number = f"+{code}{digits}"
    try:
        parsed = phonenumbers.parse(number, None)
    except phonenumbers.NumberParseException as error:
        possible, significant = f"UNREADABLE_{error.error_type}", ""
    else:
        possible = WORDS[phonenumbers.is_possible_number_with_reason(parsed)]
        significant = phonenumbers.national_significant_number(parsed)
    prefix = phonenumbers.ndd_prefix_for_region(country, True) or ""
    national = ""
    if kind != "length" and significant == digits:
        written = phonenumbers.format_number(parsed, phonenumbers.PhoneNumberFormat.NATIONAL)
        national = "".join(sign for sign in written if sign.isdigit())
    return {
        "country": country,
        "number": number,
        "kind": kind,
        "digits": digits,
        "prefix": prefix,
        "significant": significant,
        "possible": possible,
        "valid": is_number(int(code), digits),
        "national": national,
    }


def is_number(code, digits):
    """Whether these very digits are a number under a calling code: reading a text would take a prefix off."""
    if not digits.isdigit() or len(digits) > 17:
        return False
    number = phonenumbers.PhoneNumber(country_code=code, national_number=int(digits))
    zeros = len(digits) - len(digits.lstrip("0"))
    if zeros:
        number.italian_leading_zero = True
        number.number_of_leading_zeros = zeros
    if phonenumbers.national_significant_number(number) != digits:
        return False
    return phonenumbers.is_valid_number(number)


def kept_prefixes():
    """Numbers of every region that keep its national prefix behind the calling code."""
    for region in sorted(phonenumbers.SUPPORTED_REGIONS):
        prefix = phonenumbers.ndd_prefix_for_region(region, False)
        if not prefix:
            continue
        code = phonenumbers.country_code_for_region(region)
        for kind in (*KINDS, "PAGER", "VOICEMAIL"):
            example = phonenumbers.example_number_for_type(region, getattr(PhoneNumberType, kind))
            if example is None:
                continue
            digits = phonenumbers.national_significant_number(example)
            for meant in (digits, prefix + digits):
                kept = prefix + meant
                if len(str(code)) + len(kept) <= 15:
                    yield {
                        "kind": "trunk",
                        "country": region,
                        "prefix": prefix,
                        "number": f"+{code}{kept}",
                        "meant": f"+{code}{meant}",
                        "valid": is_number(code, kept),
                        "meant_valid": is_number(code, meant),
                    }


def tell(country, fiction):
    """Writes all that is to be told of a country."""
    code = str(phonenumbers.country_code_for_region(country))
    for kind, digits in national_numbers(country, fiction):
        print(json.dumps(answer(country, code, kind, digits)))
        for length in range(1, 16 - len(code)):
            if length != len(digits):
                print(json.dumps(answer(country, code, "length", (digits + FILL)[:length])))
        # The same length, and in many countries of no range.
        for first in "0123456789":
            other = first + digits[1:]
            if other != digits:
                print(json.dumps(answer(country, code, "length", other)))


def main():
    for line in sys.stdin:
        asked = json.loads(line)
        if asked.get("trunk"):
            for one in kept_prefixes():
                print(json.dumps(one))
            continue
        if "others" in asked:
            for country in sorted(phonenumbers.SUPPORTED_REGIONS - set(asked["others"])):
                tell(country, [])
            continue
        tell(asked["country"], asked["fiction"])


main()
