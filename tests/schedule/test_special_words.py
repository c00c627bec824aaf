from __future__ import annotations

import tomllib
from datetime import date

import pytest

from residue.checking import check
from residue.schedule.hours import Hours
from residue.schedule.special_words import special_words

PROGRAMME = 'time_zone = "Europe/Berlin"\n[programme]\nperformances = ["first-batch"]\n'
TODAY = date(2026, 12, 3)  # a Thursday


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (
            '[[exception]]\ndate = 2026-12-24\nopen = []\nwhy = "Christmas Eve"',
            "exception 1, Christmas Eve: closed; next on Thu 24 Dec 2026.",
        ),
        (
            '[[exception]]\nweekday = "sun"\nsilent = ["15:00-15:30"]\ntrim_db = -6',
            "exception 1, exception: silent 15:00-15:30, 6 dB lower; next on Sun 06 Dec 2026.",
        ),
        (
            '[[exception]]\nevery_year = "01-01"\nopen = ["12:00-16:00", "18:00-20:00"]\n'
            'performances = ["first-batch"]',
            "exception 1, exception: open 12:00-16:00 and 18:00-20:00, plays first-batch; next on Fri 01 Jan 2027.",
        ),
        ("[[exception]]\ndate = 2025-12-24\nopen = []", "exception 1, exception: closed; all its days are past."),
        ("[[exception]]\ndate = 2036-12-24\nopen = []", "exception 1, exception: closed; first on Wed 24 Dec 2036."),
        (
            '[[private_view]]\ndate = 2026-12-04\nopen = ["19:00-22:00"]\ntrim_db = -6',
            "private view 1, private view: open 19:00-22:00, 6 dB lower; next on Fri 04 Dec 2026.",
        ),
        (
            '[[season]]\nname = "summer"\nfrom = 2027-06-01\nuntil = 2027-08-31\nweekly = { fri = ["18:00-23:00"] }',
            "season summer: other weekly hours from Tue 01 Jun 2027 until Tue 31 Aug 2027.",
        ),
        (
            '[[leg]]\nfrom = 2027-04-01\ntime_zone = "Europe/Lisbon"',
            "leg 1: from Thu 01 Apr 2027 on times of Europe/Lisbon.",
        ),
        (
            '[holidays]\ncountry = "DE"\nregion = "BE"\nopen = ["12:00-17:00"]',
            "public holidays of DE-BE: the next is Erster Weihnachtstag, Fri 25 Dec 2026: open 12:00-17:00.",
        ),
    ],
)
def test_each_special_rule_is_told_as_it_was_taken(table: str, said: str) -> None:
    hours, findings = check(tomllib.loads(PROGRAMME + table), Hours, "hours.toml")
    assert hours is not None, findings
    assert special_words(hours, TODAY) == [said]
