import pytest

from residue.control.asker import asker_in_words


@pytest.mark.parametrize("address", ["127.0.0.1", "::1"])
def test_who_asked_at_the_machine_itself_is_told_as_such(address: str) -> None:
    assert asker_in_words(address) == "this machine"


def test_who_asked_over_the_network_is_told_by_the_address() -> None:
    assert asker_in_words("10.0.0.5") == "10.0.0.5"
