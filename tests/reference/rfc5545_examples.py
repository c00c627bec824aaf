"""The examples that RFC 5545, 3.8.5.3 prints for rules that repeat daily or more seldom, as facts.

Each is (DTSTART, rule, the dates printed; of rules without an end the first of them). All events begin at 09:00 in
New York. Those by the hour, the minute and with several times a day are no hours of a house: the program refuses them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date


def dates(printed: str) -> list[str]:
    """ "1997-09: 2-4 9; 1997-10: 1" as ISO dates."""
    return list(_dates(printed))


def _dates(printed: str) -> Iterator[str]:
    for month, days in re.findall(r"(\d{4}-\d{2}): ([\d -]+)", printed):
        for days_from, days_to in re.findall(r"(\d+)(?:-(\d+))?", days):
            for day in range(int(days_from), int(days_to or days_from) + 1):
                yield date.fromisoformat(f"{month}-{day:02d}").isoformat()


_TUE_THU = "1997-09: 2 4 9 11 16 18 23 25 30; 1997-10: 2"
_ALTERNATE = (
    "1997-09: 1 3 5 15 17 19 29; 1997-10: 1 3 13 15 17 27 29 31; 1997-11: 10 12 14 24 26 28; 1997-12: 8 10 12 22"
)
_FIRST_FRIDAYS = "1997-09: 5; 1997-10: 3; 1997-11: 7; 1997-12: 5"
_JANUARIES = "1998-01: 1-31; 1999-01: 1-31; 2000-01: 1-31"
_TUESDAYS = "1997-09: 2 9 16 23 30; 1997-10: 7 14 21 28; 1997-11: 4"

EXAMPLES = [
    ("19970902", "FREQ=DAILY;COUNT=10", "1997-09: 2-11"),
    ("19970902", "FREQ=DAILY;UNTIL=19971224T000000Z", "1997-09: 2-30; 1997-10: 1-31; 1997-11: 1-30; 1997-12: 1-23"),
    ("19970902", "FREQ=DAILY;INTERVAL=2", "1997-09: 2 4 6 8 10 12 14 16 18 20 22 24 26 28 30; 1997-10: 2 4 6"),
    ("19970902", "FREQ=DAILY;INTERVAL=10;COUNT=5", "1997-09: 2 12 22; 1997-10: 2 12"),
    ("19980101", "FREQ=YEARLY;UNTIL=20000131T140000Z;BYMONTH=1;BYDAY=SU,MO,TU,WE,TH,FR,SA", _JANUARIES),
    ("19980101", "FREQ=DAILY;UNTIL=20000131T140000Z;BYMONTH=1", _JANUARIES),
    ("19970902", "FREQ=WEEKLY;COUNT=10", _TUESDAYS),
    ("19970902", "FREQ=WEEKLY;UNTIL=19971224T000000Z", f"{_TUESDAYS} 11 18 25; 1997-12: 2 9 16 23"),
    ("19970902", "FREQ=WEEKLY;INTERVAL=2;WKST=SU", "1997-09: 2 16 30; 1997-10: 14 28; 1997-11: 11 25; 1997-12: 9 23"),
    ("19970902", "FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH", _TUE_THU),
    ("19970902", "FREQ=WEEKLY;COUNT=10;WKST=SU;BYDAY=TU,TH", _TUE_THU),
    ("19970901", "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR", _ALTERNATE),
    ("19970902", "FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH", "1997-09: 2 4 16 18 30; 1997-10: 2 14 16"),
    (
        "19970905",
        "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
        f"{_FIRST_FRIDAYS}; 1998-01: 2; 1998-02: 6; 1998-03: 6; 1998-04: 3; 1998-05: 1; 1998-06: 5",
    ),
    ("19970905", "FREQ=MONTHLY;UNTIL=19971224T000000Z;BYDAY=1FR", _FIRST_FRIDAYS),
    (
        "19970907",
        "FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU",
        "1997-09: 7 28; 1997-11: 2 30; 1998-01: 4 25; 1998-03: 1 29; 1998-05: 3 31",
    ),
    (
        "19970922",
        "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO",
        "1997-09: 22; 1997-10: 20; 1997-11: 17; 1997-12: 22; 1998-01: 19; 1998-02: 16",
    ),
    (
        "19970928",
        "FREQ=MONTHLY;BYMONTHDAY=-3",
        "1997-09: 28; 1997-10: 29; 1997-11: 28; 1997-12: 29; 1998-01: 29; 1998-02: 26",
    ),
    (
        "19970902",
        "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15",
        "1997-09: 2 15; 1997-10: 2 15; 1997-11: 2 15; 1997-12: 2 15; 1998-01: 2 15",
    ),
    (
        "19970930",
        "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1",
        "1997-09: 30; 1997-10: 1 31; 1997-11: 1 30; 1997-12: 1 31; 1998-01: 1 31; 1998-02: 1",
    ),
    ("19970910", "FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15", "1997-09: 10-15; 1999-03: 10-13"),
    (
        "19970902",
        "FREQ=MONTHLY;INTERVAL=2;BYDAY=TU",
        "1997-09: 2 9 16 23 30; 1997-11: 4 11 18 25; 1998-01: 6 13 20 27; 1998-03: 3 10 17 24 31",
    ),
    (
        "19970610",
        "FREQ=YEARLY;COUNT=10;BYMONTH=6,7",
        "; ".join(f"{year}-06: 10; {year}-07: 10" for year in range(1997, 2002)),
    ),
    (
        "19970310",
        "FREQ=YEARLY;INTERVAL=2;COUNT=10;BYMONTH=1,2,3",
        "1997-03: 10; 1999-01: 10; 1999-02: 10; 1999-03: 10; 2001-01: 10; 2001-02: 10; 2001-03: 10; "
        "2003-01: 10; 2003-02: 10; 2003-03: 10",
    ),
    (
        "19970101",
        "FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200",
        "1997-01: 1; 1997-04: 10; 1997-07: 19; 2000-01: 1; 2000-04: 9; 2000-07: 18; 2003-01: 1; 2003-04: 10; "
        "2003-07: 19; 2006-01: 1",
    ),
    ("19970519", "FREQ=YEARLY;BYDAY=20MO", "1997-05: 19; 1998-05: 18; 1999-05: 17"),
    ("19970512", "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO", "1997-05: 12; 1998-05: 11; 1999-05: 17"),
    ("19970313", "FREQ=YEARLY;BYMONTH=3;BYDAY=TH", "1997-03: 13 20 27; 1998-03: 5 12 19 26; 1999-03: 4 11 18 25"),
    (
        "19970605",
        "FREQ=YEARLY;BYDAY=TH;BYMONTH=6,7,8",
        "1997-06: 5 12 19 26; 1997-07: 3 10 17 24 31; 1997-08: 7 14 21 28; "
        "1998-06: 4 11 18 25; 1998-07: 2 9 16 23 30; 1998-08: 6 13 20 27; "
        "1999-06: 3 10 17 24; 1999-07: 1 8 15 22 29; 1999-08: 5 12 19 26",
    ),
    (
        "19970913",
        "FREQ=MONTHLY;BYDAY=SA;BYMONTHDAY=7,8,9,10,11,12,13",
        "1997-09: 13; 1997-10: 11; 1997-11: 8; 1997-12: 13; 1998-01: 10; 1998-02: 7; 1998-03: 7; 1998-04: 11; "
        "1998-05: 9; 1998-06: 13",
    ),
    (
        "19961105",
        "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8",
        "1996-11: 5; 2000-11: 7; 2004-11: 2",
    ),
    ("19970904", "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3", "1997-09: 4; 1997-10: 7; 1997-11: 6"),
    (
        "19970929",
        "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2",
        "1997-09: 29; 1997-10: 30; 1997-11: 27; 1997-12: 30; 1998-01: 29; 1998-02: 26; 1998-03: 30",
    ),
    ("19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "1997-08: 5 10 19 24"),
    ("19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", "1997-08: 5 17 19 31"),
    ("20070115", "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "2007-01: 15 30; 2007-02: 15; 2007-03: 15 30"),
]
