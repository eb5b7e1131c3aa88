#!/usr/bin/env python3
"""What the reference implementation (PyPI: phonenumbers) says of telephone numbers that it makes up itself.

    python3 reference.py < asked > answered

Reads a JSON line a country, {"country": "GB", "fiction": ["1632960xxx"]}, and writes a JSON line a number:
{"country", "number": "+44…", "kind", "digits": those after the calling code, "prefix": national prefix or "",
"significant": the number within the country as the reference reads it, "possible": word of the reference}.
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
    return {
        "country": country,
        "number": number,
        "kind": kind,
        "digits": digits,
        "prefix": prefix,
        "significant": significant,
        "possible": possible,
    }


def main():
    for line in sys.stdin:
        asked = json.loads(line)
        country = asked["country"]
        code = str(phonenumbers.country_code_for_region(country))
        for kind, digits in national_numbers(country, asked["fiction"]):
            print(json.dumps(answer(country, code, kind, digits)))
            for length in range(1, 16 - len(code)):
                if length != len(digits):
                    print(json.dumps(answer(country, code, "length", (digits + FILL)[:length])))


main()
