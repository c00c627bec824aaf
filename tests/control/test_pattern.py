import pytest

from residue.control.pattern import matches

# Open Sound Control 1.0 (2002), the five rules of "OSC Message Dispatching and Pattern Matching", one row for each
# thing that they say.
RULES = [
    ("/a/b", "/a/b", True),
    ("/a/?", "/a/b", True),
    ("/a/?", "/a/bc", False),
    ("/a/?", "/a/", False),
    ("/a/*", "/a/bcd", True),
    ("/a/*", "/a/b", True),
    ("/a/*", "/a/b/c", False),
    ("/*/freq", "/osc1/freq", True),
    ("/second/[1-2]", "/second/1", True),
    ("/second/[1-2]", "/second/2", True),
    ("/second/[1-2]", "/second/3", False),
    ("/x/[abc]d", "/x/ad", True),
    ("/x/[abc]d", "/x/cd", True),
    ("/x/[!abc]d", "/x/ad", False),
    ("/x/[!abc]d", "/x/dd", True),
    ("/x/[a!]", "/x/!", True),
    ("/x/[a-]", "/x/-", True),
    ("/{foo,bar}/1", "/foo/1", True),
    ("/{foo,bar}/1", "/bar/1", True),
    ("/{foo,bar}/1", "/foobar/1", False),
    ("/{foo,bar}/1", "/baz/1", False),
    ("/ch{1,12}*", "/ch12x", True),
    ("/A", "/a", False),
]


@pytest.mark.parametrize(("pattern", "address", "expected"), RULES)
def test_patterns_match_as_osc_1_0_says(pattern: str, address: str, *, expected: bool) -> None:
    assert matches(pattern, address) is expected


@pytest.mark.parametrize("pattern", ["/[ab", "/{a,b", "/a]", "/a}", "/[", "/{"])
def test_a_bracket_left_open_matches_nothing(pattern: str) -> None:
    assert not any(matches(pattern, address) for address in ("/a", "/b", "/", "/[ab", "/a]"))


@pytest.mark.timeout(20)  # one that is tried out takes longer than the universe is old
@pytest.mark.parametrize("pattern", ["/" + "*a" * 2_000, "/" + "*?" * 2_000, "/" + "{a,aa,}" * 1_000])
def test_a_hostile_pattern_costs_no_more_than_its_length(pattern: str) -> None:
    assert not matches(pattern, "/" + "a" * 30 + "b")
