"""Before a performance is shown: consent, and the days it is given for."""

from __future__ import annotations

from datetime import date

import msgspec
import pytest

from residue.archive.performance import Channel, ChannelKind, Permission
from residue.archive.permission import check_permission
from residue.problems import Severity
from tests.archive.bags import CHANNELS, performance

SPRING = Permission(consent="signed", shown_from=date(2026, 3, 1), shown_until=date(2026, 5, 31))


@pytest.mark.parametrize(
    ("permission", "day", "told"),
    [
        pytest.param(SPRING, date(2026, 1, 31), ["2026-01-31 is outside"], id="before the first day"),
        pytest.param(SPRING, date(2026, 6, 1), ["2026-06-01 is outside"], id="after the last day"),
        pytest.param(Permission(consent="signed"), date(2099, 1, 1), [], id="without end"),
        pytest.param(None, date(2026, 4, 1), ["It holds eeg, rr of a person"], id="no consent"),
    ],
)
def test_what_is_told_before_it_is_shown(permission: Permission | None, day: date, told: list[str]) -> None:
    shown = msgspec.structs.replace(performance(CHANNELS), permission=permission)
    findings = list(check_permission(shown, "first-batch", day))
    assert {finding.severity for finding in findings} <= {Severity.WARNS}
    assert all(words in finding.what for words, finding in zip(told, findings, strict=True))


def test_an_end_within_the_next_months_is_told_beforehand() -> None:
    shown = msgspec.structs.replace(performance(CHANNELS), permission=SPRING)
    [finding] = check_permission(shown, "first-batch", date(2026, 4, 1))
    assert finding.severity is Severity.NOTES
    assert "until 2026-05-31, that day included" in finding.what
    later = msgspec.structs.replace(SPRING, shown_until=date(2027, 5, 31))
    assert (
        list(check_permission(msgspec.structs.replace(shown, permission=later), "first-batch", date(2026, 4, 1))) == []
    )


def test_sound_of_muscles_needs_no_consent_on_paper() -> None:
    shown = performance({"arm": Channel(kind=ChannelKind.MMG, file="a.wav")})
    assert list(check_permission(shown, "first-batch", date(2026, 4, 1))) == []
