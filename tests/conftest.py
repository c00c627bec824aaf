"""What holds for every test: `pytest --hypothesis-profile many` tries many examples, any other run few."""

from hypothesis import settings

from tests.properties import QUICK

settings.load_profile(QUICK)
