from __future__ import annotations

import msgspec
import pytest

from residue.checking import check
from residue.schedule.hours_folder import HoursFolder

URL = "https://desk.bakery.example/house.ics?key=rye"
NETWORKS = ["192.0.2.0/24"]


def faults(**keys: object) -> str:
    found, findings = check({"path": "/srv/residue-hours", **keys}, HoursFolder, "room.toml", "hours_folder")
    assert (found is None) == bool(findings)
    return " ".join(map(str, findings))


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"path": "hours"}, "not a full path"),
        ({"path": "/srv"}, "needed by others"),
        ({"path": "/etc/residue/hours"}, "needed by others"),
        ({"path": "/srv/hours/../../etc"}, "needed by others"),
        ({"path": "//etc/residue"}, "needed by others"),
        ({"path": "/root"}, "needed by others"),
        ({"path": "/home/anna"}, "needed by others"),
        ({"path": "/srv/our hours"}, "Choose another name"),
        ({"path": "/srv/hours%i"}, "Choose another name"),
        ({"share_with": ["the office"]}, 'share_with has "the office", which is not a network'),
        ({"calendar_networks": ["192.0.2.7/24"]}, 'calendar_networks has "192.0.2.7/24", which is not a network'),
        ({"calendar_url": "desk.bakery.example/house.ics"}, "calendar_url is not one of a calendar"),
        ({"calendar_url": "https://192.0.2.7:rye/house.ics"}, "calendar_url is not one of a calendar"),
        ({"calendar_url": "https://[192.0.2.7/house.ics"}, "calendar_url is not one of a calendar"),
        ({"calendar_url": "https://192.0.2.7/our house.ics"}, "calendar_url is not one of a calendar"),
        ({"calendar_url": "file:///etc/passwd"}, "calendar_url is not one of a calendar"),
        ({"calendar_url": "http://192.0.2.7/house.ics"}, "anybody between could change the hours"),
        ({"calendar_url": URL}, "calendar_networks"),
        ({"calendar_url": URL, "calendar_networks": NETWORKS, "calendar_every_min": 1}, "calendar_every_min"),
        ({"ca_file": "authority.pem"}, "not a full path"),
    ],
    ids=lambda one: "" if isinstance(one, str) else "-".join(one),
)
def test_a_fault_is_told_with_its_mend(keys: dict[str, object], said: str) -> None:
    assert said in faults(**keys)
    assert "key=rye" not in faults(**keys), "the address may be a secret"


def test_what_is_meant_by_it_is_taken() -> None:
    assert faults(calendar_url=URL, calendar_networks=NETWORKS, share_with=NETWORKS) == ""
    assert faults(calendar_url="http://192.0.2.7/house.ics", without_encryption=True) == ""


def test_webcal_is_fetched_over_https() -> None:
    url = "webcal://desk.bakery.example/house.ics"
    one = msgspec.convert({"path": "/srv/h", "calendar_url": url, "calendar_networks": NETWORKS}, HoursFolder)
    assert one.fetched_from == "https://desk.bakery.example/house.ics"
    assert one.server == "desk.bakery.example"
