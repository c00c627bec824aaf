from __future__ import annotations

import re

import pytest

from residue.schedule.spans import DaySpan, day_span, day_spans


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("10:00-18:00", DaySpan(600, 1080)),
        ("9:30-10:15", DaySpan(570, 615)),
        ("00:00-24:00", DaySpan(0, 1440)),
        ("18:00-24:00", DaySpan(1080, 1440)),
        ("18:00-00:00", DaySpan(1080, 1440)),
        ("22:00-04:00", DaySpan(1320, 1680)),
        ("20:00-08:00", DaySpan(1200, 1920)),
        (" 10:00 - 18:00 ", DaySpan(600, 1080)),
        ("10:00–18:00", DaySpan(600, 1080)),
    ],
)
def test_a_span_is_read_as_people_write_it(text: str, span: DaySpan) -> None:
    assert day_span(text) == span


@pytest.mark.parametrize(
    ("text", "message"),
    [
        pytest.param(text, message, id=text or "empty")
        for text, message in {
            "": "'' is not a span of a day. Write it as 10:00-18:00, with 24:00 for the end of the day.",
            "10-18": "'10-18' is not a span of a day. Write it as 10:00-18:00, with 24:00 for the end of the day.",
            "10.00-18.00": "'10.00-18.00' is not a span of a day. "
            "Write it as 10:00-18:00, with 24:00 for the end of the day.",
            "10:00-18:60": "'10:00-18:60' has a time that does not exist. Write times from 00:00 to 24:00.",
            "25:00-27:00": "'25:00-27:00' has a time that does not exist. Write times from 00:00 to 24:00.",
            "10:00-24:01": "'10:00-24:01' has a time that does not exist. Write times from 00:00 to 24:00.",
            "24:00-06:00": "'24:00-06:00' has a time that does not exist. Write times from 00:00 to 24:00.",
            "10:00-10:00": "'10:00-10:00' ends as it starts. For the whole day write 00:00-24:00.",
            "18:00-10:00": "'18:00-10:00' ends before it starts and would be a night of more than 12 hours. "
            "Did you mean 10:00-18:00? For so long a night write two spans, one up to 24:00 and one from 00:00 on the "
            "next day.",
        }.items()
    ],
)
def test_what_is_no_span_is_refused_with_the_mend(text: str, message: str) -> None:
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        day_span(text)


def test_the_spans_of_a_day_come_in_order() -> None:
    assert day_spans(("13:00-22:00", "10:00-13:00")) == (DaySpan(600, 780), DaySpan(780, 1320))


def test_spans_of_a_day_that_overlap_are_refused() -> None:
    message = "10:00-12:30 and 12:00-22:00 overlap. Write them as one span, or part them."
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        day_spans(("12:00-22:00", "10:00-12:30"))
