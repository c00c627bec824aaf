"""What a process of its own does for a swap that the control surface asked for."""

from __future__ import annotations

from pathlib import Path

from residue.archive.bag import payload_digest
from residue.archive.swap.asking import waiting
from residue.archive.swap.candidate import When
from tests.runtime import kitchen
from tests.runtime.system.test_child_process import ended

STAGING = "residue.runtime.swap.staging"


def test_a_bag_is_copied_to_where_it_waits_or_it_says_in_one_message_why_not(tmp_path: Path) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    performances, bag = installation / "performances", installation / "performances" / "second-batch"
    done = ended(STAGING, [str(installation), str(bag), "first-batch", "at-opening"])
    assert done.status == 0
    done.end()
    [candidate] = waiting(performances)
    assert (candidate.name, candidate.request.when) == ("first-batch", When.AT_OPENING)
    assert payload_digest(candidate.path) == payload_digest(bag)

    (bag / "data" / "arm.flac").unlink()
    refused = ended(STAGING, [str(installation), str(bag), "first-batch", "now"])
    assert refused.status == 1
    assert refused.complaint.startswith("second-batch: data/arm.flac is missing. Copy the bag again")
    refused.end()
    assert [one.request.when for one in waiting(performances)] == [When.AT_OPENING], "what waits goes on waiting"
