import socket

import pytest

from residue.control.query import in_words, status
from residue.problems import ProblemError


def test_where_nobody_listens_one_message_says_so_with_the_mend() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(ProblemError, match=rf"127.0.0.1:{port}: Nobody listens there\. Start it with `residue run`"):
        status("127.0.0.1", port)


SWAP = {"performance": "first-batch", "bag": "third-batch", "when": "at-rest", "state": "arriving"}
SWAPS = [SWAP | {"why": "It lacks bagit.txt."}, SWAP | {"state": "ready", "why": None}]
TOLD = {
    "house": "playing",
    "performance": "first-batch",
    "playhead_s": 201.3,
    "section": "quiet hands",
    "readings": {"rate": {"value": 71.25, "trust": 1.0}, "breath": {"value": None, "trust": 0.0}},
    "levels": None,
    "caps": [{"name": "LAeq over 15 min", "level": None, "limit": 100.0, "unit": "dB(A)", "headroom_db": None}],
    "health": {"why": "first-batch from 0 s on", "alarms": [], "ears_known": False, "swaps": SWAPS},
    "events": [],
}


def test_a_status_reads_as_sentences() -> None:
    assert in_words(TOLD) == [
        "The house is playing: first-batch from 0 s on.",
        "first-batch is at 3:21, section quiet hands.",
        "rate: 71.25, trust 1.00.",
        "breath: trust 0.00, not measured now.",
        "LAeq over 15 min: silence, limit 100.0 dB(A).",
        "third-batch in the place of first-batch, at-rest: arriving. It lacks bagit.txt.",
        "third-batch in the place of first-batch, at-rest: ready.",
        "Levels at the ear are unknown: the room is not calibrated.",
        "All is well.",
    ]


@pytest.mark.parametrize(
    ("lacks", "left_out"),
    [("swaps", "third-batch in the place of"), ("ears_known", "Levels at the ear"), ("alarms", "All is well")],
)
def test_of_a_house_of_another_version_is_said_what_it_tells(lacks: str, left_out: str) -> None:
    older = TOLD | {"health": {key: value for key, value in TOLD["health"].items() if key != lacks}}  # type: ignore[attr-defined]
    lines = in_words(older)
    kept = [line for line in in_words(TOLD) if not line.startswith(left_out)]
    assert len(kept) < len(in_words(TOLD))
    assert lines[: len(kept)] == kept
    assert "another version" in lines[len(kept)]


def test_an_answer_that_tells_nothing_known_is_no_traceback() -> None:
    assert "another version" in in_words({"health": None, "caps": 3})[0]
